"""How long the whole way takes, from the logs to the report, beside loading the unit's log with pyulog.

    python tests/benchmarks/whole_speed.py                      # 20 min, 80 MB: about 3 min in all
    python tests/benchmarks/whole_speed.py --profile            # where the time goes, stage by stage
    python tests/benchmarks/whole_speed.py --lengths 2 20 60 300 --no-compare
    python tests/benchmarks/whole_speed.py --make FOLDER        # only write the sortie, to measure with

A sortie is simulated with its four sheets: a ULog (inertial unit at 200 Hz and the other topics of an
autopilot that logs much, about 4 MB a minute), a GPX track and an engine table. Then, in turn and as
often as asked for (medians count, and the spread is told):

- a process that only loads the ULog with pyulog, and ``flightproc report`` as a process, from start to exit;
- in a process of its own, loading with pyulog, and the second analysis with its report (nothing to import or
  to compile any more);
- a process that imports numpy and pandas, and ``flightproc --help``.

Wall times are printed with the processor's times beside them, which tell more where the machine has other
work. The exponent is the slope of log time over log length; 1 is linear.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))  # the writer of long logs lies beside this file
sys.path.insert(1, str(HERE.parents[1]))

PROGRAM = [sys.executable, "-m", "flightproc"]
BARS = {"cold": 1.0, "warm": 0.7, "help": 1.0, "help_s": 0.3, "memory_mb": 600.0}
"""What was set as the aim: ratios, seconds, MB."""


# The sortie -------------------------------------------------------------------------------------------------


def _card(minutes: float) -> tuple:
    """Return a card of about so many minutes: the school's, cut short, or its holds over and over."""
    from flightproc.simulate.scenario import school_card

    whole = school_card()
    first = next(k for k, item in enumerate(whole) if item.label.endswith("glide 1")) - 2
    last = next(k for k, item in enumerate(whole) if item.label == "descending turns")
    before, middle, after = list(whole[:first]), list(whole[first:last]), list(whole[last:])
    if minutes < 6.0:  # two holds, begun low and landed from there
        start = [replace(before[0], value=10.0), replace(before[4], value=40.0)]
        holds = [item for item in middle if item.label.endswith(("power 7600 a", "glide 2"))]
        spare = max(0.0, 60.0 * minutes - 75.0)
        short = [
            replace(
                item, value=min(item.value, 0.3 * spare) if item.until == "time" else item.value, floor=0.0
            )
            for item in holds
            if item.until == "time"
        ]
        end = [replace(after[0], value=20.0), after[1], replace(after[3], value=5.0)]
        return (*start, *short, *end)
    rounds = max(1, round((minutes - 8.0) / 25.0))
    card, spent = before, 0.0
    budget = 60.0 * (minutes - 7.5)
    for turn in range(rounds + 1):
        for item in middle:
            spent += item.value if item.until == "time" else 8.0 if item.until == "heading" else 30.0
            if spent > budget:
                break
            card = [*card, replace(item, label=item.label + (f" round {turn}" if turn else ""))]
    while not card[-1].kind and card[-1].until != "above":  # ends with a whole hold
        card.pop()
    return (*card, *after)


def make_sortie(folder: Path, minutes: float) -> dict[str, float]:
    """Write logs and sheets of a sortie; return its length [min] and the sizes of its logs [MB]."""
    from big_ulog import pad_ulog

    import flightproc as fp
    from flightproc.simulate import flight

    flight.LONGEST = max(3600.0, 75.0 * minutes)
    sortie = fp.simulate_sortie(28, card=_card(minutes), imu_rate=200.0, attitude_rate=50.0, baro_rate=20.0)
    fp.write_sortie(sortie, folder, force=True)
    log = folder / "unit.ulg"
    pad_ulog(log)
    sizes = {name: (folder / name).stat().st_size / 1e6 for name in ("unit.ulg", "gps.gpx", "engine.csv")}
    return {"minutes": sortie.truth["duration_s"] / 60.0, **sizes}


def _made(folder: Path, minutes: float) -> dict[str, float]:
    """Make a sortie in a process of its own: the greatest memory of a process counts for those it starts."""
    words = _child([sys.executable, __file__, "--make", str(folder), "--minutes", str(minutes)])
    return {name: float(value) for name, value in (item.split() for item in words.strip().split(", "))}


