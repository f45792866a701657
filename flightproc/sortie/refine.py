"""Refine a clock offset: sideways acceleration that the unit felt against the turning of its track."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

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
_ROUNDS = 8
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
    heading : ndarray, shape (n,)
        Where the nose points, unwrapped [rad].
    """

    time: Array
    north: Array
    east: Array
    heading: Array


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
        Acceleration in the reference log.
    time, north, east : ndarray, shape (m,)
        The other log's clock [s] and its velocity through the air [m/s]; NaN in gaps.
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
    do: :math:`e = \Delta\mathbf v/\Delta t - \overline{\mathbf a}(o)` over more than 0.45 s, freed of what
    varies slower than 8 s, is regressed on :math:`\partial\overline{\mathbf a}/\partial o`, until the
    offset stands (Gauss and Newton). The change of the satellites' side serves as instrument, so that the
    noise of neither shrinks the steps. Uncertainty: jackknife over twelve parts of the common time, and the
    floor. From 10 minutes on a drift is fitted first, and kept above five standard uncertainties and 0.15 s;
    by the sideways part alone, against the normal of the air track, because a slowly turning heading
    passes for a drift in the components.
    """
    good = np.isfinite(time) & np.isfinite(north) & np.isfinite(east)
    t, v = time[good], np.stack([north[good], east[good]], axis=-1)
    hint = "state clock_offset_s for this log in the sortie sheet"
    what = "sideways acceleration and turn of the track"
    if t.size < 60:
        raise ClockError(f"{what} hold too little to align the clocks", found=f"{t.size} fixes", hint=hint)
    stride = max(1, int(np.ceil(_LEAST_STEP / float(np.median(np.diff(t))) - 1e-6)))
    t, v = t[::stride], v[::stride]
    step = np.diff(t)
    usable = (step > 0) & (step < max(_LONGEST_STEP, 0.0))
    middle = 0.5 * (t[1:] + t[:-1])
    pull = np.diff(v, axis=0) / np.maximum(step, 1e-3)[:, None]
    ahead = v[1:] + v[:-1]
    size = np.maximum(np.hypot(*ahead.T), 1.0)
    gained = (ahead[:, 0] * pull[:, 1] - ahead[:, 1] * pull[:, 0]) / size
    sideways = felt.east * np.cos(felt.heading) - felt.north * np.sin(felt.heading)
    fix_rate = 1.0 / float(np.median(step))

    def rough(x: Array, weight: Array) -> Array:
        return x - np.nan_to_num(smooth_both_ways(x, weight, fix_rate, _MEMORY)[0])

    def comparing(series: tuple[Array, ...], gains: tuple[Array, ...]) -> Callable[[OffsetFound], _Compared]:
        sums = [_integral(felt.time, a) for a in series]

        def compare(clock: OffsetFound) -> _Compared:
            on = clock.apply(t)
            inside = usable & (on[:-1] > felt.time[0]) & (on[1:] < felt.time[-1])
            inside &= np.diff(np.interp(on, felt.time, sums[0][1])) == 0
            weight = inside.astype(float)
            beside = np.convolve(~inside, [1, 1, 1], mode="same") == 0
            out = []
            for a, (total, _), gained in zip(series, sums, gains, strict=True):
                mean = np.diff(np.interp(on, felt.time, total)) / step
                slope = np.diff(np.interp(on, felt.time, np.nan_to_num(a))) / step
                seen = rough(gained, weight)
                tool = np.where(beside, np.gradient(seen, middle), 0.0)
                out.append((seen, rough(mean, weight), rough(slope, weight), tool))
            # fix by fix, so that parts of the flight stay parts
            flat = [np.stack(column, axis=-1).ravel() for column in zip(*out, strict=True)]
            return _Compared(np.repeat(inside, len(series)), *flat)

        return compare

    compare = comparing((sideways,), (gained,))
    both = comparing((felt.north, felt.east), (pull[:, 0], pull[:, 1]))
    now, share = start, both(start)
    overlap = float(np.sum(step[share.inside[::2]]))
    if overlap < 60.0:
        raise ClockError(f"{what} share too little time", found=f"{overlap:.0f} s", hint=hint)
    if overlap >= _DRIFT_SPAN:
        now, spread = _settled(now, compare, middle, drifting=True)
        reach = abs(now.drift) * overlap
        if not (abs(now.drift) > _DRIFT_SIGMAS * spread[1] and reach > _DRIFT_SMALLEST):
            now = replace(now, drift=0.0)
    else:
        now = replace(now, drift=0.0)
    now, spread = _settled(now, both, np.repeat(middle, 2), drifting=False)
    end = compare(now)  # sideways, where turns stand out
    correlation = float(np.corrcoef(end.seen[end.inside], end.told[end.inside])[0, 1])
    if not correlation >= _WEAKEST:
        raise ClockError(
            f"{what} agree too weakly to refine the clocks",
            found=f"correlation {correlation:.2f}",
            allowed=f"at least {_WEAKEST:.2f}",
            hint=hint,
        )
    moved, std = now.offset - start.at(now.epoch), float(spread[0])
    if abs(moved) > _REACH:
        raise ClockError(f"{what} do not settle near the offset", found=f"{moved:+.1f} s away", hint=hint)
    if not std <= _WORST_STD:
        raise ClockError(f"{what} do not settle on one offset", found=f"a spread of {std:.2f} s", hint=hint)
    return replace(now, std=float(np.hypot(std, floor)), correlation=correlation, rival=0.0, overlap=overlap)


@dataclass(frozen=True)
class _Compared:
    """Both sides of each pair of fixes at one offset."""

    inside: NDArray[np.bool_]
    seen: Array
    told: Array
    slope: Array  # of what the unit told, with the offset
    tool: Array  # the same from what the satellites saw


def _settled(
    start: OffsetFound, compare: Callable[[OffsetFound], _Compared], middle: Array, *, drifting: bool
) -> tuple[OffsetFound, Array]:
    """Return the offset (and drift) at which nothing is left to gain, and the jackknife's uncertainty."""
    now = start
    for turn in range(_ROUNDS):
        both = compare(now)
        inside = both.inside
        if inside.sum() < 40:
            break
        at = middle[inside]
        epoch = float(np.average(at, weights=both.tool[inside] ** 2 + 1e-12))
        now = replace(now, offset=now.at(epoch), epoch=epoch)
        age = (at - epoch) / max(float(np.ptp(at)), 1.0)
        columns = [np.ones(at.size), age] if drifting else [np.ones(at.size)]
        design = np.stack([both.slope[inside] * c for c in columns], axis=-1)
        tools = np.stack([both.tool[inside] * c for c in columns], axis=-1)
        rest = (both.seen - both.told)[inside]
        bounds = np.linspace(0, at.size, _PARTS + 1).astype(int)
        parts = [slice(a, b) for a, b in pairwise(bounds)]
        normal = np.stack([tools[p].T @ design[p] for p in parts])
        right = np.stack([tools[p].T @ rest[p] for p in parts])
        change = np.clip(np.linalg.solve(normal.sum(axis=0), right.sum(axis=0)), -0.4, 0.4)
        without = np.stack(
            [
                np.linalg.solve(normal.sum(axis=0) - n, right.sum(axis=0) - r)
                for n, r in zip(normal, right, strict=True)
            ]
        )
        spread = np.sqrt((_PARTS - 1) / _PARTS * np.sum((without - without.mean(axis=0)) ** 2, axis=0))
        drift = float(change[1]) / max(float(np.ptp(at)), 1.0) if drifting else 0.0
        now = replace(now, offset=now.offset + float(change[0]), drift=now.drift + drift)
        if float(np.max(np.abs(change))) < 1e-3 or turn == _ROUNDS - 1:
            spread[1:] /= max(float(np.ptp(at)), 1.0)
            return now, spread
    return now, np.full(2, np.inf)
