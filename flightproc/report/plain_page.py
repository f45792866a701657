"""Pages of rig days, of a blade and of the ground tests: their tables and figures, to be printed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..cautions import CAUTIONS, GROUND_CAUTIONS
from ..propeller import BladePerformance
from ..quantity import Quantity
from ..rig import DaysComparison, GroundTests, RigCurve, day_name, day_set_up
from .figures.style import Missing, Picture, svg_text
from .jinja import templates
from .shown import show

__all__ = ["blade_page", "ground_page", "rig_page"]

_RIG_FIGURES = {
    "torque": "Torque against engine speed",
    "budget": "What the uncertainty is made of",
    "coefficients": "Coefficients",
    "series": "The swing of the readings",
    "days": "Days against each other",
}
_BLADE_FIGURES = {
    "coefficients": "Coefficients against advance ratio",
    "alpha": "Angle of attack along the blade",
    "ratio": "Torque in flight against torque at rest",
}
_ENGINE_RUNS = tuple(text for text in CAUTIONS if "ground rig" in text)


def _render(
    template: str,
    titles: Mapping[str, str],
    pictures: Mapping[str, Picture | Missing],
    **context: Any,
) -> str:
    """Return a page of chapters, each with its figure, where it has one, and what the template adds.

    Has to be called under the figures' style.
    """
    titles = {**titles, "cautions": "Cautions"}
    figures = {
        key: show(
            key, titles[key], picture, svg_text(picture.figure) if isinstance(picture, Picture) else None
        )
        for key, picture in pictures.items()
        if key in titles
    }
    page = templates().get_template("plain.html")
    return page.render(template=template, titles=titles, figures=figures, **context)


def _svg(picture: Picture | Missing) -> str | None:
    return svg_text(picture.figure) if isinstance(picture, Picture) else None


def rig_page(
    curves: Sequence[RigCurve],
    comparison: DaysComparison | None,
    pictures: Mapping[str, Picture | Missing],
) -> str:
    """Return the page of rig days.

    Parameters
    ----------
    curves : sequence of RigCurve
        One or more.
    comparison : DaysComparison or None
        Of the same days.
    pictures : mapping of str to Picture or Missing
        As from `draw_rig_figures`; those that could not be drawn are left out.
    """
    days = {f"day{number}": curve for number, curve in enumerate(curves, 1)}
    drawn = {key: picture for key, picture in pictures.items() if isinstance(picture, Picture)}
    names = {key: day_name(curve, number) for number, (key, curve) in enumerate(days.items(), 1)}
    titles = {key: title for key, title in _RIG_FIGURES.items() if key in drawn} | names
    if comparison is not None:
        titles.setdefault("days", _RIG_FIGURES["days"])
    return _render(
        "rig_days.html",
        titles,
        drawn,
        kicker="Torque on the ground",
        title=" and ".join(names.values()) if len(names) < 3 else f"{len(names)} rig days",
        facts=[("Days", str(len(curves))), ("Points", str(sum(len(curve.points) for curve in curves)))],
        cautions=(*_ENGINE_RUNS, *(text for text in CAUTIONS if text not in _ENGINE_RUNS)),
        unrounded="rig.json",
        days=days,
        comparison=comparison,
        set_up=day_set_up,
    )


def blade_page(found: BladePerformance, pictures: Mapping[str, Picture | Missing]) -> str:
    """Return the page of a blade.

    Parameters
    ----------
    found : BladePerformance
        As from `blade_performance`.
    pictures : mapping of str to Picture or Missing
        As from `draw_blade_figures`.
    """
    blade = found.calibrated.blade
    return _render(
        "blade_range.html",
        {**_BLADE_FIGURES, "words": "What it rests on"},
        pictures,
        kicker="Propeller at rest and in flight",
        title=found.name,
        facts=[
            ("Blades", str(blade.blades)),
            ("Diameter", f"{blade.diameter:g} m"),
            ("Gear ratio", f"{found.gear_ratio:g}"),
            ("Air density", f"{found.density:.3f} kg/m³"),
        ],
        cautions=CAUTIONS,
        unrounded="blade.json",
        blade=found,
    )


def ground_page(tests: GroundTests) -> str:
    """Return the page of the tilt test and the pendulum.

    Parameters
    ----------
    tests : GroundTests
        As from `reduce_ground`.
    """
    quantities: list[tuple[str, Quantity]] = []
    budgets: list[tuple[str, Quantity]] = []
    titles = {"answer": "The answer"}
    words: list[str] = []
    if tests.tilt is not None:
        titles["readings"] = "Readings of the tilt test"
        stiffness = tests.tilt.weight_stiffness
        quantities += [
            ("roll stiffness of the weight, m g h", stiffness),
            ("hang arm", tests.tilt.hang_arm),
            ("roll without ballast moved", tests.tilt.zero.degrees()),
        ]
        budgets.append(("roll stiffness of the weight", stiffness))
        words += tests.tilt.words
    if tests.inertia is not None:
        quantities += [
            ("roll inertia about the centre of gravity", tests.inertia.inertia),
            ("roll inertia about the hang points", tests.hang_inertia),
            ("roll period by the weight alone", tests.free_period),
        ]
        budgets.append(("roll inertia", tests.inertia.inertia))
        words += tests.inertia.words
    words += tests.words
    titles["budget"] = "What the uncertainty is made of"
    if words:
        titles["words"] = "What to know"
    return _render(
        "ground.html",
        titles,
        {},
        kicker="Tilt test and pendulum",
        title=tests.name,
        facts=[("Hung mass", f"{tests.mass:g} ± {tests.mass_std:g} kg")],
        cautions=GROUND_CAUTIONS,
        unrounded="",
        tests=tests,
        quantities=quantities,
        budgets=budgets,
        sums={name: sum(part * part for part in item.budget.values()) or 1.0 for name, item in budgets},
        words=words,
    )
