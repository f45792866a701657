"""Forms made from the sheets: one field each, with its unit, its words and its faults; and back to a table.

A field is called by its place in the sheet, entries of lists counted from 0: ``propeller.stations.0.r_m``.
What a person typed stays as typed until it is sound: it goes into the draft as text, the sheet's own check
tells what is wrong with it, and the form shows that at the field.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ..channels import CHANNELS
from ..errors import Fault
from ..sheets.fields import Sheet
from ..sheets.logs import ColumnEntry
from ..sheets.tables import nested_tables
from .uploads import Form

__all__ = ["Box", "FormView", "Row", "Table", "form_view", "label_of", "read_form", "resized"]

_MOST_ROWS = 200
_UPLOADED = "one of the files uploaded here"
_HIDDEN = {"sortie": {"aircraft", "glider", "rig"}}
_SUFFIX = {"degC": "C", "N m": "N_m", "": ""}
_LABELS = {"r_m": "Radius", "beta_deg": "Blade angle", "chord_075_m": "Chord at three quarters of the radius"}
_FEW = 4
_RIG_FIELDS = (
    ("two_point", "left_"),
    ("two_point", "right_"),
    ("lever_arm", "load_"),
    ("torque_transducer", "torque_"),
)
_RIG_TOP = (
    ("two_point", "spacing_"),
    ("lever_arm", "arm_"),
    ("lever_arm", "cell_"),
    ("torque_transducer", "transducer_"),
)
_WORDS = (
    (re.compile(r"\s*; without quotes|, without quotes"), ""),
    (re.compile(r" in quotes(?:, such as \"[^\"]*\")?"), ""),
    (re.compile(r" in square brackets, each"), ", each"),
    (re.compile(r"^true or false$"), "yes or no"),
    (re.compile(r"; a number, not text$"), ""),
)


@dataclass(frozen=True)
class Box:
    """One field as it is shown.

    Attributes
    ----------
    name, id : str
        Of the form's field, and of the element.
    label, unit, meaning, how, typical, allowed : str
        Words.
    kind : str
        ``text``, ``long``, ``number``, ``date``, ``time``, ``choice`` or ``list``.
    value : str
        As typed, or as the draft has it.
    required : bool
        Whether it must be filled in.
    default : str
        What holds where it is left out; may be empty.
    choices : tuple of (str, str)
        Value and words.
    faults : tuple of str
        What is wrong with it.
    """

    name: str
    id: str
    label: str
    unit: str
    meaning: str
    how: str
    typical: str
    allowed: str
    kind: str
    value: str
    required: bool
    default: str
    choices: tuple[tuple[str, str], ...] = ()
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class Row:
    """One entry of a list of tables, or one table: its fields and the tables in it."""

    name: str
    boxes: tuple[Box, ...]
    tables: tuple[Table, ...] = ()
    faults: tuple[str, ...] = ()

    @property
    def filled(self) -> bool:
        """Whether anything is in it."""
        return any(box.value for box in self.boxes) or any(table.filled for table in self.tables)

    @property
    def faulty(self) -> bool:
        """Whether anything in it has a fault."""
        return (
            bool(self.faults)
            or any(box.faults for box in self.boxes)
            or any(table.faulty for table in self.tables)
        )


@dataclass(frozen=True)
class Table:
    """A table within a sheet.

    Attributes
    ----------
    name, id, title, words : str
        Place in the sheet, element, heading, what it is.
    many : bool
        Whether it is a list of entries.
    narrow : bool
        Whether its entries have so few fields that one line each will do.
    required : bool
        Whether it must be there.
    rows : tuple of Row
        One where it is no list.
    faults : tuple of str
        Of the table as a whole.
    """

    name: str
    id: str
    title: str
    words: str
    many: bool
    narrow: bool
    required: bool
    rows: tuple[Row, ...]
    faults: tuple[str, ...] = ()

    @property
    def filled(self) -> bool:
        """Whether anything is in it."""
        return any(row.filled for row in self.rows)

    @property
    def faulty(self) -> bool:
        """Whether anything in it has a fault."""
        return bool(self.faults) or any(row.faulty for row in self.rows)


@dataclass(frozen=True)
class FormView:
    """A sheet's form: its top fields, its tables, and the faults in order, each with where to find it."""

    kind: str
    words: str
    top: Row
    faults: tuple[dict[str, str], ...] = ()

    @property
    def tables(self) -> tuple[Table, ...]:
        """Tables of the sheet."""
        return self.top.tables


