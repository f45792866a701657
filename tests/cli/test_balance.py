"""``flightproc balance``."""

from __future__ import annotations

import importlib.util
import json
import re
import sys
from pathlib import Path

import pytest

from flightproc.cli import main
from flightproc.errors import SheetError
from flightproc.sheets import load_balance
from flightproc.sheets.template import template

pytestmark = pytest.mark.synthetic

DOCS = Path(__file__).parents[2] / "docs" / "balance.md"


@pytest.fixture
def results(tmp_path):
    """Write results.json of a made-up sortie and return its path."""
    name = "flightproc_decide_conftest"
    if name not in sys.modules:
        place = Path(__file__).parents[1] / "decide" / "conftest.py"
        spec = importlib.util.spec_from_file_location(name, place)
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    path = tmp_path / "results.json"
    path.write_text(json.dumps(sys.modules[name].document()), encoding="utf-8")
    return path


SHEET = """\
draws = 600
[[gliders]]
name = "as flown"
[[gliders]]
name = "<b>light"
hung_mass_kg = 70
[hang_offset]
[surface]
"""


def test_writes_page_figures_and_json_with_cautions(results, tmp_path, capsys):
    sheet = tmp_path / "balance.toml"
    sheet.write_text(SHEET)
    out = tmp_path / "out"
    assert main(["balance", str(results), "--sheet", str(sheet), "-o", str(out)]) == 0
    told = capsys.readouterr().out
    assert "hang points moved" in told and "caution" in told and "frame's maker" in told
    page = (out / "balance.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 2 and "Cautions" in page and "<b>light" not in page
    assert "://" not in re.sub(r"<svg.*?</svg>", "", page, flags=re.S)
    data = json.loads((out / "balance.json").read_text())
    assert [option["key"] for option in data["options"]] == ["now", "hang_offset", "surface", "mix"]
    assert data["cautions"] and not data["sheet_assumed"]
    assert {p.name for p in (out / "figures").iterdir()} == {
        "range.svg", "range.png", "options.svg", "options.png",
    }  # fmt: skip


def test_prints_json_alone_and_takes_the_folder_of_a_report(results, tmp_path, capsys):
    sheet = tmp_path / "b.toml"
    sheet.write_text("draws = 500\n[hang_offset]\n")
    args = ["balance", str(results.parent), "--sheet", str(sheet), "-o", str(tmp_path / "o"), "--json"]
    assert main(args) == 0
    printed = capsys.readouterr().out
    assert json.loads(printed)["schema"] == "flightproc-balance/1"
    assert printed == (tmp_path / "o" / "balance.json").read_text(encoding="utf-8")


def test_every_key_of_the_json_is_described(results, tmp_path, capsys):
    assert main(["balance", str(results), "-o", str(tmp_path / "o"), "--json"]) == 0
    page = DOCS.read_text(encoding="utf-8")

    def look(value):
        if isinstance(value, list):
            for item in value:
                look(item)
        elif isinstance(value, dict) and not {"value", "low95"} <= set(value):
            for key, item in value.items():
                assert f"`{key}`" in page, key
                look(item)

    look(json.loads(capsys.readouterr().out))


def test_faults_of_results_and_sheets_are_told_together(results, tmp_path, capsys):
    data = json.loads(results.read_text())
    data["loading"]["flat_span_m"] = None
    results.write_text(json.dumps(data))
    sheet = tmp_path / "balance.toml"
    sheet.write_text(
        'aim = "both"\n[[gliders]]\nsheet = "gone.toml"\n[hang_offset]\nlimit_m = 3\nlimit_mm = 3\n'
    )
    out = tmp_path / "out"
    assert main(["balance", str(results), "--sheet", str(sheet), "-o", str(out)]) == 2
    told = capsys.readouterr().err
    for word in ("flat_span_m", "aim", "gone.toml", "limit_m ", "limit_mm"):
        assert word in told, word
    assert "5 faults" in told and "Traceback" not in told and not out.exists()


def test_help_holds_a_worked_example(capsys):
    assert main(["balance", "--help"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "flightproc balance report/results.json --sheet" in told and "neither building nor flying" in told


def test_the_template_is_a_sheet_as_it_is(tmp_path, capsys):
    assert main(["new", str(tmp_path / "f"), "--balance"]) == 0
    assert "frame maker" in capsys.readouterr().out
    path = tmp_path / "f" / "balance.toml"
    sheet = load_balance(path).sheet
    assert sheet.hang_offset is not None and sheet.surface is None
    assert main(["new", str(tmp_path / "f"), "--balance"]) == 2
    bare = re.sub(r"^#(?=[\w\[])", "", template("balance"), flags=re.M)
    path.write_text(bare.replace('sheet = "glider.toml"', ""))
    full = load_balance(path).sheet
    assert full.surface is not None and full.thrust is not None and len(full.phases) == 1


def test_a_sheet_that_allows_nothing_or_weighs_nothing_is_refused(tmp_path):
    path = tmp_path / "b.toml"
    path.write_text(
        '[[phases]]\nname = "a"\nweight = 0\n[[phases]]\nname = "a"\nweight = 0\n[[gliders]]\nweight = 0\n'
    )
    with pytest.raises(SheetError) as caught:
        load_balance(path)
    fields = sorted(fault.field for fault in caught.value.faults)
    assert fields == ["hang_offset", "name", "weight", "weight"]
