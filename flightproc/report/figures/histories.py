"""Time histories with the holds marked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...holds.model import HoldKind, Rejected
from ...quantity import Quantity
from ...results import HoldResult, Results
from .style import (
    INK,
    KINDS,
    MUTED,
    REJECTED,
    Missing,
    Picture,
    boxes,
    decimate,
    hold_label,
    legend_patch,
    new_figure,
    spread,
    tidy_ticks,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw", "merge_stretches", "place_labels"]

_DEGREES = 180.0 / math.pi
_PANELS = (
    ("rpm", "Engine speed\n[1/min]", 1.0),
    ("airspeed", "True airspeed\n[m/s]", 1.0),
    ("turn_rate", "Turn rate\n[deg/s]", _DEGREES),
    ("hang_roll", "Hang roll\n[deg]", _DEGREES),
    ("height", "Height\n[m]", 1.0),
)


def place_labels(centres: list[float], widths: list[float], rows: int, gap: float = 2.0) -> list[int | None]:
    """Put labels on rows so that none covers its neighbour.

    Parameters
    ----------
    centres, widths : list of float
        Middle and width of each label, rising, in one unit.
    rows : int
        How many rows there are.
    gap : float
        Least distance between two labels of one row.

    Returns
    -------
    list of int or None
        Row of each label, the lowest free one; None where none is free.

    Examples
    --------
    >>> place_labels([0.0, 5.0, 10.0, 40.0], [10.0] * 4, 2)
    [0, 1, None, 0]
    """
    ends = [-math.inf] * rows
    out: list[int | None] = []
    for centre, width in zip(centres, widths, strict=True):
        free = [row for row in range(rows) if centre - width / 2 >= ends[row] + gap]
        if free:
            ends[free[0]] = centre + width / 2
        out.append(free[0] if free else None)
    return out


def _hold_quantity(hold: HoldResult, column: str) -> Quantity | None:
    found = getattr(hold, column, None)
    return found if isinstance(found, Quantity) else None


def _limits(values: NDArray[np.float64], inside: NDArray[np.bool_]) -> tuple[float, float] | None:
    flown = values[inside & np.isfinite(values)]
    if flown.size < 10:
        flown = values[np.isfinite(values)]
    if flown.size == 0:
        return None
    low, high = (float(x) for x in np.quantile(flown, [0.004, 0.996]))
    pad = 0.14 * (high - low) or max(abs(high) * 0.05, 0.5)
    return low - pad, high + pad


def _lane(axes: Axes, results: Results, letters: dict[str, str], per_minute: float) -> int:
    """Draw the lane of holds and of stretches turned down; return how many letters found no room."""
    axes.grid(False)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0)
    axes.set_xticks([])
    axes.set_yticks([0.5, -0.5], ["holds", "turned down"])
    labels = [hold_label(i, hold.kind) for i, hold in enumerate(results.holds, start=1)]
    centres = [(hold.start + hold.end) / 120.0 for hold in results.holds]
    rows = place_labels([c * per_minute for c in centres], [6.0 * len(text) for text in labels], 3)
    axes.set_ylim(-1.9, 2.0 + 0.75 * max((row for row in rows if row is not None), default=0))
    for kind, spans in _spans_by_kind(results).items():
        axes.broken_barh(spans, (0.1, 0.8), facecolor=KINDS[kind].colour, edgecolor=INK, lw=0.5)
    for text, centre, row in zip(labels, centres, rows, strict=True):
        if row is not None:
            axes.text(centre, 1.05 + 0.75 * row, text, ha="center", va="bottom", fontsize=8, color=INK)
    least = 1.0 / per_minute
    stretches = merge_stretches(results.rejected)
    turned = [(start / 60.0, max((end - start) / 60.0, least)) for start, end, _ in stretches]
    axes.broken_barh(turned, (-0.9, 0.8), facecolor="#eef1f3", edgecolor=REJECTED, hatch="////", lw=0.5)
    middles = [(start + end) / 120.0 for start, end, _ in stretches]
    marks = place_labels([m * per_minute for m in middles], [6.0] * len(middles), 1, 1.0)
    for (_, _, code), middle, mark in zip(stretches, middles, marks, strict=True):
        if mark is not None:
            axes.text(middle, -1.0, letters[code], ha="center", va="top", fontsize=8, color=MUTED)
    return sum(mark is None for mark in marks)


def merge_stretches(rejected: Sequence[Rejected], gap: float = 2.0) -> list[tuple[float, float, str]]:
    """Join stretches of one code that follow each other within ``gap`` seconds, for drawing.

    Returns
    -------
    list of (float, float, str)
        Start [s], end [s] and code, in order of time.
    """
    out: list[tuple[float, float, str]] = []
    for item in sorted(rejected, key=lambda item: item.start):
        if out and out[-1][2] == item.code and item.start - out[-1][1] <= gap:
            out[-1] = (out[-1][0], max(out[-1][1], item.end), item.code)
        else:
            out.append((item.start, item.end, item.code))
    return out


def _spans_by_kind(results: Results) -> dict[HoldKind, list[tuple[float, float]]]:
    """Return start and length [min] of the holds of each kind."""
    out: dict[HoldKind, list[tuple[float, float]]] = {}
    for hold in results.holds:
        out.setdefault(hold.kind, []).append((hold.start / 60.0, (hold.end - hold.start) / 60.0))
    return out


def _means(axes: Axes, results: Results, column: str, factor: float) -> list[float]:
    """Draw the mean of each hold with its 95 % interval; return what the axis should show of them."""
    seen: list[float] = []
    for kind, look in KINDS.items():
        bars, spans = [], []
        for hold in results.holds:
            quantity = _hold_quantity(hold, column)
            item = None if quantity is None or hold.kind is not kind else spread(quantity, factor)
            if item is None:
                continue
            left, right = hold.start / 60.0, hold.end / 60.0
            bars.append((item.value, left, right))
            spans.append((left, right, item.low, item.high))
            seen += [item.low, item.high]
        boxes(axes, spans, facecolor=look.colour, alpha=0.4, lw=0, zorder=3)
        if bars:
            values, left_ends, right_ends = zip(*bars, strict=True)
            axes.hlines(values, left_ends, right_ends, color=look.colour, lw=2.6, zorder=4)
    return seen


def _panel(axes: Axes, results: Results, column: str, label: str, factor: float) -> bool:
    """Draw one channel; return whether there was anything to draw."""
    values = results.sortie.column(column)
    time = results.sortie.time / 60.0
    if values is None or not np.isfinite(values).any():
        name, _, unit = label.partition("\n")
        axes.set_yticks([])
        axes.grid(False)
        axes.text(
            0.5,
            0.5,
            f"{name} {unit}: not in any log of this sortie",
            transform=axes.transAxes,
            ha="center",
            va="center",
            color=MUTED,
        )
        return False
    axes.set_ylabel(label)
    axes.yaxis.set_label_coords(-0.068, 0.5)
    tidy_ticks(axes, 14, 5)
    whole = axes.get_xaxis_transform()
    for kind, spans in _spans_by_kind(results).items():
        stripes = [(left, left + length, 0.0, 1.0) for left, length in spans]
        boxes(axes, stripes, transform=whole, facecolor=KINDS[kind].colour, alpha=0.13, lw=0, zorder=0)
    turned = [(start / 60.0, end / 60.0, 0.0, 1.0) for start, end, _ in merge_stretches(results.rejected)]
    boxes(axes, turned, transform=whole, facecolor=REJECTED, alpha=0.12, lw=0, zorder=0)
    airborne = np.zeros(time.size, dtype=bool)
    for start, end in results.sortie.airborne:
        airborne |= (results.sortie.time >= start) & (results.sortie.time <= end)
    scaled = values * factor
    limits = _limits(scaled, airborne)
    axes.plot(*decimate(time, scaled), color="#6d7883", lw=0.7, zorder=2)
    seen = _means(axes, results, column, factor)
    if limits is not None:
        low, high = limits
        whole_range = high - low
        if seen:  # show the intervals too, as long as they do not squeeze the flight together
            low = min(low, max(min(seen) - 0.04 * whole_range, low - whole_range))
            high = max(high, min(max(seen) + 0.04 * whole_range, high + whole_range))
        axes.set_ylim(low, high)
    if column in ("turn_rate", "hang_roll"):
        axes.axhline(0.0, color=MUTED, lw=0.8, zorder=1)
    return True


def draw(results: Results) -> Picture | Missing:
    """Draw the main channels against time, with the holds and the stretches that were turned down."""
    columns = [name for name, _, _ in _PANELS]
    have = [
        name
        for name in columns
        if (values := results.sortie.column(name)) is not None and np.isfinite(values).any()
    ]
    if not have and not results.holds:
        return Missing("No channel of this sortie can be drawn against time, and no hold was found.")
    codes = sorted({item.code for item in results.rejected})
    letters = {code: chr(ord("a") + i % 26) for i, code in enumerate(codes)}
    ratios = [1.15 if name in have else 0.34 for name in columns]
    lines = math.ceil(len(codes) / 6) + 1
    foot = 0.62 + 0.23 * lines
    tall = 1.1 + 1.32 * sum(ratios) + foot
    figure = new_figure(tall)
    grid = figure.add_gridspec(
        6,
        1,
        height_ratios=[0.95, *ratios],
        left=0.105,
        right=0.985,
        top=1 - 0.04 / tall,
        bottom=foot / tall,
        hspace=0.12,
    )
    lane = figure.add_subplot(grid[0])
    end = float(results.sortie.time[-1]) / 60.0
    per_minute = 9.0 * 72.0 * 0.88 / max(end, 1e-6)
    lost = _lane(lane, results, letters, per_minute)
    lane.set_xlim(0.0, end)
    axes: Axes | None = None
    for row, (column, label, factor) in enumerate(_PANELS, start=1):
        axes = figure.add_subplot(grid[row], sharex=axes)
        _panel(axes, results, column, label, factor)
        axes.tick_params(labelbottom=row == len(_PANELS))
    assert axes is not None
    axes.set_xlim(0.0, end)
    axes.set_xlabel("Time since the first sample [min]")
    kinds = [kind for kind in HoldKind if any(hold.kind is kind for hold in results.holds)]
    first = [
        legend_patch(facecolor=KINDS[k].colour, edgecolor=INK, lw=0.5, label=KINDS[k].word) for k in kinds
    ]
    second = [
        legend_patch(
            facecolor="#eef1f3",
            edgecolor=REJECTED,
            hatch="////",
            lw=0.5,
            label=f"{letters[code]}  {code.replace('_', ' ')}",
        )
        for code in codes
    ]
    bottom = 0.03
    for handles, ncols in ((second, 6), (first, 3)):
        if handles:
            figure.legend(
                handles=_by_rows(handles, ncols),
                loc="lower left",
                bbox_to_anchor=(0.095, bottom / tall),
                ncols=ncols,
                fontsize=8.5,
                columnspacing=1.4,
                borderaxespad=0.0,
            )
            bottom += 0.23 * math.ceil(len(handles) / ncols)
    return Picture(figure, _alt(results, have, end), _caption(results, lost))


def _by_rows(items: list[Any], columns: int) -> list[Any]:
    """Reorder what a legend fills column by column, so that it reads row by row."""
    rows = math.ceil(len(items) / columns)
    full = len(items) - (rows - 1) * columns if rows > 1 else len(items)
    order = []
    for column in range(min(columns, len(items))):
        order += [items[row * columns + column] for row in range(rows if column < full else rows - 1)]
    return order


def _alt(results: Results, have: list[str], end: float) -> str:
    counts = [
        f"{number} {KINDS[kind].word}{'s' if number != 1 else ''}"
        for kind in HoldKind
        if (number := sum(hold.kind is kind for hold in results.holds))
    ]
    seen = ", ".join(name.replace("_", " ") for name in have) or "no channel"
    return (
        f"Time histories over {end:.0f} minutes of {seen}; marked are {', '.join(counts) or 'no holds'} and "
        f"{len(results.rejected)} stretches that were turned down."
    )


def _caption(results: Results, lost: int) -> str:
    text = (
        "Grey: the channel, drawn by the least and greatest value of each small step. Bars in colour: mean "
        "of each hold with its 95 % interval. Scales follow the flight; what happens on the ground may run "
        "off."
    )
    if lost:
        text += f" {lost} boxes of stretches turned down lie too close together for their letter."
    return text
