"""Who does the work: worker processes of this machine.

Each is a pool of its own, so that one that dies takes nothing but its own sortie with it.
"""

from __future__ import annotations

import os
import re
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, wait
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Protocol

from ..threads import SINGLE
from .machine import Needs
from .work import Order, Outcome, do

__all__ = ["Crew", "Ended", "LocalCrew", "count_cores"]

_LIBRARIES_BYTES = 3_000_000_000
"""Address space that libraries take up without holding memory."""

_ORPHANED = 75


@dataclass(frozen=True)
class Ended:
    """What came back of an order.

    Attributes
    ----------
    order : Order
        The order.
    outcome : Outcome or None
        How it went; None where it ended otherwise.
    died : str
        How its worker died, where it did.
    error : BaseException or None
        What was raised that nobody foresaw.
    """

    order: Order
    outcome: Outcome | None = None
    died: str = ""
    error: BaseException | None = None


class Crew(Protocol):
    """Workers that take orders."""

    @property
    def busy(self) -> int:
        """How many orders are out."""
        ...

    def takes(self, order: Order) -> bool:
        """Return whether an order can be handed on now."""
        ...

    def hand(self, order: Order) -> None:
        """Hand an order on."""
        ...

    def wait(self, seconds: float) -> Sequence[Ended]:
        """Return what has ended, after at most this time."""
        ...

    def stop(self) -> int:
        """Stop everything; return how many orders go on elsewhere nonetheless."""
        ...


def count_cores() -> int:
    """Return how many cores this process may use, containers' limits counted."""
    from joblib import cpu_count

    return max(1, int(cpu_count()))


@dataclass
class _Slot:
    """A worker process, or room for one: what it is at, what that needs, and what it holds [bytes]."""

    executor: Any = None
    order: Order | None = None
    future: Any = None
    need: int = 0
    held: int = 0

    @property
    def claims(self) -> int:
        return max(self.need if self.order is not None else 0, self.held)

    def end(self) -> None:
        """End the worker, whatever it does."""
        if self.executor is not None:
            self.executor.shutdown(wait=True, kill_workers=True)
        self.executor, self.held = None, 0


class LocalCrew:
    """Workers on this machine, bounded by cores and memory.

    Parameters
    ----------
    jobs : int
        Most workers at once.
    memory : int or None
        Memory for all of them together [bytes]; None where there is no bound.
    work : callable
        What is done with an order.
    """

    def __init__(self, jobs: int, memory: int | None, work: Callable[[Order], Outcome] = do) -> None:
        self._slots = [_Slot() for _ in range(jobs)]
        self._memory, self._work = memory, work
        self._needs = Needs()

    @property
    def busy(self) -> int:
        """How many orders are out."""
        return sum(slot.order is not None for slot in self._slots)

    @property
    def started(self) -> int:
        """How many workers run."""
        return sum(slot.executor is not None for slot in self._slots)

    def takes(self, order: Order) -> bool:
        """Return whether an order can be handed on now: a worker is free, and so is the memory it needs."""
        if self.busy == 0:
            return True
        if self.busy == len(self._slots) or order.alone:
            return False
        if any(slot.order is not None and slot.order.alone for slot in self._slots):
            return False
        if self._memory is None:
            return True
        mine = self._free_slot()
        need = max(mine.held, self._needs.expected(order.log_bytes))
        others = [slot for slot in self._slots if slot is not mine]
        if need + sum(slot.need for slot in others if slot.order is not None) > self._memory:
            return False
        for slot in others:  # workers that wait give their memory back where it is wanted
            if need + sum(slot.claims for slot in others) <= self._memory:
                break
            if slot.order is None and slot.executor is not None:
                slot.end()
        return True

    def _free_slot(self) -> _Slot:
        """Return a free slot, first of all one whose worker is there already."""
        free = [slot for slot in self._slots if slot.order is None]
        return max(free, key=lambda slot: (slot.executor is not None, slot.held))

    def hand(self, order: Order) -> None:
        """Hand an order to a worker."""
        slot = self._free_slot()
        with _interrupts_held():
            if slot.executor is None:
                slot.executor = self._start()
            slot.order, slot.need = order, self._needs.expected(order.log_bytes)
            slot.future = slot.executor.submit(self._work, order)

    def _start(self) -> Any:
        from joblib.externals.loky import ProcessPoolExecutor

        return ProcessPoolExecutor(
            max_workers=1,
            initializer=_confine,
            initargs=(os.getpid(), self._memory),
            env=SINGLE,
        )

    def wait(self, seconds: float) -> Sequence[Ended]:
        """Return what has ended, after at most this time."""
        out = [slot for slot in self._slots if slot.order is not None]
        if not out:
            time.sleep(seconds)
            return ()
        done, _ = wait([slot.future for slot in out], seconds, FIRST_COMPLETED)
        return [self._end(slot) for slot in out if slot.future in done]

    def _end(self, slot: _Slot) -> Ended:
        from joblib.externals.loky import BrokenProcessPool

        order, error = slot.order, slot.future.exception()
        assert order is not None
        slot.order = None
        if error is None:
            outcome: Outcome = slot.future.result()
            slot.held = outcome.held_bytes
            if outcome.state == "done" and outcome.memory_bytes:
                self._needs.learn(order.log_bytes, outcome.memory_bytes)
            return Ended(order, outcome)
        if isinstance(error, BrokenProcessPool):
            slot.end()
            return Ended(order, died=_how(str(error)))
        return Ended(order, error=error)

    def stop(self) -> int:
        """End all workers, whatever they do."""
        for slot in self._slots:
            slot.end()
            slot.order = None
        return 0


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Let Ctrl-C wait, and have processes that are begun meanwhile leave it to us from their first moment."""
    if not hasattr(signal, "pthread_sigmask") or threading.current_thread() is not threading.main_thread():
        yield
        return
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    handler = signal.signal(signal.SIGINT, signal.SIG_IGN)  # which a new process inherits
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, handler)
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)


def _how(words: str) -> str:
    """Return how a worker ended, from what the pool says of it."""
    found = re.search(r"(SIG\w+|EXIT)\((-?\d+)\)", words)
    if found is None:
        return ""
    return f"exit code {found[2]}" if found[1] == "EXIT" else found[1]


def _confine(parent: int, memory: int | None) -> None:
    """Prepare a worker: it leaves Ctrl-C to its parent, ends with it, and has a cap on its memory."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if os.name != "posix":
        return
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    if memory is not None and sys.platform.startswith("linux"):
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        cap = memory + _LIBRARIES_BYTES
        resource.setrlimit(
            resource.RLIMIT_AS, (cap if hard == resource.RLIM_INFINITY else min(cap, hard), hard)
        )


def _end_with(parent: int) -> None:
    """End this process when its parent is gone."""
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(_ORPHANED)
