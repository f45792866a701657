"""Attitude through any manoeuvre: gyros in the short run, satellite velocity in the long run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY

__all__ = ["Strapdown", "integrate_rates", "rates_of", "smooth_both_ways", "strapdown_attitude"]

Array = NDArray[np.float64]
Triple = tuple[Array, Array, Array]

_TILT_MEMORY = 10.0  # [s] below it the gyros count, beyond it the change of velocity
_HEADING_MEMORY = 60.0  # [s] between gyros and what tells the heading
_TRACK_WEIGHT = 0.03  # of the air track as heading, against an acceleration of 1 m/s^2 seen by both
_QUICK = 1.0  # [s] over which accelerations are averaged before they tell the heading
_ROUNDS = 4
_LEAST_SHARE = 1e-6  # below it a smoothed value counts as not known
_LEAST_WEIGHT = 0.2  # share of the memory that must hold satellite velocity


@dataclass(frozen=True)
class Strapdown:
    """Attitude of the body against true gravity and north.

    Attributes
    ----------
    bank, pitch, heading : ndarray, shape (n,)
        [rad]; heading unwrapped; NaN where neither gyros nor velocities carry it.
    acceleration_north, acceleration_east : ndarray, shape (n,)
        Horizontal acceleration that the accelerometer tells with this attitude [m/s^2].
    """

    bank: Array
    pitch: Array
    heading: Array
    acceleration_north: Array
    acceleration_east: Array


def smooth_both_ways(x: Array, weight: Array, rate: float, memory: float) -> tuple[Array, Array]:
    """Smooth a series with a two-sided exponential, which moves nothing in time.

    Parameters
    ----------
    x : ndarray, shape (n,) or (n, m)
        Series; where its weight is 0 it may hold anything.
    weight : ndarray, shape (n,)
        Weight of each sample, 0 or more.
    rate : float
        Sampling rate [Hz].
    memory : float
        Time constant to either side [s].

    Returns
    -------
    smooth : ndarray, shape of ``x``
        NaN where no weight lies near.
    share : ndarray, shape (n,)
        Weight that each value rests on; 1 in the middle of samples of weight 1.

    Notes
    -----
    It is the steady smoother of a random walk seen through white noise [1]_.

    References
    ----------
    .. [1] J. F. Muth, Journal of the American Statistical Association 55 (1960), 299-306.

    Examples
    --------
    >>> smooth, share = smooth_both_ways(np.array([0.0, 9.0, 0.0]), np.array([1.0, 0.0, 1.0]), 1.0, 2.0)
    >>> smooth.tolist()
    [0.0, 0.0, 0.0]
    """
    rows = np.where(weight > 0, weight * x.T, 0.0).reshape(-1, weight.size)
    total = _two_sided(rows, rate, memory).reshape(x.T.shape).T
    share = _two_sided(weight[None], rate, memory)[0]
    wide_share = share.reshape(-1, *([1] * (x.ndim - 1)))
    return np.where(wide_share > _LEAST_SHARE, total / np.maximum(wide_share, 1e-12), np.nan), share


def _two_sided(rows: Array, rate: float, memory: float) -> Array:
    r"""Convolve each row, shape (m, n), with the two-sided exponential of unit sum.

    With :math:`k = e^{-1/(f\tau)}` the matrix :math:`k^{|i-j|}` is the inverse of a tridiagonal one [1]_,
    whose factors are known: bidiagonal with -k, and :math:`1, ..., 1, 1 - k^2`. So it takes one sweep ahead
    and one back.

    References
    ----------
    .. [1] G. B. Rybicki, W. H. Press, Physical Review Letters 74 (1995), 1060-1063.
    """
    from scipy.linalg.lapack import dpttrs

    n = rows.shape[1]
    keep = float(np.exp(-1.0 / (rate * memory)))
    if n < 2:
        return np.asarray(rows * ((1.0 - keep) / (1.0 + keep)), dtype=float)
    last = np.ones(n)
    last[-1] = 1.0 - keep**2
    scaled = np.multiply(rows, (1.0 - keep) ** 2, order="C")
    smooth, _ = dpttrs(last, np.full(n - 1, -keep), scaled.T, overwrite_b=True)
    return np.asarray(smooth.T, dtype=float)


def _multiply(a: Array, b: Array) -> Array:
    """Multiply quaternions, scalar first, shape (4, ...)."""
    aw, ax, ay, az = a
    bw, bx, by, bz = b
    return np.stack(
        [
            aw * bw - ax * bx - ay * by - az * bz,
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
        ]
    )


def _multiply_level(p: tuple[Array, ...], q: Array) -> Array:
    """Multiply quaternions without a part about the vertical, (c, a, b), by others."""
    c, a, b = p
    w, x, y, z = q
    return np.stack(
        [c * w - a * x - b * y, c * x + a * w + b * z, c * y - a * z + b * w, c * z + a * y - b * x]
    )


def _multiply_upright(c: Array, d: Array, q: Array) -> Array:
    """Multiply quaternions about the vertical, (c, 0, 0, d), by others."""
    w, x, y, z = q
    return np.stack([c * w - d * z, c * x - d * y, c * y + d * x, c * z + d * w])


def _of_vector(*v: Array) -> tuple[Array, ...]:
    """Return quaternions of rotation vectors [rad], component by component."""
    half = 0.5 * np.sqrt(sum(x * x for x in v))
    scale = 0.5 * np.sin(half) / half if half.all() else 0.5 * np.sinc(half / np.pi)
    return np.cos(half), *(scale * x for x in v)


def _of_angles(bank: Array, pitch: Array, heading: Array) -> Array:
    cr, cp, cy = np.cos(0.5 * bank), np.cos(0.5 * pitch), np.cos(0.5 * heading)
    sr, sp, sy = np.sin(0.5 * bank), np.sin(0.5 * pitch), np.sin(0.5 * heading)
    return np.stack(
        [
            cr * cp * cy + sr * sp * sy,
            sr * cp * cy - cr * sp * sy,
            cr * sp * cy + sr * cp * sy,
            cr * cp * sy - sr * sp * cy,
        ]
    )


def _angles(q: Array) -> Triple:
    w, x, y, z = q
    bank = np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))
    pitch = np.arcsin(np.clip(2 * (w * y - z * x), -1.0, 1.0))
    heading = np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))
    return bank, pitch, heading


def _turn(q: Array, v: Array) -> Triple:
    """Turn body vectors, shape (3, n), to north, east, down."""
    w, x, y, z = q
    forward, right, down = v
    tx, ty, tz = 2 * (y * down - z * right), 2 * (z * forward - x * down), 2 * (x * right - y * forward)
    return (
        forward + w * tx + (y * tz - z * ty),
        right + w * ty + (z * tx - x * tz),
        down + w * tz + (x * ty - y * tx),
    )


def integrate_rates(rates: Triple, rate: float) -> Array:
    """Integrate body rates to the attitude against that of the first sample.

    Parameters
    ----------
    rates : tuple of ndarray, shape (n,)
        Body rates [rad/s] without gaps.
    rate : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n, 4)
        Quaternions, scalar first, body to the axes of the first sample.

    Notes
    -----
    Each step is the rotation vector of the mean rate.

    References
    ----------
    .. [1] P. G. Savage, Journal of Guidance, Control, and Dynamics 21 (1998), 19-28.
    """
    return _integrated(rates, rate).T


def _integrated(rates: Triple, rate: float) -> Array:
    """Return the same, shape (4, n)."""
    steps = [0.5 * (x[1:] + x[:-1]) / rate for x in rates]
    q = np.zeros((4, rates[0].size))
    q[0, 0] = 1.0
    q[:, 1:] = _of_vector(*steps)
    _run_products(q)
    return np.asarray(q / np.sqrt(np.sum(q * q, axis=0)), dtype=float)


def _run_products(q: Array) -> None:
    """Replace each quaternion, shape (4, n), by the product of all up to it.

    Products of pairs are run through first, by the same way, and give every other one; the rest follow
    from their left neighbours: two multiplications for each quaternion in all [1]_.

    References
    ----------
    .. [1] R. P. Brent, H. T. Kung, IEEE Transactions on Computers C-31 (1982), 260-264.
    """
    if q.shape[1] < 2:
        return
    pairs = _multiply(q[:, :-1:2], q[:, 1::2])
    _run_products(pairs)
    q[:, 1::2] = pairs
    q[:, 2::2] = _multiply(pairs[:, : (q.shape[1] - 1) // 2], q[:, 2::2])


def _unbroken(mask: NDArray[np.bool_], shortest: int) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= shortest]


def strapdown_attitude(
    rates: Triple,
    forces: Triple,
    start: tuple[Array, Array, Array],
    velocity: tuple[Array, Array],
    track: Array,
    *,
    rate: float,
    memory: float = _TILT_MEMORY,
) -> Strapdown:
    r"""Work out attitude from body rates, specific force and ground velocity.

    Parameters
    ----------
    rates, forces : tuple of ndarray, shape (n,)
        Body rates [rad/s], bias taken off, and specific force [m/s^2]; NaN in gaps.
    start : tuple of ndarray, shape (n,)
        A first guess of bank and pitch [rad], right on average, and of the turn rate [rad/s].
    velocity : tuple of ndarray, shape (n,)
        Ground velocity north and east [m/s]; NaN in gaps.
    track : ndarray, shape (n,)
        Direction of the air track (over ground where there is no better) [rad].
    rate : float
        Sampling rate [Hz].
    memory : float
        Time constant between gyros and velocity [s].

    Returns
    -------
    Strapdown

    Notes
    -----
    A complementary filter in both directions of time. The gyros' attitude :math:`\hat R` drifts slowly; its
    tilt error shows as

    .. math:: \hat R\mathbf f - \dot{\mathbf v} + g\,\mathbf e_d = \boldsymbol\delta\times(\hat R\mathbf f),

    horizontally, with :math:`\dot{\mathbf v}` by satellites. Smoothed with a two-sided exponential,
    :math:`\boldsymbol\delta` is taken off. What the satellites tell is the acceleration of the unit itself:
    nothing is assumed about sideslip, swinging or coordinated turns. Heading is the gyros', turned over a
    minute so that the felt acceleration lies on that of the satellites; in straight flight, where there is
    none, along the air track. All is done twice: the second time without the mean bias of the gyros that
    the first attitude shows.

    References
    ----------
    .. [1] D. H. Titterton, J. L. Weston, Strapdown Inertial Navigation Technology, 2nd ed., 2004, chapter 12.
    """
    n = rates[0].size
    out = [np.full(n, np.nan) for _ in range(5)]
    whole = np.isfinite(sum(rates) + sum(forces) + sum(start))
    for part in _unbroken(whole, round(30 * rate)):
        seen = _Seen.of(velocity[0][part], velocity[1][part], track[part], rate, memory)
        if seen is None:
            continue
        own = (rates[0][part], rates[1][part], rates[2][part])
        force = np.stack([x[part] for x in forces])
        q, _ = _held(own, force, (start[0][part], start[1][part], start[2][part]), seen)
        good = seen.tilt_share > _LEAST_WEIGHT
        bank, pitch, heading = _angles(q)
        bias = _bias(own, (bank, pitch, heading), good, rate)
        own = (own[0] - bias[0], own[1] - bias[1], own[2] - bias[2])
        q, felt = _held(own, force, (bank, pitch, np.gradient(np.unwrap(heading)) * rate), seen)
        bank, pitch, heading = _angles(q)
        for target, values in zip(out, (bank, pitch, np.unwrap(heading), *felt), strict=True):
            target[part] = np.where(good, values, np.nan)
    return Strapdown(*out)


@dataclass(frozen=True)
class _Seen:
    """What the satellites tell over an unbroken stretch of the gyros, and what stays of it in every round."""

    gain: Array  # acceleration north and east, shape (2, n)
    track: Array
    known: NDArray[np.bool_]
    rate: float
    memory: float
    tilt_share: Array  # of the memory that satellite velocity fills
    slow_gain: Array  # gain over a second, over the share of that, twice: see _heading_error
    track_cos: Array
    track_sin: Array

    @classmethod
    def of(cls, north: Array, east: Array, track: Array, rate: float, memory: float) -> _Seen | None:
        """Return it, or None where it is too little."""
        known = np.isfinite(north) & np.isfinite(east) & np.isfinite(track)
        if known.sum() < 20 * rate:
            return None
        index = np.arange(north.size)
        gain = np.stack([np.gradient(np.interp(index, index[known], v[known])) * rate for v in (north, east)])
        full = np.interp(index, index[known], np.unwrap(track[known]))
        weight = known.astype(float)
        quick = _two_sided(np.stack([*(weight * gain), weight]), rate, _QUICK)
        slow_gain = np.where(known, quick[:2] / np.maximum(quick[2], 1e-12) ** 2, 0.0)
        share = _two_sided(weight[None], rate, memory)[0]
        return cls(gain, full, known, rate, memory, share, slow_gain, np.cos(full), np.sin(full))

    def heading_error(self, q: Array, felt_north: Array, felt_east: Array) -> Array:
        """Return by how much to turn, so that the felt acceleration lies on that of the satellites [rad]."""
        a_north, a_east = _two_sided(
            np.stack([self.known * felt_north, self.known * felt_east]), self.rate, _QUICK
        )
        b_north, b_east = self.slow_gain
        w, x, y, z = q
        sine, cosine = 2 * (w * z + x * y), 1 - 2 * (y * y + z * z)
        beside = np.arctan2(
            self.track_sin * cosine - self.track_cos * sine, self.track_cos * cosine + self.track_sin * sine
        )
        pull = a_north * b_east - a_east * b_north + _TRACK_WEIGHT * np.where(self.known, beside, 0.0)
        hold = np.abs(a_north * b_north + a_east * b_east) + _TRACK_WEIGHT * self.known
        top, bottom = _two_sided(np.stack([pull, hold]), self.rate, _HEADING_MEMORY)
        return np.asarray(np.clip(top / np.maximum(bottom, 1e-9), -0.5, 0.5), dtype=float)


def _held(rates: Triple, force: Array, start: Triple, seen: _Seen) -> tuple[Array, tuple[Array, Array]]:
    """Return the gyros' attitude, held by the satellites, and the acceleration that is then felt."""
    rate, memory = seen.rate, seen.memory
    turned = np.cumsum(start[2]) / rate
    slow, _ = smooth_both_ways(seen.track - turned, seen.known.astype(float), rate, _HEADING_MEMORY)
    gyro = _integrated(rates, rate)
    back = gyro * np.array([[1.0], [-1.0], [-1.0], [-1.0]])
    apart = _multiply(_of_angles(start[0], start[1], turned + np.nan_to_num(slow)), back)
    sign = np.sign(np.sum(apart[:, 1:] * apart[:, :-1], axis=0))
    apart[:, 1:] *= np.cumprod(np.where(sign == 0, 1.0, sign))
    smooth = _two_sided(apart, rate, memory)
    q = _multiply(smooth / np.sqrt(np.sum(smooth * smooth, axis=0)), gyro)
    reach = np.where(seen.tilt_share > _LEAST_SHARE, 1.0 / np.maximum(seen.tilt_share, 1e-12), 0.0)
    north, east, down = _turn(q, force)
    for _ in range(_ROUNDS):
        weight = seen.known / np.maximum(-down, 0.3 * GRAVITY)
        lean = _two_sided(
            np.stack([weight * (seen.gain[1] - east), weight * (north - seen.gain[0])]), rate, memory
        )
        q = _multiply_level(_of_vector(*(reach * lean)), q)
        north, east, down = _turn(q, force)
        turn = seen.heading_error(q, north, east)
        q = _multiply_upright(np.cos(0.5 * turn), np.sin(0.5 * turn), q)
        cosine, sine = np.cos(turn), np.sin(turn)
        north, east = cosine * north - sine * east, sine * north + cosine * east
    return q, (north, east)


