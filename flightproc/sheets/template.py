"""A commented set of sheets to fill in, made from the models so that the two cannot differ."""

from __future__ import annotations

import datetime as dt
import os
import secrets
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path

from ..errors import OutputError
from .aircraft import AircraftSheet
from .balance import BalanceSheet
from .fields import PLACEHOLDER, Field, Sheet
from .glider import GliderSheet
from .logs import ColumnEntry
from .plan import PlanSheet
from .rig import RigSheet
from .sortie import SortieSheet
from .tables import nested_tables

__all__ = ["SHEETS", "SINGLE_SHEETS", "template", "toml_value", "write_templates"]

SHEETS: dict[str, type[Sheet]] = {
    "sortie": SortieSheet,
    "aircraft": AircraftSheet,
    "glider": GliderSheet,
    "rig": RigSheet,
}
"""The sheets of a set, by the name of their file."""

SINGLE_SHEETS: dict[str, type[Sheet]] = {"balance": BalanceSheet, "plan": PlanSheet}
"""Sheets that stand by themselves, outside a set."""

_HEADS = {
    "sortie": (
        "Sortie sheet: one flight. It names the logs and the other three sheets. File names are seen "
        "from the folder this sheet lies in.",
    ),
    "aircraft": ("Aircraft sheet: the frame with its pilot, engine and propeller, as flown.",),
    "glider": ("Glider sheet: the wing. Nearly all of it stands in the maker's data sheet.",),
    "rig": (
        "Rig sheet: static torque. Two scales (two_point): the unit hangs from, or stands on, two scales "
        "side by side; torque moves weight from one to the other. One load cell on a lever (lever_arm), or "
        "a torque transducer, serve as well.",
        "DANGER: propeller guarded, nobody in its plane or behind it, eye and ear protection, a kill switch "
        "in hand, the frame tied so that it cannot move. Whoever steadies the frame takes up torque and "
        "spoils the reading.",
    ),
    "balance": (
        "Balance sheet: what may be changed on the frame against the torque reaction, for which flying and "
        "which gliders. Everything in it may be left out; a change is considered where its table is there.",
        "CAUTION: ask the frame's maker before anything is moved, and have it looked over. What flightproc "
        "balance gives is an estimate to start from, not a permission to build or to fly.",
    ),
    "plan": (
        "Plan sheet: what the next sortie is to resolve, in what air, and what there is to fly it with. "
        "flightproc plan makes the sortie card from it.",
        "CAUTION: list only engine speeds, ballast and heights that the makers' limits, local rules and the "
        "pilot's training allow. The card is a proposal; the pilot in command decides.",
    ),
}

_FORMAT = (
    f'Fill in every "{PLACEHOLDER}". A line that begins with # and no space is optional: take the # away to '
    "use it (for a table, the # of its [name] too). Lines that begin with # and a space are explanations.",
    'Numbers stand without quotes and with a decimal point: 118.5. Words stand in "quotes". Units are in '
    "the names of the fields. A name with _std in it is a standard uncertainty: about two readings in three "
    "lie within it.",
)

# Fields that stand uncommented in a template although the model does not demand them, with what they hold.
_ACTIVE: Mapping[str, Mapping[str, str]] = {
    "sortie": {"aircraft": '"aircraft.toml"', "glider": '"glider.toml"', "rig": '"rig.toml"'},
    "aircraft": {"propeller.pitch_m": f'"{PLACEHOLDER}"'},
    "glider": {},
    "balance": {
        "hang_offset": "",
        "hang_offset.limit_m": "0.03",
        "hang_offset.tolerance_m": "0.0015",
    },
    "plan": {
        "rig": '"rig.toml"',
        "goal": "",
        "goal.difference_percent": "10.0",
        "air": "",
        "air.gust_m_s": "0.15",
        "ballast": "",
        "ballast.masses_kg": f'"{PLACEHOLDER}"',
        "ballast.arm_m": f'"{PLACEHOLDER}"',
    },
    "rig": {
        "kind": '"two_point"',
        "spacing_m": f'"{PLACEHOLDER}"',
        "air.pressure_hPa": f'"{PLACEHOLDER}"',
        "air.temperature_C": f'"{PLACEHOLDER}"',
        "readings": "",
        "readings.rpm": "0",
        "readings.left_kg": f'"{PLACEHOLDER}"',
        "readings.right_kg": f'"{PLACEHOLDER}"',
    },
}

