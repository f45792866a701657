"""A batch on a cluster: a true Dask scheduler with true workers, on this machine."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from flightproc.batch import Store

from .conftest import Field, alive, environment, until

pytestmark = pytest.mark.synthetic
pytest.importorskip("distributed", reason="distributed is not installed: pip install 'flightproc[cluster]'")


class Cluster:
    """A scheduler and two workers that a nanny starts anew."""

    def __init__(self, base: Path) -> None:
        self._base = base
        self.processes: list[subprocess.Popen[bytes]] = []
        self._log = (base / "cluster.log").open("ab")
        place = base / "scheduler.json"
        options = ["--scheduler-file", str(place), "--host", "127.0.0.1", "--no-dashboard"]
        self._start("scheduler", *options, "--port", "0")
        local = ["--local-directory", str(base / "dask"), "--nthreads", "1", "--nworkers", "2"]
        self._start("worker", *options, *local)
        until(lambda: self._text().count("Registered to:") >= 2)
        self.address: str = json.loads(place.read_text(encoding="utf-8"))["address"]

    def _text(self) -> str:
        return (self._base / "cluster.log").read_text(encoding="utf-8")

    def _start(self, *options: str) -> None:
        command = [sys.executable, "-m", "dask", *options]
        self.processes.append(
            subprocess.Popen(
                command,
                cwd="/",
                env=environment(),
                stdout=self._log,
                stderr=self._log,
                start_new_session=True,
            )
        )

    def stop(self) -> None:
        """End all of it."""
        for process in reversed(self.processes):
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait(30)
        self._log.close()


@pytest.fixture(scope="module")
def clusters() -> Iterator[list[Cluster]]:
    made: list[Cluster] = []
    yield made
    for each in made:
        each.stop()


@pytest.fixture
def cluster(clusters: list[Cluster], tmp_path_factory: pytest.TempPathFactory) -> Cluster:
    """One cluster for all tests, as long as its scheduler lives."""
    if not clusters or clusters[-1].processes[0].poll() is not None:
        clusters.append(Cluster(tmp_path_factory.mktemp("cluster")))
    return clusters[-1]


def test_a_worker_killed_midway_loses_nothing_and_nothing_is_done_twice(
    field: Field, cluster: Cluster
) -> None:
    names = [f"n{number:02}" for number in range(12)]
    for name in names:
        field.add(name, "sleep 2" if name == "n05" else "sleep 0.2")
    field.add("deadly", "die")
    field.add("refused", "refuse")
    process = field.start("--scheduler", cluster.address)
    until(lambda: field.log_count("begun")["n05"] == 1)
    os.kill(field.pid_of("n05"), signal.SIGKILL)
    _, err = process.communicate(timeout=120)
    assert process.returncode == 1, err
    assert "Traceback" not in err
    states = field.states()
    assert {name: states[name] for name in names} == dict.fromkeys(names, "done")
    assert states["deadly"] == states["refused"] == "failed"
    assert "the worker process died 2 times" in err
    assert set(field.stored()) == set(names)
    assert field.log_count("ended") == dict.fromkeys(names, 1)
    assert field.log_count("begun") == dict.fromkeys(names, 1) | {"n05": 2, "deadly": 2, "refused": 1}
    events = [(line["event"], line["key"]) for line in Store(field.out).journal()]
    assert len([1 for event, _ in events if event == "stored"]) == len(names)
    assert list((field.out / "claims").iterdir()) == []

    # resumed on this machine: one store for both ways
    field.run("--jobs", "1", code=1)
    assert {name: field.states()[name] for name in names} == dict.fromkeys(names, "kept")


def test_no_scheduler_is_told(field: Field) -> None:
    field.add("one")
    for address in ("tcp://127.0.0.1:9", "nonsense://x", "127.0.0.1:99999"):
        _, err = field.run("--scheduler", address, code=2)
        assert "flightproc: error: " in err and "Try: " in err, err


def test_ctrl_c_takes_back_what_has_not_begun(field: Field, cluster: Cluster) -> None:
    for number in range(8):
        field.add(f"n{number}", "sleep 0.5")
    process = field.start("--scheduler", cluster.address)
    until(lambda: field.log_count("ended").total() >= 2)
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "stopped: " in err and "Traceback" not in err
    time.sleep(1.5)
    begun = field.log_count("begun")
    assert begun == field.log_count("ended")
    assert set(field.stored()) == set(begun) != {f"n{number}" for number in range(8)}
    assert all(alive(pid) for pid in field.pids())  # the cluster's workers are not ours to end


def test_a_scheduler_that_goes_away_is_told(field: Field, cluster: Cluster) -> None:
    names = [f"n{number:02}" for number in range(8)]
    for name in names:
        field.add(name, "sleep 0.5")
    process = field.start("--scheduler", cluster.address)
    until(lambda: field.log_count("ended").total() >= 2)
    time.sleep(0.2)
    os.killpg(cluster.processes[0].pid, signal.SIGKILL)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 1, err
    assert "the scheduler is gone" in err and "Traceback" not in err
    assert {"done", "stopped"} == set(field.states().values())
    assert "not done" in out
