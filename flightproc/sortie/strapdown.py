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
    from scipy.signal import lfilter

    keep = float(np.exp(-1.0 / (rate * memory)))
    gain = (1.0 - keep) / (1.0 + keep)

    def both(y: Array) -> Array:
        ahead = lfilter([1.0], [1.0, -keep], y, axis=0)
        back = lfilter([1.0], [1.0, -keep], y[::-1], axis=0)[::-1]
        return np.asarray(gain * (ahead + back - y), dtype=float)

    wide = weight.reshape(-1, *([1] * (x.ndim - 1)))
    total = both(np.where(wide > 0, wide * x, 0.0))
    share = both(weight)
    wide_share = share.reshape(wide.shape)
    return np.where(wide_share > 1e-6, total / np.maximum(wide_share, 1e-12), np.nan), share


def _multiply(a: Array, b: Array) -> Array:
    """Multiply quaternions, scalar first, shape (..., 4)."""
    aw, ax, ay, az = np.moveaxis(a, -1, 0)
    bw, bx, by, bz = np.moveaxis(b, -1, 0)
    return np.stack(
        [
            aw * bw - ax * bx - ay * by - az * bz,
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
        ],
        axis=-1,
    )


def _conjugate(q: Array) -> Array:
    return np.asarray(q * np.array([1.0, -1.0, -1.0, -1.0]), dtype=float)


def _of_vector(v: Array) -> Array:
    """Return quaternions of rotation vectors [rad], shape (n, 3) to (n, 4)."""
    angle = np.sqrt(np.sum(v * v, axis=-1, keepdims=True))
    return np.concatenate([np.cos(0.5 * angle), 0.5 * np.sinc(0.5 * angle / np.pi) * v], axis=-1)


def _of_angles(bank: Array, pitch: Array, heading: Array) -> Array:
    cr, cp, cy = np.cos(0.5 * bank), np.cos(0.5 * pitch), np.cos(0.5 * heading)
    sr, sp, sy = np.sin(0.5 * bank), np.sin(0.5 * pitch), np.sin(0.5 * heading)
    return np.stack(
        [
            cr * cp * cy + sr * sp * sy,
            sr * cp * cy - cr * sp * sy,
            cr * sp * cy + sr * cp * sy,
            cr * cp * sy - sr * sp * cy,
        ],
        axis=-1,
    )


def _angles(q: Array) -> Triple:
    w, x, y, z = np.moveaxis(q, -1, 0)
    bank = np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))
    pitch = np.arcsin(np.clip(2 * (w * y - z * x), -1.0, 1.0))
    heading = np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))
    return bank, pitch, heading


