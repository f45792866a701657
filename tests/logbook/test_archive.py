"""Everything in one archive and back; an archive that lies does no harm."""

from __future__ import annotations

import io
import json
import random
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flightproc.errors import LogbookError
from flightproc.logbook import Logbook, check_logbook, export_archive, import_archive
from flightproc.logbook.files import FolderFiles, digest

from .factory import document, gathered

pytestmark = pytest.mark.synthetic


def fill(book: Logbook) -> None:
    for number in range(3):
        found = gathered(number, date=None if number == 1 else "2026-05-14")
        book.add(found, document(found, 20.0 + number), {"report.html": f"page {number}".encode()})
    corrected = gathered(0, sheet="corrected")
    book.add(corrected, document(corrected, 21.0))
    book.add(gathered(7, size=0))


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    with Logbook(tmp_path / "source") as book:
        fill(book)
        export_archive(book, tmp_path / "all.zip")
    return tmp_path / "all.zip"


def test_everything_comes_back(book: Logbook, new_place: Callable[[], str], tmp_path: Path) -> None:
    fill(book)
    told: list[float] = []
    done = export_archive(book, tmp_path / "all.zip", progress=lambda words, share: told.append(share))
    assert (done.entries, done.results, done.left_out) == (5, 4, ())
    assert told == sorted(told) and told[-1] == 1.0
    with Logbook(new_place()) as other:
        first = import_archive(other, tmp_path / "all.zip")
        assert (first.new_sorties, first.new_revisions, first.new_results) == (4, 5, 4)
        assert other.entries() == book.entries()
        assert other.sorties() == book.sorties()
        assert check_logbook(other).faults == ()
        second = import_archive(other, tmp_path / "all.zip")
        assert (second.new_sorties, second.new_revisions, second.new_results) == (0, 0, 0)
        export_archive(other, tmp_path / "again.zip")
    with zipfile.ZipFile(tmp_path / "all.zip") as one, zipfile.ZipFile(tmp_path / "again.zip") as two:
        assert one.namelist() == two.namelist()
        for name in one.namelist():
            assert name == "logbook.json" or one.read(name) == two.read(name)
    assert [path.name for path in tmp_path.glob(".*")] == []


def test_two_logbooks_are_merged(tmp_path: Path) -> None:
    with Logbook(tmp_path / "a") as one, Logbook(tmp_path / "b") as two:
        for book, seeds in ((one, (1, 2)), (two, (2, 3))):
            for seed in seeds:
                found = gathered(seed)
                book.add(found, document(found))
        export_archive(one, tmp_path / "one.zip")
        done = import_archive(two, tmp_path / "one.zip")
        assert (done.new_sorties, len(two.sorties())) == (1, 3)


def rewritten(archive: Path, change: Callable[[dict[str, bytes]], Any]) -> Path:
    """Return a copy of an archive whose members have been tampered with."""
    with zipfile.ZipFile(archive) as source:
        members = {name: source.read(name) for name in source.namelist()}
    said = change(members)
    extra = said if isinstance(said, list) else []
    target = archive.with_name("tampered.zip")
    with warnings.catch_warnings(), zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as out:
        warnings.simplefilter("ignore")  # of a name given twice, on purpose
        for name, content in (*members.items(), *extra):
            out.writestr(name, content)
    return target


def change_entry(members: dict[str, bytes], change: Callable[[dict[str, Any]], Any]) -> None:
    lines = members["entries.jsonl"].splitlines()
    entry = json.loads(lines[0])
    change(entry)
    members["entries.jsonl"] = b"\n".join([json.dumps(entry).encode(), *lines[1:]]) + b"\n"


def first_content(members: dict[str, bytes]) -> str:
    sha256 = json.loads(members["entries.jsonl"].splitlines()[0])["files"][4]["sha256"]
    return f"content/{sha256}"


def put(name: str, content: bytes) -> Callable[[dict[str, bytes]], None]:
    return lambda members: members.__setitem__(name, content)


def set_path(path: str) -> Callable[[dict[str, bytes]], None]:
    return lambda members: change_entry(members, lambda e: e["files"][4].__setitem__("path", path))


def wrong_hash(members: dict[str, bytes]) -> None:
    name = first_content(members)
    members[name] = bytes([members[name][0] ^ 1]) + members[name][1:]


def bomb(members: dict[str, bytes]) -> None:
    """A log of 3 GB of zeros, by its entry: refused before it is unfolded."""
    change_entry(members, lambda e: e["files"][4].__setitem__("size", 3_000_000_000))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (put("../../evil", b"x"), "does not belong there: '../../evil'"),
        (put("/etc/evil", b"x"), "does not belong there: '/etc/evil'"),
        (put("content/../../evil", b"x"), "does not belong there"),
        (put("content/" + "A" * 64, b"x"), "does not belong there"),
        (set_path("../../evil"), r"line 1: files.4.path.*a path inside the folder"),
        (set_path("/etc/evil"), "a path inside the folder"),
        (set_path("a\\..\\evil"), "a path inside the folder"),
        (set_path("day/sortie.toml/x"), "both a file and a folder"),
        (wrong_hash, "has the SHA-256"),
        (lambda m: m.__setitem__(first_content(m), b""), "has 0 bytes, and its entry says 3000"),
        (lambda m: m.pop(first_content(m)), "is missing"),
        (bomb, "would unfold to 3"),
        (lambda m: [(first_content(m), b"x")], "there twice"),
        (lambda m: m.pop("entries.jsonl"), "no member entries.jsonl"),
        (lambda m: m.pop("logbook.json"), "no member logbook.json"),
        (
            put("logbook.json", b'{"schema": "flightproc-logbook/9"}'),
            "no archive of a logbook of this version",
        ),
        (put("logbook.json", b"[" * 50_000), "no archive of a logbook of this version"),
        (put("entries.jsonl", b"{}\n"), r"line 1: title: Field required"),
        (put("entries.jsonl", b"[" * 100_000), "line 1"),
        (put("entries.jsonl", b""), "has 0 entries, and logbook.json promises 5"),
        (lambda m: change_entry(m, lambda e: e["files"].pop(4)), "exactly one file has the role unit"),
        (lambda m: change_entry(m, lambda e: e.__setitem__("surprise", 1)), "surprise: Extra inputs"),
        (lambda m: change_entry(m, lambda e: e.__setitem__("date", "14 May")), "line 1: date"),
        (
            lambda m: change_entry(
                m,
                lambda e: (
                    e["results"][0].update(e["files"][4] | {"size": 3000})
                    or [e["results"][0].pop(k) for k in ("role", "name", "path")]
                ),
            ),
            "not results of flightproc",
        ),
    ],
)
def test_a_lying_archive_does_nothing(archive: Path, tmp_path: Path, change: Any, words: str) -> None:
    tampered = rewritten(archive, change)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with Logbook(tmp_path / "target") as book:
        book.add(gathered(99))
        with pytest.raises(LogbookError, match=words):
            import_archive(book, tampered)
        assert len(book.sorties()) == 1
        assert check_logbook(book).sound
    after = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert {p for p in after if (tmp_path / "target") not in p.parents} == set(before)
    assert all(after[path] == content for path, content in before.items())


