"""Running a batch: sheets in, orders out to a crew, what comes back counted, retried and told."""

from __future__ import annotations

import secrets
import time
import traceback
from collections import Counter, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ..errors import BatchError
from ..report.output import check_folder
from .crew import Crew, Ended, LocalCrew, count_cores
from .find import Search, find_sheets, shown_path
from .machine import BASE_BYTES, free_memory
from .store import Store
from .tables import write_tables
from .work import ANALYSE, TRIES, Failure, Order, Outcome, worker_died

__all__ = ["Batch", "BatchStopped", "Tick", "run_batch"]

_LOOK = 0.5  # [s] between two looks at the crew
_MEMORY_SHARE = 0.8  # of the free memory, where nothing is said


@dataclass(frozen=True)
class Tick:
    """How far a batch has come.

    Attributes
    ----------
    done, kept, failed : int
        Sorties analysed in this run, kept from an earlier one, and failed.
    total : int
        All sorties.
    running : int
        How many are being analysed.
    left_s : float or None
        Time that the rest is expected to take [s]; None while that cannot be told.
    """

    done: int
    kept: int
    failed: int
    total: int
    running: int
    left_s: float | None

    @property
    def ended(self) -> int:
        """Sorties that need nothing more."""
        return self.done + self.kept + self.failed


@dataclass(frozen=True)
class Batch:
    """How a batch went.

    Attributes
    ----------
    folder : Path
        Where its results are.
    outcomes : tuple of Outcome
        One a sortie, by the path of its sheet.
    notes : tuple of str
        What could not be looked at, and what else is to be known.
    files : tuple of Path
        The tables written.
    seconds : float
        Time it took [s].
    """

    folder: Path
    outcomes: tuple[Outcome, ...]
    notes: tuple[str, ...]
    files: tuple[Path, ...]
    seconds: float

    def count(self, state: str) -> int:
        """Return how many sorties ended in a state."""
        return sum(outcome.state == state for outcome in self.outcomes)

    @property
    def good(self) -> bool:
        """Whether every sortie has its result."""
        return all(outcome.state in ("done", "kept") for outcome in self.outcomes)


class BatchStopped(KeyboardInterrupt):
    """A batch that was stopped; its workers are gone, what is finished is kept.

    Attributes
    ----------
    batch : Batch
        How far it came.
    """

    def __init__(self, batch: Batch) -> None:
        super().__init__("the batch was stopped")
        self.batch = batch


def run_batch(
    folders: Sequence[Path | str],
    out: Path | str,
    *,
    jobs: int | None = None,
    memory: int | None = None,
    scheduler: str | None = None,
    report: bool = False,
    again: bool = False,
    progress: Callable[[Tick], None] | None = None,
    analyse: str = ANALYSE,
) -> Batch:
    """Analyse every sortie below folders.

    Parameters
    ----------
    folders : sequence of path
        Where the sortie sheets are looked for; see :func:`find_sheets`.
    out : path
        Folder of the results; made where missing. What is finished there is not done again.
    jobs : int, optional
        Most worker processes at once; as many as there are cores where not given.
    memory : int, optional
        Memory for all of them together [bytes]; four fifths of what is free where not given.
    scheduler : str, optional
        Address of a Dask scheduler; its workers then do the work.
    report : bool
        Whether to write the report of each sortie too.
    again : bool
        Whether to analyse again what is stored.
    progress : callable, optional
        Called with a :class:`Tick` now and then.
    analyse : str
        ``module:function``, called with the sheets of a sortie; see :data:`flightproc.batch.work.ANALYSE`.

    Returns
    -------
    Batch

    Raises
    ------
    BatchError
        Where no sortie sheet is found, or the cluster cannot be used.
    OutputError
        Where a folder is missing or cannot be written.
    BatchStopped
        On Ctrl-C, once the workers are gone.
    """
    begun = time.monotonic()
    out = Path(out)
    check_folder(out)
    search = find_sheets([Path(folder) for folder in folders], leave_out=out)
    if not search.sheets:
        raise BatchError(
            "no sortie sheet is there",
            where=", ".join(shown_path(folder) for folder in folders),
            allowed="a .toml file with [[logs]], in any folder below",
            hint="flightproc new my-sortie",
        )
    store = Store(out)
    store.tidy()
    orders = _orders(search, out, report, again, analyse, absolute=scheduler is not None)
    crew = _crew(jobs, memory, scheduler, out, len(orders))
    runner = _Runner(orders, crew, progress or (lambda tick: None))
    notes = list(search.notes)
    try:
        runner.run()
    except KeyboardInterrupt as error:
        going = runner.stop()
        store.tidy()
        if going:
            notes.append(f"{going} sorties that had begun go on on the cluster; their results are kept")
        batch = Batch(out, runner.outcomes(), tuple(notes), (), time.monotonic() - begun)
        raise BatchStopped(batch) from error
    except BatchError as error:
        notes.append(str(error))
    finally:
        runner.stop()
    store.tidy()
    outcomes = runner.outcomes()
    files, words = write_tables(store, outcomes)
    return Batch(out, outcomes, (*notes, *words), files, time.monotonic() - begun)


