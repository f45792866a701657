"""Long logs of every format, made on the spot, for the speed measurements.

Each function writes one file; the flight in it is smooth and made of sines, since only its size and layout
matter. Nothing here shares code with the readers.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

__all__ = ["write_dataflash"]

_HEAD = b"\xa3\x95"
_CODES = {
    "b": "i1", "B": "u1", "h": "<i2", "H": "<u2", "i": "<i4", "I": "<u4", "f": "<f4", "d": "<f8", "n": "S4",
    "N": "S16", "Z": "S64", "c": "<i2", "C": "<u2", "e": "<i4", "E": "<u4", "L": "<i4", "M": "u1",
    "q": "<i8", "Q": "<u8",
}  # fmt: skip

# name: (id, format, columns, units, multipliers, instances, rate of each instance [Hz])
_MESSAGES = {
    "IMU": (162, "QBffffffIIfBBHH", "TimeUS,I,GyrX,GyrY,GyrZ,AccX,AccY,AccZ,EG,EA,T,GH,AH,GHz,AHz",
            "s#EEEooo--O--zz", "F-000000-----00", 2, 400),
    "ATT": (100, "QccccCCCCB", "TimeUS,DesRoll,Roll,DesPitch,Pitch,DesYaw,Yaw,ErrRP,ErrYaw,AEKF",
            "sddddhhdh-", "FBBBBBBBB-", 1, 50),
    "XKF1": (76, "QBccCfffffffccce", "TimeUS,C,Roll,Pitch,Yaw,VN,VE,VD,dPD,PN,PE,PD,GX,GY,GZ,OH",
             "s#ddhnnnnmmmkkkm", "F-BBB0000000BBBB", 2, 50),
    "XKF4": (79, "QBcccccfffHBIHb", "TimeUS,C,SV,SP,SH,SM,SVT,errRP,OFN,OFE,FS,TS,SS,GPS,PI",
             "s#------mm-----", "F-------??-----", 2, 50),
    "GPS": (130, "QBBIHBcLLeffffB", "TimeUS,I,Status,GMS,GWk,NSats,HDop,Lat,Lng,Alt,Spd,GCrs,VZ,Yaw,U",
            "s#-s-S-DUmnhnh-", "F--C-0BGGB000--", 1, 10),
    "BARO": (96, "QBffcfIffB", "TimeUS,I,Alt,Press,Temp,CRt,SMS,Offset,GndTemp,Health",
             "s#mPOnsmO-", "F-00B0C?0-", 1, 25),
    "RPM": (186, "Qff", "TimeUS,rpm1,rpm2", "sqq", "F00", 1, 20),
    "RATE": (103, "Qffffffffffff", "TimeUS,RDes,R,ROut,PDes,P,POut,YDes,Y,YOut,ADes,A,AOut",
             "skk-kk-kk-oo-", "F??????????00", 1, 50),
    "RCIN": (92, "QHHHHHHHHHHHHHH", "TimeUS,C1,C2,C3,C4,C5,C6,C7,C8,C9,C10,C11,C12,C13,C14",
             "sYYYYYYYYYYYYYY", "F--------------", 1, 50),
    "RCOU": (94, "QHHHHHHHHHHHHHH", "TimeUS,C1,C2,C3,C4,C5,C6,C7,C8,C9,C10,C11,C12,C13,C14",
             "sYYYYYYYYYYYYYY", "F--------------", 1, 50),
    "VIBE": (165, "QBfffI", "TimeUS,IMU,VibeX,VibeY,VibeZ,Clip", "s#ooo-", "F-----", 2, 25),
}  # fmt: skip

_DEFINED = {"FMT": (128, "BBnNZ"), "UNIT": (178, "QbZ"), "MULT": (179, "Qbd"), "FMTU": (177, "QBNN")}
_COLUMNS = {
    "FMT": "Type,Length,Name,Format,Columns",
    "UNIT": "TimeUS,Id,Label",
    "MULT": "TimeUS,Id,Mult",
    "FMTU": "TimeUS,FmtType,UnitIds,MultIds",
}
_UNITS = {
    "-": "", "s": "s", "#": "instance", "E": "rad/s", "o": "m/s/s", "O": "degC", "z": "Hz", "d": "deg",
    "h": "degheading", "n": "m/s", "m": "m", "k": "deg/s", "S": "satellites", "D": "deglatitude",
    "U": "deglongitude", "P": "Pa", "q": "rpm", "Y": "us",
}  # fmt: skip
_MULTIPLIERS = {"-": 0.0, "?": 1.0, "0": 1.0, "B": 1e-2, "C": 1e-3, "F": 1e-6, "G": 1e-7}


def _row_type(form: str, columns: str) -> np.dtype:
    fields = [(name, _CODES[code]) for name, code in zip(columns.split(","), form, strict=True)]
    return np.dtype([("_head", "S2"), ("_id", "u1"), *fields])


def _definitions(start: int) -> bytes:
    """Return FMT, UNIT, MULT and FMTU records."""
    out = []

    def record(number: int, code: str, *values: object) -> None:
        out.append(_HEAD + bytes([number]) + struct.pack(code, *values))

    ids = {name: (number, form, _COLUMNS[name]) for name, (number, form) in _DEFINED.items()}
    ids |= {name: (number, form, columns) for name, (number, form, columns, *_) in _MESSAGES.items()}
    for name, (number, form, columns) in ids.items():
        length = _row_type(form, columns).itemsize
        record(128, "<BB4s16s64s", number, length, name.encode(), form.encode(), columns.encode())
    for code, label in _UNITS.items():
        record(178, "<Qb64s", start, ord(code), label.encode())
    for code, factor in _MULTIPLIERS.items():
        record(179, "<Qbd", start, ord(code), factor)
    for number, _, _, units, multipliers, *_ in _MESSAGES.values():
        record(177, "<QB16s16s", start, number, units.encode(), multipliers.encode())
    return b"".join(out)


def _fill(rows: np.ndarray, name: str, seconds: np.ndarray) -> None:
    """Give the columns that feed channels values of a plausible flight, the others anything."""
    turn = 0.08 * seconds
    for i, column in enumerate(rows.dtype.names[3:]):
        rows[column] = (100 * (1 + i % 3) * (1 + np.sin(0.1 * seconds + i))).astype(np.int64) % 120
    if name == "IMU":
        for i, column in enumerate(("GyrX", "GyrY", "GyrZ", "AccX", "AccY")):
            rows[column] = 0.3 * np.sin((1 + i) * seconds)
        rows["AccZ"] = -9.81 + np.sin(7 * seconds)
        rows["GH"] = rows["AH"] = 1
    elif name in ("ATT", "XKF1"):
        rows["Roll"] = 500 * np.sin(0.2 * seconds)
        rows["Pitch"] = 300 * np.sin(0.3 * seconds)
        rows["Yaw"] = np.degrees(turn) % 360 * 100
        if name == "XKF1":
            rows["VN"], rows["VE"], rows["VD"] = 11 * np.cos(turn), 11 * np.sin(turn), -0.5
    elif name == "XKF4":
        rows["SS"] = 0x33F
    elif name == "GPS":
        rows["Status"], rows["U"], rows["GWk"] = 3, 1, 2418
        rows["GMS"] = 300_000_000 + np.round(seconds * 1000)
        rows["Lat"] = 470_000_000 + 12_000 * np.sin(turn)
        rows["Lng"] = 80_000_000 + 18_000 * (1 - np.cos(turn))
        rows["Alt"] = 60_000 + 50 * seconds
        rows["Spd"], rows["GCrs"], rows["VZ"] = 11, np.degrees(turn) % 360, -0.5
    elif name == "BARO":
        rows["Press"], rows["Temp"], rows["CRt"], rows["Health"] = 94_000 - 5 * seconds, 3_100, 0.5, 1
    elif name == "RPM":
        rows["rpm1"], rows["rpm2"] = 6000 + 1500 * np.sin(0.05 * seconds), -1


def write_dataflash(path: str | Path, minutes: float) -> int:
    """Write a binary DataFlash log of about 4 MB a minute and return its size [bytes].

    Parameters
    ----------
    path : str or Path
        File to write.
    minutes : float
        Length of the flight; 20 min give about 80 MB.
    """
    start = 60_000_000
    blocks, stamps, origins = [], [], []
    for name, (number, form, columns, _, _, instances, rate) in _MESSAGES.items():
        count = round(minutes * 60 * rate)
        for k in range(instances):
            rows = np.zeros(count, dtype=_row_type(form, columns))
            seconds = np.arange(count) / rate
            micros = start + np.round(seconds * 1e6).astype(np.int64) + 37 * len(blocks)
            _fill(rows, name, seconds)
            rows["_head"], rows["_id"], rows["TimeUS"] = _HEAD, number, micros
            if instances > 1 or rows.dtype.names[3] == "I":
                rows[rows.dtype.names[3]] = k
            origins.append(np.full(count, len(blocks)))
            stamps.append(micros)
            blocks.append(rows)
    owner = np.concatenate(origins)
    order = np.argsort(np.concatenate(stamps), kind="stable")
    owner = owner[order]
    sizes = np.array([rows.dtype.itemsize for rows in blocks])[owner]
    head = _definitions(start)
    begins = len(head) + np.concatenate([[0], np.cumsum(sizes)])
    out = np.zeros(int(begins[-1]), dtype=np.uint8)
    out[: len(head)] = np.frombuffer(head, dtype=np.uint8)
    for k, rows in enumerate(blocks):
        size = rows.dtype.itemsize
        slots = np.ndarray((out.size - size + 1,), dtype=f"V{size}", buffer=out, strides=(1,))
        slots[begins[:-1][owner == k]] = rows.view(f"V{size}")
    out.tofile(path)
    return int(out.size)
