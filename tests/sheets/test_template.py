"""The templates and the models cannot differ."""

from __future__ import annotations

import os
import re
import tomllib

import pytest

from flightproc.errors import OutputError, SheetError
from flightproc.sheets import load_sortie
from flightproc.sheets.fields import PLACEHOLDER
from flightproc.sheets.tables import nested_tables
from flightproc.sheets.template import SHEETS, template, toml_value, write_templates

pytestmark = pytest.mark.synthetic

LINE = re.compile(r"^#?(\w+) = (.+)$|^#?(\[+)([\w.]+)\]+$")


def walk(text):
    """Yield (table, field, value) of every line that is TOML once its # is taken away."""
    table = ""
    for line in text.splitlines():
        found = LINE.match(line)
        if found and found.group(3):
            table = found.group(4)
        elif found:
            yield table, found.group(1), found.group(2)


def fields(kind, place=""):
    """Yield (table, field, info) of every field of a model and of the tables within it."""
    nested = nested_tables(kind)
    for name in kind.model_fields:
        inner, form = nested.get(name, (None, ""))
        if inner is None or form == "map":
            yield place, name, kind.info(name)
        if inner is not None and form != "map":
            yield from fields(inner, f"{place}.{name}" if place else name)


def fill(name, text):
    """Put the example of each field where the template holds a placeholder."""
    info = {(table, field): item for table, field, item in fields(SHEETS[name])}
    out, table, rpm = [], "", iter((5500, 8450))
    for line in text.splitlines():
        found = LINE.match(line)
        if found and found.group(3) and not line.startswith("#"):
            table = found.group(4)
        if line.endswith(f'= "{PLACEHOLDER}"') and not line.startswith("#"):
            field = line.split(" = ")[0]
            value = next(rpm) if field == "rpm" else info[table, field].example
            line = f"{field} = {toml_value(value)}"
        out.append(line)
    return "\n".join(out) + "\n"


@pytest.mark.parametrize("name", SHEETS)
def test_every_field_is_in_the_template_and_nothing_else(name):
    kind = SHEETS[name]
    written = {(table, field) for table, field, _ in walk(template(name))}
    maps = {"logs.columns", "logs.sources"}
    tables = {line[4] for line in LINE.finditer(template(name)) if line[4]} | {
        m.group(4) for m in map(LINE.match, template(name).splitlines()) if m and m.group(4)
    }
    for table, field, info in fields(kind):
        if info.kind == "table":
            assert f"{table}.{field}" in tables
        else:
            assert (table, field) in written, (table, field)
    known = {(table, field) for table, field, _ in fields(kind)}
    assert {pair for pair in written if pair[0] not in maps} <= known


@pytest.mark.parametrize("name", SHEETS)
def test_every_field_has_meaning_unit_and_a_sound_example(name):
    for _, field, info in fields(SHEETS[name]):
        assert len(info.meaning) > 7 or info.meaning == "diameter"
        suffix = re.search(r"_(kg_m3|N_m_rad|N_m|m_s|deg_s|kg|m2|m|s|deg|hPa|C|N|Hz|hz)$", field)
        if suffix and info.kind == "number":
            assert info.unit, field
        assert info.allowed
        if info.example is not None and info.kind not in {"table", "tables"}:
            info.check(info.example)


@pytest.mark.parametrize("name", SHEETS)
def test_templates_are_toml_with_and_without_their_optional_lines(name):
    text = template(name)
    assert PLACEHOLDER in str(tomllib.loads(text))
    bare = re.sub(r"^#(?=[\w\[])", "", text, flags=re.M)
    tomllib.loads(bare)
    assert all(len(line) <= 110 and line == line.rstrip() for line in text.splitlines())


def test_filled_in_templates_load(tmp_path):
    for name in SHEETS:
        (tmp_path / f"{name}.toml").write_text(fill(name, template(name)), encoding="utf-8")
    (tmp_path / "unit.ulg").touch()
    sheets = load_sortie(tmp_path / "sortie.toml")
    assert sheets.rig is not None and len(sheets.rig.readings) == 3
    assert sheets.sortie.logs[0].role == "unit"