# One measurement --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Run:
    """Seconds on the clock, seconds of the processor, greatest memory [MB]."""

    wall: float
    cpu: float
    peak: float


def _process(command: list[str], folder: Path) -> Run:
    """Run a process and return what it took, all of it."""
    began = time.perf_counter()
    child = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=_environment()
    )
    assert child.stderr is not None
    words = child.stderr.read()
    _, status, used = os.wait4(child.pid, 0)
    wall = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(command)} failed:\n{words.decode()}")
    scale = 1.0 if sys.platform == "darwin" else 1024.0
    return Run(wall, used.ru_utime + used.ru_stime, used.ru_maxrss * scale / 1e6)


_BYTECODE = tempfile.TemporaryDirectory()  # as an install has it, also where nothing may be written beside


def _environment() -> dict[str, str]:
    path = os.pathsep.join(filter(None, [str(HERE.parents[1]), os.environ.get("PYTHONPATH", "")]))
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPATH": path, "PYTHONPYCACHEPREFIX": _BYTECODE.name}


def _child(command: list[str]) -> str:
    """Run this file as a process of its own and return what it prints."""
    done = subprocess.run(command, capture_output=True, text=True, env=_environment())
    if done.returncode:
        raise SystemExit(done.stderr)
    return done.stdout


def _load_with_pyulog(log: Path) -> list[str]:
    return [sys.executable, "-c", f"from pyulog import ULog; ULog({str(log)!r})"]


def _report(sheet: Path, out: Path) -> list[str]:
    return [*PROGRAM, "report", str(sheet), "-o", str(out), "--quiet"]


def _timed(work: Callable[[], object]) -> Run:
    wall, cpu = time.perf_counter(), time.process_time()
    kept = work()
    run = Run(time.perf_counter() - wall, time.process_time() - cpu, 0.0)
    del kept
    return run


def _whole(sheet: Path, out: Path) -> object:
    import flightproc as fp

    return fp.write_report(fp.analyse(sheet), out)


def _warm(sheet: Path, runs: int) -> dict[str, list[list[float]]]:
    """Measure in this process, after one round that does not count."""
    from pyulog import ULog

    log = sheet.parent / "unit.ulg"
    theirs, ours = [], []
    with tempfile.TemporaryDirectory() as name:
        _whole(sheet, Path(name, "report"))
        for _ in range(runs):
            theirs.append(_timed(lambda: ULog(str(log))))
            ours.append(_timed(lambda: _whole(sheet, Path(name, "report"))))
    return {
        "theirs": [[run.wall, run.cpu] for run in theirs],
        "ours": [[run.wall, run.cpu] for run in ours],
    }


# The profile ------------------------------------------------------------------------------------------------

_STAGES = (
    ("load_sortie", "sheets"),
    ("read_log", "logs read"),
    ("assemble_sortie", "channels on one clock, wind, attitude"),
    ("reduce_rig_of", "rig"),
    ("calibrate_blade", "blade calibrated"),
    ("find_holds", "holds found"),
    ("observe_holds", "holds observed"),
    ("make_priors", "priors"),
    ("solve_together", "moments solved"),
    ("trace_sortie", "whole-sortie fit"),
    ("compare_with_rig", "comparison, blade in flight"),
    ("explain_results", "budgets"),
    ("_draw", "figures"),
    ("render_page", "page"),
    ("results_json", "results.json"),
    ("holds_csv", "holds.csv"),
    ("write_folder", "files written"),
)
_CALLERS = ("flightproc.analysis", "flightproc.from_sheets", "flightproc.report.render")
"""Functions that are stages, and the modules that call them."""


