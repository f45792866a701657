"""Gather the channels of all logs on one grid: which log feeds which channel."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..channels import CHANNELS
from ..readers.recording import Recording
from .align import Aligned
from .clocks import OffsetFound
from .grid import Placement, to_grid
from .signals import ground_velocity

if TYPE_CHECKING:
    from ..sheets import LogEntry

__all__ = ["Gathered", "OnGrid", "gather_channels", "longest"]

Array = NDArray[np.float64]

_UNIT_ONLY = (
    "roll_rate",
    "pitch_rate",
    "yaw_rate",
    "specific_force_x",
    "specific_force_y",
    "specific_force_z",
    "bank",
    "pitch",
    "heading",
)
_BY_GPS = ("latitude", "longitude", "height", "climb")
_BY_ENGINE = ("rpm", "propeller_rpm", "throttle")
_ORDER = {
    "gps": ("gps", "unit", "other", "engine"),
    "engine": ("engine", "unit", "other", "gps"),
    "unit": ("unit", "other", "engine", "gps"),
}


@dataclass
class Gathered:
    """Channels on the grid while the sortie is being assembled.

    Attributes
    ----------
    columns : dict of str to ndarray, shape (n,)
        Channels by name.
    sources : dict of str to str
        Where each came from and what was done to it.
    derived : dict of str to bool
        Whether the reader had worked the channel out from others.
    warnings : list of str
        What the user should know.
    """

    columns: dict[str, Array] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)
    derived: dict[str, bool] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


class OnGrid:
    """Brings series to one grid, and remembers what it brought there with which clock.

    Parameters
    ----------
    grid : ndarray, shape (n,)
        Even times on the sortie's time base [s].
    """

    def __init__(self, grid: Array) -> None:
        self.grid = grid
        self._places: dict[tuple[int, OffsetFound | None], tuple[Array, Placement]] = {}
        self._brought: dict[tuple[int, OffsetFound | None], tuple[Array, tuple[Array, str]]] = {}

    def bring(
        self, aligned: Aligned, time: Array, values: Array, *, angle: bool = False
    ) -> tuple[Array, str]:
        """Bring a series of a log, on the log's own clock [s], to the grid as :func:`~.grid.to_grid` does."""
        key = (id(values), aligned.found)
        if key not in self._brought:  # the arrays are kept with it, so that no other can come by their number
            self._brought[key] = values, self._bring(aligned, time, values, angle)
        return self._brought[key][1]

    def _bring(self, aligned: Aligned, time: Array, values: Array, angle: bool) -> tuple[Array, str]:
        if not np.isfinite(values).all():
            return to_grid(aligned.times(time), values, self.grid, angle=angle)
        key = (id(time), aligned.found)
        if key not in self._places:
            self._places[key] = time, Placement(aligned.times(time), self.grid)
        return self._places[key][1].bring(values, angle=angle)


@dataclass(frozen=True)
class _Offer:
    """What one log offers for a channel, on the grid."""

    name: str
    values: tuple[Array, ...]
    source: str
    how: str
    derived: bool
    rank: tuple[float, ...]


_TOGETHER = ("velocity_north", "velocity_east")
_TOLERANCE = {
    "velocity": 0.7,
    "climb": 0.5,
    "height": 15.0,
    "rpm": 100.0,
    "propeller_rpm": 50.0,
    "true_airspeed": 1.0,
    "indicated_airspeed": 1.0,
    "pressure": 300.0,
    "temperature": 3.0,
    "latitude": 4e-6,
    "longitude": 6e-6,
}
"""Median difference of two logs from which it is told, in the channel's unit."""
_COMMON = 20.0  # [s] of common time from which two logs are compared
_SHORTEST_FILL = 2.0  # [s] that a second log must add
_RATE_ENOUGH = 2.0  # [Hz] beyond which a faster log is no better


