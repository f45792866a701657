"""``flightproc report``: from a sortie sheet to a report."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import Pdf, Png
from .show import print_json
from .terminal import figure_table, interval, progress

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from ..results import Results

__all__ = ["command"]

_ANALYSIS_SHARE = 0.85  # of the progress bar; the rest is drawing and writing


def command(
    sortie: Annotated[Path, typer.Argument(metavar="SORTIE.toml", help="The sortie sheet.")],
    out: Annotated[
        Path | None,
        typer.Option(
            "-o", "--out", metavar="FOLDER", help="Where to write; SORTIE-report in this folder if not given."
        ),
    ] = None,
    pdf: Pdf = False,
    png: Png = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print results.json instead of the summary.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print neither progress nor summary.")] = False,
) -> None:
    """Analyse a sortie and write its report.

    \b
    Example: a report to read on the screen, and one to print
      flightproc report my-sortie/sortie.toml -o my-report
      flightproc report my-sortie/sortie.toml -o my-report --pdf

    Writes report.html with its figures in it, the figures, holds.csv (a line a hold) and results.json
    (everything, described in docs/results-json.md) into FOLDER; report.pdf with --pdf. Files of an earlier
    report there are replaced, others stay.

    Exit code 0: done; 2: something to mend, told with every fault found.
    """  # noqa: D301
    from ..report.output import check_folder

    folder = Path(f"{sortie.stem}-report") if out is None else out
    check_folder(folder)
    if pdf:
        from ..report.paper import check_pdf

        check_pdf()
    with progress(quiet) as tell:
        from ..analysis import analyse
        from ..report import results_json, write_report

        results = analyse(sortie, progress=lambda words, done: tell(words, _ANALYSIS_SHARE * done))
        files = write_report(
            results,
            folder,
            progress=lambda words, done: tell(words, _ANALYSIS_SHARE + (1 - _ANALYSIS_SHARE) * done),
            pdf=pdf,
            png=png,
        )
    if as_json:
        print_json(results_json(results))
    elif not quiet:
        from rich.console import Console

        _summary(Console(highlight=False), results, files[-1])


def _table(results: Results) -> Table:
    """Return the table of rpm groups."""
    from rich.text import Text

    table = figure_table(
        ("rpm", "1/min"),
        ("airspeed", "m/s"),
        ("roll moment", "N m [95 %]"),
        ("static torque", "N m [95 %]"),
        ("ratio", "1 [95 %]"),
    )
    for row in results.comparison:
        rpm = "?" if row.rpm.value is None else f"{row.rpm.value:.0f}"
        speed = "?" if row.airspeed.value is None else f"{row.airspeed.value:.1f}"
        cells = (row.roll_moment, row.static_torque, row.torque_ratio)
        table.add_row(rpm, speed, *(Text(interval(quantity)) for quantity in cells))
    return table


def _wind_words(results: Results) -> str:
    wind = results.wind
    if wind.north.value is None or wind.east.value is None:
        return f"unknown: {wind.north.reason or wind.words or 'no reason given'}"
    direction = math.degrees(wind.direction_from)
    return f"{wind.speed:.1f} m/s from {direction:03.0f} deg ({wind.method.replace('_', ' ')})"


def _improve(results: Results) -> str:
    """Return in one line what to improve first for the moment at the highest setting; empty where unknown."""
    entries = [entry for entry in results.budget if entry.result == "roll_moment" and entry.budget.first]
    if not entries:
        return ""
    budget = max(entries, key=lambda entry: entry.rpm).budget
    row = next(row for row in budget.rows if row.action)
    places, unit = budget.quantity.decimals(), budget.quantity.unit
    now, then = (f"± {q.std or 0.0:.{places}f}" for q in (budget.quantity, row.if_halved))
    return (
        f"{row.action} ({row.label}: {100.0 * row.share:.0f} % of the variance of {budget.name}; half of it "
        f"would bring {now} to {then} {unit})"
    )


def _summary(console: Console, results: Results, page: Path) -> None:
    """Print the answer, the table, what stands behind it, the caution, and where the report is."""
    from rich.table import Table
    from rich.text import Text

    from ..holds.model import HoldKind

    console.print(Text(results.title, style="bold"))
    for sentence in results.answer[:2] or ("No power hold could be turned into a moment; see the report.",):
        console.print(Text(sentence))
    console.print()
    if results.comparison:
        console.print(_table(results))
        console.print()
    counts = ", ".join(f"{sum(hold.kind is kind for hold in results.holds)} {kind}" for kind in HoldKind)
    calibration = results.calibration
    lines = [
        ("holds", f"{counts}; {len(results.rejected)} stretches turned down"),
        ("calibration", f"{calibration.method}, hang stiffness {calibration.hang_stiffness.text()}"),
        ("wind", _wind_words(results)),
    ]
    improve = _improve(results)
    if improve:
        lines.append(("improve first", improve))
    else:
        lines += [("limited by", limit) for limit in results.limits[:1]]
    lines += [("warning", warning) for warning in results.warnings[:3]]
    if len(results.warnings) > 3:
        lines.append(("", f"{len(results.warnings) - 3} more warnings are in the report"))
    lines += [("caution", caution) for caution in results.cautions[:1]]
    grid = Table.grid(padding=(0, 2))
    for label, words in lines:
        grid.add_row(Text(label, style="bold"), Text(words))
    console.print(grid)
    console.print()
    console.print(Text(f"report  {page}"), soft_wrap=True)
