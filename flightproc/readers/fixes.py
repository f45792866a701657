"""What logs of satellite fixes share: times of day made continuous, strays, velocity from positions."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from .build import RecordingBuilder
from .geodesy import centred_rate, velocity_from_positions

__all__ = [
    "DAY",
    "add_derived_climb",
    "add_derived_velocity",
    "continuous_seconds",
    "derive_velocity",
    "feeds_of",
    "nearest_day",
    "speed_ratio",
    "strays",
]

Array = NDArray[np.float64]

DAY = 86_400.0
"""Seconds of a day."""

_BREAK = 10.0  # median steps without a fix that part two pieces of track
_STRAY_GAP = 3.0 * 3600.0  # s between a few fixes and all the others, from which the few are not believed
_STRAY_SHARE = 0.05  # of all fixes, at most
_FAST = 2.0  # m/s, median speed from which speeds can be compared
_BLOCK = 4_096  # positions turned into velocities at a time


def continuous_seconds(time_of_day: Array) -> Array:
    """Turn times of day into seconds that run on over midnight.

    A step back of more than half a day is midnight, a step ahead of more than half a day is midnight passed
    backwards; any smaller step is left as it is, since clocks are also set back by seconds.

    Parameters
    ----------
    time_of_day : ndarray, shape (n,)
        [s] since midnight, in the order of the file; NaN where there is none.

    Returns
    -------
    ndarray, shape (n,)
        [s] since the midnight before the first time.

    Examples
    --------
    >>> continuous_seconds(np.array([86398.0, 86399.0, 0.0, 1.0])).tolist()
    [86398.0, 86399.0, 86400.0, 86401.0]
    """
    out = np.array(time_of_day, dtype=np.float64)
    finite = np.isfinite(out)
    clean = out[finite]
    if clean.size > 1:
        step = np.diff(clean)
        days = np.cumsum((step < -DAY / 2).astype(np.int64) - (step > DAY / 2).astype(np.int64))
        clean[1:] += DAY * days
        out[finite] = clean
    return out


def nearest_day(time_of_day: Array, reference: Array) -> Array:
    """Return times of day moved by whole days to within half a day of a reference [s]."""
    return np.asarray(time_of_day + DAY * np.round((reference - time_of_day) / DAY))


def strays(time: Array) -> NDArray[np.bool_]:
    """Mark a few fixes at either end that a pause of hours parts from all the others.

    A recorder without a fix yet may stamp its first lines with any time of day.

    Parameters
    ----------
    time : ndarray, shape (n,)
        [s]; NaN where there is none.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for at most 5 % of the fixes at the start, and as many at the end.
    """
    out = np.zeros(time.size, dtype=bool)
    index = np.flatnonzero(np.isfinite(time))
    most = int(_STRAY_SHARE * index.size)
    if most == 0:
        return out
    far = np.abs(np.diff(time[index])) > _STRAY_GAP
    head = np.flatnonzero(far[:most])
    if head.size:
        out[index[: head[-1] + 1]] = True
    tail = np.flatnonzero(far[far.size - most :])
    if tail.size:
        out[index[far.size - most + tail[0] + 1 :]] = True
    return out


def _pieces(time: Array) -> list[slice]:
    """Return the unbroken pieces of a track."""
    if time.size < 2:
        return [slice(0, time.size)]
    limit = _BREAK * np.median(np.diff(time), overwrite_input=True)
    edges = [0, *(np.flatnonzero(np.diff(time) > limit) + 1).tolist(), time.size]
    return [slice(a, b) for a, b in itertools.pairwise(edges)]


def _blocks(index: NDArray[np.intp]) -> Iterator[tuple[NDArray[np.intp], slice]]:
    """Yield blocks of indices with a neighbour on each side, and which of the block are its own.

    A neighbour is all that a centred difference sees, so differences taken block by block leave no seam.
    """
    for low in range(0, index.size, _BLOCK):
        first = max(low - 1, 0)
        high = min(low + _BLOCK, index.size)
        yield index[first : high + 1], slice(low - first, high - first)


def derive_velocity(time: Array, latitude: Array, longitude: Array, height: Array) -> tuple[Array, Array]:
    """Return ground velocity north and east [m/s] from positions, within each unbroken piece of track.

    Parameters
    ----------
    time : ndarray, shape (n,)
        [s], strictly increasing.
    latitude, longitude : ndarray, shape (n,)
        [rad]; NaN where there is no position, and so no velocity.
    height : ndarray, shape (n,)
        [m]; NaN counts as 0.
    """
    north, east = np.full(time.size, np.nan), np.full(time.size, np.nan)
    known = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    for part in _pieces(time if known.size == time.size else time[known]):
        for at, mine in _blocks(known[part]):
            both = velocity_from_positions(time[at], latitude[at], longitude[at], height[at])
            north[at[mine]], east[at[mine]] = both[0][mine], both[1][mine]
    return north, east


def add_derived_velocity(
    builder: RecordingBuilder,
    time: Array,
    velocity: tuple[Array, Array],
    sources: tuple[str, str],
) -> None:
    """Add velocity from positions as a candidate, where there is any."""
    for channel, values, source in zip(("velocity_north", "velocity_east"), velocity, sources, strict=True):
        if np.isfinite(values).any():
            builder.add(channel, time, values, source, derived=True)


def add_derived_climb(builder: RecordingBuilder, time: Array, height: Array, source: str) -> None:
    """Add climb from a height [m] as a candidate, where there is any."""
    climb = np.full(time.size, np.nan)
    known = np.flatnonzero(np.isfinite(height))
    for part in _pieces(time if known.size == time.size else time[known]):
        for at, mine in _blocks(known[part]):
            climb[at[mine]] = centred_rate(time[at], height[at])[mine]
    if np.isfinite(climb).any():
        builder.add("climb", time, climb, source, derived=True)


def speed_ratio(speed: Array, other: Array) -> float:
    """Return the median ratio of two speeds where both move; NaN where they cannot be compared."""
    with np.errstate(invalid="ignore"):
        both = np.isfinite(speed) & np.isfinite(other) & (other > _FAST)
    if np.count_nonzero(both) < 20:
        return float("nan")
    return float(np.median(speed[both] / other[both]))


def feeds_of(builder: RecordingBuilder, field: str) -> str:
    """Return the channels that a raw field feeds, as :class:`~.recording.RawField` lists them."""
    return ", ".join(
        channel
        for channel, group in builder.channels.items()
        if any(field in re.split(r" and ", series.source) for series in group)
    )
