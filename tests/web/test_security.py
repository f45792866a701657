"""Who may call: names, tokens, form tokens, rates, caps and headers."""

from __future__ import annotations

import http.client
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from flightproc.web import Settings
from flightproc.web.security import COOKIE, HEADERS, RateLimit, Sessions, load_secret
from flightproc.web.settings import Limits

from .helpers import Page, Running

pytestmark = pytest.mark.regression

Start = Callable[[Settings], Running]


def test_every_answer_carries_the_safe_headers(site: Page) -> None:
    for address in ("/", "/static/base.css", "/nowhere", "/api/sorties", "/api/nowhere", "/sorties/x"):
        answer = site.client.get(address)
        for name, value in HEADERS.items():
            assert answer.headers[name] == value, (address, name)
    assert "unsafe" not in HEADERS["Content-Security-Policy"]


def test_pages_have_neither_inline_script_nor_inline_style(site: Page) -> None:
    text = site.client.get("/").text
    assert "<style" not in text and "style=" not in text and " onclick" not in text
    assert all(' src="/static/' in part for part in text.split("<script")[1:])


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example:8765", ""]
)
def test_a_name_pointed_at_this_computer_is_turned_away(site: Page, host: str) -> None:
    assert site.client.get("/", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:1", "[::1]:8765", "LOCALHOST:8765"])
def test_the_computers_own_names_are_let_in(site: Page, host: str) -> None:
    assert site.client.get("/", headers={"Host": host}).status_code == 200


def test_an_address_beyond_loopback_is_no_name_of_a_loopback_server(site: Page) -> None:
    assert site.client.get("/", headers={"Host": "192.0.2.7"}).status_code == 421


def test_a_change_needs_the_sessions_form_token(site: Page) -> None:
    assert (
        site.client.post("/sorties/" + "0" * 24 + "/delete", data={"csrf": "x"}).status_code == 404
    )  # before it is read
    answer = site.client.post("/enter", data={"token": "x"})
    assert answer.status_code == 403 and "Load the page again" in answer.text
    assert site.client.post("/api/sorties").status_code == 403
    other = site.running.page().csrf
    assert site.client.post("/api/sorties", headers={"X-CSRF-Token": other}).status_code == 403
    assert site.call("POST", "/api/sorties", files={"files": ("a.csv", b"t,rpm")}).status_code == 201


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_change_from_another_site_is_refused(site: Page, headers: dict[str, str]) -> None:
    assert site.call("POST", "/api/sorties", headers=headers).status_code == 403


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(site: Page) -> None:
    cookie = site.client.get("/").headers["set-cookie"]
    assert cookie.startswith(f"{COOKIE}=") and "HttpOnly" in cookie and "SameSite=Strict" in cookie


def test_a_forged_cookie_is_none(site: Page) -> None:
    site.client.cookies.set(COOKIE, "in." + "0" * 32 + "." + "0" * 64)
    answer = site.client.get("/")
    assert answer.status_code == 200 and COOKIE in answer.headers["set-cookie"]


def test_beyond_loopback_a_token_is_asked_for(settings: Settings, run_site: Start) -> None:
    page = run_site(replace(settings, host="0.0.0.0", token="right-token")).page()
    assert page.client.get("/").headers["location"] == "/enter"
    assert page.client.get("/api/sorties").status_code == 401
    assert page.client.post("/api/sorties").status_code == 401
    assert page.client.get("/static/base.css").status_code == 200
    csrf = page.client.get("/enter").text.split('name="csrf" value="')[1].split('"')[0]
    wrong = page.client.post("/enter", data={"csrf": csrf, "token": "wrong"})
    assert wrong.status_code == 403 and "not the token" in wrong.text
    assert page.client.get("/").status_code == 303
    right = page.client.post("/enter", data={"csrf": csrf, "token": "right-token"})
    assert right.status_code == 303
    assert page.client.get("/").status_code == 200


def test_a_new_token_ends_all_sessions() -> None:
    secret = b"s" * 32
    cookie = Sessions(secret, "one").make(signed_in=True)
    assert Sessions(secret, "one").check(cookie) == (True, True)
    assert Sessions(secret, "two").check(cookie) == (False, False)
    forged = cookie.replace("in.", "out.", 1)
    assert Sessions(secret, "one").check(forged) == (False, False)


def test_guesses_of_the_token_are_slowed_down(settings: Settings, run_site: Start) -> None:
    page = run_site(replace(settings, host="0.0.0.0", token="right-token")).page()
    csrf = page.client.get("/enter").text.split('name="csrf" value="')[1].split('"')[0]
    codes = [page.client.post("/enter", data={"csrf": csrf, "token": "x"}).status_code for _ in range(12)]
    assert codes[:8] == [403] * 8 and codes[-1] == 429


def test_too_many_requests_are_told_when_to_come_again(site: Page) -> None:
    site.running.app.looks = RateLimit(5, 0.01)
    answers = [site.client.get("/api/sorties") for _ in range(7)]
    assert [answer.status_code for answer in answers] == [200] * 5 + [429] * 2
    assert int(answers[-1].headers["retry-after"]) >= 1 and "Wait" in answers[-1].json()["detail"]


@pytest.mark.parametrize(
    "address",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static/%5c..%5capp.py",
        "/static//etc/passwd",
        "/sorties/..%2f..%2fsecret",
        "/sorties/../secret",
        "/sorties/" + "0" * 24 + "/download/..%2fstate.json",
        "/sorties/" + "0" * 24 + "/figures/..%2f..%2fstate.svg",
    ],
)
def test_no_address_leads_out_of_its_folder(site: Page, address: str) -> None:
    raw = http.client.HTTPConnection("127.0.0.1", site.running.port, timeout=20)
    raw.request("GET", address)  # as it stands, which a polite client would mend first
    answer = raw.getresponse()
    text = answer.read().decode()
    assert answer.status in (404, 400)
    assert "import" not in text and "root:" not in text
    raw.close()


def test_a_body_beyond_its_cap_is_refused(settings: Settings, run_site: Start) -> None:
    page = run_site(replace(settings, limits=Limits(form_bytes=10_000))).page()
    assert page.post("/enter", {"token": "x" * 20_000}).status_code == 413

    def pieces() -> Iterator[bytes]:
        yield from (b"token=" + b"x" * 1000 for _ in range(30))  # of no stated length

    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    assert page.client.post("/enter", content=pieces(), headers=headers).status_code == 413


def test_the_secret_is_the_owners_alone(site: Page, settings: Settings) -> None:
    path = settings.folder / "secret"
    assert path.stat().st_mode & 0o077 == 0
    assert load_secret(settings.folder) == path.read_bytes()
