"""When the unit stood still, and when it flew."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .grid import running_mean

__all__ = ["airborne_stretches", "mask_of", "still_stretches", "stretches"]

Array = NDArray[np.float64]
Spans = tuple[tuple[float, float], ...]

_STILL_GYRO = 0.02  # [rad/s] standard deviation over 2 s
_STILL_FORCE = 0.15  # [m/s^2] standard deviation over 2 s
_STILL_SPEED = 0.8  # [m/s] over ground
_STILL_CLIMB = 0.3  # [m/s]
_FLYING_SPEED = 4.0  # [m/s] over ground
_FLYING_HEIGHT = 20.0  # [m] above the lower end of the log
_SHORTEST_STILL = 5.0  # [s]
_SHORTEST_FLIGHT = 30.0  # [s]
_BRIDGE = 30.0  # [s] of slow flight into the wind
_SILENT = 120.0  # [s] without a fix, over which speed is carried on
_EDGE = 4.0  # [s] cut off both ends of a flight: the run


def stretches(mask: NDArray[np.bool_], rate: float, shortest: float) -> Spans:
    """Return the stretches (start, end) [s] in which a mask holds for at least ``shortest`` seconds.

    Examples
    --------
    >>> stretches(np.array([False, True, True, True, False]), 1.0, 2.0)
    ((1.0, 4.0),)
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return tuple((float(a / rate), float(b / rate)) for a, b in pairs if (b - a) / rate >= shortest)


def mask_of(spans: Spans, time: Array) -> NDArray[np.bool_]:
    """Return which samples lie in any of the stretches, shape (n,)."""
    mask = np.zeros(time.size, dtype=bool)
    for start, end in spans:
        mask |= (time >= start) & (time < end)
    return mask


def _deviation(x: Array, size: int) -> Array:
    mean = running_mean(x, size)
    return np.sqrt(np.maximum(running_mean((x - mean) ** 2, size), 0.0))


def _carried_on(speed: Array | None, rate: float) -> Array | None:
    """Return speed over ground with short silences of the receiver bridged by straight lines.

    A drop-out in flight is no landing, and a quiet glide in it no rest on the ground.
    """
    if speed is None:
        return None
    good = np.isfinite(speed)
    if good.all() or not good.any():
        return speed
    index = np.arange(speed.size)
    out = np.interp(index, index[good], speed[good])
    for start, end in stretches(~good, rate, 0.0):
        first, last = round(start * rate), round(end * rate)
        if end - start > _SILENT or first == 0 or last == speed.size:
            out[first:last] = np.nan
    return out


def still_stretches(
    rates: tuple[Array, Array, Array],
    forces: tuple[Array, Array, Array],
    ground_speed: Array | None,
    rate: float,
    height: Array | None = None,
) -> Spans:
    """Return the stretches in which the unit stood still.

    Parameters
    ----------
    rates : tuple of ndarray, shape (n,)
        Body rates [rad/s], in any axes.
    forces : tuple of ndarray, shape (n,)
        Specific force [m/s^2], in any axes.
    ground_speed : ndarray, shape (n,), or None
        Speed over ground [m/s].
    rate : float
        Sampling rate [Hz].
    height : ndarray, shape (n,), optional
        Height, by satellites or pressure [m]; asked only without a speed over ground.

    Returns
    -------
    tuple of (float, float)
        From sample 0 [s]; at least 5 s each, half a second cut off both ends.

    Notes
    -----
    A glide in calm air with the engine stopped is as quiet as the ground. Without a speed over ground, what
    climbs or sinks, or lies well above both ends of the log, is therefore not still. Over silences of the
    receiver of up to two minutes its speed is carried on, so a drop-out in flight is no rest on the ground.
    """
    size = 2 * round(rate) + 1
    ground_speed = _carried_on(ground_speed, rate)
    gyro = np.sqrt(sum(_deviation(x, size) ** 2 for x in rates))
    force = np.sqrt(sum(_deviation(x, size) ** 2 for x in forces))
    still = (gyro < _STILL_GYRO) & (force < _STILL_FORCE)
    # a slow steady turn in calm air is steady, but not still: the mean rate must be a gyro's bias at most
    still &= np.sqrt(sum(running_mean(x, size) ** 2 for x in rates)) < 0.1
    if ground_speed is not None:
        still &= ~(running_mean(ground_speed, size) > _STILL_SPEED)
    elif height is not None and np.isfinite(height).any():
        slow = running_mean(height, 5 * size)
        known = slow[np.isfinite(slow)]
        ends = max(1, round(5 * rate))
        ground = max(float(np.median(known[:ends])), float(np.median(known[-ends:])))
        still &= ~(np.abs(np.gradient(slow) * rate) > _STILL_CLIMB) & ~(slow > ground + _FLYING_HEIGHT)
    found = stretches(still, rate, _SHORTEST_STILL + 1.0)
    return tuple((start + 0.5, end - 0.5) for start, end in found)


