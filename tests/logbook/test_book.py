"""The logbook keeps what it was given, once, and finds it; on SQLite and on PostgreSQL."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import text

from flightproc.errors import LogbookError, SheetError
from flightproc.logbook import Logbook, check_logbook, gather, restore_inputs
from flightproc.logbook import tables as tables_module
from flightproc.logbook.model import read_document
from flightproc.logbook.restore import repeat_result

from .factory import document, gathered

pytestmark = pytest.mark.synthetic

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "school-wing-28"


def test_an_entry_comes_out_as_it_went_in(book: Logbook) -> None:
    found = gathered(1, notes="Grüße, naïve Ω")
    raw = document(found)
    added = book.add(found, raw, {"report.html": b"<html>"})
    assert (added.sortie, added.revision, added.new_sortie, added.new_results) == (1, 1, True, 1)
    view = book.get(1)
    (revision,) = view.revisions
    (result,) = revision.results
    assert revision.entry.model_copy(update={"results": ()}) == found.entry
    assert book.content(result.sha256) == raw
    assert book.content(result.files["report.html"]) == b"<html>"
    assert result.answer == ("The unit is rolled by 20 N m.", "A second sentence.")
    assert result.settings == {"seed": 1}
    for file in found.entry.files:
        assert book.content(file.sha256) == found.contents[file.sha256]
    assert view.row.answer == "The unit is rolled by 20 N m."
    assert json.loads(json.dumps(view.to_json()))["sets"][0]["pilot_notes"] == "Grüße, naïve Ω"
    assert check_logbook(book).faults == ()
    # a page made anew takes the place of the old one
    again = book.add(found, raw, {"report.html": b"<html>new", "holds.csv": b"hold"})
    assert (again.new, again.new_results, again.new_files) == (True, 0, 2)
    assert book.get(1).revisions[0].results[0].files.keys() == {"report.html", "holds.csv"}
    assert not book.add(found, raw, {"holds.csv": b"hold"}).new
    check_logbook(book, repair=True)
    assert check_logbook(book).faults == ()


def test_what_is_there_is_not_added_twice(book: Logbook) -> None:
    found = gathered(1)
    book.add(found, document(found))
    again = book.add(gathered(1), document(found))
    assert not again.new and (again.sortie, again.revision) == (1, 1)
    # the same figures, made later on another machine, are the same result
    later = json.loads(document(found, 20.0 * (1 + 1e-9)))
    later["provenance"] |= {"created_utc": "2027-01-01T00:00:00Z", "python": "3.14.0"}
    assert not book.add(found, json.dumps(later)).new
    assert book.sorties()[0].results == 1
    assert book.known(found.entry, "0.1.0") is not None
    assert book.known(found.entry, "0.2.0") is None


def test_other_sheets_make_a_new_set_of_the_same_sortie(book: Logbook) -> None:
    first, second = gathered(1), gathered(1, sheet="corrected", title="Corrected")
    book.add(first, document(first))
    added = book.add(second, document(second, 25.0))
    assert (added.sortie, added.revision, added.new_sortie, added.new_revision) == (1, 2, False, True)
    newer = book.add(second, document(second, 25.5, version="0.2.0"))
    assert newer.new_results == 1 and not newer.new_revision
    (row,) = book.sorties()
    assert (row.title, row.revisions, row.results, row.version) == ("Corrected", 2, 3, "0.2.0")
    # the unit's log is there once, however many sets name it
    log = first.entry.file("unit").sha256
    with book.look() as connection:
        assert book.files.all(connection).count(log) == 1
    other = book.add(gathered(1, glider="fast wing 20"))
    assert other.new_sortie, "another glider in the same log is another sortie"


def test_a_result_may_come_later_and_brings_the_day(book: Logbook) -> None:
    found = gathered(3, date=None)
    book.add(found)
    assert book.sorties()[0].date is None and book.get(1).result is None
    book.add(found, document(found))
    assert book.sorties()[0].date == "2026-05-14"


def test_search(book: Logbook) -> None:
    for number, (glider, aircraft, date, notes) in enumerate(
        [
            ("school wing 28", "frame A", "2026-05-14", "calm"),
            ("School Wing 25", "frame B", "2026-06-01", "Böen über 50 %"),
            ("fast wing 20", "frame B", "2026-07-09", "calm, late"),
        ]
    ):
        found = gathered(number, glider=glider, aircraft=aircraft, date=date, notes=notes)
        book.add(found, document(found, 20.0 + number))

    def ids(**sought: str) -> list[int]:
        return [row.id for row in book.sorties(**sought)]  # type: ignore[arg-type]

    assert ids() == [3, 2, 1]
    assert ids(glider="SCHOOL") == [2, 1]
    assert ids(aircraft="b", glider="wing 2") == [3, 2]
    assert ids(since="2026-06-01") == [3, 2]
    assert ids(since="2026-06", until="2026-06-99") == [2]
    assert ids(text="calm LATE") == [3]
    assert ids(text="BÖEN") == [2]
    assert ids(text="%") == [2], "no wildcard"
    assert ids(text="rolled by 21 n") == [2], "the answer is searched too"
    assert ids(text="unit.ulg frame") == [3, 2, 1]
    assert ids(text="nothing such") == []
    assert [(item.name, item.sorties) for item in book.equipment("aircraft")] == [
        ("frame A", 1),
        ("frame B", 2),
    ]
    assert [item.name for item in book.equipment("gliders")] == [
        "school wing 28",
        "School Wing 25",
        "fast wing 20",
    ]
    assert [(item.name, item.sorties) for item in book.equipment("rigs")] == [("rig day 1", 3)]


def test_delete_takes_only_what_nothing_else_needs(book: Logbook) -> None:
    first, second = gathered(1), gathered(2)
    book.add(first, document(first))
    book.add(second, document(second))
    book.delete(1)
    assert [row.id for row in book.sorties()] == [2]
    for file in second.entry.files:
        assert book.content(file.sha256) == second.contents[file.sha256]
    with pytest.raises(LogbookError, match="missing"):
        book.content(first.entry.file("unit").sha256)
    assert check_logbook(book).faults == ()
    book.delete(2)
    with book.look() as connection:
        assert book.files.all(connection) == []
        for table in tables_module.METADATA.sorted_tables:
            if table.name != "forms":
                assert connection.execute(table.select()).all() == [], table.name
    with pytest.raises(LogbookError, match=r"no sortie of this number, found 2"):
        book.delete(2)
    assert book.add(first).sortie == 3, "a number is never used again"


def test_an_error_on_the_way_leaves_nothing(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    found = gathered(1)
    book.add(gathered(9))
    monkeypatch.setattr(Logbook, "_record_result", lambda *rest: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        book.add(found, document(found))
    monkeypatch.undo()
    assert [row.id for row in book.sorties()] == [1]
    checked = check_logbook(book)
    assert checked.sound and {fault.code for fault in checked.faults} == {"orphan"}
    mended = check_logbook(book, repair=True)
    assert all(fault.mended for fault in mended.faults)
    assert check_logbook(book).faults == ()
    assert book.add(found, document(found)).new_sortie


def test_a_result_of_other_files_is_refused(book: Logbook) -> None:
    found, other = gathered(1), gathered(2)
    with pytest.raises(
        LogbookError, match=r"day/logs/unit.ulg was not read in this state.*was read and is not"
    ):
        book.add(found, document(other))
    for raw in (b"", b"[]", b"{", b'{"schema": "flightproc-results/1"}', b"[" * 100_000):
        with pytest.raises(LogbookError, match="not results of flightproc"):
            book.add(found, raw)
    for answer in ("\ud800", "a\0b"):
        with pytest.raises(LogbookError, match="not results of flightproc"):
            book.add(found, document(found, answer=[answer]))
    for depth in (300, 3000, 100_000):
        # refused where it is too deep to be looked at, and kept where it is not; never a crash
        raw = document(found, 20.0, holds="DEEP").replace(b'"DEEP"', b"[" * depth + b"]" * depth)
        if depth == 300:
            read_document(raw, "here")
            continue
        with pytest.raises(LogbookError, match="not results of flightproc"):
            book.add(found, raw)
    with pytest.raises(LogbookError, match=r"name cannot be kept.*\.\./report.html"):
        book.add(found, document(found), {"../report.html": b""})
    assert book.sorties() == ()


def test_two_add_at_once_and_readers_do_not_wait(new_place: Callable[[], str]) -> None:
    place = new_place()
    errors: list[BaseException] = []

    def add(first: int) -> None:
        try:
            with Logbook(place) as book:
                for number in range(first, first + 6):
                    found = gathered(number % 8)
                    book.add(found, document(found))
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=add, args=(first,)) for first in (0, 3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    with Logbook(place) as book, Logbook(place, timeout=0.5) as other:
        assert len(book.sorties()) == 8
        before = len(book.sorties())
        with book.write() as connection:
            book.drop_unused(connection)
            assert len(other.sorties()) == before, "a reader sees what was confirmed, without waiting"
            with pytest.raises(LogbookError, match=r"refuses.*[Tt]ry: another program is writing"):
                other.delete(1)
        other.delete(1)
        assert check_logbook(book).faults == ()


def test_one_logbook_serves_several_threads(book: Logbook) -> None:
    def work(first: int) -> None:
        for number in range(first, first + 3):
            found = gathered(number)
            added = book.add(found, document(found))
            assert book.get(added.sortie).newest.entry.digest == found.entry.digest

    with ThreadPoolExecutor(4) as pool:
        for done in [pool.submit(work, first) for first in (0, 3, 6, 9)]:
            done.result()
    assert len(book.sorties()) == 12
    assert check_logbook(book).faults == ()


def test_content_cleared_away_before_it_is_used_is_put_again(
    book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = gathered(1)
    original = Logbook.record
    cleared: list[list[str]] = []

    def record(self: Logbook, connection: object, entry: object) -> object:
        if not cleared:
            cleared.append(self.clear(connection))  # type: ignore[arg-type]
        return original(self, connection, entry)  # type: ignore[arg-type]

    monkeypatch.setattr(Logbook, "record", record)
    assert book.add(found, document(found)).new_sortie
    assert len(cleared[0]) == 7
    assert check_logbook(book).faults == ()


def test_nothing_is_made_where_only_reading_was_asked_for(
    new_place: Callable[[], str], tmp_path: Path
) -> None:
    with pytest.raises(LogbookError, match=r"no logbook here yet.*flightproc logbook add"):
        Logbook(new_place(), create=False)
    assert list(tmp_path.iterdir()) == []


def test_a_newer_logbook_is_refused_and_an_older_one_brought_up_to_date(
    new_place: Callable[[], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    place = new_place()
    with Logbook(place) as book:
        found = gathered(1)
        book.add(found, document(found))
    steps = {2: lambda connection: connection.execute(text("ALTER TABLE sorties ADD COLUMN colour TEXT"))}
    monkeypatch.setattr(tables_module, "VERSION", 2)
    monkeypatch.setattr("flightproc.logbook.engine.VERSION", 2)
    monkeypatch.setattr(tables_module, "MIGRATIONS", {2: lambda connection: 1 / 0})
    with pytest.raises(ZeroDivisionError):
        Logbook(place)
    monkeypatch.setattr(tables_module, "MIGRATIONS", steps)
    for _ in range(2):
        with Logbook(place) as book:
            assert [row.id for row in book.sorties()] == [1]
            with book.look() as connection:
                assert connection.execute(text("SELECT colour FROM sorties")).all() == [(None,)]
                assert tables_module.present_form(connection) == 2
    monkeypatch.undo()
    with pytest.raises(LogbookError, match=r"newer version of flightproc.*form 2.*update flightproc"):
        Logbook(place)


def test_what_is_no_logbook_is_told_clearly(tmp_path: Path) -> None:
    (tmp_path / "logbook.sqlite").write_bytes(b"certainly no database" * 100)
    with pytest.raises(LogbookError, match=r"refuses: file is not a database.*Try"):
        Logbook(tmp_path)
    with pytest.raises(LogbookError, match="no folder can be made"):
        Logbook(tmp_path / "logbook.sqlite" / "below")
    with pytest.raises(LogbookError, match=r"refuses.*Try: check"):
        pytest.importorskip("psycopg")
        Logbook(f"postgresql://nobody:secret@/nothing?host={tmp_path}")


def test_a_torn_database_is_found(tmp_path: Path) -> None:
    with Logbook(tmp_path) as book:
        for number in range(30):
            book.add(gathered(number, size=50))
    path = tmp_path / "logbook.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA foreign_keys = OFF")
    connection.execute("DELETE FROM gliders")
    connection.commit()
    connection.close()
    with Logbook(tmp_path) as book:
        checked = check_logbook(book)
    assert not checked.sound
    assert any("missing row of gliders" in fault.words for fault in checked.faults)


# ------------------------------------------------------------------------------------- from sheets, and back


def test_a_real_sortie_goes_in_and_comes_out(tmp_path: Path) -> None:
    found = gather(SAMPLE / "sortie.toml")
    assert [(file.role, file.path) for file in found.entry.files] == [
        *((name, f"{name}.toml") for name in ("sortie", "aircraft", "glider", "rig")),
        ("unit", "unit.ulg"),
        ("gps", "gps.gpx"),
        ("engine", "engine.csv"),
    ]
    assert (found.entry.date, found.entry.glider) == ("2026-05-14", "school wing 28")
    with Logbook(tmp_path / "book") as book:
        book.add_sortie(SAMPLE / "sortie.toml", document(found))
        view = book.get(1)
        sheet = restore_inputs(book, view.newest, tmp_path / "out")
        assert gather(sheet).entry.files == found.entry.files
        restore_inputs(book, view.newest, tmp_path / "out")
        (tmp_path / "out" / "gps.gpx").write_text("mine")
        with pytest.raises(LogbookError, match=r"other content.*gps.gpx"):
            restore_inputs(book, view.newest, tmp_path / "out")
        # made again: the stand-in gives the stored document, or one that differs
        pair = view.result
        assert pair is not None
        stored = json.loads(document(found))
        assert repeat_result(book, *pair, lambda sheet: stored).same
        stored["comparison"][0]["rpm"]["value"] = 7601.0
        repeated = repeat_result(book, *pair, lambda sheet: stored)
        assert repeated.differences == ("comparison[0].rpm.value: 7600.0 is now 7601.0",)
        checked = check_logbook(book, again=True, analyse=lambda sheet: stored)
        assert not checked.sound and checked.faults == ()


def test_sheets_in_other_folders_and_their_tables_are_found(tmp_path: Path) -> None:
    day = tmp_path / "days" / "may"
    day.mkdir(parents=True)
    text_ = (SAMPLE / "sortie.toml").read_text()
    for name in ("aircraft", "glider", "rig"):
        text_ = text_.replace(f'"{name}.toml"', f'"../../club/{name}.toml"')
    (day / "evening.toml").write_text(text_)
    for name in ("unit.ulg", "gps.gpx", "engine.csv"):
        (day / name).write_bytes(name.encode())
    club = tmp_path / "club"
    club.mkdir()
    for name in ("glider", "rig"):
        (club / f"{name}.toml").write_text((SAMPLE / f"{name}.toml").read_text())
    aircraft = (SAMPLE / "aircraft.toml").read_text()
    assert "[propeller]" in aircraft
    (club / "aircraft.toml").write_text(
        aircraft.replace("[propeller]", '[propeller]\nsection = "section.csv"')
    )
    (club / "section.csv").write_text("alpha_deg,cl,cd\n")
    found = gather(day / "evening.toml")
    paths = {file.path: file.role for file in found.entry.files}
    assert paths["days/may/evening.toml"] == "sortie"
    assert paths["club/section.csv"] == "table"
    with Logbook(tmp_path / "book") as book:
        book.add(found)
        sheet = restore_inputs(book, book.get(1).newest, tmp_path / "out")
        assert sheet == tmp_path / "out" / "days/may/evening.toml"
        assert gather(sheet).entry.digest == found.entry.digest
    (day / "evening.toml").write_text(text_.replace('"gps.gpx"', f'"{day}/gps.gpx"'))
    with pytest.raises(SheetError, match=r"logs\[2\].*a file seen from the folder of this sheet"):
        gather(day / "evening.toml")


def test_a_log_that_changes_meanwhile_is_refused(tmp_path: Path) -> None:
    for path in SAMPLE.glob("*.*"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    found = gather(tmp_path / "sortie.toml")
    with (tmp_path / "engine.csv").open("a") as file:
        file.write("1,2\n")
    with Logbook(tmp_path / "book") as book:
        with pytest.raises(LogbookError, match=r"engine.csv: this file has changed while"):
            book.add(found)
        assert book.sorties() == ()
