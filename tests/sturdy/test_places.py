"""Where a command cannot write, or names are odd: one clear error and nothing left, or the work done."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from flightproc.cli import main

from .breaking import SAMPLE, environment

pytestmark = pytest.mark.regression

posix = pytest.mark.skipif(os.name != "posix", reason="names and limits of POSIX")


def flightproc(
    *words: str | bytes | Path, folder: Path, limit: int | None = None, **more: object
) -> subprocess.CompletedProcess[bytes]:
    """Run the program as a process; ``limit`` is the size in bytes that a file may reach."""

    def hold() -> None:
        if limit is not None:
            import resource

            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    environ = more.pop("env", None) or environment()
    more.setdefault("capture_output", True)
    return subprocess.run(
        [sys.executable, "-m", "flightproc", *map(os.fspath, words)],
        cwd=folder,
        env=environ,  # type: ignore[arg-type]
        preexec_fn=hold if limit is not None else None,
        timeout=120,
        check=False,
        **more,  # type: ignore[call-overload]
    )


def one_error(done: subprocess.CompletedProcess[bytes], *pieces: str) -> None:
    """Hold a run to one clear error."""
    told = done.stderr.decode("utf-8", "replace")
    assert done.returncode == 2, told
    assert told.startswith("flightproc: error: ") and told.count("\n") == 1, told
    assert all(piece in told for piece in pieces), told


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    shutil.copy(SAMPLE / "rig.toml", path)
    return path


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[Path]:
    """Give a file system of 64 kB that can be filled and made read-only; root alone can have one."""
    place = tmp_path / "small"
    place.mkdir()
    mount = shutil.which("mount")
    words = ["-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]
    if mount is None or subprocess.run([mount, *words], capture_output=True, check=False).returncode:
        pytest.skip("no file system can be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True, capture_output=True)


def test_full_disk(mounted: Path, rig: Path, tmp_path: Path) -> None:
    one_error(flightproc("rig", rig, "-o", mounted / "out", folder=tmp_path), "No space left", "-o")
    assert list(mounted.iterdir()) == []
    (mounted / "out").mkdir()
    (mounted / "out" / "rig.json").write_bytes(b"old")
    one_error(flightproc("rig", rig, "-o", mounted / "out", folder=tmp_path), "No space left")
    assert [p.name for p in mounted.iterdir()] == ["out"]
    assert (mounted / "out" / "rig.json").read_bytes() == b"old"
    one_error(flightproc("simulate", mounted / "sim", folder=tmp_path), "No space left", "free space")
    assert list(mounted.rglob("*.ulg")) == []
    # each sheet is some kB; what is left holds no set of them
    (mounted / "filler").write_bytes(bytes(56_000))
    one_error(flightproc("new", mounted / "sheets", folder=tmp_path), "No space left")
    assert not list(mounted.rglob("*.toml"))


def test_read_only_folder(mounted: Path, rig: Path, tmp_path: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(mounted)], check=True, capture_output=True)
    one_error(flightproc("rig", rig, "-o", mounted / "out", folder=tmp_path), "no permission", "-o")
    one_error(flightproc("rig", rig, folder=mounted), "no permission to write", "-o")
    one_error(flightproc("new", mounted / "sheets", folder=tmp_path), "cannot be written")
    one_error(flightproc("simulate", mounted / "sim", folder=tmp_path), "cannot write")


@posix
def test_files_that_may_not_grow(rig: Path, tmp_path: Path) -> None:
    one_error(flightproc("rig", rig, "-o", "out", folder=tmp_path, limit=2000), "too large", "-o")
    assert [path.name for path in tmp_path.iterdir()] == ["rig.toml"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.parametrize("words", [("--help",), ("rig", "--json", "-o", "out")], ids=["help", "json"])
def test_output_that_cannot_be_printed(words: tuple[str, ...], rig: Path, tmp_path: Path) -> None:
    with open("/dev/full", "wb") as full:
        more = (rig,) if words[0] == "rig" else ()
        done = flightproc(
            *words, *more, folder=tmp_path, capture_output=False, stdout=full, stderr=subprocess.PIPE
        )
    one_error(done, "cannot print", "No space left on device")


@posix
def test_folder_that_is_gone(rig: Path, tmp_path: Path) -> None:
    words = f"cd gone && rmdir ../gone && exec {sys.executable} -m flightproc rig {rig}"
    (tmp_path / "gone").mkdir()
    done = subprocess.run(
        ["sh", "-c", words], cwd=tmp_path, env=environment(), capture_output=True, check=False, timeout=60
    )
    one_error(done, "the folder that you are in is gone")


@posix
def test_very_long_names(rig: Path, tmp_path: Path) -> None:
    long = "n" * 300
    one_error(flightproc("rig", rig, "-o", long, folder=tmp_path), "name too long")
    one_error(flightproc("rig", f"{long}.toml", folder=tmp_path), "name too long")
    one_error(flightproc("logs", f"{long}.ulg", folder=tmp_path), "name too long")


ODD = ["with space", "prüf 日本 🙂", "-leading", "two\nlines", "quo'te\"s", "per%cent $x", b"not \xff utf-8"]


@posix
@pytest.mark.parametrize("name", ODD, ids=ascii)
def test_odd_names(
    name: str | bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = os.fsdecode(name)
    place = tmp_path / text
    place.mkdir()
    monkeypatch.chdir(place)
    shutil.copy(SAMPLE / "rig.toml", f"{text}.toml")
    shutil.copy(SAMPLE / "engine.csv", f"{text}.csv")
    assert main(["rig", "--json", "--", f"{text}.toml"]) == 0
    assert (place / f"{text}-rig" / "rig.json").is_file()
    assert main(["logs", "--", f"{text}.csv"]) == 0
    told = capsys.readouterr()
    assert told.err == "" and "rpm" in told.out


@posix
def test_a_sortie_with_odd_names_everywhere(tmp_path: Path) -> None:
    place = tmp_path / os.fsdecode(b"s\xc3\xb6r tie\n-x \xff")
    shutil.copytree(SAMPLE, place)
    for old, new in (("unit.ulg", "-ünit 1.ulg"), ("gps.gpx", "gps 日本.gpx")):
        (place / old).rename(place / new)
        sheet = place / "sortie.toml"
        sheet.write_text(sheet.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    done = flightproc("report", place / "sortie.toml", "-o", place / "out put", folder=tmp_path)
    assert done.returncode == 0 and done.stderr == b"", done.stderr
    assert "gps 日本.gpx" in (place / "out put" / "report.html").read_text(encoding="utf-8")
