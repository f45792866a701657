"""Results by content, and claims on them."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from flightproc.batch.store import Store, digest_inputs, key_of
from flightproc.batch.work import Order, do
from flightproc.errors import OutputError
from flightproc.sheets import load_sortie
from flightproc.sheets.inputs import input_paths

from .conftest import Field

pytestmark = pytest.mark.synthetic

KEY = "ab" * 32


def key(sheet: Path, version: str = "1") -> str:
    return key_of(digest_inputs(input_paths(load_sortie(sheet))), version)


def test_the_key_follows_every_file_and_the_version_and_nothing_else(field: Field) -> None:
    sheet = field.add("a")
    first = key(sheet)
    assert key(sheet, "2") != first
    for name in ("sortie.toml", "aircraft.toml", "glider.toml", "rig.toml", "unit.ulg"):
        path = sheet.with_name(name)
        before = path.read_bytes()
        path.write_bytes(before + b"\n")
        assert key(sheet) != first, name
        path.write_bytes(before)
    assert key(sheet) == first
    moved = sheet.parent.rename(field.base / "elsewhere")
    assert key(moved / "sortie.toml") == first


def test_a_damaged_result_is_none(tmp_path: Path) -> None:
    store = Store(tmp_path)
    assert store.read(KEY) is None
    store.write(KEY, {"results": {"é": 1.5}})
    found = store.read(KEY)
    assert found is not None and found["results"] == {"é": 1.5}
    whole = store.path(KEY).read_bytes()
    for damage in (b"", whole[:-3], whole[:10], b"x" * 50, whole[:15] + b"\x00\xff\x00" + whole[18:]):
        store.path(KEY).write_bytes(damage)
        assert store.read(KEY) is None


def test_one_result_has_one_maker(tmp_path: Path) -> None:
    store, other = Store(tmp_path), Store(tmp_path)
    with store.claim(KEY, wait=False) as mine:
        assert mine is not None and mine.earlier == ()
        mine.note({"run": "r"})
        with other.claim(KEY, wait=False) as theirs:
            assert theirs is None
        assert other.tidy() == 0
        draft = store.path(KEY).with_name(f".{KEY}.json.gz.1234")
        draft.parent.mkdir()
        draft.touch()
    with other.claim(KEY, wait=False) as theirs:
        assert theirs is not None and theirs.earlier == ()  # the first came to its end
        assert not draft.exists()
    assert list((tmp_path / "claims").iterdir()) == []


def test_what_a_dead_maker_left_is_taken_away(tmp_path: Path) -> None:
    store = Store(tmp_path)
    report = tmp_path / "reports" / "a"
    half = report.with_name(".a.0123abcd.partial")
    (half / "figures").mkdir(parents=True)
    (tmp_path / "claims" / KEY).write_text(json.dumps({"run": "r", "report": str(report)}) + "\n{half")
    draft = store.path(KEY).with_name(f".{KEY}.json.gz.1234")
    draft.parent.mkdir()
    draft.touch()
    assert store.tidy() == 1
    assert not half.exists() and not draft.exists()
    assert list((tmp_path / "claims").iterdir()) == []


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="the batch's folder cannot be written: "):
        Store(tmp_path / "file")


def test_a_full_disk_is_told_as_such(field: Field, monkeypatch: pytest.MonkeyPatch) -> None:
    def write(handle: int, content: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", write)
    sheet = field.add("a")
    outcome = do(Order(str(sheet), "a", str(field.out), "run"))
    assert outcome.state == "failed" and outcome.failure is not None
    assert outcome.failure.kind == "OutputError"
    assert "No space left on device" in outcome.failure.words and "Try: make room" in outcome.failure.words
    field.assert_clean()


def test_the_journal_tells_events_in_order(tmp_path: Path) -> None:
    store = Store(tmp_path)
    for event in ("begun", "stored"):
        store.note("run", event=event, key=KEY)
    assert [line["event"] for line in store.journal()] == ["begun", "stored"]