def gather_channels(
    entries: Mapping[str, LogEntry],
    recordings: Mapping[str, Recording],
    aligned: Mapping[str, Aligned],
    grid: Array,
    *,
    body: Collection[str] = (),
    placed: OnGrid | None = None,
) -> Gathered:
    """Bring every channel of every aligned log to the grid, the best log for each first.

    Parameters
    ----------
    entries : mapping of str to LogEntry
        Logs of the sortie sheet by name.
    recordings : mapping of str to Recording
        What each log holds, the preferred source of each channel first.
    aligned : mapping of str to Aligned
        How each clock lies.
    grid : ndarray, shape (n,)
        Even times on the sortie's time base [s].
    body : collection of str
        Logs beside the unit's that come from the same logger.
    placed : OnGrid, optional
        What was brought to this grid before: it is used again where a clock has not moved.

    Returns
    -------
    Gathered

    Notes
    -----
    Body rates, specific force and attitude come from the unit's logger alone: no other hangs there.
    Position, velocity, height and climb come from a satellite log first, engine channels from an engine log
    first, everything else from the unit's log first; then from any other log. A log whose source for a
    channel the sheet states comes before all. Of several logs of one role the one that covers more of the
    sortie (in steps of 5 %), measures rather than derives and samples faster comes first; the next ones fill
    its gaps and are compared with it.
    """
    out = Gathered()
    placed = placed or OnGrid(grid)
    present = [name for name in entries if aligned[name].found is not None]
    unit = [name for name in present if entries[name].role == "unit" or name in body]
    for channel in CHANNELS:
        if channel in ("velocity_east", "ground_speed", "track"):
            continue
        if channel == "velocity_north":
            offers = [o for name in present if (o := _velocity(entries, recordings, aligned, placed, name))]
            channels: tuple[str, ...] = _TOGETHER
        else:
            candidates = unit if channel in _UNIT_ONLY else present
            stated = [name for name in present if channel in entries[name].sources and name not in candidates]
            offers = [
                o
                for name in (*candidates, *stated)
                if (o := _offer(entries, recordings, aligned, placed, name, channel))
            ]
            channels = (channel,)
        if offers:
            _join(out, channels, sorted(offers, key=lambda o: o.rank), grid)
    if "velocity_north" in out.columns:
        north, east = out.columns["velocity_north"], out.columns["velocity_east"]
        out.columns["ground_speed"], out.columns["track"] = np.hypot(north, east), np.arctan2(east, north)
        for channel in ("ground_speed", "track"):
            out.sources[channel] = out.sources["velocity_north"]
    out.warnings += _one_after_another(entries, recordings, aligned, present)
    return out


def _rank(entry: LogEntry, channel: str, share: float, derived: bool, rate: float) -> tuple[float, ...]:
    """Return what offers are sorted by, the best lowest."""
    kind = "gps" if channel in (*_BY_GPS, *_TOGETHER) else "engine" if channel in _BY_ENGINE else "unit"
    return (
        float(channel not in entry.sources),
        float(_ORDER[kind].index(entry.role)),
        -round(20.0 * share),
        float(derived),
        -min(rate, _RATE_ENOUGH),
    )


def _offer(
    entries: Mapping[str, LogEntry],
    recordings: Mapping[str, Recording],
    aligned: Mapping[str, Aligned],
    placed: OnGrid,
    name: str,
    channel: str,
) -> _Offer | None:
    series = recordings[name].get(channel)
    if series is None or series.time.size < 2:
        return None
    values, how = placed.bring(aligned[name], series.time, series.values, angle=CHANNELS[channel].angle)
    known = np.isfinite(values)
    if known.sum() < 2:
        return None
    rank = _rank(entries[name], channel, float(known.mean()), series.derived, series.rate_hz)
    return _Offer(name, (values,), series.source, how, series.derived, rank)


def _velocity(
    entries: Mapping[str, LogEntry],
    recordings: Mapping[str, Recording],
    aligned: Mapping[str, Aligned],
    placed: OnGrid,
    name: str,
) -> _Offer | None:
    velocity = ground_velocity(recordings[name])
    if velocity is None:
        return None
    time, north, east, source = velocity
    v_north, how = placed.bring(aligned[name], time, north)
    v_east, _ = placed.bring(aligned[name], time, east)
    known = np.isfinite(v_north) & np.isfinite(v_east)
    if known.sum() < 2:
        return None
    derived = source.startswith("differences")
    rate = 1.0 / float(np.median(np.diff(time)))
    channel = next((c for c in _TOGETHER if c in entries[name].sources), _TOGETHER[0])
    rank = _rank(entries[name], channel, float(known.mean()), derived, rate)
    return _Offer(name, (v_north, v_east), source, how, derived, rank)


