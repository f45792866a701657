"""The vehicle's own clock, and where on it a frame without a time of its own belongs.

A telemetry log holds two clocks: the receiving device's, which stamps every frame as it arrives, and the
vehicle's, which most messages carry. Radio and buffers delay the first by tenths of a second, unevenly, so
the vehicle's is used where there is one; what the two differ by, smoothed, places the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["VehicleClock", "build_clock"]

Array = NDArray[np.float64]
Places = NDArray[np.int64]

_BLOCK = 64  # boot times whose middle is the measure of the others
_FEW = 8  # boot times at the end that make a block of their own
_REACH = 10.0  # s, how far a time may lie from its neighbours in the file
_BACK = 2.0  # s, how far the boot time must fall back for a restart
_AROUND = 15  # boot times on either side that must agree on a restart
_STEP = 1.0  # s, change of lead from block to block that no drift explains
_DELAY = 0.05  # share of the frames that are taken for the least delayed


@dataclass(frozen=True)
class VehicleClock:
    """How receive stamps and boot times map to the recording's own clock.

    Attributes
    ----------
    stamps : ndarray, shape (n,)
        Receive stamps of the vehicle's frames [s], counted from some stamp of the log.
    place : ndarray, shape (m,)
        Frame in the middle of each block.
    middle, span : ndarray, shape (m,)
        Own time of each block, and what all but its strays span [s].
    lead_place, lead : ndarray, shape (l,)
        How far the stamps run ahead of the own time [s], and at which frames.
    restarts : ndarray of int64, shape (k,)
        First frames after a restart of the vehicle.
    shifts : ndarray, shape (k + 1,)
        What to add to boot times before, between and after the restarts [s].
    stamp_of_zero : float
        Stamp at own time 0 of the frames with the least delay [s].
    has_boot_time : bool
        False where no message carries boot time, and the stamps are the clock.
    """

    stamps: Array
    place: Array
    middle: Array
    span: Array
    lead_place: Array
    lead: Array
    restarts: Places
    shifts: Array
    stamp_of_zero: float
    has_boot_time: bool

    def from_stamps(self, frames: Places) -> Array:
        """Return the own time of frames from their receive stamps [s]; NaN where a stamp is not credible."""
        time = self.stamps[frames] - np.interp(frames, self.lead_place, self.lead)
        return self.credible(frames, time)

    def from_boot(self, frames: Places, boot: Array) -> Array:
        """Return the own time of frames from the boot times they carry [s]; NaN where one is not credible."""
        times = np.searchsorted(self.restarts, frames, side="right")
        time = self.credible(frames, boot + self.shifts[times])
        if not self.restarts.size:
            return time
        # The first frames after a restart may come before the one by which it was noticed.
        after = boot + self.shifts[np.minimum(times + 1, self.restarts.size)]
        return np.where(np.isnan(time), self.credible(frames, after), time)

    def credible(self, frames: Places, time: Array) -> Array:
        """Return times with those set to NaN that lie far from their neighbours in the file."""
        middle = np.interp(frames, self.place, self.middle)
        reach = _REACH + np.interp(frames, self.place, self.span)
        step = np.diff(self.middle)
        if step.size:  # a pause parts a block from the next: times on either side of it are credible
            gap = np.clip(np.searchsorted(self.place, frames) - 1, 0, step.size - 1)
            reach = reach + np.abs(step[gap])
        with np.errstate(invalid="ignore"):
            return np.where(np.abs(time - middle) <= reach, time, np.nan)


def _find_restarts(boot: Array) -> Places:
    """Return the places in a row of boot times at which they begin anew."""
    drops = np.flatnonzero(np.diff(boot) < -_BACK)
    if not drops.size or boot.size < 4:
        return np.empty(0, dtype=np.int64)
    around = np.arange(_AROUND)
    before = np.median(boot[np.maximum(drops[:, None] - around, 0)], axis=1)
    behind = np.median(boot[np.minimum(drops[:, None] + 1 + around, boot.size - 1)], axis=1)
    drops = drops[behind < before - _BACK]
    if drops.size:  # a stray among them shows the same fall again a frame or two on
        drops = drops[np.append(True, np.diff(drops) > _AROUND)]
    return np.asarray(drops + 1, dtype=np.int64)


def build_clock(stamps: Array, frames: Places, boot: Array) -> VehicleClock:
    """Build the clock of a vehicle.

    Parameters
    ----------
    stamps : ndarray, shape (n,)
        Receive stamps of all its frames in file order [s].
    frames : ndarray of int64, shape (m,)
        Those of them that carry boot time.
    boot : ndarray, shape (m,)
        Boot time [s].

    Notes
    -----
    After a restart of the vehicle boot times begin anew; the stamps tell how long it was away.
    """
    has_boot_time = frames.size > 0
    if not has_boot_time:
        frames, boot = np.arange(stamps.size), stamps
    restarts = _find_restarts(boot) if has_boot_time else np.empty(0, dtype=np.int64)
    edges = np.concatenate([[0], restarts, [boot.size]]).astype(np.int64)
    lead = stamps[frames] - boot
    shifts = np.zeros(edges.size - 1)
    for k, (a, b) in enumerate(pairwise(edges[1:].tolist())):  # b is where the run after the restart ends
        before = lead[max(int(edges[k]), a - _BLOCK) : a]
        shifts[k + 1] = shifts[k] + np.median(lead[a : min(b, a + _BLOCK)]) - np.median(before)
    own = boot + np.repeat(shifts, np.diff(edges))
    lead = stamps[frames] - own
    place, low, middle, high = _blocks(frames.astype(np.float64), own)
    lead_place, usual = place, np.zeros(place.size)
    if has_boot_time:
        lead_place, usual = _split_steps(
            stamps, frames, lead, place, _blocks(frames.astype(np.float64), lead)[2]
        )
    return VehicleClock(
        stamps=stamps,
        place=place,
        middle=middle,
        span=high - low,
        lead_place=lead_place,
        lead=usual,
        restarts=frames[restarts],
        shifts=shifts,
        stamp_of_zero=float(np.quantile(lead, _DELAY)),
        has_boot_time=has_boot_time,
    )


def _blocks(place: Array, values: Array) -> tuple[Array, Array, Array, Array]:
    """Return mean place, and lower, middle and upper value, of each block of a row of values."""
    whole = values.size // _BLOCK * _BLOCK
    rest = slice(whole, values.size)
    parts = [np.sort(values[:whole].reshape(-1, _BLOCK), axis=1)] if whole else []
    places = [place[:whole].reshape(-1, _BLOCK).mean(axis=1)] if whole else []
    if values.size - whole >= _FEW or not whole:
        parts.append(np.sort(values[rest])[None, :])
        places.append(place[rest].mean(keepdims=True))
    low, middle, high = (
        np.concatenate([part[:, int(share * (part.shape[1] - 1))] for part in parts])
        for share in (0.1, 0.5, 0.9)
    )
    return np.concatenate(places), low, middle, high


def _split_steps(
    stamps: Array, frames: Places, lead: Array, place: Array, usual: Array
) -> tuple[Array, Array]:
    """Let the usual lead jump, not slope, where the clock of the listening device was set anew.

    Parameters
    ----------
    stamps : ndarray, shape (n,)
        Receive stamps of all frames [s].
    frames : ndarray of int64, shape (m,)
        Frames that carry boot time.
    lead : ndarray, shape (m,)
        How far the stamps run ahead of the own time at each [s].
    place, usual : ndarray, shape (k,)
        Middle of each block of frames, and its median lead [s].
    """
    places, values = [place], [usual]
    for k in np.flatnonzero(np.abs(np.diff(usual)) > _STEP).tolist():
        rows = slice(k * _BLOCK, (k + 2) * _BLOCK)
        later = np.abs(lead[rows] - usual[k + 1]) < np.abs(lead[rows] - usual[k])
        # The split that leaves the fewest frames on the wrong side of it.
        wrong = np.cumsum(np.append(0, np.where(later, 1, -1)))
        at = rows.start + int(np.argmin(wrong))
        if 0 < at < frames.size:
            between = stamps[frames[at - 1] : frames[at] + 1]  # the step is where the stamps jump most
            jump = int(frames[at - 1]) + int(np.argmax(np.abs(np.diff(between))))
            places.append(np.array([jump, jump + 1], dtype=np.float64))
            values.append(usual[k : k + 2])
    where = np.concatenate(places)
    order = np.argsort(where, kind="stable")
    return where[order], np.concatenate(values)[order]
