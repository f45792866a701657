"""The page: results and pictures put into the chapter templates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ..holds.model import HoldKind
from ..readers.recording import Series
from ..results import BladeAngles, ComparisonRow, Results
from .chapters import CHAPTERS
from .figures.style import KINDS, Missing, Picture, hold_label, inline_svg
from .wording import Notes, clock, data_size, keep_together, number, pair_cell, quantity_cell, row_head, utc

__all__ = ["render_page"]


def _counts(results: Results) -> str:
    """Return the holds by kind, in words."""
    parts = []
    for kind in HoldKind:
        found = sum(hold.kind is kind for hold in results.holds)
        if found:
            parts.append(f"{found} {KINDS[kind].word}{'s' if found != 1 else ''}")
    return ", ".join(parts) if parts else "no holds"


def _budget(results: Results) -> tuple[list[ComparisonRow], list[tuple[str, list[float | None]]]]:
    """Return the rpm groups with a budget, and for each source its part in each group, greatest first."""
    rows = [row for row in results.comparison if row.roll_moment.budget]
    sources = {name for row in rows for name in row.roll_moment.budget}
    table = [(name, [row.roll_moment.budget.get(name) for row in rows]) for name in sources]
    table.sort(key=lambda item: (-max(abs(part or 0.0) for part in item[1]), item[0]))
    return rows, table


def _gaps(series: Series) -> str:
    """Return how often a series pauses for more than five of its steps, and for how long at most."""
    if series.time.size < 3:
        return "–"
    steps = np.diff(series.time)
    pauses = steps[steps > 5.0 * np.median(steps)]
    return f"{pauses.size}, longest {number(float(pauses.max()), 1)} s" if pauses.size else "none"


def _missing_share(series: Series) -> str:
    share = float(np.mean(~np.isfinite(series.values))) if series.values.size else 0.0
    return "none" if share == 0.0 else f"{100.0 * share:.2g} %"


def _blade_of(results: Results, row: ComparisonRow) -> BladeAngles | None:
    """Return the blade entry of an rpm group."""
    if row.rpm.value is None or not results.blade:
        return None
    found = min(results.blade, key=lambda angles: abs(angles.rpm - (row.rpm.value or 0.0)))
    return found if abs(found.rpm - row.rpm.value) <= 0.02 * row.rpm.value else None


def _first_sentence(text: str) -> str:
    head, stop, _ = text.partition(". ")
    return head + ("." if stop else "")


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("flightproc.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        cell=quantity_cell,
        keep=keep_together,
        pair=pair_cell,
        row_head=row_head,
        num=number,
        clock=clock,
        utc=utc,
        size=data_size,
        gaps=_gaps,
        missing_share=_missing_share,
        first_sentence=_first_sentence,
    )
    environment.globals.update(
        new_notes=Notes,
        hold_label=hold_label,
        degrees=math.degrees,
        zip=zip,
        isfinite=math.isfinite,
        per_hour=3600.0 * 180.0 / math.pi,
    )
    return environment


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
    budget_rows, budget = _budget(results)
    context: dict[str, Any] = {
        "results": results,
        "chapters": CHAPTERS,
        "pictures": pictures,
        "drawings": drawings,
        "counts": _counts(results),
        "budget_rows": budget_rows,
        "budget": budget,
        "blade_of": {index: _blade_of(results, row) for index, row in enumerate(results.comparison)},
        "power_holds": [
            (index, hold) for index, hold in enumerate(results.holds, 1) if hold.kind is HoldKind.POWER
        ],
        "side": "right" if results.reaction_sign > 0 else "left",
        "end": float(results.sortie.time[-1]) if results.sortie.time.size else math.nan,
    }
    return _environment().get_template("report.html").render(context)
