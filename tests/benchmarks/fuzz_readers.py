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
import io
import resource
import signal
import sys
import time
import traceback
import warnings
from pathlib import Path
from types import FrameType

import numpy as np

from flightproc.errors import FlightprocError
from flightproc.readers import READERS
from flightproc.readers.content import Content
from flightproc.readers.registry import find_reader

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.fuzz.damage import damage
from tests.fuzz.rules import broken_rule
from tests.readers.conftest import make_flight, make_samples

_EXTENSIONS = ("ulg", "bin", "tlog", "igc", "nmea", "gpx", "csv", "wav", "txt", "")


class _Hang(BaseException):
    """A file took longer than the limit; not an Exception, so that no reader can catch it."""


# Reading --------------------------------------------------------------------------------------------------


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
            wrong = broken_rule(recording)
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
    samples = make_samples(make_flight())
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
