"""Reading a set of sheets: what is sound is read, what is not is told, all of it."""

# ruff: noqa: E501 (a table of faults, one a line)

from __future__ import annotations

import datetime as dt
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from flightproc.errors import SheetError
from flightproc.sheets import load_aircraft, load_glider, load_rig, load_sortie

pytestmark = pytest.mark.synthetic

PYDANTIC_WORDS = re.compile(
    r"Input should|validation error|Field required|Extra inputs|pydantic|instance of", re.I
)


def faults_of(path) -> list:
    with pytest.raises(SheetError) as caught:
        load_sortie(path)
    assert not PYDANTIC_WORDS.search(str(caught.value))
    return list(caught.value.faults)


def test_sound_set_is_read(sheet_set):
    sheets = load_sortie(sheet_set())
    assert sheets.sortie.title == "Evening sortie"
    assert sheets.sortie.date == dt.date(2026, 5, 1)
    assert sheets.aircraft.engine.gear_ratio == 2.8
    assert sheets.glider.flat_span_m == 11.8
    assert sheets.rig is not None and len(sheets.rig.readings) == 3
    assert set(sheets.files) == {"unit", "engine"}
    assert all(path.is_file() for path in sheets.files.values())
    assert set(sheets.sheet_files) == {"sortie", "aircraft", "glider", "rig"}
    assert sheets.folder.name == "my sortie ü"


def test_defaults_and_absent_values(sheet_set):
    sheets = load_sortie(str(sheet_set()))
    assert sheets.sortie.settings.draws == 20000
    assert sheets.sortie.settings.settling_s is None
    assert sheets.sortie.logs[0].clock_offset_s is None
    assert sheets.sortie.logs[1].columns["rpm"].sign == 1
    assert sheets.aircraft.compensation.kind == "none"
    assert sheets.aircraft.riser_roll_stiffness_N_m_rad is None
    assert sheets.aircraft.hang_arm_std_m == 0.05


def test_rig_may_be_left_out(sheet_set, texts):
    path = sheet_set(sortie=texts["sortie"].replace('rig = "rig.toml"\n', ""))
    (path.parent / "rig.toml").write_text("not TOML at all")
    sheets = load_sortie(path)
    assert sheets.rig is None
    assert "rig" not in sheets.sheet_files


def test_single_sheets(sheet_set):
    folder = sheet_set().parent
    assert load_rig(folder / "rig.toml").spacing_m == 0.38
    assert load_aircraft(folder / "aircraft.toml").propeller.blades == 2
    assert load_glider(folder / "glider.toml").name == "school wing 28"
    with pytest.raises(SheetError, match="in the sheets"):
        load_rig(folder / "glider.toml")


def test_models_are_frozen(sheet_set):
    sheets = load_sortie(sheet_set())
    with pytest.raises(ValueError, match="frozen"):
        sheets.aircraft.hung_mass_kg = 1.0


def test_log_outside_the_folder_is_fine(sheet_set, texts, tmp_path):
    (tmp_path / "far.ulg").touch()
    text = texts["sortie"].replace("logs folder/unit é.ulg", "../far.ulg")
    assert load_sortie(sheet_set(sortie=text)).files["unit"].is_file()


