"""What pages can choose from: sheets and results of the logbook, and of the sorties on the page's own desk.

Each is asked for by a key that is held against what there is; no key is ever used as a path.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fastapi import Request

from ..errors import FlightprocError
from .desk import Desk, Refused

if TYPE_CHECKING:
    from ..logbook import Logbook

__all__ = ["Choice", "open_book", "result_bytes", "result_choices", "sheet_bytes", "sheet_choices"]

_JOB = re.compile(r"job-([0-9a-f]{24})")
_SORTIE = re.compile(r"sortie-(\d{1,9})")
_SHEET = re.compile(r"sheet-([0-9a-f]{64})")
_TABLES = {"aircraft": "aircraft", "glider": "gliders", "rig": "rigs"}
_MOST = 300


@dataclass(frozen=True)
class Choice:
    """A sheet or a result that can be chosen.

    Attributes
    ----------
    key : str
        How to ask for it.
    name : str
        What it is called.
    where : str
        What it belongs to.
    """

    key: str
    name: str
    where: str

    @property
    def words(self) -> str:
        """Both in one line."""
        return f"{self.name} ({self.where})" if self.where else self.name


@contextmanager
def open_book(request: Request) -> Iterator[Logbook]:
    """Open the server's logbook for one request.

    Raises
    ------
    LogbookError
        Where it cannot be opened.
    """
    from ..logbook import Logbook

    with Logbook(request.app.state.settings.logbook or None) as book:
        yield book


def _desk(request: Request) -> Desk | None:
    desk = getattr(request.app.state, "desk", None)
    return desk if isinstance(desk, Desk) else None


def sheet_choices(request: Request, kind: str) -> list[Choice]:
    """Return the ``aircraft``, ``glider`` or ``rig`` sheets there are; a logbook that fails has none."""
    found: list[Choice] = []
    desk = _desk(request)
    for item in desk.shelf() if desk is not None else []:
        if item.kind == kind:
            found.append(Choice(f"job-{item.key}", item.name, item.where))
    try:
        with open_book(request) as book:
            for row in reversed(book.equipment(_TABLES[kind])):
                many = "1 sortie" if row.sorties == 1 else f"{row.sorties} sorties"
                found.append(Choice(f"sheet-{row.sha256}", row.name, f"logbook, {many}"))
    except FlightprocError:
        pass
    return found[:_MOST]


def sheet_bytes(request: Request, kind: str, key: str) -> bytes:
    """Return a sheet as it was written.

    Raises
    ------
    Refused
        Where there is no such sheet.
    """
    desk, job = _desk(request), _JOB.fullmatch(key)
    if desk is not None and job:
        found = desk.store.get(job[1])
        if found is not None and found.sheet_path(kind).exists():
            return found.sheet_path(kind).read_bytes()
    sheet = _SHEET.fullmatch(key)
    if sheet:
        with open_book(request) as book:
            if any(row.sha256 == sheet[1] for row in book.equipment(_TABLES[kind])):
                return book.content(sheet[1])
    raise Refused(f"that {kind} sheet is not there any more", hint="choose another")


def result_choices(request: Request) -> list[Choice]:
    """Return the results there are, those of the desk that are not in the logbook first."""
    found: list[Choice] = []
    desk = _desk(request)
    kept = set()
    rows: list[Choice] = []
    try:
        with open_book(request) as book:
            for row in book.sorties():
                if row.results:
                    date = row.date or "no date"
                    rows.append(
                        Choice(f"sortie-{row.id}", row.title, f"{date}, {row.glider}, {row.aircraft}")
                    )
                    kept.add(row.id)
    except FlightprocError:
        pass
    for job in desk.store.all() if desk is not None else []:
        saved = job.saved or {}
        if job.result_run and not (saved.get("sortie") in kept and saved.get("run") == job.result_run):
            day = dt.datetime.fromtimestamp(job.created, dt.UTC).strftime("%Y-%m-%d")
            found.append(Choice(f"job-{job.id}", job.title, f"analysed here, {day}"))
    return [*found, *rows][:_MOST]


def result_bytes(request: Request, key: str) -> bytes:
    """Return the ``results.json`` of a result.

    Raises
    ------
    Refused
        Where there is no such result.
    """
    desk, job = _desk(request), _JOB.fullmatch(key)
    if desk is not None and job:
        found = desk.store.get(job[1])
        if found is not None and found.result_run:
            path = found.run_folder(found.result_run) / "results.json"
            if path.exists():
                return path.read_bytes()
    sortie = _SORTIE.fullmatch(key)
    if sortie:
        with open_book(request) as book:
            result = book.get(int(sortie[1])).result
            if result is not None:
                return book.content(result[1].sha256)
    raise Refused("that result is not there any more", hint="choose another")
