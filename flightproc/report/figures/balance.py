"""Turn and roll moment over the throttle range, before and after; the options side by side."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ...decide.balance import Balance, Option
from ...decide.words import percent
from .style import INK, MUTED, Picture, new_figure, tidy_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["SHORT", "draw_options", "draw_range"]

SHORT = {
    "now": "as flown",
    "bare": "hang points straight",
    "hang_offset": "hang points moved",
    "thrust_tilt": "thrust line tilted",
    "thrust_offset": "thrust line moved",
    "surface": "slipstream surfaces",
    "mix": "more than one",
}
"""Options by key, in few words."""

_NOW = "#c2513a"
_THEN = "#0b4a7d"
_DASH = (0, (5, 2))
_MOST_CASES = 4
_MARKS = ("o", "s", "v", "D", "^", "P")


def draw_range(balance: Balance) -> Picture:
    """Draw turn rate and roll moment against engine speed, as flown and with the best change."""
    cases = list(range(min(len(balance.cases), _MOST_CASES)))
    figure = new_figure(2.6 * len(cases) + 1.1)
    grid = figure.add_gridspec(
        len(cases),
        2,
        left=0.075,
        right=0.985,
        top=1.0 - 0.62 / (2.6 * len(cases) + 1.1),
        bottom=0.52 / (2.6 * len(cases) + 1.1),
        hspace=0.32,
        wspace=0.17,
    )
    now, best = balance.option("now"), balance.option(balance.best)
    first: list[Axes | None] = [None, None]
    for row, case in enumerate(cases):
        for column in (0, 1):
            axes = figure.add_subplot(grid[row, column], sharex=first[0], sharey=first[column])
            first[column] = first[column] or axes
            _draw_case(axes, balance, now, best, case, column)
            if row == len(cases) - 1:
                axes.set_xlabel("Engine speed [1/min]")
            axes.set_ylabel("Turn, hands off [deg/s]" if column == 0 else "Roll moment [N m]")
            title = balance.cases[case].name if len(balance.cases) > 1 else ""
            if title and column == 0:
                axes.set_title(title, fontsize=9.5, loc="left", pad=3)
    assert first[0] is not None
    handles, labels = first[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="upper center", ncols=4, bbox_to_anchor=(0.53, 1.0))
    curve, then = now.curves[0], best.curves[0]
    more = "" if len(cases) == len(balance.cases) else f" The first {len(cases)} gliders are shown."
    return Picture(
        figure,
        alt=(
            f"Two panels against engine speed from {balance.rpm[0]:.0f} to {balance.rpm[-1]:.0f} 1/min. Turn "
            f"rate at the top: {math.degrees(curve.turn[0, -1]):.2f} deg/s as flown, "
            f"{math.degrees(then.turn[0, -1]):.2f} deg/s after the change; roll moment there "
            f"{curve.moment[0, -1]:.1f} and {then.moment[0, -1]:.1f} N m."
        ),
        caption=(
            "Positive to the right. Lines are medians, bands 95 %: of what was measured and assumed, and "
            "after the change of what is built, too. Points are the phases of flight, that without power at "
            "the left edge. The grey lines in the left panels are the limit that was set. The roll "
            f"moment is that of power, present and changed hang offset, and surfaces on the hung unit.{more}"
        ),
    )


def _draw_case(axes: Axes, balance: Balance, now: Option, best: Option, case: int, column: int) -> None:
    axes.axhline(0.0, color=INK, lw=0.8)
    if column == 0:
        for side in (-1.0, 1.0):
            axes.axhline(side * balance.sheet.turn_limit_deg_s, color=MUTED, lw=0.9, ls=(0, (1, 2)))
    left = float(balance.rpm[0])
    for option, colour, dash, label, marker in (
        (now, _NOW, _DASH, "as flown", "o"),
        (best, _THEN, "-", "with the best change", "s"),
    ):
        curve = option.curves[case]
        band = np.degrees(curve.turn) if column == 0 else curve.moment
        axes.fill_between(balance.rpm, band[1], band[2], color=colour, alpha=0.16, lw=0)
        axes.plot(balance.rpm, band[0], color=colour, lw=1.8, ls=dash, label=label)
        for phase, result in zip(balance.phases, option.phases[case], strict=True):
            value = (result.turn.degrees() if column == 0 else result.moment).value
            if value is not None:
                x = left - 0.02 * float(np.ptp(balance.rpm)) if phase.rpm is None else phase.rpm
                axes.plot(
                    [x], [value], marker, ms=6.0, color=colour, markerfacecolor="white", markeredgewidth=1.3
                )
    tidy_ticks(axes, 7, 6)


def draw_options(balance: Balance) -> Picture:
    """Draw the turn in each phase for every option, with its interval."""
    options = balance.options
    lead = max(range(len(balance.cases)), key=lambda g: balance.cases[g].weight)
    height = 0.52 * len(options) + 1.25
    figure = new_figure(height)
    axes = figure.add_axes((0.185, 0.55 / height, 0.70, 1.0 - 1.05 / height))
    colours = [_PHASE_COLOURS[k % len(_PHASE_COLOURS)] for k in range(len(balance.phases))]
    axes.axvline(0.0, color=INK, lw=0.8)
    for side in (-1.0, 1.0):
        axes.axvline(side * balance.sheet.turn_limit_deg_s, color=MUTED, lw=0.9, ls=(0, (1, 2)))
    count = len(balance.phases)
    for row, option in enumerate(options):
        for k, (phase, result) in enumerate(zip(balance.phases, option.phases[lead], strict=True)):
            turn = result.turn.degrees()
            if turn.value is None or turn.low95 is None or turn.high95 is None:
                continue
            y = row + 0.5 * (k - 0.5 * (count - 1)) / max(count, 2)
            axes.plot([turn.low95, turn.high95], [y, y], color=colours[k], lw=1.6)
            axes.plot(
                [turn.value],
                [y],
                _MARKS[k % len(_MARKS)],
                ms=6.0,
                color=colours[k],
                label=phase.name if row == 0 else None,
            )
        axes.text(
            1.015,
            row,
            percent(option.chances[lead]),
            transform=axes.get_yaxis_transform(),
            va="center",
            fontweight="bold" if option.key == balance.best else "normal",
        )
    axes.text(
        1.015, -0.72, "chance", transform=axes.get_yaxis_transform(), va="center", color=MUTED, fontsize=9
    )
    axes.set_yticks(range(len(options)), [SHORT[option.key] for option in options])
    for label, option in zip(axes.get_yticklabels(), options, strict=True):
        label.set_fontweight("bold" if option.key == balance.best else "normal")
    axes.set_ylim(len(options) - 0.5, -0.5)
    axes.grid(False, axis="y")
    from matplotlib.ticker import MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
    axes.set_xlabel("Turn, hands off [deg/s], positive right")
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, loc="upper center", ncols=len(labels), bbox_to_anchor=(0.53, 1.0))
    best = balance.option(balance.best)
    return Picture(
        figure,
        alt=(
            f"One row for each of {len(options)} ways to build the frame, a mark and a bar for each phase. "
            f"Best: {best.title}, chance {percent(best.chances[lead])}."
        ),
        caption=(
            f"For {balance.cases[lead].name}: medians with 95 % bars, by phase of flight. Dotted lines are "
            "the limit. At the right the chance that the built frame stays within it in every phase. Bold: "
            "the best."
        ),
    )


_PHASE_COLOURS = ("#dd9f1e", "#0b4a7d", "#c2513a", "#14806a", "#6a4c93", "#56636f")
"""Colours of the phases, of different lightness."""
