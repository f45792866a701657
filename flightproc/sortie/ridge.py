"""Engine speed from the spectral lines that engine and propeller leave in sound or vibration."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..readers.recording import Waveform
from .spectrum import Spectra, line_evidence, window_length, without_skirts

__all__ = ["EngineOrders", "RpmTrack", "Stretch", "engine_orders", "track_rpm"]

Array = NDArray[np.float64]

_FRAME = 0.1  # [s] between frames
_STEP = {False: 20.0, True: 10.0}  # [1/min] between states, for sound and for low rates
_SLEW = {False: 6000.0, True: 2000.0}  # [1/min/s] at most
_EASY = 400.0  # [1/min/s] a change of this rate costs one unit of log-likelihood a frame
_SWITCH = 8.0  # cost of beginning or ending to hear the engine
_NEUTRAL_LOW = {True: 3.0, False: 15.0}  # [Hz] below which swinging (IMU) or wind (sound) rule
_ALIASED_BELOW = 400.0  # [Hz] sampling rate below which lines are looked for folded, too
_LEAST = 30.0  # log-likelihood ratio of a stretch against noise
_LEAST_RATE = {False: 1.0, True: 3.0}  # the same per second, for sound and for low rates
_RIVAL = 12.0  # by how much the evidence of the best branch must beat the next
_RIVAL_PART = {False: 0.12, True: 0.16}  # the same as a part of its own
_NEAR = 0.04  # relative distance in rpm within which a path is the same branch
_CALM = 300.0  # [1/min/s] below which an engine is steady
_CALM_TIME = 4.0  # [s] for which it must be, once in a stretch
_LEAP = 1500.0  # [1/min/s] beyond which the branch is judged anew
_PIECE = 1.0  # [s] of a part between such changes below which it is nothing
_PROPELLER = (15.0, 0.02)  # evidence for lines of the propeller: in all, and as a part of all
_HIDDEN = -0.6  # evidence of an expected line that cannot be seen
_COLLIDE = 2.0  # [1/window] between two lines that disturb each other
_WORST = 0.006  # relative standard uncertainty beyond which a speed is not given
_SMEAR = 0.05  # of the change within a window that is uncertain
_PART = 3600.0  # [s] followed at a time
_FINE = 41  # trial speeds about the path


@dataclass(frozen=True)
class EngineOrders:
    """Lines that an engine and its propeller can leave, in multiples of the crankshaft's turns.

    Attributes
    ----------
    firing, propeller : tuple of float
        Multiples of the firing frequency; of the blade-pass frequency and of the propeller's own turns.
    """

    firing: tuple[float, ...]
    propeller: tuple[float, ...]


def engine_orders(
    gear_ratio: float, blades: int, firing_per_rev: float = 1.0, *, aliased: bool = False
) -> EngineOrders:
    """Return the orders of an engine with a gearbox and a propeller.

    Parameters
    ----------
    gear_ratio : float
        Engine revolutions per propeller revolution.
    blades : int
        Number of blades.
    firing_per_rev : float
        Power strokes a crankshaft revolution: 1 for a two-stroke single, 2 for a two-stroke twin that fires
        in turn, 0.5 for a four-stroke single.
    aliased : bool
        Whether the sampling rate lies below what the lines need: then only the strongest are used, as each
        further one could be anywhere.

    Examples
    --------
    >>> engine_orders(2.5, 2, aliased=True)
    EngineOrders(firing=(1.0, 2.0), propeller=(0.8, 1.6, 0.4))
    """
    firing, blade = (2, 2) if aliased else (8, 6)
    passing = blades / gear_ratio
    propeller = [round(k * passing, 9) for k in range(1, blade + 1)]
    if aliased and blades > 1:
        propeller.append(round(1.0 / gear_ratio, 9))
    strokes = tuple(round(k * firing_per_rev, 9) for k in range(1, firing + 1))
    return EngineOrders(strokes, tuple(p for p in propeller if p not in strokes))


@dataclass(frozen=True)
class Stretch:
    """A stretch in which an engine was heard, or seemed to be.

    Attributes
    ----------
    start, end : float
        On the recording's clock [s].
    rpm : float
        Median engine speed [1/min].
    evidence : float
        Log-likelihood ratio of the lines against noise.
    rival : float
        The same for the best other branch.
    rival_rpm : float
        Median speed of that branch [1/min].
    refused : str
        Why it was turned down; empty where it was kept.
    """

    start: float
    end: float
    rpm: float
    evidence: float
    rival: float
    rival_rpm: float
    refused: str = ""


@dataclass(frozen=True)
class RpmTrack:
    """Engine speed over time.

    Attributes
    ----------
    time : ndarray, shape (n,)
        [s], even.
    rpm : ndarray, shape (n,)
        Engine speed [1/min]; NaN where no engine was heard.
    std : ndarray, shape (n,)
        Standard uncertainty [1/min].
    level : ndarray, shape (n,)
        Of the signal above the lowest frequency looked at, in parts of its high level; NaN without samples.
    stretches : tuple of Stretch
        What was found, and what of it was turned down.
    """

    time: Array
    rpm: Array
    std: Array
    level: Array
    stretches: tuple[Stretch, ...]

    @property
    def found(self) -> bool:
        """Whether an engine was heard at all."""
        return bool(np.isfinite(self.rpm).any())


def track_rpm(
    waveforms: Sequence[Waveform],
    gear_ratio: float,
    blades: int,
    firing_per_rev: float = 1.0,
    *,
    low: float = 1200.0,
    high: float = 10_500.0,
) -> RpmTrack:
    r"""Follow the engine's speed through sound or vibration.

    Parameters
    ----------
    waveforms : sequence of Waveform
        Tracks or axes of one recorder, of one rate.
    gear_ratio : float
        Engine revolutions per propeller revolution.
    blades : int
        Number of blades.
    firing_per_rev : float
        Power strokes a crankshaft revolution.
    low, high : float
        Engine speeds between which to look [1/min].

    Returns
    -------
    RpmTrack

    Notes
    -----
    The path of highest log-likelihood ratio against noise is found by dynamic programming [1]_ over speed and
    "no engine". Evidence for a speed is the sum of :func:`~flightproc.sortie.spectrum.line_evidence` over the
    lines it would leave, each folded by the sampling rate, :math:`f_s`: a line at f is seen at
    :math:`|f - f_s\,\mathrm{round}(f/f_s)|`. Lines that fall together count once, and at low rates a line
    counts at its own frequency only, not over the width of the window's lobe. A change of speed costs one
    unit per frame for each 400 rpm/s, less beyond, and more than 6000 rpm/s (2000 at low rates, whose long
    windows could not follow) is impossible. Frames overlap, so that their evidence is scaled to independent
    ones.

    A stretch is refused where its evidence is below 30, or below 1 a second (3 at low rates), where its speed
    is never steady for 4 s, as that of a voice, and where no line of a propeller goes with any of the
    stretches. Within a stretch, each hold (between changes of more than 1500 rpm/s) is refused where another
    branch, 4 % or more away all along, such as an alias or a multiple, has nearly as much evidence.

    Within the path, speed is where the summed power of the lines over noise peaks, which for several lines in
    Gaussian noise is the maximum-likelihood estimate; the curvature there gives the standard uncertainty
    (the Cramer-Rao bound, [2]_), widened for the window and for change within it, with a floor.

    References
    ----------
    .. [1] A. J. Viterbi, IEEE Transactions on Information Theory 13 (1967), 260-269.
    .. [2] D. C. Rife, R. R. Boorstyn, IEEE Transactions on Information Theory 20 (1974), 591-598.
    """
    first = min(w.start for w in waveforms)
    last = max(w.end for w in waveforms)
    if last - first > _PART + window_length(waveforms[0].rate):  # so that memory is bounded
        parts = [
            track_rpm(piece, gear_ratio, blades, firing_per_rev, low=low, high=high)
            for piece in _pieces(waveforms, first, last)
        ]
        return _joined(parts)
    times = np.asarray(first + np.arange(int((last - first) / _FRAME + 1e-6) + 1) * _FRAME, dtype=float)
    rate = float(np.median([w.rate for w in waveforms]))
    aliased = rate < _ALIASED_BELOW
    window = window_length(rate)
    spectra = [Spectra(w, times, window, _NEUTRAL_LOW[aliased]) for w in waveforms]
    orders = engine_orders(gear_ratio, blades, firing_per_rev, aliased=aliased)
    speeds = np.asarray(np.arange(low, high + _STEP[aliased], _STEP[aliased]), dtype=float)
    evidence = _evidence(spectra, orders, speeds, window)
    step, span = _STEP[aliased], int(_SLEW[aliased] * _FRAME / _STEP[aliased])
    path = _viterbi(evidence, step, span)
    heard = np.where(path >= 0, speeds[np.maximum(path, 0)], np.nan)
    propeller = _propeller_evidence(spectra, orders, heard, window)
    stretches, voiced = _judge(evidence, path, speeds, span, times, window, propeller)
    rpm = np.where(voiced, heard, np.nan)
    rpm, std = _refine(spectra, orders, rpm, heard, window)
    return RpmTrack(times, rpm, std, _level(spectra), tuple(stretches))


def _pieces(waveforms: Sequence[Waveform], first: float, last: float) -> Iterator[list[Waveform]]:
    """Cut waveforms into pieces that follow each other; each ends a frame before the next begins."""
    count = int(np.ceil((last - first) / _PART))
    for k in range(count):
        start, end = first + k * _PART, first + (k + 1) * _PART - _FRAME
        piece = []
        for w in waveforms:
            low = max(0, int(np.ceil((start - w.start) * w.rate - 1e-6)))
            high = min(w.samples.size, int(np.floor((end - w.start) * w.rate + 1e-6)) + 1)
            if high - low > 1:
                piece.append(replace(w, start=w.start + low / w.rate, samples=w.samples[low:high]))
        if piece:
            yield piece


def _joined(parts: Sequence[RpmTrack]) -> RpmTrack:
    return RpmTrack(
        np.concatenate([p.time for p in parts]),
        np.concatenate([p.rpm for p in parts]),
        np.concatenate([p.std for p in parts]),
        np.concatenate([p.level for p in parts]),
        tuple(s for p in parts for s in p.stretches),
    )


def _level(spectra: Sequence[Spectra]) -> Array:
    """Return the level over all axes, each in parts of its own high level; NaN without samples."""
    total, count = np.zeros(spectra[0].good.size), np.zeros(spectra[0].good.size)
    for one in spectra:
        high = float(np.nanquantile(one.level, 0.9)) if one.good.any() else 0.0
        if high > 0:
            total += np.where(one.good, (one.level / high) ** 2, 0.0)
            count += one.good
    return np.asarray(np.where(count > 0, np.sqrt(total / np.maximum(count, 1)), np.nan), dtype=float)


def _lines(one: Spectra, orders: EngineOrders, speeds: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Return bins of each order at each speed, shape (orders, speeds), and which can be seen."""
    multiples = np.array([*orders.firing, *orders.propeller])
    hertz = multiples[:, None] * speeds[None, :] / 60.0
    bins = one.bins(hertz)
    seen = (bins >= one.first) & (bins <= one.size - 1)
    if one.rate >= _ALIASED_BELOW:  # filtered before it was thinned: nothing folds
        seen &= hertz < 0.4 * one.rate
    return bins, seen


