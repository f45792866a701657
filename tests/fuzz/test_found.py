"""What fuzzing found, kept from coming back: each was once another exception than the program's own."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from flightproc.batch.find import find_sheets
from flightproc.compare.glider_facts import read_facts
from flightproc.decide.flown import flown_from_results, read_flown
from flightproc.decide.plan_noise import read_seen
from flightproc.errors import FlightprocError, ResultsError, SheetError
from flightproc.json_read import parse_json
from flightproc.logbook.model import read_document
from flightproc.propeller import read_polar_table
from flightproc.readers import read_log, recording_from_frame

from ..compare.glider_factory import document as glider_document
from ..decide.conftest import document as flown_document
from ..readers.conftest import make_flight, make_samples, sentence
from .rules import broken_rule

pytestmark = pytest.mark.regression

DEEP = b"[" * 100_000
HUGE = b"1" * 5000


@pytest.mark.parametrize("raw", [DEEP, b'{"title": "\\ud800"}', b"\xff\xfe", b""], ids=repr)
def test_json_of_others_fails_in_one_way(raw: bytes) -> None:
    with pytest.raises(ValueError):
        parse_json(raw)


@pytest.mark.parametrize(
    "raw", [DEEP, b'{"a": ' + HUGE + b"}", b"\xff", b"{"], ids=["deep", "huge", "bytes", "cut"]
)
def test_results_that_are_none_are_told(raw: bytes, tmp_path: Path) -> None:
    path = tmp_path / "results.json"
    path.write_bytes(raw)
    with pytest.raises(ResultsError):
        read_facts([path])
    with pytest.raises(SheetError):
        read_flown(path)
    assert read_seen([path])[1]
    with pytest.raises(FlightprocError):
        read_document(raw, "results.json")


def _set(tree: Any, path: tuple[str | int, ...], value: Any) -> Any:
    tree = copy.deepcopy(tree)
    inner = tree
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    return tree


ODD = [10**400, 1e300, float("nan"), float("inf"), "x", [], {}, True, -1.0, [None], {"value": 10**400}]


def _each(
    document: dict[str, Any], places: list[tuple[str | int, ...]], read: Callable[[bytes], object]
) -> None:
    for place in places:
        for value in ODD:
            try:
                read(json.dumps(_set(document, place, value)).encode())
            except FlightprocError as error:
                assert str(error)


def test_odd_values_in_results_for_a_comparison_of_gliders(tmp_path: Path) -> None:
    document = glider_document(np.random.default_rng(1))
    places: list[tuple[str | int, ...]] = [
        ("provenance",), ("provenance", "inputs"), ("provenance", "inputs", 0), ("loading", "lowest_mass_kg"),
        ("loading", "all_up_mass_kg"), ("loading", "flat_area_m2"), ("loading", "all_up_mass_kg", "value"),
        ("airspeed_common_std_m_s",), ("holds", 0, "airspeed_m_s"), ("holds", 0, "airspeed_m_s", "value"),
        ("holds", 0, "airspeed_m_s", "std"), ("holds", 0, "density_kg_m3", "value"), ("holds", 3, "kind"),
    ]  # fmt: skip

    def read(raw: bytes) -> object:
        path = tmp_path / "results.json"
        path.write_bytes(raw)
        return read_facts([path])

    assert read(json.dumps(document).encode())
    _each(document, places, read)


def test_odd_values_in_results_for_a_balance() -> None:
    document = flown_document()
    places: list[tuple[str | int, ...]] = [
        ("moment_curve", "thrust_N"), ("moment_curve", "thrust_N", 0), ("moment_curve", "rpm", 0),
        ("cautions",),
        ("moment_curve", "idle_rpm"), ("moment_curve", "hang_offset_m"), ("moment_curve", "covariance_N2_m2"),
        ("moment_curve", "covariance_N2_m2", 0, 0), ("moment_curve", "thrust_N", 0, "value"),
        ("ratio_curve",), ("ratio_curve", "advance_ratio"), ("ratio_curve", "thrust_ratio"),
        ("ratio_curve", "thrust_ratio", 0), ("ratio_curve", "thrust_ratio", 0, 0), ("comparison", 0),
        ("comparison", 0, "holds"), ("comparison", 0, "holds", 0), ("holds", 0),
        ("holds", 0, "turn_rate_deg_s"),
        ("holds", 0, "turn_rate_deg_s", "std"), ("calibration", "turn_zero"), ("reaction_sign",),
        ("calibration", "turn_zero", "std"), ("calibration", "turn_coefficient", "std"),
    ]  # fmt: skip
    assert flown_from_results(document).thrust_ratio.size == 4
    _each(document, places, lambda raw: flown_from_results(parse_json(raw)))


def test_a_sheet_with_a_number_of_5000_digits_is_passed_over_by_a_batch(tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_bytes(b"a = " + HUGE)
    (tmp_path / "sortie.toml").write_bytes(b"[[logs]]\na = " + HUGE)
    found = find_sheets([tmp_path])
    assert [Path(item.path).name for item in found.sheets] == [
        "sortie.toml"
    ]  # the analysis tells what is wrong


@pytest.mark.parametrize("encoding", ["UTF1e35", "shift_jis", "x-user"])
def test_gpx_that_declares_an_encoding_the_parser_does_not_know(encoding: str, tmp_path: Path) -> None:
    point = '<trkpt lat="47.{}" lon="8.0"><ele>600</ele><time>2026-05-14T06:00:0{}Z</time></trkpt>'
    track = "".join(point.format(k, k) for k in range(1, 6))
    for before in ("", "x", "<!-- -->"):
        text = (
            f'{before}<?xml version="1.0" encoding="{encoding}"?><gpx version="1.1"><trk><trkseg>'
            f"{track}</trkseg></trk></gpx>"
        )
        path = tmp_path / "flight.gpx"
        path.write_text(text)
        try:
            recording = read_log(path)
        except FlightprocError as error:
            assert str(error)
        else:
            latitude = recording.get("latitude")
            assert latitude is not None and latitude.time.size == 5


def test_an_nmea_sentence_that_lost_its_beginning_or_all_but_its_checksum_is_told(tmp_path: Path) -> None:
    lines = make_samples(make_flight())["NMEA"].decode().split("\r\n")
    for place, left in ((7, lines[7] + "\r" + lines[8][40:]), (8, "*5C"), (9, lines[9][20:])):
        path = tmp_path / "flight.nmea"
        path.write_text("\r\n".join([*lines[:place], left, *lines[place + 1 :]]))
        damage = read_log(path).damage
        assert [item.code for item in damage] == ["corrupt"], (place, damage)
        assert str(place + 1) in damage[0].where
    path.write_text("\r\n".join([lines[0][20:], *lines[1:]]))  # a log may begin within a sentence
    assert read_log(path).damage == ()


def test_a_data_frame_whose_units_are_no_text() -> None:
    frame = pd.DataFrame({"rpm": [1.0, 2.0]}, index=[0.0, 0.1])
    with pytest.raises(FlightprocError):
        recording_from_frame(frame, units={"rpm": "\ud800"})


def test_a_polar_table_without_rows(tmp_path: Path) -> None:
    path = tmp_path / "section.csv"
    path.write_text("alpha_deg,cl,cd\n")
    with pytest.raises(FlightprocError):
        read_polar_table(path)


def test_a_ulog_message_whose_kind_is_no_letter_is_told(tmp_path: Path) -> None:
    good = make_samples(make_flight())["ULog"]
    path = tmp_path / "flight.ulg"
    place = good.rfind(b"\x0e\x00D\x01\x00")  # a data message of the second topic, of 14 bytes
    path.write_bytes(good[: place + 2] + b"\x06" + good[place + 3 :])
    assert [item.code for item in read_log(path).damage] == ["corrupt"]


def test_times_nearer_than_what_they_are_rounded_to_stand_still(tmp_path: Path) -> None:
    path = tmp_path / "flight.csv"
    path.write_text(
        "time [s],rpm\n" + "".join(f"{t},6000\n" for t in ("0", "1e-320", "1e-10", "1", "2", "3"))
    )
    recording = read_log(path)
    series = recording.get("rpm")
    assert series is not None and series.time.tolist() == [0.0, 1.0, 2.0, 3.0]
    assert [(item.code, item.lost) for item in recording.damage] == [("bad_time", 2)]
    lines = make_samples(make_flight())["NMEA"].decode().splitlines()
    body = lines[0][1:].split("*")[0].replace("054000.00", "054000.0000002")
    path.write_text("\r\n".join([lines[0], sentence(body).strip(), *lines[1:], ""]))
    recording = read_log(path)
    assert broken_rule(recording) == ""
    assert [item.code for item in recording.damage] == ["bad_time"]
