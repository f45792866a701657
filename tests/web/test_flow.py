"""The whole flow: logs in, sheets, analysis, holds changed, saved; and what goes wrong on the way."""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from flightproc.logbook import Logbook
from flightproc.web import Settings
from flightproc.web.files import read_json, write_json
from flightproc.web.jobs import JobStore
from flightproc.web.settings import Limits

from .helpers import LOGS, SAMPLE, SHEETS, Page, Running, files, start_server

pytestmark = pytest.mark.synthetic

Start = Callable[[Settings], Running]


def test_a_whole_set_gives_the_result_that_the_report_gives(site: Page, settings: Settings) -> None:
    made = site.upload(*LOGS, *SHEETS)
    assert made.status_code == 201
    job = made.json()["id"]
    seen = site.wait(job, lambda state: bool(state["progress"]["stage"]) or not state["busy"])
    assert seen["state"] == "analysing"
    first = site.client.get(f"/sorties/{job}/first")
    assert first.status_code == 200 and "<table>" in first.text and "N m" in first.text
    assert site.wait(job)["state"] == "done"

    results = site.client.get(f"/api/sorties/{job}/results").json()
    truth = read_json(SAMPLE / "truth.json")
    assert results["schema"].startswith("flightproc-results/") and len(results["holds"]) > 10 and truth
    assert sorted(item["name"] for item in results["provenance"]["inputs"]) == sorted([*LOGS, *SHEETS])
    page = site.client.get(f"/sorties/{job}").text
    report = site.client.get(f"/sorties/{job}/download/report.html")
    assert report.headers["content-disposition"].startswith("attachment")
    for heading in re.findall(r'<h2 id="\w+-title">([^<]+)</h2>', report.text):
        assert f">{heading}</h2>" in page, heading
    for figure in re.findall(r'src="(/sorties/[^"]+\.svg[^"]*)"', page):
        assert site.client.get(figure).headers["content-type"] == "image/svg+xml"
    assert site.client.get(f"/sorties/{job}/download/holds.csv").text.count("\n") == len(results["holds"]) + 1
    assert "style=" not in page and "<script>" not in page

    # Strike a hold, by the form of the page.
    struck = results["holds"][0]
    bounds = {name: str(struck[name]) for name in ("start_s", "end_s")}
    edit = {"action": "strike", "reason": "gust", **bounds}
    assert site.post(f"/sorties/{job}/holds", edit).status_code == 303
    assert site.wait(job)["state"] == "done"
    after = site.client.get(f"/api/sorties/{job}/results").json()
    assert len(after["holds"]) == len(results["holds"]) - 1
    assert any(item["reason"] == "struck" and "gust" in item["words"] for item in after["not_holds"])
    wrong = site.post(f"/sorties/{job}/holds", {"action": "add", "start_s": "9", "end_s": "5"})
    assert wrong.status_code == 422 and "later than start_s" in wrong.text
    assert site.client.get(f"/api/sorties/{job}/sheets/sortie").json()["holds"][0]["reason"] == "gust"

    # Set it as PDF, where that can be done here.
    begun = site.post(f"/sorties/{job}/pdf")
    if begun.status_code == 303:
        assert site.wait(job)["words"] == ""
        pdf = site.client.get(f"/sorties/{job}/download/report.pdf")
        assert pdf.headers["content-type"] == "application/pdf" and pdf.content.startswith(b"%PDF-")
    else:
        assert begun.status_code == 409 and "flightproc[pdf]" in begun.text

    # Save it; the logbook holds logs, sheets and this very result.
    saved = site.call("POST", f"/api/sorties/{job}/save").json()
    assert saved["new"] is True and site.state(job)["saved"] == saved["sortie"]
    with Logbook(settings.logbook) as book:
        (row,) = book.sorties()
        assert row.glider == "school wing 28" and row.results == 1
        assert book.get(row.id).row.answer == after["answer"][0]
    assert site.call("POST", f"/api/sorties/{job}/save").json()["new"] is False


def test_logs_alone_are_read_and_wait_for_their_sheets(site: Page) -> None:
    job = site.upload(*LOGS).json()["id"]
    state = site.wait(job)
    assert state["state"] == "ready" and state["sheets"] == ["sortie"]
    page = site.client.get(f"/sorties/{job}/logs").text
    for words in ("unit.ulg", "hang roll", "Engine", "gyro", "ULog", "GPX"):
        assert words in page or words.lower() in page.lower(), words
    draft = site.client.get(f"/api/sorties/{job}/sheets/sortie").json()
    assert [log["file"] for log in draft["logs"]] == list(LOGS)
    assert [log["role"] for log in draft["logs"]] == ["unit", "gps", "engine"]
    assert draft["logs"][2]["columns"]["rpm"]["unit"] == "rpm"
    refused = site.post(f"/sorties/{job}/analyse")
    assert refused.status_code == 422 and "cannot begin before" in refused.text
    faults = site.call("POST", f"/api/sorties/{job}/analyse").json()["faults"]
    assert {fault["sheet"] for fault in faults} == {"aircraft.toml", "glider.toml"}
    # The form shows its faults at their fields, and keeps what was typed.
    answer = site.post(f"/sorties/{job}/sheets/glider", {"name": "wing", "flat_area_m2": "lots"})
    assert answer.status_code == 422 and 'value="lots"' in answer.text
    assert 'href="#f-flat_area_m2"' in answer.text and 'id="f-flat_area_m2-fault1"' in answer.text
    # Sheets dropped afterwards make the set whole.
    more = site.call("POST", f"/sorties/{job}/files", files=files("aircraft.toml", "glider.toml"))
    assert more.status_code == 303
    assert site.state(job)["state"] == "analysing"
    assert site.post(f"/sorties/{job}/cancel").status_code == 303
    state = site.wait(job)
    assert state["state"] == "cancelled" and not state["busy"]


