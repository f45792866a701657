"""``flightproc together``: several sorties of one frame, solved together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import Pdf
from .show import print_json
from .terminal import figure_table, interval, print_notes, progress

if TYPE_CHECKING:
    from rich.console import Console

    from ..compare.sorties_model import Together
    from ..quantity import Quantity

__all__ = ["command"]

_ANALYSIS_SHARE = 0.9  # of the progress bar


def command(
    sorties: Annotated[
        list[Path], typer.Argument(metavar="SORTIE.toml...", help="Two or more sortie sheets of one frame.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--out",
            "--output",
            metavar="FOLDER",
            help="Where to write; together-report in this folder if not given.",
        ),
    ] = None,
    pdf: Pdf = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print together.json instead of the tables.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print neither progress nor tables.")] = False,
) -> None:
    """Solve several sorties of one frame together, so that they share one calibration.

    Frame and rig must be the same in all; hung mass, pilot's hang arm and glider may differ. A sortie without
    ballast legs takes its hang stiffness from those that have them.

    \b
    Example: one evening with ballast legs, two without
      flightproc together may-14/sortie.toml may-20/sortie.toml june-2/sortie.toml -o frame-3
      flightproc together may-14/sortie.toml may-20/sortie.toml --json > frame-3.json

    Writes together.html, together.json, the figures, and sortie-N/results.json of each sortie with the
    calibration of all into FOLDER; together.pdf with --pdf.

    Exit code 0: done; 2: something to mend, told with every fault found in any of the sheets.
    """  # noqa: D301
    from ..report.output import check_folder, write_folder
    from ..report.paper import add_pdf, check_pdf

    folder = Path("together-report") if out is None else out
    check_folder(folder)
    if pdf:
        check_pdf()
    with progress(quiet) as tell:
        from ..report.together_page import OWN_FILES, together_files, together_json
        from ..together import analyse_together

        found = analyse_together(sorties, progress=lambda words, done: tell(words, _ANALYSIS_SHARE * done))
        rest = 0.5 if pdf else 1.0
        files = together_files(
            found,
            lambda words, done: tell(words, _ANALYSIS_SHARE + rest * (1 - _ANALYSIS_SHARE) * done),
        )
        if pdf:
            tell("setting the PDF", 0.95)
            add_pdf(files, "together.html")
        written = write_folder(folder, files, OWN_FILES)
    if as_json:
        print_json(together_json(found))
    elif not quiet:
        from rich.console import Console

        _show(Console(highlight=False), found, written[-1])


def _pair(quantity: Quantity) -> str:
    if quantity.value is None:
        return "?"
    places = quantity.decimals()
    return f"{quantity.value:.{places}f} ± {quantity.std or 0.0:.{places}f}"


def _show(console: Console, found: Together, page: Path) -> None:
    """Print the answer, two tables, what to know, and where the page is."""
    from rich.text import Text

    console.print(Text(f"{found.aircraft}: {len(found.sorties)} sorties together", style="bold"))
    for sentence in found.answer:
        console.print(Text(sentence))
    console.print()

    rows = figure_table(
        ("setting", "1/min"),
        ("sorties", ""),
        ("J", "1"),
        ("ratio", "1 [95 %]"),
        ("agree", "prob."),
        left=(0,),
    )
    for item in found.settings:
        rows.add_row(
            f"{item.rpm or 0.0:.0f}",
            str(len(item.parts)),
            "?" if item.advance_ratio.value is None else f"{item.advance_ratio.value:.3f}",
            Text(interval(item.ratio)),
            "" if item.agreement is None else f"{item.agreement.probability:.2g}",
        )
    if found.settings:
        console.print(rows)
        console.print()
    rows = figure_table(
        ("sortie", ""),
        ("K alone", "N m/rad"),
        ("K with all", "N m/rad"),
        ("ratio alone", "1"),
        ("with all", "1"),
        left=(0,),
    )
    for sortie in found.sorties:
        cells = (sortie.stiffness_alone, sortie.stiffness, sortie.ratio_alone, sortie.ratio)
        rows.add_row(Text(sortie.label), *(Text(_pair(quantity)) for quantity in cells))
    console.print(rows)
    console.print()
    count = sum(len(item.results.warnings) for item in found.sorties)
    warnings = [f"{count} warnings of the sorties are on the page"] if count else []
    print_notes(
        console, ("note", found.words), ("warning", warnings), ("caution", found.cautions[:1]), most=3
    )
    console.print()
    console.print(Text(f"report  {page}"), soft_wrap=True)
