"""A batch with the true analysis, from the command line to the tables."""

from __future__ import annotations

import csv
import dataclasses
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from flightproc.batch import COLUMNS, Store
from flightproc.batch.schema import TABLE, result_rows
from flightproc.batch.tables import NO_PARQUET, write_tables
from flightproc.batch.work import Outcome
from flightproc.cli import main
from flightproc.quantity import Quantity
from flightproc.results import ComparisonRow, HoldResult

from .conftest import ROOT, SAMPLE, environment

pytestmark = pytest.mark.synthetic


@dataclasses.dataclass
class Season:
    """A season of two good sorties and two bad ones, analysed."""

    base: Path
    printed: dict[str, Any]
    err: str

    @property
    def out(self) -> Path:
        return self.base / "ergebnisse für alle"

    def run(self, *options: str) -> subprocess.CompletedProcess[str]:
        return run(self.base, *options)

    def documents(self) -> dict[str, dict[str, Any]]:
        """Return the stored results, by sortie."""
        store = Store(self.out)
        found = {item["sortie"]: store.read(item["key"]) for item in self.printed["sorties"] if item["key"]}
        return {sortie: item for sortie, item in found.items() if item is not None}


def run(base: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable,
        "-m",
        "flightproc",
        "batch",
        "2026 – été",
        "-o",
        "ergebnisse für alle",
        *options,
    ]
    return subprocess.run(
        command, cwd=base, env=environment(), capture_output=True, text=True, encoding="utf-8", timeout=300
    )


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    """Run the command once: odd names, a bad log, a bad sheet, folders that may not be written."""
    base = tmp_path_factory.mktemp("season")
    flights = base / "2026 – été"
    names = ["first evening", "Übung #2", "bad log", "bad sheet"]
    for name in names:
        folder = flights / name
        folder.mkdir(parents=True)
        for path in SAMPLE.iterdir():
            (folder / path.name).write_bytes(path.read_bytes())
    sheet = flights / "Übung #2" / "sortie.toml"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("calm morning", "Übung"), encoding="utf-8")
    (flights / "bad log" / "unit.ulg").write_bytes(b"x" * 100)
    (flights / "bad sheet" / "sortie.toml").write_bytes(b"title = 5\n[[logs]]\n")
    before = {path: path.stat().st_mtime_ns for path in flights.rglob("*")}
    for path in (*flights.rglob("*"), flights):
        path.chmod(0o555 if path.is_dir() else 0o444)
    done = run(base, "--json", "--jobs", "2")
    assert done.returncode == 1, done.stderr
    assert {path: path.stat().st_mtime_ns for path in flights.rglob("*")} == before
    return Season(base, json.loads(done.stdout), done.stderr)


def test_good_sorties_are_done_and_bad_ones_told(season: Season) -> None:
    assert season.printed["counts"] == {"done": 2, "kept": 0, "failed": 2, "stopped": 0}
    assert season.printed == json.loads((season.out / "batch.json").read_text(encoding="utf-8"))
    assert "Traceback" not in season.err
    for item in season.printed["sorties"]:
        if item["failure"] is not None:
            assert item["failure"]["words"] in season.err
    assert "4 of 4 sorties (2 failed)" in season.err


def test_the_table_holds_what_the_results_hold(season: Season) -> None:
    table = pd.read_parquet(season.out / "results.parquet")
    assert list(table.columns) == [name for name, _ in TABLE]
    assert set(table["row"]) == {"sortie", "hold", "setting"}
    documents = season.documents()
    assert len(documents) == 2
    for sortie, found in documents.items():
        document = found["results"]
        mine = table[table["sortie"] == sortie]
        for kind, entries in (("hold", document["holds"]), ("setting", document["comparison"])):
            rows = mine[mine["row"] == kind]
            assert len(rows) == len(entries) > 0
            for (_, row), entry in zip(rows.iterrows(), entries, strict=True):
                compare(row, entry)
        (sortie_row,) = (row for _, row in mine[mine["row"] == "sortie"].iterrows())
        assert sortie_row["state"] == "done"
        assert (
            sortie_row["hang_stiffness_N_m_rad"] == document["calibration"]["hang_stiffness_N_m_rad"]["value"]
        )
        assert sortie_row["sortie_torque_ratio_low95"] == document["trace"]["torque_ratio"]["low95"]
        assert sortie_row["start_utc"] == pd.Timestamp(document["time_base"]["start_utc"])
        assert sortie_row["cpu_s"] > 0.5 and 50.0 < sortie_row["memory_MB"] < 1000.0
    failed = table[table["state"] == "failed"]
    assert len(failed) == 2 and failed["failure"].str.len().min() > 20


def compare(row: pd.Series, entry: dict[str, Any]) -> None:
    """Hold a row against an entry of results.json: every number the same to the last digit."""
    for field, value in entry.items():
        if isinstance(value, dict):
            for ending, part in (("", "value"), ("_std", "std"), ("_low95", "low95"), ("_high95", "high95")):
                cell = row[field + ending]
                assert pd.isna(cell) if value[part] is None else cell == value[part], field
        elif field == "holds":
            assert row[field] == " ".join(str(number + 1) for number in value)
        else:
            assert pd.isna(row[field]) if value is None else row[field] == value, field


