"""Whatever a sheet holds, it is read or told: never a traceback."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flightproc.errors import SheetError
from flightproc.sheets import load_sortie

from .conftest import TEXTS, write_set

pytestmark = pytest.mark.synthetic

QUIET = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)

VALUES = [
    *("nan", "-inf", "true", "1e400", "-0", "[]", "{}", "[[1]]", '""', '"FILL IN"', "2026-01-01", "07:00:00"),
    *("2026-01-01T00:00:00Z", "2026-01-01T00:00:00", "0x7fffffffffffffffffff", "'''\n'''", "{ a = 1 }"),
    *("\n[x]\n", "\n[[logs]]\n", "\n[logs]\n", "\n[air]\n", "\n[[readings]]\n", "\n[[propeller.stations]]\n"),
]
SCRAPS = st.one_of(
    st.sampled_from(VALUES),
    st.integers().map(str),
    st.floats().map(repr),
    st.text(max_size=8),
)


def load(path):
    try:
        load_sortie(path)
    except SheetError as error:
        assert error.faults
        for fault in error.faults:
            assert fault.field and fault.value and fault.allowed
            assert "Input should" not in str(fault)
        return error.faults
    return ()


@given(sheet=st.sampled_from(sorted(TEXTS)), line=st.integers(0, 40), scrap=SCRAPS)
@QUIET
def test_a_value_is_replaced(tmp_path, sheet, line, scrap):
    lines = TEXTS[sheet].split("\n")
    line %= len(lines)
    key = lines[line].split("=")[0]
    lines[line] = f"{key}= {scrap}" if "=" in lines[line] else scrap
    load(write_set(tmp_path, **{sheet: "\n".join(lines)}))


@given(
    sheet=st.sampled_from(sorted(TEXTS)), start=st.integers(0, 900), length=st.integers(0, 60), scrap=SCRAPS
)
@QUIET
def test_a_piece_is_cut_out(tmp_path, sheet, start, length, scrap):
    text = TEXTS[sheet]
    start %= len(text)
    spoilt = text[:start] + scrap + text[start + length :]
    load(write_set(tmp_path, **{sheet: spoilt.encode("utf-8", "ignore").decode()}))


@given(raw=st.binary(max_size=200))
@QUIET
def test_any_bytes(tmp_path, raw):
    path = write_set(tmp_path)
    path.write_bytes(raw)
    assert load(path)


LEAVES = st.one_of(
    st.booleans(), st.integers(), st.floats(), st.text(max_size=5), st.dates(), st.datetimes(), st.times()
)
NAMES = [
    *("logs", "air", "ballast", "notes", "holds", "settings", "columns", "sources", "time", "rpm", "start_s"),
    *("end_s", "start_utc", "end_utc", "role", "name", "file", "kind", "stations", "propeller", "readings"),
    *("r_m", "[key]", ""),
]
KEYS = st.sampled_from(NAMES)
TREES = st.recursive(
    LEAVES,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=5)),
    max_leaves=12,
)


@given(data=st.dictionaries(KEYS, TREES, max_size=6))
@QUIET
def test_any_tree_of_values(data):
    from flightproc.sheets.load import validate
    from flightproc.sheets.template import SHEETS

    for kind in SHEETS.values():
        sheet, faults = validate(kind, data, "sheet.toml")
        assert sheet is None and faults
        assert all(fault.field and fault.allowed for fault in faults)


@given(
    start=st.datetimes(
        timezones=st.sampled_from([None, dt.UTC, dt.timezone(dt.timedelta(hours=-23, minutes=-59))])
    ),
    end=st.datetimes(
        timezones=st.sampled_from([None, dt.UTC, dt.timezone(dt.timedelta(hours=23, minutes=59))])
    ),
)
@QUIET
def test_any_times(tmp_path, start, end):
    text = TEXTS["sortie"].replace("2026-05-01T17:03:20Z", start.isoformat())
    load(write_set(tmp_path, sortie=text.replace("2026-05-01T19:04:20+02:00", end.isoformat())))
