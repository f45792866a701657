"""Run the program as a process, break it off by Ctrl+C, and look at what is left."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_logs" / "school-wing-28"
TOLD = b"flightproc: ended by Ctrl+C; nothing is left half written\n"

# until main is called, Ctrl+C is the interpreter's to answer
_START = """
import sys
from flightproc.cli import program
sys.stderr.write("-\\n")
sys.stderr.flush()
sys.exit(program())
"""


@dataclass(frozen=True)
class Ended:
    """How a run ended."""

    code: int
    out: bytes
    err: bytes
    broken: bool
    """Whether Ctrl+C was sent before it was done."""


def environment(**more: str) -> dict[str, str]:
    """Return an environment that finds this tree's program and keeps to one thread."""
    path = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return {**os.environ, "PYTHONPATH": path, "COLUMNS": "80", **threads, **more}


def break_off(words: list[str], folder: Path, after: float | None) -> Ended:
    """Run a command and send Ctrl+C after a time.

    Parameters
    ----------
    words : list of str
        What comes after ``flightproc``.
    folder : Path
        Where to run it.
    after : float or None
        Seconds from the first line of the program [s]; not at all where None.
    """
    process = subprocess.Popen(
        [sys.executable, "-c", _START, *words],
        cwd=folder,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stderr is not None and process.stderr.readline() == b"-\n"
    sent = threading.Event()

    def send() -> None:
        sent.set()
        process.send_signal(signal.SIGINT)

    timer = threading.Timer(after, send) if after is not None else None
    if timer is not None:
        timer.start()
    out, err = process.communicate(timeout=120)
    if timer is not None:
        timer.cancel()
        timer.join()
    return Ended(process.returncode, out, err, sent.is_set())


def content(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder by its path; a folder that is empty counts too."""
    return {
        path.relative_to(folder).as_posix() + ("/" if path.is_dir() else ""): b""
        if path.is_dir()
        else path.read_bytes()
        for path in folder.rglob("*")
    }


def faults(ended: Ended, before: dict[str, bytes], after: dict[str, bytes], whole: set[str]) -> list[str]:
    """Return what is wrong with a run that may have been broken off; nothing where all is well.

    Parameters
    ----------
    ended : Ended
        How the run ended.
    before, after : dict of str to bytes
        Content of the folder it wrote into.
    whole : set of str
        Names of a whole output.
    """
    found = []
    if ended.code not in ((0, 130) if ended.broken else (0,)):
        last = ended.err.decode(errors="replace").strip().splitlines()[-1:]
        found.append(f"exit code {ended.code}: {last}")
    if ended.code == 130 and ended.err != TOLD:
        found.append(f"told {ended.err.decode(errors='replace')!r}")
    if ended.code == 0 and b"Traceback" in ended.err:
        found.append("a traceback")
    if after != before and set(after) != whole | set(before):
        found.append(f"left {sorted(set(after) ^ (whole | set(before)))}")
    if (
        before
        and after != before
        and any(after[n] == before[n] for n in whole & set(before) if n in CHANGING)
    ):
        found.append("old and new are mixed")
    return found


PLAN = """\
aircraft = "../sample/aircraft.toml"
glider = "../sample/glider.toml"
rig = "../sample/rig.toml"
[goal]
difference_percent = 10.0
[holds]
cruise_rpm = 5200.0
[air]
gust_m_s = 0.15
[ballast]
masses_kg = [4.0]
arm_m = 0.5
"""

CHANGING = {"report.html", "results.json"}
"""Files that differ from run to run, by the time of day in them."""


def calls(place: Path) -> dict[str, list[str]]:
    """Return one call a command, all of which write into ``out``; make the sheets that they name."""
    from flightproc.cli import main

    shutil.copytree(SAMPLE, place / "sample")
    assert main(["new", str(place / "sheets"), "--balance"]) == 0
    (place / "sheets" / "plan.toml").write_text(PLAN, encoding="utf-8")
    return {
        "new": ["new", "out"],
        "rig": ["rig", "sample/rig.toml", "--aircraft", "sample/aircraft.toml", "-o", "out"],
        "simulate": ["simulate", "out", "--force"],
        "report": ["report", "sample/sortie.toml", "-o", "out"],
        "gliders": ["gliders", "results.json", "-o", "out"],
        "balance": ["balance", "results.json", "--sheet", "sheets/balance.toml", "-o", "out"],
        "plan": ["plan", "sheets/plan.toml", "-o", "out"],
    }
