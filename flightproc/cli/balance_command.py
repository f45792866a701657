"""``flightproc balance``: what to change on a frame against the torque reaction."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import Pdf
from .show import print_json
from .terminal import figure_table, print_notes, progress

if TYPE_CHECKING:
    from rich.console import Console

    from ..decide import Balance

__all__ = ["command"]


def command(
    results: Annotated[
        Path, typer.Argument(metavar="RESULTS.json", help="results.json of a report, or its folder.")
    ],
    sheet: Annotated[
        Path | None,
        typer.Option(
            "--sheet",
            metavar="BALANCE.toml",
            help="What may be changed, for which flying and gliders; usual limits if not given.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--out",
            metavar="FOLDER",
            help="Where to write; balance-report in this folder if not given.",
        ),
    ] = None,
    pdf: Pdf = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print balance.json instead of the tables.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print neither progress nor tables.")] = False,
) -> None:
    """Size a compensation: hang offset, thrust line, slipstream surfaces, or a mix.

    Takes the moment and turn that a sortie measured, and finds the change that leaves least over idle,
    cruise and climb, for every glider and loading asked for, with its uncertainty. An estimate to start a
    test from: it allows neither building nor flying.

    \b
    Example: from a flown sortie to a change of the frame
      flightproc report sortie.toml -o report
      flightproc new frame --balance
      flightproc balance report/results.json --sheet frame/balance.toml -o frame/balance

    Writes balance.html, balance.json and the figures into FOLDER; balance.pdf with --pdf.

    Exit code 0: done; 2: something to mend, told with every fault found.
    """  # noqa: D301
    from ..report.output import check_folder, write_folder
    from ..report.paper import add_pdf, check_pdf

    folder = Path("balance-report") if out is None else out
    check_folder(folder)
    if pdf:
        check_pdf()
    with progress(quiet) as tell:
        tell("reading", 0.0)
        balance = _run(results, sheet, lambda words, share: tell(words, 0.1 + 0.6 * share))
        from ..report.balance_page import OWN_FILES, balance_files, balance_json

        share_drawn = 0.2 if pdf else 0.3
        files = balance_files(balance, lambda words, share: tell(words, 0.7 + share_drawn * share))
        if pdf:
            tell("setting the PDF", 0.9)
            add_pdf(files, "balance.html")
        written = write_folder(folder, files, (*OWN_FILES, "balance.pdf"))
    if as_json:
        print_json(balance_json(balance))
    elif not quiet:
        from rich.console import Console

        _show(Console(highlight=False), balance, written[-1])


def _run(results: Path, sheet: Path | None, tell: Callable[[str, float], None]) -> Balance:
    from ..decide.balance import balance_frame
    from ..decide.flown import read_flown, results_faults
    from ..errors import SheetError
    from ..sheets import load_balance

    faults = results_faults(results)
    sheets = None
    if sheet is not None:
        try:
            sheets = load_balance(sheet)
        except SheetError as error:
            faults += error.faults
    if faults:
        raise SheetError(faults)
    return balance_frame(read_flown(results), sheets, progress=tell)


def _show(console: Console, balance: Balance, page: Path) -> None:
    from rich.text import Text

    from ..decide.words import percent
    from ..report.balance_page import change_cells
    from ..report.figures.balance import SHORT

    console.print(Text(f"Balance of {balance.flown.aircraft}", style="bold"))
    for sentence in balance.words:
        console.print(Text(sentence))
    console.print()
    table = figure_table(
        ("option", ""),
        ("hang", "mm"),
        ("tilt", "deg"),
        ("line", "mm"),
        ("area", "cm2"),
        ("angle", "deg"),
        ("goal", "1"),
        ("chance", ""),
        left=(0,),
        no_wrap=True,
    )
    table.columns[0].no_wrap = False
    table.columns[0].no_wrap = False
    for option in balance.options:
        name = SHORT[option.key] + (" *" if option.key == balance.best else "")
        cells = (*change_cells(option), f"{option.goal:.2f}", percent(min(option.chances)))
        table.add_row(Text(name), *map(Text, cells))
    console.print(table)
    console.print()
    limit = f"{balance.sheet.turn_limit_deg_s:g} deg/s"
    read = (
        f"goal: mean square of the {'turn' if balance.sheet.aim == 'turn' else 'roll moment'}, as flown = 1; "
        f"chance: that it turns by less than {limit} hands off, in every phase, under the worst glider"
    )
    print_notes(console, ("note", (read, *balance.remarks)), ("caution", balance.cautions[:4]))
    console.print()
    console.print(Text(f"page  {page}"), soft_wrap=True)
