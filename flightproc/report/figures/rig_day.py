"""Figures of rig days: torque with its band, budget, coefficients, swings, days against each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ...quantity import Quantity
from ...rig import DaysComparison, RigCurve, day_name, evaluate_fit, predict_band
from .style import INK, MUTED, PREDICTION, RIG, Missing, Picture, error_bars, new_figure, spread, tidy_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_rig_figures"]

_COLOURS = (RIG, "#c2513a", "#0b4a7d", "#dd9f1e", "#7a4f9c", "#4d8f3f")
_MARKERS = ("D", "o", "s", "^", "v", "P")
_LAWS = {"square": "k n²", "power": "k n^p", "quadratic": "a + b n + c n²"}
_SOURCES = {
    "swing": ("swing or scatter", "#0b4a7d"),
    "resolution": ("resolution", "#9cc3de"),
    "scale_calibration": ("calibration", "#14806a"),
    "spacing": ("spacing", "#dd9f1e"),
    "arm": ("arm", "#dd9f1e"),
    "sensitivity": ("sensitivity", "#7a4f9c"),
    "zero": ("zero", "#9aa5af"),
    "leak": ("leak of thrust or legs", "#c2513a"),
}
_HATCHES = {
    "scale_calibration": "////",
    "spacing": "....",
    "arm": "....",
    "sensitivity": "xxxx",
    "leak": "\\\\\\\\",
}
"""Over the colour, so that neighbours are told apart in grey."""
_PANELS = 6


def draw_rig_figures(
    curves: Sequence[RigCurve], comparison: DaysComparison | None = None
) -> dict[str, Picture | Missing]:
    """Draw what there is to draw of rig days.

    Parameters
    ----------
    curves : sequence of RigCurve
        One or more.
    comparison : DaysComparison, optional
        Of the same days.

    Returns
    -------
    dict of str to Picture or Missing
        By file name without its ending.
    """
    return {
        "torque": _torque(curves, comparison),
        "budget": _budget(curves),
        "coefficients": _coefficients(curves),
        "series": _series(curves),
        "days": _days(comparison),
    }


def _torque(curves: Sequence[RigCurve], comparison: DaysComparison | None) -> Picture:
    figure = new_figure(4.6)
    axes = figure.add_axes((0.075, 0.125, 0.905, 0.84))
    several = len(curves) > 1
    density = comparison.density if comparison is not None else curves[0].density
    scales = [density / curve.density if several else 1.0 for curve in curves]
    together = comparison.combined if comparison is not None else None
    shown = [(together, "all days", INK)] if together is not None else []
    if not several:
        shown = [(curves[0], "static torque", RIG)]
    top = 0.0
    for curve, name, colour in shown:
        speeds = [p.rpm for p in curve.points]
        rpm = np.linspace(min(speeds), max(speeds), 200)
        band = predict_band(curve, rpm)
        axes.plot(
            rpm, band.torque, color=colour, lw=1.8, label=f"{name}, {_LAWS[curve.chosen.name]}, 95 % band"
        )
        axes.fill_between(rpm, band.low95, band.high95, color=colour, alpha=0.14, lw=0)
        for fit, dash in zip(
            (f for f in curve.fits if f.name != curve.chosen.name), ((0, (4, 2)), (0, (1, 2))), strict=False
        ):
            note = " (confirms nothing)" if fit.dof <= 0 else ""
            axes.plot(
                rpm,
                evaluate_fit(fit.name, fit.coefficients, rpm),
                color=MUTED,
                lw=1.0,
                ls=dash,
                label=f"{_LAWS[fit.name]}{note}",
            )
        top = max(top, float(np.nanmax(band.torque)))
    for i, (curve, scale) in enumerate(zip(curves, scales, strict=True)):
        beside = 0.004 * (i - 0.5 * (len(curves) - 1))
        points = [
            (p.rpm * (1.0 + beside), item)
            for p in curve.points
            if (item := spread(p.torque, scale)) is not None
        ]
        top = max([top, *(item.high for _, item in points)])
        error_bars(
            axes,
            points,
            colour=_COLOURS[i % len(_COLOURS)],
            marker=_MARKERS[i % len(_MARKERS)],
            hollow=not several,
            label=f"{day_name(curve, i + 1)}, 95 %" if several else "readings, 95 %",
        )
        if several and together is None:
            rpm = np.linspace(curve.points[0].rpm, curve.points[-1].rpm, 100)
            axes.plot(rpm, predict_band(curve, rpm).torque * scale, color=_COLOURS[i % len(_COLOURS)], lw=1.2)
    axes.set_ylim(0.0, 1.08 * top)
    tidy_ticks(axes)
    axes.set_xlabel("Engine speed [1/min]")
    axes.set_ylabel("Static torque at the propeller [N m]")
    axes.legend(loc="upper left")
    said = "; ".join(
        f"{p.rpm:.0f} 1/min {p.torque.text(interval=True)}" for curve in curves for p in curve.points
    )
    return Picture(
        figure,
        f"Static torque against engine speed. {said}.",
        f"In air of {density:.3f} kg/m³. The band holds the uncertainty of the curve and of its law.",
    )


def _budget(curves: Sequence[RigCurve]) -> Picture:
    rows = [(curve, i, point) for i, curve in enumerate(curves) for point in curve.points]
    height = 1.35 + 0.27 * len(rows)
    figure = new_figure(height)
    left = 0.11 if len(curves) == 1 else 0.26
    axes = figure.add_axes((left, 0.62 / height, 0.975 - left, 1.0 - 1.17 / height))
    seen: list[str] = []
    for y, (_, _, point) in enumerate(rows):
        total = sum(part**2 for part in point.torque.budget.values())
        at = 0.0
        for name, (label, colour) in _SOURCES.items():
            share = (
                point.torque.budget.get(name, 0.0) ** 2 / total * (point.torque.std or 0.0) if total else 0.0
            )
            if share <= 0.0:
                continue
            axes.barh(
                y,
                share,
                left=at,
                height=0.66,
                color=colour,
                edgecolor="white",
                linewidth=0.8,
                hatch=_HATCHES.get(name),
                label=None if label in seen else label,
            )
            seen += [] if label in seen else [label]
            at += share
        if point.torque.value:
            axes.annotate(
                f"{100.0 * (point.torque.std or 0.0) / point.torque.value:.1f} %",
                (at, y),
                (5, 0),
                textcoords="offset points",
                va="center",
                fontsize=8.5,
                color=MUTED,
            )
    names = [
        f"{p.rpm:.0f} 1/min" if len(curves) == 1 else f"{_short(day_name(c, i + 1))} {p.rpm:.0f}"
        for c, i, p in rows
    ]
    axes.set_yticks(range(len(rows)), names)
    axes.invert_yaxis()
    axes.grid(visible=False, axis="y")
    axes.margins(x=0.09)
    axes.set_xlim(left=0.0)
    axes.set_xlabel("Standard uncertainty of the torque [N m], parts by their share of the variance")
    if seen:
        axes.legend(
            loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=6, columnspacing=1.2, handlelength=1.2
        )

    def most(quantity: Quantity) -> str:
        return _SOURCES[max(quantity.budget, key=lambda name: quantity.budget[name])][0]

    said = "; ".join(
        f"{p.rpm:.0f} 1/min: {p.torque.std:.2f} N m, most of it {most(p.torque)}"
        for _, _, p in rows
        if p.torque.std is not None and p.torque.budget
    )
    return Picture(
        figure,
        f"Uncertainty budget of each reading. {said}.",
        "Variances add up, so each part is as long as its share of the variance; beside it the relative "
        "standard uncertainty.",
    )


def _short(name: str) -> str:
    return name if len(name) <= 22 else f"{name[:21]}…"


def _coefficients(curves: Sequence[RigCurve]) -> Picture | Missing:
    if not any(p.torque_coefficient.known for curve in curves for p in curve.points):
        return Missing("Coefficients need the gear ratio and the propeller's diameter.")
    merits = any(p.figure_of_merit.known for curve in curves for p in curve.points)
    figure = new_figure(3.6)
    width = 0.245 if merits else 0.41
    step = 0.335 if merits else 0.50
    torque, thrust = (figure.add_axes((0.065 + step * i, 0.155, width, 0.755)) for i in (0, 1))
    panels: list[tuple[Axes, str, float, str]] = [
        (torque, "torque_coefficient", 1e3, "C_Q · 1000"),
        (
            thrust,
            "thrust_coefficient" if merits else "power_coefficient",
            1e3,
            "C_T · 1000" if merits else "C_P · 1000",
        ),
    ]
    if merits:
        merit = figure.add_axes((0.065 + 2.0 * step, 0.155, width, 0.755))
        merit.axhspan(0.50, 0.75, color=PREDICTION, alpha=0.13, lw=0)
        merit.axhline(1.0, color="#c2513a", lw=1.4)
        panels.append((merit, "figure_of_merit", 1.0, "Figure of merit"))
    speeds = [p.rpm for curve in curves for p in curve.points]
    limits = (0.97 * min(speeds) - 100.0, 1.03 * max(speeds) + 100.0)
    for axes, field, factor, title in panels:
        high = 0.0
        for i, curve in enumerate(curves):
            beside = 0.006 * (i - 0.5 * (len(curves) - 1))  # so that days do not hide each other
            points = [
                (p.rpm * (1.0 + beside), item)
                for p in curve.points
                if isinstance(quantity := getattr(p, field), Quantity)
                and (item := spread(quantity, factor)) is not None
            ]
            high = max([high, *(item.high for _, item in points)])
            error_bars(
                axes,
                points,
                colour=_COLOURS[i % len(_COLOURS)],
                marker=_MARKERS[i % len(_MARKERS)],
                size=5.5,
                label=day_name(curve, i + 1) if len(curves) > 1 and axes is torque else "",
            )
        axes.set_ylim(0.0, max(1.25 * high, 1.15 if field == "figure_of_merit" else 0.0))
        axes.set_xlim(*limits)
        tidy_ticks(axes, along_x=4, along_y=6)
        axes.set_title(title, fontsize=10.5, loc="left")
        axes.set_xlabel("Engine speed [1/min]")
    if len(curves) > 1:
        torque.legend(loc="lower left", fontsize=8)
    if merits:
        merit.annotate(
            "1: impossible above",
            (0.03, 1.0),
            (0, 3),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            fontsize=8,
            color="#c2513a",
        )
        merit.annotate(
            "usual",
            (0.03, 0.50),
            (0, 3),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            fontsize=8,
            color=PREDICTION,
        )
    return Picture(
        figure,
        "Torque coefficient"
        + (", thrust coefficient and figure of merit" if merits else " and power coefficient")
        + " against engine speed, with 95 % intervals.",
        "A blade at rest has nearly constant coefficients: what trends or jumps is the rig, the thrust or "
        "the gear ratio. A figure of merit above 1 breaks momentum theory.",
    )


def _series(curves: Sequence[RigCurve]) -> Picture | Missing:
    traces = [(p.rpm, p.trace) for curve in curves for p in curve.points if p.trace is not None]
    if not traces:
        return Missing("No reading came from a series.")
    shown = traces[:_PANELS]
    rows = math.ceil(len(shown) / 2)
    height = 0.75 + 1.75 * rows
    figure = new_figure(height)
    grid = figure.add_gridspec(
        rows, 2, left=0.07, right=0.985, top=1.0 - 0.28 / height, bottom=0.5 / height, hspace=0.5, wspace=0.16
    )
    for i, (rpm, trace) in enumerate(shown):
        axes = figure.add_subplot(grid[i // 2, i % 2])
        time = trace.time - trace.time[0]
        axes.plot(time, trace.values, color=MUTED, lw=0.7, alpha=0.8)
        if trace.period is not None:
            axes.plot(time, trace.fitted, color="#c2513a", lw=1.3)
        axes.axhline(trace.mean, color=INK, lw=1.2)
        axes.axhspan(
            trace.mean - 1.96 * trace.std, trace.mean + 1.96 * trace.std, color=INK, alpha=0.18, lw=0
        )
        swing = f", swing of {trace.period:.2f} s" if trace.period is not None else ", no swing shown"
        axes.set_title(f"{rpm:.0f} 1/min{swing}", fontsize=9.5, loc="left")
        tidy_ticks(axes, along_x=6, along_y=5)
        axes.margins(x=0.01)
        if i >= len(shown) - 2:
            axes.set_xlabel("Time in the stretch [s]")
    tail = f" The first {len(shown)} of {len(traces)} are shown." if len(traces) > len(shown) else ""
    return Picture(
        figure,
        f"Readings over time at {len(shown)} settings with the mean found through the swing.",
        "Right less left scale [kg], load [N] or torque [N m] over time; red: swing fitted; black: its mean "
        f"with the 95 % band.{tail}",
    )


def _days(comparison: DaysComparison | None) -> Picture | Missing:
    if comparison is None:
        return Missing("There is one day only.")
    count = len(comparison.days)
    height = 1.3 + 0.34 * count
    figure = new_figure(height)
    axes = figure.add_axes((0.27, 0.55 / height, 0.70, 1.0 - 0.75 / height))
    axes.axvline(1.0, color=INK, lw=1.0)
    if comparison.between_std > 0.0:
        half = 1.96 * comparison.between_std
        axes.axvspan(1.0 - half, 1.0 + half, color=PREDICTION, alpha=0.13, lw=0)
    for y, day in enumerate(comparison.days):
        item = spread(day.ratio)
        if item is None:
            continue
        axes.plot([item.low, item.high], [y, y], color=_COLOURS[y % len(_COLOURS)], lw=2.0)
        axes.plot(
            [item.value], [y], marker=_MARKERS[y % len(_MARKERS)], color=_COLOURS[y % len(_COLOURS)], ms=7
        )
    axes.set_yticks(range(count), [_short(day.name) for day in comparison.days])
    axes.set_ylim(count - 0.5, -0.5)
    axes.margins(x=0.12)
    axes.set_xlabel("Torque over that of all days together, in the same air [1]")
    said = "; ".join(f"{day.name}: {day.ratio.text(interval=True)}" for day in comparison.days)
    return Picture(
        figure,
        f"Torque of each day over that of all days. {said}.",
        "Bars: 95 % by each day's own uncertainty. The shaded range is what days scatter by beyond it (95 "
        "%); there is none where no difference is shown.",
    )
