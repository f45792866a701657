"""Ground track with the holds."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ...holds.model import HoldKind
from ...results import Results
from .style import (
    INK,
    KINDS,
    MUTED,
    WIDTH,
    Missing,
    Picture,
    equal_scale,
    hold_label,
    legend_line,
    new_figure,
    tidy_ticks,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw", "local_metres", "round_length"]

_EARTH = 6_371_008.8  # mean radius [m]


def local_metres(
    latitude: NDArray[np.float64], longitude: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return east and north of the middle of a small area.

    Parameters
    ----------
    latitude, longitude : ndarray, shape (n,)
        [rad]; NaN where there is no fix.

    Returns
    -------
    east, north : ndarray, shape (n,)
        [m], on a plane that touches the sphere in the middle; good for a drawing, not for navigation.
    """
    fixed = np.isfinite(latitude) & np.isfinite(longitude)
    middle_lat = (np.min(latitude[fixed]) + np.max(latitude[fixed])) / 2.0
    first = longitude[fixed][0]
    turn = np.mod(longitude - first + np.pi, 2 * np.pi) - np.pi
    middle_lon = (np.min(turn[fixed]) + np.max(turn[fixed])) / 2.0
    return _EARTH * np.cos(middle_lat) * (turn - middle_lon), _EARTH * (latitude - middle_lat)


def round_length(length: float) -> float:
    """Return the greatest of 1, 2, 5 times a power of ten that is not above ``length``.

    Examples
    --------
    >>> round_length(780.0), round_length(4.1)
    (500.0, 2.0)
    """
    power = 10.0 ** math.floor(math.log10(length))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= length * (1 + 1e-9))


def _thin(x: NDArray[np.float64], y: NDArray[np.float64], most: int) -> tuple[NDArray[np.float64], ...]:
    step = max(1, math.ceil(x.size / most))
    return x[::step], y[::step]


