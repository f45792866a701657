"""Refine a clock offset: what the accelerometer felt against the change of ground velocity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import ClockError
from .clocks import OffsetFound
from .strapdown import smooth_both_ways

__all__ = ["Felt", "refine_offset"]

Array = NDArray[np.float64]

_MEMORY = 8.0  # [s] slower accelerations are left out: attitude took them from the satellites
_LEAST_STEP = 0.45  # [s] between the velocities that are differenced
_LONGEST_STEP = 3.0  # [s]
_PARTS = 12
_ROUNDS = 6
_REACH = 1.5  # [s] from where the refinement starts
_WEAKEST = 0.6
_WORST_STD = 0.3  # [s]
_DRIFT_SPAN = 600.0  # [s]
_DRIFT_SIGMAS = 5.0
_DRIFT_SMALLEST = 0.15  # [s] over the common time


@dataclass(frozen=True)
class Felt:
    """Horizontal acceleration that a log's inertial sensor felt.

    Attributes
    ----------
    time : ndarray, shape (n,)
        On that log's own clock [s], even.
    north, east : ndarray, shape (n,)
        Acceleration [m/s^2]; NaN in gaps.
    """

    time: Array
    north: Array
    east: Array


def _integral(time: Array, values: Array) -> tuple[Array, Array]:
    """Return the running integral and the running count of gaps."""
    gap = ~np.isfinite(values)
    flat = np.where(gap, 0.0, values)
    total = np.concatenate([[0.0], np.cumsum(0.5 * (flat[1:] + flat[:-1]) * np.diff(time))])
    return total, np.cumsum(gap).astype(float)


def refine_offset(
    felt: Felt, time: Array, north: Array, east: Array, start: OffsetFound, *, floor: float = 0.03
) -> OffsetFound:
    r"""Refine a clock offset by the accelerations of turning, starting and stopping.

    Parameters
    ----------
    felt : Felt
        Horizontal acceleration of the reference log.
    time, north, east : ndarray, shape (m,)
        The other log's clock [s] and its ground velocity [m/s]; NaN in gaps.
    start : OffsetFound
        Where to begin, right within about a second.
    floor : float
        Standard uncertainty that remains [s].

    Returns
    -------
    OffsetFound

    Raises
    ------
    ClockError
        If too little is in common, the two agree weakly, or the offset runs away.

    Notes
    -----
    Between two fixes the velocity changes by the integral of the acceleration, whatever sideslip and gusts
    do. Differences :math:`e = \Delta v/\Delta t - \overline a(o)` over more than 0.45 s are freed of what
    varies slower than 8 s and regressed on :math:`\partial\overline a/\partial o`, until the offset
    stands (Gauss and Newton). Uncertainty: jackknife over twelve parts of the common time, and the floor.
    From 10 minutes on a drift is fitted, and kept above five standard uncertainties and 0.15 s.
    """
    good = np.isfinite(time) & np.isfinite(north) & np.isfinite(east)
    t, v = time[good], np.stack([north[good], east[good]], axis=-1)
    hint = "state clock_offset_s for this log in the sortie sheet"
    what = "felt acceleration and change of velocity"
    if t.size < 60:
        raise ClockError(f"{what} hold too little to align the clocks", found=f"{t.size} fixes", hint=hint)
    stride = max(1, int(np.ceil(_LEAST_STEP / float(np.median(np.diff(t))) - 1e-6)))
    t, v = t[::stride], v[::stride]
    step = np.diff(t)
    usable = (step > 0) & (step < max(_LONGEST_STEP, 0.0))
    middle = 0.5 * (t[1:] + t[:-1])
    gained = np.diff(v, axis=0) / np.maximum(step, 1e-3)[:, None]
    series = (felt.north, felt.east)
    sums = [_integral(felt.time, a) for a in series]
    flat = [np.nan_to_num(a) for a in series]
    fix_rate = 1.0 / float(np.median(step))

    def rough(x: Array, weight: Array) -> Array:
        return x - np.nan_to_num(smooth_both_ways(x, weight, fix_rate, _MEMORY)[0])

    def compare(clock: OffsetFound) -> tuple[Array, Array, Array, Array]:
        on = clock.apply(t)
        inside = usable & (on[:-1] > felt.time[0]) & (on[1:] < felt.time[-1])
        for _, gaps in sums:
            inside &= np.diff(np.interp(on, felt.time, gaps)) == 0
        weight = inside.astype(float)
        mean = np.stack([np.diff(np.interp(on, felt.time, s)) for s, _ in sums], axis=-1) / step[:, None]
        slope = np.stack([np.diff(np.interp(on, felt.time, a)) for a in flat], axis=-1) / step[:, None]
        return inside, rough(gained, weight), rough(mean, weight), rough(slope, weight)

    found, moved = start, 0.0
    for _ in range(_ROUNDS):
        inside, seen, told, slope = compare(found)
        if inside.sum() * step[inside].mean() < 60.0 if inside.any() else True:
            raise ClockError(f"{what} share too little time", found=f"{int(inside.sum())} fixes", hint=hint)
        change = float(np.sum((slope * (seen - told))[inside]) / np.sum(slope[inside] ** 2))
        change = float(np.clip(change, -0.4, 0.4))
        moved += change
        found = OffsetFound(
            found.offset + change, found.std, found.correlation, 0.0, found.overlap, found.drift, found.epoch
        )
        if abs(change) < 1e-3:
            break
    inside, seen, told, slope = compare(found)
    correlation = float(np.corrcoef(seen[inside].ravel(), told[inside].ravel())[0, 1])
    if not correlation >= _WEAKEST:
        raise ClockError(
            f"{what} agree too weakly to refine the clocks",
            found=f"correlation {correlation:.2f}",
            allowed=f"at least {_WEAKEST:.2f}",
            hint=hint,
        )
    if abs(moved) > _REACH:
        raise ClockError(f"{what} do not settle near the offset", found=f"{moved:+.1f} s away", hint=hint)
    at, slope, rest = middle[inside], slope[inside], (seen - told)[inside]
    epoch = float(np.average(at, weights=np.sum(slope**2, axis=-1)))
    age = at - epoch
    part = np.arange(at.size) * _PARTS // at.size
    offset = found.offset + found.drift * (epoch - found.epoch)
    normal = np.zeros((_PARTS, 2, 2))
    right = np.zeros((_PARTS, 2))
    for k in range(_PARTS):
        own = part == k
        design = np.stack([slope[own], slope[own] * age[own, None]], axis=-1).reshape(-1, 2)
        normal[k], right[k] = design.T @ design, design.T @ rest[own].ravel()
    overlap = float(np.ptp(at))
    drift = 0.0
    both = np.array(
        [np.linalg.solve(normal.sum(0) - n, right.sum(0) - r) for n, r in zip(normal, right, strict=True)]
    )
    whole = np.linalg.solve(normal.sum(0), right.sum(0))
    spread = np.sqrt((_PARTS - 1) / _PARTS * np.sum((both - both.mean(axis=0)) ** 2, axis=0))
    rate = found.drift + float(whole[1])
    significant = abs(rate) > _DRIFT_SIGMAS * spread[1] and abs(rate) * overlap > _DRIFT_SMALLEST
    if overlap >= _DRIFT_SPAN and significant:
        drift, offset, std = rate, offset + float(whole[0]), float(spread[0])
    else:
        first, single = right[:, 0], normal[:, 0, 0]
        # with no drift left in, the residual holds what the start's drift took out
        first = first + found.drift * normal[:, 0, 1]
        alone = (first.sum() - first) / (single.sum() - single)
        offset += float(first.sum() / single.sum())
        std = float(np.sqrt((_PARTS - 1) / _PARTS * np.sum((alone - alone.mean()) ** 2)))
    if not std <= _WORST_STD:
        raise ClockError(f"{what} do not settle on one offset", found=f"a spread of {std:.2f} s", hint=hint)
    return OffsetFound(offset, float(np.hypot(std, floor)), correlation, 0.0, overlap, drift, epoch)