def test_types_are_those_told(season: Season) -> None:
    from pyarrow import parquet

    schema = parquet.read_schema(season.out / "results.parquet")
    kinds = {
        "text": "string",
        "whole": "int32",
        "number": "double",
        "flag": "bool",
        "time": "timestamp[ms, tz=UTC]",
    }
    assert {field.name: str(field.type) for field in schema} == {name: kinds[kind] for name, kind in TABLE}


def test_the_summary_has_a_line_a_sortie(season: Season) -> None:
    with (season.out / "summary.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["state"] for row in rows] == ["failed", "failed", "done", "done"]
    assert [Path(row["sortie"]).parent.name for row in rows] == [
        "bad log",
        "bad sheet",
        "first evening",
        "Übung #2",
    ]
    for row in rows[2:]:
        ratio = season.documents()[row["sortie"]]["results"]["trace"]["torque_ratio"]
        assert float(row["sortie_torque_ratio"]) == ratio["value"]


def test_a_report_is_written_once_more_only_where_it_is_missing(season: Season) -> None:
    (season.base / "2026 – été" / "first evening").chmod(0o755)
    for path in (season.base / "2026 – été").rglob("*"):
        path.chmod(0o755 if path.is_dir() else 0o644)
    one = str(season.base / "2026 – été" / "first evening")
    out = ["-o", str(season.out), "--quiet", "--report"]
    stored = {path: path.read_bytes() for path in season.out.glob("store/*/*.gz")}
    assert main(["batch", one, *out]) == 0
    page = season.out / "reports" / "sortie" / "report.html"
    written = page.stat().st_mtime_ns
    assert main(["batch", one, *out]) == 0
    assert page.stat().st_mtime_ns == written
    assert {path: path.read_bytes() for path in season.out.glob("store/*/*.gz")} == stored


def test_without_pyarrow_the_table_is_csv(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    store = Store(tmp_path)
    (sortie, found) = next(iter(season.documents().items()))
    store.write(found["key"], {name: found[name] for name in ("key", "made", "results")})
    (tmp_path / "results.parquet").touch()
    files, words = write_tables(store, [Outcome(sortie, "kept", found["key"])])
    assert words == (NO_PARQUET,)
    assert [path.name for path in files] == ["results.csv", "summary.csv", "batch.json"]
    assert not (tmp_path / "results.parquet").exists()
    with (tmp_path / "results.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    expected = list(result_rows(sortie, found["key"], found["results"], found["made"]))
    assert len(rows) == len(expected)
    for row, told in zip(rows, expected, strict=True):
        for name, kind in TABLE:
            value = told.get(name)
            if value is None:
                assert row[name] == ""
            elif kind == "number":
                assert float(row[name]) == value
            elif kind == "flag":
                assert row[name] == str(value).lower()
            elif kind != "time":
                assert row[name].replace("\r\n", "\n") == str(value)


def test_no_field_of_a_hold_or_setting_is_left_out() -> None:
    nothing = Quantity.unknown("", "nothing")
    for kind, rows in ((HoldResult, "hold"), (ComparisonRow, "setting")):
        fields: dict[str, Any] = {item.name: nothing for item in dataclasses.fields(kind)}
        fields |= {name: 0.0 for name in ("start", "end") if name in fields}
        fields |= {"holds": ()} if "holds" in fields else {}
        said = set(kind(**fields).to_json())
        assert said == {c.name for c in COLUMNS if rows in c.rows} - {
            "row",
            "sortie",
            "key",
            "title",
            "aircraft",
            "glider",
            "start_utc",
            "number",
        }


def test_the_page_tells_every_column() -> None:
    page = (ROOT / "docs" / "batch.md").read_text(encoding="utf-8")
    told = re.findall(r"^\| `(\w+)` \| (\w+) \| ([\w, ]+) \| (.+) \|$", page, flags=re.M)
    assert told == [(c.name, c.kind, ", ".join(c.rows), c.words) for c in COLUMNS]


def test_bad_calls_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    empty, file = tmp_path / "empty", tmp_path / "file"
    empty.mkdir()
    file.touch()
    for options, words in (
        ([str(empty)], "no sortie sheet is there"),
        ([str(tmp_path / "gone")], "there is no such folder"),
        ([str(SAMPLE), "-o", str(file)], "this is a file, not a folder"),
        ([str(SAMPLE), "-o", str(tmp_path / "o"), "--memory", "lots"], "--memory is not an amount"),
        (
            [str(SAMPLE), "--scheduler", "tcp://h:1", "--jobs", "2"],
            "are for this machine",
        ),
    ):
        assert main(["batch", *options]) == 2
        err = capsys.readouterr().err
        assert words in err and err.startswith("flightproc: error: ")
    assert main(["batch", str(SAMPLE), "--jobs", "0"]) == 2
