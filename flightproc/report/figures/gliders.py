"""Gliders against each other: turn per moment over wing loading, and a panel of measured turns for each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ...compare.glider_facts import TurnPoint
from ...compare.glider_model import Glider, GliderComparison
from ...holds.model import HoldKind
from .style import INK, KINDS, MUTED, PREDICTION, Missing, Picture, error_bars, new_figure, spread, tidy_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_panels", "draw_response"]

_PER_TEN = 10.0 * 180.0 / math.pi  # rad/s/(N m) to deg/s for each 10 N m
_NAMED = 10  # up to so many gliders stand with their names, beyond with their numbers
_COLUMNS = 3
_TOGETHER = 250.0  # engine speeds of one group of points [1/min]
_STEP = 150.0  # between points of one group [1/min]
_CLASSES = {
    "beginner": ("#dd9f1e", "v"),
    "intermediate": ("#5f93bd", "s"),
    "advanced": ("#0b4a7d", "o"),
    "competition": ("#1c2630", "D"),
    None: ("#7a8690", "^"),
}
_UNSTATED = "class not stated"
_ORDER = (*(name for name in _CLASSES if name), _UNSTATED)
_PLACES = (
    (9, 7, "left"),
    (9, -16, "left"),
    (-9, 7, "right"),
    (-9, -16, "right"),
    (9, 20, "left"),
    (9, -30, "left"),
)
_LOADS = (("#0b4a7d", "o"), ("#dd9f1e", "s"), ("#c2513a", "D"), ("#14806a", "^"), ("#1c2630", "v"))


def _title(number: int, glider: Glider) -> str:
    return f"{number}  {glider.name}"


def draw_response(comparison: GliderComparison) -> Picture | Missing:
    """Draw turn per 10 N m against wing loading, alone and with the family, and how loading moves each."""
    known = [
        (number, glider)
        for number, glider in enumerate(comparison.gliders, 1)
        if spread(glider.turn_per_moment) is not None
    ]
    if not known:
        return Missing("No glider's turn per N m was measured: it takes ballast glides.")
    figure = new_figure(4.9)
    axes = figure.add_axes((0.085, 0.115, 0.895, 0.86))
    axes.set_yscale("log")
    trend = comparison.trend
    if trend is not None:
        axes.fill_between(
            trend.wing_loading,
            trend.band[1] * _PER_TEN,
            trend.band[2] * _PER_TEN,
            color=PREDICTION,
            alpha=0.14,
            lw=0,
        )
        axes.plot(
            trend.wing_loading,
            trend.band[0] * _PER_TEN,
            color=PREDICTION,
            lw=1.6,
            ls=(0, (6, 2)),
            label="regression over gliders, 95 %",
        )
    told: set[str] = set()

    def once(words: str) -> str:
        if words in told:
            return ""
        told.add(words)
        return words

    labels: list[tuple[float, float, str]] = []
    for number, glider in known:
        colour, marker = _CLASSES.get(glider.wing_class, _CLASSES[None])
        moved = sorted(
            (item.wing_loading, item.turn_per_moment.value * _PER_TEN)
            for item in glider.predictions
            if item.turn_per_moment.value is not None
            and abs(item.density / comparison.yardstick.density - 1.0) < 1e-6
        )
        here = spread(glider.turn_per_moment, _PER_TEN)
        assert here is not None
        if len(moved) > 1:
            line = np.array(sorted([*moved, (glider.wing_loading, here.value)]))
            axes.plot(
                line[:, 0],
                line[:, 1],
                color=colour,
                lw=1.1,
                ls=(0, (1, 2)),
                label=once("same glider, other mass"),
            )
        if comparison.pooled and (own := spread(glider.turn_alone, _PER_TEN)) is not None:
            error_bars(
                axes,
                [(glider.wing_loading * 0.988, own)],
                colour=MUTED,
                marker="_",
                strong=False,
                label=once("its own sorties alone"),
            )
        name = glider.wing_class or _UNSTATED
        error_bars(
            axes, [(glider.wing_loading, here)], colour=colour, marker=marker, size=8.0, label=once(name)
        )
        text = _title(number, glider) if len(comparison.gliders) <= _NAMED else str(number)
        labels.append((glider.wing_loading, here.value, text))
    loads = [x for x, _, _ in labels]
    reach = max(max(loads) - min(loads), 0.5)
    axes.set_xlim(min(loads) - 0.22 * reach, max(loads) + 0.34 * reach)
    low, high = axes.get_ylim()
    axes.set_ylim(low / 1.05, high * 1.55)
    _place_labels(axes, labels)
    _log_ticks(axes)
    axes.set_xlabel("Wing loading, all-up mass over flat area [kg/m²]")
    axes.set_ylabel("Turn for each 10 N m of roll moment [deg/s]")
    handles, names = axes.get_legend_handles_labels()
    # classes first, in their order, then the lines
    order = sorted(range(len(names)), key=lambda i: (_ORDER.index(names[i]) if names[i] in _ORDER else 9, i))
    axes.legend([handles[i] for i in order], [names[i] for i in order], loc="upper left", ncols=4)
    seen = "; ".join(
        f"{glider.name} at {glider.wing_loading:.1f} kg/m²: "
        + glider.turn_per_moment.scaled(_PER_TEN, "deg/s").text(interval=True)
        for _, glider in known
    )
    lacking = len(comparison.gliders) - len(known)
    return Picture(
        figure,
        f"Turn for each 10 N m against wing loading. {seen}.",
        f"All at {comparison.yardstick.density:.3f} kg/m³, with 95 % bars, on a scale of ratios. "
        + (
            "Bars in colour lean on the family of gliders, thin grey ones are each glider's own sorties "
            "alone. "
            if comparison.pooled
            else "Each glider stands on its own sorties. "
        )
        + "Dotted: how the same glider would answer with another mass."
        + (" Gliders without ballast glides are left out." if lacking else ""),
    )


def _log_ticks(axes: Axes) -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    low, high = axes.get_ylim()
    ticks = [
        step * 10.0**power
        for power in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        for step in (1, 2, 5)
    ]
    axes.yaxis.set_major_locator(FixedLocator([tick for tick in ticks if low <= tick <= high]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))


def _place_labels(axes: Axes, labels: Sequence[tuple[float, float, str]]) -> None:
    """Write names beside their points, each where the fewest others are in the way."""
    placed: list[tuple[float, float, float, float]] = []
    points = [tuple(axes.transData.transform((x, y))) for x, y, _ in labels]
    scale = axes.figure.dpi / 72.0
    for (x, y, text), (px, py) in sorted(zip(labels, points, strict=True), key=lambda item: item[1]):
        width, height = 5.4 * len(text) * scale, 11.0 * scale
        best: tuple[float, Any] | None = None
        for dx, dy, align in _PLACES:
            left = px + dx * scale - (width if align == "right" else 0.0)
            box = (left, py + dy * scale, left + width, py + dy * scale + height)
            clash = sum(
                max(0.0, min(box[2], other[2]) - max(box[0], other[0]))
                * max(0.0, min(box[3], other[3]) - max(box[1], other[1]))
                for other in placed
            )
            clash += sum(
                1e3
                for qx, qy in points
                if box[0] - 4 <= qx <= box[2] + 4
                and box[1] - 30 <= qy <= box[3] + 30
                and (qx, qy) != (px, py)
            )
            if best is None or clash < best[0] - 1e-9:
                best = (clash, (dx, dy, align, box))
        assert best is not None
        dx, dy, align, box = best[1]
        placed.append(box)
        axes.annotate(
            text,
            (x, y),
            (dx, dy),
            textcoords="offset points",
            ha=align,
            va="bottom",
            fontsize=8.8,
            color=INK,
            bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.8},
            zorder=6,
        )


def draw_panels(comparison: GliderComparison) -> Picture | Missing:
    """Draw each glider's measured turn against engine speed, all on one scale."""
    shown = [
        (number, glider)
        for number, glider in enumerate(comparison.gliders, 1)
        if any(comparison.sorties[i].points for i in glider.sorties)
    ]
    if not shown:
        return Missing("No straight hold with a known turn rate is in these results.")
    from matplotlib.ticker import MaxNLocator

    columns = 2 if len(shown) == 4 else min(_COLUMNS, len(shown))
    rows = math.ceil(len(shown) / columns)
    height = 0.95 + 2.15 * rows
    figure = new_figure(height)
    grid = figure.add_gridspec(
        rows,
        columns,
        left=0.075,
        right=0.985,
        top=1.0 - 0.3 / height,
        bottom=0.58 / height,
        hspace=0.36,
        wspace=0.10,
    )
    limit = math.degrees(comparison.yardstick.matters)
    extent, speeds = [limit * 1.15], [0.0]
    for _, glider in shown:
        for i in glider.sorties:
            for point in comparison.sorties[i].points:
                extent.append(math.degrees(abs(point.turn_rate) + 1.96 * point.std))
                speeds.append(point.rpm)
    top = 1.06 * max(extent)
    first: Axes | None = None
    for place, (number, glider) in enumerate(shown):
        axes = figure.add_subplot(grid[place // columns, place % columns], sharex=first, sharey=first)
        first = first or axes
        _panel(axes, comparison, number, glider, limit)
        axes.tick_params(labelleft=place % columns == 0, labelbottom=place + columns >= len(shown), length=3)
    assert first is not None
    first.set_ylim(-top, top)
    first.set_xlim(min(0.0, *speeds) - 300.0, 1.06 * max(speeds) + 100.0)
    tidy_ticks(first, along_x=5, along_y=6)
    first.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10], prune="upper"))
    figure.text(0.53, 0.10 / height, "Engine speed [1/min]", ha="center", va="bottom", fontsize=9.5)
    figure.text(0.012, 0.5, "Turn rate, right positive [deg/s]", rotation=90, va="center", fontsize=9.5)
    words = []
    for _, glider in shown:
        parts = [
            f"{setting} {turn.degrees('deg/s').text()}"
            for setting, turn in glider.residual_turn.items()
            if turn.value is not None
        ]
        words.append(f"{glider.name}: {', '.join(parts) or 'no setting measured'}")
    return Picture(
        figure,
        f"Measured turn against engine speed, one panel a glider. {'; '.join(words)}.",
        "Each point is one straight hold, hands off, with its 95 % bar; hollow triangles are glides. Colour "
        f"and shape tell the all-up mass; holds at one speed stand side by side. Within the grey band a turn "
        f"stays below {limit:.2g} deg/s. Panels "
        "stand in order of wing loading, all on one scale.",
    )