def _evidence(spectra: Sequence[Spectra], orders: EngineOrders, speeds: Array, window: float) -> Array:
    """Return the log-likelihood ratio of each speed in each frame, shape (frames, speeds)."""
    from scipy.sparse import csr_array

    total: NDArray[Any] = np.zeros((spectra[0].good.size, speeds.size), dtype=np.float32)
    expected = np.zeros(len(orders.firing) + len(orders.propeller), dtype=bool)
    # an engine always fires; its propeller may stand still at idle, and then a row of firing lines must not
    # pass for one of blade lines. At low rates little else tells aliases apart than the first line of both.
    expected[:2] = True
    if spectra[0].rate < _ALIASED_BELOW:
        expected[1] = False
        expected[len(orders.firing) : len(orders.firing) + 1] = True
    for one in spectra:
        bins, seen = _lines(one, orders, speeds)
        lobe = 1.5 * one.padded / one.length
        apart = np.abs(bins[:, None, :] - bins[None, :, :]) < lobe
        shared = np.maximum((apart & seen[None, :, :]).sum(axis=1), 1)
        hidden = _HIDDEN * (expected[:, None] & ~seen).sum(axis=0)
        maps = []
        for kind in (True, False):
            used = seen & (expected == kind)[:, None]
            rows = np.rint(bins).astype(int)[used]
            columns = np.broadcast_to(np.arange(speeds.size), bins.shape)[used]
            shape = (one.size, speeds.size)
            maps.append((kind, csr_array(((1.0 / shared)[used], (rows, columns)), shape=shape).T.tocsr()))
        for frames in one.chunks():
            power = one.whitened(frames)
            if one.rate < _ALIASED_BELOW:
                power = without_skirts(power)
            for kind, weights in maps:
                total[frames] += (weights @ line_evidence(power, expected=kind).T).T
            # a line that hides at zero frequency is no line
            total[frames] += np.where(one.good[frames, None], hidden, 0.0)
    # axes share noise, and frames overlap
    total *= np.float32(_FRAME / (0.5 * window) / np.sqrt(len(spectra)))
    return total


