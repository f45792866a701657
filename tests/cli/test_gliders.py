"""``flightproc gliders`` from results to page, figures, table and JSON."""

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from flightproc.cli import main
from flightproc.cli.app import build_app

from ..compare.glider_factory import document

pytestmark = pytest.mark.synthetic

ROOT = Path(__file__).parents[2]
WINGS = (
    {
        "glider": "school wing 28",
        "area": 28.0,
        "span": 11.8,
        "mass": 110.0,
        "wing_class": "beginner",
        "highest": 140.0,
    },
    {
        "glider": "school wing 28",
        "area": 28.0,
        "span": 11.8,
        "mass": 136.0,
        "wing_class": "beginner",
        "highest": 140.0,
    },
    {"glider": "touring wing 25", "area": 25.0, "span": 11.6, "mass": 112.0, "wing_class": "intermediate"},
    {
        "glider": "fast wing 20",
        "area": 20.0,
        "span": 10.6,
        "mass": 110.0,
        "wing_class": "advanced",
        "highest": 105.0,
    },
    {"glider": "slalom wing 17", "area": 17.0, "span": 9.9, "mass": 108.0, "coefficient": 4.5},
    {"glider": "old wing 30", "area": 30.0, "span": 11.0, "mass": 105.0, "ballast_holds": 0},
)
QUANTITY = {"value", "std", "low95", "high95"}


def run(*arguments):
    return CliRunner().invoke(build_app(), ["gliders", *map(str, arguments)])


def lay_out(folder, specs):
    rng = np.random.default_rng(3)
    for number, spec in enumerate(specs):
        path = folder / f"sortie {number}" / "results.json"
        path.parent.mkdir(parents=True)
        path.write_text(json.dumps(document(rng, **spec)))
    return folder


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gliders")
    result = run(lay_out(folder / "in", WINGS), "-o", folder / "out", "--mass", 100, "--mass", 130)
    assert result.exit_code == 0, result.output
    return folder, result.output


def test_everything_is_written(done):
    folder, text = done
    names = {str(path.relative_to(folder / "out")) for path in (folder / "out").rglob("*.*")}
    assert names == {
        *(f"figures/{n}.{kind}" for n in ("response", "panels") for kind in ("png", "svg")),
        *("gliders.html", "gliders.json", "gliders.csv"),
    }
    for words in ("5 gliders, 6 sorties", "beginner's wing", "overloaded wing", "caution", "gliders.html"):
        assert words in text


def test_page_shows_figures_tables_and_cautions(done):
    page = (done[0] / "out" / "gliders.html").read_text()
    assert page.count("<svg ") == 2 and page.count("<table>") == 4
    for words in ("slalom wing 17", "not measured", "overloaded", "Own share", "The answer"):
        assert words in page
    assert not re.search(r"(src|href)=\"(?!#)", page), "the page must need nothing but itself"
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    for target in re.findall(r'href="#([^"]+)"', page):
        assert target in ids


def test_table_has_a_row_for_each_glider(done):
    with (done[0] / "out" / "gliders.csv").open() as file:
        rows = list(csv.DictReader(file))
    document_ = json.loads((done[0] / "out" / "gliders.json").read_text())
    assert [row["name"] for row in rows] == [item["name"] for item in document_["gliders"]]
    known = next(row for row in rows if row["name"] == "fast wing 20")
    low, value, high = (float(known[f"turn_per_moment_deg_s_N_m{e}"]) for e in ("_low95", "", "_high95"))
    assert low < value < high
    assert next(row for row in rows if row["name"] == "old wing 30")["turn_coefficient"] == ""


def _walk(value, path, found):
    if isinstance(value, list):
        for item in value:
            _walk(item, f"{path}[]", found)
    elif isinstance(value, dict) and not set(value) >= QUANTITY:
        found.setdefault(path or "Top level", set()).update(value)
        for key, item in value.items():
            _walk(item, f"{path}.{key}" if path else key, found)


def test_the_page_of_docs_describes_every_field_and_no_other(tmp_path):
    extra = [
        *WINGS,
        {"glider": "mid wing 23", "area": 23.0, "span": 11.0, "mass": 111.0},
        {"glider": "tandem wing 40", "area": 40.0, "span": 14.2, "mass": 190.0},
    ]
    result = run(lay_out(tmp_path / "in", extra), "-o", tmp_path / "out", "--json")
    assert result.exit_code == 0, result.output
    found: dict[str, set[str]] = {}
    document_ = json.loads(result.stdout)
    assert document_["trend"] is not None and document_["pooled"] is True
    _walk(document_, "", found)
    described: dict[str, set[str]] = {}
    heading = ""
    for line in (ROOT / "docs" / "gliders.md").read_text().splitlines():
        if line.startswith("### "):
            heading = line.removeprefix("### ")
        if row := re.match(r"\| `(\w+)` \| \S.* \|$", line):
            described.setdefault(heading, set()).add(row.group(1))
    assert described == found


def test_json_alone_on_standard_output_and_quiet_prints_nothing(tmp_path):
    folder = lay_out(tmp_path / "in", WINGS[:1])
    result = run(folder, "-o", tmp_path / "out", "--json")
    assert json.loads(result.stdout)["schema"] == "flightproc-gliders/1"
    assert run(folder, "-o", tmp_path / "out", "-q").output == ""


def test_the_page_alone(tmp_path):
    folder = lay_out(tmp_path / "in", WINGS[:2])
    assert run(folder, "--html", tmp_path / "new" / "page.html", "-q").exit_code == 0
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["page.html"]


def test_all_faults_come_at_once_and_nothing_is_written(tmp_path, capsys):
    (tmp_path / "bad.json").write_text("{")
    code = main(["gliders", str(tmp_path / "bad.json"), str(tmp_path / "none"), "-o", str(tmp_path / "out")])
    text = capsys.readouterr().err
    assert code == 2 and "2 faults" in text and "bad.json" in text and "none" in text
    assert "Traceback" not in text and not (tmp_path / "out").exists()


def test_a_folder_as_page_is_refused(tmp_path, capsys):
    folder = lay_out(tmp_path / "in", WINGS[:1])
    assert main(["gliders", str(folder), "--html", str(tmp_path)]) == 2
    assert "folder" in capsys.readouterr().err


def test_help_has_a_worked_example():
    text = run("--help").output
    assert "flightproc gliders wing28 wing25 wing20" in text and "Exit code" in text
