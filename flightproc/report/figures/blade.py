"""Angle of attack along the blade."""

from __future__ import annotations

import numpy as np

from ...propeller import InflowPoint
from ...results import BladeAngles, Results
from .style import INK, MUTED, PREDICTION, Missing, Picture, new_figure, tidy_ticks

__all__ = ["draw"]

_LINES = (
    ("naive", "in flight, by geometry alone", MUTED, (0, (1, 1.6)), 1.8),
    ("static", "at rest", INK, "-", 2.0),
    ("flight", "in flight", PREDICTION, (0, (6, 2)), 2.2),
)


def _drawable(angles: BladeAngles) -> bool:
    return any(np.isfinite(getattr(angles, name)).any() for name, *_ in _LINES)


def _at(angles: BladeAngles, name: str, where: float = 0.75) -> float:
    values = np.degrees(getattr(angles, name))
    good = np.isfinite(values)
    if good.sum() < 2:
        return float("nan")
    return float(np.interp(where, angles.radius_ratio[good], values[good]))


def _inferred(results: Results, angles: BladeAngles) -> InflowPoint | None:
    """Return what the flight's own ratios gave for this rpm group, where they did."""
    if results.inflow is None:
        return None
    near = [p for p in results.inflow.points if abs(p.rpm - angles.rpm) < 1.0]
    return near[0] if near and near[0].radius_ratio.size == angles.radius_ratio.size else None


def draw(results: Results) -> Picture | Missing:
    """Draw alpha over r/R at rest, in flight and by geometry alone, for up to three rpm groups."""
    groups = [angles for angles in results.blade if _drawable(angles)]
    if not groups:
        why = results.blade_words[0] if results.blade_words and not results.blade else ""
        return Missing(
            why
            or (
                "There is no blade solution for this sortie: it needs a rig sheet, the propeller's geometry, "
                "rpm and airspeed."
            )
        )
    picked = groups if len(groups) <= 3 else [groups[0], groups[len(groups) // 2], groups[-1]]
    figure = new_figure(4.3)
    grid = figure.add_gridspec(1, len(picked), left=0.075, right=0.985, top=0.85, bottom=0.135, wspace=0.08)
    first = None
    for column, angles in enumerate(picked):
        axes = figure.add_subplot(grid[column], sharey=first)
        first = first or axes
        for name, label, colour, dashes, width in _LINES:
            values = np.degrees(getattr(angles, name))
            point = _inferred(results, angles)
            if point is not None and name != "naive":
                found = np.degrees(point.alpha if name == "flight" else point.alpha_static)
                values = found[0]
                axes.fill_between(point.radius_ratio, found[1], found[2], color=colour, alpha=0.16, lw=0)
            axes.plot(angles.radius_ratio, values, color=colour, ls=dashes, lw=width, label=label)
            at = float(np.interp(0.75, angles.radius_ratio, values))
            axes.plot([0.75], [at], "o", color=colour, ms=4.5)
            std = getattr(angles, f"{name}_std", None) if point is None else None
            if std is not None:
                half = 1.96 * np.degrees(std)
                axes.fill_between(
                    angles.radius_ratio, values - half, values + half, color=colour, alpha=0.16, lw=0
                )
        axes.axvline(0.75, color=MUTED, lw=0.7)
        axes.axhline(0.0, color=MUTED, lw=0.8)
        tidy_ticks(axes)
        axes.set_xlim(0.0, 1.02)
        axes.set_xticks([0.0, 0.25, 0.5, 0.75, 1.0])
        axes.set_xticklabels(["0", "0.25", "0.5", "0.75", "1"])
        axes.set_title(f"{angles.rpm:.0f} 1/min, {angles.airspeed:.1f} m/s", fontsize=9.5, pad=4, y=1.0)
        axes.set_xlabel("Radius r / R [1]")
        if column:
            axes.tick_params(labelleft=False)
        else:
            axes.set_ylabel("Angle of attack [deg]")
    assert first is not None
    handles, labels = first.get_legend_handles_labels()
    order = [1, 2, 0]
    figure.legend(
        [handles[i] for i in order], [labels[i] for i in order], loc="upper center", ncols=3, handlelength=3.2
    )
    last = picked[-1]
    left_out = len(groups) - len(picked)
    inferred = _inferred(results, last)
    flight = (
        _at(last, "flight") if inferred is None else float(np.degrees(inferred.alpha_075.value or np.nan))
    )
    return Picture(
        figure,
        f"Angle of attack along the blade for {len(picked)} rpm groups. At 0.75 R and {last.rpm:.0f} 1/min: "
        f"{_at(last, 'static'):.1f} deg at rest, {flight:.1f} deg in flight, "
        f"{_at(last, 'naive'):.1f} deg by geometry alone.",
        "Bands are 95 %; dots mark 0.75 R. By geometry alone means pitch angle "
        "less atan(V / (Ω r)), without the flow that the propeller itself induces. It puts the angle too "
        "high, and its change from rest, atan(V / (Ω r)), too large."
        + (" In flight and at rest are drawn as after the flight's ratios were used." if inferred else "")
        + (" The other rpm groups are only in the table and in results.json." if left_out else ""),
    )
