"""What the uncertainty is made of: shares of the variance by source."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np

from ...moment.budget import BudgetEntry
from ...results import Results
from .style import INK, MUTED, Missing, Picture, boxes, legend_patch, new_figure, tidy_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw"]

_PANELS = (
    ("roll_moment", "Roll moment"),
    ("residual_turning_moment", "Residual turning moment"),
    ("torque_ratio", "Torque ratio"),
)
_MOST = 9  # sources shown by name
_SMALL = 0.03  # share below which a source is put together with others
_ELSE = "all else"
_WRAP = 38  # letters of a source's label in one line
_LIGHT, _DARK = np.array([0.80, 0.87, 0.93]), np.array([0.03, 0.21, 0.36])


def _labels(entries: Sequence[BudgetEntry]) -> list[str]:
    """Return the sources to be shown, greatest share first, and the rest as one."""
    best: dict[str, float] = {}
    for entry in entries:
        for row in entry.budget.rows:
            best[row.label] = max(best.get(row.label, 0.0), row.share)
    order = sorted(best, key=lambda label: (-best[label], label))
    shown = [label for label in order if best[label] >= _SMALL][:_MOST]
    return shown + ([_ELSE] if len(shown) < len(order) else [])


def _share(entry: BudgetEntry, label: str, named: Sequence[str]) -> float:
    rows = entry.budget.rows
    if label == _ELSE:
        return sum(row.share for row in rows if row.label not in named)
    return sum(row.share for row in rows if row.label == label)


def _shade(place: int, count: int) -> str:
    """Return a colour from light to dark, so that a grey print keeps the order."""
    part = 1.0 if count < 2 else place / (count - 1)
    return "#" + "".join(f"{round(255.0 * x):02x}" for x in (_LIGHT + part * (_DARK - _LIGHT)).tolist())


def draw(results: Results) -> Picture | Missing:
    """Draw the share of each source in the variance of each result, one bar a throttle setting."""
    entries = results.budget
    if not entries:
        return Missing("No result has an uncertainty that is split by source, so there is nothing to show.")
    named = _labels(entries)
    speeds = sorted({entry.rpm for entry in entries})
    panels = [
        (title, found)
        for key, title in _PANELS
        if (found := sorted((e for e in entries if e.result == key), key=lambda e: e.rpm))
    ]
    row_height = max(0.34, 0.085 * len(speeds) + 0.12)
    top, bottom = 0.62, 0.62
    height = top + bottom + row_height * len(named)
    figure = new_figure(height)
    left, right, gap = 2.75, 0.3, 0.32
    width = (9.0 - left - right - gap * (len(panels) - 1)) / len(panels)
    reach = 118.0 * max(_share(entry, label, named) for entry in entries for label in named)
    greatest = []
    for place, (title, found) in enumerate(panels):
        x = (left + place * (width + gap)) / 9.0
        axes = figure.add_axes((x, bottom / height, width / 9.0, 1.0 - (top + bottom) / height))
        _panel(axes, found, named, speeds, reach)
        axes.set_title(title, fontsize=10.0, color=INK, loc="left", pad=5.0, y=1.0)
        axes.set_xlabel("Share of the variance [%]")
        if place == 0:
            axes.set_yticks(range(len(named)), [fill(label, _WRAP) for label in named])
        else:
            axes.set_yticks([])
        row = found[-1].budget.rows[0]
        greatest.append(
            f"{title.lower()} at {found[-1].rpm:.0f} 1/min: {row.label} {100.0 * row.share:.0f} %"
        )
    figure.legend(
        handles=[
            legend_patch(facecolor=_shade(i, len(speeds)), edgecolor=INK, lw=0.5, label=f"{rpm:.0f} 1/min")
            for i, rpm in enumerate(speeds)
        ],
        loc="upper right",
        bbox_to_anchor=(1.0 - right / 9.0, 1.0),
        ncols=min(len(speeds), 6),
        handlelength=1.4,
    )
    return Picture(
        figure,
        "Shares of the variance by source, one bar for each throttle setting. Greatest: "
        + "; ".join(greatest)
        + ".",
        "Contributions combine by their squares: a source with a quarter of the variance that is halved "
        "takes a tenth off the standard uncertainty, one with three quarters a third. The lower and darker a "
        "bar in its group, the higher the engine speed; the number stands at the longest bar of a group.",
    )


def _panel(
    axes: Axes, found: Sequence[BudgetEntry], named: Sequence[str], speeds: Sequence[float], reach: float
) -> None:
    step = 0.78 / len(speeds)
    shares = np.array([[100.0 * _share(entry, label, named) for label in named] for entry in found])
    places = np.array([speeds.index(entry.rpm) for entry in found])
    middles = np.arange(len(named)) + (places[:, None] - (len(speeds) - 1) / 2.0) * step
    for place, row, at in zip(places, shares, middles, strict=True):
        bars = [(0.0, share, y - 0.46 * step, y + 0.46 * step) for share, y in zip(row, at, strict=True)]
        boxes(axes, bars, facecolor=_shade(place, len(speeds)), edgecolor=INK, lw=0.5, zorder=3)
    for line in np.flatnonzero(shares.max(axis=0)):
        longest = max(range(len(found)), key=lambda entry: (shares[entry, line], middles[entry, line]))
        share = shares[longest, line]
        axes.annotate(
            f"{share:.0f}" if share >= 0.5 else "< 1",
            (share, middles[longest, line]),
            (3, 0),
            textcoords="offset points",
            va="center",
            fontsize=8.0,
            color=INK,
        )
    axes.set_ylim(len(named) - 0.5, -0.5)
    axes.set_xlim(0.0, reach)
    tidy_ticks(axes, 5)
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="y", length=0.0)
    axes.hlines(np.arange(0.5, len(named) - 1), 0.0, reach, color=MUTED, lw=0.4, alpha=0.5)