@contextmanager
def _watched(times: dict[str, float]) -> Iterator[None]:
    """Add up the processor's time of each stage, without that of stages inside it."""
    from importlib import import_module

    inside: list[float] = []
    undo = []

    def watch(work: Callable[..., object], label: str) -> Callable[..., object]:
        def watched(*args: object, **kwargs: object) -> object:
            began = time.process_time()
            inside.append(0.0)
            try:
                return work(*args, **kwargs)
            finally:
                spent = time.process_time() - began
                times[label] = times.get(label, 0.0) + spent - inside.pop()
                if inside:
                    inside[-1] += spent

        return watched

    callers = [import_module(name) for name in _CALLERS]
    for name, label in _STAGES:
        found = [module for module in callers if hasattr(module, name)]
        if not found:
            print(f"(nothing calls {name} any more: its time counts as part of the rest)")
        for module in found:
            work = getattr(module, name)
            undo.append((module, name, work))
            setattr(module, name, watch(work, label))
    try:
        yield
    finally:
        for module, name, work in undo:
            setattr(module, name, work)


def _profile(sheet: Path, runs: int) -> None:
    """Print the processor's time of each stage, first in a fresh process and then warm."""
    began = time.process_time()
    import flightproc as fp

    assert fp.analyse and fp.write_report
    import flightproc.report.render  # noqa: F401 what is imported on the way is told by stage

    imports = time.process_time() - began
    columns = []
    with tempfile.TemporaryDirectory() as name:
        for _ in range(1 + runs):
            times: dict[str, float] = {}
            with _watched(times):
                began = time.process_time()
                _whole(sheet, Path(name, "report"))
                whole = time.process_time() - began
            times["the rest"] = whole - sum(times.values())
            times["in all"] = whole
            columns.append(times)
    print(f"{'processor time [s]':<42}{'first':>9}{'warm':>9}")
    print(f"{'imports before the analysis':<42}{imports:>9.3f}")
    for label in columns[0]:
        print(f"{label:<42}{columns[0][label]:>9.3f}{median(c.get(label, 0.0) for c in columns[1:]):>9.3f}")


# What is printed --------------------------------------------------------------------------------------------


def _row(label: str, runs: list[Run], width: int = 44) -> None:
    walls = [run.wall for run in runs]
    spread = f"{min(walls):.2f} to {max(walls):.2f}"
    peak = max(run.peak for run in runs)
    print(
        f"{label:<{width}}{median(walls):>8.2f}{median(run.cpu for run in runs):>9.2f}   {spread:<14}"
        + (f"{peak:>7.0f}" if peak else ""),
        flush=True,
    )


def _ratio(ours: list[Run], theirs: list[Run], part: str) -> float:
    return median(getattr(run, part) for run in ours) / median(getattr(run, part) for run in theirs)


def _verdict(label: str, value: float, bar: float, unit: str = "") -> None:
    print(f"{label:<44}{value:>8.2f}{unit:<4} at most {bar:g}{unit}: {'yes' if value <= bar else 'NO'}")


def _compare(sheet: Path, runs: int) -> None:
    folder = sheet.parent
    log = folder / "unit.ulg"
    theirs, ours, libraries, helps = [], [], [], []
    for command in (_load_with_pyulog(log), _report(sheet, folder / "report"), [*PROGRAM, "--help"]):
        _process(command, folder)  # writes the bytecode; does not count
    for _ in range(runs):
        theirs.append(_process(_load_with_pyulog(log), folder))
        ours.append(_process(_report(sheet, folder / "report"), folder))
    for _ in range(2 * runs + 1):
        libraries.append(_process([sys.executable, "-c", "import numpy, pandas"], folder))
        helps.append(_process([*PROGRAM, "--help"], folder))
    words = _child([sys.executable, __file__, "--child", "warm", str(sheet), str(runs)])
    inside = {who: [Run(*pair, 0.0) for pair in rows] for who, rows in json.loads(words).items()}
    print(f"{'medians of ' + str(runs):<44}{'wall s':>8}{'cpu s':>9}   {'wall from, to':<14}{'peak MB':>7}")
    _row("process that loads the ULog with pyulog", theirs)
    _row("flightproc report, whole process", ours)
    _row("pyulog, in a warm process", inside["theirs"])
    _row("analysis and report, in a warm process", inside["ours"])
    _row("python -c 'import numpy, pandas'", libraries)
    _row("flightproc --help", helps)
    print()
    for part, word in (("wall", "on the clock"), ("cpu", "of the processor")):
        _verdict(f"whole process over pyulog's, {word}", _ratio(ours, theirs, part), BARS["cold"])
        _verdict(f"warm over pyulog, {word}", _ratio(inside["ours"], inside["theirs"], part), BARS["warm"])
        _verdict(f"--help over numpy and pandas, {word}", _ratio(helps, libraries, part), BARS["help"])
    _verdict("--help", median(run.wall for run in helps), BARS["help_s"], " s")
    _verdict("peak memory", max(run.peak for run in ours), BARS["memory_mb"], " MB")


