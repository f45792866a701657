"""What all figures share: look, palette, decimation, and the way to SVG and PNG.

No figure touches pyplot, so that nothing global is opened and several threads may draw one after the other.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...holds.model import HoldKind
from ...quantity import Quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch
    from matplotlib.ticker import Locator

__all__ = [
    "GRID",
    "INK",
    "KINDS",
    "MUTED",
    "PREDICTION",
    "REJECTED",
    "RIG",
    "STYLE",
    "WIDTH",
    "KindLook",
    "Missing",
    "Picture",
    "Spread",
    "boxes",
    "decimate",
    "dots",
    "equal_scale",
    "error_bars",
    "hold_label",
    "inline_svg",
    "legend_line",
    "legend_patch",
    "new_figure",
    "png_bytes",
    "spread",
    "svg_text",
    "tidy_ticks",
]

WIDTH = 9.0
"""Width of every figure [inch]: 864 CSS pixels at 100 %."""

INK = "#1c2630"
MUTED = "#56636f"
GRID = "#e1e6ea"
RIG = "#3d4650"
PREDICTION = "#14806a"
REJECTED = "#9aa5af"


@dataclass(frozen=True)
class KindLook:
    """How holds of one kind look.

    Attributes
    ----------
    colour : str
        Fill; the three differ in lightness too, so that they survive a grey print.
    marker : str
        Marker of matplotlib.
    letter : str
        First letter of the hold's label.
    word : str
        Name in legends.
    """

    colour: str
    marker: str
    letter: str
    word: str


KINDS: Mapping[HoldKind, KindLook] = {
    HoldKind.POWER: KindLook("#0b4a7d", "o", "P", "power hold"),
    HoldKind.GLIDE: KindLook("#dd9f1e", "v", "G", "glide"),
    HoldKind.BALLAST: KindLook("#c2513a", "s", "B", "ballast glide"),
}

STYLE: Any = {
    "font.family": ["sans-serif"],
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Segoe UI", "Helvetica Neue", "Arial"],
    "font.size": 9.5,
    "text.color": INK,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.labelsize": 9.5,
    "axes.linewidth": 0.8,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "grid.color": GRID,
    "grid.linewidth": 0.8,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 9.0,
    "ytick.labelsize": 9.0,
    "legend.frameon": True,
    "legend.framealpha": 0.9,
    "legend.edgecolor": "none",
    "legend.fontsize": 9.0,
    "lines.linewidth": 1.4,
    "figure.facecolor": "white",
    "axes.facecolor": "white",
    "savefig.facecolor": "white",
    "text.parse_math": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "flightproc",
    "path.simplify": True,
    "hatch.linewidth": 0.6,
}
"""Settings under which figures are made and saved."""


@dataclass(frozen=True)
class Picture:
    """A figure with what is said of it.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
        The drawing.
    alt : str
        What is seen, for those who cannot see it.
    caption : str
        How to read it.
    """

    figure: Figure
    alt: str
    caption: str


@dataclass(frozen=True)
class Missing:
    """A figure that cannot be drawn.

    Attributes
    ----------
    words : str
        Why, as a sentence for the reader.
    """

    words: str


@dataclass(frozen=True)
class Spread:
    """A quantity ready to be drawn.

    Attributes
    ----------
    value, low, high : float
        Estimate and 95 % bounds in the figure's unit; the bounds are the value itself where there are none.
    bounded : bool
        Whether there are bounds.
    """

    value: float
    low: float
    high: float
    bounded: bool


def spread(quantity: Quantity, factor: float = 1.0) -> Spread | None:
    """Return what to draw of a quantity, or None where it has no finite value.

    Parameters
    ----------
    quantity : Quantity
        The quantity.
    factor : float
        From its unit to the figure's; may be negative.

    Examples
    --------
    >>> spread(Quantity.unknown("N m", "no rig")) is None
    True
    >>> spread(Quantity(2.0, 0.5, 1.0, 3.0), -1.0)
    Spread(value=-2.0, low=-3.0, high=-1.0, bounded=True)
    """
    if quantity.value is None or not math.isfinite(quantity.value):
        return None
    value = quantity.value * factor
    low, high = quantity.low95, quantity.high95
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return Spread(value, value, value, False)
    first, second = sorted((low * factor, high * factor))
    return Spread(value, min(first, value), max(second, value), True)


def hold_label(number: int, kind: HoldKind) -> str:
    """Return the label of a hold: the letter of its kind and its number (1 is the first of the sortie).

    Examples
    --------
    >>> hold_label(3, HoldKind.GLIDE)
    'G3'
    """
    return f"{KINDS[kind].letter}{number}"


def decimate(
    time: NDArray[np.float64], values: NDArray[np.float64], points: int = 2000
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Thin a series out by keeping the least and the greatest value of each bucket.

    Parameters
    ----------
    time, values : ndarray, shape (n,)
        The series; NaN marks gaps, and a bucket that is all gap stays one.
    points : int
        About how many points to keep.

    Returns
    -------
    time, values : ndarray, shape (m,)
        With m at most ``points``, or n where the series is short already.

    Examples
    --------
    >>> t = np.arange(10_000.0)
    >>> spike = np.where(t == 4321, 9.0, 0.0)
    >>> short, thin = decimate(t, spike, 100)
    >>> short.size, float(thin.max())
    (100, 9.0)
    """
    step = math.ceil(values.size / max(points // 2, 1))
    if step <= 2:
        return time, values
    whole = math.ceil(values.size / step)
    block = np.append(values, np.full(whole * step - values.size, np.nan)).reshape(whole, step)
    low = np.argmin(np.where(np.isnan(block), np.inf, block), axis=1)
    high = np.argmax(np.where(np.isnan(block), -np.inf, block), axis=1)
    keep = (np.sort(np.stack([low, high], axis=1), axis=1) + np.arange(whole)[:, None] * step).ravel()
    return time[keep], values[keep]


def legend_patch(**look: Any) -> Patch:
    """Return a filled box for a legend: ``facecolor``, ``edgecolor``, ``lw``, ``hatch``, ``label``."""
    from matplotlib.patches import Patch

    return Patch(**look)


def legend_line(**look: Any) -> Line2D:
    """Return a line for a legend: ``color``, ``lw``, ``marker``, ``ms``, ``mec``, ``label``."""
    from matplotlib.lines import Line2D

    return Line2D([], [], **look)


def new_figure(height: float) -> Figure:
    """Return an empty figure of the common width and the given height [inch]."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, height))
    FigureCanvasSVG(figure)
    return figure


@cache
def _locator() -> Callable[[int], Locator]:
    from matplotlib.ticker import MaxNLocator

    class Inside(MaxNLocator):
        """Ticks at steps of 1, 2 or 5 within the limits: those beyond cost as much and are not seen."""

        def tick_values(self, vmin: float, vmax: float) -> Any:
            ticks = np.asarray(super().tick_values(vmin, vmax))
            slack = 1e-9 * abs(vmax - vmin)
            return ticks[(ticks >= min(vmin, vmax) - slack) & (ticks <= max(vmin, vmax) + slack)]

    return lambda most: Inside(most, steps=[1, 2, 5, 10])


def tidy_ticks(axes: Axes, along_x: int = 8, along_y: int = 7) -> None:
    """Put at most so many ticks on each axis, at steps of 1, 2 or 5."""
    axes.xaxis.set_major_locator(_locator()(along_x))
    axes.yaxis.set_major_locator(_locator()(along_y))


def boxes(axes: Axes, corners: Iterable[tuple[float, float, float, float]], **look: Any) -> None:
    """Draw rectangles (left, right, low, high) as one; the axes' limits do not heed them."""
    from matplotlib.collections import PolyCollection

    outlines = [[(a, c), (b, c), (b, d), (a, d)] for a, b, c, d in corners]
    if outlines:
        axes.add_collection(PolyCollection(outlines, **look), autolim=False)


def dots(axes: Axes, x: NDArray[np.float64], y: NDArray[np.float64], size: float, colour: str) -> None:
    """Draw points as round dots [pt] in one stroke, which is read and drawn faster than a mark for each."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    ends = np.column_stack([x, y])
    axes.update_datalim(ends)
    axes.autoscale_view()
    tails = np.column_stack([x + 1e-4 * np.ptp(x), y])  # strokes of no length are left out in PNG
    shape = Path(np.stack([ends, tails], 1).reshape(-1, 2), np.tile([Path.MOVETO, Path.LINETO], x.size))
    shape.should_simplify = False
    axes.add_artist(PathPatch(shape, fill=False, edgecolor=colour, lw=size, capstyle="round", zorder=2))


def equal_scale(
    axes: Axes, x: tuple[float, float], y: tuple[float, float], size: tuple[float, float]
) -> tuple[float, float]:
    """Show the ranges x and y in axes of the given size [inch] at one scale; return the spans shown."""
    scale = max((x[1] - x[0]) / size[0], (y[1] - y[0]) / size[1], 1e-9)
    spans = (scale * size[0], scale * size[1])
    for limits, span, put in ((x, spans[0], axes.set_xlim), (y, spans[1], axes.set_ylim)):
        middle = (limits[0] + limits[1]) / 2.0
        put(middle - span / 2.0, middle + span / 2.0)
    return spans


def error_bars(
    axes: Axes,
    points: Iterable[tuple[float, Spread]],
    *,
    colour: str,
    marker: str,
    label: str = "",
    size: float = 6.5,
    hollow: bool = False,
    strong: bool = True,
) -> int:
    """Draw values with 95 % bars and return how many were drawn.

    Values without an interval are drawn hollow and without a bar.
    """
    given = list(points)
    drawn = 0
    for bounded in (True, False):
        some = [(x, item.value, item.low, item.high) for x, item in given if item.bounded is bounded]
        if not some:
            continue
        x, value, low, high = np.array(some).T
        axes.errorbar(
            x,
            value,
            yerr=[value - low, high - value] if bounded else None,
            fmt=marker,
            color=colour,
            markerfacecolor=colour if bounded and not hollow else "white",
            markeredgecolor=colour,
            markersize=size,
            markeredgewidth=1.2,
            elinewidth=1.6 if strong else 0.9,
            capsize=3.5 if strong else 0.0,
            alpha=1.0 if strong else 0.55,
            zorder=5 if strong else 4,
            label=label if label and drawn == 0 else None,
        )
        drawn += len(some)
    return drawn


def svg_text(figure: Figure) -> str:
    """Return the figure as SVG, the same text each time for the same figure."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "flightproc"})
    return buffer.getvalue()


def png_bytes(figure: Figure) -> bytes:
    """Return the figure as PNG at 150 dots an inch."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=150, metadata={"Software": "flightproc"})
    return buffer.getvalue()


_ID = re.compile(r'(\bid="|href="#|url\(#)')
_PATH = re.compile(r' d="[^"]+"')
_LONG = re.compile(r"(\d\.\d{2})\d+")


def inline_svg(svg: str, prefix: str, alt: str) -> str:
    """Make an SVG file fit to stand inside a page beside others.

    Parameters
    ----------
    svg : str
        The file.
    prefix : str
        Put before every id, so that those of several figures do not clash.
    alt : str
        What is seen; becomes the label for screen readers.

    Returns
    -------
    str
        The ``svg`` element alone, without XML prolog, metadata and namespaces, path points to 0.01 pt.
    """
    from markupsafe import escape

    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, count=1, flags=re.DOTALL)
    body = re.sub(r"<!--.*?-->", "", body, flags=re.DOTALL)
    body = re.sub(r"\sxmlns(:\w+)?=\"[^\"]*\"", "", body)
    body = _PATH.sub(lambda path: _LONG.sub(r"\1", path.group()), body)
    body = _ID.sub(lambda start: f"{start.group()}{prefix}-", body)
    body = re.sub(r"\n\s*", "\n", body)
    return body.replace("<svg ", f'<svg role="img" aria-label="{escape(alt)}" ', 1)
