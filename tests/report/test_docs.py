"""docs/results-json.md describes every key of results.json, and no key that is not there."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flightproc.report import results_json
from flightproc.results import Results

pytestmark = pytest.mark.synthetic

PAGE = Path(__file__).resolve().parents[2] / "docs" / "results-json.md"
QUANTITY = {"value", "std", "low95", "high95", "low68", "high68"}
FREE = {"provenance.packages", "provenance.settings", "clock_offsets_s"}
"""Objects whose keys are names given by the user or by libraries."""


def described() -> dict[str, set[str]]:
    """Keys described under each heading of the page."""
    out: dict[str, set[str]] = {}
    heading = ""
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        if line.startswith("## "):
            heading = line.removeprefix("## ")
        row = re.match(r"\| `(\w+)` \| (\S.*) \|$", line)
        if row:
            out.setdefault(heading, set()).add(row.group(1))
    return out


def walk(value: Any, path: str, found: dict[str, set[str]]) -> None:
    """Collect the keys of every object, by the heading under which they must stand."""
    if isinstance(value, list):
        for item in value:
            walk(item, f"{path}[]", found)
    elif isinstance(value, dict) and path in FREE:
        for item in value.values():
            walk(item, f"{path}.*", found)
    elif isinstance(value, dict):
        keys = set(value)
        if keys >= QUANTITY:
            heading = "Quantity"
            if path == "clock_offsets_s.*":
                found.setdefault(path, set()).update(keys - QUANTITY - {"reason"})
                keys &= QUANTITY | {"reason"}
        else:
            heading = path or "Top level"
        found.setdefault(heading, set()).update(keys)
        for key, item in value.items():
            walk(item, f"{path}.{key}" if path else key, found)


@pytest.mark.parametrize("variant", ["full", "no_rig", "no_gps", "all_unknown", "empty"])
def test_every_key_is_described(variant: str, make_results: Callable[[str], Results]) -> None:
    found: dict[str, set[str]] = {}
    walk(json.loads(results_json(make_results(variant))), "", found)
    page = described()
    lacking = {place: keys - page.get(place, set()) for place, keys in found.items()}
    assert {place: keys for place, keys in lacking.items() if keys} == {}


def test_no_key_is_described_that_does_not_exist(make_results: Callable[[str], Results]) -> None:
    found: dict[str, set[str]] = {}
    walk(json.loads(results_json(make_results("full"))), "", found)
    left_over = {place: keys - found.get(place, set()) for place, keys in described().items()}
    assert {place: keys for place, keys in left_over.items() if keys} == {}
