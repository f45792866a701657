"""report.html stands on its own, holds every chapter, and escapes what users write."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from flightproc.errors import OutputError
from flightproc.holds.model import Rejected
from flightproc.quantity import Quantity
from flightproc.report import write_report
from flightproc.report.chapters import CHAPTERS
from flightproc.report.wording import Notes, pair_cell, quantity_cell, typeset
from flightproc.results import Results

pytestmark = pytest.mark.synthetic

Make = Callable[[str], Results]
VARIANTS = ["full", "no_rig", "no_gps", "all_unknown", "empty", "right_turning"]
VOID = {"meta", "link", "br", "img", "hr", "input"}


class Outline(HTMLParser):
    """What the tests look at in a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.headings: list[int] = []
        self.tables: list[bool] = []
        self.svgs: list[dict[str, str | None]] = []
        self.lang = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append(tag)
        self.ids += [found["id"] or ""] if "id" in found else []
        for name in ("src", "href", "xlink:href", "action", "data"):
            self.links += [found[name] or ""] if name in found else []
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "table":
            self.tables.append(False)
        if tag == "caption":
            self.tables[-1] = True
        if tag == "svg":
            self.svgs.append(found)
        if tag == "html":
            self.lang = found.get("lang") or ""
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes <{self.open[-1:]}>"
        self.open.pop()


@pytest.fixture(scope="module")
def pages(make_results: Make, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    folder = tmp_path_factory.mktemp("reports")

    def page(variant: str) -> Path:
        out = folder / variant
        if not out.exists():
            write_report(make_results(variant), out)
        return out / "report.html"

    return page


@pytest.mark.parametrize("variant", VARIANTS)
def test_every_chapter_stands_and_the_page_is_sound(variant: str, pages: Callable[[str], Path]) -> None:
    text = pages(variant).read_text(encoding="utf-8")
    outline = Outline(text)
    assert outline.open == []
    assert outline.lang == "en"
    assert "<title>School wing 28, evening sortie 3: flight report</title>" in text
    for chapter in CHAPTERS:
        assert chapter.key in outline.ids
    order = [text.index(f'<section id="{chapter.key}"') for chapter in CHAPTERS]
    assert order == sorted(order)
    assert len(outline.ids) == len(set(outline.ids))
    assert outline.headings.count(1) == 1
    steps = zip(outline.headings, outline.headings[1:], strict=False)
    assert all(after <= before + 1 for before, after in steps)
    assert all(outline.tables)
    assert all(svg["role"] == "img" and len(svg["aria-label"] or "") > 30 for svg in outline.svgs)
    body = re.sub(r"<style.*?</style>|<svg.*?</svg>", "", text, flags=re.DOTALL)
    assert not re.search(r"\b(nan|None|inf)\b", re.sub(r"<[^>]+>", " ", body))


@pytest.mark.parametrize("variant", VARIANTS)
def test_page_needs_nothing_but_itself(variant: str, pages: Callable[[str], Path]) -> None:
    text = pages(variant).read_text(encoding="utf-8")
    outline = Outline(text)
    assert all(link.startswith("#") for link in outline.links)
    assert {link[1:] for link in outline.links} <= set(outline.ids)
    assert not {"script", "link", "iframe", "object", "embed"} & set(outline.tags)
    assert not re.search(r"https?:|@import|url\((?!#)", text)
    assert len(text) < 3_000_000


def test_files_of_a_full_report(pages: Callable[[str], Path]) -> None:
    folder = pages("full").parent
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    figures = {f"figures/{chapter.key}" for chapter in CHAPTERS if chapter.draw is not None}
    assert names == {"report.html", "results.json", "holds.csv"} | {f"{name}.svg" for name in figures}
    for name in figures:
        assert "</svg>" in (folder / f"{name}.svg").read_text(encoding="utf-8")


def test_png_where_wanted_and_gone_again(make_results: Make, tmp_path: Path) -> None:
    figures = {f"{chapter.key}.png" for chapter in CHAPTERS if chapter.draw is not None}
    told: list[float] = []
    write_report(make_results("full"), tmp_path / "out", lambda _, share: told.append(share), png=True)
    assert {path.name for path in (tmp_path / "out/figures").glob("*.png")} == figures
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in (tmp_path / "out/figures").glob("*.png"))
    assert told == sorted(told) and told[-1] == 1.0
    write_report(make_results("full"), tmp_path / "out")
    assert not list((tmp_path / "out/figures").glob("*.png"))


def test_figure_left_from_an_earlier_report_goes(make_results: Make, tmp_path: Path) -> None:
    write_report(make_results("no_rig"), tmp_path / "out")
    assert (tmp_path / "out/figures/track.svg").exists()
    (tmp_path / "out/figures/mine.svg").write_text("mine")
    files = write_report(make_results("empty"), tmp_path / "out")
    assert [path.name for path in files] == ["holds.csv", "results.json", "report.html"]
    assert [path.name for path in (tmp_path / "out/figures").iterdir()] == ["mine.svg"]