def test_filled_in_templates_load_with_their_optional_lines(tmp_path):
    leave_out = {
        "sortie": r"(start|end)_utc|clock_offset_s|same_clock_as|new_(start|end)_s",
        "aircraft": r"chord_075_m|hang_offset_m|#$",
        "rig": r"density\w*|arm_m|load_N|load_kg|torque_N_m|(load|torque)_(low|high)_\w+",
        "glider": r"#$",
    }
    for name, pattern in leave_out.items():
        text = fill(name, template(name))
        text = text.replace('#kind = "none"', '#kind = "thrust_tilt"')
        text = re.sub(r"^#\[\[propeller.stations\]\](.|\n)*?#beta_deg.*\n", "", text, flags=re.M)
        text = re.sub(rf"^#({pattern}) = .*\n", "", text, flags=re.M)
        text = re.sub(r"^#(?=[\w\[])", "", text, flags=re.M)
        if name == "rig":
            text = re.sub(r"^(left|right)_(low|high)_kg = .*\n", "", text, flags=re.M)
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    for log in ("unit.ulg", "track.gpx", "engine.csv"):
        (tmp_path / log).touch()
    sheets = load_sortie(tmp_path / "sortie.toml")
    assert len(sheets.sortie.logs) == 3
    assert sheets.sortie.ballast[0].mass_kg == 4.0
    assert sheets.aircraft.compensation.moment_N_m == 8.0


def test_an_unfilled_set_tells_every_placeholder(tmp_path):
    write_templates(tmp_path)
    with pytest.raises(SheetError) as caught:
        load_sortie(tmp_path / "sortie.toml")
    count = sum(
        line.endswith(f'= "{PLACEHOLDER}"') for name in SHEETS for line in template(name).splitlines()
    )
    assert len(caught.value.faults) == count > 25
    assert all(fault.allowed.startswith("still to be filled in; ") for fault in caught.value.faults)


def test_all_sheets_are_written(tmp_path):
    written = write_templates(tmp_path / "a" / "b ü")
    assert [path.name for path in written] == [f"{name}.toml" for name in SHEETS]
    assert sorted(os.listdir(tmp_path / "a" / "b ü")) == sorted(path.name for path in written)
    assert b"\r" not in written[0].read_bytes()


def test_sheets_that_exist_are_left_alone(tmp_path):
    (tmp_path / "rig.toml").write_text("mine")
    (tmp_path / "glider.toml").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputError) as caught:
        write_templates(tmp_path)
    assert "rig.toml" in str(caught.value) and "glider.toml" in str(caught.value)
    assert "aircraft.toml" not in str(caught.value)
    assert sorted(os.listdir(tmp_path)) == ["glider.toml", "rig.toml"]
    assert (tmp_path / "rig.toml").read_text() == "mine"


def test_a_file_in_the_way_is_told(tmp_path):
    (tmp_path / "file").write_text("x")
    for place in (tmp_path / "file", tmp_path / "file" / "deeper"):
        with pytest.raises(OutputError, match="a file stands where the folder should be"):
            write_templates(place)
    with pytest.raises(OutputError, match="cannot be written"):
        write_templates(tmp_path / ("x" * 400))
    with pytest.raises(OutputError, match="null character"):
        write_templates(f"{tmp_path}/a\0b")


@pytest.mark.parametrize("fail_at", [1, 3, 4])
def test_a_failure_half_way_leaves_nothing(tmp_path, monkeypatch, fail_at):
    calls = []
    replace = os.replace

    def failing(source, target):
        calls.append(target)
        if len(calls) == fail_at:
            raise OSError(28, "No space left on device")
        replace(source, target)

    monkeypatch.setattr(os, "replace", failing)
    with pytest.raises(OutputError, match="No space left on device"):
        write_templates(tmp_path / "new" / "folder")
    assert os.listdir(tmp_path) == []
