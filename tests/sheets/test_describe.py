"""The page of the sheets is that of the models."""

from __future__ import annotations

from pathlib import Path

import pytest

from flightproc.sheets.describe import describe_sheets
from flightproc.sheets.tables import nested_tables
from flightproc.sheets.template import SHEETS

pytestmark = pytest.mark.synthetic

PAGE = Path(__file__).parents[2] / "docs" / "sheets.md"


def test_page_is_up_to_date():
    assert PAGE.read_text(encoding="utf-8") == describe_sheets(), "run: python docs/make_docs.py"


def test_every_field_has_a_row():
    page = describe_sheets()

    def look(kind):
        for name in kind.model_fields:
            info = kind.info(name)
            assert f"| `{name}` | {info.unit} | {info.meaning} |" in page
        for inner, _ in nested_tables(kind).values():
            look(inner)

    for kind in SHEETS.values():
        look(kind)