def airborne_stretches(
    n: int,
    rate: float,
    *,
    ground_speed: Array | None,
    height: Array | None,
    rates: tuple[Array, Array, Array],
    still: Spans,
) -> tuple[Spans, str]:
    """Return the stretches in flight.

    Parameters
    ----------
    n : int
        Number of samples.
    rate : float
        Sampling rate [Hz].
    ground_speed : ndarray, shape (n,), or None
        Speed over ground [m/s].
    height : ndarray, shape (n,), or None
        Height, by satellites or pressure [m].
    rates : tuple of ndarray, shape (n,)
        Body rates [rad/s].
    still : tuple of (float, float)
        Stretches on the ground, see :func:`still_stretches`.

    Returns
    -------
    spans : tuple of (float, float)
        From sample 0 [s], at least 30 s each; 4 s are cut off both ends for the run.
    words : str
        What told flight from ground.

    Notes
    -----
    Flight is a speed over ground above 4 m/s or a height of more than 20 m above the lower end of the log;
    gaps of up to 30 s between such stretches (slow into the wind) count as flight, and speed over ground is
    carried on over silences of up to two minutes. Without either, it is the time in which the body rates stay
    lively.
    """
    time = np.arange(n) / rate
    flying = np.zeros(n, dtype=bool)
    told = []
    size = 2 * round(rate) + 1
    ground_speed = _carried_on(ground_speed, rate)
    if ground_speed is not None and np.isfinite(ground_speed).any():
        flying |= running_mean(ground_speed, size) > _FLYING_SPEED
        told.append("speed over ground")
    if height is not None and np.isfinite(height).any():
        slow = running_mean(height, size)
        known = slow[np.isfinite(slow)]
        ends = max(1, round(5 * rate))
        ground = min(float(np.median(known[:ends])), float(np.median(known[-ends:])))
        if still:
            resting = slow[mask_of(still, time)]
            resting = resting[np.isfinite(resting)]
            if resting.size:
                ground = float(np.median(resting))
        high = slow > ground + _FLYING_HEIGHT
        if still or not told:
            flying |= high
            told.append("height")
    if not told:
        gyro = np.sqrt(sum(_deviation(x, 10 * round(rate) + 1) ** 2 for x in rates))
        flying = gyro > 2.0 * _STILL_GYRO
        told.append("liveliness of the body rates")
    flying &= ~mask_of(still, time)
    bridged = flying.copy()
    for start, end in stretches(~flying, rate, 0.0):
        short = end - start <= _BRIDGE and start > 0 and end < n / rate
        if short and not any(a < end and b > start for a, b in still):
            bridged[round(start * rate) : round(end * rate)] = True
    found = stretches(bridged, rate, _SHORTEST_FLIGHT)
    trimmed = []
    for start, end in found:
        low = start + _EDGE if start > 0 else start
        high_end = end - _EDGE if end < n / rate - 1e-9 else end
        trimmed.append((low, high_end))
    return tuple(trimmed), " and ".join(told)
