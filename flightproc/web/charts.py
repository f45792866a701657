"""Charts of the pages: what is drawn, as plain objects; ``static/charts.js`` draws them with plotly.

Two kinds. A :class:`Chart` is small and complete: lines, bands and points with their units. The time
histories of a sortie may hold hundreds of thousands of samples; :func:`write_histories` keeps them in a file,
and :func:`history_window` answers for the stretch on the screen with the least and greatest value of each
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from ..holds.model import Hold, Rejected
    from ..results import HoldResult
    from ..sortie.model import Sortie

__all__ = [
    "PANELS",
    "Chart",
    "Histories",
    "Line",
    "extremes",
    "history_window",
    "make_histories",
    "read_histories",
    "write_histories",
]

Array = NDArray[np.float64]

_DEGREES = 180.0 / math.pi
_LEAST_WIDTH, _MOST_WIDTH = 50, 8000
_FIGURES = 5  # significant figures of what is sent, of the range of a channel

PANELS: tuple[tuple[str, str, str, float], ...] = (
    ("rpm", "Engine speed", "1/min", 1.0),
    ("airspeed", "True airspeed", "m/s", 1.0),
    ("turn_rate", "Turn rate, right +", "deg/s", _DEGREES),
    ("hang_roll", "Hang roll, right +", "deg", _DEGREES),
    ("height", "Height", "m", 1.0),
)
"""Channel, name, unit and factor of each time history, top to bottom."""


# ----------------------------------------------------------------------------------------- lines and points


@dataclass(frozen=True)
class Line:
    """One series of a chart.

    Attributes
    ----------
    name : str
        In the legend; empty keeps it out.
    x, y : sequence of float
        Points; NaN breaks a line.
    low, high : sequence of float
        Bounds of a band, or of bars where ``kind`` is ``points``; empty where there are none.
    kind : str
        ``line``, ``points`` or ``bars``.
    colour : str
        Name of a colour of ``base.css``: ``power``, ``glide``, ``ballast``, ``good-line``, ``soft``, ``ink``.
    dash : str
        ``solid``, ``dash`` or ``dot``: lines differ by it where colour cannot be seen.
    marker : str
        Symbol of points.
    labels : sequence of str
        Words for each point when it is pointed at.
    """

    name: str
    x: Sequence[float] | Array
    y: Sequence[float] | Array
    low: Sequence[float] | Array = ()
    high: Sequence[float] | Array = ()
    kind: str = "line"
    colour: str = "power"
    dash: str = "solid"
    marker: str = "circle"
    labels: Sequence[str] = ()

    @classmethod
    def band(
        cls,
        name: str,
        x: Sequence[float] | Array,
        bounds: Array,
        *,
        colour: str = "power",
        dash: str = "solid",
    ) -> Line:
        """Return a line with its band from value, lower and upper bound, shape (3, n)."""
        return cls(name, x, bounds[0], bounds[1], bounds[2], colour=colour, dash=dash)

    def to_json(self) -> dict[str, Any]:
        """Return plain objects; what is not finite becomes null."""
        return {
            "name": self.name,
            "x": _plain(self.x),
            "y": _plain(self.y),
            "low": _plain(self.low),
            "high": _plain(self.high),
            "kind": self.kind,
            "colour": self.colour,
            "dash": self.dash,
            "marker": self.marker,
            "labels": list(self.labels),
        }


@dataclass(frozen=True)
class Chart:
    """A chart of lines, bands and points.

    Attributes
    ----------
    title : str
        What it shows, for screen readers as well.
    x, y : tuple of (str, str)
        Name and unit of the axes.
    lines : tuple of Line
        What is drawn, the first below.
    marks : tuple of (float, str)
        Heights across the whole width, with words.
    y_range : tuple of float or None
        Of the y axis; found from the lines otherwise.
    x_names : tuple of str
        Words in place of numbers along x, at 0, 1, 2, ...
    """

    title: str
    x: tuple[str, str]
    y: tuple[str, str]
    lines: tuple[Line, ...]
    marks: tuple[tuple[float, str], ...] = ()
    y_range: tuple[float, float] | None = None
    x_names: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return plain objects for ``charts.js``."""
        return {
            "title": self.title,
            "x": {"name": self.x[0], "unit": self.x[1], "names": list(self.x_names)},
            "y": {
                "name": self.y[0],
                "unit": self.y[1],
                "range": None if self.y_range is None else list(self.y_range),
            },
            "lines": [line.to_json() for line in self.lines],
            "marks": [{"y": y, "words": words} for y, words in self.marks],
        }

    def text(self) -> str:
        """Return JSON text, fit for an attribute of the page once it is escaped."""
        return json.dumps(self.to_json(), allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def _plain(values: Sequence[float] | Array) -> list[float | None]:
    return [None if not math.isfinite(v) else float(f"{v:.6g}") for v in np.asarray(values, dtype=float)]


# ------------------------------------------------------------------------------------------- time histories


@dataclass(frozen=True)
class Histories:
    """Channels of a sortie on one clock, as they are drawn.

    Attributes
    ----------
    time : ndarray, shape (n,)
        Rising [s].
    values : ndarray, shape (k, n)
        In the units of ``about``; NaN where a channel is silent.
    about : dict
        ``panels`` (key, name, unit), ``holds``, ``turned_down``, ``airborne``: see :func:`make_histories`.
    """

    time: Array
    values: Array
    about: dict[str, Any] = field(default_factory=dict)


def make_histories(
    sortie: Sortie, holds: Sequence[HoldResult | Hold], rejected: Sequence[Rejected], title: str = ""
) -> Histories:
    """Return the time histories of a sortie, with its holds and the stretches that were turned down.

    Parameters
    ----------
    sortie : Sortie
        The channels.
    holds : sequence of HoldResult or Hold
        With their moments, or as found.
    rejected : sequence of Rejected
        Stretches turned down.
    title : str
        Of the sortie.
    """
    from ..report.figures.histories import merge_stretches

    time = np.asarray(sortie.time, dtype=float)
    panels, rows = [], []
    for key, name, unit, factor in PANELS:
        column = sortie.column(key)
        if column is None or not np.isfinite(column).any():
            continue
        panels.append({"key": key, "name": name, "unit": unit})
        rows.append(np.asarray(column, dtype=float) * factor)
    reasons = {item.code: item.words for item in rejected}
    turned = [
        {"start": start, "end": end, "code": code, "words": reasons[code] or code.replace("_", " ")}
        for start, end, code in merge_stretches(rejected)
    ]
    about = {
        "title": title,
        "panels": panels,
        "holds": [_hold(number, hold) for number, hold in enumerate(holds, start=1)],
        "turned_down": turned,
        "airborne": [[float(a), float(b)] for a, b in sortie.airborne],
    }
    values = np.array(rows) if rows else np.zeros((0, time.size))
    return Histories(time, values, about)


def _hold(number: int, hold: HoldResult | Hold) -> dict[str, Any]:
    from ..quantity import Quantity
    from ..report.figures.style import KINDS, hold_label

    words = f"{KINDS[hold.kind].word}, {hold.end - hold.start:.0f} s"
    rpm = hold.rpm.value if isinstance(hold.rpm, Quantity) else hold.rpm
    if rpm is not None and rpm > 0.0:
        words += f", {rpm:.0f} 1/min"
    moment = getattr(hold, "roll_moment", None)
    if isinstance(moment, Quantity) and None not in (moment.value, moment.low95, moment.high95):
        words += f"; roll moment {moment.value:.1f} [{moment.low95:.1f}, {moment.high95:.1f}] N\u00a0m"
    return {
        "number": number,
        "label": hold_label(number, hold.kind),
        "kind": str(hold.kind),
        "origin": str(hold.origin),
        "start": float(hold.start),
        "end": float(hold.end),
        "words": words,
    }


def write_histories(path: str | os.PathLike[str], histories: Histories) -> None:
    """Write time histories to a file, whole or not at all; no objects are pickled in it."""
    place = Path(path)
    draft = place.with_name(f".{place.name}.partial")
    with draft.open("wb") as file:
        about = np.frombuffer(json.dumps(histories.about).encode(), dtype=np.uint8)
        np.savez(file, time=histories.time, values=histories.values.astype(np.float32), about=about)
    draft.replace(place)


def read_histories(path: str | os.PathLike[str]) -> Histories:
    """Return time histories from a file; those read last are kept in memory."""
    place = Path(path)
    stat = place.stat()
    return _read(str(place), stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=6)
def _read(path: str, changed: int, size: int) -> Histories:
    with np.load(path, allow_pickle=False) as file:
        about = json.loads(file["about"].tobytes())
        return Histories(file["time"], file["values"].astype(float), about)


def extremes(time: Array, values: Array, start: float, end: float, width: int) -> tuple[Array, Array]:
    """Return least and greatest value of every channel in each of ``width`` steps of a stretch.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Rising [s].
    values : ndarray, shape (k, n)
        NaN marks gaps; a step that is all gap stays one.
    start, end : float
        The stretch [s]; one sample beyond each end is taken too, so that lines run out of the picture.
    width : int
        Steps: pixels of the screen.

    Returns
    -------
    time : ndarray, shape (m,)
        Two times a step, or those of the samples where there are few.
    values : ndarray, shape (k, m)
        Of each step the two extremes, in the order in which they came.

    Examples
    --------
    >>> t = np.arange(10_000.0)
    >>> spike = np.where(t == 4321, 9.0, 0.0)[None]
    >>> short, thin = extremes(t, spike, 0.0, 10_000.0, 50)
    >>> short.size, float(thin.max())
    (100, 9.0)
    """
    first = max(int(np.searchsorted(time, start, side="left")) - 1, 0)
    last = min(int(np.searchsorted(time, end, side="right")) + 1, time.size)
    time, values = time[first:last], values[:, first:last]
    step = -(-time.size // max(width, 1))
    if step <= 2:
        return time, values
    # Whole steps are counted from the first sample, so that all channels share them.
    edges = np.arange(0, time.size, step)
    low = np.fmin.reduceat(values, edges, axis=1)
    high = np.fmax.reduceat(values, edges, axis=1)
    ends = np.append(edges[1:], time.size) - 1
    # Of a rising stretch the least comes first; which way it goes tells the two samples at its ends.
    falling = values[:, ends] < values[:, edges]
    both = np.empty((values.shape[0], 2 * edges.size))
    both[:, 0::2] = np.where(falling, high, low)
    both[:, 1::2] = np.where(falling, low, high)
    begin, length = time[edges], time[ends] - time[edges]
    out = np.empty(2 * edges.size)
    out[0::2], out[1::2] = begin + 0.25 * length, begin + 0.75 * length
    return out, both


def history_window(
    histories: Histories, start: float | None = None, end: float | None = None, width: int = 1000
) -> dict[str, Any]:
    """Return what the screen shows of a stretch, as plain objects for ``charts.js``.

    Parameters
    ----------
    histories : Histories
        All there is.
    start, end : float, optional
        The stretch [s]; from the first or to the last sample where not given.
    width : int
        Steps to keep, 50 to 8000.

    Returns
    -------
    dict
        ``t`` [s], ``values`` (one list a panel, null in gaps), ``first`` and ``last`` [s] of all samples,
        ``samples`` in the stretch; where no start was given also ``about``.
    """
    time = histories.time
    first, last = (float(time[0]), float(time[-1])) if time.size else (0.0, 0.0)
    begin = first if start is None or not math.isfinite(start) else start
    finish = last if end is None or not math.isfinite(end) else end
    begin, finish = min(begin, finish), max(begin, finish)
    steps = min(max(width, _LEAST_WIDTH), _MOST_WIDTH)
    t, values = extremes(time, histories.values, begin, finish, steps)
    inside = np.searchsorted(time, finish, side="right") - np.searchsorted(time, begin, side="left")
    out: dict[str, Any] = {
        "t": np.round(t, 3).tolist(),
        "values": [_rounded(row, whole) for row, whole in zip(values, histories.values, strict=True)],
        "first": first,
        "last": last,
        "start": begin,
        "end": finish,
        "samples": int(inside),
    }
    if start is None:
        out["about"] = histories.about
    return out


def _rounded(row: Array, whole: Array) -> list[float | None]:
    span = float(np.nanmax(np.abs(whole), initial=0.0)) if np.isfinite(whole).any() else 0.0
    places = _FIGURES - 1 - math.floor(math.log10(span)) if span > 0.0 else 3
    values: list[float | None] = np.round(row, max(places, 0)).tolist()
    if np.isfinite(row).all():
        return values
    return [value if value is not None and math.isfinite(value) else None for value in values]
