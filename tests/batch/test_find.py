"""Which sheets a batch finds, and what it calls them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from flightproc.batch import find_sheets
from flightproc.batch.find import shown_path
from flightproc.errors import OutputError

from .conftest import Field

pytestmark = pytest.mark.synthetic


def names(folder: Path, **more: Path) -> list[str]:
    return [sheet.name for sheet in find_sheets([folder], **more).sheets]


def test_sortie_sheets_are_told_from_others(field: Field) -> None:
    field.add("a b")
    field.add("é")
    (field.flights / "é" / "plan.toml").write_text('aircraft = "aircraft.toml"\nglider = "g.toml"\n')
    (field.flights / "notes.toml").write_text("[[[")
    (field.flights / "my-sortie.toml").write_text("[[[")  # its fault is told when it is its turn
    (field.flights / "cut.toml").write_text("[[logs]]\nfile = ")
    (field.flights / "list.toml").mkdir()
    (field.flights / "renamed.TOML").write_bytes((field.flights / "é" / "sortie.toml").read_bytes())
    field.add("hidden", folder=".trash/x")
    assert names(field.flights) == ["a b/sortie", "cut", "my-sortie", "renamed", "é/sortie"]


def test_each_sheet_is_found_once(field: Field) -> None:
    sheet = field.add("a", folder="x/a")
    (field.flights / "x" / "again").symlink_to("..", target_is_directory=True)  # round in a circle
    (field.flights / "x" / "nowhere").symlink_to("gone")
    os.link(sheet, sheet.with_name("copy-sortie.toml"))
    found = find_sheets([field.flights, field.flights / "x", sheet]).sheets
    assert len(found) == 1
    assert found[0].log_bytes == len(b"log of a")


def test_links_to_folders_are_followed(field: Field, tmp_path: Path) -> None:
    field.add("a")
    (tmp_path / "season").mkdir()
    (tmp_path / "season" / "may").symlink_to(field.flights)
    assert names(tmp_path / "season") == ["may/a/sortie"]


def test_the_batchs_own_folder_is_left_out(field: Field) -> None:
    field.add("a")
    field.add("b", folder="out/b")
    assert names(field.flights, leave_out=field.flights / "out") == ["a/sortie"]


def test_names_do_not_depend_on_what_else_is_there(field: Field) -> None:
    field.add("a", folder="2026/may/a")
    assert names(field.flights) == ["2026/may/a/sortie"]
    assert names(field.flights / "2026" / "may" / "a" / "sortie.toml") == ["sortie"]
    field.add("b", folder="2025/b")
    both = find_sheets([field.flights / "2026", field.flights / "2025"]).sheets
    assert [sheet.name for sheet in both] == ["2025/b/sortie", "2026/may/a/sortie"]


def test_a_name_of_any_bytes_can_be_shown() -> None:
    odd = os.fsdecode(b"caf\xe9/sortie.toml")
    assert shown_path(odd) == "caf\\xe9/sortie.toml"
    assert shown_path(odd).encode("utf-8")


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="there is no such folder"):
        find_sheets([tmp_path / "gone"])


def test_what_cannot_be_searched_is_told(field: Field, monkeypatch: pytest.MonkeyPatch) -> None:
    field.add("a")
    field.add("locked")
    real = os.scandir

    def scandir(path: str) -> object:
        if Path(path).name == "locked":
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    found = find_sheets([field.flights])
    assert [sheet.name for sheet in found.sheets] == ["a/sortie"]
    assert len(found.notes) == 1 and "cannot be searched: Permission denied" in found.notes[0]