@pytest.mark.parametrize(
    ("sheet", "old", "new", "table", "field", "value", "allowed"),
    [
        ("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = 0.50e1", "", "hung_mass_kg", "0.50e1", "20 to 400 kg"),
        ("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = nan", "", "hung_mass_kg", "nan", "20 to 400 kg"),
        ("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = +inf", "", "hung_mass_kg", "+inf", "20 to 400 kg"),
        ("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = true", "", "hung_mass_kg", "true", "no numbers"),
        ("aircraft", "hung_mass_kg = 118.0", 'hung_mass_kg = "118"', "", "hung_mass_kg", '"118"', "without quotes"),
        ("aircraft", "hung_mass_kg = 118.0", 'hung_mass_kg = "118,5"', "", "hung_mass_kg", '"118,5"', "decimal point"),
        ("aircraft", "hung_mass_kg = 118.0", 'hung_mass_kg = "heavy"', "", "hung_mass_kg", '"heavy"', "not text"),
        ("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = [118]", "", "hung_mass_kg", "[118]", "20 to 400 kg"),
        ("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = 2026-01-01", "", "hung_mass_kg", "2026-01-01", "400 kg"),
        ("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = " + "9" * 400, "", "hung_mass_kg", "bits", "400 kg"),
        ("aircraft", "hung_mass_kg = 118.0\n", "", "", "hung_mass_kg", "(missing)", "20 to 400 kg"),
        ("aircraft", "hung_mass_kg = 118.0", 'hung_mass_kg = "FILL IN"', "", "hung_mass_kg", "FILL", "still to be filled"),
        ("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = 130", "", "all_up_mass_kg", "124", "more than hung_mass_kg"),
        ("aircraft", "blades = 2", "blades = 2.0", "propeller", "blades", "2.0", "without a decimal point"),
        ("aircraft", "blades = 2", "blades = true", "propeller", "blades", "true", "whole number from 1 to 8"),
        ("aircraft", '"left"', '"anticlockwise"', "propeller", "rotation", '"anticlockwise"', 'one of "left", "right"'),
        ("aircraft", "pitch_m = 0.62", "", "propeller", "pitch_m", "(missing)", "[[propeller.stations]]"),
        ("aircraft", "pitch_m", "pich_m", "propeller", "pich_m", "0.62", "did you mean pitch_m?"),
        ("aircraft", "[engine]\ngear_ratio = 2.8", "gear_ratio = 2.8", "", "gear_ratio", "2.8", "belongs in [engine]"),
        ("aircraft", "[engine]\ngear_ratio = 2.8", "", "", "engine", "(missing)", "a table [engine]; it holds gear_ratio"),
        ("aircraft", "[engine]\ngear_ratio = 2.8", "engine = 5", "", "engine", "5", "a table"),
        ("aircraft", "[engine]", "[[engine]]", "", "engine", "1 table", "a table"),
        ("aircraft", "pitch_m = 0.62", "pitch_m = 0.6\ntrim_speed_m_s = 3", "propeller", "trim_speed_m_s", "3", "glider sheet"),
        ("glider", "projected_area_m2 = 23.9", "projected_area_m2 = 29", "", "projected_area_m2", "29", "flat_area_m2"),
        ("glider", "projected_span_m = 9.3", "projected_span_m = 12", "", "projected_span_m", "12", "flat_span_m"),
        ("glider", "flat_span_m = 11.8", "flat_span_m = 19.8", "", "flat_span_m", "19.8", "aspect ratio 14.0"),
        ("glider", "trim", "turn_coefficient_std = 1\ntrim", "", "turn_coefficient_std", "1", "turn_coefficient"),
        ("rig", '"two_point"', '"lever"', "", "kind", '"lever"', '"two_point"'),
        ("rig", "rpm = 0\n", "rpm = 4000\n", "", "readings", "3 tables", "rpm = 0"),
        ("rig", "rpm = 8450", "rpm = 5500", "", "readings", "3 tables", "two or more engine speeds"),
        ("rig", "left_low_kg = 56.2", "left_low_kg = 56.9", "readings[2]", "left_low_kg", "56.9", "mean left_kg (56.6 kg)"),
        ("rig", "left_high_kg = 57.1", "left_high_kg = 56.5", "readings[2]", "left_high_kg", "56.5", "no less than the mean"),
        ("rig", "left_high_kg = 57.1", "left_high_kg = 56.1", "readings[2]", "left_high_kg", "56.1", "no less than left_low"),
        ("rig", "left_high_kg = 57.1", "", "readings[2]", "left_high_kg", "(missing)", "go together"),
        ("rig", "rpm = 8450", "rpm = 8450\nthrust_std_N = 3", "readings[3]", "thrust_std_N", "3", "thrust_N"),
        ("rig", "temperature_C = 15", "", "air", "temperature_C", "(missing)", "or density_kg_m3"),
        ("rig", "temperature_C = 15", "density_kg_m3 = 1.2", "air", "density_kg_m3", "1.2", "not both"),
        ("rig", "temperature_C = 15", "temperature_C = 15\ndensity_std_kg_m3 = 0.1", "air", "density_std_kg_m3", "0.1", "density"),
        ("sortie", 'role = "unit"', 'role = "gps"', "", "logs", "2 tables", "exactly one log"),
        ("sortie", 'role = "engine"', 'role = "unit"', "logs[2]", "role", '"unit"', "only one log"),
        ("sortie", 'name = "engine"', 'name = "unit"', "logs[2]", "name", '"unit"', "logs[1] has this one"),
        ("sortie", 'role = "unit"', 'role = "unit"\nclock_offset_s = 3', "logs[1]", "clock_offset_s", "3", "time base"),
        ("sortie", 'role = "unit"', 'role = "unit"\nsame_clock_as = "engine"', "logs[1]", "same_clock_as", '"engine"', "time base"),
        ("sortie", "clock_offset_s = -12.5", 'same_clock_as = "phone"', "logs[2]", "same_clock_as", '"phone"', "there are: unit"),
        ("sortie", "clock_offset_s = -12.5", 'clock_offset_s = 1\nsame_clock_as = "unit"', "logs[2]", "clock_offset_s", "1", "leave it out"),
        ("sortie", "engine.csv", "motor.csv", "logs[2]", "file", '"motor.csv"', "a file that exists"),
        ("sortie", "engine.csv", "logs folder", "logs[2]", "file", '"logs folder"', "not a folder"),
        ("sortie", "engine.csv", "logs\\\\engine.csv", "logs[2]", "file", "engine.csv", "write folders with /"),
        ("sortie", "engine.csv", "a\\u0000b", "logs[2]", "file", "\\u0000", "a file name"),
        ("sortie", "engine.csv", "", "logs[2]", "file", '""', "a file name"),
        ("sortie", "engine.csv", "x" * 1500, "logs[2]", "file", "xxx", "a file that exists"),
        ("sortie", '"aircraft.toml"', '"plane.toml"', "", "aircraft", '"plane.toml"', "a sheet that exists"),
        ("sortie", "rpm = {", "rpmm = {", "logs[2].columns", "rpmm", "Engine RPM", "did you mean rpm?"),
        ("sortie", "time = {", "pressure = {", "logs[2].columns", "time", "(missing)", "the column of time"),
        ("sortie", 'unit = "rpm"', 'unit = "rpm", sign = 0', "logs[2].columns.rpm", "sign", "0", "1 or -1"),
        ("sortie", 'unit = "rpm"', 'unit = "rpm", sign = true', "logs[2].columns.rpm", "sign", "true", "1 or -1"),
        ("sortie", 'unit = "rpm"', 'unit = "deg"', "logs[2].columns.rpm", "unit", '"deg"', "a unit of rpm: 1/min"),
        ("sortie", 'unit = "rpm"', 'unit = "FILL IN"', "logs[2].columns.rpm", "unit", "FILL", "still to be filled in"),
        ("sortie", 'unit = "s"', 'unit = "fortnight"', "logs[2].columns.time", "unit", '"fortnight"', "s, ms, us"),
        ("sortie", 'column = "t", ', "", "logs[2].columns.time", "column", "(missing)", "heading"),
        ("sortie", "[logs.columns]", "[logs.sources]\nbank = 1\n[logs.columns]", "logs[2].sources", "bank", "1", "such as"),
        ("sortie", "[logs.columns]", '[logs.sources]\nbnk = "a"\n[logs.columns]', "logs[2].sources", "bnk", '"a"', "bank?"),
        ("sortie", "wind_from_deg = 250.0", "", "air", "wind_from_deg", "(missing)", "go together"),
        ("sortie", "start_s = 660\nend_s = 720", "start_s = 659\nend_s = 720", "ballast[2]", "start_s", "659", "overlaps ballast[1]"),
        ("sortie", "end_s = 720", "end_s = 650", "ballast[2]", "end_s", "650", "later than start_s"),
        ("sortie", "end_s = 720", "", "ballast[2]", "end_s", "(missing)", "go together"),
        ("sortie", "end_s = 720", "end_utc = 2026-05-01T17:03:20Z", "ballast[2]", "end_utc", "2026", "not both"),
        ("sortie", "start_s = 660\nend_s = 720", "", "ballast[2]", "start_s", "(missing)", "start_utc and end_utc"),
        ("sortie", "17:03:20Z", "17:03:20", "notes[1]", "start_utc", "17:03:20", "Z for UTC"),
        ("sortie", "2026-05-01T17:03:20Z", "2026-05-01", "notes[1]", "start_utc", "2026-05-01", "with its zone"),
        ("sortie", "2026-05-01T17:03:20Z", '"17:03"', "notes[1]", "start_utc", '"17:03"', "without quotes"),
        ("sortie", "2026-05-01T17:03:20Z", "0001-01-01T00:00:00+23:00", "notes[1]", "start_utc", "0001", "zone"),
        ("sortie", "2026-05-01T17:03:20Z", "2026-05-01T18:03:20Z", "notes[1]", "end_utc", "2026", "later than start_utc"),
        ("sortie", "hands_off = true", "", "notes[1]", "hands_off", "(missing)", "hands_off or text"),
        ("sortie", "hands_off = true", "hands_off = 1", "notes[1]", "hands_off", "1", "true or false"),
        ("sortie", 'action = "strike"', 'action = "add"', "holds[1]", "kind", "(missing)", "needed for action"),
        ("sortie", 'action = "strike"', 'action = "move"', "holds[1]", "new_start_s", "(missing)", "new_end_s or both"),
        ("sortie", 'reason = "gust"', "new_end_s = 3", "holds[1]", "new_end_s", "3", 'only for action = "move"'),
        ("sortie", 'reason = "gust"', 'kind = "glide"', "holds[1]", "kind", '"glide"', 'only for action = "add"'),
        ("sortie", "date = 2026-05-01", "date = 2026-05-01T10:00:00", "", "date", "2026-05-01T10:00:00", "a date"),
        ("sortie", "date = 2026-05-01", 'date = "1 May"', "", "date", '"1 May"', "without quotes"),
        ("sortie", '"Evening sortie"', "5", "", "title", "5", "text in quotes"),
        ("sortie", '"Evening sortie"', '"  "', "", "title", '"  "', "text in quotes"),
        ("sortie", "[air]", "[airs]", "", "airs", "wind_speed_m_s", "did you mean air?"),
        ("sortie", "[[notes]]", "[notes]", "", "notes", "start_utc", "[[notes]]"),
        ("sortie", "[air]", "[settings]\ndraws = 1e4\n[air]", "settings", "draws", "1e4", "without a decimal point"),
    ],
)  # fmt: skip
def test_fault_is_told(spoil, sheet, old, new, table, field, value, allowed):
    faults = spoil(sheet, old, new)
    told = [f for f in faults if f.table == table and f.field == field]
    assert told, faults
    assert value in told[0].value
    assert any(allowed in fault.allowed for fault in told)
    assert told[0].file.endswith(f"{sheet}.toml")
    assert not any(PYDANTIC_WORDS.search(str(f)) for f in faults)


