"""``flightproc plan``: the next sortie, as a card to fly by."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .show import print_json
from .terminal import print_notes, progress

if TYPE_CHECKING:
    from rich.console import Console

    from ..decide.plan import Plan

__all__ = ["command"]


def command(
    sheet: Annotated[
        Path,
        typer.Argument(metavar="PLAN.toml", help="The plan sheet; flightproc new FOLDER --plan writes one."),
    ],
    results: Annotated[
        list[Path] | None,
        typer.Option(
            "--results",
            metavar="RESULTS",
            help="results.json of an earlier sortie with this aircraft and wing, or its folder, once for "
            "each: its noise and hang stiffness are used in place of typical ones.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o", "--out", metavar="FOLDER", help="Where to write; plan in this folder if not given."
        ),
    ] = None,
    difference: Annotated[
        float | None,
        typer.Option(
            "--difference",
            metavar="PERCENT",
            min=0.1,
            max=200.0,
            help="Wanted difference in %, for that of the sheet.",
        ),
    ] = None,
    gust: Annotated[
        float | None,
        typer.Option(
            "--gust", metavar="M/S", min=0.01, max=1.0, help="Gust level in m/s, for that of the sheet."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print plan.json instead of the card.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print neither progress nor card.")] = False,
) -> None:
    """Design the next sortie: which holds, how long, in what order, to resolve a wanted difference.

    The shortest sortie that resolves it is written as a sortie card, with a sortie sheet to fill in
    afterwards. Where none can, it says what stands in the way and what to do instead.

    \b
    Example: 10 % of the torque at cruise, with the noise of an earlier sortie
      flightproc new frame3
      flightproc new frame3 --plan
      flightproc plan frame3/plan.toml --results earlier/report --difference 10 -o frame3/next
      (fly the card; name the logs in frame3/next/sortie.toml)
      flightproc report frame3/next/sortie.toml -o frame3/next/report

    Writes sortie-card.pdf, sortie-card.png, precision.png, plan.json and sortie.toml into FOLDER.

    Exit code 0: done, whether the difference can be resolved or not; 2: something to mend, told with every
    fault found.
    """  # noqa: D301
    from ..report.output import check_folder, write_folder

    folder = Path("plan") if out is None else out
    check_folder(folder)
    with progress(quiet) as tell:
        tell("reading", 0.0)
        plan = _run(sheet, results or [], difference, gust, lambda words, share: tell(words, 0.9 * share))
        tell("drawing the card", 0.9)
        from ..report.sortie_card import OWN_FILES, plan_files

        written = write_folder(folder, plan_files(plan, folder), OWN_FILES)
    if as_json:
        from ..decide.plan_document import plan_json

        print_json(plan_json(plan))
    elif not quiet:
        from rich.console import Console

        _show(Console(highlight=False), plan, written[-1].with_suffix(".pdf"))


def _run(
    sheet: Path,
    results: list[Path],
    difference: float | None,
    gust: float | None,
    tell: Callable[[str, float], None],
) -> Plan:
    from dataclasses import replace

    from ..decide.plan import plan_sortie
    from ..decide.plan_noise import read_seen
    from ..errors import SheetError
    from ..sheets import load_plan

    seen, faults = read_seen(results)
    sheets = None
    try:
        sheets = load_plan(sheet)
    except SheetError as error:
        faults = [*error.faults, *faults]
    if faults or sheets is None:
        raise SheetError(faults)
    asked = sheets.sheet
    if difference is not None:
        goal = asked.goal.model_copy(update={"difference_percent": difference})
        asked = asked.model_copy(update={"goal": goal})
    if gust is not None:
        asked = asked.model_copy(update={"air": asked.air.model_copy(update={"gust_m_s": gust})})
    return plan_sortie(replace(sheets, sheet=asked), seen, progress=tell)


def _show(console: Console, plan: Plan, card: Path) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    console.print(Text(f"Sortie card: {plan.sheets.sheet.title}", style="bold"))
    for sentence in plan.words:
        console.print(Text(sentence))
    console.print()
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for head in ("#", "leg", "rpm", "s", "heading", "ballast", "height m"):
        table.add_column(head, justify="left" if head in ("leg", "heading", "ballast") else "right")
    number = 0
    for leg in plan.chosen.flight.legs:
        number += leg.is_hold
        table.add_row(
            str(number) if leg.is_hold else "",
            leg.kind,
            f"{leg.rpm:.0f}" if leg.rpm else "idle",
            f"{leg.seconds:.0f}",
            leg.heading,
            leg.side,
            f"{leg.height:.0f} to {leg.height_end:.0f}",
        )
    console.print(table)
    console.print()
    shorter = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    for head in ("flight min", "resolves %", "hold s", "cruise", "glides", "ballast legs"):
        shorter.add_column(head, justify="right")
    for item in plan.ladder:
        design = item.design
        shorter.add_row(
            f"{item.flight.minutes:.0f}" + (" *" if item is plan.chosen else ""),
            f"{100.0 * plan.resolvable(item.forecast.std):.1f}",
            f"{design.seconds:.0f}",
            str(design.cruise_holds),
            str(design.glides),
            f"{design.ballast_legs} of {design.ballast_mass:g} kg" if design.ballast_legs else "none",
        )
    console.print(shorter)
    console.print()
    print_notes(console, ("note", plan.remarks), ("stop", plan.stops), ("caution", plan.cautions[:4]))
    console.print()
    console.print(Text(f"card    {card}"), soft_wrap=True)
