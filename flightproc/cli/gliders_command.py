"""``flightproc gliders``: gliders and loadings against each other, from the results of several sorties."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import Pdf
from .show import print_json
from .terminal import figure_table, interval, print_notes, progress

if TYPE_CHECKING:
    from rich.console import Console

    from ..compare.glider_model import GliderComparison

__all__ = ["command"]


def command(
    results: Annotated[
        list[Path],
        typer.Argument(
            metavar="RESULTS...", help="results.json files, folders with reports, or lists of them."
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--out",
            metavar="FOLDER",
            help="Where to write; gliders-report in this folder if not given.",
        ),
    ] = None,
    html: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="Write the page alone, to this file, and no folder."),
    ] = None,
    mass: Annotated[
        list[float] | None,
        typer.Option(
            "--mass",
            metavar="KG",
            min=40.0,
            max=600.0,
            help="All-up mass in kg to predict at, once for each; a fifth less and more if not given.",
        ),
    ] = None,
    density: Annotated[
        list[float] | None,
        typer.Option(
            "--density",
            metavar="KG/M3",
            min=0.3,
            max=1.6,
            help="Air density in kg/m^3 to predict at, once for each; that of the sorties if not given.",
        ),
    ] = None,
    moment: Annotated[
        float | None,
        typer.Option(
            "--moment",
            metavar="NM",
            min=0.1,
            max=500.0,
            help="Roll moment in N m of the predicted turn; what was measured at cruise if not given.",
        ),
    ] = None,
    matters: Annotated[
        float,
        typer.Option(
            "--matters", metavar="DEG/S", min=0.05, max=30.0, help="Turn in deg/s from which it matters."
        ),
    ] = 1.0,
    cruise_rpm: Annotated[
        float | None,
        typer.Option(
            "--cruise-rpm", metavar="RPM", min=300.0, max=20000.0, help="Engine speed at cruise, 1/min."
        ),
    ] = None,
    full_rpm: Annotated[
        float | None,
        typer.Option(
            "--full-rpm", metavar="RPM", min=300.0, max=20000.0, help="Engine speed at full throttle, 1/min."
        ),
    ] = None,
    pdf: Pdf = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print gliders.json instead of the tables.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print neither progress nor tables.")] = False,
) -> None:
    """Compare gliders and loadings from the results of several sorties.

    RESULTS are results.json files, folders that are searched for them, or text files with one path a line.
    Ballast glides in them give the turn for each N m; from four gliders on, they lean on each other.

    \b
    Example: three gliders flown with one frame, each sortie reported before
      flightproc report wing28/sortie.toml -o wing28/report
      flightproc report wing25/sortie.toml -o wing25/report
      flightproc report wing20/sortie.toml -o wing20/report
      flightproc gliders wing28 wing25 wing20 --mass 100 --mass 130 -o gliders

    Writes gliders.html, gliders.json, gliders.csv and the figures into FOLDER; gliders.pdf with --pdf.

    Exit code 0: done; 2: something to mend, told with every fault found.
    """  # noqa: D301
    from ..errors import OutputError
    from ..report.output import check_folder, write_folder
    from ..report.paper import add_pdf, check_pdf

    folder = Path("gliders-report") if out is None else out
    if html is not None and html.is_dir():
        raise OutputError("this is a folder, not a file", where=str(html), hint="name a file ending in .html")
    check_folder(folder if html is None else html.parent)
    if pdf:
        check_pdf()
    with progress(quiet) as tell:
        tell("reading the results", 0.0)
        from ..compare.glider_facts import read_facts
        from ..compare.gliders import compare_gliders
        from ..report.gliders_page import OWN_FILES, gliders_files, gliders_json

        facts, remarks = read_facts(results)
        tell("comparing the gliders", 0.3)
        found = compare_gliders(
            facts,
            masses=mass or (),
            densities=density or (),
            moment=moment,
            matters=math.radians(matters),
            cruise_rpm=cruise_rpm,
            full_rpm=full_rpm,
            remarks=remarks,
        )
        share_drawn = 0.3 if pdf else 0.5
        files = gliders_files(found, lambda words, share: tell(words, 0.5 + share_drawn * share))
        if pdf:
            tell("setting the PDF", 0.8)
            add_pdf(files, "gliders.html")
        if html is None:
            written = write_folder(folder, files, (*OWN_FILES, "gliders.pdf"))
        else:
            if pdf:
                _write(html.with_suffix(".pdf"), files["gliders.pdf"])
            written = [_write(html, files["gliders.html"])]
    if as_json:
        print_json(gliders_json(found))
    elif not quiet:
        from rich.console import Console

        _show(Console(highlight=False), found)
        sys.stdout.write(f"\nreport  {written[-1]}\n")


def _write(path: Path, content: bytes) -> Path:
    """Write one file, whole or not at all."""
    from ..errors import OutputError
    from ..whole import write_whole

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, content)
    except OSError as error:
        raise OutputError(
            f"cannot write ({error.strerror})", where=str(path), hint="name another file with --html"
        ) from error
    return path


def _show(console: Console, found: GliderComparison) -> None:
    from rich.text import Text

    degrees = 180.0 / math.pi
    counts = f"{len(found.gliders)} gliders, {len(found.sorties)} sorties"
    console.print(Text(f"Gliders and loading: {counts}", style="bold"))
    for sentence in found.answer:
        console.print(Text(sentence))
        console.print()
    table = figure_table(
        ("glider", ""),
        ("loading", "kg/m²"),
        ("for 10 N m", "deg/s [95 %]"),
        ("idle", "deg/s"),
        ("cruise", "deg/s [95 %]"),
        ("full", "deg/s [95 %]"),
        left=(0,),
    )
    for glider in found.gliders:
        idle = glider.residual_turn["idle"].degrees("deg/s")
        table.add_row(
            glider.name,
            f"{glider.wing_loading:.2f}",
            Text(interval(glider.turn_per_moment, 10.0 * degrees)),
            "?" if idle.value is None else f"{idle.value:.2f}",
            *(Text(interval(glider.residual_turn[name], degrees)) for name in ("cruise", "full")),
        )
    console.print(table)
    console.print()
    print_notes(console, ("note", found.words), ("caution", found.cautions[:1]), most=4)