@pytest.mark.parametrize("unit", ["s", "ms", "seconds", "utc", "iso", "unix"])
def test_units_of_time_that_the_reader_knows(spoil, unit):
    assert spoil("sortie", 'unit = "s"', f'unit = "{unit}"') == []


def test_one_mistake_is_told_once(spoil):
    assert len(spoil("sortie", 'unit = "rpm"', 'unit = "FILL IN"')) == 1
    assert len(spoil("aircraft", "hung_mass_kg = 118.0", "hung_mass_kg = -5")) == 1
    assert len(spoil("sortie", "end_s = 720", "end_s = nan")) == 1
    assert len(spoil("rig", "rpm = 5500", 'rpm = "x"')) == 1


MOVE = 'action = "move"\nstart_s = 100\nend_s = 160\n'


@pytest.mark.parametrize(
    "new", ["new_start_s = 110", "new_end_s = 150", "new_start_s = 110\nnew_end_s = 170"]
)
def test_move_takes_either_bound(spoil, new):
    assert spoil("sortie", 'action = "strike"\nstart_s = 100\nend_s = 160\n', MOVE + new + "\n") == []


@pytest.mark.parametrize("new", ["new_start_s = 170", "new_end_s = 90", "new_start_s = 110\nnew_end_s = 105"])
def test_move_keeps_order(spoil, new):
    faults = spoil("sortie", 'action = "strike"\nstart_s = 100\nend_s = 160\n', MOVE + new + "\n")
    assert len(faults) == 1 and "before the new end" in faults[0].allowed


