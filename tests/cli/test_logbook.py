"""``flightproc logbook``: what it keeps, prints and refuses."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from flightproc.cli import main
from flightproc.errors import EstimateError
from flightproc.logbook import gather

from ..logbook.factory import document
from ..report import factory

pytestmark = pytest.mark.synthetic

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "school-wing-28"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder for the logbook, named by the environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("FLIGHTPROC_LOGBOOK", str(tmp_path / "book"))
    return tmp_path / "book"


@pytest.fixture
def sheets(tmp_path: Path) -> Callable[[str], Path]:
    """Copy the sheets of the sample beside logs that need not be read."""

    def make(name: str, title: str | None = None) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        for path in SAMPLE.glob("*.toml"):
            (folder / path.name).write_text(path.read_text())
        for log in ("unit.ulg", "gps.gpx", "engine.csv"):
            (folder / log).write_bytes(f"{name} {log}".encode())
        sheet = folder / "sortie.toml"
        if title is not None:
            sheet.write_text(sheet.read_text().replace("School wing 28 on training frame A", title))
        return sheet

    return make


@pytest.fixture
def analysis(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Put results made by hand, with the hashes of the files asked for, in the place of the analysis."""
    asked: list[Path] = []

    def analyse(sheet: Path, *, progress: Callable[[str, float], None] | None = None) -> Any:
        from dataclasses import replace

        from flightproc.results import InputFile

        asked.append(sheet)
        found = gather(sheet)
        if "hopeless" in found.entry.title:
            raise EstimateError("no power hold was found", hint="fly 60 s straight")
        if progress is not None:
            progress("reading the logs", 0.5)
        made = factory.VARIANTS["full"]()
        inputs = tuple(InputFile(f.path, f.role, f.sha256, f.size) for f in found.entry.files)
        return replace(made, provenance=replace(made.provenance, version="0.1.0", inputs=inputs))

    stand_in = ModuleType("flightproc.analysis")
    stand_in.analyse = analyse  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "flightproc.analysis", stand_in)
    return asked


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Iterator[Callable[..., tuple[int, str, str]]]:
    def call(*arguments: object) -> tuple[int, str, str]:
        code = main(["logbook", *map(str, arguments)])
        told = capsys.readouterr()
        assert "Traceback" not in told.err and "\x1b" not in told.out
        return code, told.out, told.err

    yield call


Run = Callable[..., tuple[int, str, str]]


def test_add_list_show(place: Path, sheets: Callable[..., Path], analysis: list[Path], run: Run) -> None:
    first, second = sheets("one"), sheets("two", "Evening")
    code, out, err = run("add", first, second)
    assert (code, err) == (0, "")
    assert out.splitlines() == [
        f"{first}: added as sortie 1: new sortie, result",
        f"{second}: added as sortie 2: new sortie, result",
        f"logbook  {place / 'logbook.sqlite'}",
    ]
    code, out, _ = run("add", first)
    assert "already in the logbook as sortie 1; nothing was added" in out
    assert len(analysis) == 2, "what is there is not analysed again"
    code, out, _ = run("list")
    assert code == 0 and "Evening" in out and max(map(len, out.splitlines()[:-1])) <= 80
    assert [line.split()[0] for line in out.splitlines() if line[:3].strip().isdigit()] == ["2", "1"]
    assert "Evening" in run("list", "--text", "evening")[1]
    assert "no sortie fits" in run("list", "--glider", "slalom")[1]
    assert "no sortie fits" in run("list", "--until", "2026-04")[1]
    assert "Evening" in run("list", "--since", "2026", "--until", "2026-05", "--aircraft", "frame a")[1]
    code, out, _ = run("show", 2)
    assert code == 0
    for words in ("2  Evening", "22.6 [19.0, 26.2]", "0.97 [0.83, 1.12]", "unit.ulg", "caution"):
        assert words in out
    shown = json.loads(run("show", 2, "--json")[1])
    assert shown["document"]["schema"] == "flightproc-results/1"
    assert shown["sets"][0]["files"][4]["path"] == "unit.ulg"
    listed = json.loads(run("list", "--json")[1])
    assert [row["id"] for row in listed["sorties"]] == [2, 1]


def test_files_come_out_and_the_report_is_made_anew(
    place: Path, sheets: Callable[..., Path], analysis: list[Path], run: Run, tmp_path: Path
) -> None:
    sheet = sheets("one")
    assert run("add", sheet, "--with-report")[0] == 0
    code, out, _ = run("show", 1, "-o", "out", "--report", "again")
    assert code == 0 and str(Path("out") / "sortie.toml") in out
    files = {path.relative_to(tmp_path / "out").as_posix() for path in (tmp_path / "out").rglob("*.*")}
    assert files == {
        *("sortie.toml", "aircraft.toml", "glider.toml", "rig.toml", "unit.ulg", "gps.gpx", "engine.csv"),
        *("report/results.json", "report/report.html", "report/holds.csv"),
    }
    assert (tmp_path / "out" / "unit.ulg").read_bytes() == b"one unit.ulg"
    assert (tmp_path / "again" / "report.html").is_file()
    assert run("show", 1, "--set", 2)[0] == 2
    assert "no sortie of this number" in run("show", 7)[2]


