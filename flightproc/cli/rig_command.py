"""``flightproc rig``: rig days to torque, coefficients and curves."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import Pdf
from .show import print_json
from .terminal import figure_table, print_notes, progress

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from ..quantity import Quantity
    from ..rig import DaysComparison, RigCurve, RigPoint

__all__ = ["command"]

_LAWS = {"square": "k n^2", "power": "k n^p", "quadratic": "a + b n + c n^2"}


def command(
    rigs: Annotated[list[Path], typer.Argument(metavar="RIG.toml...", help="One rig sheet a day.")],
    aircraft: Annotated[
        Path | None,
        typer.Option(
            "--aircraft",
            metavar="AIRCRAFT.toml",
            help="Gear ratio, diameter and chord, where the rig sheets do not state them.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o", "--out", metavar="FOLDER", help="Where to write; RIG-rig in this folder if not given."
        ),
    ] = None,
    pdf: Pdf = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print rig.json instead of the tables.")] = False,
) -> None:
    """Reduce rig days to torque, coefficients and curves, and compare them.

    \b
    Example: one day, then two days against each other
      flightproc new --rig myrig
      flightproc rig myrig/rig.toml --aircraft aircraft.toml -o may
      flightproc rig may.toml june.toml --aircraft aircraft.toml -o both

    The guard stays on and nobody stands in the plane of the propeller: docs/rig-day.md.

    Writes rig.json (docs/rig-json.md) and the figures into FOLDER; rig.pdf with --pdf.

    Exit code 0: done; 2: something to mend, told with every fault found.
    """  # noqa: D301
    import json

    from ..report.output import check_folder, write_folder
    from ..report.paper import check_pdf

    folder = Path(f"{rigs[0].stem}-rig") if out is None else out
    check_folder(folder)
    if pdf:
        check_pdf()
    with progress() as tell:
        tell("reading the sheets and reducing the readings", 0.05)
        curves, comparison = _reduce(rigs, aircraft)
        from ..rig import rig_document

        document = rig_document(curves, comparison)
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        tell("drawing", 0.5)
        files, own = _figures(curves, comparison, pdf)
    files["rig.json"] = text.encode()
    written = write_folder(folder, files, own)
    if as_json:
        print_json(text)
        return
    from rich.console import Console

    _show(Console(highlight=False), curves, comparison)
    sys.stdout.write(f"\nwritten  {folder}: {', '.join(path.name for path in written)}\n")


def _reduce(
    rigs: Sequence[Path], aircraft: Path | None
) -> tuple[tuple[RigCurve, ...], DaysComparison | None]:
    from dataclasses import replace

    from ..errors import Fault, SheetError
    from ..rig import compare_days, reduce_rig, reduce_rig_of
    from ..sheets import load_aircraft, load_rig

    faults: list[Fault] = []
    sheets = []
    frame = None
    for path in rigs:
        try:
            sheets.append(load_rig(path))
        except SheetError as error:
            faults += error.faults
    if aircraft is not None:
        try:
            frame = load_aircraft(aircraft)
        except SheetError as error:
            faults += error.faults
    if faults:
        raise SheetError(faults)
    curves = []
    for path, sheet in zip(rigs, sheets, strict=True):
        if frame is None:
            curve = reduce_rig(sheet, folder=path.parent)
        else:
            curve = reduce_rig_of(frame, sheet, path.parent, chord=frame.propeller.chord_at_075_m)
        curves.append(curve if curve.name else replace(curve, name=path.stem))
    return tuple(curves), compare_days(curves) if len(curves) > 1 else None


def _figures(
    curves: Sequence[RigCurve], comparison: DaysComparison | None, pdf: bool
) -> tuple[dict[str, bytes], list[str]]:
    """Return files by name, and the names that belong to rig days."""
    import matplotlib as mpl

    from ..report.figures.rig_day import draw_rig_figures
    from ..report.figures.style import STYLE, Picture, png_bytes, svg_text
    from ..report.paper import page_pdf
    from ..report.plain_page import rig_page

    files: dict[str, bytes] = {}
    own = ["rig.pdf"]
    with mpl.rc_context(STYLE):
        pictures = draw_rig_figures(curves, comparison)
        for name, drawn in pictures.items():
            own += [f"{name}.png", f"{name}.svg"]
            if isinstance(drawn, Picture):
                files[f"{name}.png"] = png_bytes(drawn.figure)
                files[f"{name}.svg"] = svg_text(drawn.figure).encode()
        if pdf:
            files["rig.pdf"] = page_pdf(rig_page(curves, comparison, pictures))
    return files, own


# Tables ---------------------------------------------------------------------------------------------------


def _show(console: Console, curves: Sequence[RigCurve], comparison: DaysComparison | None) -> None:
    from rich.text import Text

    from ..cautions import CAUTIONS
    from ..rig import day_name, day_set_up

    for i, curve in enumerate(curves):
        if i:
            console.print()
        console.print(Text(day_name(curve, i + 1), style="bold"))
        air = f"air {curve.density:.3f} ± {curve.density_std:.3f} kg/m³"
        console.print(Text(", ".join(words for words in (day_set_up(curve), air) if words)))
        console.print()
        console.print(_torque_table(curve.points))
        if any(point.torque_coefficient.known for point in curve.points):
            console.print()
            console.print(_coefficient_table(curve.points))
            console.print()
            console.print(_flow_table(curve.points))
        console.print()
        console.print(_fit_table(curve))
        print_notes(console, ("note", curve.warnings), before=True)
    if comparison is not None:
        console.print()
        console.print(Text("All days", style="bold"))
        console.print(_day_table(comparison))
        if comparison.combined is not None:
            console.print()
            console.print(_fit_table(comparison.combined))
        print_notes(console, ("verdict", comparison.words), before=True)
    print_notes(
        console, ("caution", [caution for caution in CAUTIONS if "ground rig" in caution]), before=True
    )


def _cell(quantity: Quantity, factor: float = 1.0, *, interval: bool = True, most: int = 6) -> str:
    """Return value and 95 % interval, or ± standard uncertainty, without unit, to ``most`` places."""
    if quantity.value is None:
        return "?"
    shown = quantity.scaled(factor, "")
    if shown.value is None:
        return "?"
    places = min(shown.decimals(), most)
    if shown.std and shown.std * 10.0**places >= 20.0:
        places = max(places - 1, 0)
    text = f"{shown.value:.{places}f}"
    if not shown.std or shown.low95 is None or shown.high95 is None:
        return text
    if interval:
        return f"{text} [{shown.low95:.{places}f}, {shown.high95:.{places}f}]"
    return f"{text} ± {shown.std:.{places}f}"


def _torque_table(points: Sequence[RigPoint]) -> Table:
    power = any(point.power.known for point in points)
    heads = [("rpm", "1/min"), ("torque", "N m [95 %]")]
    heads += [("power", "kW [95 %]"), ("thrust ceiling", "N [95 %]")] if power else []
    table = figure_table(*heads, no_wrap=True)
    for point in points:
        row = [f"{point.rpm:.0f}", _cell(point.torque)]
        row += [_cell(point.power, 1e-3), _cell(point.thrust_ceiling)] if power else []
        table.add_row(*row)
    return table


def _coefficient_table(points: Sequence[RigPoint]) -> Table:
    thrust = any(point.thrust_coefficient.known for point in points)
    heads = [("rpm", "1/min"), ("C_Q", "1/1000 [95 %]"), ("C_P", "1/1000 [95 %]")]
    heads += [("C_T", "1/1000 [95 %]")] if thrust else []
    table = figure_table(*heads, no_wrap=True)
    for point in points:
        row = [f"{point.rpm:.0f}", _cell(point.torque_coefficient, 1e3), _cell(point.power_coefficient, 1e3)]
        row += [_cell(point.thrust_coefficient, 1e3)] if thrust else []
        table.add_row(*row)
    return table


def _flow_table(points: Sequence[RigPoint]) -> Table:
    thrust = any(point.thrust.known for point in points)
    chord = any(point.reynolds.known for point in points)
    heads = [("rpm", "1/min")]
    heads += [("thrust", "N [95 %]"), ("figure of merit", "1 [95 %]")] if thrust else []
    heads += [("tip Mach", "1/1000 [95 %]")]
    heads += [("Re 0.75 R", "1e5 [95 %]")] if chord else []
    table = figure_table(*heads, no_wrap=True)
    for point in points:
        row = [f"{point.rpm:.0f}"]
        row += [_cell(point.thrust), _cell(point.figure_of_merit)] if thrust else []
        row += [_cell(point.tip_mach, 1e3, most=0)]
        row += [_cell(point.reynolds, 1e-5)] if chord else []
        table.add_row(*row)
    return table


def _fit_table(curve: RigCurve) -> Table:
    from rich.text import Text

    from ..rig.fits import REFUSED, fit_probability

    table = figure_table(
        ("law", "n in 1000/min"),
        ("coefficients", "± standard uncertainty"),
        ("chi^2 (dof)", ""),
        ("p", ""),
        ("AICc", ""),
        ("the points", ""),
        left=(0, 1),
        no_wrap=True,
    )
    for fit in curve.fits:
        stds = [max(float(fit.covariance[i, i]), 0.0) ** 0.5 for i in range(fit.coefficients.size)]
        values = [f"{c:.3g} ± {s:.2g}" for c, s in zip(fit.coefficients.tolist(), stds, strict=True)]
        chance = fit_probability(fit)
        verdict = "tell nothing" if chance is None else "refuse it" if chance < REFUSED else "allow it"
        table.add_row(
            Text(f"{_LAWS[fit.name]}{' *' if fit.name == curve.chosen.name else ''}"),
            Text("\n".join(values)),
            f"{fit.chi2 if fit.dof else 0.0:.3g} ({fit.dof})",
            "-" if chance is None else f"{chance:.2g}",
            "-" if fit.aicc is None else f"{fit.aicc:.1f}",
            verdict,
        )
    return table


def _day_table(comparison: DaysComparison) -> Table:
    table = figure_table(("day", ""), ("torque over all days", "1 [95 %]"), ("exponent", ""), no_wrap=True)
    for day in comparison.days:
        table.add_row(day.name, _cell(day.ratio), _cell(day.exponent, interval=False))
    return table
