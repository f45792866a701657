"""Axes that are written straight to SVG, for the part of matplotlib's drawing calls that the report uses.

A report draws ten figures, and matplotlib takes most of a second to load and longer to draw them. The figure
functions call the same methods here, with the same names and defaults, so that one function serves for SVG
and, by way of matplotlib, for PNG; a test holds limits, ticks and words of the two against each other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import svg_marks as marks
from .style import GRID, INK, MUTED
from .svg_axis import Axis, Linear, Spine, Transform
from .svg_signs import SIZE, Key, Sign, arrow, bar_key, fill, line_key, marker_look, patch_key

__all__ = ["SvgAxes"]

Array = NDArray[np.float64]
TICK_SIZE = 9.0
_ALIASES = {
    "linewidth": "lw", "linestyle": "ls", "markersize": "ms", "markeredgecolor": "mec",
    "markerfacecolor": "mfc", "markeredgewidth": "mew", "facecolor": "fc", "edgecolor": "ec",
}  # fmt: skip


def _look(given: dict[str, Any]) -> dict[str, Any]:
    return {_ALIASES.get(name, name): value for name, value in given.items()}


class SvgAxes:
    """One pair of axes.

    Parameters
    ----------
    tall : float
        Height of the figure [pt].
    box : tuple of float
        Left, bottom, width and height [pt], from the lower left corner of the figure.
    name : str
        Unique in the figure.
    x, y : Axis
        New, or those of other axes to be shared.
    """

    def __init__(
        self, tall: float, box: tuple[float, float, float, float], name: str, x: Axis, y: Axis
    ) -> None:
        self.tall, self.box, self.name = tall, box, name
        self.xaxis, self.yaxis = x, y
        self.spines = {"left": Spine(), "bottom": Spine()}
        self.keys: list[Key] = []
        self.late_keys: list[Key] = []
        self.legends: list[tuple[list[Key], dict[str, Any]]] = []
        self.texts: list[tuple[str, tuple[float, float, float, float]]] = []
        self._drawn: list[tuple[float, Callable[[], str]]] = []
        self._labels = {"x": "", "y": ""}
        self._title: tuple[str, dict[str, Any]] | None = None
        self._grid = {"x": True, "y": True}
        self._tick_labels = {"x": True, "y": True}
        self._tick_length = {"x": 3.5, "y": 3.5}
        self._on = True

    # where things are -----------------------------------------------------------------------------------

    @property
    def transData(self) -> Linear:
        """Data to points."""
        return Linear(self, True, True)

    @property
    def transAxes(self) -> Linear:
        """Shares of the axes to points."""
        return Linear(self, False, False)

    def get_xaxis_transform(self) -> Linear:
        """Return data along x and shares of the axes along y to points."""
        return Linear(self, True, False)

    def _at(self, x: ArrayLike, y: ArrayLike, how: Transform | None = None) -> tuple[Array, Array]:
        """Return data as points in SVG, y downwards."""
        both = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64))
        out = (how or self.transData).transform(np.stack(both, axis=-1))
        return out[..., 0], self.tall - out[..., 1]

    def _add(self, order: float, draw: Callable[[], str]) -> None:
        self._drawn.append((order, draw))

    def _clip(self) -> str:
        return f' clip-path="url(#{self.name})"/>\n'

    def get_xlim(self) -> tuple[float, float]:
        """Return the ends of the x axis."""
        return self.xaxis.view()

    def get_ylim(self) -> tuple[float, float]:
        """Return the ends of the y axis."""
        return self.yaxis.view()

    def set_xlim(self, low: float, high: float) -> None:
        """Set the ends of the x axis."""
        self.xaxis.limits = (float(low), float(high))

    def set_ylim(self, low: float, high: float) -> None:
        """Set the ends of the y axis."""
        self.yaxis.limits = (float(low), float(high))

    def margins(self, x: float) -> None:
        """Set the room beside what is drawn along x."""
        self.xaxis.margin = x

    def set_aspect(self, aspect: str) -> None:
        """Make one unit as long along x as along y, the axes smaller where need be; limits have to be set."""
        assert aspect == "equal"
        left, bottom, width, height = self.box
        spans = [abs(high - low) for low, high in (self.get_xlim(), self.get_ylim())]
        scale = min(width / spans[0], height / spans[1])
        wide, high = scale * spans[0], scale * spans[1]
        self.box = (left + (width - wide) / 2, bottom + (height - high) / 2, wide, high)

    # words and ticks ------------------------------------------------------------------------------------

    def set_xlabel(self, text: str) -> None:
        """Write under the x axis."""
        self._labels["x"] = text

    def set_ylabel(self, text: str) -> None:
        """Write beside the y axis."""
        self._labels["y"] = text

    def set_title(self, text: str, **look: Any) -> None:
        """Write above the axes."""
        self._title = (text, look)

    def set_xticks(self, ticks: Sequence[float], words: Sequence[str] | None = None) -> None:
        """Set the ticks of the x axis."""
        self.xaxis.ticks, self.xaxis.words = [float(t) for t in ticks], list(words) if words else None

    def set_yticks(self, ticks: Sequence[float], words: Sequence[str] | None = None) -> None:
        """Set the ticks of the y axis."""
        self.yaxis.ticks, self.yaxis.words = [float(t) for t in ticks], list(words) if words else None

    def set_xticklabels(self, words: Sequence[str]) -> None:
        """Set the words at the ticks of the x axis."""
        self.xaxis.words = list(words)

    def grid(self, visible: bool = True, axis: str = "both") -> None:
        """Show lines at the ticks, or do not."""
        for side in "xy" if axis == "both" else axis:
            self._grid[side] = visible

    def tick_params(
        self,
        axis: str = "both",
        length: float | None = None,
        labelbottom: bool | None = None,
        labelleft: bool | None = None,
    ) -> None:
        """Set the length of ticks, and whether words stand at them."""
        for side in "xy" if axis == "both" else axis:
            self._tick_length[side] = self._tick_length[side] if length is None else length
        for side, shown in (("x", labelbottom), ("y", labelleft)):
            self._tick_labels[side] = self._tick_labels[side] if shown is None else shown

    def axis(self, which: str) -> None:
        """Show neither frame nor ticks."""
        assert which == "off"
        self._on = False

    # what is drawn --------------------------------------------------------------------------------------

    def plot(self, x: ArrayLike, y: ArrayLike, shape: str = "", **given: Any) -> None:
        """Draw a line, markers, or both."""
        look = _look(given)
        shape = shape or look.get("marker", "")
        line = "ls" in look or not shape or "marker" in look
        if look.get("ls") in ("none", "None") or (shape and "marker" not in look and "ls" not in look):
            line = False
        xs, ys = np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float))
        self.xaxis.cover(xs[np.isfinite(ys)] if xs.shape == ys.shape else xs)
        self.yaxis.cover(ys)
        colour, alpha = (
            look["color"],
            f' opacity="{look["alpha"]:g}"' if look.get("alpha", 1.0) != 1.0 else "",
        )
        size = float(look.get("ms", 6.0))

        def draw() -> str:
            px, py = self._at(xs, ys)
            out = []
            if line and px.size > 1:
                out.append(f'<path d="{marks.line_path(px, py)}"{marks.stroke(look, colour)}{self._clip()}')
            if shape == ".":
                out.append(marks.dots(px, py, 0.5 * size + 1.0, colour) + alpha + self._clip())
            elif shape:
                for one, other in zip(px.tolist(), py.tolist(), strict=True):
                    if math.isfinite(one + other):
                        out.append(marks.marker(shape, one, other, size, marker_look(look)) + self._clip())
            return "".join(out)

        self._add(look.get("zorder", 2.0), draw)
        self._label(look, line_key(look if line else {**look, "ls": "none"}, shape, size))

    def errorbar(
        self, x: Sequence[float], y: Sequence[float], yerr: Any, fmt: str, capsize: float, **given: Any
    ) -> None:
        """Draw one value with a bar."""
        look = _look(given)
        look = {**look, "lw": look.pop("elinewidth")}
        low, high = (0.0, 0.0) if yerr is None else (float(yerr[0][0]), float(yerr[1][0]))
        self.xaxis.cover(x)
        self.yaxis.cover([y[0] - low, y[0] + high])
        alpha = f' opacity="{look["alpha"]:g}"' if look.get("alpha", 1.0) != 1.0 else ""

        def draw() -> str:
            px, py = self._at([x[0]] * 3, [y[0], y[0] - low, y[0] + high])
            at, bottom, top = float(px[0]), float(py[1]), float(py[2])
            out = []
            if yerr is not None:
                bar = f"M{at:.2f} {bottom:.2f}V{top:.2f}"
                out.append(f'<path d="{bar}"{marks.stroke(look, look["color"])}{self._clip()}')
                if capsize:
                    caps = "".join(f"M{at - capsize:.2f} {end:.2f}h{2 * capsize:g}" for end in (bottom, top))
                    cap_look = {**look, "lw": look["mew"]}
                    out.append(f'<path d="{caps}"{marks.stroke(cap_look, look["color"])}{self._clip()}')
            out.append(
                marks.marker(fmt, at, float(py[0]), look["ms"], marker_look(look)) + alpha + self._clip()
            )
            return "".join(out)

        self._add(look.get("zorder", 2.0), draw)
        if look.get("label"):
            self.late_keys.append((look["label"], bar_key(look, fmt, yerr is not None, capsize)))

    def fill_between(self, x: ArrayLike, low: ArrayLike, high: ArrayLike, **given: Any) -> None:
        """Fill between two lines."""
        look = _look(given)
        xs = np.asarray(x, float)
        lows, highs = (np.broadcast_to(np.asarray(v, float), xs.shape) for v in (low, high))
        good = np.isfinite(lows) & np.isfinite(highs)
        self.xaxis.cover(xs[good])
        self.yaxis.cover([lows[good], highs[good]])

        def draw() -> str:
            px, py = self._at(np.append(xs, xs), np.append(lows, highs))
            d = marks.area_path(px[: xs.size], py[: xs.size], py[xs.size :])
            return f'<path d="{d}"{fill(look)}{self._clip()}'

        self._add(look.get("zorder", 1.0), draw)
        self._label(look, patch_key(look))

    def stairs(self, values: ArrayLike, edges: ArrayLike, **given: Any) -> None:
        """Draw steps from 0 up to each value and down to 0 again; ``fill=True`` fills what is under them."""
        look = _look(given)
        filled = bool(look.pop("fill", False))
        xs = np.repeat(np.asarray(edges, float), 2)
        ys = np.concatenate([[0.0], np.repeat(np.asarray(values, float), 2), [0.0]])
        self.xaxis.cover(xs)
        self.yaxis.cover(ys)

        def draw() -> str:
            px, py = self._at(xs, ys)
            shown = fill({**look, "lw": 0}) if filled else marks.stroke(look, look["color"])
            return f'<path d="{marks.line_path(px, py)}"{shown}{self._clip()}'

        self._add(look.get("zorder", 1.0), draw)
        self._label(look, patch_key(look) if filled else line_key(look, "", 0.0))

    def barh(self, y: float, width: float, height: float, **given: Any) -> None:
        """Draw a bar from 0 to the right."""
        self.broken_barh([(0.0, width)], (y - height / 2, height), **given)

    def broken_barh(
        self,
        spans: Sequence[tuple[float, float]],
        rows: tuple[float, float],
        transform: Transform | None = None,
        hatch: str = "",
        **given: Any,
    ) -> None:
        """Draw rectangles: start and length of each, start and height of all."""
        look = _look(given)
        starts = np.array([start for start, _ in spans], dtype=float)
        ends = starts + np.array([length for _, length in spans], dtype=float)
        self.xaxis.cover(np.append(starts, ends))
        if transform is None:
            self.yaxis.cover([rows[0], rows[0] + rows[1]])

        def draw() -> str:
            left, bottom = self._at(starts, rows[0], transform)
            right, top = self._at(ends, rows[0] + rows[1], transform)
            d = "".join(
                f"M{a:.2f} {y1:.2f}H{b:.2f}V{y0:.2f}H{a:.2f}Z"
                for a, b, y0, y1 in zip(*(v.tolist() for v in (left, right, bottom, top)), strict=True)
            )
            out = f'<path d="{d}"{fill(look)}{self._clip()}' if d else ""
            return out + (f'<path d="{d}" fill="url(#hatch)"{self._clip()}' if hatch and d else "")

        self._add(look.get("zorder", 1.0), draw)

    def hlines(self, y: ArrayLike, left: ArrayLike, right: ArrayLike, **given: Any) -> None:
        """Draw level lines."""
        self._segments([left, right], [y, y], given)

    def vlines(self, x: ArrayLike, low: ArrayLike, high: ArrayLike, **given: Any) -> None:
        """Draw upright lines."""
        self._segments([x, x], [low, high], given)

    def _segments(self, x: list[ArrayLike], y: list[ArrayLike], given: dict[str, Any]) -> None:
        look = _look(given)
        xs, ys = (
            np.stack(np.broadcast_arrays(*(np.asarray(v, float) for v in (*x, *y)))[k : k + 2])
            for k in (0, 2)
        )
        self.xaxis.cover(xs)
        self.yaxis.cover(ys)

        def draw() -> str:
            px, py = self._at(xs, ys)
            d = "".join(
                f"M{a:.2f} {b:.2f}L{c:.2f} {e:.2f}"
                for a, c, b, e in zip(*px.tolist(), *py.tolist(), strict=True)
                if math.isfinite(a + b + c + e)
            )
            return f'<path d="{d}"{marks.stroke(look, look["color"])}{self._clip()}'

        self._add(look.get("zorder", 1.0), draw)

    def axhline(self, y: float, **given: Any) -> None:
        """Draw a level line from end to end."""
        self.yaxis.cover([y])
        self._across(given, lambda: self._at([0.0, 1.0], y, Linear(self, False, True)))

    def axvline(self, x: float, **given: Any) -> None:
        """Draw an upright line from end to end."""
        self.xaxis.cover([x])
        self._across(given, lambda: self._at(x, [0.0, 1.0], Linear(self, True, False)))

    def _across(self, given: dict[str, Any], place: Callable[[], tuple[Array, Array]]) -> None:
        look = _look(given)

        def draw() -> str:
            return f'<path d="{marks.line_path(*place())}"{marks.stroke(look, look["color"])}{self._clip()}'

        self._add(look.get("zorder", 2.0), draw)
        self._label(look, line_key(look, "", 0.0))

    def axhspan(self, low: float, high: float, **given: Any) -> None:
        """Fill between two heights, from end to end."""
        self.yaxis.cover([low, high])
        look = _look(given)

        def draw() -> str:
            px, py = self._at([0.0, 1.0, 0.0, 1.0], [low, low, high, high], Linear(self, False, True))
            return f'<path d="{marks.area_path(px[:2], py[:2], py[2:])}"{fill(look)}{self._clip()}'

        self._add(look.get("zorder", 1.0), draw)

    # text and arrows ------------------------------------------------------------------------------------

    def text(self, x: float, y: float, words: str, transform: Transform | None = None, **look: Any) -> None:
        """Write at a place."""

        def draw() -> str:
            px, py = self._at(x, y, transform)
            return self._text(words, float(px), float(py), look)

        self._add(look.get("zorder", 3.0), draw)

    def annotate(
        self,
        words: str,
        xy: tuple[float, float],
        xytext: tuple[float, float],
        textcoords: str = "data",
        arrowprops: dict[str, Any] | None = None,
        **look: Any,
    ) -> None:
        """Write beside a point, or draw an arrow to it."""

        def draw() -> str:
            x, y = (float(v) for v in self._at(*xy))
            if arrowprops is not None:
                return arrow(self._at(*xytext), (x, y), arrowprops)
            left, bottom, width, height = self.box
            inside = left - 0.01 <= x <= left + width + 0.01
            if not (inside and bottom - 0.01 <= self.tall - y <= bottom + height + 0.01):
                return ""
            return self._text(words, x + xytext[0], y - xytext[1], look)

        self._add(look.get("zorder", 3.0), draw)

    def _text(self, words: str, x: float, y: float, look: dict[str, Any]) -> str:
        size = float(look.get("fontsize", SIZE))
        out, box = marks.text_marks(
            words,
            x,
            y,
            size=size,
            colour=look.get("color", INK),
            ha=look.get("ha", "left"),
            va=look.get("va", "baseline"),
            spacing=look.get("linespacing", 1.2),
            bold=look.get("fontweight") == "bold",
        )
        self.texts.append((words, box))
        frame = look.get("bbox")
        if frame is None:
            return out
        style, _, pad = frame["boxstyle"].partition(",pad=")
        room = float(pad) * size
        left, top, right, bottom = box[0] - room, box[1] - room, box[2] + room, box[3] + room
        round_off = f' rx="{room:.2f}"' if style == "round" else ""
        alpha = f' opacity="{frame["alpha"]:g}"' if "alpha" in frame else ""
        line = "" if frame["ec"] == "none" else f' stroke="{frame["ec"]}" stroke-width="{frame["lw"]:g}"'
        return (
            f'<rect x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{bottom - top:.2f}"'
            f'{round_off} fill="{frame["fc"]}"{line}{alpha}/>\n{out}'
        )

    # legend ---------------------------------------------------------------------------------------------

    def _label(self, look: dict[str, Any], draw: Sign) -> None:
        label = look.get("label") or ""
        if label and not label.startswith("_"):
            self.keys.append((label, draw))

    def get_legend_handles_labels(self) -> tuple[list[Key], list[str]]:
        """Return what a legend may show."""
        found = [*self.keys, *self.late_keys]
        return found, [label for label, _ in found]

    def legend(self, **look: Any) -> None:
        """Explain what is drawn."""
        self.legends.append((self.get_legend_handles_labels()[0], look))

    # all of it ------------------------------------------------------------------------------------------

    def svg(self) -> str:
        """Return the axes as SVG, without legends."""
        left, bottom, width, height = self.box
        top = self.tall - bottom - height
        self.texts = []
        parts = [
            f'<clipPath id="{self.name}"><rect x="{left:.2f}" y="{top:.2f}" width="{width:.2f}" '
            f'height="{height:.2f}"/></clipPath>\n'
        ]
        drawn = list(self._drawn)
        if self._on:
            drawn += [(0.5, self._ticks), (2.5, self._frame)]
        parts += [draw() for _, draw in sorted(drawn, key=lambda item: item[0])]
        return "".join(parts)

    def _frame(self) -> str:
        left, bottom, width, height = self.box
        low, top = self.tall - bottom, self.tall - bottom - height
        d = f"M{left:.2f} {top:.2f}V{low:.2f}" if self.spines["left"].visible else ""
        d += f"M{left:.2f} {low:.2f}H{left + width:.2f}" if self.spines["bottom"].visible else ""
        return f'<path d="{d}" fill="none" stroke="{MUTED}" stroke-width="0.8"/>\n' if d else ""

    def _ticks(self) -> str:
        left, bottom, width, height = self.box
        low, top = self.tall - bottom, self.tall - bottom - height
        out, lines, ends, room = [], [], [], {"x": 0.0, "y": 0.0}
        for side, axis in (("x", self.xaxis), ("y", self.yaxis)):
            ticks, words = axis.marked()
            along = self._at(ticks, axis.view()[0])[0] if side == "x" else self._at(0.0, ticks)[1]
            length = self._tick_length[side]
            for at, word in zip(along.tolist(), words, strict=True):
                line = (
                    f"M{at:.2f} {low:.2f}V{top:.2f}"
                    if side == "x"
                    else f"M{left:.2f} {at:.2f}H{left + width:.2f}"
                )
                lines += [line] if self._grid[side] else []
                if length:
                    tick = (
                        f"M{at:.2f} {low:.2f}v{length:g}"
                        if side == "x"
                        else f"M{left:.2f} {at:.2f}h{-length:g}"
                    )
                    ends.append(tick)
                if not (self._tick_labels[side] and word):
                    continue
                place = (at, low + length + 3.5) if side == "x" else (left - length - 3.5, at)
                ha, va = ("center", "top") if side == "x" else ("right", "center_baseline")
                text, box = marks.text_marks(word, *place, size=TICK_SIZE, colour=INK, ha=ha, va=va)
                out.append(text)
                self.texts.append((word, box))
                room[side] = max(room[side], box[3] - low if side == "x" else left - box[0])
        for d, colour in (("".join(lines), GRID), ("".join(ends), MUTED)):
            if d:
                out.insert(0, f'<path d="{d}" fill="none" stroke="{colour}" stroke-width="0.8"/>\n')
        out.insert(0, out.pop(1) if lines and ends else "")  # the grid lies under the ticks
        return "".join(out) + self._words_around(room)

    def _words_around(self, room: dict[str, float]) -> str:
        left, bottom, width, height = self.box
        low, top = self.tall - bottom, self.tall - bottom - height
        out = []

        def write(words: str, x: float, y: float, **how: Any) -> None:
            text, box = marks.text_marks(words, x, y, colour=INK, **how)
            out.append(text)
            self.texts.append((words, box))

        if self._labels["x"]:
            below = low + max(room["x"], self._tick_length["x"]) + 4.0
            write(self._labels["x"], left + width / 2, below, size=SIZE, ha="center", va="top")
        if self._labels["y"]:
            x = left - max(room["y"], self._tick_length["y"]) - 4.0
            if self.yaxis.label_at is not None:
                x = left + self.yaxis.label_at[0] * width
            write(self._labels["y"], x, top + height / 2, size=SIZE, ha="center", va="bottom", upright=True)
        if self._title is not None:
            words, look = self._title
            side = look.get("loc", "center")
            x = left if side == "left" else left + width / 2
            size = float(look["fontsize"])
            write(words, x, top - look.get("pad", 6.0), size=size, ha=side, va="baseline")
        return "".join(out)