def test_what_users_write_is_escaped(make_results: Make, tmp_path: Path) -> None:
    evil = '<script>alert("x")</script> & $x^2$'
    full = make_results("full")
    results = replace(
        full,
        title=evil,
        aircraft=evil,
        glider=evil,
        answer=(evil,),
        limits=(evil,),
        warnings=(evil,),
        cautions=(evil,),
        blade_words=(evil,),
        rejected=(Rejected(1.0, 9.0, evil, evil),),
        recordings={evil: next(iter(full.recordings.values()))},
        holds=(replace(full.holds[0], bank=Quantity.unknown("rad", evil)), *full.holds[1:]),
        provenance=replace(full.provenance, settings={evil: evil}, steps=(evil,)),
    )
    page = write_report(results, tmp_path / "out")[-1]
    text = page.read_text(encoding="utf-8")
    assert "<script" not in text
    assert Outline(text).open == []
    assert "&lt;script&gt;" in text


def test_answer_comes_first_and_says_what_the_table_says(pages: Callable[[str], Path]) -> None:
    text = pages("full").read_text(encoding="utf-8")
    answer = text[text.index('<section id="answer"') : text.index('<section id="limits"')]
    for piece in ("7600", "19.0 to 26.2", "0.974", "P8, P16", "N m", "m/s"):
        assert piece in answer


def test_reasons_stand_under_the_table_once(pages: Callable[[str], Path]) -> None:
    text = pages("no_gps").read_text(encoding="utf-8")
    answer = text[text.index('<section id="answer"') : text.index('<section id="limits"')]
    assert answer.count("unknown<sup>a</sup>") == 4
    assert answer.count("no log of the sortie holds a position") == 1


def test_budget_says_what_to_do_first(pages: Callable[[str], Path]) -> None:
    text = pages("full").read_text(encoding="utf-8")
    part = text[text.index('<section id="budget"') : text.index('<section id="track"')]
    assert "What to improve first:</strong> Fly four ballast legs, two on each side." in part
    for piece in ("roll stiffness of the risers, assumed", "moonlight", "Torque ratio", "If it were halved"):
        assert piece in part
    assert "split by source" in pages("all_unknown").read_text(encoding="utf-8")


def test_folder_names_of_logs_stay_private(pages: Callable[[str], Path]) -> None:
    folder = pages("full").parent
    for name in ("report.html", "results.json", "holds.csv"):
        assert "/somewhere" not in (folder / name).read_text(encoding="utf-8")


def test_progress_rises_to_one(make_results: Make, tmp_path: Path) -> None:
    seen: list[tuple[str, float]] = []
    write_report(make_results("empty"), tmp_path / "out", lambda words, share: seen.append((words, share)))
    shares = [share for _, share in seen]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert all(words for words, _ in seen)


def test_file_in_place_of_the_folder(make_results: Make, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="not a folder"):
        write_report(make_results("empty"), tmp_path / "out")


def test_cells() -> None:
    notes = Notes()
    known = Quantity(-2.0, 0.5, -3.0, -1.0, "N m", "weak")
    assert quantity_cell(known, notes) == (
        '<td class="n">\N{MINUS SIGN}2.00<sup>a</sup>'
        '<span class="ci">\N{MINUS SIGN}3.00 to \N{MINUS SIGN}1.00</span></td>'
    )
    assert pair_cell(Quantity.of(5.0, 0.0, "s"), notes) == '<td class="n">5</td>'
    assert quantity_cell(Quantity.unknown("s", "<no>"), notes) == (
        '<td class="n none">unknown<sup>b</sup></td>'
    )
    assert notes.items == [("a", "weak"), ("b", "<no>")]
    assert typeset("from 2 to 3 m/s") == "from 2 to 3\N{NO-BREAK SPACE}m/s"


def test_page_in_a_real_browser(pages: Callable[[str], Path], tmp_path: Path) -> None:
    """At the width of a telephone nothing but tables and figures scrolls sideways."""
    browser = shutil.which("chromium")
    if browser is None:
        pytest.skip("chromium is not installed")
    page = tmp_path / "page.html"
    probe = (
        "<script>addEventListener('load',()=>{document.title='width '+document.documentElement.scrollWidth+"
        "' of '+innerWidth})</script></head>"
    )
    text = pages("full").read_text(encoding="utf-8")
    text = re.sub(r"<meta http-equiv.*?>", "", text, count=1).replace("</head>", probe, 1)
    page.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={tmp_path / 'profile'}", "--window-size=390,900", "--dump-dom", page.as_uri(),
        ],
        capture_output=True, text=True, timeout=90, check=False,
    )  # fmt: skip
    found = re.search(r"<title>width (\d+) of (\d+)</title>", done.stdout)
    assert found, done.stderr[-500:]
    assert int(found.group(1)) <= int(found.group(2)) <= 500
