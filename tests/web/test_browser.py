"""The page in a browser: the whole flow, by mouse and by key, wide and narrow, seen and read out."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest

from .helpers import LOGS, SAMPLE, SHEETS, Server

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

pytestmark = pytest.mark.regression

WIDE, NARROW = (1440, 900), (390, 844)
NAMES = ("chromium", "chromium-browser", "google-chrome")
SLOW = 150_000  # [ms] an analysis may take on a busy machine


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Return Debian's Chromium under Playwright."""
    missing = "Playwright is not installed: pip install playwright"
    sync_api = pytest.importorskip("playwright.sync_api", reason=missing)
    program = os.environ.get("FLIGHTPROC_CHROMIUM") or next(filter(None, map(shutil.which, NAMES)), None)
    if program is None:
        pytest.skip("no Chromium: apt-get install chromium, or name one in FLIGHTPROC_CHROMIUM")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield started
        started.close()


class Windows:
    """Browser windows of a test, each of which may speak to the server only and must not complain."""

    def __init__(self, browser: Browser, server: Server) -> None:
        self._browser, self._server = browser, server
        self._contexts: list[BrowserContext] = []
        self.strays: list[str] = []
        self.complaints: list[str] = []

    def open(self, size: tuple[int, int] = WIDE, **more: Any) -> Page:
        """Open a window with a session of its own."""
        context = self._browser.new_context(
            base_url=self._server.address, viewport={"width": size[0], "height": size[1]}, **more
        )
        self._contexts.append(context)
        own = urlsplit(self._server.address).netloc

        def judge(route: Any) -> None:
            if urlsplit(route.request.url).netloc == own or route.request.url.startswith(("data:", "blob:")):
                route.continue_()
            else:
                self.strays.append(route.request.url)
                route.abort()

        context.route("**/*", judge)
        page = context.new_page()
        page.set_default_timeout(30_000)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on(
            "console",
            lambda said: (
                self.complaints.append(said.text)
                if said.type in ("error", "warning") and "status of 4" not in said.text
                else None
            ),
        )
        return page

    def close(self) -> None:
        for context in self._contexts:
            context.close()


@pytest.fixture
def windows(browser: Browser, server: Server) -> Iterator[Windows]:
    """Return a way to open windows; at the end nothing may have left the machine, nor gone wrong unseen."""
    opened = Windows(browser, server)
    yield opened
    opened.close()
    assert opened.strays == [] and opened.complaints == []


@pytest.fixture(scope="module")
def analysed(browser: Browser, server: Server) -> Iterator[str]:
    """Return the address of the sample sortie with its result, brought in through the page."""
    opened = Windows(browser, server)
    page = opened.open()
    page.goto("/")
    drop(page, *LOGS, *SHEETS)
    page.wait_for_url(re.compile(r"/sorties/[0-9a-f]{24}$"))
    page.wait_for_selector("#first table, #answer table", timeout=SLOW)
    page.wait_for_selector("#change-holds", timeout=SLOW)
    address = urlsplit(page.url).path
    opened.close()
    assert opened.strays == [] and opened.complaints == []
    yield address


def drop(page: Page, *names: str) -> None:
    """Choose files of the sample and send them."""
    page.set_input_files("#files", [str(SAMPLE / name) for name in names])
    page.click("#drop button[type=submit]")


def drop_made(page: Page, files: dict[str, bytes], *names: str) -> None:
    """Send files made here, with some of the sample."""
    every = files | {name: (SAMPLE / name).read_bytes() for name in names}
    made = [{"name": name, "mimeType": "text/plain", "buffer": raw} for name, raw in every.items()]
    page.set_input_files("#files", made)  # type: ignore[arg-type]
    page.click("#drop button[type=submit]")


