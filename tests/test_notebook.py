"""The notebook's cells run, are ten lines, and show what is stored in it; so do the lines of library.md."""

from __future__ import annotations

import doctest
import json
import re
import runpy
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.synthetic

DOCS = Path(__file__).parents[1] / "docs"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def maker() -> dict[str, Any]:
    return runpy.run_path(str(DOCS / "make_notebook.py"))


@pytest.fixture(scope="module")
def stored() -> dict[str, Any]:
    notebook: dict[str, Any] = json.loads((DOCS / "notebook-first-sortie.ipynb").read_text(encoding="utf-8"))
    return notebook


def assert_alike(text: str, before: str, hint: str = "") -> None:
    """Hold words to be the same, and numbers up to the last digit, which other libraries may round up."""
    assert NUMBER.sub("#", " ".join(text.split())) == NUMBER.sub("#", " ".join(before.split())), hint
    for new, old in zip(NUMBER.findall(text), NUMBER.findall(before), strict=True):
        assert abs(float(new) - float(old)) < 1.5 * 10.0 ** -len(old.partition(".")[2]), hint


class Alike(doctest.OutputChecker):
    """Takes output that differs in the last digit of a number."""

    def check_output(self, want: str, got: str, optionflags: int) -> bool:
        try:
            assert_alike(got, want)
        except AssertionError:
            return False
        return True


def test_the_cells_show_what_is_stored(maker: dict[str, Any], stored: dict[str, Any]) -> None:
    made = json.loads(json.dumps(maker["make_notebook"]()))
    assert len(made["cells"]) == len(stored["cells"])
    for now, then in zip(made["cells"], stored["cells"], strict=True):
        assert now["source"] == then["source"] and now["cell_type"] == then["cell_type"]
        for output, kept in zip(now.get("outputs", []), then.get("outputs", []), strict=True):
            text, before = ("".join(part["data"]["text/plain"]) for part in (output, kept))
            assert_alike(text, before, "run: python docs/make_notebook.py")
            drawn = "<svg" in "".join(output["data"]["text/html"])
            assert drawn == ("<svg" in "".join(kept["data"]["text/html"]))


def test_it_is_ten_lines_from_logs_to_figure(stored: dict[str, Any]) -> None:
    code = "".join("".join(cell["source"]) + "\n" for cell in stored["cells"] if cell["cell_type"] == "code")
    assert len([line for line in code.splitlines() if line.strip()]) <= 10
    assert "read_log" in code and "draw_figure" in code


def test_it_asks_for_nothing_from_outside(stored: dict[str, Any]) -> None:
    shown = "".join(
        "".join(output["data"]["text/html"]) for cell in stored["cells"] for output in cell.get("outputs", [])
    )
    assert not re.findall(r"(?:src|href)=[\"']?(?:https?:)?//", shown) and "<script" not in shown
    assert len(json.dumps(stored)) < 200_000


def test_the_lines_of_the_library_page_print_what_stands_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(DOCS.parent)
    page = (DOCS / "library.md").read_text(encoding="utf-8").replace("```", "")
    test = doctest.DocTestParser().get_doctest(page, {}, "library.md", "library.md", 0)
    said: list[str] = []
    outcome = doctest.DocTestRunner(Alike(), verbose=False).run(test, out=said.append)
    assert outcome.attempted > 8 and outcome.failed == 0, "".join(said)
