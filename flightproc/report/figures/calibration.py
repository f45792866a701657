"""Hang roll against roll moment: the line that turns angles into moments."""

from __future__ import annotations

import math

import numpy as np

from ...holds.model import HoldKind
from ...results import Results
from .style import INK, KINDS, MUTED, Missing, Picture, Spread, error_bars, new_figure, spread, tidy_ticks

__all__ = ["draw"]

_DEGREES = 180.0 / math.pi


def _points(results: Results, kind: HoldKind) -> list[tuple[float, Spread]]:
    """Return (moment [N m], hang roll [deg]) of the holds of one kind."""
    out = []
    for hold in results.holds:
        roll = spread(hold.hang_roll, _DEGREES)
        if hold.kind is not kind or roll is None:
            continue
        if kind is HoldKind.GLIDE:
            moment: float | None = 0.0
        elif kind is HoldKind.BALLAST:
            moment = hold.ballast_moment.value
        else:
            moment = hold.roll_moment.value
        if moment is not None and math.isfinite(moment):
            out.append((moment, roll))
    return out


def _side_by_side(points: list[tuple[float, Spread]], step: float) -> list[tuple[float, Spread]]:
    """Move points of one moment apart, so that each can be seen."""
    groups: dict[float, list[Spread]] = {}
    for x, item in points:
        groups.setdefault(round(x, 1), []).append(item)
    return [
        (x + step * (place - (len(items) - 1) / 2), item)
        for x, items in groups.items()
        for place, item in enumerate(items)
    ]


def draw(results: Results) -> Picture | Missing:
    """Draw the calibration line with its band, the glides and ballast glides behind it, the power holds."""
    calibration = results.calibration
    stiffness, zero = calibration.hang_stiffness, calibration.hang_zero
    points = {kind: _points(results, kind) for kind in HoldKind}
    count = sum(len(found) for found in points.values())
    if not count and (stiffness.value is None or zero.value is None):
        return Missing("Neither a calibration line nor a hold with a known hang roll is there to be drawn.")
    figure = new_figure(4.6)
    axes = figure.add_axes((0.085, 0.125, 0.895, 0.84))
    moments = [x for found in points.values() for x, _ in found] or [-10.0, 10.0]
    reach = max(max(moments) - min(moments), 2.0)
    x = np.linspace(min(moments) - 0.08 * reach, max(moments) + 0.08 * reach, 120)
    if stiffness.value is not None and zero.value is not None and stiffness.value != 0.0:
        line = np.degrees(zero.value + x / stiffness.value)
        axes.plot(x, line, color=INK, lw=1.6, zorder=3, label=f"η = η₀ + L / K, K = {stiffness.text()}")
        if stiffness.std is not None and zero.std is not None:
            half = 1.96 * np.degrees(np.hypot(zero.std, x * stiffness.std / stiffness.value**2))
            axes.fill_between(x, line - half, line + half, color=MUTED, alpha=0.18, lw=0, label="95 % band")
    words = {
        HoldKind.GLIDE: "glides (no moment)",
        HoldKind.BALLAST: "ballast glides (moment by mass and arm)",
        HoldKind.POWER: "power holds (moment read off the line)",
    }
    for kind in (HoldKind.GLIDE, HoldKind.BALLAST, HoldKind.POWER):
        found = points[kind]
        error_bars(
            axes,
            found if kind is HoldKind.POWER else _side_by_side(found, 0.012 * reach),
            colour=KINDS[kind].colour,
            marker=KINDS[kind].marker,
            hollow=kind is HoldKind.POWER,
            strong=kind is not HoldKind.POWER,
            label=words[kind],
            size=7.0,
        )
    axes.axhline(0.0, color=MUTED, lw=0.8)
    axes.axvline(0.0, color=MUTED, lw=0.8)
    tidy_ticks(axes)
    axes.set_xlabel("Roll moment L, positive right side down [N m]")
    axes.set_ylabel("Hang roll η [deg]")
    rising = stiffness.value is None or stiffness.value > 0
    axes.legend(loc="upper left" if rising else "upper right")
    bottom, top = axes.get_ylim()
    axes.set_ylim(bottom, top + 0.22 * (top - bottom))
    missing = [KINDS[kind].word + "s" for kind in (HoldKind.GLIDE, HoldKind.BALLAST) if not points[kind]]
    lack = f" Lacking here: {' and '.join(missing)} with known values." if missing else ""
    return Picture(
        figure,
        f"Hang roll against roll moment: {len(points[HoldKind.GLIDE])} glides, "
        f"{len(points[HoldKind.BALLAST])} ballast glides and {len(points[HoldKind.POWER])} power holds along "
        f"a line with stiffness {stiffness.text()}.",
        "Glides and ballast glides make the line; those of one moment stand side by side only to be told "
        "apart. Power holds lie near it by construction; they show how far it is carried beyond what was "
        f"calibrated. The band takes K and zero as independent.{lack}",
    )