STATIONS = "".join(
    f"[[propeller.stations]]\nr_m = {r}\nchord_m = 0.1\nbeta_deg = 15\n" for r in (0.1, 0.25, 0.4, 0.55, 0.65)
)


def test_blade_table(spoil):
    assert spoil("aircraft", "pitch_m = 0.62\n", STATIONS) == []
    both = spoil("aircraft", "pitch_m = 0.62\n", "pitch_m = 0.62\n" + STATIONS)
    assert [f.field for f in both] == ["pitch_m"] and "not both" in both[0].allowed
    short = spoil(
        "aircraft",
        "pitch_m = 0.62\n",
        "[[" + "[[".join(STATIONS.split("[[")[1:3]),
    )
    assert [f.field for f in short] == ["stations"] and "there are 2" in short[0].allowed
    turned = spoil("aircraft", "pitch_m = 0.62\n", STATIONS.replace("0.55", "0.35"))
    assert [(f.table, f.field) for f in turned] == [("propeller.stations[4]", "r_m")]
    long = spoil("aircraft", "pitch_m = 0.62\n", STATIONS.replace("0.65", "0.66"))
    assert [(f.table, f.field) for f in long] == [("propeller.stations[5]", "r_m")]
    assert "0.65 m" in long[0].allowed
    chord = spoil("aircraft", "pitch_m = 0.62\n", "chord_075_m = 0.1\n" + STATIONS)
    assert [f.field for f in chord] == ["chord_075_m"]


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ('kind = "none"\nhang_offset_m = 0.02', ["kind"]),
        ('kind = "hang_offset"', ["hang_offset_m"]),
        ('kind = "hang_offset"\nhang_offset_m = 0.02', []),
        ('kind = "hang_offset"\nmoment_N_m = 5\nat_rpm = 7000', []),
        ('kind = "thrust_tilt"', []),
        ('kind = "thrust_tilt"\nhang_offset_m = 0.02', ["hang_offset_m"]),
        ('kind = "thrust_tilt"\nmoment_N_m = 5', ["at_rpm"]),
        ('kind = "slipstream_surface"\nmoment_std_N_m = 5\nat_rpm = 7000', ["moment_std_N_m", "at_rpm"]),
    ],
)
def test_compensation(spoil, text, fields):
    faults = spoil("aircraft", "pitch_m = 0.62\n", f"pitch_m = 0.62\n[compensation]\n{text}\n")
    assert [f.field for f in faults] == fields