def _join(out: Gathered, channels: tuple[str, ...], offers: list[_Offer], grid: Array) -> None:
    """Take the best offer, fill its gaps from the next ones, and compare them where they overlap."""
    step = float(grid[1] - grid[0])
    best = offers[0]
    values = [v.copy() for v in best.values]
    angle = CHANNELS[channels[0]].angle
    words = f"{best.name}: {best.source} ({best.how})"
    for other in offers[1:]:
        have = np.isfinite(sum(values))
        theirs = np.isfinite(sum(other.values))
        both = have & theirs
        apart = 0.0
        if both.sum() * step >= _COMMON:
            apart = _apart(values, other.values, both, angle)
            words += _compared(out, channels, best, other, apart, float(both.sum() * step))
        fill = theirs & ~have
        if channels[0] in _UNIT_ONLY or longest(fill) * step < _SHORTEST_FILL:
            continue
        shift = apart if channels[0] == "height" else 0.0
        for mine, extra in zip(values, other.values, strict=True):
            mine[fill] = extra[fill] - shift
        words += f"; from {other.name}: {other.source} ({other.how}) for {fill.sum() * step:.0f} s"
        words += f", {-shift:+.1f} m to fit" if shift else ""
    for channel, one in zip(channels, values, strict=True):
        out.columns[channel] = one
        out.sources[channel] = words
        out.derived[channel] = best.derived


def longest(mask: NDArray[np.bool_]) -> int:
    """Return the length of the longest run of true samples.

    Examples
    --------
    >>> longest(np.array([True, False, True, True]))
    2
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return int(np.max(edges[1::2] - edges[::2])) if edges.size else 0


def _apart(ours: list[Array], theirs: tuple[Array, ...], both: NDArray[np.bool_], angle: bool) -> float:
    """Return the median of theirs less ours; of the size of the difference for vectors."""
    differences = [b[both] - a[both] for a, b in zip(ours, theirs, strict=True)]
    if angle:
        differences = [np.angle(np.exp(1j * d)) for d in differences]
    if len(differences) > 1:
        return float(np.median(np.hypot(*differences)))
    return float(np.median(differences[0]))


def _compared(
    out: Gathered, channels: tuple[str, ...], best: _Offer, other: _Offer, apart: float, common: float
) -> str:
    """Return words for the source, and tell a disagreement."""
    what = channels[0] if len(channels) == 1 else "velocity"
    limit = _TOLERANCE.get(what)
    if limit is None or best.derived != other.derived:
        return ""
    unit = CHANNELS[channels[0]].unit
    if abs(apart) <= limit:
        return f"; {other.name} agrees ({apart:+.2g} {unit})" if what not in ("latitude", "longitude") else ""
    size = f"{apart:+.3g} {unit}"
    if what in ("latitude", "longitude"):
        size = f"about {abs(apart) * 6.371e6:.0f} m"
    out.warnings.append(
        f"{other.name} and {best.name} disagree in {what}: {size} (median over {common:.0f} s); "
        f"{best.name} was used where both have it"
    )
    return ""


def _one_after_another(
    entries: Mapping[str, LogEntry],
    recordings: Mapping[str, Recording],
    aligned: Mapping[str, Aligned],
    present: list[str],
) -> list[str]:
    """Tell of logs of one role that follow each other, with the gap between them."""
    told = []
    for role in ("gps", "engine", "other"):
        spans = []
        for name in present:
            if entries[name].role == role and entries[name].same_clock_as is None:
                low, high = aligned[name].times(np.array(recordings[name].span))
                spans.append((float(low), float(high), name))
        spans.sort()
        for (_, end, first), (start, _, second) in pairwise(spans):
            if start >= end - 1.0:
                told.append(
                    f"{second} follows {first}: joined end to end, with nothing logged for "
                    f"{max(start - end, 0.0):.0f} s ({end:.0f} to {start:.0f} s)"
                )
    return told
