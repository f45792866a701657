"""``flightproc report``: what it prints, where it writes, how it fails."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from flightproc.cli import main
from flightproc.errors import EstimateError
from flightproc.results import Results

from ..report import factory

pytestmark = pytest.mark.synthetic


@pytest.fixture
def analysis(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[str | Exception], list[str]]:
    """Put results made by hand in the place of the analysis; the list returned tells the sheets asked for."""

    def put(outcome: str | Exception) -> list[str]:
        asked: list[str] = []

        def analyse(sheet: Path, *, progress: Callable[[str, float], None] | None = None) -> Results:
            asked.append(str(sheet))
            if progress is not None:
                progress("reading the logs", 0.5)
            if isinstance(outcome, Exception):
                raise outcome
            made = factory.VARIANTS[outcome]()
            assert isinstance(made, Results)
            return made

        stand_in = ModuleType("flightproc.analysis")
        stand_in.analyse = analyse  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "flightproc.analysis", stand_in)
        return asked

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return put


def test_summary(
    analysis: Callable[[str | Exception], list[str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = analysis("full")
    assert main(["report", "evening.toml", "-o", "out"]) == 0
    printed = capsys.readouterr()
    assert asked == ["evening.toml"]
    assert (tmp_path / "out" / "report.html").is_file()
    assert printed.err == ""
    assert "\x1b" not in printed.out
    assert max(len(line) for line in printed.out.splitlines()) <= 80
    table = [line.split() for line in printed.out.splitlines() if line.lstrip().startswith("7600 ")]
    assert table == [
        ["7600", "9.7", "22.6", "[19.0,", "26.2]", "23.2", "[22.0,", "24.4]", "0.97", "[0.83,", "1.12]"]
    ]
    for piece in (
        "At 7600 1/min in flight",
        "8 power, 5 glide, 4 ballast; 5 stretches turned down",
        "488 ± 28 N m/rad",
        "2.8 m/s from 318 deg",
        "cut in the middle",
        "caution",
    ):
        assert piece in printed.out
    assert printed.out.rstrip().endswith(f"report  {Path('out') / 'report.html'}")


def test_folder_is_named_after_the_sheet(
    analysis: Callable[[str | Exception], list[str]], tmp_path: Path
) -> None:
    analysis("empty")
    assert main(["report", "logs/evening.toml", "--quiet"]) == 0
    assert (tmp_path / "evening-report" / "results.json").is_file()


@pytest.mark.parametrize("variant", ["no_gps", "all_unknown", "empty"])
def test_summary_of_poor_results(
    variant: str, analysis: Callable[[str | Exception], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    analysis(variant)
    assert main(["report", "evening.toml"]) == 0
    out = capsys.readouterr().out
    assert "evening-report" in out
    assert "nan" not in out and "None" not in out


def test_json_is_the_file_that_is_written(
    analysis: Callable[[str | Exception], list[str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    analysis("all_unknown")
    assert main(["report", "evening.toml", "-o", "out", "--json"]) == 0
    out = capsys.readouterr().out
    assert out == (tmp_path / "out" / "results.json").read_text(encoding="utf-8")
    assert json.loads(out)["schema"] == "flightproc-results/1"


def test_quiet_prints_nothing(
    analysis: Callable[[str | Exception], list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    analysis("empty")
    assert main(["report", "evening.toml", "-o", "out", "-q"]) == 0
    assert capsys.readouterr() == ("", "")


def test_analysis_that_fails_is_told_in_one_line(
    analysis: Callable[[str | Exception], list[str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    analysis(EstimateError("no glide was found", where="evening.toml", hint="fly one"))
    assert main(["report", "evening.toml", "-o", "out"]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err == "flightproc: error: evening.toml: no glide was found. Try: fly one\n"
    assert not (tmp_path / "out").exists()


def test_unusable_folder_is_told_before_the_analysis(
    analysis: Callable[[str | Exception], list[str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = analysis("empty")
    (tmp_path / "out").write_text("a file")
    assert main(["report", "evening.toml", "-o", "out"]) == 2
    assert "not a folder" in capsys.readouterr().err
    assert asked == []


def test_bar_is_shown_on_a_terminal_only(
    analysis: Callable[[str | Exception], list[str]],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    analysis("empty")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    assert main(["report", "evening.toml", "-o", "out", "--json"]) == 0
    printed = capsys.readouterr()
    assert "%" in printed.err
    assert printed.out.startswith("{")
