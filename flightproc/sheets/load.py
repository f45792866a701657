"""From sheet files to models, with all faults of all sheets told together."""

from __future__ import annotations

import difflib
import os
import types
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

from pydantic import ValidationError

from ..display import displayed
from ..errors import Fault, SheetError
from .aircraft import AircraftSheet
from .balance import BalanceSheet
from .fields import LOADING, Sheet, is_placeholder
from .glider import GliderSheet
from .plan import PlanSheet
from .rig import RigSheet
from .sortie import SortieSheet
from .tables import nested_tables
from .text import read_toml, shown

__all__ = [
    "BalanceSheets",
    "PlanSheets",
    "Sheets",
    "load_aircraft",
    "load_balance",
    "load_glider",
    "load_plan",
    "load_rig",
    "load_sortie",
    "validate",
]

_S = TypeVar("_S", bound=Sheet)
_Place = tuple[str | int, ...]
_ABSENT = object()
_KINDS: dict[str, type[Sheet]] = {
    "sortie": SortieSheet,
    "aircraft": AircraftSheet,
    "glider": GliderSheet,
    "rig": RigSheet,
}


@displayed
@dataclass(frozen=True)
class Sheets:
    """The sheets of one sortie.

    Attributes
    ----------
    sortie : SortieSheet
        The flight.
    aircraft : AircraftSheet
        The unit flown.
    glider : GliderSheet
        The wing flown.
    rig : RigSheet or None
        The rig day; None where the sortie sheet names none.
    folder : Path
        Folder of the sortie sheet.
    files : dict of str to Path
        The log file of each log, by the log's name.
    sheet_files : dict of str to Path
        The sheet files read, by ``sortie``, ``aircraft``, ``glider`` and ``rig``.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> sheets.aircraft.hung_mass_kg, sheets.glider.flat_area_m2, sorted(sheets.files)
    (100.0, 28.0, ['engine', 'gps', 'unit'])
    """

    sortie: SortieSheet
    aircraft: AircraftSheet
    glider: GliderSheet
    rig: RigSheet | None
    folder: Path
    files: dict[str, Path]
    sheet_files: dict[str, Path]


@displayed
@dataclass(frozen=True)
class BalanceSheets:
    """A balance sheet with the glider sheets it names.

    Attributes
    ----------
    sheet : BalanceSheet
        What may be changed, for what.
    gliders : tuple of GliderSheet or None
        One for each entry of ``sheet.gliders``; None where the entry means the glider flown.

    Examples
    --------
    >>> from flightproc.sheets import BalanceSheet, BalanceSheets, HangOffsetEntry
    >>> BalanceSheets(BalanceSheet(hang_offset=HangOffsetEntry(limit_m=0.03)), ()).sheet.aim
    'turn'
    """

    sheet: BalanceSheet
    gliders: tuple[GliderSheet | None, ...]


def load_balance(path: str | os.PathLike[str]) -> BalanceSheets:
    r"""Read a balance sheet and the glider sheets it names; raises SheetError with all their faults.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "balance.toml")
    ...     _ = path.write_text(
    ...         "[hang_offset]\nlimit_m = 0.03\n[[phases]]\nname = 'cruise'\nrpm = 6000\n"
    ...     )
    ...     sheets = fp.load_balance(path)
    >>> sheets.sheet.hang_offset.limit_m
    0.03
    """
    place = Path(path)
    sheet, faults = _read(BalanceSheet, place)
    gliders: list[GliderSheet | None] = []
    data, _ = read_toml(place)
    entries = data.get("gliders") if data is not None else None
    for i, entry in enumerate(entries if isinstance(entries, list) else ()):
        name = entry.get("sheet") if isinstance(entry, dict) else None
        glider = None
        if _is_name(name):
            file = place.parent / str(name)
            if os.path.lexists(file):
                glider, found = _read(GliderSheet, file)
                faults += [fault for fault in found if fault not in faults]
            else:
                allowed = f"a sheet that exists; there is no {file}"
                faults.append(Fault(str(place), f"gliders[{i + 1}]", "sheet", shown(name), allowed))
        gliders.append(glider)
    if faults or sheet is None:
        raise SheetError(faults)
    return BalanceSheets(sheet, tuple(gliders))