class _LabelSpace:
    """Places labels where they cover neither the track nor each other."""

    def __init__(self, points: NDArray[np.float64], size: tuple[float, float]) -> None:
        self._points = points
        self._boxes: list[tuple[float, float]] = []
        self._size = size

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Return the best place for a label near (x, y), in points of the drawing."""
        width, height = self._size
        best, least = (x, y), math.inf
        apart = np.abs(self._points - (x, y))
        reached = (apart[:, 0] < 3.2 * width) & (apart[:, 1] < 4.4 * height)  # by any of the places below
        points = self._points[reached]
        for reach in (1.0, 1.7, 2.6):
            for angle in np.arange(0.0, 2 * np.pi, np.pi / 8):
                at = (x + reach * width * math.cos(angle), y + reach * 1.4 * height * math.sin(angle))
                near = np.abs(points - at)
                cover = int(np.sum((near[:, 0] < 0.6 * width) & (near[:, 1] < 0.65 * height)))
                clash = sum(
                    abs(at[0] - bx) < 1.15 * width and abs(at[1] - by) < 1.2 * height
                    for bx, by in self._boxes
                )
                cost = cover + 60.0 * clash + 2.5 * reach
                if cost < least:
                    best, least = at, cost
        self._boxes.append(best)
        return best


def _scale_bar(axes: Axes, span: float) -> None:
    length = round_length(0.25 * span)
    words = f"{length:.0f} m" if length < 1000 else f"{length / 1000:.0f} km"
    left, right = axes.get_xlim()
    bottom, top = axes.get_ylim()
    x, y = left + 0.03 * (right - left), bottom + 0.035 * (top - bottom)
    axes.plot([x, x + length], [y, y], color=INK, lw=3, solid_capstyle="butt", zorder=8)
    axes.annotate(
        words, (x + length / 2, y), (0, 4), textcoords="offset points", ha="center", va="bottom", zorder=8
    )


def _compass(axes: Axes, results: Results) -> str:
    """Draw north and the wind; return the wind in words."""
    axes.set_xlim(-1.6, 1.6)
    axes.set_ylim(-1.9, 1.6)
    axes.set_aspect("equal")
    axes.axis("off")
    ring = np.linspace(0, 2 * np.pi, 73)
    axes.plot(np.cos(ring), np.sin(ring), color=MUTED, lw=0.8)
    axes.annotate("", (0, 1.28), (0, 0.72), arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.2})
    axes.text(0, 1.32, "N", ha="center", va="bottom", fontweight="bold")
    speed, direction = results.wind.speed, results.wind.direction_from
    if not (math.isfinite(speed) and math.isfinite(direction)):
        axes.text(0, -1.2, "wind unknown", ha="center", va="top", color=MUTED)
        return "the wind is unknown"
    way = np.array([math.sin(direction), math.cos(direction)])
    axes.annotate(
        "",
        (-0.85 * way[0], -0.85 * way[1]),
        (0.85 * way[0], 0.85 * way[1]),
        arrowprops={
            "arrowstyle": "-|>",
            "color": KINDS[HoldKind.POWER].colour,
            "lw": 2.4,
            "mutation_scale": 16,
        },
    )
    words = f"wind {speed:.1f} m/s\nfrom {math.degrees(direction):03.0f}°"
    axes.text(0, -1.2, words, ha="center", va="top", linespacing=1.3)
    return words.replace("\n", " ")


def draw(results: Results) -> Picture | Missing:
    """Draw where the flight went and where each hold lies on it."""
    from matplotlib.collections import LineCollection

    latitude, longitude = results.sortie.column("latitude"), results.sortie.column("longitude")
    if latitude is None or longitude is None:
        return Missing("No log of this sortie holds positions, so there is no ground track.")
    if np.sum(np.isfinite(latitude) & np.isfinite(longitude)) < 2:
        return Missing("The logs hold no valid position, so there is no ground track.")
    east, north = local_metres(latitude, longitude)
    time = results.sortie.time
    width, height = float(np.ptp(east[np.isfinite(east)])), float(np.ptp(north[np.isfinite(north)]))
    span = max(width, height, 20.0)
    tall = min(max(6.6 * height / max(width, 1.0) + 0.9, 4.2), 7.4)
    figure = new_figure(tall)
    axes = figure.add_axes((0.09, 0.62 / tall, 0.70, 1 - 0.75 / tall))
    x, y = _thin(east, north, 4000)
    axes.plot(x, y, color="#aab3bb", lw=1.0, zorder=2)
    equal_scale(
        axes,
        (np.nanmin(east) - 0.06 * span, np.nanmax(east) + 0.06 * span),
        (np.nanmin(north) - 0.12 * span, np.nanmax(north) + 0.06 * span),
        (0.70 * WIDTH, tall - 0.75),
    )
    tidy_ticks(axes)
    to_points = axes.transData.transform
    scale = 72.0 / figure.dpi
    dense = np.isfinite(x) & np.isfinite(y)
    space = _LabelSpace(to_points(np.column_stack([x[dense], y[dense]])) * scale, (20.0, 10.0))
    back = axes.transData.inverted().transform
    ways: list[NDArray[np.float64]] = []
    lines: list[NDArray[np.float64]] = []
    colours: list[str] = []
    begun: dict[HoldKind, list[tuple[float, float]]] = {}
    for number, hold in enumerate(results.holds, start=1):
        look = KINDS[hold.kind]
        part = (time >= hold.start) & (time <= hold.end) & np.isfinite(east) & np.isfinite(north)
        if part.sum() < 2:
            continue
        px, py = _thin(east[part], north[part], 80)
        style = "-" if hold.straight else (0, (3, 1))
        ways.append(np.column_stack([px, py]))
        begun.setdefault(hold.kind, []).append((float(px[0]), float(py[0])))
        axes.plot(px, py, color=look.colour, lw=3.4, ls=style, zorder=4, solid_capstyle="butt")
        middle = np.array([px[px.size // 2], py[py.size // 2]])
        anchor = to_points(middle) * scale
        at = back(np.array(space.place(*anchor)) / scale)
        lines.append(np.array([middle, at]))
        colours.append(look.colour)
        axes.text(
            float(at[0]),
            float(at[1]),
            hold_label(number, hold.kind),
            ha="center",
            va="center",
            fontsize=8.5,
            color=INK,
            zorder=7,
            bbox={"boxstyle": "round,pad=0.18", "fc": "white", "ec": look.colour, "lw": 0.9},
        )
    axes.add_collection(
        LineCollection(ways, colors="white", lw=5.4, zorder=3, capstyle="round"), autolim=False
    )
    axes.add_collection(LineCollection(lines, colors=colours, lw=0.8, zorder=5), autolim=False)
    for kind, starts in begun.items():
        look = KINDS[kind]
        axes.plot(
            *np.array(starts).T,
            look.marker,
            color=look.colour,
            mec="white",
            mew=0.8,
            ms=8,
            zorder=5,
        )
    axes.set_xlabel("East [m]")
    axes.set_ylabel("North [m]")
    _scale_bar(axes, axes.get_xlim()[1] - axes.get_xlim()[0])
    wind = _compass(figure.add_axes((0.805, 1 - 2.35 / tall, 0.19, 2.2 / tall)), results)
    kinds = [kind for kind in HoldKind if any(hold.kind is kind for hold in results.holds)]
    handles = [
        legend_line(
            color=KINDS[k].colour,
            marker=KINDS[k].marker,
            lw=3.4,
            ms=7,
            mec="white",
            label=KINDS[k].word,
        )
        for k in kinds
    ]
    handles.append(legend_line(color="#aab3bb", lw=1.2, label="rest of the flight"))
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.80, 0.5 / tall), borderaxespad=0)
    return Picture(
        figure,
        f"Ground track, {width / 1000:.1f} km from west to east and {height / 1000:.1f} km from south to "
        f"north, north up, with {len(results.holds)} holds coloured by kind and labelled; {wind}.",
        "The marker stands where a hold begins; broken lines are holds flown in a turn. The arrow points "
        "where the wind goes to. Labels are those of the hold table.",
    )
