"""A long ULog, made on the spot, for the speed measurements; shares no code with the reader.

Topics, fields and rates are those of a logger with its rates turned up: two fast sensor topics, some that
feed channels, and many small ones that feed none, 47 in all.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

__all__ = ["pad_ulog", "write_ulog"]

_START = 2_000_000  # us
_CODE = {
    "uint64_t": "<u8", "uint32_t": "<u4", "int32_t": "<i4", "uint8_t": "u1", "float": "<f4", "double": "<f8",
    "bool": "u1",
}  # fmt: skip

# name: rate [Hz], fields after the timestamp
_TOPICS = {
    "sensor_combined": (
        200, "float[3] gyro_rad;uint32_t gyro_integral_dt;int32_t accelerometer_timestamp_relative;"
        "float[3] accelerometer_m_s2;uint32_t accelerometer_integral_dt;uint8_t accelerometer_clipping;"
        "uint8_t[7] _padding0"),
    "vehicle_angular_velocity": (
        100, "uint64_t timestamp_sample;float[3] xyz;float[3] xyz_derivative"),
    "vehicle_acceleration": (50, "uint64_t timestamp_sample;float[3] xyz;uint8_t[4] _padding0"),
    "vehicle_attitude": (
        50, "uint64_t timestamp_sample;float[4] q;float[4] delta_q_reset;uint8_t quat_reset_counter;"
        "uint8_t[7] _padding0"),
    "vehicle_local_position": (50, "float vx;float vy;float vz;float heading;bool v_xy_valid;bool v_z_valid"),
    "vehicle_air_data": (
        20, "float baro_alt_meter;float baro_temp_celcius;float baro_pressure_pa;float rho"),
    "sensor_gps": (
        10, "uint64_t time_utc_usec;double latitude_deg;double longitude_deg;double altitude_msl_m;"
        "float vel_m_s;float vel_n_m_s;float vel_e_m_s;float vel_d_m_s;float cog_rad;uint8_t fix_type;"
        "bool vel_ned_valid;uint8_t[2] _padding0"),
    "airspeed": (
        10, "float indicated_airspeed_m_s;float true_airspeed_m_s;float air_temperature_celsius;"
        "float confidence"),
    "rpm": (20, "float rpm_estimate;float rpm_raw"),
}  # fmt: skip
_VALUES = {
    "baro_pressure_pa": 95_000.0, "baro_temp_celcius": 30.0, "air_temperature_celsius": 15.0,
    "true_airspeed_m_s": 11.0, "indicated_airspeed_m_s": 10.5, "rpm_estimate": 6_000.0, "fix_type": 3,
    "vel_ned_valid": 1, "v_xy_valid": 1, "v_z_valid": 1, "vel_m_s": 11.0, "altitude_msl_m": 500.0,
}  # fmt: skip


def _message(kind: bytes, body: bytes) -> bytes:
    return struct.pack("<HB", len(body), kind[0]) + body


def _rows(number: int, fields: str, stamps: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the data messages of one topic as rows of bytes."""
    layout: list[tuple] = [("_size", "<u2"), ("_kind", "u1"), ("_id", "<u2"), ("timestamp", "<u8")]
    for part in fields.split(";"):
        kind, label = part.split(" ")
        base, _, length = kind.rstrip("]").partition("[")
        layout.append((label, _CODE[base], (int(length),)) if length else (label, _CODE[base]))
    rows = np.zeros(stamps.size, dtype=layout)
    width = rows.dtype.itemsize
    if layout[-1][0].startswith("_padding"):  # a logger leaves padding at the end out
        width -= rows.dtype[-1].itemsize
    rows["_size"], rows["_kind"], rows["_id"], rows["timestamp"] = width - 3, ord("D"), number, stamps
    for name in rows.dtype.names[4:]:
        if rows[name].dtype.kind == "f":
            rows[name] = 0.1 * rng.standard_normal(rows[name].shape, dtype=np.float32)
        if name in _VALUES:
            rows[name] += np.asarray(_VALUES[name], dtype=rows[name].dtype)
    seconds = (stamps.astype(float) - _START) * 1e-6
    if "q" in rows.dtype.names:
        rows["q"] = np.column_stack(
            [np.cos(0.04 * seconds), 0 * seconds, 0 * seconds, np.sin(0.04 * seconds)]
        )
    if "time_utc_usec" in rows.dtype.names:
        rows["time_utc_usec"] = stamps + np.uint64(1_700_000_000_000_000)
        rows["latitude_deg"], rows["longitude_deg"] = 47 + 1e-4 * seconds, 8 + 1e-5 * seconds
    if "timestamp_sample" in rows.dtype.names:
        rows["timestamp_sample"] = stamps - np.uint64(100)
    return rows.view(np.uint8).reshape(stamps.size, -1)[:, :width]


def _fillers(count: int) -> dict[str, tuple[int, str]]:
    """Return topics that feed no channel: name to rate [Hz] and fields."""
    return {
        f"filler_{k:02d}": (
            (20, 10, 10, 20)[k % 4],
            f"float[{(6, 8, 12, 16, 20)[k % 5]}] values;uint32_t count;uint8_t state",
        )
        for k in range(count)
    }


