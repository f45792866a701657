"""The pages beside the main flow in a browser: drawn, followed, narrow, by key, and without scripts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, cast

import pytest

from flightproc.web import Settings

from .helpers import Running, Server
from .sample import flown_folder
from .test_browser import NARROW, WIDE, Windows, browser, serious

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

__all__ = ["browser"]  # a fixture

pytestmark = pytest.mark.regression

CHARTS = "[data-chart], [data-histories]"
DRAWN = f"() => [...document.querySelectorAll('{CHARTS}')].every(one => one.dataset.drawn === 'yes')"
ADDRESSES = (
    "/rigs?start=example",
    "/blade",
    "/gliders?s=sortie-1",
    "/compensation?result=sortie-1&hang=8",
    "/plan?result=sortie-1",
    "/logbook",
    "/logbook/1",
    "/sorties/JOB/histories",
)  # fmt: skip


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Running, str]]:
    folder, job = flown_folder(tmp_path_factory)
    running = Running(Settings(folder=folder / "serve", logbook=str(folder / "book")))
    yield running, job
    running.stop()


@pytest.fixture
def windows(browser: Browser, flown: tuple[Running, str]) -> Iterator[Windows]:
    """Windows that may speak to the server only, and must not complain."""
    opened = Windows(browser, cast(Server, flown[0]))
    yield opened
    opened.close()
    assert opened.strays == [] and opened.complaints == []


def drawn(page: Page, address: str) -> None:
    page.goto(address)
    page.wait_for_function(DRAWN, timeout=60_000)


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
@pytest.mark.parametrize("address", ADDRESSES)
def test_a_page_is_drawn_fits_and_can_be_used_by_all(
    windows: Windows, flown: tuple[Running, str], address: str, size: tuple[int, int]
) -> None:
    scheme = "dark" if size == NARROW else "light"
    page = windows.open(size, color_scheme=scheme)
    drawn(page, address.replace("JOB", flown[1]))
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    page.evaluate("document.querySelectorAll('details').forEach(part => { part.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert serious(page) == []


def test_readings_typed_are_worked_out_at_once(windows: Windows) -> None:
    page = windows.open()
    page.goto("/rigs")
    page.wait_for_selector("#more-rows:not([hidden])")
    page.fill("#f-spacing_m", "0.38")
    page.fill("#f-air-density_kg_m3", "1.2")
    page.focus("#f-readings-0-rpm")
    for row in (("0", "59", "59"), ("5500", "56.75", "61.25"), ("6500", "55.15", "62.85")):
        for cell in row:
            page.keyboard.type(cell)
            page.keyboard.press("Tab")
        for _ in range(5):  # thrust and swings stay empty
            page.keyboard.press("Tab")
    page.wait_for_selector("#answer table", timeout=30_000)
    page.wait_for_function(DRAWN, timeout=60_000)
    assert "14.3" in page.inner_text("#answer")
    page.fill("#f-readings-1-left_kg", "heavy")
    page.wait_for_selector("#f-readings-1-left_kg[aria-invalid=true]", timeout=30_000)
    page.click("#more-rows")
    assert page.evaluate("document.activeElement.name") == "readings.5.rpm"


def test_a_slider_moves_the_curve_by_key(windows: Windows) -> None:
    page = windows.open(NARROW)
    drawn(page, "/compensation?result=sortie-1")
    before = page.inner_text("#said")
    level = "document.getElementById('chart-moment').data.filter(t => /change/.test(t.name)).pop().y.at(-1)"
    first = page.evaluate(level)
    page.focus("#s-hang")
    for _ in range(16):
        page.keyboard.press("ArrowRight")
    assert page.get_attribute("#s-hang", "aria-valuetext") == "8.0 mm"
    page.wait_for_function(f"() => ({level}) < {first - 7.0}", timeout=30_000)
    assert page.inner_text("#said") != before
    assert page.is_visible("#chart-turn")
    page.click("#back")
    page.wait_for_function(f"() => Math.abs(({level}) - {first}) < 0.01", timeout=30_000)


def test_time_histories_are_moved_zoomed_and_marked(windows: Windows, flown: tuple[Running, str]) -> None:
    page = windows.open()
    drawn(page, f"/sorties/{flown[1]}/histories")
    window = "document.querySelector('[data-histories]').flightprocHistory.window"
    points = "document.querySelector('[data-plot]').data[2].x.length"
    whole = page.evaluate(window)
    page.focus("[data-plot]")
    for _ in range(5):
        page.keyboard.press("+")
    low, high = page.evaluate(window)
    assert high - low < 0.1 * (whole[1] - whole[0])
    page.keyboard.press("ArrowRight")
    later = page.evaluate(window)
    assert later[0] == pytest.approx(low + 0.25 * (high - low))
    page.wait_for_function(f"() => {points} > 200", timeout=20_000)

    box = page.locator("[data-plot]").bounding_box()
    assert box is not None
    x, y = box["x"] + 0.6 * box["width"], box["y"] + 0.6 * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 200, y, steps=8)
    page.mouse.up()
    page.wait_for_function(f"() => {window}[0] > {later[0] + 5.0}", timeout=20_000)

    page.click("[data-set-mode=mark]")
    page.mouse.move(x - 150, y)
    page.mouse.down()
    page.mouse.move(x, y, steps=8)
    page.mouse.up()
    page.wait_for_function("() => document.getElementById('e-start').value !== ''", timeout=20_000)
    start, end = float(page.input_value("#e-start")), float(page.input_value("#e-end"))
    now = page.evaluate(window)
    assert now[0] < start < end < now[1]
    assert page.input_value("#e-action") == "add"
    page.click("[data-do=whole]")
    page.wait_for_function(f"() => {window}[0] === {whole[0]}", timeout=20_000)
    assert "holds" in page.inner_text("[data-said]")


def test_from_the_logbook_to_a_plan(windows: Windows) -> None:
    page = windows.open(NARROW)
    page.goto("/logbook")
    page.fill("#f-text", "calm")
    page.keyboard.press("Enter")
    page.click(".entries a")
    page.wait_for_selector("#answer-title")
    page.click("text=Plan the next sortie")
    page.fill("#f-goal-difference_percent", "15")
    page.click("form button.main")
    page.wait_for_selector(".sheetcard", timeout=120_000)
    assert page.eval_on_selector(".sheetcard", "image => image.decode().then(() => image.naturalWidth)") > 600
    with page.expect_download() as waited:
        page.click("text=Card as PDF")
    assert waited.value.suggested_filename == "sortie-card.pdf"


def test_pages_do_without_scripts(windows: Windows) -> None:
    page = windows.open(java_script_enabled=False)
    page.goto("/rigs?start=example")
    page.fill("#f-readings-1-right_kg", "63.7")
    page.locator("#rig-form > .actions button.main").click()
    assert re.search(r"k n²", page.inner_text("#answer"))
    assert page.input_value("#f-readings-1-right_kg") == "63.7"
    page.goto("/compensation?result=sortie-1&hang=8")
    assert "root mean square" in page.inner_text("#said")
    page.click("text=Show")
    assert "hang=8" in page.url