def _cost(moved: Array) -> Array:
    """Return the cost of moving in one frame [1/min]."""
    rate = np.abs(moved) / _FRAME
    return np.asarray(np.minimum(rate / _EASY, 3.0 + rate / (10.0 * _EASY)), dtype=float)


def _viterbi(evidence: Array, step: float, span: int, *, forced: bool = False) -> NDArray[np.int64]:
    """Return the best path: number of the state in each frame, -1 for no engine (unless forced)."""
    frames, states = evidence.shape
    cost = _cost(np.asarray(np.arange(-span, span + 1) * step, dtype=float))
    back = np.zeros((frames, states), dtype=np.int16)
    entered = np.zeros(frames, dtype=np.int32)  # the state from which silence was entered, -1: it went on
    score = evidence[0].astype(np.float64) - (0.0 if forced else _SWITCH)
    quiet = -np.inf if forced else 0.0
    entered[0] = -1
    padded = np.full(states + 2 * span, -np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * span + 1)
    rows = np.arange(states)
    for k in range(1, frames):
        padded[span : span + states] = score
        trial = windows - cost
        pick = trial.argmax(axis=1)
        best = trial[rows, pick]
        back[k] = pick - span
        top = int(score.argmax())
        into_quiet = score[top] - _SWITCH
        if not forced:
            start = quiet - _SWITCH
            fresh = start > best
            best = np.where(fresh, start, best)
            back[k][fresh] = np.iinfo(np.int16).max
            entered[k] = top if into_quiet > quiet else -1
            quiet = max(quiet, into_quiet)
        score = best + evidence[k]
    path = np.empty(frames, dtype=np.int64)
    state = -1 if quiet > score.max() else int(score.argmax())
    for k in range(frames - 1, -1, -1):
        path[k] = state
        if k == 0:
            break
        if state < 0:
            state = int(entered[k])
        elif back[k, state] == np.iinfo(np.int16).max:
            state = -1
        else:
            state += int(back[k, state])
    return path


