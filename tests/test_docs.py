"""The pages of docs agree with the program."""

from __future__ import annotations

import re
import runpy
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from flightproc.cautions import CAUTIONS
from flightproc.channels import CHANNELS

pytestmark = pytest.mark.synthetic

DOCS = Path(__file__).parents[1] / "docs"


@pytest.fixture(scope="module")
def maker():
    return runpy.run_path(str(DOCS / "make_docs.py"))


@pytest.mark.parametrize("name", ["conventions.md", "cautions.md", "ground-tests.md"])
def test_made_parts_are_up_to_date(maker, name):
    page = (DOCS / name).read_text(encoding="utf-8")
    assert "<!-- made by make_docs.py -->" in page
    assert maker["with_part"](page, maker["PARTS"][name]()) == page, "run: python docs/make_docs.py"


def test_page_of_commands_is_up_to_date(maker):
    page = (DOCS / "commands.md").read_text(encoding="utf-8")
    assert page == maker["command_page"](), "run: python docs/make_docs.py"


def test_channel_table_holds_every_channel(maker):
    rows = [line for line in maker["channel_table"]().splitlines() if line.startswith("| `")]
    assert [re.findall(r"`(\w+)`", row)[0] for row in rows] == list(CHANNELS)


def test_cautions_page_holds_every_caution():
    page = (DOCS / "cautions.md").read_text(encoding="utf-8")
    assert [line.split(". ", 1)[1] for line in page.splitlines() if re.match(r"\d+\. ", line)] == list(
        CAUTIONS
    )


@pytest.mark.parametrize(
    "word",
    [
        *(
            "calm air",
            "height",
            "reserve",
            "ballast small",
            "unknown frame",
            "full power",
            "thrust line",
            "estimates",
        ),
        *("frame maker", "weight range", "local rules", "qualified instructor", "guard", "eye and ear"),
        *("nobody in the plane", "Fasten loggers", "run away"),
    ],
)
def test_cautions_name_each_danger(word):
    assert word in " ".join(CAUTIONS)


def test_drawing_is_there_and_shown():
    page = (DOCS / "conventions.md").read_text(encoding="utf-8")
    assert "(axes.svg)" in page
    root = ElementTree.parse(DOCS / "axes.svg").getroot()
    assert root.tag.endswith("svg") and root.get("viewBox")


def test_drawing_can_be_made(tmp_path):
    make = runpy.run_path(str(DOCS / "make_axes.py"))
    make["main"](tmp_path / "axes.png")
    assert (tmp_path / "axes.png").stat().st_size > 20_000


def test_links_between_pages_lead_somewhere():
    for page in DOCS.rglob("*.md"):
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"
