"""rig.json and its page agree."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from flightproc.rig import compare_days, reduce_rig, rig_document
from flightproc.sheets import load_rig

pytestmark = pytest.mark.regression

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "rig-json.md").read_text(encoding="utf-8")


def told(head: str) -> set[str]:
    """Return the fields that one table of the page tells of."""
    part = PAGE.split(head, 1)[1].split("\n## ", 1)[0]
    first = [line.split("|")[1] for line in part.splitlines() if line.startswith("| `")]
    return {name for cell in first for name in re.findall(r"`(\w+)`", cell)}


def test_page_tells_of_every_field_and_of_no_other():
    sheet = load_rig(ROOT / "sample_logs" / "school-wing-28" / "rig.toml")
    curve = reduce_rig(sheet, gear_ratio=2.8, diameter=1.28)
    whole = rig_document([curve, curve], compare_days([curve, curve]))
    day = whole["days"][0]
    for head, found in (
        ("# rig.json", whole),
        ("## days[]", day),
        ("## points[]", day["points"][0]),
        ("## fits[]", day["fits"][0]),
        ("## comparison", whole["comparison"]),
    ):
        assert told(head) == set(found), head
    for name in (*day["band"], *whole["comparison"]["pairs"][0], *whole["comparison"]["combined"]):
        assert f"`{name}`" in PAGE