def _worth(evidence: Array, path: NDArray[np.int64], step: float) -> float:
    """Return the score of a path without silence."""
    cost = _cost(np.diff(path) * step).sum()
    return float(evidence[np.arange(path.size), path].sum(dtype=np.float64) - cost)


def _propeller_evidence(spectra: Sequence[Spectra], orders: EngineOrders, rpm: Array, window: float) -> Array:
    """Return evidence for lines of the propeller apart from the firing's, in each frame; NaN without any."""
    firing, propeller = np.array(orders.firing), np.array(orders.propeller)
    out = np.zeros(rpm.size)
    if not np.any(propeller < firing[-1]):  # blades pass as the engine fires: nothing tells them apart
        return np.full(rpm.size, np.nan)
    for one in spectra:
        for frames in one.chunks():
            frames = frames[np.isfinite(rpm[frames])]
            if not frames.size:
                continue
            turns = rpm[frames] / 60.0
            bins = one.bins(propeller[:, None] * turns)
            others = one.bins(firing[:, None] * turns)
            lobe = _COLLIDE * one.padded / one.length
            apart = (np.abs(bins[:, None, :] - others[None, :, :]) > lobe).all(axis=1)
            apart &= (bins >= one.first) & (bins <= one.size - 1)
            if one.rate >= _ALIASED_BELOW:
                apart &= propeller[:, None] * turns < 0.4 * one.rate
            power = one.whitened(frames)
            place = np.clip(np.rint(bins).astype(int), 0, one.size - 1)
            value = line_evidence(power[np.arange(frames.size)[None, :], place])
            out[frames] += (value * apart).sum(axis=0)
    return np.asarray(out * (_FRAME / (0.5 * window) / np.sqrt(len(spectra))), dtype=float)


