"""Stretches between changes: engine speed, turns flown, ballast, take-off and landing, and log gaps."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..sortie.model import Sortie
from .changes import merge_levels, segment_levels
from .model import BallastWindow, Rejected, SearchSettings
from .signals import block_means, boxcar, filled, in_spans, mask_edges, runs

__all__ = ["Proposal", "propose_stretches", "turn_channel"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_RPM_STEP = 80.0  # smallest change of engine speed that ends a hold [1/min]
_RPM_STEP_RATIO = 0.015  # the same relative to engine speed
_TURN_EVENT = np.radians(20.0)  # heading change that makes a fast turn a turn and not a gust [rad]
_TURN_SMOOTH = 4.0  # smoothing of turn rate when looking for turns [s]
_TURN_MARGIN = 1.5  # left out before a turn, which the smoothing sees late [s]
_TURN_TAIL = 6.0  # last part of a turn in which a throttle or ballast change ends it [s]
_TURN_TAIL_RATIO = 0.6  # turn rate then, relative to the turn's greatest
_TRACK_SMOOTH = 2.0  # smoothing of a turn rate had from heading or track [s]
_LAG = 5  # longest run-up of the engine from one level to the next [s]
_AROUND_GAP = 3.0  # length of engine speed looked at on both sides of a gap [s]
_SHORTEST_STRETCH = 3.0  # what is shorter is not told [s]


@dataclass(frozen=True)
class Proposal:
    """Stretches to be judged.

    Attributes
    ----------
    stretches : tuple of (float, float)
        Bounds [s], settling included.
    rejected : tuple of Rejected
        What was turned down on the way.
    idle : float
        Engine speed up to which no power reaches the propeller [1/min].
    rpm : ndarray, shape (n,)
        Engine speed with its gaps bridged [1/min].
    """

    stretches: tuple[tuple[float, float], ...]
    rejected: tuple[Rejected, ...]
    idle: float
    rpm: Array


def propose_stretches(sortie: Sortie, settings: SearchSettings, ballast: Sequence[BallastWindow]) -> Proposal:
    """Return the stretches between changes.

    Parameters
    ----------
    sortie : Sortie
        Needs ``rpm``.
    settings : SearchSettings
        What counts as a hold.
    ballast : sequence of BallastWindow
        Ballast carried.

    Notes
    -----
    A throttle or ballast change in the last seconds of a turn, when its rate has fallen, ends it: what turn
    is left then decays within the settling time.
    """
    time, rate = sortie.time, sortie.rate
    measured = sortie.column("rpm")
    assert measured is not None
    rpm = _bridged(sortie, measured)
    airborne = in_spans(time, sortie.airborne) if sortie.airborne else np.ones(len(time), dtype=bool)
    changes = set(_rpm_changes(rpm, rate))
    for window in ballast:
        changes |= {int(np.searchsorted(time, window.start)), int(np.searchsorted(time, window.end))}
    turn = turn_channel(sortie)
    turning = np.zeros(len(time), dtype=bool)
    if turn is not None:
        turn = filled(turn)
        turning = _turns(turn, rate, settings.straight_limit, sorted(changes))
    edges = {0, len(time)} | changes | set(mask_edges(airborne)) | set(mask_edges(turning))
    idle = settings.idle_rpm if settings.idle_rpm is not None else _idle_limit(rpm[airborne])
    rejected: list[Rejected] = []
    stretches: list[tuple[float, float]] = []
    for first, last in itertools.pairwise(sorted(e for e in edges if 0 <= e <= len(time))):
        start, end = float(time[first]), float(time[last - 1])
        if end - start < _SHORTEST_STRETCH:
            continue
        if not airborne[first:last].mean() > 0.9:
            rejected.append(Rejected(start, end, "on_ground", "not in flight"))
        elif turn is not None and turning[first:last].mean() > 0.5:
            smooth = boxcar(turn[first:last], round(_TURN_SMOOTH * rate))
            peak = np.degrees(smooth[int(np.argmax(np.abs(smooth)))])
            limit = np.degrees(settings.straight_limit)
            words = (
                f"turns at up to {peak:+.1f} deg/s, beyond the straight-flight limit of {limit:.1f} deg/s: "
                "taken for a turn flown by the pilot"
            )
            rejected.append(Rejected(start, end, "turning", words))
        else:
            stretches.append((start, end))
    return Proposal(tuple(stretches), tuple(rejected), idle, rpm)


def turn_channel(sortie: Sortie) -> Array | None:
    """Return the turn rate, or the next best thing that was logged, shape (n,) [rad/s]; None without any.

    Parameters
    ----------
    sortie : Sortie
        Its ``turn_rate``, else ``yaw_rate``, else the change of ``heading`` or ``track`` is taken.
    """
    for name in ("turn_rate", "yaw_rate"):
        column = sortie.column(name)
        if column is not None and np.isfinite(column).any():
            return column
    for name in ("heading", "track"):
        column = sortie.column(name)
        if column is None:
            continue
        good = np.isfinite(column)
        if good.sum() < 10:
            continue
        index = np.arange(len(column))
        course = np.interp(index, index[good], np.unwrap(column[good]))
        return boxcar(np.gradient(course) * sortie.rate, round(_TRACK_SMOOTH * sortie.rate))
    return None


def _bridged(sortie: Sortie, rpm: Array) -> Array:
    """Return engine speed with its gaps bridged, and a change within a gap set to where it shows.

    A change of thrust pitches the unit, so the specific force along it steps with the throttle.
    """
    out = filled(rpm)
    rate = sortie.rate
    force = sortie.column("specific_force_x")
    reach = max(1, round(_AROUND_GAP * rate))
    for first, last in runs(~np.isfinite(rpm)):
        if first == 0 or last == len(rpm):
            continue
        left, right = rpm[max(0, first - reach) : first], rpm[last : last + reach]
        before, after = float(np.nanmean(left)), float(np.nanmean(right))
        step = max(_RPM_STEP, _RPM_STEP_RATIO * max(before, after))
        if abs(after - before) <= step:
            continue
        where = (first + last) // 2
        if abs(left[-1] - before) > step:  # the throttle had just been moved
            where, before = first, after
        elif abs(right[0] - after) > step:
            where, after = last, before
        elif force is not None and np.isfinite(force[first:last]).mean() > 0.9:
            where = first + _step_within(filled(force[first:last]), rate)
        out[first:where], out[where:last] = before, after
    return out


def _step_within(values: Array, rate: float) -> int:
    """Return the index at which one step explains a series best, to a second."""
    block = max(1, round(rate))
    coarse = block_means(values, block)
    n = len(coarse)
    if n < 2:
        return len(values) // 2
    total = np.concatenate([[0.0], np.cumsum(coarse - coarse.mean())])
    cut = np.arange(1, n)
    fall = total[cut] ** 2 * n / (cut * (n - cut))
    return int(cut[int(np.argmax(fall))]) * block


def _rpm_changes(rpm: Array, rate: float) -> list[int]:
    """Return grid indices at which engine speed changes level."""
    block = max(1, round(rate))
    coarse = block_means(rpm, block)
    n = len(coarse)
    if n < 10:
        return []
    scatter = 1.4826 * float(np.median(np.abs(np.diff(coarse)))) / np.sqrt(2.0)
    penalty = max(12.0 * scatter**2 * np.log(n), 5.0 * _RPM_STEP**2 / 4.0)
    bounds = segment_levels(coarse, penalty=penalty, min_size=4)
    level = float(np.median(coarse[coarse > 0.2 * coarse.max()])) if coarse.max() > 0 else 0.0
    bounds = merge_levels(coarse, bounds, max(_RPM_STEP, _RPM_STEP_RATIO * level))
    return [b * block for b in _without_lags(coarse, bounds)]


def _without_lags(coarse: Array, bounds: Sequence[int]) -> list[int]:
    """Drop the end of each short piece in which the engine only runs up or down to its next level."""
    levels = [float(np.median(coarse[a:b])) for a, b in itertools.pairwise(bounds)]
    kept = list(bounds)
    for i in range(1, len(levels) - 1):
        before, during, after = (
            bounds[i] - bounds[i - 1],
            bounds[i + 1] - bounds[i],
            bounds[i + 2] - bounds[i + 1],
        )
        between = min(levels[i - 1], levels[i + 1]) < levels[i] < max(levels[i - 1], levels[i + 1])
        if during <= _LAG and between and min(before, after) > 2 * _LAG:
            kept.remove(bounds[i + 1])
    return kept


def _turns(turn: Array, rate: float, limit: float, changes: Sequence[int]) -> Mask:
    """Return where the pilot flew a turn: fast, and through more heading than a gust would give."""
    smooth = boxcar(turn, round(_TURN_SMOOTH * rate))
    margin, tail = round(_TURN_MARGIN * rate), round(_TURN_TAIL * rate)
    out = np.zeros(len(turn), dtype=bool)
    for first, last in runs(np.abs(smooth) > limit):
        if abs(float(np.sum(turn[first:last]))) / rate <= _TURN_EVENT:
            continue
        peak = float(np.abs(smooth[first:last]).max())
        inside = [c for c in changes if max(first + 1, last - tail) <= c < last]
        ends = [c for c in inside if abs(float(smooth[c])) < _TURN_TAIL_RATIO * peak]
        out[max(0, first - margin) : ends[-1] if ends else last] = True
    return out


def _idle_limit(rpm: Array) -> float:
    """Return an engine speed between the glides and the lowest power flown [1/min]."""
    top = float(np.quantile(rpm, 0.95)) if rpm.size else 0.0
    return 0.45 * top