def test_all_faults_of_all_sheets_are_told_together(sheet_set, texts):
    path = sheet_set(
        sortie=texts["sortie"]
        .replace('title = "Evening sortie"', "titel = 5")
        .replace('"glider.toml"', '"wing.toml"')
        .replace("engine.csv", "gone.csv")
        .replace('side = "left"', 'side = "port"')
        .replace("end_s = 720", "end_s = 650"),
        aircraft="name = x1\n",
        rig=texts["rig"].replace("spacing_m = 0.38", "spacing_m = 38").replace("rpm = 0\n", "rpm = 100\n"),
    )
    faults = faults_of(path)
    told = {(Path(f.file).name, f.table, f.field) for f in faults}
    assert told == {
        ("sortie.toml", "", "title"),
        ("sortie.toml", "", "titel"),
        ("sortie.toml", "", "glider"),
        ("sortie.toml", "logs[2]", "file"),
        ("sortie.toml", "ballast[1]", "side"),
        ("sortie.toml", "ballast[2]", "end_s"),
        ("aircraft.toml", "", "line 1, column 8"),
        ("rig.toml", "", "spacing_m"),
        ("rig.toml", "", "readings"),
    }
    assert [Path(f.file).name for f in faults] == sorted(
        (Path(f.file).name for f in faults), key=["sortie.toml", "aircraft.toml", "rig.toml"].index
    )