@displayed
@dataclass(frozen=True)
class PlanSheets:
    """A plan sheet with the sheets it names.

    Attributes
    ----------
    sheet : PlanSheet
        What to resolve, in what air, with what.
    aircraft : AircraftSheet
        The unit to fly.
    glider : GliderSheet
        The wing to fly.
    rig : RigSheet or None
        The rig day; None where the plan names none.
    sheet_files : dict of str to Path
        The files read, by ``plan``, ``aircraft``, ``glider`` and ``rig``.

    Examples
    --------
    >>> import flightproc as fp
    >>> from pathlib import Path
    >>> from flightproc.sheets import PlanBallast, PlanHolds, PlanSheet, PlanSheets
    >>> folder = Path("sample_logs/school-wing-28")
    >>> sheets = PlanSheets(
    ...     PlanSheet(
    ...         aircraft="aircraft.toml",
    ...         glider="glider.toml",
    ...         rig="rig.toml",
    ...         holds=PlanHolds(cruise_rpm=6000.0),
    ...         ballast=PlanBallast(masses_kg=(5.0,), arm_m=0.3),
    ...     ),
    ...     fp.load_aircraft(folder / "aircraft.toml"),
    ...     fp.load_glider(folder / "glider.toml"),
    ...     fp.load_rig(folder / "rig.toml"),
    ...     {name: folder / f"{name}.toml" for name in ("aircraft", "glider", "rig")},
    ... )
    >>> sheets.sheet.goal.difference_percent
    5.0
    """

    sheet: PlanSheet
    aircraft: AircraftSheet
    glider: GliderSheet
    rig: RigSheet | None
    sheet_files: dict[str, Path]


def load_plan(path: str | os.PathLike[str]) -> PlanSheets:
    r"""Read a plan sheet and the sheets it names; raises SheetError with all their faults.

    Examples
    --------
    >>> import flightproc as fp
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     for name in ("aircraft", "glider"):
    ...         source = Path("sample_logs/school-wing-28", f"{name}.toml")
    ...         _ = Path(folder, source.name).write_bytes(source.read_bytes())
    ...     path = Path(folder, "plan.toml")
    ...     _ = path.write_text(
    ...         "aircraft = 'aircraft.toml'\nglider = 'glider.toml'\ncruise_torque_N_m = 23\n"
    ...         "[holds]\ncruise_rpm = 6000\n"
    ...     )
    ...     sheets = fp.load_plan(path)
    >>> sheets.sheet.holds.cruise_rpm, sheets.glider.name
    (6000.0, 'school wing 28')
    """
    place = Path(path)
    sheet, faults = _read(PlanSheet, place)
    data, _ = read_toml(place)
    files = {"plan": place}
    others: dict[str, Any] = {}
    for name, kind in list(_KINDS.items())[1:]:
        written = None if data is None else data.get(name)
        if not _is_name(written):
            continue
        file = place.parent / str(written)
        if not os.path.lexists(file):
            allowed = f"a sheet that exists; there is no {file}"
            faults.append(Fault(str(place), "", name, shown(written), allowed))
            continue
        files[name] = file
        others[name], found = _read(kind, file)
        faults += found
    if faults or sheet is None:
        raise SheetError(faults)
    aircraft, glider, rig = (others.get(name) for name in ("aircraft", "glider", "rig"))
    assert isinstance(aircraft, AircraftSheet) and isinstance(glider, GliderSheet)
    assert rig is None or isinstance(rig, RigSheet)
    return PlanSheets(sheet, aircraft, glider, rig, files)