def test_all_faults_are_told_together(archive: Path, tmp_path: Path) -> None:
    def change(members: dict[str, bytes]) -> None:
        members.pop(first_content(members))
        members["strange"] = b""
        change_entry(members, lambda e: e.__setitem__("date", None))

    with Logbook(tmp_path / "target") as book, pytest.raises(LogbookError, match="2 faults") as caught:
        import_archive(book, rewritten(archive, change))
    assert "strange" in str(caught.value) and "is missing" in str(caught.value)


def test_a_small_archive_that_unfolds_without_end_is_refused(tmp_path: Path) -> None:
    """Its directory lies about the size of a member, so that only counting while reading can tell."""
    zeros = bytes(50_000_000)
    found = gathered(1)
    entry = found.entry.model_dump(mode="json")
    sha256 = digest(zeros)[0]
    entry["files"][4] |= {"sha256": sha256, "size": 1000}
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for key, content in found.contents.items():
            assert isinstance(content, bytes)
            out.writestr(f"content/{key}", content)
        out.writestr(f"content/{sha256}", zeros)
        out.writestr("entries.jsonl", json.dumps(entry) + "\n")
        out.writestr("logbook.json", json.dumps({"schema": "flightproc-logbook/1", "entries": 1}))
    raw = path.read_bytes()
    lied = raw.replace((50_000_000).to_bytes(4, "little"), (1000).to_bytes(4, "little"))
    assert lied != raw
    path.write_bytes(lied)
    with Logbook(tmp_path / "book") as book:
        with pytest.raises(LogbookError, match=r"damaged or none|not as long as|has the SHA-256"):
            import_archive(book, path)
        assert book.sorties() == ()


def test_damaged_archives_are_told_or_right(archive: Path, tmp_path: Path) -> None:
    """Cut anywhere or with any byte changed: one clear error, or what was exported."""
    content = archive.read_bytes()
    rng = random.Random(5)
    wrong = tmp_path / "wrong.zip"
    with Logbook(tmp_path / "source", create=False) as source:
        right = source.entries()
    refused = 0
    with Logbook(tmp_path / "target") as book:
        for number in range(60):
            damaged = bytearray(content)
            if number % 2:
                del damaged[rng.randrange(len(damaged)) :]
            else:
                damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
            wrong.write_bytes(damaged)
            try:
                import_archive(book, wrong)
            except LogbookError:
                refused += 1
            else:
                assert book.entries() == right
        assert check_logbook(book).sound
        assert {entry.digest for entry in book.entries()} <= {entry.digest for entry in right}
    assert refused > 40


def test_what_is_no_archive(tmp_path: Path) -> None:
    plain = io.BytesIO()
    with zipfile.ZipFile(plain, "w") as out:
        out.writestr("photo.jpg", b"x")
    with Logbook(tmp_path / "book") as book:
        for content, words in (
            (b"", "none at all"),
            (b"text", "none at all"),
            (plain.getvalue(), "photo.jpg"),
        ):
            (tmp_path / "x.zip").write_bytes(content)
            with pytest.raises(LogbookError, match=words):
                import_archive(book, tmp_path / "x.zip")


def test_damaged_content_does_not_enter_an_archive(tmp_path: Path) -> None:
    with Logbook(tmp_path / "book") as book:
        fill(book)
        unit = gathered(2).entry.file("unit")
        assert isinstance(book.files, FolderFiles)
        book.files.path(unit.sha256).write_bytes(b"torn")
        (tmp_path / "all.zip").write_bytes(b"an older archive")
        with pytest.raises(LogbookError, match=r"1 stored contents are missing or damaged.*") as caught:
            export_archive(book, tmp_path / "all.zip")
        assert "sortie of seed 2" in str(caught.value) and "--skip-damaged" in str(caught.value)
        assert (tmp_path / "all.zip").read_bytes() == b"an older archive"
        done = export_archive(book, tmp_path / "all.zip", skip_damaged=True)
        assert done.entries == 4 and len(done.left_out) == 1
        with Logbook(tmp_path / "other") as other:
            assert import_archive(other, tmp_path / "all.zip").new_sorties == 3
            assert check_logbook(other).faults == ()
        with pytest.raises(LogbookError, match="cannot be written"):
            export_archive(book, tmp_path / "none" / "all.zip", skip_damaged=True)
