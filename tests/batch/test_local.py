"""A batch on this machine: whatever happens to one sortie, its workers, or to itself."""

from __future__ import annotations

import json
import os
import signal
import time
from pathlib import Path

import pytest

from .conftest import Field, until

pytestmark = pytest.mark.synthetic

GOOD = [f"good {number}" for number in range(4)]


def test_whatever_happens_to_one_sortie_the_others_have_their_results(field: Field) -> None:
    for name in GOOD:
        field.add(name)
    field.add("refused", "refuse")
    field.add("unforeseen", "bug")
    field.add("hog", "hog")
    field.add("killed", "die")
    field.add("crashed", "segfault")
    field.add("changed", "change")
    field.add("killed once", f"die_once {field.base / 'mark'}")
    (field.add("no log").parent / "unit.ulg").unlink()
    (field.flights / "broken").mkdir()
    (field.flights / "broken" / "sortie.toml").write_text("title = [[[", encoding="utf-8")
    out, err = field.run("--jobs", "2", code=1)

    good = [*GOOD, "killed once"]
    states = field.states()
    assert {name for name, state in states.items() if state == "done"} == set(good)
    assert {name for name, state in states.items() if state == "failed"} == set(states) - set(good)
    assert len(states) == 13
    assert set(field.stored()) == set(good)
    told = json.loads((field.out / "batch.json").read_text(encoding="utf-8"))
    failures = {Path(s["sortie"]).parent.name: s["failure"] for s in told["sorties"] if s["failure"]}
    kinds = {name: failure["kind"] for name, failure in failures.items()}
    assert kinds == {
        "refused": "SortieError",
        "unforeseen": "Unforeseen",
        "hog": "OutOfMemory",
        "killed": "WorkerDied",
        "crashed": "WorkerDied",
        "changed": "SortieError",
        "no log": "SheetError",
        "broken": "SheetError",
    }
    assert failures["refused"]["where"] == "unit.ulg" and failures["refused"]["hint"] == "another log"
    assert "died 2 times" in failures["killed"]["words"] and "SIGKILL" in failures["killed"]["words"]
    assert "SIGSEGV" in failures["crashed"]["words"]
    assert "ZeroDivisionError" in failures["unforeseen"]["detail"]
    for name, failure in failures.items():
        assert failure["words"] in err
        assert "Try: " in failure["words"] or failure["kind"] == "SheetError", name
    begun = field.log_count("begun")
    assert {name: begun[name] for name in GOOD} == dict.fromkeys(GOOD, 1)
    assert begun["killed"] == begun["crashed"] == begun["killed once"] == 2
    field.assert_clean()
    assert "5 done, 8 FAILED" in out

    # the next run tries again what failed, and nothing else
    field.run("--jobs", "2", code=1)
    assert {name for name, state in field.states().items() if state == "kept"} >= set(good)
    again = field.log_count("begun")
    assert {name: again[name] for name in GOOD} == dict.fromkeys(GOOD, 1)
    assert again["refused"] == 2
    # "changed" is at rest now, so it is done
    assert field.states()["changed"] == "done"


def test_finished_sorties_are_known_by_their_content(field: Field) -> None:
    for name in GOOD:
        field.add(name)
    field.run("--jobs", "1")
    (field.flights / "good 0").rename(field.flights / "moved")
    sheet = field.flights / "good 1" / "aircraft.toml"
    sheet.write_text(sheet.read_text(encoding="utf-8") + "\n# looked through\n", encoding="utf-8")
    with (field.flights / "good 2" / "unit.ulg").open("ab") as file:
        file.write(b"one byte more")
    os.utime(field.flights / "good 3" / "unit.ulg", (0, 0))
    field.run("--jobs", "1")
    assert field.states() == {"moved": "kept", "good 1": "done", "good 2": "done", "good 3": "kept"}
    field.run("--again", "--jobs", "1")
    assert set(field.states().values()) == {"done"}


def test_one_content_in_two_folders_is_analysed_once(field: Field) -> None:
    field.add("same", "sleep 0.3", folder="a")
    field.add("same", "sleep 0.3", folder="b")
    field.run("--jobs", "2")
    assert set(field.states()) == {"a", "b"}
    assert field.log_count("begun") == {"same": 1}


def test_a_killed_batch_goes_on_where_it_was(field: Field) -> None:
    names = [f"n{number}" for number in range(12)]
    for name in names:
        field.add(name, "sleep 0.4")
    process = field.start("--jobs", "2")
    until(lambda: field.log_count("ended").total() >= 3)
    time.sleep(0.1)
    process.kill()
    process.communicate()
    until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in field.pids()))  # workers end with it
    before = field.stored()
    assert 1 <= len(before) < len(names)
    field.run("--jobs", "2")
    assert {name for name, state in field.states().items() if state == "kept"} == set(before)
    assert set(field.stored()) == set(names)
    assert all(field.log_count("begun")[name] == 1 for name in before)
    field.assert_clean()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_batch_leaves_what_is_finished(field: Field, number: int) -> None:
    names = [f"n{number}" for number in range(12)]
    for name in names:
        field.add(name, "sleep 0.4")
    process = field.start("--jobs", "2")
    until(lambda: field.log_count("ended").total() >= 3)
    # a terminal sends Ctrl-C to the whole group, a request to end goes to one process
    if number == signal.SIGINT:
        os.killpg(process.pid, number)
        time.sleep(0.1)
        os.killpg(process.pid, number)  # by an impatient hand
    else:
        process.send_signal(number)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "stopped: " in err and "the same command goes on" in err and "Traceback" not in err
    field.assert_clean()
    before = field.stored()
    assert 1 <= len(before) < len(names)
    if number == signal.SIGINT:
        field.run("--jobs", "2")
        assert {name for name, state in field.states().items() if state == "kept"} == set(before)
        assert set(field.stored()) == set(names)


def test_two_batches_at_once_do_nothing_twice(field: Field) -> None:
    names = [f"n{number}" for number in range(6)]
    for name in names:
        field.add(name, "sleep 0.3")
    both = [field.start("--jobs", "1", "--json") for _ in range(2)]
    told = []
    for process in both:
        out, err = process.communicate(timeout=120)
        assert process.returncode == 0, err
        told.append(json.loads(out)["counts"])
    assert field.log_count("begun") == dict.fromkeys(names, 1)
    assert all(counts["done"] + counts["kept"] == len(names) for counts in told)
    assert sum(counts["done"] for counts in told) == len(names)
    field.assert_clean()
