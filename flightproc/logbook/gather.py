"""From a sortie sheet to all the files that its analysis reads."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from ..display import displayed
from ..errors import Fault, LogbookError, SheetError
from ..sheets import Sheets, load_sortie
from ..sheets.inputs import input_paths
from .files import Content, digest
from .model import Entry, EntryFile, Propeller, safe_path
from .tables import now_utc

__all__ = ["Gathered", "gather"]


@displayed
@dataclass(frozen=True)
class Gathered:
    """An entry without results, and where its content is to be had.

    Attributes
    ----------
    entry : Entry
        Sheets and logs.
    contents : dict of str to Content
        Content by SHA-256.
    """

    entry: Entry
    contents: dict[str, Content]

    def dated(self, day: str | None) -> Gathered:
        """Return it with a day, where its sheet gives none."""
        if self.entry.date is not None or day is None:
            return self
        return replace(self, entry=self.entry.model_copy(update={"date": day}))


def gather(sheet: str | os.PathLike[str]) -> Gathered:
    """Find all the files that the analysis of a sortie reads, and their hashes.

    Parameters
    ----------
    sheet : path
        The sortie sheet.

    Returns
    -------
    Gathered

    Raises
    ------
    SheetError
        With every fault of the sheets. A file named from the root of the disk is one: it could not be found
        again from the logbook.
    LogbookError
        Where a file cannot be read.

    Examples
    --------
    >>> gather("sample_logs/school-wing-28/sortie.toml").entry.title
    'School wing 28 on training frame A, calm morning'
    """
    sheets = load_sortie(sheet)
    found = _listed(sheets)
    root = os.path.commonpath([os.path.dirname(path) for _, _, path in found])
    files: list[EntryFile] = []
    contents: dict[str, Content] = {}
    hashes: dict[str, tuple[str, int]] = {}
    for role, name, path in found:
        inside = os.path.relpath(path, root).replace(os.sep, "/")
        try:
            safe_path(inside)
        except ValueError as error:
            raise LogbookError(
                "a file of this name cannot be kept", where=path, hint="rename the file or its folder"
            ) from error
        if path not in hashes:
            hashes[path] = digest(Path(path))
        sha256, size = hashes[path]
        contents.setdefault(sha256, Path(path))
        files.append(EntryFile(role=role, name=name, path=inside, sha256=sha256, size=size))
    sortie, aircraft = sheets.sortie, sheets.aircraft
    propeller = aircraft.propeller
    said = json.dumps(propeller.model_dump(mode="json"), sort_keys=True)
    entry = Entry(
        title=sortie.title,
        date=None if sortie.date is None else _day(sortie.date),
        pilot_notes=sortie.pilot_notes,
        aircraft=aircraft.name,
        glider=sheets.glider.name,
        rig=None if sheets.rig is None else sheets.rig.name,
        propeller=Propeller(
            diameter_m=propeller.diameter_m,
            blades=propeller.blades,
            rotation=propeller.rotation,
            pitch_m=propeller.pitch_m,
            digest=hashlib.sha256(said.encode()).hexdigest(),
        ),
        added_utc=now_utc(),
        files=tuple(files),
    )
    return Gathered(entry, contents)


def _day(day: date) -> str:
    return day.isoformat()[:10]


def _listed(sheets: Sheets) -> list[tuple[Any, str, str]]:
    """Return role, name and full path of every file, and refuse those named from the root of the disk."""
    found = input_paths(sheets)
    faults = [
        Fault(
            str(sheets.sheet_files[item.sheet]),
            item.table,
            item.field,
            f'"{item.written}"',
            "a file seen from the folder of this sheet; one from the root of the disk could not be found "
            "again from the logbook",
        )
        for item in found
        if os.path.isabs(item.written)
    ]
    if faults:
        raise SheetError(faults)
    return [(item.role, item.name, os.path.abspath(item.path)) for item in found]
