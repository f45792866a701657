"""``flightproc blade``: what the propeller does at rest and in flight."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import Pdf
from .show import print_json
from .terminal import figure_table, print_notes, progress

if TYPE_CHECKING:
    from rich.console import Console

    from ..propeller import BladePerformance
    from ..quantity import Quantity

__all__ = ["command"]

_ADVANCE_ROWS = 4  # every so many of the coefficients are printed


def command(
    aircraft: Annotated[Path, typer.Argument(metavar="AIRCRAFT.toml", help="The aircraft sheet.")],
    rig: Annotated[
        Path | None,
        typer.Option("--rig", metavar="RIG.toml", help="A rig sheet to calibrate the blade on."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--out",
            metavar="FOLDER",
            help="Where to write; AIRCRAFT-blade in this folder if not given.",
        ),
    ] = None,
    rpm: Annotated[
        list[float] | None,
        typer.Option(
            "--rpm",
            metavar="RPM",
            help="Engine speed in 1/min, once for each; those of the rig if not given.",
        ),
    ] = None,
    airspeed: Annotated[
        list[float] | None,
        typer.Option(
            "--airspeed",
            metavar="M/S",
            help="Airspeed in m/s, once for each; 8, 10, 12 and 14 if not given.",
        ),
    ] = None,
    density: Annotated[
        float, typer.Option("--density", metavar="KG/M3", help="Air density in kg/m^3.", min=0.3, max=1.6)
    ] = 1.2,
    pdf: Pdf = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print blade.json instead of the tables.")] = False,
) -> None:
    """Show coefficients against J, angle of attack along the blade, and torque against rest.

    \b
    Example: the blade as drawn, then calibrated on a rig day, at two speeds
      flightproc blade aircraft.toml -o blade
      flightproc blade aircraft.toml --rig rig.toml --rpm 6000 --airspeed 10 --airspeed 12 -o blade

    Writes blade.json (docs/blade-json.md) and the figures into FOLDER; blade.pdf with --pdf.

    Exit code 0: done; 2: something to mend, told with every fault found.
    """  # noqa: D301
    import json

    from ..report.output import check_folder, write_folder
    from ..report.paper import check_pdf

    folder = Path(f"{aircraft.stem}-blade") if out is None else out
    check_folder(folder)
    if pdf:
        check_pdf()
    with progress() as tell:
        tell("reading the sheets and solving the blade", 0.05)
        found = _run(aircraft, rig, rpm, airspeed, density)
        text = json.dumps(found.to_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        tell("drawing", 0.7)
        files = _figures(found, pdf)
    files["blade.json"] = text.encode()
    written = write_folder(folder, files, ("blade.pdf",))
    if as_json:
        print_json(text)
        return
    from rich.console import Console

    _show(Console(highlight=False), found)
    sys.stdout.write(f"\nwritten  {folder}: {', '.join(path.name for path in written)}\n")


def _run(
    aircraft: Path, rig: Path | None, rpm: list[float] | None, airspeed: list[float] | None, density: float
) -> BladePerformance:
    from ..errors import Fault, SheetError
    from ..propeller import performance_from_sheets
    from ..sheets import load_aircraft, load_rig

    faults: list[Fault] = []
    frame = day = None
    try:
        frame = load_aircraft(aircraft)
    except SheetError as error:
        faults += error.faults
    if rig is not None:
        try:
            day = load_rig(rig)
        except SheetError as error:
            faults += error.faults
    if faults or frame is None:
        raise SheetError(faults)
    return performance_from_sheets(
        frame,
        day,
        folder=aircraft.parent,
        rig_folder=None if rig is None else rig.parent,
        rpms=rpm or (),
        airspeeds=airspeed or (),
        density=density,
    )


def _figures(found: BladePerformance, pdf: bool) -> dict[str, bytes]:
    import matplotlib as mpl

    from ..report.figures.blade_range import draw_blade_figures
    from ..report.figures.style import STYLE, png_bytes, svg_text
    from ..report.paper import page_pdf
    from ..report.plain_page import blade_page

    files: dict[str, bytes] = {}
    with mpl.rc_context(STYLE):
        pictures = draw_blade_figures(found)
        for name, drawn in pictures.items():
            files[f"{name}.png"] = png_bytes(drawn.figure)
            files[f"{name}.svg"] = svg_text(drawn.figure).encode()
        if pdf:
            files["blade.pdf"] = page_pdf(blade_page(found, pictures))
    return files


def _bounds(quantity: Quantity, places: int) -> str:
    if quantity.value is None or quantity.low95 is None or quantity.high95 is None:
        return "?"
    return f"{quantity.value:.{places}f} [{quantity.low95:.{places}f}, {quantity.high95:.{places}f}]"


def _show(console: Console, found: BladePerformance) -> None:
    from rich.text import Text

    from ..cautions import CAUTIONS

    blade = found.calibrated.blade
    console.print(Text(found.name, style="bold"))
    console.print(
        Text(
            f"{blade.blades} blades, diameter {blade.diameter:g} m, gear {found.gear_ratio:g}, air "
            f"{found.density:.3f} kg/m³"
        )
    )
    console.print()
    table = figure_table(
        ("rpm", "1/min"), ("static torque", "N m [95 %]"), ("static thrust", "N [95 %]"), no_wrap=True
    )
    for rpm, torque, thrust in found.static:
        table.add_row(f"{rpm:.0f}", Text(_bounds(torque, 1)), Text(_bounds(thrust, 0)))
    console.print(table)
    console.print()
    table = figure_table(
        ("J", "1"), ("C_T", "1 [95 %]"), ("C_P", "1 [95 %]"), ("efficiency", "1"), no_wrap=True
    )
    for k in range(0, found.advance_ratio.size, _ADVANCE_ROWS):
        cells = [
            f"{band[0, k]:.4f} [{band[1, k]:.4f}, {band[2, k]:.4f}]"
            for band in (found.thrust_coefficient, found.power_coefficient)
        ]
        table.add_row(f"{found.advance_ratio[k]:.2f}", *map(Text, cells), f"{found.efficiency[0, k]:.2f}")
    console.print(table)
    console.print()
    table = figure_table(
        ("airspeed", "m/s"),
        ("angle at 0.75 R", "deg [95 %]"),
        ("by geometry alone", "deg [95 %]"),
        no_wrap=True,
    )
    for item in found.angles:
        table.add_row(
            f"{item.airspeed:g}" if item.airspeed else "at rest",
            Text(_bounds(item.alpha_075.degrees(), 1)),
            Text(_bounds(item.geometric_075.degrees(), 1)),
        )
    console.print(Text(f"At {found.rpm:.0f} 1/min:"))
    console.print(table)
    console.print()
    console.print(Text("Torque in flight over torque at rest, ± standard uncertainty:"))
    table = figure_table(("rpm", "1/min"), *((f"{v:g}", "m/s") for v in found.speeds), no_wrap=True)
    for rpm, row, std in zip(found.rpms, found.torque_ratio, found.torque_ratio_std, strict=True):
        table.add_row(f"{rpm:.0f}", *(f"{r:.2f} ± {s:.2f}" for r, s in zip(row, std, strict=True)))
    console.print(table)
    console.print()
    print_notes(console, ("note", found.words), ("caution", CAUTIONS[:1]))
