"""Content is kept whole, under its hash, on the disk before anything points to it."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from sqlalchemy import event

from flightproc.errors import LogbookError
from flightproc.logbook import Logbook, check_logbook
from flightproc.logbook.files import CHUNK, FolderFiles

from .factory import document, gathered

pytestmark = pytest.mark.synthetic


@pytest.mark.parametrize("size", [0, 1, CHUNK - 1, CHUNK, 2 * CHUNK + 7])
def test_content_of_any_size(book: Logbook, size: int, tmp_path: Path) -> None:
    content = os.urandom(size)
    (tmp_path / "file").write_bytes(content)
    expected = (hashlib.sha256(content).hexdigest(), size)
    assert book.files.put(content) == expected
    assert book.files.put(tmp_path / "file") == expected
    assert book.content(expected[0]) == content
    with book.look() as connection:
        assert book.files.all(connection) == [expected[0]]
        assert book.files.holds(connection, *expected)
        assert not book.files.holds(connection, expected[0], size + 1)


def damaged(path: Path, way: str) -> None:
    content = bytearray(path.read_bytes())
    if way == "bit":
        content[len(content) // 2] ^= 1
        path.write_bytes(content)
    elif way == "cut":
        path.write_bytes(content[:-1])
    elif way == "empty":
        path.write_bytes(b"")
    else:
        path.unlink()


@pytest.mark.parametrize("way", ["bit", "cut", "empty", "gone"])
def test_damage_is_found_when_read_and_mended_by_adding_again(tmp_path: Path, way: str) -> None:
    found = gathered(1)
    with Logbook(tmp_path) as book:
        book.add(found, document(found))
        unit = found.entry.file("unit")
        assert isinstance(book.files, FolderFiles)
        damaged(book.files.path(unit.sha256), way)
        with pytest.raises(LogbookError, match="missing" if way == "gone" else "damaged"):
            book.content(unit.sha256)
        checked = check_logbook(book, repair=True)
        (fault,) = checked.faults
        assert fault.lost and not fault.mended and not checked.sound
        assert unit.path in fault.where and "add the sortie again" in fault.words
        assert fault.code == ("missing" if way == "gone" else "damaged")
        assert not book.add(found, document(found)).new
        assert check_logbook(book).faults == ()


def test_a_damaged_result_is_found(tmp_path: Path) -> None:
    found = gathered(1)
    with Logbook(tmp_path) as book:
        book.add(found, document(found))
        pair = book.get(1).result
        assert pair is not None and isinstance(book.files, FolderFiles)
        damaged(book.files.path(pair[1].sha256), "bit")
        assert [fault.code for fault in check_logbook(book).faults] == ["damaged"]
        with pytest.raises(LogbookError, match="damaged"):
            book.document(pair[1])


def test_content_is_on_the_disk_before_the_database_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order that makes a power cut harmless: content, its name, the folder's entry, then the commit."""
    steps: list[str] = []
    real_fsync, real_replace = os.fsync, Path.replace

    def fsync(handle: int) -> None:
        steps.append(f"fsync {os.readlink(f'/proc/self/fd/{handle}')}")
        real_fsync(handle)

    def replace(path: Path, target: Path) -> Path:
        steps.append(f"rename {path} {target}")
        return real_replace(path, target)

    if not Path("/proc/self/fd").is_dir():
        pytest.skip("no /proc to tell which file a handle is of")
    found = gathered(1)
    with Logbook(tmp_path / "deep" / "book") as book:
        event.listen(book.database.engine, "commit", lambda connection: steps.append("commit"))
        monkeypatch.setattr(os, "fsync", fsync)
        monkeypatch.setattr(Path, "replace", replace)
        book.add(found, document(found))
        assert isinstance(book.files, FolderFiles)
        last = len(steps) - 1 - steps[::-1].index("commit")
        for sha256 in (*found.contents, hashlib.sha256(document(found)).hexdigest()):
            target = book.files.path(sha256)
            (renamed,) = [
                i for i, step in enumerate(steps) if step.endswith(f" {target}") and "rename" in step
            ]
            draft = steps[renamed].split()[1]
            assert f"fsync {draft}" in steps[:renamed]
            assert f"fsync {target.parent}" in steps[renamed:last]
            assert f"fsync {target.parent.parent}" in steps[:last]
    with Logbook(tmp_path / "deep" / "book") as book, book.look() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2, "every commit is on the disk"
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def test_a_full_disk_is_told_and_leaves_no_draft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device", str(path))

    found = gathered(1)
    with Logbook(tmp_path) as book:
        monkeypatch.setattr(Path, "replace", full)
        with pytest.raises(LogbookError, match=r"cannot be written: No space left on device.*Try: make room"):
            book.add(found)
        monkeypatch.undo()
        assert isinstance(book.files, FolderFiles)
        assert list((book.files.folder / "drafts").iterdir()) == []
        assert book.sorties() == ()


def test_drafts_of_dead_writers_go_and_those_of_live_ones_stay(tmp_path: Path) -> None:
    with Logbook(tmp_path) as book:
        book.add(gathered(1))
        assert isinstance(book.files, FolderFiles)
        old, young = (book.files.folder / "drafts" / name for name in ("old", "young"))
        for path in (old, young):
            path.write_bytes(b"half")
        os.utime(old, (1e9, 1e9))
        (fault,) = check_logbook(book, repair=True).faults
        assert (fault.code, fault.where, fault.mended) == ("draft", str(old), True)
        assert young.exists() and not old.exists()
