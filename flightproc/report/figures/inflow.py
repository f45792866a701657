"""What the flight says about the inflow: wake fraction before and after, angle of attack at 0.75 R."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ...holds.model import HoldKind
from ...quantity import Quantity
from ...results import Results
from .style import INK, KINDS, MUTED, PREDICTION, Missing, Picture, new_figure, spread, tidy_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw"]

_OFFSETS = (-0.24, -0.08, 0.08, 0.24)


def draw(results: Results) -> Picture | Missing:
    """Draw prior and posterior of the wake fraction, and the angles at 0.75 R by engine speed."""
    inflow = results.inflow
    if inflow is None:
        return Missing(
            "The inflow is not inferred: that needs torque ratios (a rig sheet) and the propeller's geometry."
        )
    figure = new_figure(4.2)
    grid = figure.add_gridspec(
        1, 2, left=0.075, right=0.985, top=0.87, bottom=0.19, wspace=0.2, width_ratios=(1.0, 1.45)
    )
    power = KINDS[HoldKind.POWER].colour
    left = figure.add_subplot(grid[0])
    width = float(np.diff(inflow.wake_grid)[0]) if inflow.wake_grid.size > 1 else 0.01
    edges = np.append(inflow.wake_grid - 0.5 * width, inflow.wake_grid[-1] + 0.5 * width)
    left.stairs(
        inflow.wake_prior_density,
        edges,
        color=MUTED,
        lw=1.8,
        ls=(0, (4, 2)),
        label="before the flight's ratios",
    )
    left.stairs(inflow.wake_density, edges, color=PREDICTION, fill=True, alpha=0.35)
    left.stairs(inflow.wake_density, edges, color=PREDICTION, lw=1.8, label="after")
    left.set_ylim(0.0, 1.35 * float(max(inflow.wake_density.max(), inflow.wake_prior_density.max())))
    left.set_xlabel("Wake fraction w [1]; the disc sees (1 − w) V")
    left.set_ylabel("Probability density [1]")
    left.legend(loc="upper left", bbox_to_anchor=(0.0, 1.18), ncols=2, borderaxespad=0.0)
    tidy_ticks(left)

    right = figure.add_subplot(grid[1])
    rows = {round(row.rpm.value): row for row in results.comparison if row.rpm.value is not None}
    looks = (
        ("at rest", INK, "s"),
        ("flight, before", MUTED, "v"),
        ("flight, after", PREDICTION, "o"),
        ("geometry alone", power, "x"),
    )
    values = []
    for point in inflow.points:
        row = rows.get(round(point.rpm))
        values.append(
            (
                None if row is None else row.alpha_075_static,
                point.alpha_075_prior,
                point.alpha_075,
                None if row is None else row.alpha_075_naive,
            )
        )
    for offset, angles, (label, colour, marker) in zip(
        _OFFSETS, zip(*values, strict=True), looks, strict=True
    ):
        _bars(right, offset, angles, colour, marker, label)
    tidy_ticks(right, 8, 9)
    right.set_xticks(range(len(inflow.points)))
    right.set_xticklabels([f"{p.rpm:.0f}\nJ {p.advance_ratio:.2f}" for p in inflow.points])
    right.set_xlim(-0.5, len(inflow.points) - 0.5)
    right.set_ylabel("Angle of attack at 0.75 R [deg]")
    right.set_xlabel("Engine speed [1/min]")
    right.grid(axis="x", visible=False)
    right.legend(
        loc="upper left",
        bbox_to_anchor=(0.0, 1.18),
        ncols=4,
        borderaxespad=0.0,
        columnspacing=0.9,
        handletextpad=0.2,
    )
    last = inflow.points[-1]
    return Picture(
        figure,
        f"Left: wake fraction {inflow.wake_prior.text(interval=True)} before the flight, "
        f"{inflow.wake.text(interval=True)} with it. Right: angle of attack at 0.75 R; at {last.rpm:.0f} "
        f"1/min {last.alpha_075.degrees().text(interval=True)} in flight.",
        "Bars are 95 %. Before the flight any wake fraction in the range is held equally likely. "
        + (
            "The torque ratios of this flight narrow it."
            if inflow.decides
            else "The ratios narrow it by less than a fifth: this flight does not tell the inflow."
        ),
    )


def _bars(
    axes: Axes, offset: float, angles: Sequence[Quantity | None], colour: str, marker: str, label: str
) -> None:
    found = [
        (place + offset, item)
        for place, angle in enumerate(angles)
        if angle is not None and (item := spread(angle, 180.0 / math.pi)) is not None
    ]
    if not found:
        return
    x = [at for at, _ in found]
    axes.vlines(x, [item.low for _, item in found], [item.high for _, item in found], color=colour, lw=1.6)
    axes.plot(x, [item.value for _, item in found], marker, color=colour, ms=5.5, label=label, ls="none")