def label_of(name: str, unit: str) -> str:
    """Return a field's name in words, its unit taken off.

    Examples
    --------
    >>> label_of("hung_mass_std_kg", "kg"), label_of("idle_rpm", "rpm"), label_of("r_m", "m")
    ('Hung mass, standard uncertainty', 'Idle rpm', 'Radius')
    """
    if name in _LABELS:
        return _LABELS[name]
    ending = _SUFFIX.get(unit, re.sub(r"[ /]", "_", unit))
    short = name.removesuffix(f"_{ending}") if ending and ending != "rpm" else name
    std = bool(re.search(r"(_|^)std(_|$)", short))
    short = re.sub(r"_?std(?=_|$)", "", short).strip("_") or short
    words = short.replace("_", " ").replace("utc", "UTC")
    words = words if len(words) == 1 else words[:1].upper() + words[1:]
    return f"{words}, standard uncertainty" if std else words


def _plain(allowed: str) -> str:
    for pattern, instead in _WORDS:
        allowed = pattern.sub(instead, allowed)
    return _typeset(allowed)


def _typeset(text: str) -> str:
    """Return units as they are printed."""
    return re.sub(r"\bm([23])\b", lambda m: f"m{'²³'[int(m[1]) - 2]}", text).replace("degC", "°C")


def _spoken(text: str, model: type[Sheet]) -> str:
    """Return words about a field with the names of other fields, choices and tables as the form has them.

    Examples
    --------
    >>> from flightproc.sheets import RigSheet
    >>> _spoken("two_point: standard uncertainty of spacing_m, see [air]", RigSheet)
    'two point: standard uncertainty of spacing, see air'
    """

    def instead(found: re.Match[str]) -> str:
        name = found[1] or found[0]
        field = model.model_fields.get(name)
        if field is None or name in nested_tables(model):
            return name.replace("_", " ")
        label = label_of(name, model.info(name).unit)
        return label[:1].lower() + label[1:]

    return re.sub(r"(?<!\w)\[\[?([a-z_.]+)\]?\]|\b[a-z]+(?:_[A-Za-z0-9]+)+\b", instead, text)


# ---------------------------------------------------------------------------------------------- to be shown


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and math.isfinite(value):
        return f"{value:.15g}"
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, list | tuple):
        return ", ".join(_shown(item) for item in value)
    return str(value)


