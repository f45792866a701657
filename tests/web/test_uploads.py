"""Files come in whole or not at all, under caps, and their names lead nowhere."""

from __future__ import annotations

import http.client
import socket
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flightproc.web import Settings
from flightproc.web.patience import Patient
from flightproc.web.settings import Limits
from flightproc.web.uploads import shown_name

from .helpers import Page, Running

pytestmark = pytest.mark.regression

Start = Callable[[Settings], Running]
GPX = b"<?xml version='1.0'?><gpx></gpx>"


def everything(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


@given(st.text(max_size=300))
def test_a_shown_name_is_short_plain_and_no_path(name: str) -> None:
    shown = shown_name(name)
    assert 1 <= len(shown) <= 105
    assert "/" not in shown and "\\" not in shown and shown not in (".", "..")
    assert shown.isprintable()


@pytest.mark.parametrize(
    "name",
    ["../../../../tmp/owned.csv", "..\\..\\owned.csv", "/etc/passwd", "a\x00b.csv", "état ☃.csv", "x" * 3000],
)
def test_names_are_never_paths(site: Page, settings: Settings, name: str) -> None:
    before = set(everything(settings.folder.parent))
    answer = site.call("POST", "/api/sorties", files=[("files", (name, b"t,rpm\n0,1\n1,2\n"))])
    assert answer.status_code == 201, answer.text
    job = answer.json()["id"]
    new = set(everything(settings.folder.parent)) - before
    assert new and all(path.startswith(f"serve/jobs/{job}/") for path in new)
    assert (settings.folder / "jobs" / job / "logs").is_dir()
    assert all(path.name.startswith("log-01") for path in (settings.folder / "jobs" / job / "logs").iterdir())


@pytest.mark.parametrize(
    ("limits", "files", "words"),
    [
        ({"file_bytes": 1000}, [("a.csv", b"x" * 1001)], "larger than"),
        ({"upload_bytes": 3000}, [("a.csv", b"x" * 2000), ("b.csv", b"x" * 2000)], "at once"),
        ({"upload_files": 2}, [("a", b"1"), ("b", b"2"), ("c", b"3")], "More than 2 files"),
    ],
)
def test_caps_hold_while_the_upload_streams(
    settings: Settings, run_site: Start, limits: dict[str, int], files: list[tuple[str, bytes]], words: str
) -> None:
    running = run_site(replace(settings, limits=Limits(**limits)))
    answer = running.page().call("POST", "/api/sorties", files=[("files", file) for file in files])
    assert answer.status_code in (413, 422) and words in answer.json()["detail"]
    assert everything(settings.folder / "incoming") == [] and everything(settings.folder / "jobs") == []
    assert running.desk.store.used == 0


def test_a_file_of_no_stated_length_is_cut_off_at_the_cap(settings: Settings, run_site: Start) -> None:
    running = run_site(replace(settings, limits=Limits(file_bytes=200_000)))
    page = running.page()
    csrf = page.csrf
    cookie = "; ".join(f"{name}={value}" for name, value in page.client.cookies.items())
    raw = http.client.HTTPConnection("127.0.0.1", running.port, timeout=20)
    raw.putrequest("POST", "/api/sorties")
    for name, value in (
        ("Cookie", cookie),
        ("X-CSRF-Token", csrf),
        ("Content-Type", "multipart/form-data; boundary=b"),
        ("Transfer-Encoding", "chunked"),
    ):
        raw.putheader(name, value)
    raw.endheaders()
    head = b'--b\r\nContent-Disposition: form-data; name="files"; filename="a.csv"\r\n\r\n'
    raw.send(b"%x\r\n%s\r\n" % (len(head), head))
    for _ in range(40):
        raw.send(b"%x\r\n%s\r\n" % (10_000, b"x" * 10_000))
    raw.send(b"0\r\n\r\n")
    answer = raw.getresponse()
    assert answer.status == 413
    raw.close()


def test_the_disk_share_of_jobs_is_capped(settings: Settings, run_site: Start) -> None:
    page = run_site(replace(settings, limits=Limits(folder_bytes=5000))).page()
    answer = page.call("POST", "/api/sorties", files=[("files", ("a.csv", b"x" * 6000))])
    assert answer.status_code == 507 and "delete some" in answer.json()["detail"]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"--b",
        b"--b\r\n\r\n",
        b'--b\r\nContent-Disposition: form-data; name="files"; filename="a.csv"\r\n\r\nabc',
        b'--b\r\nContent-Disposition: form-data; filename="a.csv"\r\n\r\nabc\r\n--b--\r\n',
        b"--b\r\nX: " + b"y" * 20_000 + b"\r\n\r\nabc\r\n--b--\r\n",
        b'--b\r\nContent-Disposition: form-data; name="a"\r\n\r\n1\r\n' * 500 + b"--b--\r\n",
        b"\x00\xff" * 1000,
    ],
    ids=["empty", "begun", "no head", "cut", "no name", "long head", "many parts", "noise"],
)
def test_a_broken_form_is_refused_and_leaves_nothing(site: Page, settings: Settings, body: bytes) -> None:
    headers = {"Content-Type": "multipart/form-data; boundary=b"}
    answer = site.call("POST", "/api/sorties", content=body, headers=headers)
    assert 400 <= answer.status_code < 500 and answer.json()["detail"]
    assert everything(settings.folder / "incoming") == [] and everything(settings.folder / "jobs") == []


