"""The comparison of gliders as files: gliders.html, gliders.json, gliders.csv and figures."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

from ..compare.glider_model import GliderComparison
from ..compare.glider_words import verdict
from ..quantity import Quantity
from .figures import gliders as figures
from .jinja import templates
from .shown import Plate, Progress, make_plates, own_files
from .tables import json_text

__all__ = ["OWN_FILES", "gliders_csv", "gliders_files", "gliders_json"]

_DRAWN: tuple[Plate[GliderComparison], ...] = (
    ("response", "Turn per N m against wing loading", figures.draw_response),
    ("panels", "Measured turn, glider by glider", figures.draw_panels),
)

OWN_FILES = own_files(_DRAWN)
"""Files that may be there or not, depending on what could be drawn."""


def gliders_json(comparison: GliderComparison) -> str:
    """Return gliders.json: strict JSON, ending with a line feed."""
    return json_text(comparison.to_json())


_COLUMNS = (
    "name", "wing_class", "flat_area_m2", "flat_span_m", "aspect_ratio", "all_up_mass_kg",
    "wing_loading_kg_m2", "trim_speed_m_s", "turn_coefficient", "turn_per_moment_deg_s_N_m", "own_share",
    "turn_at_moment_deg_s", "idle_turn_deg_s", "cruise_turn_deg_s", "full_turn_deg_s",
)  # fmt: skip


def gliders_csv(comparison: GliderComparison) -> str:
    """Return gliders.csv: one row a glider; a quantity takes its value, std, low95 and high95."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    heads: list[str] = []
    rows: list[list[Any]] = []
    for entry in comparison.to_json()["gliders"]:
        names, cells = [], []
        for key in _COLUMNS:
            value = entry[key]
            if isinstance(value, dict):
                names += [key, *(f"{key}_{part}" for part in ("std", "low95", "high95"))]
                cells += [_short(value[part]) for part in ("value", "std", "low95", "high95")]
            else:
                names.append(key)
                cells.append(_short(value))
        heads = names
        rows.append(cells)
    writer.writerow(heads)
    writer.writerows(rows)
    return out.getvalue()


def _short(value: object) -> object:
    if isinstance(value, float):
        return f"{value:.5g}"
    return "" if value is None else value


def _per_ten(quantity: Quantity) -> Quantity:
    return quantity.scaled(10.0 * 180.0 / math.pi, "deg/s")


def gliders_files(comparison: GliderComparison, progress: Progress | None = None) -> dict[str, bytes]:
    """Return every file of the comparison by its name inside the folder; the page comes last.

    Parameters
    ----------
    comparison : GliderComparison
        What is shown.
    progress : callable, optional
        Called with what is being done and the fraction that is done.
    """
    tell = progress or (lambda words, share: None)
    shown, files = make_plates(comparison, _DRAWN, lambda words, share: tell(words, 0.8 * share))
    tell("writing the page", 0.8)
    files["gliders.json"] = gliders_json(comparison).encode()
    files["gliders.csv"] = gliders_csv(comparison).encode()
    template = templates().get_template("gliders.html")
    files["gliders.html"] = template.render(
        c=comparison,
        cautions=comparison.cautions,
        figures=shown,
        per_ten=_per_ten,
        verdict=lambda quantity: verdict(quantity, comparison.yardstick.matters),
        significant=[pair for pair in comparison.pairs if pair.significant],
    ).encode()
    tell("done", 1.0)
    return files
