"""What ``flightproc logs --check`` prints."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from ..readers import Recording
    from ..sheets import AircraftSheet
    from ..sortie.check_model import InstrumentCheck

__all__ = ["check_document", "run_check"]

CHECK_SCHEMA = "flightproc-check/1"
_STYLES = {"ready": "green", "look at": "yellow", "mend": "bold red"}
_TAUS = (0.1, 1.0, 10.0)


def run_check(files: Sequence[str], aircraft: Path | None, figure: Path | None, *, as_json: bool) -> int:
    """Check the instruments, print what was found, and return the exit code.

    Returns
    -------
    int
        0 where nothing is to mend, 1 where something is, 2 where a log cannot be read.
    """
    from ..errors import FlightprocError, LogError
    from ..readers import read_log
    from ..sheets import load_aircraft
    from .show import print_error, print_json

    sheet: AircraftSheet | None = None
    told: list[str] = []
    if aircraft is not None:
        try:
            sheet = load_aircraft(aircraft)
        except FlightprocError as error:
            told.append(str(error))
    recordings: list[Recording] = []
    for file in files:
        try:
            recordings.append(read_log(file))
        except LogError as error:
            told.append(str(error))
    for text in told:
        print_error(text)
    if not recordings or (aircraft is not None and sheet is None):
        return 2
    from ..sortie.check import check_instruments

    check = check_instruments(recordings, sheet)
    if figure is not None:
        _write_figure(check, figure)
    if as_json:
        import json

        text = json.dumps(check_document(check, told), indent=2, ensure_ascii=False, allow_nan=False)
        print_json(text + "\n")
    else:
        from rich.console import Console

        _show(Console(highlight=False), check)
    if told:
        return 2
    return 1 if check.verdict == "mend" else 0


def _write_figure(check: InstrumentCheck, path: Path) -> None:
    import matplotlib as mpl

    from ..errors import OutputError
    from ..report.figures.allan import draw_allan
    from ..report.figures.style import STYLE, png_bytes, svg_text
    from ..whole import write_whole

    if path.suffix.lower() not in {".png", ".svg"}:
        raise OutputError("a figure is a PNG or an SVG", where=str(path), hint="allan.png or allan.svg")
    with mpl.rc_context(STYLE):
        drawn = draw_allan(check.curves)
        if drawn is None:
            raise OutputError(
                "there is no curve to draw", where=str(path), hint="a recording with a minute at rest"
            )
        data = svg_text(drawn).encode() if path.suffix.lower() == ".svg" else png_bytes(drawn)
    try:
        write_whole(path, data)
    except OSError as error:
        raise OutputError(
            f"the figure cannot be written ({error.strerror or error})", where=str(path), hint="another name"
        ) from error


def _show(console: Console, check: InstrumentCheck) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, show_header=False, show_edge=False, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("", no_wrap=True)
    table.add_column("", no_wrap=True)
    table.add_column("", overflow="fold")
    for line in check.lines:
        words = Text(line.found)
        if line.advice:
            words.append(f"\n→ {line.advice}", style="italic")
        table.add_row(Text(line.status, style=_STYLES[line.status]), Text(_short(line.subject)), words)
    console.print(table)
    if check.curves:
        console.print()
        console.print(_allan_table(check))
    console.print()
    console.print(Text(check.words, style=_STYLES[check.verdict]))
    console.print(
        Text(
            "This looks at instruments only. Whether to fly is for the pilot, the makers' limits and local "
            "rules; "
            "fasten loggers and wires so that none can ever meet the propeller.",
            style="dim",
        )
    )


def _short(subject: str) -> str:
    return subject if len(subject) <= 24 else subject[:23] + "…"


def _allan_table(check: InstrumentCheck) -> Any:
    import math

    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    table.add_column(Text("Allan deviation\nat rest"))
    for tau in _TAUS:
        table.add_column(Text(f"{tau:g} s\n"), justify="right")
    for name, curve in check.curves.items():
        rate = name.endswith("_rate")
        factor = math.degrees(1.0) if rate else 1e3
        values = [factor * curve.at(tau) for tau in _TAUS]
        cells = ["-" if math.isnan(value) else f"{value:.2g}" for value in values]
        table.add_row(Text(f"{name} [{'deg/s' if rate else 'mm/s²'}]"), *cells)
    return table


def check_document(check: InstrumentCheck, unreadable: Sequence[str] = ()) -> dict[str, Any]:
    """Return a check as a document, fit for JSON."""
    import math

    return {
        "schema": CHECK_SCHEMA,
        "verdict": check.verdict,
        "words": check.words,
        "unreadable": list(unreadable),
        "rest_s": None if check.still is None else list(check.still),
        "lines": [
            {
                "subject": line.subject,
                "status": line.status,
                "found": line.found,
                "advice": line.advice,
                "numbers": {k: v if math.isfinite(v) else None for k, v in line.numbers.items()},
            }
            for line in check.lines
        ],
        "allan": {
            name: {
                "tau_s": curve.tau.tolist(),
                "deviation": curve.deviation.tolist(),
                "std": curve.std.tolist(),
            }
            for name, curve in check.curves.items()
        },
    }
