"""A small synthetic flight for the tests: kinematics only, and nothing of the estimator."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import lfilter

from flightproc.readers.recording import Recording, Series

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


def fly(
    seed,
    *,
    wind=(3.0, -2.0),
    gust=0.35,
    memory=6.0,
    rate=10.0,
    legs=((6800, 0), (0, 95), (5200, 190), (7600, 270), (0, 20), (6800, 180), (5200, 300), (7600, 90)),
    leg=60.0,
    turn=0.21,
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


ETA0, ETA_FULL = np.radians(0.5), np.radians(3.0)  # hang roll: zero, and what full power adds
PITCH_GLIDE, PITCH_FULL = np.radians(-2.0), np.radians(3.0)


def lagged(x, rate, seconds):
    keep = np.exp(-1.0 / (rate * seconds))
    return lfilter([1 - keep], [1, -keep], x - x[0]) + x[0]


def recording(name, channels, start_utc=None):
    """channels: name -> (time, values)."""
    series = {
        key: (Series(key, np.asarray(t, float), np.asarray(v, float), f"raw.{key}"),)
        for key, (t, v) in channels.items()
    }
    return Recording(f"{name}.log", "test", "0" * 64, 1, start_utc, series)


def log_flight(
    flight,
    seed=0,
    *,
    ground=40.0,
    gps_offset=17.3,
    engine_offset=-25.6,
    drift=0.0,
    mount=(0.0, 0.0, 0.0),
    gyro_bias=(0.004, -0.003, 0.006),
    attitude=None,
    utc=(None, None, None),
):
    """Logs of a unit, a GPS and an engine; each offset is added to that log's time to get the unit's.

    Returns recordings and the truth on the unit's time at 50 Hz.
    """
    rng = np.random.default_rng(seed + 1000)
    rate = 50.0
    air = flight.time
    total = ground + air[-1] + ground
    t = np.arange(int(total * rate)) / rate

    def stretch(x, before, after):
        return np.interp(t - ground, np.r_[-1e-6, air, air[-1] + 1e-6], np.r_[before, x, after])

    turn = stretch(flight.turn_rate, 0, 0)
    speed = stretch(flight.speed, 0, 0)
    rpm = stretch(flight.rpm, 0, 0)
    rpm = np.maximum(lagged(rpm, rate, 0.6), 0.0)
    flying = (t >= ground) & (t <= ground + air[-1])
    power = (rpm / 7600.0) ** 2
    eta = np.where(flying, lagged(ETA0 + ETA_FULL * power, rate, 0.5), np.radians(-1.0))
    pitch = np.where(flying, lagged(PITCH_GLIDE + (PITCH_FULL - PITCH_GLIDE) * power, rate, 0.8), 0.02)
    eta, pitch = lagged(eta, rate, 0.3), lagged(pitch, rate, 0.3)
    sway = lagged(coloured(rng, t.size, rate, np.radians(0.8), 0.7), rate, 0.4) * lagged(
        1.0 * flying, rate, 1.0
    )
    lean = np.arctan(speed * turn / G)
    bank = eta + lean + sway
    yaw_rate = turn
    phi_dot, theta_dot = np.gradient(bank) * rate, np.gradient(pitch) * rate
    rates = np.vstack(
        [
            phi_dot - yaw_rate * np.sin(pitch),
            theta_dot * np.cos(bank) + yaw_rate * np.sin(bank) * np.cos(pitch),
            -theta_dot * np.sin(bank) + yaw_rate * np.cos(bank) * np.cos(pitch),
        ]
    )
    load = G * np.sqrt(1 + (speed * turn / G) ** 2)
    hang = eta + sway
    force = load * np.vstack([np.sin(pitch), -np.sin(hang) * np.cos(pitch), -np.cos(hang) * np.cos(pitch)])
    matrix = euler(*mount)
    shake = 0.6 * (rpm / 7600.0) ** 1.5
    rates = matrix.T @ rates + np.array(gyro_bias)[:, None] + 0.003 * rng.standard_normal(rates.shape)
    force = matrix.T @ force + (0.03 + shake) * rng.standard_normal(force.shape)
    level = 300.0 + np.cumsum(stretch(flight.climb, 0, 0)) / rate
    level = np.where(t > ground + air[-1], np.interp(ground + air[-1], t, level), level)
    kelvin = 288.15 - 0.0065 * level + 4.0
    pascal = 101325.0 * (1 - 0.0065 * level / 288.15) ** 5.2559
    unit = {f"{axis}_rate": (t, rates[i]) for i, axis in enumerate(("roll", "pitch", "yaw"))} | {
        f"specific_force_{axis}": (t, force[i]) for i, axis in enumerate("xyz")
    }
    slow = slice(None, None, 10)
    unit["pressure"] = (t[slow], pascal[slow] + 2.0 * rng.standard_normal(t[slow].size))
    unit["temperature"] = (t[slow], kelvin[slow])
    if attitude == "navigation":
        unit["bank"] = (t[slow], bank[slow] + 0.004 * rng.standard_normal(t[slow].size))
        unit["pitch"] = (t[slow], pitch[slow])
    elif attitude == "levelled":
        unit["bank"] = (t[slow], lagged(hang, rate, 1.0)[slow])
    own = np.arange(0.0, total + 10 - gps_offset, 0.5)
    at = gps_offset + own * (1 + drift)
    rise = 1.5 * lagged(rng.standard_normal(own.size), 2.0, 30.0)
    gps = {
        "velocity_north": (own, np.interp(at, t, stretch(flight.north, 0, 0), 0, 0)),
        "velocity_east": (own, np.interp(at, t, stretch(flight.east, 0, 0), 0, 0)),
        "height": (own, np.interp(at, t, level) + rise),
    }
    for key in ("velocity_north", "velocity_east"):
        time, values = gps[key]
        gps[key] = (time, values + 0.05 * rng.standard_normal(values.size))
    own = np.arange(0.0, total + 10 - engine_offset, 0.2)
    at = engine_offset + own * (1 + drift)
    engine = {"rpm": (own, np.interp(at, t, rpm, 0, 0) + 10 * rng.standard_normal(own.size))}
    truth = SimpleNamespace(time=t, turn_rate=turn, speed=speed, bank=bank, hang=hang, pitch=pitch, rpm=rpm)
    truth.density = pascal / (287.05287 * kelvin)
    truth.flying = flying
    logs = {
        "unit": recording("unit", unit, utc[0]),
        "gps": recording("gps", gps, utc[1]),
        "engine": recording("engine", engine, utc[2]),
    }
    return logs, truth


def euler(roll, pitch, yaw):
    """Yaw, then pitch, then roll: sensor axes to body axes."""
    z = np.array([[np.cos(yaw), -np.sin(yaw), 0], [np.sin(yaw), np.cos(yaw), 0], [0, 0, 1]])
    y = np.array([[np.cos(pitch), 0, np.sin(pitch)], [0, 1, 0], [-np.sin(pitch), 0, np.cos(pitch)]])
    x = np.array([[1, 0, 0], [0, np.cos(roll), -np.sin(roll)], [0, np.sin(roll), np.cos(roll)]])
    return z @ y @ x


def make_sheets(*, names=("unit", "gps", "engine"), mount=(None, None, None), air=None, stated=None):
    """The parts of the sheets that the sortie reads."""
    logs = [
        SimpleNamespace(
            name=name,
            role=name,
            clock_offset_s=(stated or {}).get(name),
            clock_offset_std_s=0.5,
            sources={},
            same_clock_as=None,
        )
        for name in names
    ]
    sensor = SimpleNamespace(mount_roll_deg=mount[0], mount_pitch_deg=mount[1], mount_yaw_deg=mount[2])
    return SimpleNamespace(
        sortie=SimpleNamespace(logs=logs, air=air, settings=SimpleNamespace(grid_hz=10.0)),
        aircraft=SimpleNamespace(
            engine=SimpleNamespace(gear_ratio=2.8, idle_rpm=2200.0, firing_per_rev=1.0),
            propeller=SimpleNamespace(blades=2),
            sensor=sensor,
        ),
        glider=SimpleNamespace(trim_speed_m_s=10.5),
    )


@pytest.fixture(scope="session")
def flights():
    """The makers of synthetic flights, logs and sheets."""
    return SimpleNamespace(
        fly=fly, log=log_flight, sheets=make_sheets, recording=recording, coloured=coloured
    )
