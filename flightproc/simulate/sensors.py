"""What the loggers see of a flight: noise, bias, mount error, vibration, gaps, and each clock's own time."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import asin, atan2, cos, sin, tan

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from .drift import Spans, draw_gaps, first_order, gauss_markov, outside, sensor_bias
from .flight import GAS_CONSTANT, LAPSE, SEA_LEVEL_DENSITY, STEP, Flight
from .parameters import Parameters

__all__ = [
    "EngineLog",
    "GpsLog",
    "Motion",
    "UnitLog",
    "levelled_attitude",
    "log_engine",
    "log_gps",
    "log_unit",
    "rotation",
    "true_motion",
]

Array = NDArray[np.float64]
EARTH_RADIUS = 6371008.8
FUEL_DENSITY = 0.74
"""[kg/l]."""


@dataclass(frozen=True)
class Motion:
    """True motion worked out from a flight, on its time grid.

    Attributes
    ----------
    rates : ndarray, shape (n, 3)
        Body rates of the unit [rad/s].
    force : ndarray, shape (n, 3)
        Specific force at the hang line in body axes [m/s^2].
    force_at_imu : ndarray, shape (n, 3)
        The same at the IMU's place.
    hang_roll : ndarray, shape (n,)
        Angle of the unit to apparent gravity [rad].
    velocity : ndarray, shape (n, 2)
        Ground velocity north and east [m/s].
    position : ndarray, shape (n, 2)
        North and east of the starting point [m].
    """

    rates: Array
    force: Array
    force_at_imu: Array
    hang_roll: Array
    velocity: Array
    position: Array


@dataclass(frozen=True)
class UnitLog:
    """Log of the unit; times are from its first sample [s].

    Attributes
    ----------
    time : ndarray, shape (n,)
        Of the IMU samples.
    rates, force : ndarray, shape (n, 3)
        In sensor axes [rad/s], [m/s^2].
    attitude_time : ndarray, shape (m,)
    quaternion : ndarray, shape (m, 4)
        Sensor to north-east-down, scalar first; empty without an attitude.
    baro_time : ndarray, shape (k,)
    pressure, temperature : ndarray, shape (k,)
        [Pa], [K].
    sensor_temperature : ndarray, shape (n,)
        What the IMU has, not logged [K]; empty where nothing depends on it.
    """

    time: Array
    rates: Array
    force: Array
    attitude_time: Array
    quaternion: Array
    baro_time: Array
    pressure: Array
    temperature: Array
    sensor_temperature: Array = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True)
class GpsLog:
    """Log of the satellite receiver; own time is 0 at its first fix.

    Attributes
    ----------
    time : ndarray, shape (n,)
        Own time [s].
    latitude, longitude : ndarray, shape (n,)
        [deg].
    height : ndarray, shape (n,)
        Above mean sea level [m].
    speed, course : ndarray, shape (n,)
        Over ground [m/s], clockwise from north [deg].
    gaps : tuple of tuple of float
        Begin and end of each stretch without fixes, unit time [s].
    """

    time: Array
    latitude: Array
    longitude: Array
    height: Array
    speed: Array
    course: Array
    gaps: Spans = ()


@dataclass(frozen=True)
class EngineLog:
    """Log of the engine; own time is 0 at its switch-on.

    Attributes
    ----------
    time : ndarray, shape (n,)
        Own time [s].
    rpm : ndarray, shape (n,)
        [1/min], in steps of 10.
    head_temperature, exhaust_temperature : ndarray, shape (n,)
        [deg C].
    fuel : ndarray, shape (n,)
        Left in the tank [l].
    supply : ndarray, shape (n,)
        [V].
    gaps : tuple of tuple of float
        Begin and end of each stretch without samples, unit time [s].
    """

    time: Array
    rpm: Array
    head_temperature: Array
    exhaust_temperature: Array
    fuel: Array
    supply: Array
    gaps: Spans = ()


def rotation(roll: float, pitch: float, yaw: float) -> Array:
    """Return the matrix that takes a vector from the rotated axes back to the reference axes.

    Parameters
    ----------
    roll, pitch, yaw : float
        Tait-Bryan angles in the order yaw, pitch, roll [rad].

    Returns
    -------
    ndarray, shape (3, 3)
    """
    cr, sr, cp, sp, cy, sy = cos(roll), sin(roll), cos(pitch), sin(pitch), cos(yaw), sin(yaw)
    return np.array(
        [
            [cp * cy, sr * sp * cy - cr * sy, cr * sp * cy + sr * sy],
            [cp * sy, sr * sp * sy + cr * cy, cr * sp * sy - sr * cy],
            [-sp, sr * cp, cr * cp],
        ]
    )


def true_motion(flight: Flight, parameters: Parameters) -> Motion:
    """Return body rates, specific force and track of the hung unit.

    Parameters
    ----------
    flight : Flight
        Truth.
    parameters : Parameters
        For wind and the IMU's place.
    """
    c = flight.columns
    bank, pitch, heading = c["unit_bank"], c["pitch"], c["unit_heading"]
    path = c["heading"] + c["sideslip"]
    horizontal = np.sqrt(np.maximum(c["path_speed"] ** 2 - c["climb"] ** 2, 0.0))
    along = np.gradient(horizontal, STEP)
    side = c["side_acceleration"]
    north = along * np.cos(path) - side * np.sin(path)
    east = along * np.sin(path) + side * np.cos(path)
    down = -c["vertical_acceleration"] - GRAVITY
    sb, cb, sp, cp = np.sin(bank), np.cos(bank), np.sin(pitch), np.cos(pitch)
    # north-east-down to the vertical plane of the nose, then pitch, then bank
    ahead = north * np.cos(heading) + east * np.sin(heading)
    right = -north * np.sin(heading) + east * np.cos(heading)
    x = cp * ahead - sp * down
    level = sp * ahead + cp * down
    y = cb * right + sb * level
    z = -sb * right + cb * level
    pitch_rate = np.gradient(pitch, STEP)
    turn, roll_rate = c["turn_rate"] + np.gradient(c["unit_twist"], STEP), c["unit_roll_rate"]
    rates = np.column_stack(
        (roll_rate - turn * sp, pitch_rate * cb + turn * sb * cp, -pitch_rate * sb + turn * cb * cp)
    )
    force = np.column_stack((x, y, z))
    at_imu = force.copy()
    at_imu[:, 1] -= np.gradient(roll_rate, STEP) * parameters.imu_depth
    at_imu[:, 2] -= roll_rate**2 * parameters.imu_depth
    # on the ground the unit does not drift with the air; the run-up to flying speed takes over smoothly
    flying = 0.75 * parameters.trim_speed * np.sqrt(SEA_LEVEL_DENSITY / c["density"])
    drift = np.minimum(c["path_speed"] / flying, 1.0)
    velocity = np.column_stack(
        (
            horizontal * np.cos(path) + drift * parameters.wind_north,
            horizontal * np.sin(path) + drift * parameters.wind_east,
        )
    )
    position = np.cumsum(velocity, axis=0) * STEP
    return Motion(rates, force, at_imu, np.arctan2(-y, -z), velocity, position)


def _sample(time: Array, grid: Array, values: Array) -> Array:
    return np.asarray(np.interp(time, grid, values), dtype=np.float64)


def _vibration(
    time: Array, rpm: Array, parameters: Parameters, generator: np.random.Generator
) -> tuple[Array, Array]:
    """Return vibration of force and rates, shape (n, 3): firing and blade orders, aliased by the sampling.

    The phase wanders from sample to sample, as cycles differ, so that an order near a multiple of the
    sampling rate does not come out as a slow error, and no line is left to find engine speed from; unless
    ``vibration_jitter`` is 0.
    """
    count = time.size
    strength = np.where(rpm > 500.0, (rpm / 8000.0) ** 1.5, 0.0)
    blade = parameters.propeller_blades / parameters.gear_ratio
    force, rates = np.zeros((count, 3)), np.zeros((count, 3))
    step = float(time[1] - time[0])
    for order, share in ((1.0, 0.8), (2.0, 0.35), (blade, 0.5)):
        cycles = np.cumsum(order * rpm / 60.0) * step
        for axis, scale in enumerate((0.5, 0.5, 1.0)):
            phase = np.cumsum(parameters.vibration_jitter * generator.standard_normal(count))
            wave = share * strength * np.sin(2 * np.pi * cycles + phase)
            force[:, axis] += parameters.vibration * scale * wave
            phase = np.cumsum(parameters.vibration_jitter * generator.standard_normal(count))
            rates[:, axis] += (
                0.03 * parameters.vibration * share * strength * np.sin(2 * np.pi * cycles + phase)
            )
    return force, rates


def levelled_attitude(
    time: Array,
    rates: Array,
    force: Array,
    heading: Array,
    level_time: float = 2.0,
    heading_time: float = 8.0,
) -> Array:
    """Return the attitude of a complementary filter that levels on the accelerometer.

    It follows the gyro in the short run and takes the specific force for the vertical in the long run.
    Apparent gravity lies along the hang line of a hung unit, so in a steady turn it reads a bank near zero.

    Parameters
    ----------
    time : ndarray, shape (n,)
        [s], uniform.
    rates, force : ndarray, shape (n, 3)
        Sensor readings [rad/s], [m/s^2].
    heading : ndarray, shape (n,)
        Heading of a compass, unwrapped [rad].
    level_time, heading_time : float
        Time constants of the corrections [s].

    Returns
    -------
    ndarray, shape (n, 3)
        Roll, pitch, yaw [rad].
    """
    step = float(time[1] - time[0])
    roll_seen = np.arctan2(-force[:, 1], -force[:, 2]).tolist()
    pitch_seen = np.arctan2(force[:, 0], np.hypot(force[:, 1], force[:, 2])).tolist()
    level, turn = step / level_time, step / heading_time
    roll, pitch, yaw = roll_seen[0], pitch_seen[0], float(heading[0])
    out = []
    for (p, q, r), roll_a, pitch_a, compass in zip(
        rates.tolist(), roll_seen, pitch_seen, heading.tolist(), strict=True
    ):
        sr, cr = sin(roll), cos(roll)
        about = q * sr + r * cr
        roll_next = roll + step * (p + about * tan(pitch)) + level * (roll_a - roll)
        yaw += step * about / cos(pitch) + turn * (compass - yaw)
        pitch += step * (q * cr - r * sr) + level * (pitch_a - pitch)
        roll = roll_next
        out.append((roll, pitch, yaw))
    return np.array(out)


def _to_quaternion(angles: Array) -> Array:
    """Return quaternions (scalar first) of roll, pitch, yaw."""
    half = 0.5 * angles
    cr, cp, cy = np.cos(half).T
    sr, sp, sy = np.sin(half).T
    return np.column_stack(
        (
            cr * cp * cy + sr * sp * sy,
            sr * cp * cy - cr * sp * sy,
            cr * sp * cy + sr * cp * sy,
            cr * cp * sy - sr * sp * cy,
        )
    )


def _sensor_angles(bank: Array, pitch: Array, heading: Array, mount: Array) -> Array:
    """Return roll, pitch, yaw of the sensor axes of a body with the given attitude."""
    out = np.empty((bank.size, 3))
    rows = zip(bank.tolist(), pitch.tolist(), heading.tolist(), strict=True)
    for i, (roll, nose, yaw) in enumerate(rows):
        matrix = rotation(roll, nose, yaw) @ mount
        out[i] = (
            atan2(matrix[2, 1], matrix[2, 2]),
            -asin(max(-1.0, min(1.0, matrix[2, 0]))),
            atan2(matrix[1, 0], matrix[0, 0]),
        )
    out[:, 2] = np.unwrap(out[:, 2])
    return out


def _air_temperature(height: Array, parameters: Parameters) -> Array:
    return np.asarray(
        parameters.ground_temperature - LAPSE * (height - parameters.field_height), dtype=np.float64
    )


def log_unit(
    flight: Flight, motion: Motion, parameters: Parameters, generator: np.random.Generator
) -> UnitLog:
    """Return what the unit's logger records.

    Parameters
    ----------
    flight, motion : Flight, Motion
        Truth.
    parameters : Parameters
        Sensor errors and rates.
    generator : numpy.random.Generator
        Source of noise.
    """
    pa, c, grid = parameters, flight.columns, flight.time
    mount = rotation(pa.mount_roll, pa.mount_pitch, pa.mount_yaw)
    time = np.arange(0.0, grid[-1], 1.0 / pa.imu_rate)
    rpm = _sample(time, grid, c["rpm"])
    shake_force, shake_rates = _vibration(time, rpm, pa, generator)
    air = _air_temperature(_sample(time, grid, c["height"]), pa)
    wrong_rates, wrong_force, own_temperature = sensor_bias(time, air, pa, generator)
    rates = np.column_stack([_sample(time, grid, motion.rates[:, i]) for i in range(3)]) + shake_rates
    force = np.column_stack([_sample(time, grid, motion.force_at_imu[:, i]) for i in range(3)]) + shake_force
    # a row vector times the matrix is the transpose: body to sensor
    rates = rates @ mount * (1.0 + np.array(pa.gyro_scale)) + wrong_rates
    force = force @ mount * (1.0 + np.array(pa.accelerometer_scale)) + wrong_force
    rates += pa.gyro_noise * generator.standard_normal(rates.shape)
    force += pa.accelerometer_noise * generator.standard_normal(force.shape)

    stride = max(1, round(pa.imu_rate / pa.attitude_rate))
    attitude_time = time[::stride]
    compass = (
        _sample(time, grid, c["unit_heading"])
        + 0.03
        + gauss_markov(time.size, 1 / pa.imu_rate, 0.03, 20.0, generator)
    )
    if pa.attitude == "levelled":
        angles = levelled_attitude(time, rates, force, compass)[::stride]
    elif pa.attitude == "navigation":
        error = [
            gauss_markov(attitude_time.size, stride / pa.imu_rate, std, 30.0, generator)
            for std in (0.004, 0.004, 0.02)
        ]
        bank, pitch, heading = (
            _sample(attitude_time, grid, c[name]) + e
            for name, e in zip(("unit_bank", "pitch", "unit_heading"), error, strict=True)
        )
        angles = _sensor_angles(bank, pitch, heading, mount)
    else:
        attitude_time, angles = np.empty(0), np.empty((0, 3))

    baro_time = np.arange(0.013, grid[-1], 1.0 / pa.baro_rate)
    air = _air_temperature(_sample(baro_time, grid, c["height"]), pa)
    pressure = pa.ground_pressure * (air / pa.ground_temperature) ** (GRAVITY / (GAS_CONSTANT * LAPSE))
    pressure = pressure + pa.baro_noise * generator.standard_normal(baro_time.size)
    temperature = first_order(air, 1.0 / pa.baro_rate, 15.0, float(air[0])) + 0.3 * float(
        generator.standard_normal()
    )
    temperature = temperature + 0.05 * generator.standard_normal(baro_time.size)
    quaternion = _to_quaternion(angles) if attitude_time.size else np.empty((0, 4))
    return UnitLog(
        time, rates, force, attitude_time, quaternion, baro_time, pressure, temperature, own_temperature
    )


def log_gps(flight: Flight, motion: Motion, parameters: Parameters, generator: np.random.Generator) -> GpsLog:
    """Return what the satellite receiver records.

    Parameters
    ----------
    flight, motion : Flight, Motion
        Truth.
    parameters : Parameters
        Clock, rate, noise.
    generator : numpy.random.Generator
        Source of noise.
    """
    pa, grid = parameters, flight.time
    step = 1.0 / pa.gps_rate
    own = np.arange(0.0, grid[-1] + 20.0 - pa.gps_offset, step)
    unit = pa.gps_offset + own * (1.0 + pa.gps_drift) - pa.gps_latency
    count = own.size
    slow = [gauss_markov(count, step, s * pa.gps_noise, 80.0, generator) for s in (1.0, 1.0, 2.0)]
    north = _sample(unit, grid, motion.position[:, 0]) + slow[0] + 0.1 * generator.standard_normal(count)
    east = _sample(unit, grid, motion.position[:, 1]) + slow[1] + 0.1 * generator.standard_normal(count)
    height = _sample(unit, grid, flight.columns["height"]) + slow[2] + 0.3 * generator.standard_normal(count)
    velocity = [
        _sample(unit, grid, motion.velocity[:, i])
        + pa.gps_speed_noise * generator.standard_normal(count)
        + gauss_markov(count, step, 0.4 * pa.gps_speed_noise, 10.0, generator)
        for i in range(2)
    ]
    # Short distances on a sphere are enough for an invented place.
    latitude = pa.latitude + np.degrees(north / EARTH_RADIUS)
    longitude = pa.longitude + np.degrees(east / (EARTH_RADIUS * cos(np.radians(pa.latitude))))
    course = np.degrees(np.arctan2(velocity[1], velocity[0])) % 360.0
    speed = np.hypot(*velocity)
    # a fix stands under its own stamp, so that a gap is where the stamps are missing
    stamp = pa.gps_offset + own * (1.0 + pa.gps_drift)
    gaps = draw_gaps(flight, pa.gps_dropouts, generator.spawn(1)[0])
    keep = outside(stamp, gaps)
    return GpsLog(own[keep], latitude[keep], longitude[keep], height[keep], speed[keep], course[keep], gaps)


def log_engine(flight: Flight, parameters: Parameters, generator: np.random.Generator) -> EngineLog:
    """Return what the engine's logger records.

    Parameters
    ----------
    flight : Flight
        Truth.
    parameters : Parameters
        Clock and rate.
    generator : numpy.random.Generator
        Source of noise.
    """
    pa, grid = parameters, flight.time
    step = 1.0 / pa.engine_rate
    own = np.arange(0.0, grid[-1] + 12.0 - pa.engine_offset, step)
    unit = pa.engine_offset + own * (1.0 + pa.engine_drift)
    true = np.asarray(np.interp(unit, grid, flight.columns["rpm"], left=0.0, right=0.0))
    rpm = np.round((true + 6.0 * generator.standard_normal(own.size)) / 10.0) * 10.0
    rpm = np.where(true < 300.0, 0.0, np.maximum(rpm, 0.0))
    load = (true / 8000.0) ** 2
    air = pa.ground_temperature - 273.15
    head = first_order(air + 175.0 * load, step, 45.0, air) + 0.4 * generator.standard_normal(own.size)
    exhaust = first_order(
        air + np.where(true > 300.0, 330.0 + 300.0 * load, 0.0), step, 6.0, air
    ) + 2.0 * generator.standard_normal(own.size)
    litres = pa.fuel_burn / FUEL_DENSITY if pa.fuel_burn else 6.0
    fuel = 9.0 - np.cumsum(litres * load * true / 8000.0) * step / 3600.0
    supply = np.where(true > 1000.0, 13.4, 12.3) + 0.05 * generator.standard_normal(own.size)
    gaps = draw_gaps(flight, pa.engine_dropouts, generator.spawn(1)[0])
    keep = outside(unit, gaps)
    return EngineLog(own[keep], rpm[keep], head[keep], exhaust[keep], fuel[keep], supply[keep], gaps)