def _calm(rpm: Array) -> float:
    """Return the longest time [s] over which a path changes by less than 300 rpm/s, over half a second."""
    if rpm.size < 10:
        return 0.0
    slow = np.convolve(rpm, np.ones(5) / 5, mode="valid")
    rate = np.abs(slow[5:] - slow[:-5]) / (5 * _FRAME)
    edges = np.flatnonzero(np.concatenate([[True], rate >= _CALM, [True]]))
    return float(np.max(np.diff(edges)) - 1) * _FRAME


def _judge(
    evidence: Array,
    path: NDArray[np.int64],
    speeds: Array,
    span: int,
    times: Array,
    window: float,
    propeller: Array,
) -> tuple[list[Stretch], NDArray[np.bool_]]:
    """Decide stretch by stretch whether it is an engine, and hold by hold which branch."""
    voiced = np.zeros(path.size, dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], path >= 0, [False]]).astype(int)))
    bounds = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    step = float(speeds[1] - speeds[0])
    least = _LEAST_RATE[step == _STEP[True]]
    whole = [_worth(evidence[a:b], path[a:b], step) for a, b in bounds]
    refusals = [
        _not_an_engine(speeds[path[a:b]], worth, least) for (a, b), worth in zip(bounds, whole, strict=True)
    ]
    turned = max(
        (
            float(propeller[a:b].sum())
            for (a, b), worth, no in zip(bounds, whole, refusals, strict=True)
            if not no and propeller[a:b].sum() > _PROPELLER[1] * worth
        ),
        default=0.0,
    )
    trim = round(0.5 * window / _FRAME)
    out = []
    for (first, end), worth, refused in zip(bounds, whole, refusals, strict=True):
        own = speeds[path[first:end]]
        if not refused and np.isfinite(propeller).all() and turned < _PROPELLER[0]:
            refused = "no line of a propeller goes with it: this may be a hum, or another engine"
        if refused:
            out.append(
                Stretch(float(times[first]), float(times[end - 1]), float(np.median(own)), worth, 0.0,
                        float("nan"), refused)
            )  # fmt: skip
            continue
        for a, b in _holds(own):
            if b - a < _PIECE / _FRAME:
                continue
            part = _branch(evidence[first + a : first + b], path[first + a : first + b], speeds, span, window)
            refused = part[3]
            # at its ends the window reaches into what is something else
            low = first + a + (trim if first + a > 0 else 0)
            high = first + b - (trim if first + b < path.size else 0)
            voiced[low : max(low, high)] = not refused
            out.append(
                Stretch(float(times[first + a]), float(times[first + b - 1]), float(np.median(own[a:b])),
                        *part)
            )  # fmt: skip
    return out, voiced


def _not_an_engine(rpm: Array, worth: float, least: float) -> str:
    """Return why a stretch is none of an engine, or nothing."""
    seconds = rpm.size * _FRAME
    if seconds < _CALM_TIME:
        return f"it lasts only {seconds:.1f} s"
    if worth < _LEAST or worth < least * seconds:
        return "the lines are hardly stronger than noise"
    calm = _calm(rpm)
    if calm < _CALM_TIME:
        return f"its pitch is never steady for more than {calm:.1f} s: a voice does that, an engine does not"
    return ""


def _holds(rpm: Array) -> list[tuple[int, int]]:
    """Split a path where it moves so fast that a line may have been lost and another one found."""
    fast = np.abs(np.diff(rpm, prepend=rpm[0])) / _FRAME > _LEAP
    cuts = np.flatnonzero(fast)
    ends = [0, *cuts.tolist(), rpm.size]
    return [(a, b) for a, b in pairwise(ends) if b > a]


def _branch(
    evidence: Array, path: NDArray[np.int64], speeds: Array, span: int, window: float
) -> tuple[float, float, float, str]:
    """Compare a path with the best one that stays away from it.

    Returns its evidence, that of the other, the other's median speed and why it is refused.
    """
    own = speeds[path]
    step = float(speeds[1] - speeds[0])
    worth = _worth(evidence, path, step)
    near = np.maximum(_NEAR * own, 60.0 * _COLLIDE / window)
    other = np.where(np.abs(speeds[None, :] - own[:, None]) < near[:, None], np.float32(-7.0), evidence)
    rival_path = _viterbi(other, step, span, forced=True)
    rival = _worth(other, rival_path, step)
    rival_rpm = float(np.median(speeds[rival_path]))
    part = _RIVAL_PART[step == _STEP[True]]
    refused = ""
    if worth - rival < max(_RIVAL, part * worth):
        refused = (
            f"{np.median(own):.0f} and {rival_rpm:.0f} rpm explain the lines about equally well "
            f"(log-likelihood {worth:.0f} and {rival:.0f})"
        )
    return worth, rival, rival_rpm, refused


