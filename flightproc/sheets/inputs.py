"""Every file that the analysis of a sortie reads: its sheets, its logs, and the tables that they name."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .load import Sheets

__all__ = ["InputPath", "input_paths"]


@dataclass(frozen=True)
class InputPath:
    """One file that an analysis reads.

    Attributes
    ----------
    role : str
        ``sortie``, ``aircraft``, ``glider``, ``rig``, the role of a log, or ``table``.
    name : str
        The name of the log or table; the role of a sheet.
    path : Path
        Where it is.
    sheet, table, field : str
        Where its name was written: role of the sheet, table and field in it; empty for the sortie sheet.
    written : str
        The name as written there.
    """

    role: str
    name: str
    path: Path
    sheet: str
    table: str
    field: str
    written: str


def input_paths(sheets: Sheets) -> tuple[InputPath, ...]:
    """List every file that the analysis of a sortie reads: sheets first, then logs, then tables.

    Parameters
    ----------
    sheets : Sheets
        The sheets of the sortie.

    Returns
    -------
    tuple of InputPath
        A file that is named twice is there twice.
    """
    found = []
    for kind, path in sheets.sheet_files.items():
        place = ("", "", "", "") if kind == "sortie" else ("sortie", "", kind, getattr(sheets.sortie, kind))
        found.append(InputPath(kind, kind, path, *place))
    for i, log in enumerate(sheets.sortie.logs):
        place = ("sortie", f"logs[{i + 1}]", "file", log.file)
        found.append(InputPath(log.role, log.name, sheets.files[log.name], *place))
    section = sheets.aircraft.propeller.section
    if section is not None and section.lower().endswith(".csv"):
        path = sheets.sheet_files["aircraft"].parent / section
        found.append(InputPath("table", "section", path, "aircraft", "propeller", "section", section))
    for i, entry in enumerate(sheets.rig.series if sheets.rig is not None else ()):
        path = sheets.sheet_files["rig"].parent / entry.file
        place = ("rig", f"series[{i + 1}]", "file", entry.file)
        found.append(InputPath("table", f"series {i + 1}", path, *place))
    return tuple(found)
