"""Ground velocities and the wind found from them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ...holds.model import HoldKind
from ...results import Results
from .style import INK, KINDS, MUTED, WIDTH, Missing, Picture, dots, equal_scale, new_figure, tidy_ticks

__all__ = ["draw"]


def draw(results: Results) -> Picture | Missing:
    """Draw ground velocity in flight, with the circle of the wind and the mean airspeed."""
    north, east = results.sortie.column("velocity_north"), results.sortie.column("velocity_east")
    if north is None or east is None or not np.isfinite(north + east).any():
        return Missing("No log of this sortie holds ground velocities, so the wind cannot be shown.")
    time = results.sortie.time
    flown = np.zeros(time.size, dtype=bool)
    for start, end in results.sortie.airborne:
        flown |= (time >= start) & (time <= end)
    if not flown.any():
        flown[:] = True
    good = np.flatnonzero(flown & np.isfinite(north) & np.isfinite(east))
    if good.size < 3:
        return Missing("There are too few ground velocities in flight to show the wind.")
    good = good[:: max(1, math.ceil(good.size / 900))]
    figure = new_figure(4.9)
    axes = figure.add_axes((0.085, 0.115, 0.50, 0.865))
    dots(axes, east[good], north[good], 2.5, "#8d98a3")
    axes.plot([], [], ".", color="#8d98a3", ms=4, label="ground velocity in flight")
    wind = results.wind
    words = "wind unknown"
    speed = _airspeed(results, good)
    if wind.north.value is not None and wind.east.value is not None:
        w_east, w_north = wind.east.value, wind.north.value
        axes.plot([0, w_east], [0, w_north], color=KINDS[HoldKind.POWER].colour, lw=2.4, zorder=5)
        axes.plot([w_east], [w_north], "o", color=KINDS[HoldKind.POWER].colour, ms=4, zorder=6, label="wind")
        ring = np.linspace(0, 2 * np.pi, 121)
        if np.isfinite(wind.covariance).all():
            values, vectors = np.linalg.eigh(wind.covariance)
            half = np.sqrt(np.clip(values, 0.0, None) * 5.991)  # 95 % of a two-dimensional normal
            shape = vectors @ (half[:, None] * np.vstack([np.cos(ring), np.sin(ring)]))
            axes.plot(
                w_east + shape[1], w_north + shape[0], color=INK, lw=1.1, label="95 % region of the wind"
            )
        if speed is not None:
            axes.plot(
                w_east + speed * np.cos(ring),
                w_north + speed * np.sin(ring),
                color=KINDS[HoldKind.BALLAST].colour,
                lw=1.6,
                ls=(0, (5, 2)),
                label=f"mean airspeed, {speed:.1f} m/s",
            )
        words = f"wind {wind.speed:.1f} m/s from {math.degrees(wind.direction_from):03.0f} deg"
    axes.axhline(0.0, color=MUTED, lw=0.8)
    axes.axvline(0.0, color=MUTED, lw=0.8)
    x, y = np.append(east[good], 0.0), np.append(north[good], 0.0)
    equal_scale(
        axes, (x.min() - 1.0, x.max() + 1.0), (y.min() - 1.0, y.max() + 1.0), (0.50 * WIDTH, 0.865 * 4.9)
    )
    tidy_ticks(axes)
    figure.text(0.622, 0.66, _numbers(results), va="top", linespacing=1.6)
    axes.set_xlabel("Ground velocity towards east [m/s]")
    axes.set_ylabel("Ground velocity towards north [m/s]")
    figure.legend(loc="upper left", bbox_to_anchor=(0.61, 0.97))
    return Picture(
        figure,
        f"Ground velocities in flight around a circle; {words}.",
        "In steady air the ground velocities lie on a circle whose centre is the wind and whose radius is "
        "the true airspeed.",
    )


def _numbers(results: Results) -> str:
    wind = results.wind
    if wind.north.value is None or wind.east.value is None:
        return "wind unknown"
    return "\n".join(
        (
            f"wind {wind.speed:.1f} m/s from {math.degrees(wind.direction_from):03.0f}°",
            f"towards north  {wind.north.text()}",
            f"towards east  {wind.east.text()}",
        )
    ).replace("-", "\N{MINUS SIGN}")


def _airspeed(results: Results, rows: NDArray[np.int_]) -> float | None:
    column = results.sortie.column("airspeed")
    if column is None or not np.isfinite(column[rows]).any():
        return None
    return float(np.nanmean(column[rows]))
