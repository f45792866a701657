"""Long GPX, CSV, IGC and NMEA logs, made on the spot, for the speed measurements.

The flight is a wide circle; only size and layout matter. Nothing here shares code with the readers.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

__all__ = ["write_csv", "write_gpx", "write_igc", "write_nmea"]

_START = datetime(2026, 5, 1, 10, 0, 0, tzinfo=UTC)
_BLOCK = 20_000


def _write(path: str | Path, parts: Iterator[str]) -> int:
    with Path(path).open("w", encoding="ascii", newline="") as file:
        for part in parts:
            file.write(part)
        return file.tell()


def _flight(count: int, rate: float) -> Iterator[tuple[float, float, float, float, float, float]]:
    """Yield time [s], latitude, longitude [deg], height [m], speed [m/s] and course [deg]."""
    seconds = np.arange(count) / rate
    turn = 0.05 * seconds
    columns = (
        seconds,
        47 + 0.002 * np.sin(turn),
        8 + 0.003 * (1 - np.cos(turn)),
        600 + 50 * np.sin(0.01 * seconds),
        11 + np.sin(0.3 * seconds),
        np.degrees(turn) % 360,
    )
    yield from zip(*(column.tolist() for column in columns), strict=True)


def write_gpx(path: str | Path, megabytes: float) -> int:
    """Write a GPX 1.1 of 20 min, with speed and course in extensions, and return its size [bytes]."""
    count = round(megabytes * 1e6 / 262)
    rate = count / 1200.0

    def parts() -> Iterator[str]:
        yield (
            '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="benchmark" '
            'xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="urn:example:points">\n'
            "<trk><name>t</name><trkseg>\n"
        )
        for t, lat, lon, ele, speed, course in _flight(count, rate):
            at = _START + timedelta(milliseconds=round(1000 * t))
            yield (
                f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}">\n <ele>{ele:.2f}</ele>\n'
                f" <time>{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z</time>\n"
                f" <extensions><x:TrackPointExtension><x:speed>{speed:.3f}</x:speed><x:course>{course:.2f}"
                "</x:course></x:TrackPointExtension></extensions>\n</trkpt>\n"
            )
        yield "</trkseg></trk></gpx>\n"

    return _write(path, parts())


def write_csv(path: str | Path, megabytes: float) -> int:
    """Write a comma-separated table of 20 min, 9 of its 21 columns in use; return its size [bytes]."""
    names = ["time [s]", "latitude [deg]", "longitude [deg]", "height [m]", "ground speed [m/s]",
             "course [deg]", "rpm", "roll rate [rad/s]", "acc z [m/s^2]"]  # fmt: skip
    names += [f"analog {k}" for k in range(12)]
    count = round(megabytes * 1e6 / 172)
    tails = [
        "," + ",".join(f"{value:.4f}" for value in row)
        for row in np.random.default_rng(1).standard_normal((1000, 12)).tolist()
    ]

    def parts() -> Iterator[str]:
        yield ",".join(names) + "\n"
        for k, (t, lat, lon, ele, speed, course) in enumerate(_flight(count, count / 1200.0)):
            yield (
                f"{t:.4f},{lat:.7f},{lon:.7f},{ele:.2f},{speed:.3f},{course:.2f},{6000 + speed:.0f},0.05"
                f",-9.81{tails[k % 1000]}\n"
            )

    return _write(path, parts())


def write_igc(path: str | Path, hours: float) -> int:
    """Write an IGC file at 1 Hz with two extensions and return its size [bytes]."""

    def parts() -> Iterator[str]:
        yield "AXYZ000\r\nHFDTE010526\r\nHFDTM100GPSDATUM:WGS-1984\r\nI023638FXA3941ENL\r\n"
        for t, lat, lon, ele, _, _ in _flight(round(3600 * hours), 1.0):
            at = _START + timedelta(seconds=t)
            yield (
                f"B{at:%H%M%S}{int(lat):02d}{round(lat % 1 * 60_000):05d}N"
                f"{int(lon):03d}{round(lon % 1 * 60_000):05d}E"
                f"A{round(ele):05d}{round(ele) + 40:05d}003123\r\n"
            )

    return _write(path, parts())


def write_nmea(path: str | Path, megabytes: float) -> int:
    """Write RMC, GGA and VTG sentences of 20 min and return its size [bytes]."""
    count = round(megabytes * 1e6 / 195)

    def sentence(body: str) -> str:
        check = 0
        for byte in body.encode("ascii"):
            check ^= byte
        return f"${body}*{check:02X}\r\n"

    def parts() -> Iterator[str]:
        for t, lat, lon, ele, speed, course in _flight(count, count / 1200.0):
            at = _START + timedelta(milliseconds=round(1000 * t))
            clock = f"{at:%H%M%S}.{at.microsecond // 1000:03d}"
            place = f"{int(lat):02d}{lat % 1 * 60:08.5f},N,{int(lon):03d}{lon % 1 * 60:08.5f},E"
            knots = speed * 3600 / 1852
            yield sentence(f"GPRMC,{clock},A,{place},{knots:.3f},{course:.2f},{at:%d%m%y},,,A")
            yield sentence(f"GPGGA,{clock},{place},1,09,0.9,{ele:.2f},M,47.0,M,,")
            yield sentence(f"GPVTG,{course:.2f},T,,M,{knots:.3f},N,{3.6 * speed:.3f},K,A")

    return _write(path, parts())
