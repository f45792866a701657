"""The tutorial says what its commands print, as far as figures go that may differ in their last digit."""

from __future__ import annotations

import re
import runpy
from pathlib import Path

import pytest

pytestmark = pytest.mark.synthetic

DOCS = Path(__file__).parents[1] / "docs"
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def maker():
    return runpy.run_path(str(DOCS / "make_tutorial.py"))


@pytest.fixture(scope="module")
def page():
    return (DOCS / "tutorial-compensation.md").read_text(encoding="utf-8")


def printed(page, name):
    """Return what the page has of a part."""
    found = re.search(rf"<!-- made by make_tutorial.py: {name} -->\n(.*?)<!-- end -->", page, re.S)
    assert found is not None, name
    return found[1]


def words(text):
    """Return a text without its numbers, signs, rules and line breaks."""
    return " ".join(re.sub(rf"{NUMBER.pattern}|[─-]{{3,}}", "#", text).split())


def differences(old, new):
    """Return where two texts differ by more than two units of the last digit."""
    if words(old) != words(new):
        return [f"{words(old)} -> {words(new)}"]
    wrong = []
    for a, b in zip(NUMBER.findall(old), NUMBER.findall(new), strict=True):
        places = min(len(x.partition(".")[2]) for x in (a, b))
        if abs(float(a) - float(b)) > max(2.1 * 10.0**-places, 0.005 * abs(float(a))):
            wrong.append(f"{a} -> {b}")
    return wrong


def test_the_page_says_what_its_commands_print(maker, page):
    with maker["workshop"]():
        tutorial = maker["Tutorial"]()
        for step in (*maker["COMMANDS"], *maker["UNSHOWN"]):
            tutorial.go(step)
        made = {name: make(tutorial) for name, make in maker["PARTS"].items()}
        foretold = maker["turns"](tutorial, maker["read_truths"]())
    wrong = {name: differences(printed(page, name), text) for name, text in made.items()}
    assert not {name: found for name, found in wrong.items() if found}, "run: python docs/make_tutorial.py"
    # what the prose around the parts says
    best = tutorial.document["balance"]["best"]
    assert best == "hang_offset"
    idle, cruise, climb = foretold["after true"]
    assert idle < 0 and -idle > max(abs(cruise), abs(climb)) and abs(climb) < abs(foretold["before true"][2])
    assert abs(cruise) < 0.5 * abs(foretold["before true"][1])
    for when in ("before", "after"):
        for turn, true in zip(foretold[f"{when} foretold"], foretold[f"{when} true"], strict=True):
            assert turn.low <= true <= turn.high


def test_every_part_has_its_place(maker, page):
    assert re.findall(r"<!-- made by make_tutorial.py: (.+) -->", page) == list(maker["PARTS"])


def test_figures_are_there_and_used(page):
    used = set(re.findall(r"\(figures/tutorial/([\w-]+\.png)\)", page))
    assert used == {path.name for path in (DOCS / "figures" / "tutorial").iterdir()}


def test_cautions_come_first_and_where_building_and_flying_are_led_to(page):
    parts = re.split(r"^## ", page, flags=re.M)
    assert "Read first" in parts[0] and "qualified instructor" in parts[0] and "small steps" in parts[0]
    steps = {part[0]: part for part in parts[1:]}
    for number in "12357":
        assert re.search(r"^caution", steps[number], flags=re.M), number
    assert "Before anything is moved" in steps["7"]
    assert "small steps of power" in steps["8"] and "The frame's maker looks it over" in steps["8"]


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [
        ("a 4.3 %\nof b", "a 4.2 % of b", True),
        ("a 4.3 % of b", "a 4.9 % of b", False),
        ("a 4.3 % of b", "a 4.3 % of c", False),
        ("95 %: -0.02 to 0.3", "95 %: 0.00 to 0.3", True),
        ("5998 rpm", "6010 rpm", True),
        ("5998 rpm", "6100 rpm", False),
    ],
)
def test_differences(old, new, same):
    assert (differences(old, new) == []) == same
