"""Work of a second or more for a page, in a process of its own: with a time limit, and some at a time.

The processes are forked from the same warm one as those of the analyses.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import pickle
import threading
from collections import OrderedDict
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any, TypeVar

from ..errors import FlightprocError, ResultsError, SheetError
from ..threads import keep_to_one_thread

__all__ = ["Aside", "aside"]

_T = TypeVar("_T")

_SECONDS = 90.0
_MEMORY = 4_000_000_000
_AT_ONCE = 2
_WAITING = 12
_KEPT = 24


class Aside:
    """Runs functions in processes, and keeps what came out last.

    Parameters
    ----------
    seconds : float
        Longest that one may take.
    """

    def __init__(self, seconds: float = _SECONDS) -> None:
        self._seconds = seconds
        self._places = threading.BoundedSemaphore(_AT_ONCE)
        self._lock = threading.Lock()
        self._waiting = 0
        self._kept: OrderedDict[str, Any] = OrderedDict()

    def run(self, function: Callable[..., _T], *args: Any) -> _T:
        """Return what a function of a module gives; the same question again is answered from memory.

        Parameters
        ----------
        function : callable
            At the top of a module.
        *args : Any
            Can be pickled.

        Raises
        ------
        FlightprocError
            What the function raised, or that it took too long, or failed, or that too many wait.
        """
        asked = pickle.dumps((function.__module__, function.__qualname__, args))
        key = hashlib.sha256(asked).hexdigest()
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                found: _T = self._kept[key]
                return found
            if self._waiting >= _WAITING:
                raise FlightprocError("too much is being worked out at once", hint="try again in a moment")
            self._waiting += 1
        try:
            with self._places:
                found = self._run(function, args)
        finally:
            with self._lock:
                self._waiting -= 1
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return found

    def _run(self, function: Callable[..., _T], args: tuple[Any, ...]) -> _T:
        context: Any = multiprocessing.get_context("forkserver" if os.name == "posix" else "spawn")
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(target=_work, args=(theirs, function, args), daemon=True)
        process.start()
        theirs.close()
        try:
            if not ours.poll(self._seconds):
                raise FlightprocError(
                    f"this takes longer than {self._seconds:.0f} s, which is all it may",
                    hint="ask for less at once",
                )
            how, value = ours.recv()
        except EOFError:
            raise FlightprocError(
                "this could not be worked out: it needed more than it may, or failed", hint="ask for less"
            ) from None
        finally:
            ours.close()
            process.kill()
            process.join()
            process.close()
        if how == "faults":
            raise value[0](value[1])
        if how == "error":
            raise value
        found: _T = value
        return found


def _work(pipe: Connection, function: Callable[..., Any], args: tuple[Any, ...]) -> None:
    keep_to_one_thread()
    if os.name == "posix":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        answer: tuple[str, Any] = ("done", function(*args))
    except (SheetError, ResultsError) as error:
        answer = ("faults", (type(error), error.faults))
    except FlightprocError as error:
        answer = ("error", error)
    pipe.send(answer)
    pipe.close()


aside: Aside = Aside()
"""That of the server."""
