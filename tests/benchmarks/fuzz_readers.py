"""Damage the tiny good file of every reader in 10,000 ways and print what came of it.

    python tests/benchmarks/fuzz_readers.py                     # every format, 10,000 files each
    python tests/benchmarks/fuzz_readers.py ULog GPX --count 2000 --seed 7

For each format it prints how many files were read, how many ended in one clear error, and, which must all be
zero, how many ended in any other exception or warning, took longer than the limit, or broke what holds for
every recording; then the slowest file and the growth of the process's memory over all files. Every file
follows from the seed and its number, so that ``--only NUMBER`` repeats one and shows its traceback.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import importlib.util
import io
import re
import resource
import signal
import struct
import sys
import time
import traceback
import warnings
from pathlib import Path
from types import FrameType

import numpy as np

from flightproc.channels import CHANNELS
from flightproc.errors import FlightprocError
from flightproc.readers import READERS, Recording
from flightproc.readers.content import Content
from flightproc.readers.registry import find_reader

_EXTENSIONS = ("ulg", "bin", "tlog", "igc", "nmea", "gpx", "csv", "wav", "txt", "")
_NUMBERS = (
    b"1e35",
    b"-1",
    b"nan",
    b"NaN",
    b"inf",
    b"-inf",
    b"0",
    b"99999999999",
    b"1e-320",
    b"",
    b"--",
    b"0x1F",
)
_TIMES = (
    b"0000-00-00T00:00:00Z", b"9999-12-31T23:59:59Z", b"1970-01-01T00:00:00Z", b"2026-13-45T99:99:99Z",
    b"999999", b"000000", b"4294967295", b"-9223372036854775808", b"1e18",
)  # fmt: skip
_WORDS = (
    *(struct.pack("<f", value) for value in (1e35, -1.0, float("nan"), float("inf"), 0.0)),
    *(struct.pack("<d", value) for value in (1e35, -1.0, float("nan"), float("-inf"), 0.0)),
    *(struct.pack("<Q", value) for value in (0, 1, 2**63, 2**64 - 1, 10**18)),
    *(struct.pack("<H", value) for value in (0, 0xFFFF, 0x7FFF)),
    b"\xff\xff\xff\xff",
)


class _Hang(BaseException):
    """A file took longer than the limit; not an Exception, so that no reader can catch it."""


def _samples() -> dict[str, bytes]:
    """Return the good files that the tests of the readers use, by reader."""
    path = Path(__file__).resolve().parents[1] / "readers" / "conftest.py"
    spec = importlib.util.spec_from_file_location("readers_conftest", path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    samples: dict[str, bytes] = module.make_samples(module.make_flight())
    return samples


# Damage ---------------------------------------------------------------------------------------------------


def _span(rng: np.random.Generator, size: int, most: int) -> tuple[int, int]:
    start = int(rng.integers(0, size))
    return start, min(size, start + int(rng.integers(1, most)))


def damage(data: bytes, rng: np.random.Generator) -> bytes:
    """Return a file damaged in one to three ways."""
    for _ in range(int(rng.integers(1, 4))):
        data = _WAYS[int(rng.integers(0, len(_WAYS)))](data, rng) or b"\n"
    return data


def _cut(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: int(rng.integers(0, len(data)))]


def _cut_front(data: bytes, rng: np.random.Generator) -> bytes:
    return data[int(rng.integers(0, len(data))) :]


def _zeroed(data: bytes, rng: np.random.Generator) -> bytes:
    a, b = _span(rng, len(data), 5000)
    return data[:a] + bytes(b - a) + data[b:]


def _flipped(data: bytes, rng: np.random.Generator) -> bytes:
    out = np.frombuffer(data, dtype=np.uint8).copy()
    places = rng.integers(0, out.size, int(rng.integers(1, 60)))
    out[places] ^= (1 << rng.integers(0, 8, places.size)).astype(np.uint8)
    return out.tobytes()


def _other_bytes(data: bytes, rng: np.random.Generator) -> bytes:
    out = np.frombuffer(data, dtype=np.uint8).copy()
    places = rng.integers(0, out.size, int(rng.integers(1, 60)))
    out[places] = rng.integers(0, 256, places.size)
    return out.tobytes()


def _inserted(data: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(0, len(data)))
    return data[:at] + rng.bytes(int(rng.integers(1, 2000))) + data[at:]


def _doubled(data: bytes, rng: np.random.Generator) -> bytes:
    a, b = _span(rng, len(data), 8000)
    at = int(rng.integers(0, len(data)))
    return data[:at] + data[a:b] * int(rng.integers(1, 4)) + data[at:]


def _lost(data: bytes, rng: np.random.Generator) -> bytes:
    a, b = _span(rng, len(data), 5000)
    return data[:a] + data[b:]


def _encoded(data: bytes, rng: np.random.Generator) -> bytes:
    kind = int(rng.integers(0, 6))
    if kind == 0:
        return b"\xef\xbb\xbf" + data
    text = data.decode("latin-1")
    if kind == 5:
        return text.replace("e", "é").encode("latin-1")
    return text.encode(("utf-16", "utf-16-le", "utf-16-be", "utf-8")[kind - 1])


def _absurd_value(data: bytes, rng: np.random.Generator) -> bytes:
    return _at_numbers(data, rng, rb"-?\d+(?:\.\d+)?", _NUMBERS)


def _absurd_time(data: bytes, rng: np.random.Generator) -> bytes:
    return _at_numbers(data, rng, rb"\d{4}-\d\d-\d\dT[\d:.]+Z?|\d{6,}(?:\.\d+)?", _TIMES)


def _at_numbers(data: bytes, rng: np.random.Generator, pattern: bytes, words: tuple[bytes, ...]) -> bytes:
    """Put words where numbers stand in a text, and patterns of bytes anywhere in what is none."""
    found = list(re.finditer(pattern, data))
    text = sum(byte in b"\t\r\n" or 32 <= byte < 127 for byte in data[:2000]) > 0.95 * min(len(data), 2000)
    count = int(rng.integers(1, 40))
    if text and found:
        for k in sorted({int(k) for k in rng.integers(0, len(found), count)}, reverse=True):
            word = words[int(rng.integers(0, len(words)))]
            data = data[: found[k].start()] + word + data[found[k].end() :]
        return data
    out = bytearray(data)
    for at in rng.integers(0, len(out), count).tolist():
        word = _WORDS[int(rng.integers(0, len(_WORDS)))]
        out[at : at + len(word)] = word
    return bytes(out)


def _column_of_zeros(data: bytes, rng: np.random.Generator) -> bytes:
    """Set one field to 0 throughout, where the file is a table of commas."""
    lines = data.split(b"\n")
    width = lines[len(lines) // 2].count(b",") + 1
    place = int(rng.integers(0, width))
    for k, line in enumerate(lines[1:], start=1):
        cells = line.split(b",")
        if len(cells) == width:
            cells[place] = b"0"
            lines[k] = b",".join(cells)
    return b"\n".join(lines)


_WAYS = (
    _cut, _cut_front, _zeroed, _flipped, _other_bytes, _inserted, _doubled, _lost, _encoded, _absurd_value,
    _absurd_time, _column_of_zeros,
)  # fmt: skip


# Reading --------------------------------------------------------------------------------------------------


def _wrong(recording: Recording) -> str:
    """Return what of a recording breaks what holds for every one; empty where nothing does."""
    for name, group in recording.channels.items():
        limits = CHANNELS[name]
        for series in group:
            good = series.values[np.isfinite(series.values)]
            if series.time.shape != series.values.shape or not good.size:
                return f"{name}: shape, or no value"
            if not np.isfinite(series.time).all() or not (np.diff(series.time) > 0).all():
                return f"{name}: times do not increase"
            if good.min() < limits.low or good.max() > limits.high or np.isinf(series.values).any():
                return f"{name}: beyond its limits"
    return ""


def _on_alarm(number: int, frame: FrameType | None) -> None:
    raise _Hang


def _peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def fuzz(name: str, sample: bytes, numbers: range, seed: int, limit: float, show: bool) -> bool:
    """Read damaged files, print a line on them, and return whether nothing went wrong."""
    read = refused = 0
    faults: list[str] = []
    slowest = (0.0, -1)
    find_reader(Content("x", sample, "0")).read("x", content=Content("x", sample, "0"))
    base = _peak_mib()
    signal.signal(signal.SIGALRM, _on_alarm)
    for number in numbers:
        rng = np.random.default_rng([seed, number, sum(name.encode())])
        data = damage(sample, rng)
        path = f"flight.{_EXTENSIONS[int(rng.integers(0, len(_EXTENSIONS)))]}"
        content = Content(path, data, hashlib.sha256(data).hexdigest())
        began = time.perf_counter()
        signal.setitimer(signal.ITIMER_REAL, limit)
        try:
            with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
                warnings.simplefilter("error")
                recording = find_reader(content).read(path, content=content)
            read += 1
            wrong = _wrong(recording)
            if wrong:
                faults.append(f"wrong {number}: {wrong}")
        except FlightprocError:
            refused += 1
        except _Hang:
            faults.append(f"hang {number}: longer than {limit:g} s")
        except Exception as error:  # whatever it is, it is what this script looks for
            faults.append(f"crash {number}: {type(error).__name__}: {str(error)[:100]}")
            if show:
                traceback.print_exc()
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
        slowest = max(slowest, (time.perf_counter() - began, number))
    kinds = [sum(fault.startswith(kind) for fault in faults) for kind in ("crash", "hang", "wrong")]
    print(
        f"{name:<16}{len(numbers):>8}{read:>8}{refused:>8}{kinds[0]:>8}{kinds[1]:>8}{kinds[2]:>8}"
        f"{slowest[0]:>9.2f} s{_peak_mib() - base:>8.0f} MiB",
        flush=True,
    )
    for fault in faults[:20]:
        print(f"    {fault}")
    return not faults


def main() -> int:
    """Fuzz the formats asked for."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("formats", nargs="*", help="names of readers; all of them if none is given")
    parser.add_argument("--count", type=int, default=10_000, help="files of each format")
    parser.add_argument("--first", type=int, default=0, help="number of the first file")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit", type=float, default=5.0, help="seconds that one file may take")
    parser.add_argument("--only", type=int, help="repeat this one file and show its traceback")
    options = parser.parse_args()
    samples = _samples()
    first, count = (options.only, 1) if options.only is not None else (options.first, options.count)
    print(
        f"{'format':<16}{'files':>8}{'read':>8}{'refused':>8}{'crash':>8}{'hang':>8}{'wrong':>8}{'slowest':>11}{'memory':>12}"
    )
    fine = True
    for reader in READERS:
        if not options.formats or reader.NAME in options.formats:
            numbers = range(first, first + count)
            show = options.only is not None
            fine &= fuzz(reader.NAME, samples[reader.NAME], numbers, options.seed, options.limit, show)
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
