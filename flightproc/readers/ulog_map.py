"""Which ULog fields feed which channel, best source first.

Body axes in ULog are forward, right, down, and local axes north, east, down; angles are in radians. Both are
those of the channel table, so no sign is changed except from "down" to "climb".

References
----------
PX4 developer documentation, uORB message reference: ``SensorCombined``, ``VehicleAngularVelocity``,
``VehicleAcceleration``, ``VehicleImu``, ``VehicleAttitude``, ``SensorGps``, ``VehicleLocalPosition``,
``VehicleGlobalPosition``, ``Airspeed``, ``AirspeedValidated``, ``EscStatus``, ``EscReport``, ``Rpm``,
``InternalCombustionEngineStatus``, ``VehicleAirData``, ``SensorBaro``, ``ManualControlSetpoint``,
``ActuatorControls``.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ESC_RPM", "FEEDS", "GPS_TOPICS", "UNITS", "Feed"]

Array = NDArray[np.float64]

ESC_RPM = re.compile(r"^esc\[(\d+)\]\.esc_rpm$")
"""Field of ``esc_status`` with the speed of one motor [1/min]; slots not used read 0 throughout."""

GPS_TOPICS = ("vehicle_gps_position", "sensor_gps")
"""Topics with the satellite receiver's own position, velocity and UTC."""


@dataclass(frozen=True)
class Feed:
    """One way to have one channel.

    Attributes
    ----------
    channel : str
        Channel.
    topic : str
        ULog topic.
    fields : tuple of str
        Fields needed; all must be there.
    make : callable
        From the fields' values, each of shape (n,), to the channel's.
    gates : tuple of (str, callable)
        Optional fields and, for each, which of its values mean "valid".
    note : str
        What to know about this source.
    """

    channel: str
    topic: str
    fields: tuple[str, ...]
    make: Callable[..., Array]
    gates: tuple[tuple[str, Callable[[Array], NDArray[np.bool_]]], ...] = ()
    note: str = ""


def _same(x: Array) -> Array:
    return x


def _minus(x: Array) -> Array:
    return -x


def _ratio_us(x: Array, step: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(step > 0, x / (step * 1e-6), np.nan)


def _unit(w: Array, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array, Array]:
    norm = np.sqrt(w * w + x * x + y * y + z * z)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(np.abs(norm - 1.0) < 0.1, 1.0 / norm, np.nan)
    return w * scale, x * scale, y * scale, z * scale


def _bank(w: Array, x: Array, y: Array, z: Array) -> Array:
    w, x, y, z = _unit(w, x, y, z)
    return np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))


def _pitch(w: Array, x: Array, y: Array, z: Array) -> Array:
    w, x, y, z = _unit(w, x, y, z)
    return np.arcsin(np.clip(2 * (w * y - z * x), -1.0, 1.0))


def _heading(w: Array, x: Array, y: Array, z: Array) -> Array:
    w, x, y, z = _unit(w, x, y, z)
    return np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))


def _celsius(x: Array) -> Array:
    return np.where(x > -200.0, x + 273.15, np.nan)  # -1000 stands for "unknown"


def _pressure(x: Array) -> Array:
    # Older sensor_baro logs are in hPa, newer ones in Pa; the two ranges cannot meet.
    return np.where(np.abs(x) < 2_000.0, 100.0 * x, x)


def _fix(least: int) -> tuple[str, Callable[[Array], NDArray[np.bool_]]]:
    return ("fix_type", lambda x: x >= least)


def _true(name: str) -> tuple[str, Callable[[Array], NDArray[np.bool_]]]:
    return (name, lambda x: x > 0)


_AXES = "xyz"
_RATES = ("roll_rate", "pitch_rate", "yaw_rate")
_PITOT = (("airspeed_source", lambda x: (x >= 1) & (x <= 3)), _true("airspeed_sensor_measurement_valid"))
_ATTITUDE = ("q[0]", "q[1]", "q[2]", "q[3]")


