"""What is wrong with a sensor besides noise, and where a log has nothing.

A sensor axis with the true value u reads (1 + e) u + b + w: scale factor e, white noise w, and
a bias b that is constant but for three parts: a first-order Gauss-Markov wander (bias instability), a warming
up that ends after some time whatever the air does, and c (T - T_0), where T is the sensor's temperature,
T' = (T_air + d - T) / t_c, T_0 that of the air at switch-on. Air grows colder with height.

References
----------
.. [1] IEEE Std 952-1997, annex C (Allan variance of white noise and of a correlated wander); from
   memory, and worked out anew where the tests use it.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from .flight import Flight
from .parameters import Parameters

__all__ = [
    "DROPOUT_SECONDS",
    "draw_gaps",
    "first_order",
    "gauss_markov",
    "outside",
    "sensor_bias",
    "sensor_temperature",
]

Array = NDArray[np.float64]
Spans = tuple[tuple[float, float], ...]
DROPOUT_SECONDS = (5.0, 60.0)
"""Shortest and longest drop-out [s]."""


def first_order(inputs: Array, step: float, time_constant: float, start: float) -> Array:
    """Return a first-order lag of a series.

    Parameters
    ----------
    inputs : ndarray, shape (n,)
        What it follows.
    step, time_constant : float
        [s].
    start : float
        Value before the first sample.

    Returns
    -------
    ndarray, shape (n,)
    """
    gain = step / time_constant
    value = start
    out = []
    for wish in inputs.tolist():
        value += gain * (wish - value)
        out.append(value)
    return np.array(out)


def gauss_markov(
    count: int, step: float, std: float, time_constant: float, generator: np.random.Generator
) -> Array:
    """Return a first-order Gauss-Markov series, stationary from its first sample.

    Parameters
    ----------
    count : int
        Number of samples.
    step, time_constant : float
        [s].
    std : float
        Standard deviation.
    generator : numpy.random.Generator
        Source of noise.

    Returns
    -------
    ndarray, shape (count,)
    """
    keep = float(np.exp(-step / time_constant))
    kick = std * sqrt(1 - keep * keep)
    value = std * float(generator.standard_normal())
    out = []
    for noise in generator.standard_normal(count).tolist():
        out.append(value)
        value = keep * value + kick * noise
    return np.array(out)


def _slow_wander(time: Array, std: float, time_constant: float, generator: np.random.Generator) -> Array:
    """Return three Gauss-Markov series, shape (n, 3), drawn once a second and joined by straight lines."""
    coarse = np.arange(0.0, time[-1] + 2.0)
    axes = [gauss_markov(coarse.size, 1.0, std, time_constant, generator) for _ in range(3)]
    return np.column_stack([np.interp(time, coarse, axis) for axis in axes])


def sensor_temperature(time: Array, air: Array, self_heating: float, case_time: float) -> Array:
    """Return the temperature of a sensor that lags behind the air and warms itself after switch-on.

    Parameters
    ----------
    time : ndarray, shape (n,)
        From switch-on [s], uniform.
    air : ndarray, shape (n,)
        Temperature of the air [K]; the sensor starts from it.
    self_heating : float
        How much warmer than the air it ends up [K].
    case_time : float
        Time constant of both [s].

    Returns
    -------
    ndarray, shape (n,)
        [K].

    Examples
    --------
    >>> time = np.arange(0.0, 4000.0)
    >>> round(float(sensor_temperature(time, np.full(4000, 280.0), 8.0, 400.0)[-1]), 2)
    288.0
    """
    stride = max(1, round(1.0 / float(time[1] - time[0])))
    coarse = time[::stride]
    step = float(coarse[1] - coarse[0])
    lagged = first_order(air[::stride], step, case_time, float(air[0]))
    warmed = lagged + self_heating * (1.0 - np.exp(-coarse / case_time))
    return np.asarray(np.interp(time, coarse, warmed), dtype=np.float64)


def sensor_bias(
    time: Array, air: Array, parameters: Parameters, generator: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Return the bias of an IMU over a flight.

    Parameters
    ----------
    time : ndarray, shape (n,)
        From switch-on [s], uniform.
    air : ndarray, shape (n,)
        Temperature of the air [K].
    parameters : Parameters
        Bias, instability, temperature coefficients.
    generator : numpy.random.Generator
        Source of the wander; it is left as it was found.

    Returns
    -------
    tuple of ndarray, shapes (n, 3), (n, 3), (n,) or (0,)
        Of the rates [rad/s], of the force [m/s^2], and the temperature of the IMU [K], empty where nothing
        depends on it.
    """
    pa = parameters
    warm = (1.0 - np.exp(-time / 600.0))[:, None] * np.array([1.0, -0.7, 0.5])
    rates = np.array(pa.gyro_bias) + pa.gyro_drift * warm
    force = np.array(pa.accelerometer_bias) + pa.accelerometer_drift * warm
    wander, wander_force = generator.spawn(2)
    if pa.gyro_instability:
        rates = rates + _slow_wander(time, pa.gyro_instability, pa.gyro_instability_time, wander)
    if pa.accelerometer_instability:
        force = force + _slow_wander(
            time, pa.accelerometer_instability, pa.accelerometer_instability_time, wander_force
        )
    temperature = np.empty(0)
    if any(pa.gyro_temperature) or any(pa.accelerometer_temperature):
        temperature = sensor_temperature(time, air, pa.self_heating, pa.case_time)
        warmer = (temperature - temperature[0])[:, None]
        rates = rates + warmer * np.array(pa.gyro_temperature)
        force = force + warmer * np.array(pa.accelerometer_temperature)
    return rates, force, temperature


def draw_gaps(flight: Flight, count: int, generator: np.random.Generator) -> Spans:
    """Return spans in flight in which a log has nothing.

    Parameters
    ----------
    flight : Flight
        Truth.
    count : int
        How many to draw; some may run into each other and become one.
    generator : numpy.random.Generator
        Source of the draws.

    Returns
    -------
    tuple of tuple of float
        Begin and end of each [s].
    """
    flying = flight.time[flight.columns["airspeed"] > 5.0]
    if not count or not flying.size:
        return ()
    lengths = generator.uniform(*DROPOUT_SECONDS, count)
    starts = generator.uniform(flying[0], max(flying[-1] - DROPOUT_SECONDS[1], flying[0]), count)
    merged: list[tuple[float, float]] = []
    for start, length in sorted(zip(starts.tolist(), lengths.tolist(), strict=True)):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], start + length))
        else:
            merged.append((start, start + length))
    return tuple(merged)


def outside(time: Array, gaps: Spans) -> NDArray[np.bool_]:
    """Return which times lie in no gap.

    Parameters
    ----------
    time : ndarray, shape (n,)
        [s].
    gaps : tuple of tuple of float
        Begin and end of each [s].

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    keep = np.ones(time.size, dtype=bool)
    for start, end in gaps:
        keep &= (time < start) | (time >= end)
    return keep
