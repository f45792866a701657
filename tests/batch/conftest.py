"""Folders of made-up sorties, and the command line with a made-up analysis run on them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from flightproc.batch import Store

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
SAMPLE = ROOT / "sample_logs" / "school-wing-28"


@dataclass
class Field:
    """A folder of sorties, a batch's folder, and what was run."""

    base: Path

    def __post_init__(self) -> None:
        self.flights, self.out, self.log = self.base / "flights", self.base / "out", self.base / "log"
        self.flights.mkdir()
        self.log.touch()

    def add(self, name: str, what: str = "sleep 0", folder: str | None = None) -> Path:
        """Write a sortie of this title whose analysis does what is said."""
        place = self.flights / (name if folder is None else folder)
        place.mkdir(parents=True)
        for sheet in ("aircraft", "glider", "rig"):
            (place / f"{sheet}.toml").write_bytes((SAMPLE / f"{sheet}.toml").read_bytes())
        (place / "unit.ulg").write_bytes(f"log of {name}".encode())
        text = f'title = "{name}"\npilot_notes = {json.dumps(what)}\naircraft = "aircraft.toml"\n'
        text += 'glider = "glider.toml"\nrig = "rig.toml"\n'
        text += '[[logs]]\nname = "unit"\nrole = "unit"\nfile = "unit.ulg"\n'
        (place / "sortie.toml").write_text(text, encoding="utf-8")
        return place / "sortie.toml"

    def start(self, *options: str) -> subprocess.Popen[str]:
        """Start the command with the made-up analysis, in a process group of its own."""
        return subprocess.Popen(
            [sys.executable, str(HERE / "fakes.py"), "batch", "flights", "-o", "out", *options],
            cwd=self.base,
            env=environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def run(self, *options: str, code: int = 0) -> tuple[str, str]:
        """Run it to its end; return what it printed."""
        process = self.start(*options)
        out, err = process.communicate(timeout=120)
        assert process.returncode == code, f"{out}\n{err}"
        assert "Traceback" not in err
        return out, err

    def states(self) -> dict[str, str]:
        """Return what became of each sortie, by its title, as batch.json has it."""
        told = json.loads((self.out / "batch.json").read_text(encoding="utf-8"))
        return {Path(item["sortie"]).parent.name: item["state"] for item in told["sorties"]}

    def log_count(self, event: str) -> Counter[str]:
        """Return how often the analysis of each title began, or ended."""
        lines = [line.split("\t") for line in self.log.read_text(encoding="utf-8").splitlines()]
        return Counter(title for what, title, _ in lines if what == event)

    def pids(self) -> set[int]:
        """Return the processes that analysed anything."""
        return {int(line.split("\t")[2]) for line in self.log.read_text(encoding="utf-8").splitlines()}

    def pid_of(self, title: str) -> int:
        """Return the process that began the analysis of a title last."""
        lines = [line.split("\t") for line in self.log.read_text(encoding="utf-8").splitlines()]
        return next(int(pid) for what, name, pid in reversed(lines) if (what, name) == ("begun", title))

    def stored(self) -> dict[str, dict[str, Any]]:
        """Return every stored result, whole, by its title; each title once."""
        store = Store(self.out)
        keys = [path.name.split(".")[0] for path in self.out.glob("store/*/*.json.gz")]
        found = [store.read(key) for key in keys]
        assert all(item is not None for item in found)
        by_title = {item["results"]["title"]: item for item in found if item is not None}
        assert len(by_title) == len(keys)
        return by_title

    def assert_clean(self) -> None:
        """Nothing half written, nothing claimed, no worker left."""
        assert [p for p in self.out.rglob("*") if p.name.startswith(".")] == []
        assert list((self.out / "claims").iterdir()) == []
        until(lambda: not any(alive(pid) for pid in self.pids()))


def environment() -> dict[str, str]:
    """Return what the program and its workers need to find each other."""
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join((str(ROOT), str(HERE))),
        "PYTHONWARNINGS": "ignore",
    }


def alive(pid: int) -> bool:
    """Return whether a process runs; one that has ended and waits to be asked does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except (FileNotFoundError, ProcessLookupError):
        return False


def until(true: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait for something."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.02)


@pytest.fixture
def field(tmp_path: Path) -> Field:
    """An empty field."""
    return Field(tmp_path)
