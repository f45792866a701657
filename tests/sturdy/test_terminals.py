"""Whatever the locale, the terminal and the home: the same figures, readable, and no traceback."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from flightproc.cli import main
from flightproc.cli.show import print_json

from .breaking import ROOT, SAMPLE, environment
from .test_places import flightproc

pytestmark = pytest.mark.regression

BARE = {
    "PATH": os.environ.get("PATH", ""),
    "PYTHONPATH": str(ROOT),
    "LC_ALL": "C",
    "PYTHONUTF8": "0",
    "PYTHONCOERCECLOCALE": "0",
    "PYTHONIOENCODING": "ascii",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
}
"""No language, no home, no UTF-8."""
RIG = ("rig", SAMPLE / "rig.toml", "--aircraft", SAMPLE / "aircraft.toml", "-o", "out")


def test_no_locale_and_no_home(tmp_path: Path) -> None:
    done = flightproc(*RIG, folder=tmp_path, env=BARE)
    assert done.returncode == 0, done.stderr
    told = done.stdout.decode("ascii")
    assert "1.189 +- 0.007 kg/m^3" in told
    assert "?" not in told
    document = json.loads((tmp_path / "out" / "rig.json").read_text(encoding="utf-8"))
    done = flightproc(*RIG, "--json", folder=tmp_path, env=BARE)
    assert json.loads(done.stdout.decode("ascii")) == document


def test_a_whole_report_without_locale_is_the_same(tmp_path: Path) -> None:
    # a file opened in the locale's own encoding would come out otherwise on another machine
    words = ("-X", "warn_default_encoding", "-W", "always::EncodingWarning", "-m", "flightproc")
    done = subprocess.run(
        [sys.executable, *words, "report", str(SAMPLE / "sortie.toml"), "-o", "out"],
        cwd=tmp_path,
        env=BARE,
        capture_output=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    told = done.stderr.decode("utf-8", "replace").splitlines()
    assert "Traceback" not in done.stderr.decode("utf-8", "replace")
    ours = str(ROOT / "flightproc")
    assert [line for line in told if "EncodingWarning" in line and line.startswith(ours)] == []
    shown = done.stdout.decode("ascii")
    assert "N m/rad" in shown and "+-" in shown and "?" not in shown
    assert "±" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_errors_without_locale(tmp_path: Path) -> None:
    done = flightproc("rig", "prüf.toml", folder=tmp_path, env=BARE)
    assert done.returncode == 2 and done.stderr.startswith(b"flightproc: error: 1 fault in the sheets\n  pr")
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    "more",
    [{"TERM": "dumb"}, {"NO_COLOR": "1", "TERM": "xterm-256color"}, {"COLUMNS": "40"}, {"COLUMNS": "1"}],
    ids=str,
)
def test_poor_terminals(
    more: dict[str, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, value in more.items():
        monkeypatch.setenv(name, value)
    assert main([*map(str, RIG)]) == 0
    told = capsys.readouterr()
    assert told.err == "" and "\x1b" not in told.out
    if more.get("COLUMNS") != "1":
        assert "13.7" in re.findall(r"\d+\.\d+", told.out)


def test_fonts_and_their_cache_are_missing(tmp_path: Path) -> None:
    (tmp_path / "matplotlibrc").write_text("font.family: Nowhere Sans\nfont.sans-serif: Nowhere Sans\n")
    more = {"MATPLOTLIBRC": str(tmp_path / "matplotlibrc"), "MPLCONFIGDIR": "/proc/nothing/there"}
    done = flightproc(*RIG, folder=tmp_path, env=environment(**more))
    assert done.returncode == 0 and b"Traceback" not in done.stderr, done.stderr
    assert (tmp_path / "out" / "torque.png").stat().st_size > 10_000


def pipe(words: list[str], folder: Path, lines: int) -> tuple[int, bytes, bytes]:
    """Run a command whose reader goes after some lines."""
    call = [sys.executable, "-m", "flightproc", *words]
    process = subprocess.Popen(
        call, cwd=folder, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdout is not None and process.stderr is not None
    out = b"".join(process.stdout.readline() for _ in range(lines))
    process.stdout.close()
    err = process.stderr.read()
    process.stderr.close()
    return process.wait(timeout=60), out, err


@pytest.mark.skipif(os.name != "posix", reason="pipes of POSIX")
@pytest.mark.parametrize(("lines", "more"), [(1, []), (0, ["--json"])], ids=["tables", "json"])
def test_a_reader_that_goes_gets_no_complaint(lines: int, more: list[str], tmp_path: Path) -> None:
    code, out, err = pipe([*map(str, RIG), *more], tmp_path, lines)
    assert err == b""
    assert code in (0, 1, 141)  # 0 where all was in the pipe before the reader went; 1 is rich's word for it
    assert out.count(b"\n") == lines
    assert (tmp_path / "out" / "rig.json").is_file()


@pytest.mark.skipif(os.name != "posix", reason="streams of POSIX")
@pytest.mark.parametrize("closed", [">&-", "<&- >&- 2>&-"])
def test_closed_streams(closed: str, tmp_path: Path) -> None:
    words = " ".join(f"'{word}'" for word in map(str, RIG))
    done = subprocess.run(
        ["sh", "-c", f"exec {sys.executable} -m flightproc {words} {closed}"],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0 and done.stderr == b""
    assert (tmp_path / "out" / "rig.json").is_file()


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8"])
def test_json_stays_json_in_any_encoding(encoding: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import io

    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding=encoding))
    value = {"name": "prüf ± 日本 🙂", "path": "not \udcff utf-8"}
    print_json(json.dumps(value, ensure_ascii=False))
    sys.stdout.flush()
    assert json.loads(raw.getvalue().decode(encoding)) == value
