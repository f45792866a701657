"""The documentation site: what is checked of it, the gallery, the reference, and the site in a browser."""

from __future__ import annotations

import ast
import os
import re
import runpy
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import flightproc

pytestmark = pytest.mark.regression

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
SITE = Path(os.environ.get("FLIGHTPROC_SITE") or DOCS / "_build")
LARGEST, LARGEST_ALL = 120_000, 2_000_000  # bytes of one figure, of all


@pytest.fixture(scope="module")
def builder() -> dict[str, Any]:
    sys.modules.pop("build_site", None)
    return runpy.run_path(str(DOCS / "build_site.py"))


@pytest.fixture(scope="module")
def gallery() -> dict[str, Any]:
    return runpy.run_path(str(DOCS / "make_gallery.py"))


def write_site(folder: Path, body: str, style: str = "") -> None:
    (folder / "index.html").write_text(f"<html><body>{body}</body></html>", encoding="utf-8")
    (folder / "other.html").write_text('<h1 id="there">Other</h1>', encoding="utf-8")
    (folder / "site.css").write_text(style, encoding="utf-8")
    (folder / "searchindex.js").write_text("x" * 20_000, encoding="utf-8")


@pytest.mark.parametrize(
    ("body", "style", "wrong"),
    [
        ('<a href="other.html#there">a</a> <a href="https://example.org/">b</a> <a href="#">c</a>', "", ""),
        ('<a href="gone.html">a</a>', "", "leads to gone.html"),
        ('<a href="other.html#nowhere">a</a>', "", "no such anchor"),
        ('<a href="#nowhere">a</a>', "", "no such anchor"),
        ('<img src="gone.svg">', "", "leads to gone.svg"),
        ('<script src="https://example.org/a.js"></script>', "", "fetches https://example.org/a.js"),
        ('<link rel="stylesheet" href="//example.org/a.css">', "", "fetches //example.org/a.css"),
        ('<link rel="preconnect" href="https://example.org">', "", "fetches https://example.org"),
        (
            '<p style="background: url(https://example.org/a.png)">a</p>',
            "",
            "fetches https://example.org/a.png",
        ),
        ("<style>@import 'https://example.org/a.css';</style>", "", "fetches https://example.org/a.css"),
        (
            '<img srcset="other.html 1x, https://example.org/a.png 2x">',
            "",
            "fetches https://example.org/a.png",
        ),
        ("", "@font-face { src: url('https://example.org/a.woff2') }", "site.css fetches"),
        ("", "p { background: url(data:image/png;base64,AAAA) }", ""),
    ],
)
def test_faults_of_a_site_are_found(
    builder: dict[str, Any], tmp_path: Path, body: str, style: str, wrong: str
) -> None:
    write_site(tmp_path, body, style)
    found = builder["check"](tmp_path)
    assert (len(found), wrong in "".join(found)) == ((1, True) if wrong else (0, True)), found


def test_a_site_without_search_is_found_out(builder: dict[str, Any], tmp_path: Path) -> None:
    write_site(tmp_path, "")
    (tmp_path / "searchindex.js").unlink()
    assert "no search index" in "".join(builder["check"](tmp_path))


def test_every_page_is_in_the_contents() -> None:
    index = (DOCS / "index.md").read_text(encoding="utf-8")
    listed = [
        line for block in re.findall(r"```\{toctree\}\n(.*?)```", index, re.S) for line in block.split()
    ]
    for page in DOCS.glob("*.md"):
        assert page.stem in listed or page.stem == "index", (
            f"{page.name} is missing in the toctrees of docs/index.md"
        )


def test_page_of_the_gallery_is_up_to_date(gallery: dict[str, Any]) -> None:
    page = (DOCS / "gallery" / "README.md").read_text(encoding="utf-8")
    assert page == gallery["gallery_page"](), "run: python docs/make_gallery.py"


