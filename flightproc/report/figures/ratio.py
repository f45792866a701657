"""Torque ratio, flight over rig, against advance ratio."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ...holds.model import HoldKind
from ...results import BladeAngles, Results
from .style import INK, KINDS, PREDICTION, Missing, Picture, error_bars, new_figure, spread, tidy_ticks

__all__ = ["draw"]


def _advance_ratio(results: Results, angles: BladeAngles) -> float | None:
    """Return the advance ratio of the rpm group to which a blade entry belongs."""
    rows = [row for row in results.comparison if row.rpm.value is not None]
    if not rows:
        return None
    nearest = min(rows, key=lambda row: abs((row.rpm.value or 0.0) - angles.rpm))
    return nearest.advance_ratio.value


def draw(results: Results) -> Picture | Missing:
    """Draw the measured ratio with its interval, the line at one, and what the blade model predicts."""
    measured = []
    names = []
    for row in results.comparison:
        ratio, advance = spread(row.torque_ratio), spread(row.advance_ratio)
        if ratio is not None and advance is not None:
            measured.append((advance, ratio))
            names.append("" if row.rpm.value is None else f"{row.rpm.value:.0f}")
    predicted = sorted(
        (at, ratio.value, ratio.low, ratio.high)
        for angles in results.blade
        if (at := _advance_ratio(results, angles)) is not None
        and (ratio := spread(angles.predicted_torque_ratio)) is not None
    )
    if not measured and not predicted and results.ratio_curve is None:
        if results.rig is None:
            return Missing("The ratio needs a static torque, and no rig sheet was given.")
        reasons = {row.torque_ratio.reason or row.advance_ratio.reason for row in results.comparison} - {""}
        why = "; ".join(sorted(reasons)) or "no rpm group could be set against the rig"
        return Missing(f"No torque ratio is known: {why}.")
    figure = new_figure(4.4)
    axes = figure.add_axes((0.085, 0.13, 0.895, 0.835))
    axes.axhline(1.0, color=INK, lw=1.2, label="as on the rig (ratio 1)")
    curve = results.ratio_curve
    if curve is not None:
        mean, low, high = curve.torque_ratio
        axes.plot(curve.advance_ratio, mean, color=PREDICTION, lw=1.8, ls=(0, (5, 2)), label="blade model")
        axes.fill_between(
            curve.advance_ratio, low, high, color=PREDICTION, alpha=0.13, lw=0, label="its 95 % band"
        )
    elif predicted:
        x, y, low, high = np.array(predicted).T
        axes.plot(
            x, y, color=PREDICTION, lw=1.5, ls=(0, (5, 2)), marker="^", mfc="white", ms=7, label="blade model"
        )
        axes.fill_between(x, low, high, color=PREDICTION, alpha=0.13, lw=0, label="its 95 % band")
    power = KINDS[HoldKind.POWER]
    error_bars(
        axes,
        [(a.value, r) for a, r in measured],
        colour=power.colour,
        marker="o",
        size=7.5,
        label="flight over rig, 95 %",
    )
    reach = max((a.value for a, _ in measured), default=1.0)
    order = np.argsort([a.value for a, _ in measured])
    below: set[int] = set()
    for left, right in pairwise(order):
        if measured[right][0].value - measured[left][0].value < 0.12 * reach and left not in below:
            below.add(int(right))
    for index, ((advance, ratio), name) in enumerate(zip(measured, names, strict=True)):
        axes.plot([advance.low, advance.high], [ratio.value] * 2, color=power.colour, lw=1.2)
        if name:
            axes.annotate(
                f"{name} 1/min",
                (advance.value, ratio.low if index in below else ratio.high),
                (0, -5 if index in below else 5),
                textcoords="offset points",
                ha="center",
                va="top" if index in below else "bottom",
                fontsize=8.5,
                bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.85},
            )
    low, high = axes.get_ylim()
    pad = 0.10 * (high - low)
    axes.set_ylim(low - (1.0 if below else 0.3) * pad, high + 2.6 * pad)
    if curve is not None:
        axes.set_xlim(0.0, float(curve.advance_ratio[-1]))
    else:
        axes.margins(x=0.12)
    tidy_ticks(axes)
    axes.set_xlabel("Advance ratio J = V / (n D) [1]")
    axes.set_ylabel("Torque in flight / static torque [1]")
    axes.legend(loc="upper left", ncols=4)
    points = "; ".join(
        f"J {a.value:.2f}: {r.value:.2f} (95 %: {r.low:.2f} to {r.high:.2f})" for a, r in measured
    )
    inside = sum(r.bounded and r.low <= 1.0 <= r.high for _, r in measured)
    tail = f" {inside} of {len(measured)} intervals include 1." if measured else ""
    return Picture(
        figure,
        f"Torque ratio against advance ratio. {points or 'No measured point'}.{tail}",
        "n is the propeller's speed, D its diameter, V the airspeed. Where a bar crosses the line at 1, "
        "this flight does not tell the torque in the air from the torque on the rig."
        + (
            f" The blade model is calibrated at rest (J = 0, where the ratio is 1) and drawn for "
            f"{curve.rpm_propeller:.0f} 1/min of the propeller."
            if curve is not None
            else ""
        )
        + ("" if predicted or curve is not None else " There is no blade prediction for this sortie."),
    )
