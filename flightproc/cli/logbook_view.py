"""What ``flightproc logbook`` prints for people."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from .terminal import figure_table

if TYPE_CHECKING:
    from rich.console import Console

    from ..logbook import ResultView, RevisionView, SortieRow, SortieView
    from ..logbook.check import Checked

__all__ = ["show_check", "show_list", "show_sortie"]

_TOLD = 30


def _console() -> Console:
    from rich.console import Console

    return Console(highlight=False, markup=False)


def show_list(rows: Sequence[SortieRow], where: str) -> None:
    """Print the sorties as a table."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    if rows:
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
        table.add_column("id", justify="right")
        table.add_column("day", no_wrap=True)
        for head in ("title", "aircraft", "glider"):
            table.add_column(head)
        table.add_column("results", justify="right")
        for row in rows:
            words = (row.date or "?", row.title, row.aircraft, row.glider, str(row.results or "none"))
            table.add_row(str(row.id), *(Text(word) for word in words))
        _console().print(table)
    else:
        sys.stdout.write("no sortie fits\n")
    sys.stdout.write(f"\nlogbook  {where}\n")


def show_sortie(
    view: SortieView, told: tuple[RevisionView, ResultView | None] | None, document: dict[str, Any] | None
) -> None:
    """Print one sortie, rendered anew from its stored result."""
    from rich.table import Table
    from rich.text import Text

    console, row = _console(), view.row
    revision = view.newest if told is None else told[0]
    entry, result = revision.entry, None if told is None else told[1]
    console.print(Text(f"{row.id}  {entry.title}", style="bold"))
    if document is not None:
        for sentence in document["answer"][:2]:
            console.print(Text(sentence))
        console.print()
        _comparison(console, document)
    grid = Table.grid(padding=(0, 2))
    lines = [
        ("day", entry.date or "unknown"),
        ("aircraft", f"{entry.aircraft}; propeller {row.propeller}"),
        ("glider", entry.glider),
        ("rig", entry.rig or "none"),
    ]
    lines += [("notes", entry.pilot_notes)] if entry.pilot_notes else []
    lines += [
        (file.role, f"{file.path}, {file.size / 1e3:.1f} kB, SHA-256 {file.sha256[:16]}…")
        for file in entry.files
    ]
    if result is None:
        lines.append(("result", "none yet: flightproc logbook add SORTIE.toml analyses it"))
    else:
        kept = f"; kept with it: {', '.join(result.files)}" if result.files else ""
        lines.append(("result", f"{result.id} by flightproc {result.version}, {result.created_utc}{kept}"))
    if len(view.revisions) > 1:
        lines.append(("set", f"{revision.number} of {len(view.revisions)}; another by --set NUMBER"))
    if document is not None:
        lines += [("warning", words) for words in document.get("warnings", [])[:3]]
        lines += [("caution", words) for words in document.get("cautions", [])[:1]]
    for label, words in lines:
        grid.add_row(Text(label, style="bold"), Text(words))
    console.print(grid)


def _comparison(console: Console, document: dict[str, Any]) -> None:
    from rich.text import Text

    rows = document.get("comparison") or []
    if not rows:
        return
    table = figure_table(
        ("rpm", "1/min"), ("airspeed", "m/s"), ("roll moment", "N m [95 %]"), ("ratio", "1 [95 %]")
    )
    for row in rows:
        cells = (
            _number(row.get("rpm"), 0),
            _number(row.get("airspeed_m_s"), 1),
            _number(row.get("roll_moment_N_m"), 1, True),
            _number(row.get("torque_ratio"), 2, True),
        )
        table.add_row(*(Text(cell) for cell in cells))
    console.print(table)
    console.print()


def _number(entry: Any, places: int, interval: bool = False) -> str:
    """Return a quantity of results.json, or a question mark."""
    if not isinstance(entry, dict) or entry.get("value") is None:
        return "?"
    text = f"{entry['value']:.{places}f}"
    if not interval or entry.get("low95") is None or entry.get("high95") is None:
        return text
    return f"{text} [{entry['low95']:.{places}f}, {entry['high95']:.{places}f}]"


def show_check(found: Checked, where: str) -> None:
    """Print what a check found."""
    out = sys.stdout
    for fault in found.faults[:_TOLD]:
        kind = "lost" if fault.lost else "mended" if fault.mended else "leftover"
        out.write(f"{kind:<9}{fault.where}: {fault.words}\n")
    if len(found.faults) > _TOLD:
        out.write(f"         and {len(found.faults) - _TOLD} more; --json lists all\n")
    for item in found.repeated:
        program = item.version
        if item.version_now != program:
            program += f", now {item.version_now}"
        verdict = "the same again" if item.same else "not the same again"
        out.write(f"result {item.result} (flightproc {program}): {verdict}\n")
        for words in (item.error, *item.differences) if not item.same else ():
            if words:
                out.write(f"         {words}\n")
    out.write(
        f"{'sound' if found.sound else 'not sound'}: {found.sorties} sorties, {found.results} results, "
        f"{found.contents} files, {found.size / 1e6:.1f} MB\n"
    )
    if any(not fault.lost and not fault.mended for fault in found.faults):
        out.write("leftovers do no harm; --repair takes them away\n")
    out.write(f"logbook  {where}\n")