def _bias(rates: Triple, angles: Triple, good: NDArray[np.bool_], rate: float) -> Array:
    """Return what the gyros have too much on average against an attitude [rad/s], shape (3,)."""
    expected = rates_of(*angles, rate)
    if good.sum() < 60 * rate:
        return np.zeros(3)
    return np.array([float(np.mean((x - e)[good])) for x, e in zip(rates, expected, strict=True)])


def rates_of(bank: Array, pitch: Array, heading: Array, rate: float) -> Triple:
    r"""Return the body rates of an attitude [rad/s].

    Parameters
    ----------
    bank, pitch, heading : ndarray, shape (n,)
        [rad]; the heading may wrap.
    rate : float
        Sampling rate [Hz].

    References
    ----------
    .. [1] B. L. Stevens, F. L. Lewis, Aircraft Control and Simulation, 2nd ed., 2003, Eq. (1.3-22).
    """
    roll, nose = np.gradient(np.unwrap(bank)) * rate, np.gradient(pitch) * rate
    turn = np.gradient(np.unwrap(heading)) * rate
    return (
        np.asarray(roll - turn * np.sin(pitch), dtype=float),
        np.asarray(nose * np.cos(bank) + turn * np.sin(bank) * np.cos(pitch), dtype=float),
        np.asarray(-nose * np.sin(bank) + turn * np.cos(bank) * np.cos(pitch), dtype=float),
    )
