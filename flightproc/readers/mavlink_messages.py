"""The MAVLink messages whose fields are read: layout on the wire and checksum seed, worked out from a table.

References
----------
MAVLink Developer Guide, "Packet Serialization" (field order, ``CRC_EXTRA``, extensions) and "MAVLINK Common
Message Set" with the ArduPilot set (fields, types, units).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from .mavlink_ids import CHECK_SEEDS, MESSAGE_NAMES

__all__ = ["CHECK_SEEDS", "LAYOUTS", "MESSAGE_NAMES", "Layout", "checksum"]

# Each message: id, name, then its fields in the order of the definition as type, name and unit; fields
# after "+" are extensions, which MAVLink 1 does not have and the checksum seed does not count.
_IMU = """time_boot_ms:u4:ms xacc:i2:mG yacc:i2:mG zacc:i2:mG xgyro:i2:mrad/s ygyro:i2:mrad/s zgyro:i2:mrad/s
    xmag:i2:mgauss ymag:i2:mgauss zmag:i2:mgauss + temperature:i2:0.01C"""
_BARO = """time_boot_ms:u4:ms press_abs:f4:hPa press_diff:f4:hPa temperature:i2:0.01C
    + temperature_press_diff:i2:0.01C"""
_ESCS = """temperature:u1[4]:C voltage:u2[4]:0.01V current:u2[4]:0.01A totalcurrent:u2[4]:mAh rpm:u2[4]:1/min
    count:u2[4]"""
_TABLE: tuple[tuple[int, str, str], ...] = (
    (0, "HEARTBEAT", "type:u1 autopilot:u1 base_mode:u1 custom_mode:u4 system_status:u1 mavlink_version:u1"),
    (2, "SYSTEM_TIME", "time_unix_usec:u8:us time_boot_ms:u4:ms"),
    (
        24,
        "GPS_RAW_INT",
        """time_usec:u8:us fix_type:u1 lat:i4:1e-7deg lon:i4:1e-7deg alt:i4:mm eph:u2 epv:u2 vel:u2:cm/s
        cog:u2:0.01deg satellites_visible:u1 + alt_ellipsoid:i4:mm h_acc:u4:mm v_acc:u4:mm vel_acc:u4:mm/s
        hdg_acc:u4:1e-5deg yaw:u2:0.01deg""",
    ),
    (26, "SCALED_IMU", _IMU),
    (
        27,
        "RAW_IMU",
        """time_usec:u8:us xacc:i2 yacc:i2 zacc:i2 xgyro:i2 ygyro:i2 zgyro:i2 xmag:i2 ymag:i2 zmag:i2
        + id:u1 temperature:i2:0.01C""",
    ),
    (29, "SCALED_PRESSURE", _BARO),
    (
        30,
        "ATTITUDE",
        """time_boot_ms:u4:ms roll:f4:rad pitch:f4:rad yaw:f4:rad rollspeed:f4:rad/s pitchspeed:f4:rad/s
        yawspeed:f4:rad/s""",
    ),
    (
        31,
        "ATTITUDE_QUATERNION",
        """time_boot_ms:u4:ms q1:f4 q2:f4 q3:f4 q4:f4 rollspeed:f4:rad/s pitchspeed:f4:rad/s
        yawspeed:f4:rad/s + repr_offset_q:f4[4]""",
    ),
    (
        32,
        "LOCAL_POSITION_NED",
        "time_boot_ms:u4:ms x:f4:m y:f4:m z:f4:m vx:f4:m/s vy:f4:m/s vz:f4:m/s",
    ),
    (
        33,
        "GLOBAL_POSITION_INT",
        """time_boot_ms:u4:ms lat:i4:1e-7deg lon:i4:1e-7deg alt:i4:mm relative_alt:i4:mm vx:i2:cm/s vy:i2:cm/s
        vz:i2:cm/s hdg:u2:0.01deg""",
    ),
    (
        74,
        "VFR_HUD",
        "airspeed:f4:m/s groundspeed:f4:m/s heading:i2:deg throttle:u2:% alt:f4:m climb:f4:m/s",
    ),
    (
        105,
        "HIGHRES_IMU",
        """time_usec:u8:us xacc:f4:m/s^2 yacc:f4:m/s^2 zacc:f4:m/s^2 xgyro:f4:rad/s ygyro:f4:rad/s
        zgyro:f4:rad/s xmag:f4:gauss ymag:f4:gauss zmag:f4:gauss abs_pressure:f4:hPa diff_pressure:f4:hPa
        pressure_alt:f4:m temperature:f4:C fields_updated:u2 + id:u1""",
    ),
    (116, "SCALED_IMU2", _IMU),
    (
        124,
        "GPS2_RAW",
        """time_usec:u8:us fix_type:u1 lat:i4:1e-7deg lon:i4:1e-7deg alt:i4:mm eph:u2 epv:u2 vel:u2:cm/s
        cog:u2:0.01deg satellites_visible:u1 dgps_numch:u1 dgps_age:u4:ms + yaw:u2:0.01deg alt_ellipsoid:i4:mm
        h_acc:u4:mm v_acc:u4:mm vel_acc:u4:mm/s hdg_acc:u4:1e-5deg""",
    ),
    (129, "SCALED_IMU3", _IMU),
    (137, "SCALED_PRESSURE2", _BARO),
    (143, "SCALED_PRESSURE3", _BARO),
    (
        225,
        "EFI_STATUS",
        """health:u1 ecu_index:f4 rpm:f4:1/min fuel_consumed:f4:cm^3 fuel_flow:f4:cm^3/min engine_load:f4:%
        throttle_position:f4:% spark_dwell_time:f4:ms barometric_pressure:f4:kPa
        intake_manifold_pressure:f4:kPa intake_manifold_temperature:f4:C cylinder_head_temperature:f4:C
        ignition_timing:f4:deg injection_time:f4:ms exhaust_gas_temperature:f4:C throttle_out:f4:%
        pt_compensation:f4 + ignition_voltage:f4:V fuel_pressure:f4:kPa""",
    ),
    (226, "RPM", "rpm1:f4:1/min rpm2:f4:1/min"),
    (291, "ESC_STATUS", "index:u1 time_usec:u8:us rpm:i4[4]:1/min voltage:f4[4]:V current:f4[4]:A"),
    (295, "AIRSPEED", "id:u1 airspeed:f4:m/s temperature:i2:0.01C raw_press:f4:hPa flags:u1"),
    (11030, "ESC_TELEMETRY_1_TO_4", _ESCS),
    (11031, "ESC_TELEMETRY_5_TO_8", _ESCS),
    (11032, "ESC_TELEMETRY_9_TO_12", _ESCS),
)

_C_TYPES = {
    "u1": "uint8_t",
    "u2": "uint16_t",
    "u4": "uint32_t",
    "u8": "uint64_t",
    "i2": "int16_t",
    "i4": "int32_t",
    "f4": "float",
}
_FIELD = re.compile(r"^(\w+):([uif]\d)(?:\[(\d+)\])?(?::(\S+))?$")


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = value >> 1 ^ 0x8408 if value & 1 else value >> 1
        table.append(value)
    return tuple(table)


_CRC = _crc_table()


def checksum(data: bytes, start: int = 0xFFFF) -> int:
    """Return the checksum that MAVLink uses (CRC-16/MCRF4XX), byte by byte: for short data.

    Parameters
    ----------
    data : bytes
    start : int
        Checksum of what came before.

    Examples
    --------
    >>> hex(checksum(b"123456789"))
    '0x6f91'

    References
    ----------
    MAVLink Developer Guide, "Packet Serialization", checksum; check value of CRC-16/MCRF4XX as catalogued.
    """
    for byte in data:
        start = start >> 8 ^ _CRC[(start ^ byte) & 0xFF]
    return start


@dataclass(frozen=True)
class Layout:
    """One message on the wire.

    Attributes
    ----------
    number : int
        Message id.
    name : str
        Message name.
    row : numpy.dtype
        The whole payload, extensions included.
    units : dict of str to str
        Unit of each field that has one, in the order of the definition (all fields are keys).
    check_seed : int
        ``CRC_EXTRA``.
    """

    number: int
    name: str
    row: np.dtype[np.void]
    units: dict[str, str]
    check_seed: int


def _lay_out(number: int, name: str, text: str) -> Layout:
    """Order the fields as on the wire (largest type first, extensions last) and work out the seed."""
    main, _, extra = text.partition("+")
    base, extensions = (
        [match.groups() for word in part.split() if (match := _FIELD.match(word))] for part in (main, extra)
    )
    wire = sorted(base, key=lambda field: -int(field[1][1]))
    seed = checksum(f"{name} ".encode())
    for label, kind, length, _ in wire:
        seed = checksum(f"{_C_TYPES[kind]} {label} ".encode(), seed)
        if length:
            seed = checksum(bytes([int(length)]), seed)
    columns = [
        (label, f"<{kind}", (int(length),)) if length else (label, f"<{kind}")
        for label, kind, length, _ in (*wire, *extensions)
    ]
    units = {label: (unit or "").replace("1e-7deg", "1e-7 deg") for label, _, _, unit in (*base, *extensions)}
    return Layout(number, name, np.dtype(columns), units, seed & 0xFF ^ seed >> 8)


LAYOUTS: dict[int, Layout] = {number: _lay_out(number, name, text) for number, name, text in _TABLE}
"""Every message whose fields are read, by id."""
