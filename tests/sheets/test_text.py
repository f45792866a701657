"""Files that are no sheets: odd encodings, odd files, broken TOML."""

from __future__ import annotations

import os
import sys

import pytest

from flightproc.errors import SheetError
from flightproc.sheets import load_glider
from flightproc.sheets.text import SIZE_LIMIT, shown

pytestmark = pytest.mark.synthetic


def fault_of(path):
    with pytest.raises(SheetError) as caught:
        load_glider(path)
    (fault,) = caught.value.faults
    assert fault.file == str(path)
    return fault


@pytest.fixture
def glider(tmp_path, texts):
    def write(raw: bytes):
        path = tmp_path / "glider sheet ü.toml"
        path.write_bytes(raw)
        return path

    return write


@pytest.mark.parametrize(
    "turn",
    [
        lambda text: text.encode(),
        lambda text: b"\xef\xbb\xbf" + text.encode(),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode(),
        lambda text: text.replace("school wing", "école ü 翼").encode(),
    ],
)
def test_usual_texts_are_read(glider, texts, turn):
    assert load_glider(glider(turn(texts["glider"]))).flat_area_m2 == 28.0


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_wide_text_is_told(glider, texts, encoding):
    fault = fault_of(glider(texts["glider"].encode(encoding)))
    assert "encoding UTF-8" in fault.allowed


def test_latin_1_is_told_with_its_line(glider, texts):
    fault = fault_of(glider(texts["glider"].replace("flat_area", "# Fläche\nflat_area").encode("latin-1")))
    assert fault.field == "line 2" and fault.value == "byte 0xe4"
    assert "Latin-1" in fault.allowed


@pytest.mark.parametrize(
    ("text", "field", "allowed"),
    [
        ('name = "x"\nflat_area_m2 = 28,5\n', "line 2, column 18", "decimals with a point"),
        ("name = school\n", "line 1, column 8", "put words in quotes"),
        ('name = "a\\q"\n', "line 1, column", "put the name in single quotes"),
        ("name =\n", "line 1, column 7", "a value after the = sign"),
        ('name = "x"\nname = "y"\n', "line 2, column", "TOML"),
        ("[a\n", "line 1, column", "TOML"),
        ("a = [1, 2", "line 1, column", "TOML"),
        ('a = """', "line 1, column", "TOML"),
        ("\rname = 1", "line 1, column", "TOML"),
    ],
)
def test_broken_toml_is_told_with_its_place(glider, text, field, allowed):
    fault = fault_of(glider(text.encode()))
    assert fault.field.startswith(field)
    assert allowed in fault.allowed


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 20000 + "]" * 20000,
        "a = " + "1" * 5000,
        "a = 2026-02-30",
        "a = 2026-01-01T25:00:00Z",
        "a." * 3000 + "b = 1",
        "a = 0x" + "f" * 5000,
        "a = 1e999999",
        'a = "' + "\\u0001" * 5000 + '"',
    ],
)
def test_hostile_toml_is_told(glider, text):
    path = glider(text.encode())
    with pytest.raises(SheetError) as caught:
        load_glider(path)
    assert all(len(str(fault)) < 600 for fault in caught.value.faults)


def test_huge_file_is_not_read(tmp_path):
    path = tmp_path / "glider.toml"
    with path.open("wb") as file:
        file.truncate(SIZE_LIMIT + 1)
    assert "at most" in fault_of(path).allowed


def test_binary_file_is_told(glider):
    assert "not text" in fault_of(glider(bytes(range(256)))).value


def test_folder_is_told(tmp_path):
    assert fault_of(tmp_path).value == "a folder"


def test_missing_and_dangling(tmp_path):
    assert fault_of(tmp_path / "none.toml").value == "(missing)"
    assert fault_of(tmp_path / ("x" * 400)).file.endswith("x")
    link = tmp_path / "link.toml"
    link.symlink_to(tmp_path / "nowhere")
    assert "exists" in fault_of(link).allowed


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipe_is_not_waited_for(tmp_path):
    path = tmp_path / "pipe.toml"
    os.mkfifo(path)
    assert "file" in fault_of(path).allowed


def test_name_with_a_null_is_told():
    with pytest.raises(SheetError, match="null character"):
        load_glider("a\0b.toml")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),
        (12, "12"),
        (0.5, "0.5"),
        ("a\nb", '"a\\nb"'),
        ("\x07", '"\\u0007"'),
        ([1, "x"], '[1, "x"]'),
        ({"a": 1}, "{ a = 1 }"),
        ([{"a": 1}, {}], "2 tables"),
        ({}, "{}"),
        (float("nan"), "nan"),
        (1 << 5000, "a whole number of 5001 bits"),
        ([[[[[[1]]]]]], "[[[[...]]]]"),
        (None, "None"),
    ],
)
def test_shown(value, text):
    assert shown(value) == text


def test_shown_is_short():
    assert len(shown("x" * 1000)) == 70
    assert sys.getsizeof(shown(list(range(10000)))) < 300
