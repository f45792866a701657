"""Forms made from the sheets hold what the sheets hold, and show every fault at its field."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flightproc.errors import Fault, SheetError
from flightproc.sheets import load_aircraft, load_glider, load_rig
from flightproc.sheets.fields import Sheet
from flightproc.sheets.tables import nested_tables
from flightproc.sheets.template import SHEETS
from flightproc.web.drafts import sheet_kind, toml_text
from flightproc.web.forms import Row, form_view, read_form, resized
from flightproc.web.uploads import Form

from .helpers import SAMPLE

pytestmark = pytest.mark.synthetic


def sent(view: Any, hidden: dict[str, Any] | None = None) -> Form:
    """Return a form as a browser would send it back untouched."""
    pairs: list[tuple[str, str]] = []

    def take(row: Row) -> None:
        pairs.extend((box.name, box.value) for box in row.boxes)
        for table in row.tables:
            if table.many:
                pairs.append((f"_rows.{table.name}", str(len(table.rows))))
            for inner in table.rows:
                take(inner)

    take(view.top)
    return Form(pairs)


def sample(kind: str) -> dict[str, Any]:
    return tomllib.loads((SAMPLE / f"{kind}.toml").read_text())


@pytest.mark.parametrize("kind", SHEETS)
def test_a_sheet_comes_through_its_form_unchanged(kind: str) -> None:
    data = sample(kind)
    back = read_form(SHEETS[kind], sent(form_view(kind, SHEETS[kind], data)))
    left = {name: data[name] for name in ("aircraft", "glider", "rig") if kind == "sortie"}
    assert SHEETS[kind].model_validate(back | left) == SHEETS[kind].model_validate(data)


@pytest.mark.parametrize("kind", SHEETS)
def test_every_field_of_a_sheet_is_in_its_form(kind: str) -> None:
    def filled(model: type[Sheet]) -> dict[str, Any]:
        nested = nested_tables(model)
        out: dict[str, Any] = {}
        for name in model.model_fields:
            if name in nested:
                inner = filled(nested[name][0])
                out[name] = {"table": inner, "tables": [inner], "map": {"time": inner}}[nested[name][1]]
            elif model.info(name).kind == "table":
                out[name] = {"rpm": "raw"}
            else:
                out[name] = f"value of {name}"
        return out

    data = filled(SHEETS[kind])
    back = read_form(SHEETS[kind], sent(form_view(kind, SHEETS[kind], data)))
    for name in ("aircraft", "glider", "rig") if kind == "sortie" else ():
        del data[name]

    def names(value: Any, place: str = "") -> set[str]:
        if isinstance(value, dict):
            return {n for k, v in value.items() for n in names(v, f"{place}.{k}")}
        if isinstance(value, list) and value and isinstance(value[0], dict):
            return names(value[0], f"{place}[]")
        return {place}

    assert names(back) == names(data)


@pytest.mark.parametrize(
    ("typed", "taken"),
    [
        ("118,5", 118.5),
        (" 118.5 ", 118.5),
        ("−3", -3.0),
        ("1e2", 100.0),
        ("about 5", "about 5"),
        ("1.2.", "1.2."),
    ],
)
def test_numbers_are_taken_as_people_type_them(typed: str, taken: object) -> None:
    assert read_form(SHEETS["aircraft"], Form([("hung_mass_kg", typed)]))["hung_mass_kg"] == taken


def test_other_kinds_are_taken_as_people_type_them() -> None:
    pairs = [
        ("name", "a"),
        ("engine.idle_turns_propeller", "yes"),
        ("propeller.blades", "2"),
        ("tilt_test.side", "left, right left"),
        ("tilt_test.angle_deg", "-3,5; 3,4 -3.6"),
    ]
    data = read_form(SHEETS["aircraft"], Form(pairs))
    assert data["engine"]["idle_turns_propeller"] is True and data["propeller"]["blades"] == 2
    assert data["tilt_test"] == {"side": ["left", "right", "left"], "angle_deg": [-3.5, 3.4, -3.6]}
    pairs = [("date", "2026-05-14"), ("_rows.notes", "1"), ("notes.0.start_utc", "x")]
    when = read_form(SHEETS["sortie"], Form(pairs))
    assert when["date"].isoformat() == "2026-05-14" and when["notes"] == [{"start_utc": "x"}]


def faults_of(kind: str, data: dict[str, Any], folder: Path) -> list[Fault]:
    path = folder / f"{kind}.toml"
    path.write_text(toml_text(data))
    loads: dict[str, Any] = {"aircraft": load_aircraft, "glider": load_glider, "rig": load_rig}
    with pytest.raises(SheetError) as caught:
        loads[kind](path)
    return list(caught.value.faults)


def test_every_fault_is_shown_at_its_field(tmp_path: Path) -> None:
    data = sample("aircraft")
    data["hung_mass_kg"] = "heavy"
    data["engine"]["gear_ratio"] = 99.0
    del data["propeller"]["rotation"]
    data["propeller"]["stations"][2]["r_m"] = 0.001
    view = form_view("aircraft", SHEETS["aircraft"], data, faults_of("aircraft", data, tmp_path))
    found = {fault["anchor"]: fault["words"] for fault in view.faults}
    assert set(found) == {
        "f-hung_mass_kg",
        "f-engine-gear_ratio",
        "f-propeller-rotation",
        "f-propeller-stations-2-r_m",
    }
    assert "heavy" in found["f-hung_mass_kg"] and "20 to 400 kg" in found["f-hung_mass_kg"]
    assert "missing" in found["f-propeller-rotation"]
    box = next(box for box in view.top.boxes if box.name == "hung_mass_kg")
    assert box.value == "heavy" and box.faults
    assert next(t for t in view.tables if t.name == "propeller").faulty


def test_words_of_a_form_do_not_speak_of_quotes(tmp_path: Path) -> None:
    told = []
    for kind in ("aircraft", "glider", "rig"):
        for fault in form_view(kind, SHEETS[kind], {}, faults_of(kind, {}, tmp_path)).faults:
            told.append(fault["words"])
    assert told and not [words for words in told if re.search(r"in quotes|without quotes", words)]


def test_entries_can_be_added_and_taken_out() -> None:
    data = sample("aircraft")
    stations = len(data["propeller"]["stations"])
    more = resized(data, "propeller.stations", "add")
    assert len(more["propeller"]["stations"]) == stations + 1 and more["propeller"]["stations"][-1] == {}
    less = resized(more, "propeller.stations.0", "remove")
    assert less["propeller"]["stations"][0]["r_m"] == 0.192
    assert resized({}, "propeller.stations", "add") == {"propeller": {"stations": [{}]}}
    assert resized({"logs": [{}]}, "logs.0.columns", "add") == {"logs": [{"columns": {"": {}}}]}
    assert resized({}, "logs.7.columns.x", "remove") in ({}, {"logs": []})


@pytest.mark.parametrize("kind", SHEETS)
def test_an_uploaded_sheet_is_told_by_its_fields(kind: str) -> None:
    assert sheet_kind(sample(kind)) == kind


_words = st.text(st.characters(exclude_categories=("Cs",)), max_size=20)
_plain = st.one_of(
    st.booleans(), st.integers(-(2**60), 2**60), st.floats(allow_nan=False), _words, st.dates()
)
_tables = st.recursive(
    st.dictionaries(_words, _plain, max_size=4),
    lambda inner: st.dictionaries(
        _words,
        st.one_of(_plain, inner, st.lists(inner, min_size=1, max_size=3), st.lists(_words)),
        max_size=4,
    ),
    max_leaves=12,
)


@given(_tables)
def test_a_table_written_down_reads_back_the_same(table: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(table)) == table


@given(st.lists(st.tuples(_words, _words), max_size=20), st.sampled_from(sorted(SHEETS)))
def test_no_form_whatever_is_sent_breaks_the_reading(pairs: list[tuple[str, str]], kind: str) -> None:
    names = [f"_rows.{name}" for name in SHEETS[kind].model_fields] + list(SHEETS[kind].model_fields)
    mixed = [(names[i % len(names)] if i % 2 else name, value) for i, (name, value) in enumerate(pairs)]
    data = read_form(SHEETS[kind], Form(mixed))
    form_view(kind, SHEETS[kind], data)
    assert tomllib.loads(toml_text(data)) == data or "nan" in toml_text(data)