def _orders(
    search: Search, out: Path, report: bool, again: bool, analyse: str, *, absolute: bool
) -> list[Order]:
    run = f"{time.strftime('%Y%m%dT%H%M%S', time.gmtime())}-{secrets.token_hex(3)}"
    place = out.absolute() if absolute else out
    return [
        Order(
            sheet=str(found.path.absolute() if absolute else found.path),
            shown=shown_path(found.path),
            out=str(place),
            run=run,
            report=str(place / "reports" / found.name) if report else "",
            log_bytes=found.log_bytes,
            again=again,
            analyse=analyse,
        )
        for found in search.sheets
    ]


def _crew(jobs: int | None, memory: int | None, scheduler: str | None, out: Path, count: int) -> Crew:
    if scheduler is not None:
        from .cluster import ClusterCrew

        return ClusterCrew(scheduler, out.absolute())
    if memory is None:
        free = free_memory()
        memory = None if free is None else max(int(_MEMORY_SHARE * free), BASE_BYTES)
    cores = count_cores()
    return LocalCrew(min(jobs or cores, count), memory)


class _Runner:
    """Hands orders to a crew and keeps count."""

    def __init__(self, orders: Sequence[Order], crew: Crew, tell: Callable[[Tick], None]) -> None:
        self._all, self._crew, self._tell = orders, crew, tell
        self._queue = deque(orders)
        self._ended: dict[str, Outcome] = {}
        self._counts: Counter[str] = Counter()
        self._deaths: dict[str, int] = {}
        self._begun = time.monotonic()
        self._stopped = False

    def run(self) -> None:
        """Work until every order has ended."""
        self._say()
        while self._queue or self._crew.busy:
            while self._queue and self._crew.takes(self._queue[0]):
                self._crew.hand(self._queue.popleft())
            ended = self._crew.wait(_LOOK)
            for item in ended:
                self._take(item)
            if ended:
                self._say()

    def _take(self, item: Ended) -> None:
        order = item.order
        if item.outcome is not None and item.outcome.state == "busy":
            self._queue.append(replace(order, wait=True))
        elif item.outcome is not None:
            self._end(order, item.outcome)
        elif item.died:
            times = self._deaths[order.sheet] = self._deaths.get(order.sheet, 0) + 1
            if times < TRIES:
                self._queue.append(replace(order, alone=True))
            else:
                self._fail(order, worker_died(order, times, item.died))
        else:
            assert item.error is not None
            self._fail(order, _unforeseen(order, item.error))

    def _fail(self, order: Order, failure: Failure) -> None:
        self._end(order, Outcome(order.shown, "failed", failure=failure))

    def _end(self, order: Order, outcome: Outcome) -> None:
        self._ended[order.sheet] = outcome
        self._counts[outcome.state] += 1

    def _say(self) -> None:
        done, kept, failed = (self._counts[state] for state in ("done", "kept", "failed"))
        worked, rest = done + failed, len(self._all) - len(self._ended)
        spent = time.monotonic() - self._begun
        left = spent / worked * rest if worked else None if rest else 0.0
        self._tell(Tick(done, kept, failed, len(self._all), self._crew.busy, left))

    def stop(self) -> int:
        """End the crew, once; return how many orders go on elsewhere."""
        if self._stopped:
            return 0
        self._stopped = True
        return self._crew.stop()

    def outcomes(self) -> tuple[Outcome, ...]:
        """Return one outcome a sortie, in the order of their sheets."""
        return tuple(self._ended.get(o.sheet) or Outcome(o.shown, "stopped") for o in self._all)


def _unforeseen(order: Order, error: BaseException) -> Failure:
    hint = "this is a fault of the program: report it with the call stack, which is in batch.json"
    words = f"{order.shown}: {type(error).__name__}: {error}. Try: {hint}"
    return Failure("Unforeseen", words, order.shown, hint, "".join(traceback.format_exception(error)))
