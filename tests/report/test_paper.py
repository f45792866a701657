"""The PDF of a page: read back, and held against the page and the results it was made from."""

from __future__ import annotations

import html
import json
import logging
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pypdf
import pypdfium2
import pytest

import flightproc.report.paper as paper
from flightproc.cautions import CAUTIONS, GROUND_CAUTIONS
from flightproc.cli import main
from flightproc.errors import EstimateError, OutputError
from flightproc.report import write_report
from flightproc.report.chapters import CHAPTERS
from flightproc.report.paper import add_pdf, check_pdf, for_paper, page_pdf
from flightproc.results import Results

from ..compare.glider_factory import document

pytestmark = pytest.mark.synthetic

Make = Callable[[str], Results]
SAMPLE = Path(__file__).parents[2] / "sample_logs" / "school-wing-28"
MM = 72.0 / 25.4


def reason_for_none() -> str:
    try:
        check_pdf()
    except OutputError as error:
        return str(error)
    return ""


NONE = reason_for_none()
needs_pdf = pytest.mark.skipif(bool(NONE), reason=f"no PDF can be made here: {NONE}")


def plain(text: str) -> str:
    """Return text without spaces and marks of layout, which differ between a page and its PDF."""
    return re.sub(r"[\s\u00a0\u00ad]+", "", html.unescape(text)).replace("-", "\N{MINUS SIGN}")


@dataclass(frozen=True)
class Sheet:
    """One page of a PDF: its size [pt] and its text."""

    width: float
    height: float
    text: str


def read(path: Path) -> list[Sheet]:
    return [
        Sheet(float(page.mediabox.width), float(page.mediabox.height), page.extract_text())
        for page in pypdf.PdfReader(path).pages
    ]


