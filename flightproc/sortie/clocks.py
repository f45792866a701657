"""Find how far two logs' clocks lie apart, from what both of them saw."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..errors import ClockError

__all__ = ["OffsetFound", "find_offset"]

Array = NDArray[np.float64]

_COARSE_RATE = 2.0  # [Hz] of the search over the whole range
_FINE_STEP = 0.05  # [s] at most
_FINE_REACH = 3.0  # [s]
_EXCLUDE = 10.0  # [s] about the best peak within which a second peak is the same peak
_RIVAL = 0.65  # a second peak higher than this part of the best one makes it ambiguous
_WORST_STD = 0.7  # [s] beyond which an offset is not found but guessed
_PARABOLA = 0.6  # [s] to either side of the peak
_PARTS = 12
_NEAR = 1e-6  # periods within which two times are one
_PIECE = 8_192  # samples multiplied at once: of more, a library may make work for several threads
_DRIFT_SPAN = 600.0  # [s] of common time from which a drift is looked for
_DRIFT_SIGMAS = 5.0
_DRIFT_SMALLEST = 0.3  # [s] over the common time


@dataclass(frozen=True)
class OffsetFound:
    """An offset between two clocks.

    Attributes
    ----------
    offset : float
        What to add to the other log's time to get the reference log's time [s], at ``epoch``.
    std : float
        Standard uncertainty [s].
    correlation : float
        Correlation at the offset.
    rival : float
        Height of the next best peak as a part of the best.
    overlap : float
        Common time [s].
    drift : float
        Rate at which the offset grows [s/s]; 0 unless it was significant.
    epoch : float
        Time on the other log's clock at which ``offset`` holds [s].
    """

    offset: float
    std: float
    correlation: float
    rival: float
    overlap: float
    drift: float = 0.0
    epoch: float = 0.0

    def apply(self, time: Array) -> Array:
        """Return the other log's time on the reference clock [s]."""
        return np.asarray(time + self.offset + self.drift * (time - self.epoch), dtype=float)

    def at(self, time: float) -> float:
        """Return the offset at a time on the other log's clock [s]."""
        return self.offset + self.drift * (time - self.epoch)

    def inverse(self) -> OffsetFound:
        """Return what brings times of the reference clock to the other log's."""
        drift = 1.0 / (1.0 + self.drift) - 1.0
        return replace(self, offset=-self.offset, drift=drift, epoch=self.epoch + self.offset)

    def then(self, following: OffsetFound) -> OffsetFound:
        """Return this offset followed by another, from the reference's clock to a third.

        Examples
        --------
        >>> first = OffsetFound(10.0, 0.3, 1.0, 0.0, 60.0)
        >>> both = first.then(OffsetFound(5.0, 0.4, 1.0, 0.0, 60.0, drift=1e-3, epoch=20.0))
        >>> round(both.offset, 6), round(both.std, 6)
        (14.99, 0.5)
        """
        between = self.epoch + self.offset
        return replace(
            self,
            offset=self.offset + following.at(between),
            std=float(np.hypot(self.std, following.std)),
            correlation=min(self.correlation, following.correlation),
            overlap=min(self.overlap, following.overlap),
            drift=(1.0 + self.drift) * (1.0 + following.drift) - 1.0,
        )


