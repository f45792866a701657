"""A folder of results is written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from flightproc.errors import OutputError
from flightproc.report.output import check_folder, write_folder

pytestmark = pytest.mark.analytic

FILES = {"figures/a.svg": b"<svg/>", "report.html": b"new"}


def everything(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def test_new_folder_with_those_above_it(tmp_path: Path) -> None:
    out = tmp_path / "far" / "below"
    written = write_folder(out, FILES)
    assert written == [out / "figures/a.svg", out / "report.html"]
    assert everything(tmp_path) == {f"far/below/{name}": content for name, content in FILES.items()}


def test_earlier_report_is_replaced_and_other_files_stay(tmp_path: Path) -> None:
    write_folder(tmp_path / "out", {"report.html": b"old", "figures/b.svg": b"old"})
    (tmp_path / "out" / "mine.txt").write_bytes(b"mine")
    write_folder(tmp_path / "out", FILES, own={"figures/a.svg", "figures/b.svg", "report.html"})
    assert everything(tmp_path) == {
        "out/figures/a.svg": b"<svg/>",
        "out/report.html": b"new",
        "out/mine.txt": b"mine",
    }


def test_file_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="not a folder"):
        write_folder(tmp_path / "out", FILES)
    with pytest.raises(OutputError, match="is a file, so no folder"):
        write_folder(tmp_path / "out" / "below", FILES)
    assert everything(tmp_path) == {"out": b"a file"}


def test_folder_where_a_file_should_go(tmp_path: Path) -> None:
    (tmp_path / "out" / "report.html").mkdir(parents=True)
    with pytest.raises(OutputError, match="cannot write the results"):
        write_folder(tmp_path / "out", {"report.html": b"new"})
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    with pytest.raises(OutputError, match="no permission"):
        check_folder(tmp_path / "out")


class Breaking:
    """Files of which the second cannot be had."""

    def __init__(self, error: BaseException) -> None:
        self._error = error

    def items(self) -> Iterator[tuple[str, bytes]]:
        yield "a.txt", b"a"
        raise self._error


@pytest.mark.parametrize("existing", [True, False])
@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_break_leaves_nothing_behind(tmp_path: Path, existing: bool, error: BaseException) -> None:
    before = {}
    if existing:
        write_folder(tmp_path / "out", {"a.txt": b"old"})
        before = {"out/a.txt": b"old"}
    files: Any = Breaking(error)
    with pytest.raises(OutputError if isinstance(error, OSError) else KeyboardInterrupt):
        write_folder(tmp_path / "out", files)
    assert everything(tmp_path) == before
    assert [path.name for path in tmp_path.iterdir()] == (["out"] if existing else [])
