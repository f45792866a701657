"""The page of licences names everything that an install brings, and what is copyleft."""

from __future__ import annotations

import re
import runpy
from importlib.metadata import PackageNotFoundError
from pathlib import Path

import pytest
from packaging.requirements import Requirement

pytestmark = pytest.mark.synthetic

DOCS = Path(__file__).resolve().parents[2] / "docs"
MAKER = runpy.run_path(str(DOCS / "make_licences.py"))
PAGE = (DOCS / "licences.md").read_text(encoding="utf-8")
PARTS = {
    "" if head == "Always" else head.split("`")[1].strip("[]"): body
    for head, body in re.findall(r"^## (Always|Extra [^\n]+)\n(.*?)(?=^## |\Z)", PAGE, flags=re.M | re.S)
}
PROJECT = MAKER["project"]()


def rows(text: str) -> dict[str, list[str]]:
    cells = [line.strip("| ").split(" | ") for line in text.splitlines() if line.startswith("| `")]
    return {row[0].strip("`"): row[1:] for row in cells}


@pytest.mark.parametrize("extra", PROJECT)
def test_every_direct_dependency_is_told_with_its_licence_and_use(extra: str) -> None:
    told = rows(PARTS[extra])
    wanted = {MAKER["normal"](Requirement(line).name) for line in PROJECT[extra]}
    assert set(told) == wanted, "run: python docs/make_licences.py"
    for name, (licence, use) in told.items():
        assert licence != "not told", name
        assert use == MAKER["WHY"][name]


def test_no_use_is_told_of_what_is_no_longer_needed() -> None:
    wanted = {MAKER["normal"](Requirement(line).name) for lines in PROJECT.values() for line in lines}
    assert set(MAKER["WHY"]) == wanted


def test_copyleft_is_named_and_none_of_it_comes_with_every_install() -> None:
    copyleft = rows(PAGE.split("## Always")[0])
    assert all(len(row) == 3 and MAKER["COPYLEFT"].search(row[0]) for row in copyleft.values())
    assert not any(row[1] == "everyone's install" for row in copyleft.values())
    for requirements in PROJECT.values():
        try:
            found = MAKER["needed"](requirements)
        except PackageNotFoundError:
            continue  # an extra that is not installed here
        for name in found:
            if MAKER["COPYLEFT"].search(MAKER["licence"](name)):
                assert name in copyleft, f"{name} is copyleft: run python docs/make_licences.py"