def _refine(
    spectra: Sequence[Spectra], orders: EngineOrders, rpm: Array, heard: Array, window: float
) -> tuple[Array, Array]:
    """Return engine speed between the states, and its standard uncertainty.

    ``heard`` is the path before any of it was refused: what happens beside a stretch counts in it.
    """
    reach = max(30.0, 25.0 / window)
    shift = np.linspace(-reach, reach, _FINE)
    multiples = np.array([*orders.firing, *orders.propeller])
    firing = np.arange(multiples.size) < len(orders.firing)
    sums = {name: np.zeros((rpm.size, _FINE)) for name in ("firing", "clear", "all")}
    for one in spectra:
        for frames in one.chunks():
            frames = frames[np.isfinite(rpm[frames])]
            if not frames.size:
                continue
            power = one.whitened(frames)
            trial = rpm[frames, None] + shift
            hertz = multiples[:, None, None] * trial / 60.0
            bins = one.bins(hertz)
            seen = (bins >= one.first) & (bins <= one.size - 2)
            if one.rate >= _ALIASED_BELOW:
                seen &= hertz < 0.4 * one.rate
            bins = np.clip(bins, 0, one.size - 2)
            low = bins.astype(np.int64)
            row = np.arange(frames.size)[None, :, None]
            value = power[row, low] * (1 - (bins - low)) + power[row, low + 1] * (bins - low)
            value *= seen.all(axis=2, keepdims=True)
            middle = bins[:, :, _FINE // 2]
            apart = np.abs(middle[:, None, :] - middle[None, :, :]) * one.length / one.padded
            harmonic = np.isclose(multiples[:, None], multiples[None, :])[:, :, None]
            clear = np.all((apart > _COLLIDE) | harmonic, axis=1)
            sums["all"][frames] += value.sum(axis=0)
            sums["clear"][frames] += (value * clear[:, :, None]).sum(axis=0)
            sums["firing"][frames] += (value * (clear & firing[:, None])[:, :, None]).sum(axis=0)
    return _peaks(sums, shift, rpm, heard, window, len(spectra))


def _peaks(
    sums: dict[str, Array], shift: Array, rpm: Array, heard: Array, window: float, count: int
) -> tuple[Array, Array]:
    from scipy.ndimage import maximum_filter1d

    step = float(shift[1] - shift[0])
    best = np.full(rpm.size, np.nan)
    std = np.full(rpm.size, np.nan)
    # clear firing lines first, for a belt may slip; then whatever there is
    for name, extra in (("all", 4e-3), ("clear", 1.5e-3), ("firing", 3e-4)):
        total = sums[name]
        place = total.argmax(axis=1)
        inner = np.clip(place, 1, total.shape[1] - 2)
        row = np.arange(rpm.size)
        left, mid, right = (total[row, inner + d] for d in (-1, 0, 1))
        bend = 2.0 * mid - left - right
        good = np.isfinite(rpm) & (place == inner) & (bend > 0) & (mid > 12.0 * np.sqrt(count))
        with np.errstate(divide="ignore", invalid="ignore"):
            move = 0.5 * (right - left) / bend
            wide = 1.5 * step / np.sqrt(bend)
        best = np.where(good, rpm + (inner - len(shift) // 2 + move) * step, best)
        std = np.where(good, np.hypot(wide, extra * rpm), std)
    # what changes within the window is smeared, and a lost line leaves its neighbours in doubt
    held = np.where(np.isfinite(best), best, heard)
    slew = np.zeros(rpm.size)
    slew[1:] = np.abs(np.diff(held)) / _FRAME
    slew = maximum_filter1d(np.where(np.isfinite(slew), slew, 0.0), 2 * round(0.5 * window / _FRAME) + 1)
    std = np.hypot(std, _SMEAR * window * slew)
    good = np.isfinite(best) & (std <= _WORST * best)
    return np.where(good, best, np.nan), np.where(good, std, np.nan)