def load_sortie(path: str | os.PathLike[str], *, without_files: Collection[str] = ()) -> Sheets:
    """Read a sortie sheet and the sheets it names.

    Parameters
    ----------
    path : str or path
        The sortie sheet; the other sheets and the logs are found from its folder.
    without_files : collection of str
        Names of logs whose files need not be there, because their recordings come from elsewhere.

    Returns
    -------
    Sheets
        All of them, sound.

    Raises
    ------
    SheetError
        With every fault of every sheet.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> sheets.sortie.title, len(sheets.sortie.ballast)
    ('School wing 28 on training frame A, calm morning', 4)
    """
    place = Path(path)
    folder = place.parent
    data, faults = read_toml(place)
    sortie = None
    if data is not None:
        sortie, found = validate(SortieSheet, data, str(place))
        faults += found
        faults += _log_faults(data, place, without_files)
    others: dict[str, Any] = {}
    paths = {"sortie": place}
    for name, kind in list(_KINDS.items())[1:]:
        written = _ABSENT if data is None else data.get(name, _ABSENT)
        if not _is_name(written):
            # The sortie sheet does not say: look at the usual name, so that its faults are told as well.
            guess = folder / f"{name}.toml"
            if sortie is None and os.path.isfile(guess):
                faults += _read(kind, guess)[1]
            continue
        file = folder / str(written)
        if not os.path.lexists(file):
            faults.append(
                Fault(str(place), "", name, shown(written), f"a sheet that exists; there is no {file}")
            )
            continue
        paths[name] = file
        others[name], found = _read(kind, file)
        faults += found
    if faults or sortie is None:
        order = list(dict.fromkeys([str(place), *(fault.file for fault in faults)]))
        raise SheetError(sorted(faults, key=lambda fault: order.index(fault.file)))
    return Sheets(
        sortie=sortie,
        aircraft=others["aircraft"],
        glider=others["glider"],
        rig=others.get("rig"),
        folder=folder,
        files={log.name: folder / log.file for log in sortie.logs},
        sheet_files=paths,
    )


def load_aircraft(path: str | os.PathLike[str]) -> AircraftSheet:
    """Read an aircraft sheet; raises SheetError with all its faults.

    Examples
    --------
    >>> import flightproc as fp
    >>> fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml").engine.gear_ratio
    2.8
    """
    return _load(AircraftSheet, path)


def load_glider(path: str | os.PathLike[str]) -> GliderSheet:
    """Read a glider sheet; raises SheetError with all its faults.

    Examples
    --------
    >>> import flightproc as fp
    >>> fp.load_glider("sample_logs/school-wing-28/glider.toml").trim_speed_m_s
    10.2
    """
    return _load(GliderSheet, path)


def load_rig(path: str | os.PathLike[str]) -> RigSheet:
    """Read a rig sheet; raises SheetError with all its faults.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.load_rig("sample_logs/school-wing-28/rig.toml")
    >>> rig.kind, [reading.rpm for reading in rig.readings]
    ('two_point', [0.0, 4600.0, 5200.0, 6000.0, 6800.0, 7600.0, 0.0])
    """
    return _load(RigSheet, path)


def _load(kind: type[_S], path: str | os.PathLike[str]) -> _S:
    sheet, faults = _read(kind, Path(path))
    if faults or sheet is None:
        raise SheetError(faults)
    return sheet


def _read(kind: type[_S], path: Path) -> tuple[_S | None, list[Fault]]:
    data, faults = read_toml(path)
    if data is None:
        return None, faults
    return validate(kind, data, str(path))


def _is_name(value: object) -> bool:
    return (
        isinstance(value, str) and bool(value.strip()) and not is_placeholder(value) and value.isprintable()
    )


def _log_faults(data: dict[str, Any], place: Path, without: Collection[str]) -> list[Fault]:
    """Return a fault for each log file that is not there, but for logs that come without one."""
    faults = []
    logs = data.get("logs")
    for i, log in enumerate(logs if isinstance(logs, list) else ()):
        name = log.get("file") if isinstance(log, dict) else None
        if not _is_name(name) or log.get("name") in without:
            continue
        file = os.path.join(place.parent, str(name))
        if os.path.isfile(file):
            continue
        allowed = (
            "a log file, not a folder" if os.path.isdir(file) else f"a file that exists; there is no {file}"
        )
        if "\\" in str(name) and not os.path.isdir(file):
            allowed += "; write folders with /"
        faults.append(Fault(str(place), f"logs[{i + 1}]", "file", shown(name), allowed))
    return faults


