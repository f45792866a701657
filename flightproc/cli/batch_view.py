"""A batch as text: how far it is, and how it went."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from rich.table import Table

    from ..batch import Batch, Outcome, Tick

__all__ = ["Lines", "show_batch", "show_problems", "tick_words"]

_MOST_ROWS = 60
_MOST_FAILURES = 20
_BETWEEN = 10.0  # [s] between two lines of progress
_STATES = {"done": "done", "kept": "kept", "failed": "FAILED", "stopped": "not done"}


def duration(seconds: float) -> str:
    """Return a length of time as people say it.

    Examples
    --------
    >>> duration(8.2), duration(200), duration(9000)
    ('8 s', '3 min 20 s', '2 h 30 min')
    """
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def tick_words(tick: Tick) -> str:
    """Return in one line how far a batch is."""
    words = f"{tick.ended} of {tick.total} sorties"
    parts = [f"{tick.kept} kept from before"] if tick.kept else []
    parts += [f"{tick.failed} failed"] if tick.failed else []
    if parts:
        words += f" ({', '.join(parts)})"
    if tick.ended == tick.total:
        return words
    return f"{words}, {tick.running} running, " + (
        "time left not known yet" if tick.left_s is None else f"about {duration(tick.left_s)} left"
    )


class Lines:
    """Progress as plain lines, no more often than one would read them.

    Parameters
    ----------
    out : file
        Where to.
    """

    def __init__(self, out: TextIO) -> None:
        self._out, self._last = out, -_BETWEEN

    def __call__(self, tick: Tick) -> None:
        """Tell how far it is, where there is something new to tell."""
        now = time.monotonic()
        if now - self._last >= _BETWEEN or tick.ended == tick.total:
            self._last = now
            self._out.write(tick_words(tick) + "\n")
            self._out.flush()


def show_problems(batch: Batch, *, stopped: bool) -> None:
    """Print on standard error what failed, what was passed over, and what is left to do."""
    failed = [outcome for outcome in batch.outcomes if outcome.failure is not None]
    for outcome in failed[:_MOST_FAILURES]:
        assert outcome.failure is not None
        _complain(outcome.failure.words)
    if len(failed) > _MOST_FAILURES:
        _complain(f"{len(failed) - _MOST_FAILURES} more sorties failed: see summary.csv")
    for note in batch.notes:
        _complain(note, "note")
    if stopped:
        _complain(
            f"stopped: {batch.count('done')} sorties done and {batch.count('kept')} kept are safe in "
            f"{batch.folder}, {batch.count('stopped')} are not done; the same command goes on from there",
            "note",
        )


def show_batch(batch: Batch) -> None:
    """Print the sorties as a table, how many there were, and where the results are."""
    from rich.console import Console

    console = Console(highlight=False)
    console.print(_table(batch))
    console.print()
    counts = [f"{batch.count(state)} {_STATES[state]}" for state in _STATES if batch.count(state)]
    cpu = sum(float(o.facts.get("cpu_s") or 0.0) for o in batch.outcomes if o.state == "done")
    number = len(batch.outcomes)
    words = (
        f"{number} {'sortie' if number == 1 else 'sorties'}: {', '.join(counts)}; {duration(batch.seconds)}"
    )
    console.print(words + (f", {duration(cpu)} of processor time" if cpu else ""), markup=False)
    for path in batch.files:
        console.print(f"{path}", markup=False, soft_wrap=True)


def _complain(words: str, kind: str = "error") -> None:
    print(f"flightproc: {kind}: {words}", file=sys.stderr)


def _table(batch: Batch) -> Table:
    """Return the table of sorties; the failed ones, where there are too many for all."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    table.add_column(Text("sortie"), overflow="fold", ratio=1)
    table.add_column(Text(""), no_wrap=True)
    for head, unit in (
        ("holds", "power"),
        ("K", "N m/rad"),
        ("torque ratio", "1 [95 %]"),
        ("cpu", "s"),
    ):
        table.add_column(Text(f"{head}\n{unit}"), justify="right", no_wrap=True)
    shown = list(batch.outcomes)
    if len(shown) > _MOST_ROWS:
        bad = [outcome for outcome in shown if outcome.state in ("failed", "stopped")]
        good = [outcome for outcome in shown if outcome.state in ("done", "kept")]
        bad = bad[: _MOST_ROWS // 2]
        shown = [*bad, *good[: _MOST_ROWS - len(bad)]]
    for outcome in shown:
        style = "bold red" if outcome.state == "failed" else ""
        table.add_row(*(Text(cell, style=style) for cell in _cells(outcome)))
    if len(shown) < len(batch.outcomes):
        table.add_row(Text(f"and {len(batch.outcomes) - len(shown)} more: summary.csv"))
    return table


def _cells(outcome: Outcome) -> tuple[str, ...]:
    row = outcome.facts
    state = _STATES[outcome.state]
    if not row:
        return (outcome.sheet, state)
    holds = row.get("power_holds")
    cpu = row.get("cpu_s")
    return (
        outcome.sheet,
        state,
        "?" if holds is None else str(holds),
        _value(row, "hang_stiffness_N_m_rad", 0, interval=False),
        _value(row, "sortie_torque_ratio", 3, interval=True),
        "" if cpu is None else f"{cpu:.1f}",
    )


def _value(row: Any, name: str, places: int, *, interval: bool) -> str:
    value, low, high = (row.get(name + ending) for ending in ("", "_low95", "_high95"))
    if value is None:
        return "?"
    text = f"{value:.{places}f}"
    if not interval or low is None or high is None:
        return text
    return f"{text} [{low:.{places}f}, {high:.{places}f}]"
