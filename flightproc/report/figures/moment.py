"""Roll moment in flight against the static torque of the rig."""

from __future__ import annotations

import numpy as np

from ...holds.model import HoldKind
from ...results import Results
from .style import (
    INK,
    KINDS,
    MUTED,
    RIG,
    Missing,
    Picture,
    Spread,
    error_bars,
    new_figure,
    spread,
    tidy_ticks,
)

__all__ = ["draw", "flight_density"]


def flight_density(results: Results) -> float | None:
    """Return the mean air density of the power holds [kg/m^3], or None where it is unknown."""
    found = [
        hold.density.value
        for hold in results.holds
        if hold.kind is HoldKind.POWER and hold.density.value is not None and np.isfinite(hold.density.value)
    ]
    return float(np.mean(found)) if found else None


def _flight_points(results: Results) -> list[tuple[float, Spread]]:
    sign = float(results.reaction_sign)
    out = []
    for row in results.comparison:
        item = spread(row.roll_moment, sign)
        if row.rpm.value is not None and item is not None:
            out.append((row.rpm.value, item))
    return out


def _hold_points(results: Results) -> list[tuple[float, Spread]]:
    sign = float(results.reaction_sign)
    out = []
    for hold in results.holds:
        item = spread(hold.roll_moment, sign)
        if hold.kind is HoldKind.POWER and hold.rpm.value is not None and item is not None:
            out.append((hold.rpm.value, item))
    return out


def draw(results: Results) -> Picture | Missing:
    """Draw rig points, the chosen torque curve with its band, and the moments found in flight."""
    groups, single = _flight_points(results), _hold_points(results)
    if results.rig is None and not groups and not single:
        return Missing(
            "There is neither a rig sheet nor a power hold with a known moment, so nothing to draw."
        )
    figure = new_figure(5.0)
    axes = figure.add_axes((0.085, 0.115, 0.895, 0.855))
    power = KINDS[HoldKind.POWER]
    speeds = [x for x, _ in groups + single]
    seen = []
    if results.rig is not None:
        rig = results.rig
        points = [(p.rpm, item) for p in rig.points if (item := spread(p.torque)) is not None]
        speeds += [p.rpm for p in rig.points]
        low, high = min(speeds), max(speeds)
        rpm = np.linspace(max(0.0, low - 0.06 * (high - low)), high + 0.06 * (high - low), 160)
        density = flight_density(results)
        curve, std = rig.torque(rpm, density)
        if np.isfinite(curve).all():
            axes.fill_between(rpm, curve - 1.96 * std, curve + 1.96 * std, color=RIG, alpha=0.16, lw=0)
            air = "on the rig day" if density is None else f"in the air of the flight ({density:.3f} kg/m³)"
            axes.plot(
                rpm, curve, color=RIG, lw=1.8, label=f"static torque, {rig.chosen.name} fit, {air}, 95 % band"
            )
            if density is not None and abs(density / rig.density - 1) > 0.005:
                axes.plot(
                    rpm,
                    rig.torque(rpm)[0],
                    color=MUTED,
                    lw=1.1,
                    ls=(0, (4, 2)),
                    label=f"the same in the air of the rig day ({rig.density:.3f} kg/m³)",
                )
        if points:
            error_bars(axes, points, colour=RIG, marker="D", hollow=True, label="rig readings, 95 %")
            seen.append(f"{len(points)} rig readings from {points[0][0]:.0f} to {points[-1][0]:.0f} 1/min")
    if groups:
        error_bars(
            axes,
            single,
            colour="#5f93bd",
            marker="o",
            size=4.0,
            strong=False,
            label="single power holds, 95 %",
        )
        error_bars(
            axes, groups, colour=power.colour, marker="o", size=8.0, label="flight, by rpm group, 95 %"
        )
        x, item = max(groups, key=lambda pair: pair[0])
        seen.append(
            f"{len(groups)} flight points, at {x:.0f} 1/min {item.value:.1f} N m (95 %: {item.low:.1f} to "
            f"{item.high:.1f})"
        )
    elif single:
        error_bars(axes, single, colour=power.colour, marker="o", label="flight, power holds, 95 %")
        seen.append(f"{len(single)} power holds")
    bottom, top = axes.get_ylim()
    axes.set_ylim(min(bottom, 0.0), top * 1.04 if top > 0 else 1.0)
    axes.axhline(0.0, color=INK, lw=0.8)
    tidy_ticks(axes)
    axes.set_xlabel("Engine speed [1/min]")
    axes.set_ylabel("Moment along the torque reaction [N m]")
    axes.legend(loc="upper left")
    side = "right" if results.reaction_sign > 0 else "left"
    missing = "" if results.rig is not None else " No rig sheet was given, so the static curve is lacking."
    return Picture(
        figure,
        "Moment against engine speed: " + "; ".join(seen or ["a static curve without points"]) + ".",
        f"Flight moments are drawn along the torque reaction, which rolls {side} here: positive means "
        f"{side}. Hollow diamonds are the readings as taken on the rig day.{missing}",
    )
