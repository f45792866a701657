"""``flightproc ground``: the tilt test and the bifilar pendulum of an aircraft sheet."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import Pdf
from .show import print_json
from .terminal import figure_table, print_notes

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from ..quantity import Quantity
    from ..rig import GroundTests

__all__ = ["command"]


def command(
    aircraft: Annotated[Path, typer.Argument(metavar="AIRCRAFT.toml", help="The aircraft sheet.")],
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--out",
            metavar="FOLDER",
            help="Where to write ground.json (and the PDF); AIRCRAFT-ground in this folder with --pdf, else "
            "nothing is written.",
        ),
    ] = None,
    pdf: Pdf = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of the tables.")] = False,
) -> None:
    """Reduce the tilt test and the bifilar pendulum of an aircraft sheet.

    The tables [tilt_test] and [inertia] give the roll stiffness of the hung weight, the hang arm and the roll
    inertia, each with its interval. Engine off; docs/ground-tests.md tells how, and how to do it safely.

    \b
    Example: 4 kg at 0.25 m to either side, and ten swings on lines 2.5 m long
      [tilt_test]
      side = ["right", "left", "right", "left"]
      angle_deg = [1.7, -1.3, 1.6, -1.4]
      ballast_kg = 4.0
      arm_m = 0.25
      [inertia]
      mass_kg = 118.0
      line_spacing_m = 0.8
      line_length_m = 2.5
      swings = 10
      times_s = [34.2, 34.4, 34.1]
      amplitude_deg = 10.0

    \b
      flightproc ground aircraft.toml
      flightproc ground aircraft.toml --json > ground.json
      flightproc ground aircraft.toml -o ground --pdf

    Writes ground.json, and ground.pdf with --pdf, into FOLDER; nothing where neither is asked for.

    Exit code 0: done; 2: a fault in the sheet, or readings that tell nothing.
    """  # noqa: D301 - the mark keeps the lines of the example
    import json

    from ..report.output import check_folder, write_folder
    from ..report.paper import check_pdf
    from ..rig import ground_document, reduce_ground
    from ..sheets import load_aircraft

    folder = Path(f"{aircraft.stem}-ground") if out is None and pdf else out
    if folder is not None:
        check_folder(folder)
    if pdf:
        check_pdf()
    tests = reduce_ground(load_aircraft(aircraft))
    text = json.dumps(ground_document(tests), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    written: list[Path] = []
    if folder is not None:
        files = {"ground.json": text.encode()}
        if pdf:
            files["ground.pdf"] = _pdf(tests)
        written = write_folder(folder, files, ("ground.pdf",))
    if as_json:
        print_json(text)
        return
    from rich.console import Console

    _show(Console(highlight=False), tests)
    if folder is not None:
        sys.stdout.write(f"\nwritten  {folder}: {', '.join(path.name for path in written)}\n")


def _pdf(tests: GroundTests) -> bytes:
    from ..report.paper import page_pdf
    from ..report.plain_page import ground_page

    return page_pdf(ground_page(tests))


def _show(console: Console, tests: GroundTests) -> None:
    from rich.text import Text

    from ..cautions import GROUND_CAUTIONS

    console.print(Text(tests.name, style="bold"))
    console.print(Text(f"hung mass {tests.mass:g} ± {tests.mass_std:g} kg"))
    console.print()
    console.print(_results(tests))
    budgets: list[tuple[str, Quantity]] = []
    if tests.tilt is not None:
        console.print()
        console.print(_readings(tests))
        budgets.append(("roll stiffness of the weight", tests.tilt.weight_stiffness))
    if tests.inertia is not None:
        budgets.append(("roll inertia", tests.inertia.inertia))
    console.print()
    console.print(_budget(budgets))
    notes = [*(tests.tilt.words if tests.tilt else ()), *(tests.inertia.words if tests.inertia else ())]
    print_notes(console, ("note", [*notes, *tests.words]), before=True)
    print_notes(console, ("caution", GROUND_CAUTIONS), before=True)


def _results(tests: GroundTests) -> Table:
    from rich.text import Text

    table = figure_table(
        ("what", ""), ("value", "± standard uncertainty"), ("95 %", ""), left=(0,), overflow="fold"
    )
    rows: list[tuple[str, Quantity]] = []
    if tests.tilt is not None:
        rows += [
            ("roll stiffness of the weight, m g h", tests.tilt.weight_stiffness),
            ("hang arm", tests.tilt.hang_arm),
            ("roll without ballast moved", tests.tilt.zero.degrees()),
        ]
    if tests.inertia is not None:
        rows += [
            ("roll inertia about the centre of gravity", tests.inertia.inertia),
            ("roll inertia about the hang points", tests.hang_inertia),
            ("roll period by the weight alone", tests.free_period),
        ]
    for name, quantity in rows:
        places = quantity.decimals()
        low, high = quantity.low95, quantity.high95
        bounds = "?" if low is None or high is None else f"{low:.{places}f} to {high:.{places}f}"
        table.add_row(Text(name), Text(quantity.text()), bounds)
    return table


def _readings(tests: GroundTests) -> Table:
    import math

    table = figure_table(
        ("moment", "N m"), ("roll", "deg"), ("less the fit", "deg"), left=(0,), overflow="fold"
    )
    assert tests.tilt is not None
    for moment, angle, rest in zip(tests.tilt.moment, tests.tilt.angle, tests.tilt.residual, strict=True):
        table.add_row(f"{moment:+.2f}", f"{math.degrees(angle):+.2f}", f"{math.degrees(rest):+.2f}")
    return table


def _budget(quantities: Sequence[tuple[str, Quantity]]) -> Table:
    from rich.text import Text

    table = figure_table(
        ("uncertainty", "of"),
        ("by", ""),
        ("standard", ""),
        ("share", "of variance"),
        left=(0, 1),
        overflow="fold",
    )
    for name, quantity in quantities:
        total = sum(part * part for part in quantity.budget.values())
        for source, part in sorted(quantity.budget.items(), key=lambda item: -item[1]):
            places = quantity.decimals() + 1
            table.add_row(
                Text(name),
                Text(source),
                f"{part:.{places}f} {quantity.unit}",
                f"{100 * part**2 / total:.0f} %",
            )
            name = ""
    return table