def _panel(axes: Axes, comparison: GliderComparison, number: int, glider: Glider, limit: float) -> None:
    axes.axhspan(-limit, limit, color="#e9edf0", lw=0, zorder=0)
    axes.axhline(0.0, color=MUTED, lw=0.8)
    masses = sorted({round(comparison.sorties[i].mass.value or 0.0) for i in glider.sorties})
    told: set[float] = set()
    entries = [
        (round(comparison.sorties[i].mass.value or 0.0), point)
        for i in glider.sorties
        for point in comparison.sorties[i].points
    ]
    for mass, point, x in _side_by_side(entries):
        colour, marker = _LOADS[masses.index(mass) % len(_LOADS)]
        axes.errorbar(
            [x],
            [math.degrees(point.turn_rate)],
            yerr=[1.96 * math.degrees(point.std)],
            fmt=marker if point.power else KINDS[HoldKind.GLIDE].marker,
            color=colour,
            mfc=colour if point.power else "white",
            mec=colour,
            ms=5.2,
            elinewidth=1.1,
            capsize=1.8,
            zorder=4,
            label=f"{mass:.0f} kg" if point.power and mass not in told else None,
        )
        if point.power:
            told.add(mass)
    axes.set_title(
        f"{_title(number, glider)}, {glider.wing_loading:.1f} kg/m²", fontsize=9.2, loc="left", pad=4
    )
    if told:
        axes.legend(loc="lower left", ncols=3, handletextpad=0.1, columnspacing=0.8, fontsize=8.2)


def _side_by_side(entries: Sequence[tuple[int, TurnPoint]]) -> list[tuple[int, TurnPoint, float]]:
    """Move holds of one engine speed apart, so that each can be seen; by mass from left to right."""
    groups: list[list[tuple[int, TurnPoint]]] = []
    for mass, point in sorted(entries, key=lambda item: item[1].rpm):
        if groups and point.power == groups[-1][0][1].power and point.rpm - groups[-1][0][1].rpm <= _TOGETHER:
            groups[-1].append((mass, point))
        else:
            groups.append([(mass, point)])
    out = []
    for group in groups:
        middle = sum(point.rpm for _, point in group) / len(group)
        step = min(_STEP, 5.0 * _STEP / len(group))
        for place, (mass, point) in enumerate(sorted(group, key=lambda item: item[0])):
            out.append((mass, point, middle + step * (place - (len(group) - 1) / 2.0)))
    return out