def test_results_may_be_given_or_left_out(
    place: Path, sheets: Callable[..., Path], run: Run, tmp_path: Path
) -> None:
    sheet = sheets("one")
    _, out, _ = run("add", sheet, "--store-only", "--json")
    assert json.loads(out)["added"] == [
        {
            "sheet": str(sheet),
            "sortie": 1,
            "set": 1,
            "new_sortie": True,
            "new_set": True,
            "new_results": 0,
            "new_files": 0,
        }
    ]
    assert "none yet" in run("show", 1)[1]
    report = tmp_path / "report"
    report.mkdir()
    (report / "results.json").write_bytes(document(gather(sheet)))
    (report / "report.html").write_text("page")
    assert (
        "added as sortie 1: new result, 1 files with the result" in run("add", sheet, "--results", report)[1]
    )
    assert "kept with it: report.html" in run("show", 1)[1]
    (report / "results.json").write_bytes(document(gather(sheets("two"))))
    assert "not made from these sheets and logs" in run("add", sheet, "--results", report / "results.json")[2]
    assert "cannot be read" in run("add", sheet, "--results", tmp_path / "none.json")[2]
    assert run("add", sheet, sheet, "--results", report)[0] == 2
    assert run("add", sheet, "--store-only", "--with-report")[0] == 2


def test_all_faults_together_and_nothing_added(place: Path, sheets: Callable[..., Path], run: Run) -> None:
    good, bad, worse = sheets("one"), sheets("two"), sheets("three")
    bad.write_text(bad.read_text().replace('role = "gps"', 'role = "gsp"'))
    (worse.parent / "glider.toml").write_text("")
    code, out, err = run("add", good, bad, worse, "absent.toml")
    assert (code, out) == (2, "") and not place.exists()
    assert '"gsp"' in err and "glider.toml" in err and "absent.toml" in err


def test_one_that_cannot_be_analysed_does_not_stop_the_others(
    place: Path, sheets: Callable[..., Path], analysis: list[Path], run: Run
) -> None:
    code, out, err = run("add", sheets("one", "hopeless"), sheets("two"))
    assert code == 2 and "two/sortie.toml: added as sortie 1" in out.replace("\\", "/")
    assert err.startswith("flightproc: error: no power hold was found")
    assert len(json.loads(run("list", "--json")[1])["sorties"]) == 1


def test_export_import_check_remove(
    place: Path, sheets: Callable[..., Path], analysis: list[Path], run: Run, tmp_path: Path
) -> None:
    assert run("add", sheets("one"), sheets("two"), "--quiet") == (0, "", "")
    code, out, _ = run("export", "all.zip")
    assert code == 0 and "2 sets of sheets and logs, 2 results" in out
    code, out, _ = run("import", "all.zip", "--logbook", f"sqlite:///{tmp_path}/other.db")
    assert code == 0 and "new: 2 sorties, 2 sets, 2 results" in out
    assert json.loads(run("import", "all.zip", "--json")[1])["new_sorties"] == 0
    assert "no such file" in run("import", "none.zip")[2]
    code, out, _ = run("check")
    assert code == 0 and out.startswith("sound: 2 sorties, 2 results")
    code, out, _ = run("check", "--again")
    assert code == 0 and out.count("the same again") == 2
    assert json.loads(run("check", "--json")[1])["sound"] is True
    code, _, err = run("remove", 1)
    assert code == 2 and "nothing was removed" in err
    assert run("remove", 1, "--yes")[0] == 0
    assert json.loads(run("remove", 2, "--yes", "--json")[1]) == {"removed": 2}
    assert list((place / "logbook-files").glob("??/*")) == []


def test_check_tells_damage_and_repairs_leftovers(place: Path, sheets: Callable[..., Path], run: Run) -> None:
    sheet = sheets("one")
    run("add", sheet, "--store-only")
    unit = gather(sheet).entry.file("unit").sha256
    folder = place / "logbook-files"
    (folder / unit[:2] / unit).write_bytes(b"torn")
    (folder / "00").mkdir(exist_ok=True)
    (folder / "00" / ("0" * 64)).write_bytes(b"left over")
    code, out, _ = run("check")
    assert code == 2 and "lost     unit.ulg" in out and "leftover 0000" in out and "not sound" in out
    code, out, err = run("export", "x.zip")
    assert code == 2 and "unit.ulg" in err
    code, out, _ = run("check", "--repair")
    assert "mended   0000" in out and not (folder / "00" / ("0" * 64)).exists()
    assert run("add", sheet, "--store-only")[0] == 0
    assert run("check")[0] == 0


@pytest.mark.parametrize(
    "command", [["list"], ["show", "1"], ["export", "x.zip"], ["check"], ["remove", "1"]]
)
def test_without_a_logbook_there_is_one_clear_error(place: Path, run: Run, command: list[str]) -> None:
    code, out, err = run(*command)
    assert (code, out) == (2, "") and "there is no logbook here yet" in err and not place.exists()


def test_a_day_that_is_none_is_refused(place: Path, run: Run) -> None:
    code, _, err = run("list", "--since", "May")
    assert code == 2 and "2026-05-14" in err


def test_help_does_not_load_the_database() -> None:
    script = (
        "import sys; from flightproc.cli import main; code = main(['logbook', 'add', '--help']); "
        "heavy = {'sqlalchemy', 'psycopg', 'scipy'} & set(sys.modules); sys.exit(code or bool(heavy))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "SORTIE.toml" in done.stdout