def test_the_forms_token_has_to_come_before_the_first_file(site: Page) -> None:
    csrf = site.csrf
    part = b'--b\r\nContent-Disposition: form-data; name="%s"%s\r\n\r\n%s\r\n'
    token = part % (b"csrf", b"", csrf.encode())
    file = part % (b"files", b'; filename="a.csv"', b"t,rpm\n0,1\n")
    headers = {"Content-Type": "multipart/form-data; boundary=b"}
    late = site.client.post("/sorties", content=file + token + b"--b--\r\n", headers=headers)
    assert late.status_code == 403
    right = site.client.post("/sorties", content=token + file + b"--b--\r\n", headers=headers)
    assert right.status_code == 303 and right.headers["location"].startswith("/sorties/")


def test_an_empty_form_and_an_empty_file_are_told(site: Page) -> None:
    nothing = site.client.post("/sorties", data={"csrf": site.csrf}, files={"files": ("", b"")})
    assert nothing.status_code == 409 and "choose the logs" in nothing.text
    job = site.call("POST", "/api/sorties", files=[("files", ("a.ulg", b""))]).json()["id"]
    site.wait(job)
    (log,) = site.client.get(f"/api/sorties/{job}/logs").json()["logs"]
    assert "a.ulg" in log["error"] and "empty" in log["error"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a = 1", "no field of any sheet"),
        (b"name = ", "Invalid value"),
        (b"\xff\xfe", "not text"),
        (b"a = " + b"[" * 5000, "beyond all measure"),
        (b"# " + b"x" * 300_000, "at most"),
    ],
)
def test_a_sheet_that_is_none_is_told(site: Page, content: bytes, words: str) -> None:
    answer = site.call("POST", "/api/sorties", files=[("files", ("odd.toml", content))])
    assert answer.status_code == 422 and words in answer.json()["faults"][0]["words"]


def test_a_client_that_stops_sending_is_let_go_and_holds_no_other_up(
    settings: Settings, run_site: Start
) -> None:
    running = run_site(replace(settings, limits=Limits(idle_seconds=0.5)))
    page = running.page()
    csrf, cookies = page.csrf, "; ".join(f"{k}={v}" for k, v in page.client.cookies.items())
    slow = []
    for _ in range(30):
        one = socket.create_connection(("127.0.0.1", running.port), timeout=20)
        one.sendall(
            f"POST /api/sorties HTTP/1.1\r\nHost: localhost\r\nCookie: {cookies}\r\nX-CSRF-Token: {csrf}\r\n"
            "Content-Type: multipart/form-data; boundary=b\r\nContent-Length: 100000\r\n\r\n--b\r\n".encode()
        )
        slow.append(one)
    begun = time.monotonic()
    assert page.client.get("/").status_code == 200
    assert time.monotonic() - begun < 5.0
    answers = [one.recv(200) for one in slow]
    assert all(answer.startswith(b"HTTP/1.1 408") for answer in answers)
    for one in slow:
        one.close()
    assert everything(settings.folder / "incoming") == []


def test_a_connection_that_asks_for_nothing_is_let_go(site: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Patient, "seconds", 0.3)
    port = site.running.port
    silent = socket.create_connection(("127.0.0.1", port), timeout=20)
    halting = socket.create_connection(("127.0.0.1", port), timeout=20)
    halting.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
    assert halting.recv(100).startswith(b"HTTP/1.1 200")
    halting.sendall(b"GET / HTTP/1.1\r\nHost: lo")
    for one in (silent, halting):
        begun = time.monotonic()
        while one.recv(65536):
            assert time.monotonic() - begun < 10.0
        one.close()
    assert site.client.get("/").status_code == 200


def test_a_form_that_stops_half_way_is_let_go(settings: Settings, run_site: Start) -> None:
    running = run_site(replace(settings, limits=Limits(idle_seconds=0.3)))
    one = socket.create_connection(("127.0.0.1", running.port), timeout=20)
    one.sendall(
        b"POST /enter HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\n\r\ntoken="
    )
    assert one.recv(100).startswith(b"HTTP/1.1 408")
    one.close()


def test_the_number_of_sorties_is_capped(settings: Settings, run_site: Start) -> None:
    page = run_site(replace(settings, limits=Limits(jobs=1))).page()
    assert page.upload("glider.toml").status_code == 201
    assert page.upload("glider.toml").status_code == 507
