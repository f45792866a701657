"""How many sorties run at once: cores, memory, and what a sortie is expected to need."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import pytest

from flightproc.batch.crew import LocalCrew
from flightproc.batch.machine import BASE_BYTES, PER_LOG_BYTE, free_memory, parse_memory
from flightproc.batch.work import Order, Outcome
from flightproc.errors import BatchError

pytestmark = pytest.mark.synthetic

ORDER = Order("a", "a", "out", "run")


class Pool:
    """A worker that does an order when it is told to."""

    def __init__(self) -> None:
        self.orders: list[tuple[Order, Future[Outcome]]] = []

    def submit(self, work: object, order: Order) -> Future[Outcome]:
        self.orders.append((order, Future()))
        return self.orders[-1][1]

    def shutdown(self, **options: bool) -> None:
        self.orders.clear()


@pytest.fixture
def pools(monkeypatch: pytest.MonkeyPatch) -> list[Pool]:
    made: list[Pool] = []

    def start(self: LocalCrew) -> Pool:
        made.append(Pool())
        return made[-1]

    monkeypatch.setattr(LocalCrew, "_start", start)
    return made


def fill(crew: LocalCrew, order: Order = ORDER) -> int:
    """Hand on as many as are taken; return how many are out."""
    while crew.takes(order):
        crew.hand(order)
    return crew.busy


def finish(crew: LocalCrew, pool: Pool, **facts: int) -> None:
    order, future = pool.orders.pop()
    future.set_result(Outcome(order.shown, "done", **facts))
    assert len(crew.wait(1.0)) == 1


def test_cores_bound_the_workers(pools: list[Pool]) -> None:
    crew = LocalCrew(3, None)
    assert fill(crew) == 3 == crew.started
    crew.stop()
    assert crew.busy == crew.started == 0


def test_memory_bounds_the_workers(pools: list[Pool]) -> None:
    assert fill(LocalCrew(8, 4 * BASE_BYTES)) == 4
    dear = replace(ORDER, log_bytes=int(BASE_BYTES / PER_LOG_BYTE))
    assert fill(LocalCrew(8, int(4.9 * BASE_BYTES)), dear) == 2
    assert fill(LocalCrew(8, 1000)) == 1  # one always, or nothing would ever be done


def test_what_is_measured_bounds_those_that_follow(pools: list[Pool]) -> None:
    crew = LocalCrew(8, 6 * BASE_BYTES)
    assert fill(crew) == 6
    for pool in list(pools):
        finish(crew, pool, memory_bytes=2 * BASE_BYTES, held_bytes=BASE_BYTES)
    assert fill(crew) == 3  # two parts each now; of those that wait, three had to give theirs back
    assert crew.started == 3


def test_a_sortie_that_killed_its_worker_runs_alone(pools: list[Pool]) -> None:
    crew, alone = LocalCrew(4, None), replace(ORDER, alone=True)
    crew.hand(ORDER)
    assert not crew.takes(alone)
    finish(crew, pools[0])
    assert crew.takes(alone)
    crew.hand(alone)
    assert not crew.takes(ORDER)


@pytest.mark.parametrize(
    ("text", "expected"), [("8GB", 8e9), ("900 mb", 9e8), ("1.5GiB", 1.5 * 2**30), ("20MiB", 20 * 2**20)]
)
def test_memory_as_people_write_it(text: str, expected: float) -> None:
    assert parse_memory(text) == expected


@pytest.mark.parametrize("text", ["", "8", "GB", "-3GB", "1e3GB", "8GBs", "1.2.3GB", "nanGB", "٣GB"])
def test_memory_as_nobody_writes_it(text: str) -> None:
    with pytest.raises(BatchError, match="allowed: such as 8GB"):
        parse_memory(text)


def test_a_containers_limit_counts(tmp_path: Path) -> None:
    meminfo = tmp_path / "meminfo"
    meminfo.write_text("MemTotal: 9 kB\nMemAvailable:   8000000 kB\n")
    assert free_memory(tmp_path, meminfo) == 8_192_000_000
    (tmp_path / "memory.max").write_text("3000000000\n")
    (tmp_path / "memory.current").write_text("1000000000\n")
    assert free_memory(tmp_path, meminfo) == 2_000_000_000
    (tmp_path / "memory.max").write_text("max\n")
    assert free_memory(tmp_path, meminfo) == 8_192_000_000