def test_a_sheet_is_taken_over_from_an_earlier_sortie(site: Page) -> None:
    first = site.upload("engine.csv", "glider.toml").json()["id"]
    second = site.upload("gps.gpx").json()["id"]
    site.wait(first), site.wait(second)
    page = site.client.get(f"/sorties/{second}/sheets").text
    assert "Take over" in page and f'value="{first}"' in page
    assert site.post(f"/sorties/{second}/sheets/glider/choose", {"key": first}).status_code == 303
    assert site.client.get(f"/api/sorties/{second}/sheets/glider").json()["name"] == "school wing 28"
    missing = site.post(f"/sorties/{second}/sheets/glider/choose", {"key": "../" + first})
    assert missing.status_code == 409


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("unit.ulg", b"ULog\x01\x12\x35\x00\x00", ""),
        ("noise.bin", bytes(range(256)) * 40, "no reader knows this content"),
        ("bomb.gz", b"\x1f\x8b\x08" + b"\x00" * 200, "compressed archive"),
    ],
    ids=["header only", "noise", "archive"],
)
def test_a_log_that_cannot_be_read_is_told_under_its_own_name(
    site: Page, settings: Settings, name: str, content: bytes, words: str
) -> None:
    made = site.call("POST", "/api/sorties", files=[("files", (name, content)), *files("gps.gpx")])
    job = made.json()["id"]
    assert site.wait(job)["state"] == "ready"
    logs = site.client.get(f"/api/sorties/{job}/logs").json()["logs"]
    broken = next(log for log in logs if log["name"] == name)
    assert broken["error"] and words in broken["error"] and str(settings.folder) not in broken["error"]
    assert next(log for log in logs if log["name"] == "gps.gpx")["error"] == ""
    assert name in site.client.get(f"/sorties/{job}/logs").text


def test_a_damaged_log_tells_its_damage(site: Page) -> None:
    cut = (SAMPLE / "unit.ulg").read_bytes()[:400_001]
    job = site.call("POST", "/api/sorties", files=[("files", ("cut.ulg", cut))]).json()["id"]
    site.wait(job)
    (log,) = site.client.get(f"/api/sorties/{job}/logs").json()["logs"]
    assert log["damage"] and "Damage" in site.client.get(f"/sorties/{job}/logs").text


def test_what_a_log_says_of_itself_is_escaped(site: Page) -> None:
    evil = "<script>alert(1)</script>"
    content = f'"{evil}",rpm\n0,1\n1,2\n'.encode()
    job = site.call("POST", "/api/sorties", files=[("files", (f"{evil}.csv", content))]).json()["id"]
    site.wait(job)
    for address in ("/", f"/sorties/{job}/logs", f"/sorties/{job}/sheets", f"/sorties/{job}/sheets/sortie"):
        assert evil not in site.client.get(address).text


def test_a_sheet_cannot_name_a_file_of_the_server(site: Page, settings: Settings) -> None:
    secret = settings.folder / "secret"
    sortie = (SAMPLE / "sortie.toml").read_text().replace('"unit.ulg"', f'"{secret}"')
    aircraft = (SAMPLE / "aircraft.toml").read_text()
    aircraft = aircraft.replace("blades = 2", 'blades = 2\nsection = "/etc/passwd.csv"')
    parts = [("files", ("sortie.toml", sortie.encode())), ("files", ("aircraft.toml", aircraft.encode()))]
    parts += files(*LOGS, "glider.toml", "rig.toml")
    job = site.call("POST", "/api/sorties", files=parts).json()["id"]
    assert site.wait(job)["state"] == "ready"
    faults = site.call("POST", f"/api/sorties/{job}/analyse").json()["faults"]
    told = {(fault["table"], fault["field"]): fault["allowed"] for fault in faults}
    assert "uploaded here" in told["logs[1]", "file"] and "uploaded here" in told["propeller", "section"]