def test_rules_run_beside_faults_of_other_fields(spoil):
    faults = spoil("sortie", 'name = "engine"\nfile = "engine.csv"', 'name = "unit"\nfile = 5')
    assert {(f.table, f.field) for f in faults} == {("logs[2]", "name"), ("logs[2]", "file")}


def test_other_sheets_are_looked_at_when_the_sortie_sheet_is_broken(sheet_set, texts):
    path = sheet_set(sortie="title = \n", glider=texts["glider"].replace("28.0", "2800"))
    faults = faults_of(path)
    assert [(Path(f.file).name, f.field) for f in faults] == [
        ("sortie.toml", "line 1, column 9"),
        ("glider.toml", "flat_area_m2"),
    ]


def test_sortie_sheet_that_is_not_there(tmp_path):
    (fault,) = faults_of(tmp_path / "none" / "sortie.toml")
    assert fault.value == "(missing)" and "flightproc new" in fault.allowed


def test_empty_sortie_sheet_tells_what_it_needs(sheet_set):
    faults = faults_of(sheet_set(sortie=""))
    assert {f.field for f in faults} == {"title", "aircraft", "glider", "logs"}


def test_message_names_file_table_field_value_and_allowed(spoil):
    (fault,) = spoil("sortie", "mass_kg = 4.0", "mass_kg = 400.0")
    assert str(fault).endswith("sortie.toml: [ballast[1]] mass_kg = 400.0: 0.1 to 25 kg")


def test_a_sheet_that_may_not_be_read(sheet_set):
    path = sheet_set()
    glider = path.parent / "glider.toml"
    glider.chmod(0)
    if os.access(glider, os.R_OK):
        glider.unlink()
        glider.mkdir()
    (fault,) = faults_of(path)
    assert fault.file == str(glider)


def test_a_folder_that_may_not_be_entered(sheet_set, monkeypatch):
    path = sheet_set(sortie="")

    def refused(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "stat", refused)
    (fault,) = [f for f in faults_of(path) if f.file == str(path)]
    assert fault.value == "Permission denied"


def test_importing_the_package_is_cheap():
    code = "import sys, flightproc.sheets; assert 'pydantic' not in sys.modules; flightproc.sheets.load_rig"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_package_lists_what_it_offers():
    import flightproc.sheets as package

    assert all(getattr(package, name) is not None for name in package.__all__)
    assert set(package.__all__) <= set(dir(package))
    with pytest.raises(AttributeError, match="no attribute"):
        package.load_nothing  # noqa: B018


def test_nan_never_passes(spoil, texts):
    numbers = [
        (sheet, line)
        for sheet, text in texts.items()
        for line in text.splitlines()
        if re.match(r"\w+ = -?[\d.]+$", line)
    ]
    assert len(numbers) > 25
    for sheet, line in numbers:
        name = line.split(" = ")[0]
        faults = spoil(sheet, line, f"{name} = nan")
        assert any(f.field == name and f.value == "nan" for f in faults), line
