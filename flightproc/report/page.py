"""The page: results and pictures put into the chapter templates."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from ..holds.model import HoldKind
from ..moment.budget import BudgetEntry, remedy_for
from ..propeller import InflowPoint
from ..results import BladeAngles, ComparisonRow, Results
from .chapters import CHAPTERS
from .figures.style import KINDS, Missing, Picture, hold_label, inline_svg
from .jinja import templates
from .shown import Shown
from .wording import number

__all__ = ["render_chapters", "render_page"]


def _counts(results: Results) -> str:
    """Return the holds by kind, in words."""
    parts = []
    for kind in HoldKind:
        found = sum(hold.kind is kind for hold in results.holds)
        if found:
            parts.append(f"{found} {KINDS[kind].word}{'s' if found != 1 else ''}")
    return ", ".join(parts) if parts else "no holds"


@dataclass(frozen=True)
class Budget:
    """Where the uncertainty of the roll moments comes from.

    Attributes
    ----------
    heads : tuple of str
        What each column is: an engine speed or a hold.
    unit : str
        Unit of the heads.
    rows : tuple of (str, tuple of float or None)
        For each source its part in each column [N m], greatest first.
    totals : tuple of float or None
        Standard uncertainty of each column [N m].
    """

    heads: tuple[str, ...]
    unit: str
    rows: tuple[tuple[str, tuple[float | None, ...]], ...]
    totals: tuple[float | None, ...]


def _budget(results: Results) -> Budget | None:
    """Return the budget by rpm group, else by power hold, or None where neither has one."""
    columns = [
        (number(row.rpm.value, 0), row.roll_moment) for row in results.comparison if row.roll_moment.budget
    ]
    unit = "1/min"
    if not columns:
        unit = ""
        columns = [
            (hold_label(index, hold.kind), hold.roll_moment)
            for index, hold in enumerate(results.holds, start=1)
            if hold.roll_moment.budget
        ]
    if not columns:
        return None
    moments = [moment for _, moment in columns]
    sources = {source for moment in moments for source in moment.budget}
    rows = [
        (remedy_for(source).label, tuple(moment.budget.get(source) for moment in moments))
        for source in sources
    ]
    rows.sort(key=lambda item: (-max(abs(part or 0.0) for part in item[1]), item[0]))
    return Budget(
        tuple(head for head, _ in columns), unit, tuple(rows), tuple(moment.std for moment in moments)
    )


def _leading(results: Results) -> list[BudgetEntry]:
    """Return the budget of each result at the highest setting that has one."""
    out: dict[str, BudgetEntry] = {}
    for entry in sorted(results.budget, key=lambda entry: entry.rpm):
        out[entry.result] = entry
    order = ("roll_moment", "residual_turning_moment", "torque_ratio")
    return [out[result] for result in order if result in out]


def _turned_down(results: Results) -> str:
    """Return how many stretches were turned down, by code."""
    counts = Counter(item.code for item in results.rejected)
    parts = [f"{count} {code.replace('_', ' ')}" for code, count in counts.most_common()]
    return f"{len(results.rejected)} in all: {', '.join(parts)}."


def _blade_of(results: Results, row: ComparisonRow) -> BladeAngles | None:
    """Return the blade entry of an rpm group."""
    if row.rpm.value is None or not results.blade:
        return None
    found = min(results.blade, key=lambda angles: abs(angles.rpm - (row.rpm.value or 0.0)))
    return found if abs(found.rpm - row.rpm.value) <= 0.02 * row.rpm.value else None


def _inflow_of(results: Results, row: ComparisonRow) -> InflowPoint | None:
    """Return the inflow entry of an rpm group."""
    if row.rpm.value is None or results.inflow is None:
        return None
    near = [point for point in results.inflow.points if abs(point.rpm - row.rpm.value) < 1.0]
    return near[0] if near else None


def _context(
    results: Results, pictures: Mapping[str, Picture | Missing], drawings: Mapping[str, Markup]
) -> dict[str, Any]:
    """Return what the templates of the chapters are given."""
    titles = {chapter.key: chapter.title for chapter in CHAPTERS}
    return {
        "results": results,
        "version": results.provenance.version,
        "chapters": CHAPTERS,
        "titles": titles,
        "cautions": results.cautions,
        "figures": {
            key: Shown(key, titles[key], picture, drawings.get(key)) for key, picture in pictures.items()
        },
        "counts": _counts(results),
        "budget": _budget(results),
        "leading": _leading(results),
        "turned_down": _turned_down(results),
        "blade_of": {index: _blade_of(results, row) for index, row in enumerate(results.comparison)},
        "inflow_of": {index: _inflow_of(results, row) for index, row in enumerate(results.comparison)},
        "power_holds": [
            (index, hold) for index, hold in enumerate(results.holds, 1) if hold.kind is HoldKind.POWER
        ],
        "side": "right" if results.reaction_sign > 0 else "left",
        "end": float(results.sortie.time[-1]) if results.sortie.time.size else math.nan,
    }


def render_page(results: Results, pictures: Mapping[str, Picture | Missing], svgs: Mapping[str, str]) -> str:
    """Return report.html: one page that needs nothing but itself.

    Parameters
    ----------
    results : Results
        What is reported.
    pictures : mapping of str to Picture or Missing
        By chapter key, for chapters with a figure.
    svgs : mapping of str to str
        SVG file of each picture, by chapter key.
    """
    drawings = {
        key: Markup(inline_svg(svgs[key], key, picture.alt))
        for key, picture in pictures.items()
        if isinstance(picture, Picture)
    }
    return templates().get_template("report.html").render(_context(results, pictures, drawings))


def render_chapters(
    results: Results, pictures: Mapping[str, Picture | Missing], addresses: Mapping[str, str]
) -> dict[str, str]:
    """Return the chapters one by one, for a page that shows them in a frame of its own.

    Parameters
    ----------
    results : Results
        What is reported.
    pictures : mapping of str to Picture or Missing
        By chapter key; chapters with a figure that is not among them are left out.
    addresses : mapping of str to str
        Where the SVG file of each picture is to be had, by chapter key.

    Returns
    -------
    dict of str to str
        HTML by chapter key, without the heading, in the order of the report.
    """
    drawings = {
        key: Markup('<img src="{}" alt="{}">').format(addresses[key], picture.alt)
        for key, picture in pictures.items()
        if isinstance(picture, Picture)
    }
    environment = templates()
    context = _context(results, pictures, drawings)
    context["parts"] = environment.get_template("parts.html").module
    return {
        chapter.key: environment.get_template(f"{chapter.key}.html").render(context, chapter=chapter)
        for chapter in CHAPTERS
        if chapter.draw is None or chapter.key in pictures
    }
