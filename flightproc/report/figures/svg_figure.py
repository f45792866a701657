"""A figure of SVG axes: where they stand, legends, the file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from . import svg_marks as marks
from .style import INK, REJECTED
from .svg_axes import SvgAxes
from .svg_axis import Axis
from .svg_signs import SIZE, Key, line_key, patch_key

__all__ = ["Grid", "SvgFigure", "line_sign", "patch_sign"]

_FONTS = "'DejaVu Sans', Verdana, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif"
_HATCH = (
    '<pattern id="hatch" patternUnits="userSpaceOnUse" width="4.5" height="4.5">'
    f'<path d="M-1 1l2 -2M0 4.5l4.5 -4.5M3.5 5.5l2 -2" fill="none" stroke="{REJECTED}" '
    'stroke-width="0.6"/></pattern>\n'
)
_ALONG = {"left": 0.0, "center": 0.5, "right": 1.0}
_UP = {"lower": 0.0, "center": 0.5, "upper": 1.0}

Box = tuple[float, float, float, float]


def patch_sign(**look: Any) -> Key:
    """Return a filled box for a legend."""
    look = {"lw": look.pop("lw", 1.0), "fc": look.pop("facecolor"), "ec": look.pop("edgecolor"), **look}
    return look["label"], patch_key(look)


def line_sign(**look: Any) -> Key:
    """Return a line with a marker for a legend."""
    return look["label"], line_key(look, look.get("marker", ""), float(look.get("ms", 6.0)))


class Grid:
    """Cells for axes, in shares of the figure."""

    def __init__(self, rows: int, columns: int, **given: Any) -> None:
        self._ends = []
        sides = (
            (columns, given.get("width_ratios"), given.get("wspace", 0.2), given["left"], given["right"]),
            (rows, given.get("height_ratios"), given.get("hspace", 0.2), given["bottom"], given["top"]),
        )
        for count, ratios, gap, low, high in sides:
            cell = (high - low) / (count + gap * (count - 1))
            parts = np.array(ratios if ratios is not None else [1.0] * count, dtype=float)
            sizes = parts * cell * count / parts.sum()
            starts = np.concatenate([[0.0], np.cumsum(sizes + gap * cell)[:-1]])
            self._ends.append((starts, starts + sizes, low, high))
        self._one_row = rows == 1

    def __getitem__(self, place: Any) -> Box:
        """Return left, bottom, width and height of a cell, or of several in a row."""
        if not isinstance(place, tuple):
            place = (0, place) if self._one_row else (place, 0)
        (x0, x1, left, _), (y0, y1, _, top) = self._ends
        row, column = (range(size.size)[p] for p, size in zip(place, (y0, x0), strict=True))
        rows = [row] if isinstance(row, int) else list(row)
        columns = [column] if isinstance(column, int) else list(column)
        begin, end = left + x0[columns[0]], left + x1[columns[-1]]
        upper, lower = top - y0[rows[0]], top - y1[rows[-1]]
        return float(begin), float(lower), float(end - begin), float(upper - lower)


class SvgFigure:
    """A figure that is written as SVG without matplotlib.

    Parameters
    ----------
    width, height : float
        [inch].

    Attributes
    ----------
    axes : list of SvgAxes
        In the order in which they are drawn.
    texts : list of (str, tuple of float)
        Every text with the box it fills [pt], once the figure was written.
    dpi : float
        Points an inch.
    """

    dpi = 72.0

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = 72.0 * width, 72.0 * height
        self.axes: list[SvgAxes] = []
        self.texts: list[tuple[str, Box]] = []
        self._legends: list[tuple[list[Key], dict[str, Any]]] = []
        self._texts: list[tuple[float, float, str, dict[str, Any]]] = []

    def add_axes(
        self, rect: Sequence[float], sharex: SvgAxes | None = None, sharey: SvgAxes | None = None
    ) -> SvgAxes:
        """Add axes; left, bottom, width and height in shares of the figure."""
        box = (rect[0] * self.width, rect[1] * self.height, rect[2] * self.width, rect[3] * self.height)
        x = Axis() if sharex is None else sharex.xaxis
        y = Axis() if sharey is None else sharey.yaxis
        axes = SvgAxes(self.height, box, f"a{len(self.axes)}", x, y)
        self.axes.append(axes)
        return axes

    add_subplot = add_axes

    def add_gridspec(self, rows: int, columns: int, **given: Any) -> Grid:
        """Return cells for axes."""
        return Grid(rows, columns, **given)

    def text(self, x: float, y: float, words: str, **look: Any) -> None:
        """Write at a place in shares of the figure."""
        self._texts.append((x, y, words, look))

    def legend(
        self, handles: Sequence[Key] | None = None, labels: Sequence[str] | None = None, **look: Any
    ) -> None:
        """Explain what is drawn."""
        if handles is None:
            handles = [key for axes in self.axes for key in axes.get_legend_handles_labels()[0]]
        keys = list(handles)
        if labels is not None:
            keys = [(label, draw) for label, (_, draw) in zip(labels, keys, strict=True)]
        self._legends.append((keys, look))

    def svg(self) -> str:
        """Return the figure as a file, the same for the same calls."""
        parts = [
            '<?xml version="1.0" encoding="utf-8" standalone="no"?>\n'
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}pt" height="{self.height:g}pt" '
            f'viewBox="0 0 {self.width:g} {self.height:g}" version="1.1">\n',
            f'<rect width="{self.width:g}" height="{self.height:g}" fill="#ffffff"/>\n',
            f'<g font-family="{_FONTS}" stroke-linejoin="round">\n',
        ]
        self.texts = []
        for axes in self.axes:
            parts.append(axes.svg())
            self.texts += axes.texts
            left, bottom, width, height = axes.box
            whole = (left, bottom, width, height)
            parts += [self._legend(keys, look, whole) for keys, look in axes.legends]
        for x, y, words, look in self._texts:
            text, box = marks.text_marks(
                words,
                x * self.width,
                (1.0 - y) * self.height,
                size=float(look.get("fontsize", SIZE)),
                colour=look.get("color", INK),
                ha=look.get("ha", "left"),
                va=look.get("va", "baseline"),
                spacing=look.get("linespacing", 1.2),
            )
            parts.append(text)
            self.texts.append((words, box))
        parts += [
            self._legend(keys, look, (0.0, 0.0, self.width, self.height)) for keys, look in self._legends
        ]
        if any("url(#hatch)" in part for part in parts):
            parts.insert(1, _HATCH)
        return "".join([*parts, "</g>\n</svg>\n"])

    def _legend(self, keys: list[Key], look: dict[str, Any], whole: Box) -> str:
        """Return one legend, filled column by column."""
        if not keys:
            return ""
        size = float(look.get("fontsize", 9.0))
        length, gap = look.get("handlelength", 2.0) * size, look.get("handletextpad", 0.8) * size
        between, pad = look.get("columnspacing", 2.0) * size, 0.4 * size
        pitch = size * (marks.ASCENT + marks.DESCENT + 0.5)
        count = min(int(look.get("ncols", 1)), len(keys))
        columns = [list(part) for part in np.array_split(np.arange(len(keys)), count)]
        widths = [length + gap + max(marks.text_width(keys[i][0], size) for i in part) for part in columns]
        wide = sum(widths) + between * (count - 1) + 2 * pad
        high = pitch * len(columns[0]) - 0.5 * size + 2 * pad
        left, bottom = self._held(look, whole, wide, high, look.get("borderaxespad", 0.5) * size)
        top = self.height - bottom - high
        out = [
            f'<rect x="{left:.2f}" y="{top:.2f}" width="{wide:.2f}" height="{high:.2f}" rx="1.8" '
            'fill="#ffffff" opacity="0.9"/>\n'
        ]
        x = left + pad
        for part, width in zip(columns, widths, strict=True):
            for row, i in enumerate(part):
                label, draw = keys[i]
                base = top + pad + marks.ASCENT * size + row * pitch
                text, box = marks.text_marks(label, x + length + gap, base, size=size, colour=INK)
                out += [draw(x, base, length, size), text]
                self.texts.append((label, box))
            x += width + between
        return "".join(out)

    @staticmethod
    def _held(look: dict[str, Any], whole: Box, wide: float, high: float, room: float) -> tuple[float, float]:
        """Return left and bottom of a legend that is held at a corner, an edge or a point."""
        up, _, along = str(look["loc"]).partition(" ")
        left, bottom, width, height = whole
        if "bbox_to_anchor" in look:
            x, y = look["bbox_to_anchor"]
            left, bottom, width, height = left + x * width, bottom + y * height, 0.0, 0.0
        return (
            left + room + _ALONG[along] * (width - 2 * room - wide),
            bottom + room + _UP[up] * (height - 2 * room - high),
        )
