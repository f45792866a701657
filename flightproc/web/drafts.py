"""Sheets of a job: what kind an uploaded one is, how one is written down, and what a run is given."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from ..errors import Fault, SheetError
from ..sheets.load import load_sortie
from ..sheets.template import SHEETS
from ..whole import write_whole
from .jobs import Job, JobStore, LogFile
from .uploads import shown_name
from .worker import Order

__all__ = [
    "KINDS",
    "check_set",
    "draft_of",
    "make_order",
    "referred_files",
    "sheet_kind",
    "toml_text",
    "write_draft",
]

KINDS = ("sortie", "aircraft", "glider", "rig")
"""The sheets of a set."""

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_MISSING = "not-uploaded-"


def sheet_kind(data: Mapping[str, Any]) -> str:
    """Return which sheet of a set a table is, from the fields it has; empty where it is none.

    Examples
    --------
    >>> sheet_kind({"name": "school wing 28", "flat_area_m2": 28.0}), sheet_kind({"a": 1})
    ('glider', '')
    """
    scores = {}
    for kind, model in SHEETS.items():
        known = set(model.model_fields)
        common = {"name", "date", "title"}
        scores[kind] = len((set(data) & known) - common) - 0.1 * len(set(data) - known)
    best = max(scores, key=lambda kind: scores[kind])
    return best if scores[best] > 0.0 else ""


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _string(name)


def _string(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _string(value)
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else ("inf" if value > 0 else "-inf")
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e9:
        return str(int(value))  # as a person writes it
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return repr(value)


def toml_text(data: Mapping[str, Any]) -> str:
    """Return a table as TOML.

    Examples
    --------
    >>> print(toml_text({"name": "a", "engine": {"gear_ratio": 2.8}, "readings": [{"rpm": 0}, {"rpm": 1}]}))
    name = "a"
    <BLANKLINE>
    [engine]
    gear_ratio = 2.8
    <BLANKLINE>
    [[readings]]
    rpm = 0
    <BLANKLINE>
    [[readings]]
    rpm = 1
    <BLANKLINE>
    """
    return "\n".join(_lines(data, "")).lstrip("\n") + "\n"


def _is_tables(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(v, Mapping) for v in value)


def _lines(data: Mapping[str, Any], place: str) -> Iterator[str]:
    for name, value in data.items():
        if not isinstance(value, Mapping) and not _is_tables(value):
            yield f"{_key(name)} = {_value(value)}"
    for name, value in data.items():
        path = f"{place}.{_key(name)}" if place else _key(name)
        if isinstance(value, Mapping):
            yield from (f"\n[{path}]", *_lines(value, path))
        elif _is_tables(value):
            for item in value:
                yield from (f"\n[[{path}]]", *_lines(item, path))


def draft_of(job: Job, kind: str) -> dict[str, Any] | None:
    """Return the draft of a sheet as a table; None where there is none, or it is no TOML."""
    try:
        return tomllib.loads(job.sheet_path(kind).read_text(encoding="utf-8-sig"))
    except (FileNotFoundError, UnicodeDecodeError, tomllib.TOMLDecodeError, ValueError, RecursionError):
        return None


def write_draft(job: Job, kind: str, content: Mapping[str, Any] | bytes) -> None:
    """Keep the draft of a sheet, as a table or as uploaded."""
    raw = content if isinstance(content, bytes) else toml_text(content).encode()
    write_whole(job.sheet_path(kind), raw)


def referred_files(kind: str, data: Mapping[str, Any]) -> list[str]:
    """Return the tables that a sheet names, as shown names: a blade's section, a rig's series.

    Examples
    --------
    >>> referred_files("aircraft", {"propeller": {"section": "polars/section.csv"}})
    ['section.csv']
    """
    found = []
    if kind == "aircraft":
        section = _at(data, "propeller", "section")
        if isinstance(section, str) and section.lower().endswith(".csv"):
            found.append(section)
    elif kind == "rig" and isinstance(data.get("series"), list):
        found = [entry["file"] for entry in data["series"] if isinstance(_at(entry, "file"), str)]
    return [shown_name(name) for name in found]


def _at(data: Any, *path: str) -> Any:
    for part in path:
        if not isinstance(data, Mapping):
            return None
        data = data.get(part)
    return data


class _Names:
    """Finds what was uploaded under a name, and keeps a stand-in for what was not."""

    def __init__(self, files: Sequence[LogFile]) -> None:
        self._files = files
        self.missing: dict[str, str] = {}

    def stored(self, written: str) -> str:
        name = shown_name(written).casefold()
        for file in self._files:
            if name in (file.name.casefold(), file.key):
                return file.key
        stand_in = f"{_MISSING}{len(self.missing) + 1}"
        self.missing[stand_in] = written
        return stand_in


def _sortie_for_run(job: Job, data: dict[str, Any], names: _Names) -> dict[str, Any]:
    """Return the sortie sheet with stored names in place of those its writer used."""
    out = dict(data)
    logs = data.get("logs")
    if isinstance(logs, list):
        out["logs"] = [
            {**log, "file": names.stored(log["file"])} if isinstance(_at(log, "file"), str) else log
            for log in logs
        ]
    for kind in ("aircraft", "glider", "rig"):
        if job.sheet_path(kind).exists():
            out[kind] = f"{kind}.toml"
        else:
            out.pop(kind, None)
    return out


def _set_for_run(job: Job) -> tuple[dict[str, bytes], _Names]:
    names = _Names([*job.logs, *job.extra])
    out: dict[str, bytes] = {}
    for kind in KINDS:
        path = job.sheet_path(kind)
        if not path.exists():
            continue
        raw = path.read_bytes()
        data = draft_of(job, kind)
        if data is not None and kind == "sortie":
            raw = toml_text(_sortie_for_run(job, data, names)).encode()
        elif data is not None and kind == "aircraft" and isinstance(_at(data, "propeller", "section"), str):
            section = data["propeller"]["section"]
            if section.lower().endswith(".csv") or not _BARE.fullmatch(section.replace(" ", "")):
                data["propeller"]["section"] = names.stored(section)
                raw = toml_text(data).encode()
        elif data is not None and kind == "rig" and referred_files("rig", data):
            data["series"] = [
                {**e, "file": names.stored(e["file"])} if isinstance(_at(e, "file"), str) else e
                for e in data["series"]
            ]
            raw = toml_text(data).encode()
        out[kind] = raw
    return out, names


def check_set(store: JobStore, job: Job, run: int) -> list[Fault]:
    """Put the set of a run together and return all faults of its sheets.

    Parameters
    ----------
    store : JobStore
        The jobs.
    job : Job
        One whose drafts are there.
    run : int
        A run whose folder is there; its ``input`` is filled.
    """
    sheets, names = _set_for_run(job)
    store.fill_input(job, run, sheets)
    place = job.run_folder(run) / "input"
    faults: list[Fault] = []
    if "sortie" not in sheets:
        faults.append(Fault("sortie.toml", "", "title", "(missing)", "a sortie sheet"))
    else:
        try:
            load_sortie(place / "sortie.toml")
        except SheetError as error:
            faults += error.faults
    there = ", ".join(log.name for log in job.logs) or "none"
    told = []
    for fault in faults:
        fault = Fault(Path(fault.file).name, fault.table, fault.field, fault.value, fault.allowed)
        stand_in = next((s for s in names.missing if s in fault.value), "")
        if stand_in:
            shown = fault.value.replace(stand_in, names.missing[stand_in])
            allowed = f"a file uploaded here; there are: {there}"
            fault = Fault(fault.file, fault.table, fault.field, shown, allowed)
        elif fault.file == "sortie.toml" and fault.field in KINDS and not fault.table:
            allowed = f"a sheet: choose the {fault.field} or fill it in"
            fault = Fault(f"{fault.field}.toml", "", "", "(missing)", allowed)
        told.append(fault)
    for stand_in, written in names.missing.items():
        if not any(written in fault.value for fault in told):
            where, table, field = ("aircraft.toml", "propeller", "section")
            if stand_in in sheets.get("rig", b"").decode("utf-8", "replace"):
                where, table, field = ("rig.toml", "series", "file")
            allowed = f"a file uploaded here; there are: {there}"
            told.append(Fault(where, table, field, _string(written), allowed))
    return list(dict.fromkeys(told))


def column_maps(job: Job) -> dict[str, dict[str, Any]]:
    """Return the column maps that the sortie's draft holds, by the log's name as shown."""
    draft = draft_of(job, "sortie") or {}
    found: dict[str, dict[str, Any]] = {}
    logs = draft.get("logs")
    for entry in logs if isinstance(logs, list) else ():
        columns, name = _at(entry, "columns"), _at(entry, "file")
        sound = isinstance(columns, dict) and all(
            isinstance(c, dict)
            and isinstance(c.get("column"), str)
            and isinstance(c.get("unit"), str)
            and isinstance(c.get("sign", 1), int)
            and isinstance(c.get("offset", 0.0), int | float)
            for c in columns.values()
        )
        if isinstance(name, str) and columns and sound:
            found[shown_name(name)] = columns
    return found


def make_order(job: Job, task: Any, *, seconds: float, memory_bytes: int) -> Order:
    """Return what a worker is to do for a task of a job."""
    files = [*job.logs, *job.extra]
    return Order(
        task=task.kind,
        folder=job.run_folder(task.run),
        logs=tuple((log.name, job.log_path(log)) for log in job.logs),
        columns=column_maps(job) if task.kind == "read" else {},
        names={file.key: file.name for file in files},
        job=job.id,
        memory_bytes=memory_bytes,
        seconds=seconds,
    )