# Further entries of a table of which one is not enough, without the explanations.
_MORE: Mapping[str, tuple[str, ...]] = {
    "sortie.logs": (
        '# A second logger, of which only the position and speed are wanted.\n#[[logs]]\n#name = "gps"\n'
        '#file = "track.gpx"\n#role = "gps"\n',
        '# An engine log as a table of text; the columns are named by you.\n#[[logs]]\n#name = "engine"\n'
        '#file = "engine.csv"\n#role = "engine"\n#[logs.columns]\n#time = { column = "t", unit = "s" }\n'
        '#rpm = { column = "Engine RPM", unit = "rpm" }\n',
    ),
    "rig.readings": tuple(
        f'# {words}\n[[readings]]\nrpm = "{PLACEHOLDER}"\nleft_kg = "{PLACEHOLDER}"\n'
        f'right_kg = "{PLACEHOLDER}"\n#left_low_kg = 57.0\n#left_high_kg = 57.9\n#right_low_kg = 61.4\n'
        "#right_high_kg = 62.3\n"
        for words in (
            "A cruise setting. The fields are those of the zero above.",
            "Full throttle, if the frame and the ground allow it. Five or more settings are better than two.",
        )
    ),
}


def toml_value(value: object) -> str:
    """Return a value as TOML.

    Examples
    --------
    >>> toml_value(118.0), toml_value("a"), toml_value(True)
    ('118.0', '"a"', 'true')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml_value(item)}" for key, item in value.items()) + " }"
    return repr(value)


def _words(text: str, indent: str = "# ") -> str:
    return "\n".join(textwrap.wrap(text, 100, initial_indent="# ", subsequent_indent=indent)) + "\n"


def template(name: str) -> str:
    """Return the text of a sheet to fill in.

    Parameters
    ----------
    name : str
        ``sortie``, ``aircraft``, ``glider``, ``rig``, ``balance`` or ``plan``.
    """
    kind = {**SHEETS, **SINGLE_SHEETS}[name]
    head = "#\n".join(_words(text) for text in (*_HEADS[name], *_FORMAT))
    return head + "\n" + "".join(_table(name, kind, "", active=True))


def _table(sheet: str, kind: type[Sheet], place: str, *, active: bool) -> Iterator[str]:
    """Yield the text of a table's fields, then of the tables within it."""
    nested = nested_tables(kind)
    for name, field in kind.model_fields.items():
        info = kind.info(name)
        if info.kind in {"table", "tables"}:
            continue
        forced = _ACTIVE[sheet].get(f"{place}.{name}" if place else name)
        required = field.is_required()
        yield _words(_meaning(info, required or forced is not None, field.get_default()), "#   ")
        if forced is not None or required:
            value = forced if forced is not None else f'"{PLACEHOLDER}"'
            if not active:
                value = toml_value(info.example)
        else:
            default = field.get_default()
            value = toml_value(info.example if default is None or default == "" else default)
        yield f"{'' if active and (forced is not None or required) else '#'}{name} = {value}\n\n"
    for name, field in kind.model_fields.items():
        info = kind.info(name)
        if info.kind not in {"table", "tables"}:
            continue
        path = f"{place}.{name}" if place else name
        inner, form = nested.get(name, (None, "map"))
        wanted = active and (field.is_required() or path in _ACTIVE[sheet])
        yield "#" * 100 + "\n" if not place else ""
        words = f"{info.meaning[:1].upper()}{info.meaning[1:]}{'' if wanted else ' (optional)'}."
        yield _words(words + (f" How: {info.how}." if info.how else ""), "#   ")
        if form == "map":
            yield from _map(path, info, inner)
            continue
        mark = "" if wanted else "#"
        yield f"{mark}[[{path}]]\n" if form == "tables" else f"{mark}[{path}]\n"
        assert inner is not None
        yield from _table(sheet, inner, path, active=wanted)
        for more in _MORE.get(f"{sheet}.{path}", ()):
            yield more + "\n"