def _lengths(folder: Path, lengths: list[float], runs: int) -> None:
    print(f"\n{'length':>8}{'logs':>10}{'wall s':>9}{'cpu s':>9}{'peak MB':>9}{'cpu s a minute':>16}")
    minutes, times = [], []
    for length in lengths:
        place = folder / f"length-{length:g}"
        facts = _made(place, length)
        command = _report(place / "sortie.toml", place / "report")
        if not minutes:
            _process(command, place)  # writes the bytecode; does not count
        rows = [_process(command, place) for _ in range(runs)]
        cpu = median(run.cpu for run in rows)
        minutes.append(facts["minutes"])
        times.append(cpu)
        size = sum(value for name, value in facts.items() if name != "minutes")
        print(
            f"{facts['minutes']:>4.0f} min{size:>7.0f} MB{median(run.wall for run in rows):>9.2f}{cpu:>9.2f}"
            f"{max(run.peak for run in rows):>9.0f}{cpu / facts['minutes']:>16.3f}",
            flush=True,
        )
        shutil.rmtree(place)
    if len(times) > 1:
        slope = np.polyfit(np.log(minutes), np.log(times), 1)[0]
        last = math.log(times[-1] / times[-2]) / math.log(minutes[-1] / minutes[-2])
        print(f"exponent over all lengths {slope:.2f}, over the last step {last:.2f} (1 is linear)")


def main() -> None:
    """Measure what is asked for."""
    if sys.argv[1:3] == ["--child", "profile"]:
        _profile(Path(sys.argv[3]), int(sys.argv[4]))
        return
    if sys.argv[1:3] == ["--child", "warm"]:
        print(json.dumps(_warm(Path(sys.argv[3]), int(sys.argv[4]))))
        return
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--minutes", type=float, default=20.0, help="length of the sortie that is compared")
    parser.add_argument("--runs", type=int, default=5, help="runs of each kind")
    parser.add_argument("--profile", action="store_true", help="print the time of each stage, nothing else")
    parser.add_argument("--lengths", type=float, nargs="*", default=[], help="lengths [min] to fit over")
    parser.add_argument("--no-compare", action="store_true", help="leave out what is set beside pyulog")
    parser.add_argument("--make", type=Path, help="only write the sortie, into this folder")
    parser.add_argument("--sortie", type=Path, help="a folder written before with --make")
    options = parser.parse_args()
    if options.make:
        facts = make_sortie(options.make, options.minutes)
        print(", ".join(f"{name} {value:.1f}" for name, value in facts.items()))
        return
    print(
        f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores, "
        f"load {os.getloadavg()[0]:.1f}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = options.sortie or Path(name, "sortie")
        if not options.sortie and (options.profile or not options.no_compare):
            facts = _made(folder, options.minutes)
            print(
                f"a sortie of {facts['minutes']:.1f} min: unit.ulg {facts['unit.ulg']:.0f} MB, gps.gpx "
                f"{facts['gps.gpx']:.1f} MB, engine.csv {facts['engine.csv']:.1f} MB\n",
                flush=True,
            )
        if options.profile:
            command = [sys.executable, __file__, "--child", "profile", str(folder / "sortie.toml")]
            for _ in range(2):  # the first writes the bytecode
                done = subprocess.run(
                    [*command, str(options.runs)],
                    check=True,
                    capture_output=True,
                    text=True,
                    env=_environment(),
                )
            print(done.stdout)
            return
        if not options.no_compare:
            _compare(folder / "sortie.toml", options.runs)
        if options.lengths:
            _lengths(Path(name), options.lengths, max(1, min(3, options.runs)))


if __name__ == "__main__":
    main()
