"""What every reader shares: strays among the times, fields that are 0 throughout, values beyond limits."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.readers.build import RecordingBuilder
from flightproc.readers.content import Content
from flightproc.readers.recording import RawField
from flightproc.readers.registry import find_reader

pytestmark = pytest.mark.synthetic


@pytest.fixture
def builder() -> RecordingBuilder:
    return RecordingBuilder(Content("log", b"x", "0" * 64), "test")


TIME = np.arange(200.0)


@pytest.mark.parametrize(
    ("place", "wild"), [(199, 1e12), (0, -1e12), (199, 1e35), (100, 1e12), (0, -1e35), (150, -5e9)]
)
def test_an_absurd_time_costs_its_row_wherever_it_stands(builder, place, wild):
    time = TIME.copy()
    time[place] = wild
    keep = builder.clock(time, "time")
    assert np.flatnonzero(~keep).tolist() == [place]
    assert [(d.code, d.lost) for d in builder.damage] == [("bad_time", 1)]


def test_two_absurd_times_apart_from_each_other_both_go(builder):
    keep = builder.clock(np.concatenate([TIME, [1e9, 1e12]]), "time")
    assert np.flatnonzero(~keep).tolist() == [200, 201]


@pytest.mark.parametrize(
    "time",
    [
        np.concatenate([TIME, TIME + 90_000.0]),  # two days
        np.concatenate([TIME, TIME[:50] + 5e6]),  # a short second flight, weeks later
        np.array([0.0, 1e9]),  # too few to tell which is wrong
    ],
)
def test_a_long_pause_costs_nothing(builder, time):
    assert builder.clock(time, "time").all()
    assert builder.damage == []


@pytest.mark.parametrize(
    ("channel", "value"),
    [
        ("pressure", 0.0),
        ("temperature", 0.0),
        ("temperature", 273.15),
        ("true_airspeed", 0.0),
        ("indicated_airspeed", 0.0),
    ],
)
def test_what_cannot_be_0_throughout_is_not_offered(builder, channel, value):
    assert not builder.add(channel, TIME, np.full(200, value), "field")
    recording = builder.build()
    assert recording.channels == {}
    (damage,) = recording.damage
    assert (damage.code, damage.lost) == ("bad_value", 200)
    assert "declared but always 0" in damage.what


def test_what_may_be_0_throughout_is_told_and_comes_last(builder):
    builder.add("rpm", TIME, np.zeros(200), "first")
    builder.add("rpm", TIME, np.full(200, 5000.0), "second")
    recording = builder.build()
    assert [s.source for s in recording.channels["rpm"]] == ["second", "first"]
    assert recording.damage == ()
    assert recording.notes == ("declared but always 0: first (rpm)",)


def test_position_of_a_receiver_without_a_fix_is_not_offered(builder):
    for channel in ("latitude", "longitude"):
        builder.add(channel, TIME, np.zeros(200), channel[:3])
        builder.fields.append(RawField(channel[:3], 200, 1.0, "deg", channel))
    recording = builder.build()
    assert recording.channels == {}
    assert [field.feeds for field in recording.fields] == ["", ""]
    assert sum("always 0" in d.what for d in recording.damage) == 2


def test_flight_along_the_equator_stays(builder):
    builder.add("latitude", TIME, np.zeros(200), "lat")
    builder.add("longitude", TIME, 1e-6 * TIME, "lon")
    assert set(builder.build().channels) == {"latitude", "longitude"}


def test_values_are_not_changed_in_the_hands_of_the_reader(builder):
    values = np.array([1.0, 1e35, np.nan, -1.0])
    builder.add("rpm", TIME[:4], values, "field")
    np.testing.assert_array_equal(values, [1.0, 1e35, np.nan, -1.0])
    np.testing.assert_array_equal(builder.channels["rpm"][0].values, [1.0, np.nan, np.nan, np.nan])


def test_a_view_is_copied_so_that_its_base_can_go(builder):
    table = np.ones((200, 30))
    builder.add("rpm", TIME, table[:, 3], "field")
    assert builder.channels["rpm"][0].values.base is None


# Encodings and words that no logger should write, in the formats that are text ------------------------------

ENCODINGS = ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be")


def _read(data: bytes, name: str = "flight.ulg"):
    content = Content(name, data, "0" * 64)
    return find_reader(content).read(name, content=content)


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("name", ["CSV", "GPX"])
def test_every_encoding_gives_the_same_channels(samples, name, encoding):
    text = samples[name].decode("utf-8")
    plain, other = _read(samples[name]), _read(text.encode(encoding))
    assert other.format == name
    assert plain.channels.keys() == other.channels.keys()
    for channel, group in plain.channels.items():
        for one, two in zip(group, other.channels[channel], strict=True):
            np.testing.assert_array_equal(one.values, two.values)


@pytest.mark.parametrize("word", ["1e35", "-1", "NaN", "inf", ""])
def test_absurd_words_in_a_table_cost_their_cells(samples, word):
    lines = samples["CSV"].decode().splitlines()
    cells = lines[50].split(",")
    lines[50] = ",".join([*cells[:-1], word])
    recording = _read("\n".join(lines).encode())
    rpm = recording.get("rpm")
    assert np.flatnonzero(np.isnan(rpm.values)).tolist() == [49]
    assert [(d.code, d.lost) for d in recording.damage] == [("bad_value", 1)]


@pytest.mark.parametrize("word", ["1e35", "-1e35", "NaN", "99999999999", "0", "-1", "inf"])
@pytest.mark.parametrize("row", [1, 100, 200])
def test_absurd_times_in_a_table_cost_their_rows(samples, word, row):
    lines = samples["CSV"].decode().splitlines()
    lines[row] = ",".join([word, *lines[row].split(",")[1:]])
    recording = _read("\n".join(lines).encode())
    assert recording.get("rpm").time.size == 199
    assert recording.span[1] - recording.span[0] == pytest.approx(19.9, abs=0.11)
    assert recording.start_utc == pytest.approx(1_778_737_200.0, abs=0.11)
    assert {d.code for d in recording.damage} == {"bad_time"}


@pytest.mark.parametrize(
    "word", ["0000-00-00T00:00:00Z", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z", "soon"]
)
@pytest.mark.parametrize("row", [0, 100, 199])
def test_absurd_times_in_a_track_cost_their_points(samples, word, row):
    parts = samples["GPX"].decode().split("<time>")
    end = parts[row + 1].index("</time>")
    parts[row + 1] = word + parts[row + 1][end:]
    recording = _read("<time>".join(parts).encode())
    assert recording.get("height").time.size == 199
    assert recording.span[1] == pytest.approx(19.9, abs=0.11)
    assert recording.start_utc == pytest.approx(1_778_737_200.0, abs=0.11)
    assert sum(d.lost for d in recording.damage) in (1, 2)  # a word that is no time is told as such too


def test_a_ulog_behind_other_bytes_is_named(samples):
    from flightproc.errors import UnknownFormatError

    with pytest.raises(UnknownFormatError, match="a ULog begins at its byte 3"):
        _read(b"\xef\xbb\xbf" + samples["ULog"])
