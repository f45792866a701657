"""Jobs outlive the server, whatever moment it ends at."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from flightproc.errors import OutputError
from flightproc.web.files import write_json
from flightproc.web.jobs import JobStore, NoRoom
from flightproc.web.settings import Limits
from flightproc.web.uploads import UploadedFile

pytestmark = pytest.mark.regression


def put(folder: Path, name: str, content: bytes, digest: str) -> UploadedFile:
    path = folder / digest
    path.write_bytes(content)
    return UploadedFile(name, path, len(content), digest)


def test_a_job_comes_back_as_it_was(tmp_path: Path) -> None:
    store = JobStore(tmp_path, Limits())
    job = store.create()
    with store.incoming() as folder:
        for number in range(3):
            store.add_log(job, put(folder, "unit.ulg", b"%d" % number, f"digest{number}"))
        store.add_log(job, put(folder, "again.ulg", b"0", "digest0"))
    job.title, job.words = "Ein Flug ☃", "why"
    store.new_run(job, "analyse")
    store.save(job)
    store.close()
    found = JobStore(tmp_path, Limits())
    back = found.get(job.id)
    assert back == job and back is not job
    assert [log.name for log in back.logs] == ["unit.ulg", "unit (2).ulg", "unit (3).ulg"]
    assert [back.log_path(log).read_bytes() for log in back.logs] == [b"0", b"1", b"2"]
    found.close()


def test_what_was_never_confirmed_is_cleared_away(tmp_path: Path) -> None:
    store = JobStore(tmp_path, Limits())
    lost = store.create()
    (tmp_path / "incoming" / "half").mkdir()
    store.close()
    again = JobStore(tmp_path, Limits())
    assert again.all() == [] and not lost.folder.exists()
    assert list((tmp_path / "incoming").iterdir()) == []
    again.close()


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", "null", '{"id": 5}', json.dumps({"id": "x" * 24, "state": "done"}), "[" * 100_000],
)
def test_a_state_file_that_is_none_is_left_alone(tmp_path: Path, content: str) -> None:
    place = tmp_path / "jobs" / ("a" * 24)
    place.mkdir(parents=True)
    (place / "state.json").write_text(content)
    store = JobStore(tmp_path, Limits())
    assert store.all() == [] and (place / "state.json").read_text() == content
    store.close()


def test_a_second_server_is_turned_away(tmp_path: Path) -> None:
    store = JobStore(tmp_path, Limits())
    with pytest.raises(OutputError, match="another server uses this folder"):
        JobStore(tmp_path, Limits())
    store.close()
    JobStore(tmp_path, Limits()).close()


def test_a_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("")
    with pytest.raises(OutputError, match="cannot be used"):
        JobStore(tmp_path / "x", Limits())


def test_room_is_counted_and_given_back(tmp_path: Path) -> None:
    store = JobStore(tmp_path, Limits(folder_bytes=1000))
    store.reserve(900)
    with pytest.raises(NoRoom, match="all they may"):
        store.reserve(200)
    store.release(500)
    store.reserve(200)
    assert store.used == 600
    store.close()
    full = JobStore(tmp_path, Limits(free_bytes=10**18))
    with pytest.raises(NoRoom, match="disk is nearly full"):
        full.reserve(1)
    full.close()


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    write_json(path, {"a": 1})
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_json(path, {"a": float("nan")})
    assert json.loads(path.read_text()) == {"a": 1}
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_old_runs_go_and_those_in_use_stay(tmp_path: Path) -> None:
    store = JobStore(tmp_path, Limits())
    job = store.create()
    for _ in range(8):
        store.new_run(job, "analyse")
    job.result_run, job.read_run, job.saved = 2, 1, {"sortie": 1, "run": 3}
    store.drop_old_runs(job)
    left = sorted(int(path.name) for path in (job.folder / "runs").iterdir())
    assert left == [1, 2, 3, 6, 7, 8]
    store.close()