@dataclass
class _Maker:
    """Makes a view; knows the draft's faults, and what may be chosen from."""

    kind: str
    faults: dict[str, list[str]]
    choices: Mapping[str, Sequence[str]]
    rig_kind: str
    anchors: set[str] = field(default_factory=set)
    labels: dict[str, str] = field(default_factory=dict)

    def take(self, name: str) -> tuple[str, ...]:
        self.anchors.add(name)
        return tuple(self.faults.get(name, ()))

    def box(self, model: type[Sheet], name: str, place: str, data: Mapping[str, Any]) -> Box:
        info, model_field = model.info(name), model.model_fields[name]
        path = f"{place}.{name}" if place else name
        choices: tuple[tuple[str, str], ...] = ()
        kind = {
            "number": "number", "whole": "number", "date": "date", "time": "time", "flag": "choice",
            "numbers": "list", "texts": "list",
        }.get(info.kind, "text")  # fmt: skip
        if info.kind == "flag":
            choices = (("yes", "yes"), ("no", "no"))
        elif info.choices and kind in ("text", "number"):
            kind, choices = "choice", tuple((str(c), str(c).replace("_", " ")) for c in info.choices)
        elif name in self.choices:
            kind, choices = "choice", tuple((c, c) for c in self.choices[name])
        elif kind == "text" and (info.high is None or info.high > 200) and info.kind == "text":
            kind = "long"
        self.labels[path] = label_of(name, info.unit)
        value = _shown(data.get(name))
        if kind == "choice" and value and value not in dict(choices):
            choices = (*choices, (value, value))
        required = model_field.is_required()
        default = "" if required else _shown(model_field.get_default(call_default_factory=True))
        return Box(
            name=path,
            id=_id(path),
            label=label_of(name, info.unit),
            unit="1/min" if info.unit == "rpm" else _typeset(info.unit),
            meaning=_UPLOADED if name in self.choices else _spoken(info.meaning, model),
            how=_spoken(info.how, model),
            typical=info.typical,
            allowed=_plain(info.allowed),
            kind=kind,
            value=value,
            required=required,
            default=default,
            choices=choices,
            faults=self.take(path),
        )

    def row(self, model: type[Sheet], place: str, data: Any) -> Row:
        data = data if isinstance(data, Mapping) else {}
        nested = nested_tables(model)
        boxes, tables = [], []
        for name in model.model_fields:
            info = model.info(name)
            path = f"{place}.{name}" if place else name
            if not place and name in _HIDDEN.get(self.kind, ()):
                continue
            if name in nested:
                tables.append(self.table(model, name, path, data.get(name)))
            elif info.kind == "table":
                tables.append(self.pairs(path, info.meaning, data.get(name)))
            elif self.wanted(place, name) or data.get(name) is not None:
                boxes.append(self.box(model, name, place, data))
        return Row(place, tuple(boxes), tuple(tables), self.take(place) if place else ())

    def wanted(self, place: str, name: str) -> bool:
        """Return whether a rig reading's field belongs to the kind of rig."""
        if self.kind != "rig":
            return True
        fields = _RIG_FIELDS if place.startswith(("readings", "series")) else _RIG_TOP if not place else ()
        return not name.startswith(tuple(start for kind, start in fields if kind != self.rig_kind))

    def table(self, model: type[Sheet], name: str, path: str, data: Any) -> Table:
        inner, form = nested_tables(model)[name]
        info = model.info(name)
        if form == "map":
            return self.columns(path, info.meaning, data)
        if form == "tables":
            entries = data if isinstance(data, list | tuple) else []
            rows = tuple(self.row(inner, f"{path}.{i}", entry) for i, entry in enumerate(entries))
        else:
            rows = (self.row(inner, path, data),)
        summary = " ".join((inner.__doc__ or "").split("\n\n")[0].split())
        return Table(
            name=path,
            id=_id(path),
            title=label_of(name, ""),
            words=summary,
            many=form == "tables",
            narrow=form == "tables" and len(inner.model_fields) <= _FEW and not nested_tables(inner),
            required=model.model_fields[name].is_required(),
            rows=rows,
            faults=self.take(path) if form == "tables" else (),
        )

    def columns(self, path: str, meaning: str, data: Any) -> Table:
        """Return the column map of a CSV log: its keys are channels."""
        entries = list(data.items()) if isinstance(data, Mapping) else []
        rows = []
        for i, (key, entry) in enumerate(entries):
            place = f"{path}.{i}"
            row = self.row(ColumnEntry, place, entry)
            found = [
                words
                for name in (f"{path}.{key}", *(f"{path}.{key}.{f}" for f in ColumnEntry.model_fields))
                for words in self.take(name)
            ]
            channel = self.channel(place, key, ("time", *CHANNELS))
            rows.append(Row(place, (channel, *row.boxes), (), tuple(found)))
        return Table(
            path, _id(path), "Columns of a table", meaning, True, False, False, tuple(rows), self.take(path)
        )

    def pairs(self, path: str, meaning: str, data: Any) -> Table:
        """Return a map of channels to raw fields."""
        entries = list(data.items()) if isinstance(data, Mapping) else []
        rows = []
        for i, (key, value) in enumerate(entries):
            place = f"{path}.{i}"
            words = "the raw field in the log"
            box = Box(
                f"{place}.value", _id(f"{place}.value"), "Raw field", "", words, "", "", words, "text",
                _shown(value), True, "",
            )  # fmt: skip
            channel = self.channel(place, key, tuple(CHANNELS))
            rows.append(Row(place, (channel, box), (), self.take(f"{path}.{key}")))
        return Table(
            path, _id(path), "Raw fields to use", meaning, True, True, False, tuple(rows), self.take(path)
        )

    def channel(self, place: str, key: str, names: Sequence[str]) -> Box:
        known = names if key in names or not key else (*names, key)
        return Box(
            f"{place}.key", _id(f"{place}.key"), "Channel", "", "what it feeds", "", "", "a channel",
            "choice", key, True, "", tuple((c, c) for c in known),
        )  # fmt: skip