def _feeds() -> list[Feed]:
    out: list[Feed] = []
    for i, (axis, rate) in enumerate(zip(_AXES, _RATES, strict=True)):
        force = f"specific_force_{axis}"
        out += [
            Feed(rate, "sensor_combined", (f"gyro_rad[{i}]",), _same),
            Feed(rate, "vehicle_angular_velocity", (f"xyz[{i}]",), _same),
            Feed(rate, "vehicle_imu", (f"delta_angle[{i}]", "delta_angle_dt"), _ratio_us),
            Feed(rate, "vehicle_attitude", (f"{rate.split('_')[0]}speed",), _same),
            Feed(rate, "sensor_gyro", (axis,), _same, note="one sensor, not calibrated"),
            Feed(force, "sensor_combined", (f"accelerometer_m_s2[{i}]",), _same),
            Feed(force, "vehicle_acceleration", (f"xyz[{i}]",), _same),
            Feed(force, "vehicle_imu", (f"delta_velocity[{i}]", "delta_velocity_dt"), _ratio_us),
            Feed(force, "sensor_accel", (axis,), _same, note="one sensor, not calibrated"),
        ]
    for channel, make, old in (
        ("bank", _bank, "roll"),
        ("pitch", _pitch, "pitch"),
        ("heading", _heading, "yaw"),
    ):
        out += [
            Feed(channel, "vehicle_attitude", _ATTITUDE, make),
            Feed(channel, "vehicle_attitude", (old,), _same, note="form of old logs"),
        ]
    out += [
        Feed("heading", "vehicle_local_position", ("heading",), _same),
        Feed("heading", "vehicle_local_position", ("yaw",), _same),
    ]
    for topic in GPS_TOPICS:
        flat, full, moving = (_fix(2),), (_fix(3),), (_fix(2), _true("vel_ned_valid"))
        out += [
            Feed("latitude", topic, ("latitude_deg",), np.radians, flat),
            Feed("latitude", topic, ("lat",), lambda x: np.radians(x * 1e-7), flat),
            Feed("longitude", topic, ("longitude_deg",), np.radians, flat),
            Feed("longitude", topic, ("lon",), lambda x: np.radians(x * 1e-7), flat),
            Feed("height", topic, ("altitude_msl_m",), _same, full),
            Feed("height", topic, ("alt",), lambda x: x * 1e-3, full),
            Feed("velocity_north", topic, ("vel_n_m_s",), _same, moving),
            Feed("velocity_east", topic, ("vel_e_m_s",), _same, moving),
            Feed("climb", topic, ("vel_d_m_s",), _minus, moving),
            Feed("ground_speed", topic, ("vel_m_s",), _same, flat),
            Feed("track", topic, ("cog_rad",), _same, flat),
        ]
    fused = "filtered by the flight controller"
    good, upright = (_true("v_xy_valid"),), (_true("v_z_valid"),)
    out += [
        Feed("velocity_north", "vehicle_local_position", ("vx",), _same, good, fused),
        Feed("velocity_east", "vehicle_local_position", ("vy",), _same, good, fused),
        Feed("climb", "vehicle_local_position", ("vz",), _minus, upright, fused),
        Feed("latitude", "vehicle_global_position", ("lat",), np.radians, (), fused),
        Feed("longitude", "vehicle_global_position", ("lon",), np.radians, (), fused),
        Feed("height", "vehicle_global_position", ("alt",), _same, (), fused),
        Feed("velocity_north", "vehicle_global_position", ("vel_n",), _same, (), fused),
        Feed("velocity_east", "vehicle_global_position", ("vel_e",), _same, (), fused),
        Feed("climb", "vehicle_global_position", ("vel_d",), _minus, (), fused),
        Feed("true_airspeed", "airspeed", ("true_airspeed_m_s",), _same),
        Feed("true_airspeed", "airspeed_validated", ("true_airspeed_m_s",), _same, _PITOT),
        Feed("indicated_airspeed", "airspeed_validated", ("calibrated_airspeed_m_s",), _same, _PITOT),
        Feed("indicated_airspeed", "airspeed_validated", ("equivalent_airspeed_m_s",), _same, _PITOT),
        Feed("indicated_airspeed", "airspeed", ("indicated_airspeed_m_s",), _same),
        Feed("rpm", "internal_combustion_engine_status", ("engine_speed_rpm",), _same),
        Feed("rpm", "rpm", ("rpm_estimate",), _same),
        Feed("rpm", "rpm", ("indicated_frequency_rpm",), _same),
        Feed("pressure", "vehicle_air_data", ("baro_pressure_pa",), _pressure),
        Feed("pressure", "sensor_baro", ("pressure",), _pressure),
        Feed("temperature", "airspeed", ("air_temperature_celsius",), _celsius),
        Feed(
            "temperature",
            "vehicle_air_data",
            ("ambient_temperature",),
            _celsius,
            (("temperature_source", lambda x: x > 0),),
        ),
        Feed(
            "temperature",
            "vehicle_air_data",
            ("baro_temp_celcius",),
            _celsius,
            note="temperature of the barometer chip, usually warmer than the air",
        ),
        Feed(
            "throttle",
            "internal_combustion_engine_status",
            ("throttle_position_percent",),
            lambda x: x * 0.01,
        ),
        Feed(
            "throttle",
            "manual_control_setpoint",
            ("throttle",),
            lambda x: 0.5 * (x + 1.0),
            (_true("valid"),),
            "position of the stick, -1 to 1 brought to 0 to 1",
        ),
        Feed("throttle", "manual_control_setpoint", ("z",), _same, (), "position of the stick"),
        Feed(
            "throttle",
            "actuator_controls_0",
            ("control[3]",),
            _same,
            (),
            "thrust asked for by the controller",
        ),
    ]
    return out