def serious(page: Page) -> list[str]:
    """Return what axe-core finds serious or critical on a page."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core is not installed")
    found = axe.Axe().run(page).response
    assert len(found["passes"]) > 10  # it did look
    return [
        f"{item['id']}: {item['help']}: {node['html'][:160]}"
        for item in found["violations"]
        if item["impact"] in ("serious", "critical")
        for node in item["nodes"][:3]
    ]


def test_the_result_stands_there_with_answer_figures_and_downloads(windows: Windows, analysed: str) -> None:
    page = windows.open()
    page.goto(analysed)
    assert "N m" in page.inner_text("#answer")
    page.wait_for_selector("#hold-chart svg .band")
    pictures = page.eval_on_selector_all(".chapters img", "all => all.map(one => one.naturalWidth)")
    assert len(pictures) > 6 and min(pictures) > 100
    with page.expect_download() as waited:
        page.click("text=report.html")
    report = Path(waited.value.path()).read_text(encoding="utf-8")
    assert "School wing 28" in report and "The answer" in report


def test_a_hold_is_moved_on_the_chart_and_the_result_follows(windows: Windows, analysed: str) -> None:
    page = windows.open()
    page.goto(analysed)
    edge = page.locator("#hold-chart .edge").nth(5)
    edge.scroll_into_view_if_needed()
    before = page.input_value("#hold-new-end")
    box = edge.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] - 8, box["y"] + 20, steps=4)
    page.mouse.up()
    assert page.input_value("#hold-action") == "move" and page.input_value("#hold-which") == "2"
    moved = float(page.input_value("#hold-new-end"))
    assert page.input_value("#hold-new-end") != before
    page.fill("#hold-reason", "gust at its end")
    page.click("text=Change and analyse again")
    page.wait_for_selector("#work", timeout=SLOW)
    page.wait_for_selector("#change-holds", timeout=SLOW)
    assert "gust at its end" in page.inner_text(".edits")
    told = page.eval_on_selector_all("#hold-which option", "all => all.map(one => Number(one.dataset.end))")
    assert any(abs(end - moved) < 0.2 for end in told)
    page.click("text=Save to the logbook")
    page.wait_for_selector("text=In the logbook as number")


def test_a_stretch_dragged_over_becomes_a_hold_to_add(windows: Windows, analysed: str) -> None:
    page = windows.open()
    page.goto(analysed)
    page.wait_for_selector("#hold-chart svg .band")
    page.locator("#hold-chart").scroll_into_view_if_needed()
    box = page.locator("#hold-chart svg").bounding_box()
    assert box is not None
    left = box["x"] + 0.1 * box["width"]
    page.mouse.move(left, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(left + 40, box["y"] + 70, steps=4)
    page.mouse.up()
    assert page.input_value("#hold-action") == "add"
    assert float(page.input_value("#hold-end")) > float(page.input_value("#hold-start"))
    assert page.is_visible("#hold-kind") and not page.is_visible("#hold-new-start")


def test_damaged_and_foreign_logs_are_told_and_do_no_harm(windows: Windows) -> None:
    page = windows.open()
    page.goto("/")
    cut = (SAMPLE / "unit.ulg").read_bytes()[:500_001]
    drop_made(page, {"cut.ulg": cut, "picture.bin": bytes(range(256)) * 64}, "gps.gpx")
    page.wait_for_url(re.compile(r"/logs$"))
    text = page.inner_text("main")
    assert "Damage" in text and "no reader knows this content" in text and "gps.gpx" in text
    assert "in none of the logs" in text


def test_wrong_sheets_are_mended_at_their_fields(windows: Windows) -> None:
    page = windows.open()
    page.goto("/")
    sheet = (SAMPLE / "glider.toml").read_text()
    wrong = sheet.replace("flat_area_m2 = 28", "flat_area_m2 = 280")
    wrong = wrong.replace("trim_speed_m_s = 10.2", 'trim_speed_m_s = "fast"')
    drop_made(page, {"glider.toml": wrong.encode()}, *LOGS, "sortie.toml", "aircraft.toml", "rig.toml")
    page.wait_for_url(re.compile(r"/logs$"))
    page.click("text=On to the sheets")
    page.click("text=Analyse")
    page.wait_for_selector("#faults")
    page.click("section:has(#sheet-glider) >> text=Open the form")
    page.click("#faults a >> nth=0")
    assert page.input_value("[aria-invalid=true] >> nth=0") in ("280", "fast")
    page.fill("#f-flat_area_m2", "28")
    page.fill("#f-trim_speed_m_s", "10,2")
    page.click("text=Keep this sheet")
    page.wait_for_url(re.compile(r"/sheets$"))
    assert not page.locator("#faults").count()
    page.click("text=Analyse")
    page.wait_for_selector("#work")
    page.click("text=Cancel")
    page.wait_for_selector("text=Cancelled")


def test_a_file_that_is_no_sheet_is_told_where_it_was_dropped(windows: Windows) -> None:
    page = windows.open()
    page.goto("/")
    drop_made(page, {"odd.toml": b"a = 1"}, "gps.gpx")
    page.wait_for_selector("#drop-fault:visible")
    assert "odd.toml" in page.inner_text("#drop-fault") and page.is_enabled("#drop button[type=submit]")


def test_entries_are_added_and_taken_out_without_losing_what_was_typed(windows: Windows) -> None:
    page = windows.open()
    page.goto("/")
    drop(page, "gps.gpx", "rig.toml")
    page.wait_for_url(re.compile(r"/logs$"))
    page.goto(page.url.replace("/logs", "/sheets/rig"))
    page.fill("#f-name", "typed and not kept yet")
    rows = page.locator("#f-readings fieldset").count()
    page.click("#f-readings >> text=Add an entry")
    page.wait_for_selector(f"#f-readings-{rows}-rpm")
    assert page.input_value("#f-name") == "typed and not kept yet"
    page.click(f"#f-readings fieldset:nth-of-type({rows + 1}) >> text=Take out")
    page.wait_for_selector(f"#f-readings-{rows}-rpm", state="detached")


def test_two_windows_at_once_each_get_their_own(windows: Windows) -> None:
    one, two = windows.open(), windows.open(NARROW)
    for page, names in ((one, ("gps.gpx",)), (two, ("engine.csv",))):
        page.goto("/")
        drop(page, *names)
    for page, name in ((one, "gps.gpx"), (two, "engine.csv")):
        page.wait_for_url(re.compile(r"/logs$"))
        assert name in page.inner_text("main")
    assert one.url != two.url


def test_all_can_be_done_by_key(windows: Windows) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    page = windows.open()
    page.goto("/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    page.set_input_files("#files", [str(SAMPLE / "gps.gpx")])
    page.focus("#files")
    reach(page, "#drop button[type=submit]")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/logs$"))
    reach(page, "a:has-text('On to the sheets')")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/sheets$"))
    reach(page, "section:has(#sheet-glider) a")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/sheets/glider$"))
    reach(page, "#f-name")
    page.keyboard.type("wing by key")
    page.keyboard.press("Enter")
    page.wait_for_selector("#faults")
    sync_api.expect(page.locator("#faults")).to_be_focused()  # read out at once
    assert page.input_value("#f-name") == "wing by key"
    outline = page.evaluate(
        "() => { const a = document.querySelector('#faults a'); a.focus({focusVisible: true});"
        " return getComputedStyle(a).outlineStyle; }"
    )
    assert outline == "solid"


def reach(page: Page, selector: str, most: int = 120) -> None:
    """Go on by the tabulator until an element has the focus."""
    target = page.locator(selector).first
    for _ in range(most):
        page.keyboard.press("Tab")
        if target.evaluate("element => element === document.activeElement"):
            return
    raise AssertionError(f"{selector} is not reached by key")


def test_without_script_the_flow_works_too(windows: Windows) -> None:
    page = windows.open(java_script_enabled=False)
    page.goto("/")
    drop(page, "engine.csv")
    page.wait_for_url(re.compile(r"/(logs|[0-9a-f]{24})$"))
    page.wait_for_url(re.compile(r"/logs$"), timeout=60_000)
    assert "engine.csv" in page.inner_text("main")


def _views(analysed: str) -> dict[str, str]:
    sheets = {kind: f"{analysed}/sheets/{kind}" for kind in ("sortie", "aircraft", "glider", "rig")}
    parts = {part: f"{analysed}/{part}" for part in ("logs", "sheets")}
    return {"start": "/", "result": analysed, **parts, **sheets}


@pytest.mark.parametrize(("size", "scheme"), [(WIDE, "light"), (NARROW, "dark")], ids=["wide", "narrow"])
def test_no_page_has_a_serious_fault_of_access_nor_overflows(
    windows: Windows, analysed: str, size: tuple[int, int], scheme: str
) -> None:
    page = windows.open(size, color_scheme=scheme)
    found: dict[str, list[str]] = {}
    for name, address in {**_views(analysed), "missing": "/sorties/nothing", "enter": "/enter"}.items():
        page.goto(address)
        if name == "result":
            page.wait_for_selector("#hold-chart svg .band")
        found[name] = serious(page)
        width = page.evaluate("document.documentElement.scrollWidth")
        if width > size[0]:
            found[name].append(f"{width} px wide on {size[0]}")
    assert {name: items for name, items in found.items() if items} == {}


def test_a_page_says_what_it_is(windows: Windows, analysed: str) -> None:
    page = windows.open()
    for address in _views(analysed).values():
        page.goto(address)
        assert page.title().endswith("flightproc")
        assert page.locator("h1").count() == 1 and page.locator("main").count() == 1
        assert page.evaluate("document.documentElement.lang") == "en"