def _meaning(info: Field, required: bool, default: object) -> str:
    text = f"{info.meaning}."
    if info.how:
        text += f" How: {info.how}."
    if info.typical:
        text += f" Usual: {info.typical}."
    text += f" Allowed: {info.allowed}."
    if not required:
        text += " Optional." if default in (None, "") else " Optional: as shown where it is left out."
    return text[:1].upper() + text[1:]


def _map(path: str, info: Field, inner: type[Sheet] | None) -> Iterator[str]:
    """Yield a commented table whose keys are channels."""
    if inner is ColumnEntry:
        for name in ColumnEntry.model_fields:
            entry = ColumnEntry.info(name)
            yield _words(f"{name}: {entry.meaning}. Allowed: {entry.allowed}.", "#   ")
    yield f"#[{path}]\n"
    for key, value in info.example.items():
        if inner is ColumnEntry and key != "time":
            value = {**value, "sign": 1, "offset": 0.0}
        yield f"#{key} = {toml_value(value)}\n"
    yield "\n"


def write_templates(folder: str | os.PathLike[str]) -> tuple[Path, ...]:
    """Write a set of sheets to fill in: all of them, or none.

    Parameters
    ----------
    folder : str or path
        Where to; made where it does not exist.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputError
        Where a sheet is already there, or the folder cannot be written.
    """
    home = Path(folder)
    targets = {name: home / f"{name}.toml" for name in SHEETS}
    texts = {name: template(name) for name in SHEETS}
    if "\0" in str(home):
        raise OutputError("a folder's name cannot hold a null character", where=ascii(str(home)))
    waiting: list[Path] = []
    done: list[Path] = []
    made = _missing_folders(home)
    try:
        home.mkdir(parents=True, exist_ok=True)
        there = [str(target) for target in targets.values() if os.path.lexists(target)]
        if there:
            raise OutputError(
                "these sheets exist already and are left as they are: " + ", ".join(there),
                where=str(home),
                hint="another folder, or move them away",
            )
        mark = secrets.token_hex(4)
        for name in targets:
            draft = home / f".{name}.{mark}.part"
            waiting.append(draft)
            draft.write_text(texts[name], encoding="utf-8", newline="\n")
        for draft, target in zip(tuple(waiting), targets.values(), strict=True):
            os.replace(draft, target)
            waiting.remove(draft)
            done.append(target)
    except OSError as error:
        _clear([*waiting, *done], made)
        if isinstance(error, FileExistsError | NotADirectoryError):
            raise OutputError(
                "a file stands where the folder should be", where=str(home), hint="another name"
            ) from error
        reason = error.strerror or str(error)
        raise OutputError(
            f"the sheets cannot be written ({reason})", where=str(home), hint="a folder that you may write to"
        ) from error
    return tuple(done)


def _missing_folders(home: Path) -> list[Path]:
    """Return the folders that will have to be made, innermost first."""
    out = []
    for place in (home, *home.parents):
        if os.path.lexists(place):
            break
        out.append(place)
    return out


def _clear(files: list[Path], folders: list[Path]) -> None:
    """Take back what was written."""
    for file in files:
        try:
            file.unlink(missing_ok=True)
        except OSError:
            continue
    for folder in folders:
        try:
            folder.rmdir()
        except OSError:
            continue