def _merge(tables: list[np.ndarray], stamps: list[np.ndarray]) -> np.ndarray:
    """Return the rows of all tables, one after another in order of time, as bytes."""
    widths = np.concatenate([np.full(len(table), table.shape[1]) for table in tables])
    order = np.argsort(np.concatenate(stamps), kind="stable")
    places = np.empty(order.size, dtype=np.int64)
    places[order] = np.concatenate(([0], np.cumsum(widths[order])[:-1]))
    merged = np.empty(int(widths.sum()), dtype=np.uint8)
    first = 0
    for table in tables:
        for k in range(table.shape[1]):
            merged[places[first : first + len(table)] + k] = table[:, k]
        first += len(table)
    return merged


# what an autopilot logs beside: name to rate [Hz] and fields; none of them feeds a channel
_BESIDE = {
    "estimator_states": (20, "float[24] states;float[24] covariances;uint8_t n_states"),
    "estimator_innovations": (20, "float[40] innovations"),
    "actuator_motors": (100, "uint64_t timestamp_sample;float[8] control"),
    "vehicle_torque_setpoint": (100, "uint64_t timestamp_sample;float[3] xyz"),
    "vehicle_rates_setpoint": (50, "float roll;float pitch;float yaw;float[3] thrust_body"),
}


def pad_ulog(path: str | Path, topics: int = 42) -> int:
    """Put so many topics that feed no channel among the messages of a ULog, and return its size [bytes].

    Parameters
    ----------
    path : str or Path
        A ULog as :mod:`flightproc.simulate` writes it; replaced.
    topics : int
        How many; 42 make 80 MB of 20 min with an inertial unit at 200 Hz.
    """
    path = Path(path)
    data = path.read_bytes()
    marks, place = [], 16  # place and kind of each message, of which there are some 300 a second
    while place < len(data):
        marks.append(place)
        place += 3 + data[place] + 256 * data[place + 1]
    starts = np.array(marks)
    raw = np.frombuffer(data, dtype=np.uint8)
    first = int(np.flatnonzero(raw[starts + 2] == ord("A"))[0])
    begin = int(starts[first])
    kinds = raw[starts + 2]
    body = starts[kinds == ord("D")]
    sizes = 3 + raw[body].astype(np.int64) + 256 * raw[body + 1].astype(np.int64)
    stamps = np.zeros(body.size, dtype=np.uint64)
    for k in range(8):
        stamps |= raw[body + 5 + k].astype(np.uint64) << np.uint64(8 * k)
    named = _BESIDE | _fillers(topics - len(_BESIDE))
    added = 1 + int(np.sum(kinds == ord("A")))
    head = [data[:begin]]
    head += [_message(b"F", f"{name}:uint64_t timestamp;{f};".encode()) for name, (_, f) in named.items()]
    for at in starts[kinds == ord("A")].tolist():
        head.append(data[at : at + 3 + data[at] + 256 * data[at + 1]])
    for number, name in enumerate(named, added):
        head.append(_message(b"A", struct.pack("<BH", 0, number) + name.encode()))
    rng = np.random.default_rng(2)
    beginning, end = int(stamps.min()), int(stamps.max())
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        file.write(b"".join(head))
        for low in range(beginning, end + 1, 300_000_000):  # five minutes at a time
            high = min(low + 300_000_000, end + 1)
            own = (stamps >= low) & (stamps < high)
            tables, times = [], []
            for size in np.unique(sizes[own]):
                chosen = own & (sizes == size)
                tables.append(raw[body[chosen, None] + np.arange(size)])
                times.append(stamps[chosen])
            for number, (rate, fields) in enumerate(named.values(), added):
                at = (np.arange(low, high, 1_000_000 // rate) + rng.integers(0, 200)).astype(np.uint64)
                tables.append(_rows(number, fields, at, rng))
                times.append(at)
            _merge(tables, times).tofile(file)
        size = file.tell()
    part.replace(path)
    return size


def write_ulog(path: str | Path, minutes: float = 20.0) -> int:
    """Write a ULog of some 1,100 messages a second and return its size [bytes].

    Parameters
    ----------
    path : str or Path
        File to write.
    minutes : float
        Length of the log; 20 min give about 80 MB and 1.4 million messages.
    """
    rng = np.random.default_rng(1)
    topics = _TOPICS | _fillers(47 - len(_TOPICS))
    head = [b"ULog\x01\x12\x35\x01" + struct.pack("<Q", _START - 1_000_000), _message(b"B", bytes(40))]
    head += [
        _message(b"F", f"{name}:uint64_t timestamp;{fields};".encode())
        for name, (_, fields) in topics.items()
    ]
    tables, times = [], []
    for number, (name, (rate, fields)) in enumerate(topics.items()):
        head.append(_message(b"A", struct.pack("<BH", 0, number) + name.encode()))
        count = round(minutes * 60 * rate)
        stamps = (_START + np.arange(count) * (1_000_000 // rate) + rng.integers(0, 200, count)).astype(
            np.uint64
        )
        tables.append(_rows(number, fields, stamps, rng))
        times.append(stamps)
    merged = _merge(tables, times)
    with Path(path).open("wb") as file:
        file.write(b"".join(head))
        merged.tofile(file)
        return file.tell()