FEEDS: tuple[Feed, ...] = tuple(_feeds())
"""Every way to have a channel from a ULog, for each channel the best first."""

_ENDINGS = (
    ("_m_s2", "m/s^2"),
    ("_m_s", "m/s"),
    ("_deg", "deg"),
    ("_rad", "rad"),
    ("_rpm", "1/min"),
    ("_pa", "Pa"),
    ("_celcius", "C"),
    ("_celsius", "C"),
    ("_temperature", "C"),
    ("_usec", "us"),
    ("_dt", "us"),
    ("_percent", "%"),
    ("_meter", "m"),
    ("_m", "m"),
    ("_v", "V"),
    ("_a", "A"),
    ("_ga", "G"),
    ("timestamp", "us"),
)


def field_unit(topic: str, name: str) -> str:
    """Return the unit that a field's name or the message reference states, or an empty string."""
    bare = re.sub(r"\[\d+\]$", "", name)
    known = UNITS.get(f"{topic}.{bare}")
    if known is not None:
        return known
    last = bare.split(".")[-1]
    for ending, unit in _ENDINGS:
        if last.endswith(ending):
            return unit
    return ""


UNITS = {
    "vehicle_gps_position.lat": "1e-7 deg",
    "vehicle_gps_position.lon": "1e-7 deg",
    "vehicle_gps_position.alt": "mm",
    "sensor_gps.lat": "1e-7 deg",
    "sensor_gps.lon": "1e-7 deg",
    "sensor_gps.alt": "mm",
    "vehicle_global_position.lat": "deg",
    "vehicle_global_position.lon": "deg",
    "vehicle_global_position.alt": "m",
    "vehicle_local_position.vx": "m/s",
    "vehicle_local_position.vy": "m/s",
    "vehicle_local_position.vz": "m/s",
    "vehicle_local_position.heading": "rad",
    "vehicle_local_position.yaw": "rad",
    "vehicle_attitude.rollspeed": "rad/s",
    "vehicle_attitude.pitchspeed": "rad/s",
    "vehicle_attitude.yawspeed": "rad/s",
    "sensor_combined.gyro_rad": "rad/s",
    "vehicle_angular_velocity.xyz": "rad/s",
    "vehicle_acceleration.xyz": "m/s^2",
    "vehicle_imu.delta_angle": "rad",
    "vehicle_imu.delta_velocity": "m/s",
    "sensor_gyro.x": "rad/s",
    "sensor_gyro.y": "rad/s",
    "sensor_gyro.z": "rad/s",
    "sensor_accel.x": "m/s^2",
    "sensor_accel.y": "m/s^2",
    "sensor_accel.z": "m/s^2",
    "sensor_baro.pressure": "Pa",
    "vehicle_air_data.ambient_temperature": "C",
    "rpm.rpm_estimate": "1/min",
}
"""Units that a field's name does not tell."""