def _id(name: str) -> str:
    return "f-" + name.replace(".", "-")


def _place(fault: Fault) -> str:
    """Return a fault's place as the form calls it.

    Examples
    --------
    >>> _place(Fault("aircraft.toml", "propeller.stations[2]", "r_m", "1", "less"))
    'propeller.stations.1.r_m'
    """
    table = re.sub(r"\[(\d+)\]", lambda found: f".{int(found[1]) - 1}", fault.table)
    name = "" if fault.field == "(entry)" else fault.field
    return ".".join(part for part in (table, name) if part)


def _words(fault: Fault, model: type[Sheet]) -> str:
    allowed = _spoken(_plain(fault.allowed), model)
    if fault.value == "(missing)":
        return f"missing; allowed: {allowed}"
    return f"{fault.value} will not do; allowed: {allowed}"


def form_view(
    kind: str,
    model: type[Sheet],
    data: Mapping[str, Any],
    faults: Sequence[Fault] = (),
    choices: Mapping[str, Sequence[str]] | None = None,
) -> FormView:
    """Return the form of a sheet.

    Parameters
    ----------
    kind : str
        Which sheet.
    model : type of Sheet
        Its model.
    data : mapping
        The draft, as TOML would hold it; what is unsound in it is shown as it is.
    faults : sequence of Fault
        Faults of this sheet.
    choices : mapping of str to sequence of str, optional
        Values to choose from, by the field's own name.
    """
    by_place: dict[str, list[str]] = {}
    for fault in faults:
        by_place.setdefault(_place(fault), []).append(_words(fault, model))
    maker = _Maker(kind, by_place, choices or {}, str(data.get("kind", "two_point")))
    top = maker.row(model, "", data)
    listed = []
    for fault in faults:
        place = _place(fault)
        *table, name = place.split(".") if place else [""]
        where = " ".join(f"{int(p) + 1}:" if p.isdecimal() else label_of(p, "") for p in table)
        shown = f"{where} {maker.labels.get(place) or label_of(name, '')}".strip()
        inside = re.match(r"(.*\.(?:columns|sources))\.", place)
        anchor = _id(inside[1] if inside else place) if place in maker.anchors else ""
        told = _words(fault, model)
        listed.append({"anchor": anchor, "words": f"{shown}: {told}" if shown else told})
    words = " ".join((model.__doc__ or "").split("\n\n")[0].split())
    return FormView(kind, words, top, tuple(listed))


# ----------------------------------------------------------------------------------------------- taken back


