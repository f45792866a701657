"""A long MAVLink telemetry log, made on the spot, for the speed measurements.

The flight is made of sines, since only its size and layout matter. Nothing here shares code with the reader.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

__all__ = ["write_tlog"]

_START = 1_777_629_600_000_000  # us
_BOOT = 40_000_000  # us that the vehicle had been running by then
_LATENCY = 30_000  # us

# id: (checksum seed, fields in the order on the wire, rate [Hz]); a time comes first
_MESSAGES = {
    0: (50, "custom_mode:u4 type:u1 autopilot:u1 base_mode:u1 status:u1 version:u1", 1),
    2: (137, "unix:u8 ms:u4", 1),
    24: (24, "us:u8 lat:i4 lon:i4 alt:i4 eph:u2 epv:u2 vel:u2 cog:u2 fix:u1 satellites:u1", 10),
    29: (115, "ms:u4 absolute:f4 difference:f4 temperature:i2", 25),
    30: (39, "ms:u4 roll:f4 pitch:f4 yaw:f4 p:f4 q:f4 r:f4", 200),
    31: (246, "ms:u4 q1:f4 q2:f4 q3:f4 q4:f4 p:f4 q:f4 r:f4", 200),
    32: (185, "ms:u4 x:f4 y:f4 z:f4 vx:f4 vy:f4 vz:f4", 100),
    33: (104, "ms:u4 lat:i4 lon:i4 alt:i4 above:i4 vx:i2 vy:i2 vz:i2 hdg:u2", 50),
    36: (222, "us:u4 s1:u2 s2:u2 s3:u2 s4:u2 s5:u2 s6:u2 s7:u2 s8:u2 port:u1", 100),
    65: (118, "ms:u4 " + " ".join(f"c{k}:u2" for k in range(18)) + " count:u1 rssi:u1", 50),
    74: (20, "air:f4 ground:f4 alt:f4 climb:f4 heading:i2 throttle:u2", 50),
    105: (93, "us:u8 " + " ".join(f"{k}:f4" for k in "abcdefghijklm") + " updated:u2", 250),
    116: (76, "ms:u4 ax:i2 ay:i2 az:i2 gx:i2 gy:i2 gz:i2 mx:i2 my:i2 mz:i2", 200),
    226: (207, "one:f4 two:f4", 50),
}


def _rows(number: int, fields: str, seconds: np.ndarray) -> np.ndarray:
    """Return the payloads of one message."""
    words = [word.split(":") for word in fields.split()]
    rows = np.zeros(seconds.size, dtype=np.dtype([(name, f"<{kind}") for name, kind in words]))
    for i, (name, kind) in enumerate(words):
        wave = np.sin((0.2 + 0.1 * i) * seconds + i)
        rows[name] = wave if kind == "f4" else np.round(90 + 80 * wave)
    micros = np.round(seconds * 1e6).astype(np.int64)
    if "us" in rows.dtype.names:
        rows["us"] = _BOOT + micros
    if "ms" in rows.dtype.names:
        rows["ms"] = (_BOOT + micros) // 1000
    turn = 0.08 * seconds
    if number == 0:
        rows["type"], rows["autopilot"], rows["version"] = 1, 3, 3
    elif number == 2:
        rows["unix"] = _START + micros
    elif number in (24, 33):
        rows["lat"] = 470_000_000 + 12_000 * np.sin(turn)
        rows["lon"] = 80_000_000 + 18_000 * (1 - np.cos(turn))
        rows["alt"] = 600_000 + 500 * seconds
        if number == 24:
            rows["vel"], rows["cog"], rows["fix"] = 1100, np.degrees(turn) % 360 * 100, 3
    elif number == 29:
        rows["absolute"], rows["temperature"] = 940 - 0.05 * seconds, 2500
    elif number == 31:
        rows["q1"], rows["q2"] = np.cos(0.05 * wave), np.sin(0.05 * wave)
        rows["q3"] = rows["q4"] = 0
    elif number == 74:
        rows["air"], rows["ground"], rows["heading"] = 11 + wave, 11, np.degrees(turn) % 360
    elif number == 105:
        rows["c"], rows["j"] = -9.81 + wave, 940
    elif number == 116:
        rows["az"] = -1000
    elif number == 226:
        rows["one"], rows["two"] = 6000 + 1500 * np.sin(0.05 * seconds), 0
    return rows


def _checksums(body: np.ndarray, seed: int) -> np.ndarray:
    """Return the checksum of each row of bytes, the seed taken in last."""
    table = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        table = np.where(table & 1, table >> 1 ^ 0x8408, table >> 1).astype(np.uint16)
    crc = np.full(len(body), 0xFFFF, dtype=np.uint16)
    for column in [*body.T, np.full(len(body), seed, dtype=np.uint8)]:
        crc = crc >> 8 ^ table[(crc ^ column) & 0xFF]
    return crc


def write_tlog(path: str | Path, minutes: float) -> int:
    """Write a telemetry log of about 4 MB a minute (MAVLink 2) and return its size [bytes].

    Parameters
    ----------
    path : str or Path
        File to write.
    minutes : float
        Length of the flight; 20 min give about 80 MB.
    """
    payloads, stamps, lengths = [], [], []
    for number, (_, fields, rate) in _MESSAGES.items():
        seconds = np.arange(round(minutes * 60 * rate)) / rate
        rows = _rows(number, fields, seconds)
        matrix = rows.view(np.uint8).reshape(rows.size, rows.dtype.itemsize)
        tail = np.argmax(matrix[:, ::-1] != 0, axis=1)
        payloads.append(matrix)
        lengths.append(matrix.shape[1] - tail)  # zeros at the end are not sent
        stamps.append(_START + _LATENCY + np.round(seconds * 1e6).astype(np.int64) + 7 * number)
    stamp, length = np.concatenate(stamps), np.concatenate(lengths)
    order = np.argsort(stamp, kind="stable")
    rank = np.empty(order.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    begins = np.concatenate([[0], np.cumsum(length[order] + 20)])
    out = np.zeros(int(begins[-1]), dtype=np.uint8)
    base = 0
    for matrix, (number, (seed, _, _)) in zip(payloads, _MESSAGES.items(), strict=True):
        mine = slice(base, base + len(matrix))
        base += len(matrix)
        for size in np.unique(length[mine]).tolist():
            which = np.flatnonzero(length[mine] == size)
            frame = np.zeros((which.size, size + 20), dtype=np.uint8)
            frame[:, :8] = stamp[mine][which].astype(">u8").view(np.uint8).reshape(-1, 8)
            frame[:, 8:10] = 0xFD, size
            frame[:, 12] = rank[mine][which] % 256
            frame[:, 13:15] = 1
            frame[:, 15:17] = number & 0xFF, number >> 8
            frame[:, 18 : 18 + size] = matrix[which, :size]
            crc = _checksums(frame[:, 9 : 18 + size], seed)
            frame[:, -2], frame[:, -1] = crc & 0xFF, crc >> 8
            slots = np.ndarray((out.size - size - 19,), f"V{size + 20}", buffer=out, strides=(1,))
            slots[begins[rank[mine][which]]] = frame.view(f"V{size + 20}")[:, 0]
    out.tofile(path)
    return int(out.size)
