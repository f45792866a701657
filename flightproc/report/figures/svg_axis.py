"""One axis of a drawing, and the way from its values to places in the figure."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import svg_marks as marks

__all__ = ["Axis", "Linear", "Spine", "Transform"]

Array = NDArray[np.float64]


class Axis:
    """One axis, which several axes may share: what is shown, and the ticks.

    Attributes
    ----------
    seen : list of float
        Least and greatest value drawn.
    limits : tuple of float or None
        Ends of the axis where they are set.
    margin : float
        Room beside what is drawn, over its extent, where the ends are not set.
    most : int
        Greatest number of steps between ticks.
    ticks, words : list or None
        Ticks and their words where they are set.
    """

    def __init__(self) -> None:
        self.seen = [math.inf, -math.inf]
        self.limits: tuple[float, float] | None = None
        self.margin = 0.05
        self.most = 8
        self.ticks: list[float] | None = None
        self.words: list[str] | None = None

    def cover(self, values: ArrayLike) -> None:
        """Make room for values."""
        found = np.asarray(values, dtype=np.float64)
        found = found[np.isfinite(found)]
        if found.size:
            self.seen = [min(self.seen[0], float(found.min())), max(self.seen[1], float(found.max()))]

    def view(self) -> tuple[float, float]:
        """Return the ends of the axis."""
        if self.limits is not None:
            return self.limits
        low, high = self.seen
        if not math.isfinite(low):
            return 0.0, 1.0
        if high - low <= 1e-12 * max(abs(low), abs(high)):
            wide = 0.05 * max(abs(low), abs(high)) or 0.05
            low, high = low - wide, high + wide
        room = self.margin * (high - low)
        return low - room, high + room

    def set_most(self, most: int) -> None:
        """Put round ticks, at most so many steps of them, in place of those that were set."""
        self.most, self.ticks, self.words = most, None, None

    def marked(self) -> tuple[list[float], list[str]]:
        """Return ticks inside the view, and their words."""
        low, high = sorted(self.view())
        if self.ticks is None:
            ticks, step = marks.round_ticks(low, high, self.most)
            return ticks, marks.tick_words(ticks, step)
        words = self.words if self.words is not None else [f"{tick:g}" for tick in self.ticks]
        pairs = list(zip(self.ticks, words, strict=True))
        slack = 1e-9 * (high - low)
        inside = [(tick, word) for tick, word in pairs if low - slack <= tick <= high + slack]
        return [tick for tick, _ in inside], [word for _, word in inside]

    # names of matplotlib
    def set_label_coords(self, along: float, across: float) -> None:
        """Set where the label stands, in shares of the axes."""
        self.label_at = (along, across)

    label_at: tuple[float, float] | None = None


class Transform(Protocol):
    """From coordinates to points from the lower left corner, y upwards."""

    def transform(self, points: ArrayLike) -> Array:
        """Return the points."""
        ...


class Boxed(Protocol):
    """Axes with a place in the figure."""

    box: tuple[float, float, float, float]
    xaxis: Axis
    yaxis: Axis


class Linear:
    """Shares of the axes or data to points, or back."""

    def __init__(self, axes: Boxed, x_data: bool, y_data: bool, back: bool = False) -> None:
        self._axes, self._data, self._back = axes, (x_data, y_data), back

    def inverted(self) -> Linear:
        """Return the way back."""
        return Linear(self._axes, *self._data, not self._back)

    def transform(self, points: ArrayLike) -> Array:
        """Return the points."""
        axes = self._axes
        left, bottom, width, height = axes.box
        out = np.array(points, dtype=np.float64)
        sides = ((axes.xaxis, left, width), (axes.yaxis, bottom, height))
        for k, (axis, start, length) in enumerate(sides):
            low, high = axis.view() if self._data[k] else (0.0, 1.0)
            if self._back:
                out[..., k] = low + (out[..., k] - start) / length * (high - low)
            else:
                out[..., k] = start + (out[..., k] - low) / (high - low) * length
        return out


class Spine:
    """One side of the frame."""

    def __init__(self) -> None:
        self.visible = True

    def set_visible(self, visible: bool) -> None:
        """Show it, or do not."""
        self.visible = visible
