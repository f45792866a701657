"""A small synthetic flight for the tests: kinematics only, and nothing of the estimator."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

G = 9.80665


@dataclass
class Flight:
    time: np.ndarray
    speed: np.ndarray  # true airspeed
    turn_rate: np.ndarray
    heading: np.ndarray  # of the air velocity
    north: np.ndarray  # ground velocity
    east: np.ndarray
    climb: np.ndarray
    rpm: np.ndarray
    wind: tuple


def coloured(rng, n, rate, std, memory):
    """Exponentially correlated noise."""
    keep = np.exp(-1.0 / (rate * memory))
    drive = rng.standard_normal(n + int(10 * rate * memory)) * std * np.sqrt(1 - keep**2)
    return lfilter([1.0], [1.0, -keep], drive)[-n:]


def make_flight(
    seed,
    *,
    wind=(3.0, -2.0),
    gust=0.35,
    memory=6.0,
    rate=10.0,
    legs=((6800, 0), (0, 95), (5200, 190), (7600, 270), (0, 20), (6800, 180), (5200, 300), (7600, 90)),
    leg=60.0,
    turn=np.radians(12.0),
    drift=(0.0, 0.0),
    turn_law=0.5,
):
    """Straight legs at (rpm, heading deg), joined by turns at one rate; wind changes by ``drift`` in all."""
    rng = np.random.default_rng(seed)
    rates, rpm = [], []
    heading0 = np.radians(legs[0][1])
    heading = heading0
    for power, course in legs:
        change = (np.radians(course) - heading + np.pi) % (2 * np.pi) - np.pi
        samples = round(abs(change) / turn * rate)
        if samples:
            rates.append(np.full(samples, change * rate / samples))
        rates.append(np.zeros(round(leg * rate)))
        rpm.append(np.full(samples + round(leg * rate), float(power)))
        heading += change
    wanted, engine = np.concatenate(rates), np.concatenate(rpm)
    turn_rate = lfilter([1 - np.exp(-1 / rate)], [1, -np.exp(-1 / rate)], wanted)
    n = turn_rate.size
    time = np.arange(n) / rate
    azimuth = heading0 + np.cumsum(turn_rate) / rate
    trim = 10.6 + 0.4 * (engine / 7600.0)
    trim = lfilter([1 - np.exp(-1 / (3 * rate))], [1, -np.exp(-1 / (3 * rate))], trim - trim[0]) + trim[0]
    load = np.sqrt(1 + (trim * turn_rate / G) ** 2)
    speed = trim * (1 + turn_law * (load - 1))
    climb = np.where(engine > 6000, 1.0, -1.0)
    climb = lfilter([1 - np.exp(-1 / (3 * rate))], [1, -np.exp(-1 / (3 * rate))], climb - climb[0]) + climb[0]
    level = np.sqrt(speed**2 - climb**2)
    part = np.linspace(-0.5, 0.5, n)
    north = level * np.cos(azimuth) + wind[0] + drift[0] * part + coloured(rng, n, rate, gust, memory)
    east = level * np.sin(azimuth) + wind[1] + drift[1] * part + coloured(rng, n, rate, gust, memory)
    return Flight(time, speed, turn_rate, azimuth, north, east, climb, engine, wind)