def validate(kind: type[_S], data: dict[str, Any], file: str) -> tuple[_S | None, list[Fault]]:
    """Check one sheet: each field, then the rules across fields that are sound; ``file`` stands in faults."""
    sheet: _S | None = None
    bad: list[_Place] = []
    faults: list[Fault] = []
    try:
        sheet = kind.model_validate(data, context=LOADING)
    except ValidationError as error:
        for item in error.errors(include_url=False, include_context=False, include_input=False):
            place, code = item["loc"], item["type"]
            if code != "extra_forbidden":
                bad.append(tuple(p for p in place if isinstance(p, str)))
            faults.append(_field_fault(kind, data, file, place, code))
    for place, words in _rule_findings(kind, data, [], bad):
        faults.append(_fault(file, place, _value(data, place), words))
    faults = list(dict.fromkeys(faults))
    return (None if faults else sheet), faults


def _fault(file: str, place: _Place, value: object, allowed: str) -> Fault:
    *table, field = place if isinstance(place[-1], str) else (*place, "")
    text = ""
    for part in table:
        text += f"[{part + 1}]" if isinstance(part, int) else (f".{part}" if text else str(part))
    if is_placeholder(value):
        allowed = f"still to be filled in; {allowed}"
    elif isinstance(value, dict | list) and not value:
        allowed = f"{allowed}; this is empty"
    return Fault(
        file, text, str(field) or "(entry)", "(missing)" if value is _ABSENT else shown(value), allowed
    )


def _value(data: Any, place: _Place) -> object:
    for part in place:
        if isinstance(part, int):
            fits = isinstance(data, list) and part < len(data)
        else:
            fits = isinstance(data, dict) and part in data
        if not fits:
            return _ABSENT
        data = cast("Any", data)[part]
    return data


def _field_fault(kind: type[Sheet], data: Any, file: str, place: _Place, code: str) -> Fault:
    value = _value(data, place)
    if code == "extra_forbidden":
        return _fault(file, place, value, _unknown_words(kind, place))
    owner, name = _owner(kind, place)
    if owner is None:
        return _fault(file, place, value, f"a table with {_required(_table_at(kind, place) or kind)}")
    info = owner.info(name)
    allowed = info.allowed
    nested = nested_tables(owner).get(name)
    if nested is not None and code == "missing":
        allowed += f"; it holds {_required(nested[0])}"
    elif (
        isinstance(value, str)
        and not is_placeholder(value)
        and info.kind in {"number", "numbers", "whole", "flag", "date", "time"}
    ):
        allowed += _quoted_words(value, info.kind)
    elif isinstance(value, bool) and info.kind in {"number", "numbers", "whole"}:
        allowed += "; true and false are no numbers"
    elif isinstance(value, float) and info.kind == "whole" and value.is_integer():
        allowed += "; without a decimal point"
    elif info.kind == "time" and code == "timezone_aware":
        allowed += "; the zone is missing: add Z for UTC"
    elif nested is not None and nested[1] == "tables" and isinstance(value, dict):
        allowed += f"; with double brackets: [[{'.'.join(str(p) for p in place if isinstance(p, str))}]]"
    return _fault(file, place, value, allowed)


def _quoted_words(value: str, kind: str) -> str:
    if kind in {"number", "numbers", "whole"}:
        try:
            float(value.strip().replace(",", "."))
        except ValueError:
            return "; a number, not text"
        return "; write the number without quotes" + (" and with a decimal point" if "," in value else "")
    return "; without quotes"


def _required(kind: type[Sheet]) -> str:
    return ", ".join(n for n, f in kind.model_fields.items() if f.is_required()) or ", ".join(
        kind.model_fields
    )


