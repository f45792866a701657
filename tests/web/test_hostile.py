"""Hostile and many uploads: each is answered, and the server stays as it was."""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from flightproc.logbook import Logbook, check_logbook

from . import hostile
from .helpers import SAMPLE, Page, Server

pytestmark = pytest.mark.regression

PARTS = ("", "/logs", "/sheets", "/sheets/sortie", "/sheets/aircraft", "/sheets/glider", "/sheets/rig")
CALM = {"reading", "ready", "analysing", "done", "failed", "cancelled"}


def test_damaged_uploads_leave_the_server_up(site: Page) -> None:
    rng = random.Random(7)
    files = hostile.corpus()
    headers = {"X-CSRF-Token": site.csrf}
    codes: dict[int, int] = {}
    for _ in range(40):
        body, kind = hostile.upload(rng, files)
        answer = site.client.post("/api/sorties", content=body, headers={**headers, "Content-Type": kind})
        assert answer.status_code == 201 or 400 <= answer.status_code < 500, answer.text
        assert answer.status_code == 201 or answer.json()["detail"]
        codes[answer.status_code] = codes.get(answer.status_code, 0) + 1
    assert codes[201] > 10
    for job in site.client.get("/api/sorties").json():
        state = site.wait(job["id"])
        assert state["state"] in CALM and "not foreseen" not in state["words"], state
        for part in (
            "",
            "/logs",
            "/sheets",
            "/sheets/sortie",
            "/sheets/aircraft",
            "/sheets/glider",
            "/sheets/rig",
        ):
            assert site.client.get(f"/sorties/{job['id']}{part}").status_code in (200, 303), part
    assert site.client.get("/").status_code == 200
    with Logbook(site.running.desk.settings.logbook) as book:
        assert check_logbook(book).sound


def test_fifty_uploads_at_once_are_all_answered(server: Server) -> None:
    page = server.page()
    headers = {"X-CSRF-Token": page.csrf}
    head = (SAMPLE / "engine.csv").read_bytes()[:5000]

    def send(number: int) -> tuple[int, str, bytes]:
        content = head + b"%d,1\n" % number
        with httpx.Client(base_url=server.address, cookies=page.client.cookies, timeout=120) as client:
            files = [("files", (f"engine-{number}.csv", content))]
            answer = client.post("/api/sorties", files=files, headers=headers)
            return answer.status_code, answer.json().get("id", ""), content

    with ThreadPoolExecutor(50) as pool:
        answers = list(pool.map(send, range(50)))
    assert [code for code, _, _ in answers] == [201] * 50
    assert len({job for _, job, _ in answers}) == 50
    for number, (_, job, content) in enumerate(answers):
        state = page.wait(job)
        assert state["state"] == "ready"
        (log,) = state["logs"]
        assert log["name"] == f"engine-{number}.csv" and log["size"] == len(content)