@pytest.fixture(scope="module")
def report(make_results: Make, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("paper") / "out"
    write_report(make_results("full"), folder, pdf=True)
    return folder


@pytest.fixture(scope="module")
def sheets(report: Path) -> list[Sheet]:
    return read(report / "report.pdf")


def small(body: str, title: str = "Small") -> str:
    return (
        f"<html><head><title>{title}</title><style>x</style></head><body><h1>{title}</h1>{body}</body></html>"
    )


@needs_pdf
def test_pages_are_a4_and_numbered(sheets: list[Sheet]) -> None:
    assert 8 <= len(sheets) <= 30
    for number, sheet in enumerate(sheets, 1):
        assert plain(f"page {number} of {len(sheets)}") in plain(sheet.text)
        assert sorted((sheet.width / MM, sheet.height / MM)) == pytest.approx([210.0, 297.0], abs=0.5)
    assert any(sheet.width > sheet.height for sheet in sheets)  # the table of holds


@needs_pdf
def test_first_page_has_title_all_cautions_and_contents(sheets: list[Sheet], make_results: Make) -> None:
    first = plain(sheets[0].text)
    results = make_results("full")
    assert plain(results.title) in first
    assert plain(results.glider) in first
    assert results.cautions
    for caution in results.cautions:
        assert plain(caution) in first
    for sheet in sheets[1:]:
        assert plain("Read with the cautions on page 1.") in plain(sheet.text)


@needs_pdf
def test_contents_name_the_page_on_which_each_chapter_begins(report: Path, sheets: list[Sheet]) -> None:
    reader = pypdf.PdfReader(report / "report.pdf")
    begins = {
        str(item.title): reader.get_destination_page_number(item)
        for item in (entry for entry in flat(reader.outline))
    }
    lines = sheets[0].text.splitlines()
    for chapter in CHAPTERS:
        if chapter.key == "cautions":
            continue
        line = next(line for line in lines if plain(line).startswith(plain(chapter.title) + "."))
        told = int(re.findall(r"\d+", line)[-1])
        assert begins[chapter.title] == told - 1
        assert plain(chapter.title) in plain(sheets[told - 1].text)


def flat(outline: list[Any]) -> Iterator[Any]:
    for item in outline:
        if isinstance(item, list):
            yield from flat(item)
        else:
            yield item


@needs_pdf
def test_no_figure_is_cut(report: Path, sheets: list[Sheet]) -> None:
    found = 0
    for path in sorted((report / "figures").glob("*.svg")):
        words = re.findall(r"<text [^>]*>([^<]+)</text>", path.read_text(encoding="utf-8"))
        words = [plain(word) for word in words if len(re.findall(r"[a-z]", word)) >= 5]
        assert words, path.name
        whole = [sheet for sheet in sheets if all(word in plain(sheet.text) for word in words)]
        assert whole, f"no page has the whole of {path.name}"
        found += 1
    assert found == sum(chapter.draw is not None for chapter in CHAPTERS)


@needs_pdf
def test_no_ink_in_the_margins(report: Path) -> None:
    pages = pypdfium2.PdfDocument(report / "report.pdf")
    for page in pages:
        ink = page.render(scale=100.0 / 72.0, grayscale=True).to_numpy().squeeze() < 250
        edge = round(7.0 / 25.4 * 100.0)
        assert ink.any()
        for strip in (ink[:edge], ink[-edge:], ink[:, :edge], ink[:, -edge:]):
            assert not strip.any()
    pages.close()


@needs_pdf
def test_every_font_is_embedded_and_comes_with_the_program(report: Path) -> None:
    reader = pypdf.PdfReader(report / "report.pdf")
    names = set()
    for number in range(1, len(reader.xref[0]) + 1):
        thing = reader.get_object(number)
        if isinstance(thing, dict) and thing.get("/Type") == "/FontDescriptor":
            assert "/FontFile2" in thing or "/FontFile3" in thing
            names.add(str(thing["/FontName"]))
    assert {name.split("+")[-1] for name in names} >= {"DejaVu-Sans", "DejaVu-Sans-Bold", "DejaVu-Serif-Bold"}
    assert all("DejaVu" in name for name in names)


@needs_pdf
def test_answer_and_reasons_are_on_paper(sheets: list[Sheet], make_results: Make) -> None:
    whole = plain(" ".join(sheet.text for sheet in sheets))
    results = make_results("full")
    for words in (*results.answer, *(item.words for item in results.rejected)):
        assert plain(words) in whole


@needs_pdf
def test_setting_a_report_gives_no_warning(
    make_results: Make, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING, logger="weasyprint"):
        write_report(make_results("empty"), tmp_path / "out", pdf=True)
    assert [record.getMessage() for record in caplog.records] == []
    text = plain(" ".join(sheet.text for sheet in read(tmp_path / "out" / "report.pdf")))
    assert plain("This sortie gives no answer") in text


@needs_pdf
def test_long_tables_repeat_their_heads(tmp_path: Path) -> None:
    rows = "".join(f"<tr><td>row{i:03d}</td><td>{i}</td></tr>" for i in range(200))
    table = (
        f"<table><thead><tr><th>Engine speed</th><th>Torque</th></tr></thead><tbody>{rows}</tbody></table>"
    )
    (tmp_path / "a.pdf").write_bytes(page_pdf(small(table)))
    pages = read(tmp_path / "a.pdf")
    assert len(pages) > 2
    shown = [re.findall(r"row\d{3}", plain(page.text)) for page in pages]
    assert [name for names in shown for name in names] == [f"row{i:03d}" for i in range(200)]
    assert all(
        "Enginespeed" in plain(page.text) and len(names) >= 2
        for page, names in zip(pages, shown, strict=True)
    )


@needs_pdf
def test_nothing_is_fetched(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    secret = tmp_path / "secret.svg"
    secret.write_text('<svg xmlns="http://www.w3.org/2000/svg"><text y="20">secret</text></svg>')
    body = f'<p>left</p><img src="{secret.as_uri()}"><img src="font:../secret.svg"><img src="http://[::1]:9/a.png">'
    with caplog.at_level(logging.WARNING, logger="weasyprint"):
        made = page_pdf(small(body))
    (tmp_path / "a.pdf").write_bytes(made)
    assert "secret" not in read(tmp_path / "a.pdf")[0].text
    refused = [record.getMessage() for record in caplog.records]
    assert len(refused) == 3
    assert all("a page needs nothing but itself" in words for words in refused)


@needs_pdf
def test_same_page_gives_the_same_file() -> None:
    page = small("<p>Same.</p>")
    assert page_pdf(page) == page_pdf(page)
    assert page_pdf(page) != page_pdf(small("<p>Other.</p>"))


@needs_pdf
def test_what_users_write_stays_text(tmp_path: Path) -> None:
    page = small("<p>1 &lt; 2 &amp; 3</p>", title="A &lt;style&gt; b")
    (tmp_path / "a.pdf").write_bytes(page_pdf(page))
    text = read(tmp_path / "a.pdf")[0].text
    assert "1 < 2 & 3" in text
    assert "A <style> b" in text


def test_every_page_has_the_marks_that_paper_needs() -> None:
    folder = resources.files("flightproc.report").joinpath("templates")
    texts = {item.name: item.read_text(encoding="utf-8") for item in folder.iterdir()}
    assert [name for name, text in texts.items() if "<html" in text] == ["page.html"]
    text = texts["page.html"]
    marks = (
        "<style>",
        '<aside class="caution"',
        "<nav",
        "block chapters",
        '<section id="cautions"',
        "<footer>",
    )
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)
    pages = {name for name, text in texts.items() if '{% extends "page.html" %}' in text}
    assert pages == {"report.html", "plain.html", "gliders.html", "balance.html", "together.html"}


def test_cautions_move_to_the_front_whole() -> None:
    page = (
        '<style>Older</style><aside class="caution"><p>First. <a href="#cautions">All</a></p></aside>'
        '<ol><li><a href="#a">A</a></li><li><a href="#cautions">Cautions</a></li></ol>'
        '<section id="a">A</section><section id="cautions" x="y"><h2>Cautions</h2><ul><li>One.</li>'
        "<li>Two.</li></ul></section><footer>end</footer>"
    )
    out = for_paper(page)
    assert "Older" not in out and "@page" in out
    assert out.count("One.") == out.count("Two.") == 1
    assert out.index("Two.") < out.index('<section id="a">') < out.index("<footer>end")
    assert 'href="#cautions"' not in out
    assert "First." not in out


def test_page_without_cautions_is_left_as_it_is() -> None:
    assert for_paper("<style>a</style><p>b</p>").endswith("<p>b</p>")


@pytest.fixture
def without(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[str], None]:
    """Put a WeasyPrint that does this when it is imported in the place of the real one."""

    def put(does: str) -> None:
        folder = tmp_path / "stand-in"
        folder.mkdir()
        (folder / "weasyprint.py").write_text(does)
        for name in [name for name in sys.modules if name.split(".")[0] == "weasyprint"]:
            monkeypatch.delitem(sys.modules, name)
        monkeypatch.syspath_prepend(folder)

    return put


def test_missing_library_is_told_before_any_work(
    without: Callable[[str], None],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    without("raise ModuleNotFoundError('No module named weasyprint')")
    stand_in = ModuleType("flightproc.analysis")

    def analyse(*_: object, **__: object) -> None:
        raise EstimateError("the analysis was begun")

    stand_in.analyse = analyse  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "flightproc.analysis", stand_in)
    assert main(["report", str(SAMPLE / "sortie.toml"), "-o", str(tmp_path / "out"), "--pdf"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("error") == 1
    assert "WeasyPrint, which is not installed" in err
    assert "pip install 'flightproc[pdf]'" in err
    assert not (tmp_path / "out").exists()


def test_missing_pango_is_told_in_one_error(
    without: Callable[[str], None], capsys: pytest.CaptureFixture[str]
) -> None:
    without("print('lines of advice')\nraise OSError('cannot load library libgobject-2.0-0')")
    with pytest.raises(OutputError, match="Pango") as error:
        check_pdf()
    assert "apt install libpangoft2-1.0-0" in str(error.value)
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("command", ["rig", "blade", "ground", "balance", "gliders"])
def test_every_command_refuses_alike(
    command: str, without: Callable[[str], None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    without("raise ImportError('none')")
    sheet = {"rig": "rig.toml"}.get(command, "aircraft.toml")
    assert main([command, str(SAMPLE / sheet), "-o", str(tmp_path / "out"), "--pdf"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "WeasyPrint, which is not installed" in err
    assert not (tmp_path / "out").exists()


def test_pdf_that_fails_leaves_the_old_report(
    make_results: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_report(make_results("empty"), tmp_path / "out")
    (tmp_path / "out" / "report.pdf").write_text("old")
    before = {path: path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file()}

    def fail(page: str) -> bytes:
        raise OutputError("no room", where=str(len(page)))

    monkeypatch.setattr(paper, "page_pdf", fail)
    monkeypatch.setattr("flightproc.report.render.check_pdf", lambda: None)
    with pytest.raises(OutputError, match="no room"):
        write_report(make_results("all_unknown"), tmp_path / "out", pdf=True)
    after = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert after == before


def test_pdf_of_an_earlier_report_goes_with_it(make_results: Make, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "report.pdf").write_text("of other results")
    write_report(make_results("empty"), tmp_path / "out")
    assert (tmp_path / "out" / "report.html").exists()
    assert not (tmp_path / "out" / "report.pdf").exists()


@needs_pdf
def test_page_stays_last_when_the_pdf_is_added() -> None:
    files = {"a.json": b"{}", "a.html": small("<p>x</p>").encode(), "b.csv": b""}
    add_pdf(files, "a.html")
    assert list(files) == ["a.json", "b.csv", "a.pdf", "a.html"]
    assert files["a.pdf"].startswith(b"%PDF")


@needs_pdf
def test_rig_days_on_paper(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["rig", str(SAMPLE / "rig.toml"), "--aircraft", str(SAMPLE / "aircraft.toml")]
    assert main([*arguments, "-o", str(tmp_path / "out"), "--pdf"]) == 0
    assert "rig.pdf" in capsys.readouterr().out
    pages = read(tmp_path / "out" / "rig.pdf")
    text = plain(" ".join(page.text for page in pages))
    assert all(plain(caution) in plain(pages[0].text) for caution in CAUTIONS)
    for word in ("7600", "Torque against engine speed", "Torque curves tried", "leak of thrust or legs"):
        assert plain(word) in text


@needs_pdf
def test_blade_on_paper(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["blade", str(SAMPLE / "aircraft.toml"), "--rpm", "7600"]
    assert main([*arguments, "-o", str(tmp_path / "out"), "--pdf"]) == 0
    assert "blade.pdf" in capsys.readouterr().out
    pages = read(tmp_path / "out" / "blade.pdf")
    text = plain(" ".join(page.text for page in pages))
    for word in (
        "Angle of attack along the blade",
        "By geometry alone",
        "Torque in flight over torque at rest",
    ):
        assert plain(word) in text


@needs_pdf
def test_ground_tests_on_paper(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = tmp_path / "frame.toml"
    tests = """
[tilt_test]
side = ["right", "left"]
angle_deg = [1.637, -1.637]
angle_std_deg = 0.05
ballast_kg = 4.0
arm_m = 0.25
[inertia]
mass_kg = 100.0
line_spacing_m = 0.8
line_length_m = 2.5
swings = 10
times_s = [30.0, 30.1, 29.9]
amplitude_deg = 2.0
"""
    sheet.write_text((SAMPLE / "aircraft.toml").read_text(encoding="utf-8") + tests, encoding="utf-8")
    assert main(["ground", str(sheet), "-o", str(tmp_path / "out"), "--pdf"]) == 0
    assert "ground.json, ground.pdf" in capsys.readouterr().out
    pages = read(tmp_path / "out" / "ground.pdf")
    assert all(plain(caution) in plain(pages[0].text) for caution in GROUND_CAUTIONS)
    text = plain(" ".join(page.text for page in pages))
    for word in (
        "roll stiffness of the weight",
        "Readings of the tilt test",
        "roll inertia about the hang points",
    ):
        assert plain(word) in text


@needs_pdf
def test_gliders_on_paper_beside_a_single_page(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    for number, (glider, area) in enumerate((("school wing 28", 28.0), ("fast wing 20", 20.0))):
        folder = tmp_path / f"sortie{number}"
        folder.mkdir()
        (folder / "results.json").write_text(json.dumps(document(rng, glider=glider, area=area)))
    page = tmp_path / "page" / "all.html"
    page.parent.mkdir()
    assert main(["gliders", str(tmp_path), "--html", str(page), "--pdf", "--quiet"]) == 0
    assert sorted(path.name for path in page.parent.iterdir()) == ["all.html", "all.pdf"]
    pages = read(page.with_suffix(".pdf"))
    assert all(plain(caution) in plain(pages[0].text) for caution in CAUTIONS)
    text = plain(" ".join(item.text for item in pages))
    for word in ("school wing 28", "fast wing 20", "Turn per N m against wing loading"):
        assert plain(word) in text