def find_offset(
    reference_time: Array,
    reference: Array,
    other_time: Array,
    other: Array,
    *,
    what: str = "signals",
    degree: int = 1,
    floor: float = 0.03,
    minimum_overlap: float = 60.0,
    weakest: float = 0.5,
    search: tuple[float, float] | None = None,
) -> OffsetFound:
    r"""Find the clock offset at which two signals agree best.

    Parameters
    ----------
    reference_time, other_time : ndarray, shape (n,), (m,)
        Each log's own clock [s], even, 5 Hz or faster.
    reference, other : ndarray, shape (n,), (m,)
        The same thing seen by both, in any unit; NaN in gaps.
    what : str
        What is compared, for messages.
    degree : int
        1: the signals are proportional but for noise. Above: the reference is a polynomial of the other
        of that degree (vibration against rpm).
    floor : float
        Standard uncertainty that remains even with perfect agreement [s]: delays within the loggers.
    minimum_overlap : float
        Least common time [s]; never less than a tenth of the shorter signal.
    weakest : float
        Least correlation accepted.
    search : tuple of float, optional
        Bounds of the offset [s]; all offsets with overlap enough where it is not given.

    Returns
    -------
    OffsetFound

    Raises
    ------
    ClockError
        If the correlation is weak, another offset explains the signals nearly as well, parts of the flight do
        not agree on the offset, or the logs share too little time.

    Notes
    -----
    The search computes the correlation coefficient over the common samples for every offset on a 2 Hz grid
    with fast Fourier transforms, and takes the highest :math:`\mathrm{artanh}(r)\sqrt{n}`, so that a chance
    agreement over a short overlap does not win. About the peak the (multiple) correlation is computed in
    steps of at most 0.05 s and refined by a parabola. The uncertainty is the jackknife's over twelve parts
    of the common time, and the floor. From 20 minutes of common time on, the offsets of the parts are tested
    for a drift, which is kept above five standard uncertainties and 0.3 s.

    References
    ----------
    .. [1] D. Padfield, IEEE Transactions on Image Processing 21 (2012), 2706-2718 (correlation with gaps).
    .. [2] B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans, 1982, chapter 3.
    """
    reference_time, reference = _trimmed(reference_time, reference, what)
    other_time, other = _trimmed(other_time, other, what)
    coarse, rival = _search(reference_time, reference, other_time, other, what, minimum_overlap, search)
    fine = _fine_step(reference_time)
    reach = round(_FINE_REACH / fine)
    offsets: Array = coarse + fine * np.arange(-reach, reach + 1, dtype=float)
    moments, centres = _moments(reference_time, reference, other_time, other, offsets, degree)
    period = float(np.median(np.diff(reference_time)))
    overlap = float(moments[offsets.size // 2, :, 0, 0].sum() * period)
    correlation, offset = _peak(offsets, _multiple_r(moments.sum(axis=1)))
    if not correlation >= weakest:
        raise ClockError(
            f"{what} agree too weakly to align the clocks",
            found=f"correlation {correlation:.2f} at an offset of {offset:.1f} s",
            allowed=f"at least {weakest:.2f}",
            hint="state clock_offset_s for this log in the sortie sheet",
        )
    if rival > _RIVAL:
        raise ClockError(
            f"{what} agree nearly as well at another offset",
            found=f"second peak at {100 * rival:.0f} % of the best, which is at {offset:.1f} s",
            allowed=f"below {100 * _RIVAL:.0f} %",
            hint="state clock_offset_s for this log in the sortie sheet",
        )
    used = np.flatnonzero(moments[offsets.size // 2, :, 0, 0] > 0)
    total = moments.sum(axis=1)
    without = np.array([_peak(offsets, _multiple_r(total - moments[:, k]))[1] for k in used])
    jackknife = float(np.sqrt((used.size - 1) / used.size * np.sum((without - without.mean()) ** 2)))
    if not jackknife <= _WORST_STD:
        raise ClockError(
            f"{what} do not settle on one offset",
            found=f"a spread of {jackknife:.1f} s about {offset:.1f} s",
            allowed=f"at most {_WORST_STD:.1f} s",
            hint="state clock_offset_s for this log in the sortie sheet",
        )
    drift, epoch = 0.0, float(np.mean(centres)) - offset
    if overlap >= _DRIFT_SPAN:
        drift = _drift(offsets, moments, centres)
        if drift:
            parts = _moments(
                reference_time,
                reference,
                other_time + drift * (other_time - epoch),
                other,
                offsets,
                degree,
            )[0]
            correlation, offset = _peak(offsets, _multiple_r(parts.sum(axis=1)))
    return OffsetFound(offset, float(np.hypot(jackknife, floor)), correlation, rival, overlap, drift, epoch)


def _trimmed(time: Array, values: Array, what: str) -> tuple[Array, Array]:
    good = np.flatnonzero(np.isfinite(values))
    if good.size < 20 or float(np.std(values[good])) == 0.0:
        raise ClockError(
            f"{what} hold too little to align the clocks",
            found=f"{good.size} samples" if good.size < 20 else "a constant",
            hint="state clock_offset_s for this log in the sortie sheet",
        )
    inside = slice(int(good[0]), int(good[-1]) + 1)
    return time[inside], values[inside]


def _on_grid(time: Array, values: Array, rate: float) -> tuple[float, Array]:
    """Average onto a grid of ``rate``; cells without a finite sample are NaN."""
    cell = np.floor((time - time[0]) * rate + 1e-6).astype(np.int64)
    good = np.isfinite(values)
    size = int(cell[-1]) + 1
    count = np.bincount(cell[good], minlength=size)
    total = np.bincount(cell[good], weights=values[good], minlength=size)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return float(time[0] + 0.5 / rate), mean


def _search(
    reference_time: Array,
    reference: Array,
    other_time: Array,
    other: Array,
    what: str,
    minimum_overlap: float,
    search: tuple[float, float] | None,
) -> tuple[float, float]:
    """Return the best coarse offset and the part of it that the next peak reaches."""
    from scipy.fft import irfft, next_fast_len, rfft

    start_x, x = _on_grid(reference_time, reference, _COARSE_RATE)
    start_y, y = _on_grid(other_time, other, _COARSE_RATE)
    mask_x, mask_y = np.isfinite(x).astype(float), np.isfinite(y).astype(float)
    x = np.where(mask_x > 0, x - np.nanmean(x), 0.0) / np.nanstd(x)
    y = np.where(mask_y > 0, y - np.nanmean(y), 0.0) / np.nanstd(y)
    size = next_fast_len(x.size + y.size, real=True)

    def correlate(a: Array, b: Array) -> Array:
        full = irfft(rfft(a, size) * np.conj(rfft(b, size)), size)
        return np.asarray(np.concatenate([full[size - (y.size - 1) :], full[: x.size]]), dtype=float)

    n = np.rint(correlate(mask_x, mask_y))
    sx, sy = correlate(x, mask_y), correlate(mask_x, y)
    sxx, syy = correlate(x * x, mask_y), correlate(mask_x, y * y)
    sxy = correlate(x, y)
    lag = np.arange(-(y.size - 1), x.size)
    offsets = lag / _COARSE_RATE + start_x - start_y
    shorter = min(mask_x.sum(), mask_y.sum()) / _COARSE_RATE
    needed = min(max(minimum_overlap, 0.1 * shorter), 0.8 * shorter)
    allowed = n >= needed * _COARSE_RATE
    if search is not None:
        allowed &= (offsets >= search[0]) & (offsets <= search[1])
    if not allowed.any():
        raise ClockError(
            f"{what} of the two logs share too little time",
            found=f"{x.size / _COARSE_RATE:.0f} s and {y.size / _COARSE_RATE:.0f} s",
            allowed=f"at least {needed:.0f} s in common",
        )
    number = np.maximum(n, 1.0)
    # a stretch in which one signal stands still tells nothing: keep a tenth of the whole variance
    var_x = np.maximum(sxx - sx**2 / number, 0.1 * number)
    var_y = np.maximum(syy - sy**2 / number, 0.1 * number)
    r = np.clip((sxy - sx * sy / number) / np.sqrt(var_x * var_y), -0.9999, 0.9999)
    score = np.where(allowed, np.arctanh(r) * np.sqrt(number), -np.inf)
    best = int(np.argmax(score))
    reach = int(_EXCLUDE * _COARSE_RATE)
    away = score.copy()
    away[max(0, best - reach) : best + reach + 1] = -np.inf
    peak = (score > np.roll(score, 1)) & (score >= np.roll(score, -1))
    second = float(np.max(away[peak])) if np.isfinite(away[peak]).any() else 0.0
    top = float(score[best])
    return float(offsets[best]), max(second, 0.0) / top if top > 0 else 1.0


def _fine_step(reference_time: Array) -> float:
    """Return the fine step [s]: the reference's sampling period, or a whole part of it."""
    period = float(reference_time[-1] - reference_time[0]) / (reference_time.size - 1)
    return period / float(np.ceil(period / _FINE_STEP - 1e-6))


def _moments(
    reference_time: Array,
    reference: Array,
    other_time: Array,
    other: Array,
    offsets: Array,
    degree: int,
) -> tuple[Array, Array]:
    """Return sums of products of (1, y .. y^degree, x) for each offset and part, and the parts' centres."""
    grid, x = reference_time, reference
    low = max(grid[0], other_time[0] + offsets[0])
    high = min(grid[-1], other_time[-1] + offsets[-1])
    inside = (grid >= low) & (grid <= high)
    grid, x = grid[inside], x[inside]
    centre, spread = float(np.nanmean(other)), float(np.nanstd(other))
    scaled = np.clip((other - centre) / spread, -4.0, 4.0)
    x = (x - np.nanmean(x)) / max(float(np.nanstd(x)), 1e-30)
    bounds = -(-np.arange(_PARTS + 1) * grid.size // _PARTS)
    # all that any offset asks of the other signal lies on one lattice, as fine as the offsets are
    fine = float(offsets[-1] - offsets[0]) / (offsets.size - 1)
    stride = max(1, round(float(np.mean(np.diff(grid))) / fine)) if grid.size > 1 else 1
    lattice = grid[:1] - offsets[-1] + fine * np.arange(stride * (grid.size - 1) + offsets.size)
    known = np.isfinite(scaled)
    y = np.interp(lattice, other_time[known], scaled[known])
    # at a sample beside a gap or an end, the last bit of a time must not decide whether it counts
    there = np.interp(lattice, other_time, (~known).astype(float)) < _NEAR
    slack = _NEAR * float(np.mean(np.diff(other_time)))
    there &= (lattice > other_time[0] - slack) & (lattice < other_time[-1] + slack)
    powers = [there.astype(float)]
    for _ in range(2 * degree):
        powers.append(powers[-1] * y)
    seen = np.isfinite(x)
    ours = [seen.astype(float)]
    for _ in range(2):
        ours.append(ours[-1] * np.where(seen, x, 0.0))
    moments = np.zeros((offsets.size, _PARTS, degree + 2, degree + 2))
    for k in range(_PARTS):
        part = slice(bounds[k], bounds[k + 1])

        def summed(mine: int, theirs: int, part: slice = part) -> Array:
            return _products(ours[mine][part], powers[theirs][stride * part.start :], stride, offsets.size)

        if part.stop > part.start:
            squares = [summed(0, power) for power in range(2 * degree + 1)]
            for p in range(degree + 1):
                for q in range(degree + 1):
                    moments[:, k, p, q] = squares[p + q]
                moments[:, k, p, -1] = moments[:, k, -1, p] = summed(1, p)
            moments[:, k, -1, -1] = summed(2, 0)
    centres = np.array([float(grid[a:b].mean()) if b > a else np.nan for a, b in pairwise(bounds)])
    return moments, centres


def _products(ours: Array, theirs: Array, stride: int, count: int) -> Array:
    """Return sums of products for each offset, from the least: the last place of the lattice first."""
    out = np.zeros(count)
    for phase in range(stride):
        places = np.arange(phase, count, stride)
        used = np.ascontiguousarray(theirs[phase::stride][: ours.size + places.size - 1])
        for start in range(0, ours.size, _PIECE):
            piece = ours[start : start + _PIECE]
            near = used[start : start + piece.size + places.size - 1]
            out[places] += np.correlate(near, piece, mode="valid")
    return out[::-1]


def _multiple_r(moments: Array) -> Array:
    """Return the signed multiple correlation of the last column with the others, for each matrix."""
    n = moments[:, 0, 0]
    mean = moments[:, 0, :] / np.maximum(n, 1.0)[:, None]
    covariance = moments / np.maximum(n, 1.0)[:, None, None] - mean[:, :, None] * mean[:, None, :]
    inner, cross = covariance[:, 1:-1, 1:-1], covariance[:, 1:-1, -1]
    variance = covariance[:, -1, -1]
    width = inner.shape[1]
    ridge = 1e-9 * np.trace(inner, axis1=1, axis2=2)[:, None, None] * np.eye(width) + 1e-15 * np.eye(width)
    solved = np.linalg.solve(inner + ridge, cross[:, :, None])[:, :, 0]
    ratio = np.einsum("ij,ij->i", solved, cross) / np.maximum(variance, 1e-30)
    sign = np.sign(cross[:, 0]) if width == 1 else 1.0
    return np.asarray(sign * np.sqrt(np.clip(ratio, 0.0, 1.0)), dtype=float)


def _peak(offsets: Array, r: Array) -> tuple[float, float]:
    """Return the highest correlation and its offset, by a parabola over 0.6 s to either side."""
    best = int(np.argmax(r))
    reach = round(_PARABOLA / float(offsets[1] - offsets[0]))
    low, high = max(0, best - reach), min(r.size, best + reach + 1)
    shift = offsets[low:high] - offsets[best]
    a, b, _ = np.polyfit(shift, r[low:high], 2)
    if a >= 0:
        return float(r[best]), float(offsets[best])
    return float(r[best]), float(offsets[best] + np.clip(-b / (2 * a), shift[0], shift[-1]))


def _drift(offsets: Array, moments: Array, centres: Array) -> float:
    """Return the drift of the offset over the parts of the common time [s/s]; 0 where insignificant."""
    from ..statistics.fit import huber

    found, when = [], []
    for k in range(_PARTS):
        if moments[0, k, 0, 0] < 10:
            continue
        r, offset = _peak(offsets, _multiple_r(moments[:, k]))
        if r >= 0.5 and offsets[0] + _PARABOLA < offset < offsets[-1] - _PARABOLA:
            found.append(offset)
            when.append(float(centres[k]))
    if len(found) < 6:
        return 0.0
    age = np.array(when) - float(np.mean(when))
    line = huber(np.column_stack([np.ones_like(age), age]), found)
    slope, std = float(line.coefficients[1]), float(line.std[1])
    total = abs(slope) * float(np.ptp(age))
    return slope if abs(slope) > _DRIFT_SIGMAS * std and total > _DRIFT_SMALLEST else 0.0