def _unknown_words(kind: type[Sheet], place: _Place) -> str:
    table = _table_at(kind, place[:-1]) or kind
    name = str(place[-1])
    known = list(table.model_fields)
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.8)
    if not near:
        homes = [where for where, owner in _tables(kind) if owner is not table and name in owner.model_fields]
        if homes:
            here = [f"[{h}]" if h else "the top of the sheet, before the first [table]" for h in homes[:3]]
            return "a field of this table; it belongs in " + " or ".join(here)
        for other, sheet in _KINDS.items():
            for where, owner in _tables(sheet) if sheet is not kind else ():
                if name in owner.model_fields:
                    return f"a field of this sheet; it belongs in the {other} sheet" + (
                        f", [{where}]" if where else ""
                    )
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"a known field; did you mean {near[0]}?" if near else f"a known field: {', '.join(known)}"


def _tables(kind: type[Sheet], prefix: str = "") -> Iterator[tuple[str, type[Sheet]]]:
    yield prefix, kind
    for name, (inner, _) in nested_tables(kind).items():
        yield from _tables(inner, f"{prefix}.{name}" if prefix else name)


def _table_at(kind: type[Sheet], place: _Place) -> type[Sheet] | None:
    """Return the class of the table at a place, or None where the place is no table."""
    table: type[Sheet] | None = kind
    skip = False
    for part in place:
        if isinstance(part, int) or skip:
            skip = False
            continue
        found = nested_tables(table).get(part) if table is not None else None
        if found is None:
            return None
        table, skip = found[0], found[1] == "map"
    return table


def _owner(kind: type[Sheet], place: _Place) -> tuple[type[Sheet] | None, str]:
    """Return the table that owns the field at a place, and the field's name."""
    for cut in range(len(place) - 1, -1, -1):
        part = place[cut]
        table = _table_at(kind, place[:cut])
        if isinstance(part, str) and table is not None and part in table.model_fields:
            if cut == len(place) - 1 or part not in nested_tables(table):
                return table, part
            return None, ""
    return None, ""


def _rule_findings(
    kind: type[Sheet], data: Any, prefix: list[str | int], bad: list[_Place]
) -> Iterator[tuple[_Place, str]]:
    """Run the rules of a table and of those in it, each where what it reads is sound."""
    if not isinstance(data, dict):
        return
    here = tuple(p for p in prefix if isinstance(p, str))
    inside = [p[len(here) :] for p in bad if p[: len(here)] == here]
    view = _view(kind, data)
    for check in kind.rules:
        needs = [tuple(need.split(".")) for need in check.needs]  # type: ignore[attr-defined]
        if any(p[: len(n)] == n or n[: len(p)] == p for n in needs for p in inside):
            continue
        for where, words in check(view):
            yield (*prefix, *((where,) if isinstance(where, str) else where)), words
    for name, (inner, form) in nested_tables(kind).items():
        value = data.get(name)
        if form == "table":
            yield from _rule_findings(inner, value, [*prefix, name], bad)
        elif form == "tables" and isinstance(value, list):
            for i, item in enumerate(value):
                yield from _rule_findings(inner, item, [*prefix, name, i], bad)


def _view(kind: type[Sheet], data: dict[str, Any]) -> types.SimpleNamespace:
    """Return a table's values by attribute, absent ones by their default, as the rules read them."""
    nested = nested_tables(kind)
    values: dict[str, Any] = {}
    for name, field in kind.model_fields.items():
        if name not in data:
            values[name] = None if field.is_required() else field.get_default(call_default_factory=True)
            continue
        value = data[name]
        if name in nested:
            inner, form = nested[name]
            if form == "table" and isinstance(value, dict):
                value = _view(inner, value)
            elif form == "tables" and isinstance(value, list):
                value = [_view(inner, item) if isinstance(item, dict) else item for item in value]
        values[name] = value
    return types.SimpleNamespace(**values)