def _taken(text: str, kind: str) -> Any:
    """Return what was typed, as the sheet wants it where it can be had, else as text."""
    text = text.replace("\r\n", "\n").strip()
    number = text.replace("\u2212", "-").replace(" ", "")
    if number.count(",") == 1 and "." not in number:
        number = number.replace(",", ".")
    try:
        if kind == "number":
            return float(number)
        if kind == "whole":
            return int(number)
        if kind == "date":
            return dt.date.fromisoformat(text)
        if kind == "time":
            return dt.datetime.fromisoformat(text.replace(" UTC", "Z"))
    except ValueError:
        return text
    if kind == "flag":
        return {"yes": True, "no": False}.get(text, text)
    if kind == "numbers":
        # A comma before a space parts two numbers; one within a number is its point, several part again.
        parts = [part for part in re.split(r",?[;\s]+", text) if part]
        split = [one for part in parts for one in (part.split(",") if part.count(",") > 1 else [part])]
        return [_taken(one, "number") for one in split]
    if kind == "texts":
        return [part for part in re.split(r"[;,\s]+", text) if part]
    return text


def _count(form: Form, path: str) -> int:
    text = form.get(f"_rows.{path}", "0")
    return min(int(text), _MOST_ROWS) if text.isdecimal() and len(text) < 6 else 0


def _table(form: Form, model: type[Sheet], place: str) -> dict[str, Any]:
    nested = nested_tables(model)
    out: dict[str, Any] = {}
    for name, model_field in model.model_fields.items():
        path = f"{place}.{name}" if place else name
        info = model.info(name)
        if name in nested or info.kind == "table":
            found = _inner(form, nested.get(name), path)
            if found or (name in nested and nested[name][1] == "table" and model_field.is_required()):
                out[name] = found
            continue
        text = form.get(path)
        if text.strip():
            out[name] = _taken(text, "whole" if info.choices and info.kind == "whole" else info.kind)
    return out


def _inner(form: Form, nested: tuple[type[Sheet], str] | None, path: str) -> Any:
    if nested is not None and nested[1] == "table":
        return _table(form, nested[0], path)
    rows = range(_count(form, path))
    if nested is not None and nested[1] == "tables":
        # An entry left empty is no entry.
        return [entry for i in rows if (entry := _table(form, nested[0], f"{path}.{i}"))]
    found: dict[str, Any] = {}
    for i in rows:
        key = form.get(f"{path}.{i}.key").strip()
        value: Any = form.get(f"{path}.{i}.value").strip()
        if nested is not None:
            value = _table(form, ColumnEntry, f"{path}.{i}")
        if key or value:
            found[key or f"(entry {i + 1})"] = value
    return found


def read_form(model: type[Sheet], form: Form) -> dict[str, Any]:
    """Return a form as a table of TOML; what was left empty is left out."""
    return _table(form, model, "")


def resized(data: dict[str, Any], path: str, change: str) -> dict[str, Any]:
    """Return a table with an entry added to a list in it, or taken out.

    Parameters
    ----------
    data : dict
        The draft.
    path : str
        The list (to add), or the entry (to remove).
    change : str
        ``add`` or ``remove``.

    Examples
    --------
    >>> resized({"readings": [{"rpm": 0.0}]}, "readings", "add")
    {'readings': [{'rpm': 0.0}, {}]}
    >>> resized({"readings": [{"rpm": 0.0}, {"rpm": 1.0}]}, "readings.0", "remove")
    {'readings': [{'rpm': 1.0}]}
    """
    parts = path.split(".")
    found: Any = data
    parents = parts if change == "add" else parts[:-1]
    for number, parent in enumerate(parents):
        if isinstance(found, list) and parent.isdecimal() and int(parent) < len(found):
            found = found[int(parent)]
        elif isinstance(found, dict):
            leads_on = number + 1 < len(parents) and not parents[number + 1].isdecimal()
            found = found.setdefault(parent, {} if leads_on or parent in ("columns", "sources") else [])
        else:
            return data
    if change == "add" and isinstance(found, list) and len(found) < _MOST_ROWS:
        found.append({})
    elif change == "add" and isinstance(found, dict):
        found.setdefault("", {} if parts[-1] == "columns" else "")
    elif change == "remove" and parts[-1].isdecimal():
        number = int(parts[-1])
        if isinstance(found, list) and number < len(found):
            del found[number]
        elif isinstance(found, dict) and number < len(found):
            del found[list(found)[number]]
    return data
