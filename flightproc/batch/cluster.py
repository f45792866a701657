"""Who does the work: the workers of a Dask cluster, reached by the address of its scheduler.

The scheduler hands an order to another worker when one dies. A result is stored before it is told, so what a
dead worker had finished is found again and not made twice.
"""

from __future__ import annotations

import logging
import queue
import re
import secrets
import socket
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from .. import __version__
from ..errors import BatchError
from .crew import Ended
from .find import shown_path
from .work import Order, do

__all__ = ["ClusterCrew"]

_ADDRESS = re.compile(r"(?P<scheme>(?:tcp|tls)://)?(?P<host>\[[0-9a-fA-F:]+\]|[\w.-]+):(?P<port>\d{1,5})")
_PATIENCE = 20.0  # [s] for the scheduler to answer, and for a first worker
_COUNT_AGAIN = 5.0  # [s]
_AHEAD = 2  # orders out for each worker, so that none waits for the next


class ClusterCrew:
    """Workers of a cluster.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.
    out : Path
        The batch's folder, which every worker must see.
    patience : float
        How long to wait for the scheduler, and for a worker [s].

    Raises
    ------
    BatchError
        Where the extra is not installed, nobody answers, there is no worker, a worker has another version of
        flightproc, or does not see the folder.
    """

    def __init__(self, address: str, out: Path, *, patience: float = _PATIENCE) -> None:
        try:
            import distributed
        except ImportError as error:
            raise BatchError(
                "distributed is not installed", hint="pip install 'flightproc[cluster]'"
            ) from error
        self._address = _reached(address)
        self._ended: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._out: dict[Any, Order] = {}
        # what it says of lost workers is told by us, in words
        for name in ("distributed", "distributed.client"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        try:
            connect: Any = distributed.Client
            self._client = connect(
                self._address, timeout=patience, set_as_default=False, name="flightproc-batch"
            )
        except (OSError, ValueError, RuntimeError) as error:
            raise _no_answer(address, error) from error
        try:
            self._look_at_workers(out, patience)
        except BaseException:
            self._client.close()
            raise

    def _look_at_workers(self, out: Path, patience: float) -> None:
        try:
            self._client.wait_for_workers(1, timeout=patience)
        except TimeoutError as error:
            raise BatchError(
                "the scheduler has no worker",
                where=self._address,
                hint=f"start some on each machine: dask worker --nthreads 1 {self._address}",
            ) from error
        token = secrets.token_hex(8)
        mark = out / f".seen-{token}"
        mark.write_text(token)
        try:
            answers = self._client.run(_look, str(mark), on_error="return")
        finally:
            mark.unlink(missing_ok=True)
        for worker, answer in answers.items():
            if isinstance(answer, OSError):
                continue  # this one has just gone; whoever takes its place is seen when it fails
            if not isinstance(answer, tuple):
                raise BatchError(
                    f"a worker cannot import flightproc: {answer}",
                    where=worker,
                    hint="install the same flightproc on every machine of the cluster",
                )
            version, seen = answer
            if version != __version__:
                raise BatchError(
                    "a worker has another version of flightproc",
                    where=worker,
                    found=version,
                    allowed=__version__,
                    hint="install the same flightproc on every machine of the cluster",
                )
            if seen != token:
                raise BatchError(
                    f"a worker does not see the folder {shown_path(out)}",
                    where=worker,
                    hint="put logs and the batch's folder on a disk that all machines share, under one path",
                )
        self._workers, self._counted = len(answers), time.monotonic()

    @property
    def workers(self) -> int:
        """How many workers there are, as counted not long ago."""
        now = time.monotonic()
        if now - self._counted > _COUNT_AGAIN and self._client.status == "running":
            self._workers, self._counted = max(1, len(self._client.nthreads())), now
        return self._workers

    @property
    def busy(self) -> int:
        """How many orders are out."""
        return len(self._out)

    def takes(self, order: Order) -> bool:
        """Return whether an order can be handed on now."""
        return len(self._out) < _AHEAD * self.workers

    def hand(self, order: Order) -> None:
        """Hand an order to the scheduler."""
        key = f"flightproc-{order.run}-{secrets.token_hex(6)}"
        future = self._client.submit(do, order, key=key, pure=False)
        self._out[future] = order
        future.add_done_callback(self._ended.put)

    def wait(self, seconds: float) -> Sequence[Ended]:
        """Return what has ended, after at most this time.

        Raises
        ------
        BatchError
            Where the scheduler is gone.
        """
        found: list[Ended] = []
        until = time.monotonic() + seconds
        while not found or not self._ended.empty():
            try:
                future = self._ended.get(timeout=max(0.0, until - time.monotonic()))
            except queue.Empty:
                break
            order = self._out.pop(future, None)
            if order is not None:
                found.append(self._end(future, order))
        if not found and self._out and self._client.status in ("closed", "closing"):
            raise self._gone()
        return found

    def _end(self, future: Any, order: Order) -> Ended:
        from distributed import KilledWorker

        if future.status in ("cancelled", "lost"):
            raise self._gone()
        error = future.exception()
        if error is None:
            return Ended(order, future.result())
        if isinstance(error, KilledWorker):
            return Ended(order, died="on several machines of the cluster")
        return Ended(order, error=error)

    def _gone(self) -> BatchError:
        return BatchError(
            "the scheduler is gone",
            where=self._address,
            hint="start it again and run the same command: what is finished is kept",
        )

    def stop(self) -> int:
        """Take back what has not begun; what runs on the cluster ends there. Return how much that is."""
        going = 0
        if self._out and self._client.status == "running":
            futures = list(self._out)
            going = sum(len(keys) for keys in self._client.processing().values())
            self._client.cancel(futures)
        self._out.clear()
        self._client.close(timeout=2)
        return going


def _reached(address: str) -> str:
    """Return an address at which something answers; a wrong one is told at once."""
    found = _ADDRESS.fullmatch(address)
    if found is None or not 0 < int(found["port"]) < 65536:
        raise BatchError(
            "this is not the address of a scheduler",
            found=address,
            allowed="tcp://HOST:PORT or tls://HOST:PORT",
            hint="the address that dask scheduler prints, such as tcp://10.0.0.5:8786",
        )
    try:
        socket.create_connection((found["host"].strip("[]"), int(found["port"])), 5.0).close()
    except OSError as error:
        raise _no_answer(address, error) from error
    return address if found["scheme"] else f"tcp://{address}"


def _no_answer(address: str, error: Exception) -> BatchError:
    return BatchError(
        f"no scheduler answers: {error}",
        where=address,
        hint="start one with dask scheduler, and give the address that it prints",
    )


def _look(mark: str) -> tuple[str, str]:
    """Return, on a worker, the version there and what it reads from a file."""
    try:
        return __version__, Path(mark).read_text()
    except OSError:
        return __version__, ""
