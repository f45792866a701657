"""Data frames as recordings: there and back, and what is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import flightproc as fp

pytestmark = pytest.mark.synthetic

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "school-wing-28"


@pytest.mark.parametrize("name", ["unit.ulg", "gps.gpx", "engine.csv"])
def test_a_log_survives_the_way_through_a_frame(name: str) -> None:
    log = fp.read_log(SAMPLE / name)
    again = fp.recording_from_frame(log.frame(), start_utc=log.start_utc)
    assert list(again.channels) == list(log.channels)
    for channel in log.channels:
        before, after = log.get(channel), again.get(channel)
        assert before is not None and after is not None
        good = np.isfinite(before.values)
        np.testing.assert_array_equal(after.time, before.time[good])
        np.testing.assert_array_equal(after.values, before.values[good])
    assert again.start_utc == log.start_utc and not again.damage


def test_an_analysis_takes_frames_for_logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for file in SAMPLE.iterdir():
        if file.suffix == ".toml" or file.name in ("unit.ulg", "gps.gpx"):
            (tmp_path / file.name).write_bytes(file.read_bytes())
    taken: list[Any] = []
    monkeypatch.setattr("flightproc.analysis.analyse_sheets", lambda *given, progress: taken.extend(given))
    engine = fp.recording_from_frame(fp.read_log(SAMPLE / "engine.csv").frame("rpm"), name="engine display")
    fp.analyse(tmp_path / "sortie.toml", recordings={"engine": engine})
    sheets = fp.load_sortie(SAMPLE / "sortie.toml")
    usual = fp.assemble_sortie(sheets, fp.read_recordings(sheets))
    pd.testing.assert_frame_equal(fp.assemble_sortie(*taken).channels, usual.channels)
    with pytest.raises(fp.LogError, match="does not name"):
        fp.analyse(tmp_path / "sortie.toml", recordings={"engine": engine, "spare": engine})
    with pytest.raises(fp.SheetError, match="a file that exists"):
        fp.analyse(tmp_path / "sortie.toml")


def test_units_are_brought_to_si() -> None:
    frame = pd.DataFrame({"bank": [0.0, 90.0], "temperature": [15.0, 16.0]}, index=[0.0, 1.0])
    recording = fp.recording_from_frame(frame, units={"bank": "deg", "temperature": "C"})
    bank, temperature = recording.get("bank"), recording.get("temperature")
    assert bank is not None and temperature is not None
    np.testing.assert_allclose(bank.values, [0.0, np.pi / 2])
    np.testing.assert_allclose(temperature.values, [288.15, 289.15])


def test_each_channel_keeps_its_own_samples() -> None:
    frame = pd.DataFrame(
        {"rpm": [5000.0, np.nan, 5100.0], "bank": [np.nan, 0.1, np.nan]}, index=[0.0, 0.1, 0.2]
    )
    recording = fp.recording_from_frame(frame)
    rpm, bank = recording.get("rpm"), recording.get("bank")
    assert rpm is not None and rpm.time.tolist() == [0.0, 0.2]
    assert bank is not None and bank.time.tolist() == [0.1]


def test_dates_with_a_zone_give_utc_and_others_do_not() -> None:
    index = pd.date_range("2026-05-14T05:40:00Z", periods=3, freq="500ms")
    frame = pd.DataFrame({"rpm": [1.0, 2.0, 3.0]}, index=index)
    zoned = fp.recording_from_frame(frame)
    assert zoned.start_utc == index[0].timestamp() and zoned.span == (0.0, 1.0)
    assert fp.recording_from_frame(frame.tz_localize(None)).start_utc is None
    later = fp.recording_from_frame(frame.set_axis(pd.to_timedelta([0, 500, 1000], unit="ms")))
    assert later.span == (0.0, 1.0)
    column = frame.reset_index(names="time")
    assert fp.recording_from_frame(column).start_utc == index[0].timestamp()


def test_bad_times_and_values_are_told() -> None:
    frame = pd.DataFrame({"rpm": [1.0, -2.0, 3.0, 4.0]}, index=[0.0, 0.1, 0.2, 0.15])
    recording = fp.recording_from_frame(frame)
    assert {item.code for item in recording.damage} == {"bad_time", "bad_value"}


def test_what_feeds_nothing_is_kept_as_a_field() -> None:
    frame = pd.DataFrame({"rpm": [1.0, 2.0], "coolant": [80.0, np.nan]}, index=[0.0, 0.1])
    fields = {item.name: item for item in fp.recording_from_frame(frame).fields}
    assert fields["coolant"].feeds == "" and fields["coolant"].samples == 1 and fields["rpm"].feeds == "rpm"


def test_its_content_is_told_apart() -> None:
    frame = pd.DataFrame({"rpm": [1.0, 2.0]}, index=[0.0, 0.1])
    one, same = fp.recording_from_frame(frame), fp.recording_from_frame(frame.copy())
    assert one.sha256 == same.sha256 != fp.recording_from_frame(frame * 2).sha256


GOOD = pd.DataFrame({"rpm": [1.0, 2.0]}, index=[0.0, 0.1])


@pytest.mark.parametrize(
    ("frame", "units", "words"),
    [
        (GOOD.rename(columns={"rpm": "RPM"}), None, "perhaps RPM: rpm"),
        (pd.DataFrame({"coolant": [1.0]}, index=[0.0]), None, "no column is named after a channel"),
        (GOOD, {"rpm": "deg"}, "unit does not fit"),
        (GOOD, {"bank": "deg"}, "columns that are not there"),
        (GOOD.reset_index(drop=True), None, "only counts the rows"),
        (GOOD.set_axis(["a", "b"]), None, "the index is no time"),
        (pd.DataFrame({"rpm": ["a", "b"]}, index=[0.0, 0.1]), None, "holds no numbers"),
        (pd.concat([GOOD, GOOD], axis=1), None, "two columns have one name"),
    ],
)
def test_what_cannot_be_a_recording_is_refused(
    frame: pd.DataFrame, units: dict[str, str] | None, words: str
) -> None:
    with pytest.raises(fp.LogError, match=words):
        fp.recording_from_frame(frame, units)


def test_a_frame_of_channels_that_are_not_there_is_refused() -> None:
    with pytest.raises(fp.LogError, match="has no channel bank"):
        fp.recording_from_frame(GOOD).frame("rpm", "bank")
