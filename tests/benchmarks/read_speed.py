"""How fast and how lean the readers are, beside the plain libraries, in one run.

    python tests/benchmarks/read_speed.py                # about 5 min
    python tests/benchmarks/read_speed.py ULog IGC --runs 3 --scale 0.2

Long logs are made in a temporary folder. Each reading is a process of its own, library and reader in turn,
and the medians count. Times are those of reading alone, without the start of Python and the imports; ours
include the SHA-256 of the file and the search for its format. Memory is the growth of the process over what
it held before it read, against the size of the file plus three times the bytes of the channels kept (arrays
that are shared count once).
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parent))  # the writers lie beside this file


@dataclass(frozen=True)
class Case:
    """One format: how to write a long log, the library to compare with, and the ratio to reach."""

    write: Callable[[Path, float], int]
    library: str
    bar: float
    read: Callable[[str], object]


# The plain libraries, each used as its own documentation shows ----------------------------------------------


def _pyulog(path: str) -> object:
    from pyulog import ULog

    begin()
    return ULog(path)


def _pymavlink_dataflash(path: str) -> object:
    from pymavlink.DFReader import DFReader_binary

    begin()
    log, rows = DFReader_binary(path), []
    while (message := log.recv_match(type=["IMU", "ATT", "GPS", "BARO", "RPM", "XKF1"])) is not None:
        rows.append(message.to_dict())
    return rows


def _pymavlink_tlog(path: str) -> object:
    from pymavlink import mavutil

    begin()
    log, rows = mavutil.mavlogfile(path), []
    while (message := log.recv_msg()) is not None:
        rows.append((message._timestamp, message))
    return rows


def _gpxpy(path: str) -> object:
    import xml.etree.ElementTree as ElementTree

    import gpxpy
    import gpxpy.parser

    gpxpy.parser.mod_etree = ElementTree  # the standard parser, also where lxml is installed
    begin()
    with open(path, encoding="utf-8") as file:
        return gpxpy.parse(file)


def _aerofiles(path: str) -> object:
    from aerofiles.igc import Reader

    begin()
    with open(path, encoding="ascii") as file:
        return Reader().read(file)


def _pynmea2(path: str) -> object:
    import pynmea2

    begin()
    with open(path, encoding="ascii") as file:
        return [pynmea2.parse(line) for line in file]


def _pandas(path: str) -> object:
    import pandas as pd

    begin()
    return pd.read_csv(path)


def _write(module: str, function: str, size: float) -> Callable[[Path, float], int]:
    def write(path: Path, scale: float) -> int:
        written: int = getattr(__import__(module), function)(path, size * scale)
        return written

    return write


CASES = {
    "ULog": Case(_write("big_ulog", "write_ulog", 20.0), "pyulog", 5.0, _pyulog),
    "DataFlash": Case(_write("big_logs", "write_dataflash", 20.0), "pymavlink", 20.0, _pymavlink_dataflash),
    "MAVLink": Case(_write("big_tlog", "write_tlog", 20.0), "pymavlink", 0.0, _pymavlink_tlog),
    "IGC": Case(_write("big_texts", "write_igc", 20.0), "aerofiles", 10.0, _aerofiles),
    "NMEA": Case(_write("big_texts", "write_nmea", 20.0), "pynmea2", 2.0, _pynmea2),
    "GPX": Case(_write("big_texts", "write_gpx", 80.0), "gpxpy, standard parser", 1.0, _gpxpy),
    "CSV": Case(_write("big_texts", "write_csv", 80.0), "pandas", 0.0, _pandas),
}


# One reading, in a process of its own -----------------------------------------------------------------------

_began = [0.0]


def begin() -> None:
    """Start the clock: what was imported before does not count."""
    _began[0] = time.perf_counter()


def _status(name: str) -> float:
    """Return one of the sizes [bytes] that Linux keeps of this process."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return 1024.0 * float(line.split()[1])
    return float("nan")


def _child(name: str, ours: bool, path: str) -> dict[str, float]:
    if not ours:
        kept = CASES[name].read(path)
        return {"seconds": time.perf_counter() - _began[0], "done": float(kept is not None)}
    import pyulog  # noqa: F401 what a reader would import on the way does not count as reading

    from flightproc.readers import gpx_mend, gpx_points, read_log  # noqa: F401

    before = _status("VmRSS")
    begin()
    recording = read_log(path)
    seconds = time.perf_counter() - _began[0]
    peak = _status("VmHWM") - before
    assert recording.format == name, recording.format
    arrays = {}
    for group in recording.channels.values():
        for series in group:
            for values in (series.time, series.values):
                arrays[values.__array_interface__["data"][0]] = values.nbytes
    return {
        "seconds": seconds,
        "peak": peak,
        "allowed": recording.size + 3.0 * sum(arrays.values()),
        "kept": float(sum(arrays.values())),
        "damage": float(len(recording.damage)),
    }


def _run(name: str, ours: bool, path: Path) -> dict[str, float]:
    command = [sys.executable, __file__, "--child", name, "ours" if ours else "library", str(path)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    result: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return result


def _compare(name: str, runs: int, scale: float, folder: Path) -> None:
    case = CASES[name]
    path = folder / f"log.{name.lower()}"
    size = case.write(path, scale)
    theirs, ours = [], []
    for _ in range(runs):
        theirs.append(_run(name, False, path)["seconds"])
        ours.append(_run(name, True, path))
    path.unlink()
    library, reader = median(theirs), median(result["seconds"] for result in ours)
    peak, allowed = max(r["peak"] for r in ours), ours[0]["allowed"]
    bar = f">= {case.bar:g}" if case.bar else "-"
    print(
        f"{name:<10}{size / 1e6:>6.0f} MB{library:>9.2f} s{reader:>9.3f} s{library / reader:>8.1f}{bar:>7}"
        f"{peak / 1e6:>8.0f} MB{allowed / 1e6:>8.0f} MB   {case.library}"
        + (f", {ours[0]['damage']:.0f} damages told" if ours[0]["damage"] else ""),
        flush=True,
    )


def main() -> None:
    """Measure the formats asked for."""
    if sys.argv[1:2] == ["--child"]:
        _, _, name, who, path = sys.argv
        print(json.dumps(_child(name, who == "ours", path)))
        return
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("formats", nargs="*", help="names of readers; all of them if none is given")
    parser.add_argument("--runs", type=int, default=5, help="readings of each kind")
    parser.add_argument("--scale", type=float, default=1.0, help="length of the logs; 1 is some 80 MB")
    options = parser.parse_args()
    print(
        f"{'format':<10}{'size':>9}{'library':>11}{'ours':>11}{'ratio':>8}{'bar':>7}{'peak':>11}{'allowed':>11}"
    )
    with tempfile.TemporaryDirectory() as folder:
        for name in options.formats or CASES:
            _compare(name, options.runs, options.scale, Path(folder))


if __name__ == "__main__":
    main()
