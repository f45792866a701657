"""Figures of a blade over its range: coefficients, angles along the blade, torque against rest."""

from __future__ import annotations

from itertools import cycle

import numpy as np

from ...propeller import BladePerformance
from .style import INK, MUTED, PREDICTION, Picture, new_figure, tidy_ticks

__all__ = ["draw_blade_figures"]

_DASHES: tuple[tuple[float, tuple[float, ...]], ...] = (
    (0, ()),
    (0, (6, 2)),
    (0, (6, 1.5, 1.5, 1.5)),
    (0, (3, 1.5)),
    (0, (8, 1.5, 1.5, 1.5, 1.5, 1.5)),
)
"""One for each line, so that lines are told apart in grey."""
_COLOURS = (INK, "#0b4a7d", PREDICTION, "#dd9f1e", "#c2513a", "#7a4f9c")


def draw_blade_figures(found: BladePerformance) -> dict[str, Picture]:
    """Draw what there is to draw of a blade.

    Parameters
    ----------
    found : BladePerformance
        As from `blade_performance`.

    Returns
    -------
    dict of str to Picture
        By file name without its ending.
    """
    return {"coefficients": _coefficients(found), "alpha": _alpha(found), "ratio": _ratio(found)}


def _coefficients(found: BladePerformance) -> Picture:
    figure = new_figure(3.6)
    grid = figure.add_gridspec(1, 3, left=0.07, right=0.985, top=0.9, bottom=0.155, wspace=0.28)
    parts = (
        ("Thrust coefficient C_T [1]", found.thrust_coefficient),
        ("Power coefficient C_P [1]", found.power_coefficient),
        ("Efficiency J C_T / C_P [1]", found.efficiency),
    )
    for column, (name, band) in enumerate(parts):
        axes = figure.add_subplot(grid[column])
        axes.plot(found.advance_ratio, band[0], color=PREDICTION, lw=2.0)
        axes.fill_between(found.advance_ratio, band[1], band[2], color=PREDICTION, alpha=0.16, lw=0)
        axes.set_xlim(0.0, float(found.advance_ratio[-1]))
        axes.set_ylim(bottom=min(0.0, float(band[1].min())))
        axes.set_title(name, fontsize=9.5, pad=5)
        axes.set_xlabel("Advance ratio J [1]")
        tidy_ticks(axes)
    return Picture(
        figure,
        f"C_T, C_P and efficiency against advance ratio at {found.rpm:.0f} 1/min of the engine.",
        "Bands are 95 %, from the calibration. J is that of the flow the disc sees.",
    )


def _alpha(found: BladePerformance) -> Picture:
    figure = new_figure(4.4)
    axes = figure.add_axes((0.08, 0.125, 0.9, 0.8))
    radius = found.calibrated.blade.radius / found.calibrated.blade.tip_radius
    # more airspeeds than looks: colours and dashes run round at unlike lengths, so none repeats soon
    for item, colour, dashes in zip(found.angles, cycle(_COLOURS), cycle(_DASHES), strict=False):
        name = "at rest" if item.airspeed == 0.0 else f"{item.airspeed:g} m/s"
        axes.plot(radius, np.degrees(item.alpha[0]), color=colour, ls=dashes, lw=2.0, label=name)
        axes.fill_between(
            radius, np.degrees(item.alpha[1]), np.degrees(item.alpha[2]), color=colour, alpha=0.10, lw=0
        )
        if item.airspeed > 0.0:
            axes.plot(radius, np.degrees(item.geometric), color=colour, lw=1.1, ls=(0, (1, 1.6)))
    axes.plot([], [], color=MUTED, lw=1.1, ls=(0, (1, 1.6)), label="by geometry alone")
    axes.axvline(0.75, color=MUTED, lw=0.7)
    axes.set_xlim(0.0, 1.02)
    axes.set_ylim(bottom=min(0.0, float(np.degrees(found.angles[-1].alpha[1].min()))))
    axes.set_xlabel("Radius r / R [1]")
    axes.set_ylabel("Angle of attack [deg]")
    axes.legend(loc="upper right", handlelength=3.6)
    tidy_ticks(axes)
    return Picture(
        figure,
        f"Angle of attack along the blade at {found.rpm:.0f} 1/min, at rest and in flight.",
        "Bands are 95 %; dotted: without the flow that the propeller itself induces.",
    )


def _ratio(found: BladePerformance) -> Picture:
    figure = new_figure(4.0)
    axes = figure.add_axes((0.08, 0.135, 0.9, 0.83))
    curve = found.curve
    axes.axhline(1.0, color=INK, lw=1.0)
    for name, band, colour, dashes in (
        ("torque", curve.torque_ratio, PREDICTION, _DASHES[0]),
        ("thrust", curve.thrust_ratio, "#0b4a7d", _DASHES[1]),
    ):
        axes.plot(curve.advance_ratio, band[0], color=colour, ls=dashes, lw=2.0, label=name)
        axes.fill_between(curve.advance_ratio, band[1], band[2], color=colour, alpha=0.13, lw=0)
    axes.set_xlim(0.0, float(curve.advance_ratio[-1]))
    axes.set_xlabel("Advance ratio J = V / (n D) [1]")
    axes.set_ylabel("In flight / at rest [1]")
    axes.legend(loc="lower left", handlelength=3.6)
    tidy_ticks(axes)
    return Picture(
        figure,
        "Torque and thrust in flight over those at rest against advance ratio.",
        "Bands are 95 %: calibration, wake fraction, and 5 % of the model (10 % for an assumed helix).",
    )