def test_a_log_that_takes_too_long_is_stopped(settings: Settings, run_site: Start) -> None:
    page = run_site(replace(settings, limits=Limits(job_seconds=0.05))).page()
    job = page.upload(*LOGS).json()["id"]
    state = page.wait(job)
    assert state["state"] == "failed" and "longer than" in state["words"]
    assert "longer than" in page.client.get(f"/sorties/{job}").text
    assert page.client.get("/").status_code == 200


def test_a_log_that_wants_too_much_memory_is_stopped(settings: Settings, run_site: Start) -> None:
    page = run_site(replace(settings, limits=Limits(job_memory_bytes=1_000_000))).page()
    job = page.upload(*LOGS).json()["id"]
    state = page.wait(job)
    assert state["state"] == "failed" and state["words"]
    assert page.client.get("/").status_code == 200


def test_jobs_outlive_a_server_that_is_killed(tmp_path: Path) -> None:
    first = start_server(tmp_path)
    page = first.page()
    job = page.upload(*LOGS, *SHEETS).json()["id"]
    other = page.upload("gps.gpx").json()["id"]
    page.wait(job, lambda state: state["progress"]["share"] > 0.05)
    first.process.kill()
    first.process.wait()
    first.stop()
    store = JobStore(tmp_path / "serve", Limits())  # the lock is free, and the state whole
    assert {found.id for found in store.all()} == {job, other}
    assert store.get(job).busy
    store.close()
    second = start_server(tmp_path)
    again = second.page()
    state = again.wait(job, lambda state: state["progress"]["share"] > 0.05 or not state["busy"])
    assert state["state"] == "analysing"
    assert again.wait(other)["state"] == "ready"
    assert again.call("DELETE", f"/api/sorties/{job}").status_code == 204
    assert again.client.get(f"/sorties/{job}").status_code == 404
    second.stop()


def test_a_task_that_ends_two_servers_is_not_tried_a_third_time(settings: Settings, run_site: Start) -> None:
    store = JobStore(settings.folder, Limits())
    job = store.create()
    store.new_run(job, "read").tries = 2
    store.save(job)
    store.close()
    page = run_site(settings).page()
    assert page.state(job.id)["state"] == "failed" and "begun 2 times" in page.state(job.id)["words"]


def test_two_people_at_once_do_not_meet(site: Page) -> None:
    one, two = site, site.running.page()
    assert one.csrf != two.csrf
    jobs = [page.upload("gps.gpx", "engine.csv").json()["id"] for page in (one, two)]
    assert len(set(jobs)) == 2
    for page, job in zip((two, one), jobs, strict=True):
        assert page.wait(job)["state"] == "ready"


def test_workers_end_with_the_server(tmp_path: Path) -> None:
    server = start_server(tmp_path)
    page = server.page()
    job = page.upload(*LOGS, *SHEETS).json()["id"]
    page.wait(job, lambda state: state["progress"]["share"] > 0.05)

    def workers() -> list[int]:
        found = []
        for entry in Path("/proc").iterdir():
            if entry.name.isdecimal():
                try:
                    if str(tmp_path) in os.readlink(entry / "fd" / "1"):
                        found.append(int(entry.name))
                except OSError:
                    continue
        return found

    if not Path("/proc/self/fd").exists():
        pytest.skip("processes are counted in /proc, which this system has not")
    assert workers()
    server.process.kill()
    server.process.wait()
    until = time.monotonic() + 10
    while workers() and time.monotonic() < until:
        time.sleep(0.05)
    assert not workers()
    server.stop()


def test_a_broken_worker_file_does_not_break_the_page(site: Page) -> None:
    job = site.upload("gps.gpx").json()["id"]
    site.wait(job)
    kept = site.running.desk.store.get(job)
    for content in ("{", "[]", json.dumps({"logs": []})):
        (kept.run_folder(kept.read_run) / "logs.json").write_text(content)
        assert site.client.get(f"/sorties/{job}/logs").status_code == 200
    write_json(kept.run_folder(kept.read_run) / "progress.json", {"words": "x"})
    assert site.client.get(f"/api/sorties/{job}").status_code == 200


def test_a_column_with_a_control_character_in_its_name_is_no_trouble(site: Page) -> None:
    content = b'"Clo\x10ck\x7f (s)","Engine speed (rpm)"\n0,1000\n1,1010\n2,1020\n'
    job = site.call("POST", "/api/sorties", files=[("files", ("odd.csv", content))]).json()["id"]
    assert site.wait(job)["state"] == "ready"
    assert site.client.get(f"/sorties/{job}/logs").status_code == 200


def test_a_worker_that_fails_is_tried_once_more_and_then_told(
    site: Page, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("flightproc.web.runner.run", divmod)  # called with one argument, it fails
    job = site.upload("gps.gpx").json()["id"]
    state = site.wait(job)
    assert state["state"] == "failed" and "not foreseen" in state["words"]
    assert caplog.text.count("ended with code 1") == 2
    monkeypatch.undo()
    assert site.post(f"/sorties/{job}/read").status_code == 303
    assert site.wait(job)["state"] == "ready"