def test_figures_of_the_gallery_are_there_and_small(gallery: dict[str, Any]) -> None:
    figures = [figure for chapter in gallery["entries"]()["chapters"] for figure in chapter["figures"]]
    files = {gallery["file_of"](figure["key"]) for figure in figures}
    assert len(files) == len(figures)
    sizes = {
        path.name: path.stat().st_size
        for path in (DOCS / "gallery").iterdir()
        if path.suffix in (".svg", ".png")
    }
    assert set(sizes) == files
    assert not {name for name, size in sizes.items() if size > LARGEST}
    assert sum(sizes.values()) < LARGEST_ALL


def test_every_figure_of_the_program_is_in_the_gallery(gallery: dict[str, Any]) -> None:
    chooser = "draw.draw_figure"  # draws one of the others, by name
    report = ROOT / "flightproc" / "report"
    drawn = {
        f"{'.'.join(path.relative_to(report).with_suffix('').parts)}.{node.name}"
        for path in (*report.glob("*.py"), *(report / "figures").glob("*.py"))
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef) and re.match(r"draw(_|$)", node.name)
    }
    listed = gallery["entries"]()["chapters"]
    assert {figure["function"] for chapter in listed for figure in chapter["figures"]} == drawn - {chooser}


def test_reference_holds_every_public_name() -> None:
    pytest.importorskip("sphinx", reason="Sphinx is not installed: pip install '.[docs]'")
    reference = runpy.run_path(str(DOCS / "_sphinx" / "reference.py"))
    rooms = {room: reference["public_names"](room) for room in reference["rooms"]()}
    assert not {room for room, names in rooms.items() if not names}
    there = {id(thing) for names in rooms.values() for thing in names.values()}
    assert not {name for name in flightproc.__all__ if id(getattr(flightproc, name)) not in there}


def test_formulas_become_mathml() -> None:
    pytest.importorskip("latex2mathml", reason="latex2mathml is not installed: pip install '.[docs]'")
    pytest.importorskip("sphinx", reason="Sphinx is not installed: pip install '.[docs]'")
    from docutils import nodes

    class Writer:
        def encode(self, text: str) -> str:
            return text.replace("&", "&amp;").replace("<", "&lt;")

    formula = runpy.run_path(str(DOCS / "_sphinx" / "mathml.py"))["_formula"]
    made = formula(
        Writer(), nodes.math_block("", r"\begin{aligned} a &= \sin b \\ c &= 2 \end{aligned}"), "block"
    )
    assert made.count("<mtr>") == 2 and "&amp;= " in made and 'rspace="0.17em">sin</mo>' in made
    assert "&=" not in re.sub(r'alttext="[^"]*"', "", made)


@pytest.fixture(scope="module")
def window() -> Iterator[Any]:
    """Return a page of Chromium, for a site that is already built."""
    if not (SITE / "index.html").is_file():
        pytest.skip("the site is not built: python docs/build_site.py, or name one in FLIGHTPROC_SITE")
    sync_api = pytest.importorskip(
        "playwright.sync_api", reason="Playwright is not installed: pip install playwright"
    )
    program = (
        os.environ.get("FLIGHTPROC_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    )
    if program is None:
        pytest.skip("no Chromium: apt-get install chromium, or name one in FLIGHTPROC_CHROMIUM")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser.new_page(viewport={"width": 390, "height": 844})
        browser.close()


def test_the_site_works_from_the_disk(window: Any) -> None:
    """Search, formulas and figures of a built site, narrow, without a server."""
    asked: list[str] = []
    complaints: list[str] = []
    window.on("request", lambda request: asked.append(request.url))
    window.on("pageerror", lambda error: complaints.append(str(error)))
    window.goto((SITE / "search.html").as_uri() + "?q=ballast")
    window.wait_for_selector("#search-results li a")
    titles = window.locator("#search-results li a").all_inner_texts()
    assert len(titles) > 5 and any("Ballast" in title or "ballast" in title for title in titles)
    window.goto((SITE / "method.html").as_uri())
    assert window.locator("div.formula math").count() > 5
    assert window.evaluate("document.querySelector('div.formula math').getBoundingClientRect().height") > 10
    assert window.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    window.goto((SITE / "gallery" / "README.html").as_uri())
    window.wait_for_load_state("load")
    assert window.evaluate("[...document.images].every(image => image.complete && image.naturalWidth > 0)")
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert complaints == []
