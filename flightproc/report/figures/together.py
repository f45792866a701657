"""Several sorties together: torque ratio against advance ratio, and calibration sortie by sortie."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...compare.sorties_model import Together
from .style import INK, MUTED, RIG, Missing, Picture, Spread, error_bars, new_figure, spread, tidy_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_calibration", "draw_ratio"]

_LOOKS = (
    ("#0b4a7d", "o"),
    ("#dd9f1e", "s"),
    ("#c2513a", "^"),
    ("#14806a", "D"),
    ("#5f93bd", "v"),
    ("#7a8690", "P"),
)
_NAMED = 8  # up to so many sorties stand with their names, beyond with their numbers
_LONGEST = 34  # characters of a name


def _name(together: Together, number: int) -> str:
    if len(together.sorties) > _NAMED:
        return str(number + 1)
    title = together.sorties[number].label
    short = title if len(title) <= _LONGEST else title[: _LONGEST - 1] + "…"
    return f"{number + 1}  {short}"


def draw_ratio(together: Together) -> Picture | Missing:
    """Draw the ratio of each sortie and setting, and what all give together, against advance ratio."""
    pooled = [item for item in together.settings if spread(item.ratio) and item.advance_ratio.value]
    if not pooled:
        return Missing("No torque ratio is known: it takes a rig sheet, power holds and an airspeed.")
    figure = new_figure(4.9)
    axes = figure.add_axes((0.085, 0.115, 0.895, 0.86))
    axes.axhline(1.0, color=INK, lw=1.2)
    places = [p.advance_ratio.value or 0.0 for item in pooled for p in item.parts if p.advance_ratio.value]
    reach = max(max(places) - min(places), 0.02)
    count = len(together.sorties)
    for number in range(count):
        colour, marker = _LOOKS[number % len(_LOOKS)]
        points: list[tuple[float, Spread]] = []
        for item in pooled:
            for part in item.parts:
                found = spread(part.ratio)
                if part.sortie == number and found is not None and part.advance_ratio.value is not None:
                    step = 0.014 * reach * (number - (count - 1) / 2)
                    points.append((part.advance_ratio.value + step, found))
        error_bars(
            axes,
            points,
            colour=colour,
            marker=marker,
            strong=False,
            label=_name(together, number) if count <= _NAMED else "",
        )
    together_points = []
    for item in pooled:
        found = spread(item.ratio)
        assert found is not None and item.advance_ratio.value is not None
        together_points.append((item.advance_ratio.value - 0.055 * reach, found))
        if item.rpm is not None:
            axes.annotate(
                f"{item.rpm:.0f} 1/min",
                (item.advance_ratio.value - 0.055 * reach, found.high),
                (0, 6),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=8.5,
                bbox={"boxstyle": "square,pad=0.1", "fc": "white", "ec": "none", "alpha": 0.85},
            )
    error_bars(
        axes, together_points, colour=INK, marker="*", size=12.0, label="all sorties together, by setting"
    )
    best = together.whole or together.overall
    level = None if best is None else spread(best.ratio)
    if best is not None and level is not None:
        source = "whole flights" if best is together.whole else "all holds"
        axes.axhspan(level.low, level.high, color=RIG, alpha=0.13, lw=0)
        axes.axhline(level.value, color=RIG, lw=1.4, ls=(0, (5, 2)), label=f"all sorties, {source}, 95 %")
    low, high = axes.get_ylim()
    axes.set_ylim(low - 0.05 * (high - low), high + (0.1 + 0.075 * ((count + 3) // 2)) * (high - low))
    axes.margins(x=0.1)
    tidy_ticks(axes)
    axes.set_xlabel("Advance ratio J = V / (n D) [1]")
    axes.set_ylabel("Torque in flight / static torque [1]")
    handles, names = axes.get_legend_handles_labels()
    order = sorted(range(len(names)), key=lambda i: names[i].startswith("all sorties"))
    axes.legend([handles[i] for i in order], [names[i] for i in order], loc="upper left", ncols=2)
    said = "; ".join(
        f"{item.rpm or 0.0:.0f} rpm: {item.ratio.text(interval=True)} from {len(item.parts)} sorties"
        for item in pooled
    )
    numbered = "" if count <= _NAMED else " Colours and markers repeat after six sorties."
    return Picture(
        figure,
        f"Torque ratio against advance ratio, sortie by sortie and together. {said}.",
        "Thin bars: each sortie with the calibration of all, 95 %, set side by side to be told apart. Stars: "
        "all sorties at one throttle setting, a little to the left of their mean J. Bars do not shrink with "
        "the root of the number of sorties, as "
        f"calibration and rig are shared by all. The line at 1 is the torque on the rig.{numbered}",
    )


def _rows(axes: Axes, together: Together) -> None:
    count = len(together.sorties)
    axes.set_yticks(range(count), [_name(together, number) for number in range(count)])
    axes.set_ylim(count - 0.4, -0.6)


def draw_calibration(together: Together) -> Picture | Missing:
    """Draw hang stiffness and turn coefficient of each sortie, by itself and with all others."""
    count = len(together.sorties)
    glider_of = {index: glider for glider in together.gliders for index in glider.sorties}
    figure = new_figure(1.9 + 0.42 * min(count, 24))
    low = 0.62 / (1.9 + 0.42 * min(count, 24))
    top = 1.0 - 0.42 / (1.9 + 0.42 * min(count, 24))
    left = 0.085 if count > _NAMED else 0.27
    width = (0.98 - left - 0.05) / 2
    panels = [figure.add_axes((left + i * (width + 0.05), low, width, top - low)) for i in range(2)]
    for axes in panels:
        _rows(axes, together)
        axes.grid(axis="y", visible=False)
    panels[1].set_yticklabels([])
    first = spread(together.stiffness_prior)
    if first is not None:
        panels[0].axvspan(first.low, first.high, color=MUTED, alpha=0.12, lw=0, label="before any flight")
    labels = {"alone": "by itself", "all": "with all sorties"}
    for number, item in enumerate(together.sorties):
        glider = glider_of[number]
        alone = glider.alone[glider.sorties.index(number)]
        pairs = ((item.stiffness_alone, item.stiffness), (alone, glider.turn_coefficient))
        for axes, (before, after) in zip(panels, pairs, strict=True):
            for quantity, colour, marker, step, key in (
                (before, "#dd9f1e", "s", -0.14, "alone"),
                (after, "#0b4a7d", "o", 0.14, "all"),
            ):
                found = spread(quantity)
                if found is None:
                    continue
                axes.errorbar(
                    [found.value],
                    [number + step],
                    xerr=[[found.value - found.low], [found.high - found.value]],
                    fmt=marker,
                    color=colour,
                    capsize=3.0,
                    elinewidth=1.6,
                    markersize=6.0,
                    label=labels[key] if number == 0 and axes is panels[0] else None,
                )
    panels[0].set_xlabel("Hang stiffness K [N m/rad]")
    panels[1].set_xlabel("Turn coefficient c_L [1]")
    for axes in panels:
        tidy_ticks(axes, 6, count + 1)
        _rows(axes, together)
    panels[1].set_yticklabels([])
    panels[1].set_xlim(left=min(0.0, panels[1].get_xlim()[0]))
    figure.legend(loc="upper left", ncols=3, bbox_to_anchor=(left - 0.01, 1.0), borderaxespad=0.1)
    said = "; ".join(
        f"{item.label}: {item.stiffness_alone.text()} alone, {item.stiffness.text()} with all"
        for item in together.sorties
    )
    return Picture(
        figure,
        f"Hang stiffness and turn coefficient of each sortie, alone and with all. {said}.",
        "95 % intervals. Sorties of one glider share riser stiffness and turn coefficient, so that one with "
        "ballast legs calibrates those without. Under another glider only weight and hang arm carry over.",
    )