def _turn(q: Array, v: Array) -> Array:
    """Turn body vectors, shape (n, 3), to north, east, down."""
    u = q[:, 1:]
    t = 2.0 * np.cross(u, v)
    return np.asarray(v + q[:, :1] * t + np.cross(u, t), dtype=float)


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
    Each step is the rotation vector of the mean rate; the products are taken by doubling: after k rounds
    each entry holds the last 2^k steps.

    References
    ----------
    .. [1] P. G. Savage, Journal of Guidance, Control, and Dynamics 21 (1998), 19-28.
    """
    omega = np.stack(rates, axis=-1)
    step = 0.5 * (omega[1:] + omega[:-1]) / rate
    q = np.concatenate([[[1.0, 0.0, 0.0, 0.0]], _of_vector(step)])
    width = 1
    while width < len(q):
        q[width:] = _multiply(q[:-width], q[width:])
        width *= 2
    return np.asarray(q / np.linalg.norm(q, axis=-1, keepdims=True), dtype=float)


def _unbroken(mask: NDArray[np.bool_], shortest: int) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= shortest]


def _turn_to_north(
    q: Array, force: Array, gain: Array, track: Array, known: NDArray[np.bool_], rate: float
) -> Array:
    """Correct the heading: turned, the felt acceleration lies on that of the satellites."""
    felt = _turn(q, force)[:, :2]
    seen = np.stack([smooth_both_ways(x, known.astype(float), rate, _QUICK)[0] for x in (felt, gain)], axis=0)
    a, b = np.nan_to_num(seen)
    along = a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1]
    across = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    beside = np.angle(np.exp(1j * (track - _angles(q)[2])))
    pull = np.where(known, across + _TRACK_WEIGHT * beside, 0.0)
    hold = np.where(known, np.abs(along) + _TRACK_WEIGHT, 0.0)
    top, _ = smooth_both_ways(pull, np.ones(pull.size), rate, _HEADING_MEMORY)
    bottom, _ = smooth_both_ways(hold, np.ones(pull.size), rate, _HEADING_MEMORY)
    turn = np.zeros((pull.size, 3))
    turn[:, 2] = np.clip(top / np.maximum(bottom, 1e-9), -0.5, 0.5)
    return _multiply(_of_vector(turn), q)


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
        seen = _Seen.of(velocity[0][part], velocity[1][part], track[part], rate)
        if seen is None:
            continue
        own = tuple(x[part] for x in rates)
        force = np.stack([x[part] for x in forces], axis=-1)
        first = (start[0][part], start[1][part], start[2][part])
        q, share = _held(own, force, first, seen, memory)  # type: ignore[arg-type]
        bias = _bias(own, _angles(q), share > _LEAST_WEIGHT, rate)  # type: ignore[arg-type]
        own = tuple(x - b for x, b in zip(own, bias, strict=True))
        bank, pitch, heading = _angles(q)
        first = (bank, pitch, np.gradient(np.unwrap(heading)) * rate)
        q, share = _held(own, force, first, seen, memory)  # type: ignore[arg-type]
        felt = _turn(q, force)
        bank, pitch, heading = _angles(q)
        good = share > _LEAST_WEIGHT
        for target, values in zip(
            out, (bank, pitch, np.unwrap(heading), felt[:, 0], felt[:, 1]), strict=True
        ):
            target[part] = np.where(good, values, np.nan)
    return Strapdown(*out)


@dataclass(frozen=True)
class _Seen:
    """What the satellites tell over an unbroken stretch of the gyros."""

    gain: Array  # acceleration north and east, shape (n, 2)
    track: Array
    known: NDArray[np.bool_]
    rate: float

    @classmethod
    def of(cls, north: Array, east: Array, track: Array, rate: float) -> _Seen | None:
        """Return it, or None where it is too little."""
        known = np.isfinite(north) & np.isfinite(east) & np.isfinite(track)
        if known.sum() < 20 * rate:
            return None
        index = np.arange(north.size)
        gain = np.stack(
            [np.gradient(np.interp(index, index[known], v[known])) * rate for v in (north, east)], axis=-1
        )
        return cls(gain, np.interp(index, index[known], np.unwrap(track[known])), known, rate)


def _held(rates: Triple, force: Array, start: Triple, seen: _Seen, memory: float) -> tuple[Array, Array]:
    """Return the gyros' attitude, held by the satellites, and the share of the memory that they fill."""
    rate, weight = seen.rate, seen.known.astype(float)
    turned = np.cumsum(start[2]) / rate
    slow, share = smooth_both_ways(seen.track - turned, weight, rate, _HEADING_MEMORY)
    gyro = integrate_rates(rates, rate)
    apart = _multiply(_of_angles(start[0], start[1], turned + np.nan_to_num(slow)), _conjugate(gyro))
    sign = np.sign(np.sum(apart[1:] * apart[:-1], axis=-1))
    apart[1:] *= np.cumprod(np.where(sign == 0, 1.0, sign))[:, None]
    smooth, _ = smooth_both_ways(apart, np.ones(weight.size), rate, memory)
    q = _multiply(smooth / np.linalg.norm(smooth, axis=-1, keepdims=True), gyro)
    for _ in range(_ROUNDS):
        felt = _turn(q, force)
        down = np.maximum(-felt[:, 2], 0.3 * GRAVITY)
        tilt = np.stack(
            [
                (felt[:, 1] - seen.gain[:, 1]) / down,
                -(felt[:, 0] - seen.gain[:, 0]) / down,
                np.zeros(weight.size),
            ],
            axis=-1,
        )
        error, share = smooth_both_ways(tilt, weight, rate, memory)
        q = _multiply(_of_vector(-np.nan_to_num(error)), q)
        q = _turn_to_north(q, force, seen.gain, seen.track, seen.known, rate)
    return q, share


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
