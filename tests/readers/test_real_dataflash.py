"""Real DataFlash logs: every value of every message against pymavlink used directly."""

from __future__ import annotations

import contextlib
import io
from collections import defaultdict
from datetime import UTC, datetime

import numpy as np
import pytest
from pymavlink.DFReader import DFReader_binary, DFReader_text

from flightproc.readers import dataflash_text, read_log
from flightproc.readers.dataflash_format import SCALES, TEXT_CODES, layout
from flightproc.readers.dataflash_walk import walk_records

pytestmark = [pytest.mark.reference, pytest.mark.needs_data]

FILES = ("dataflash/ardusub_small.BIN", "dataflash/spark404_log.bin")


def messages(log):
    """Return pymavlink's messages by type, in file order."""
    out = defaultdict(list)
    with contextlib.redirect_stdout(io.StringIO()), contextlib.closing(log):
        while (message := log.recv_msg()) is not None:
            out[message.get_type()].append(message)
    return out


@pytest.fixture(scope="module", params=FILES)
def both(request, data_folder):
    """A file's bytes, our walk over it, and pymavlink's messages."""
    path = data_folder / request.param
    data = path.read_bytes()
    return data, walk_records(data), messages(DFReader_binary(str(path)))


def test_every_value_of_every_message_equals_pymavlink(both):
    data, walk, theirs = both
    ours = {message.form.name: message for message in walk.messages}
    assert ours.keys() == theirs.keys()
    seen = 0
    for name, message in ours.items():
        columns = message.columns(data, message.form.columns)
        assert list(columns) == list(message.form.columns) == theirs[name][0].get_fieldnames()
        for column, (_, _, code) in layout(message.form).items():
            mine = columns[column]
            other = [m.__getattr__(column) for m in theirs[name]]
            if code in TEXT_CODES:
                texts = [text.decode("utf-8", "replace") for text in mine.tolist()]
                assert texts == other, f"{name}.{column}"
            else:
                scaled = mine.astype(float) / SCALES.get(code, 1.0)
                np.testing.assert_array_equal(
                    scaled, np.array(other, dtype=float), err_msg=f"{name}.{column}"
                )
            seen += len(other)
    assert seen > 50_000


def test_units_equal_pymavlink(both):
    """Labels of the UNIT, MULT and FMTU records, which only one of the two files has."""
    data, walk, theirs = both
    from flightproc.readers.dataflash import _read_units

    table = _read_units(data, walk)
    assert table.labels == {chr(m.Id): m.Label for m in theirs["UNIT"]}
    assert table.factors == {chr(m.Id): m.Mult for m in theirs["MULT"]}
    assert table.uses == {m.FmtType: (m.UnitIds, m.MultIds) for m in theirs["FMTU"]}


def test_whole_logs_are_not_called_damaged(both):
    _, walk, _ = both
    assert (walk.gaps, walk.strays, walk.faults) == ([], {}, [])


@pytest.mark.parametrize("file", FILES)
def test_reading_tells_no_damage(file, data_folder):
    assert read_log(data_folder / file).damage == ()


FACTORS = {
    "GyrX": 1.0, "AccZ": 1.0, "Roll": np.pi / 180, "Yaw": np.pi / 180, "Lat": np.pi / 180, "Alt": 1.0,
    "Spd": 1.0, "GCrs": np.pi / 180, "VZ": -1.0, "VN": 1.0, "VD": -1.0, "Press": 1.0, "R": np.pi / 180,
    "ThO": 1.0,
}  # fmt: skip


@pytest.mark.parametrize("file", FILES)
def test_channels_equal_pymavlink_values(file, data_folder):
    theirs = messages(DFReader_binary(str(data_folder / file)))
    recording = read_log(data_folder / file)
    first = {name: m[0].TimeUS for name, m in theirs.items() if hasattr(m[0], "TimeUS")}
    origin = None
    seen = 0
    for group in recording.channels.values():
        for series in group:
            label, column = series.source.split(".")
            name, _, instance = label.partition(":")
            if column not in FACTORS:
                continue
            rows = [m for m in theirs[name] if not instance or int(instance) == m.I]
            if "instance" not in label and hasattr(rows[0], "I") and not instance:
                rows = [m for m in rows if m.I == 0]
            assert len(rows) == series.time.size, series.source
            stamps = np.array([m.TimeUS for m in rows])
            origin = origin if origin is not None else stamps[0] - round(series.time[0] * 1e6)
            np.testing.assert_allclose(series.time, (stamps - origin) * 1e-6, rtol=0, atol=1e-9)
            expected = np.array([m.__getattr__(column) for m in rows]) * FACTORS[column]
            np.testing.assert_allclose(series.values, expected, rtol=1e-12, atol=1e-15)
            seen += 1
    assert seen >= 12
    assert first


def test_copter(data_folder):
    """25 Hz inertial, 10 Hz attitude, 5 Hz satellites, as the list of files says."""
    recording = read_log(data_folder / "dataflash/spark404_log.bin")
    sizes = {name: recording.get(name).time.size for name in ("roll_rate", "bank", "latitude", "pressure")}
    assert sizes == {"roll_rate": 1258, "bank": 504, "latitude": 254, "pressure": 504}
    assert [s.source for s in recording.channels["roll_rate"]] == ["IMU.GyrX", "IMU2.GyrX", "RATE.R"]
    assert [s.source for s in recording.channels["velocity_north"]] == ["GPS.Spd+GCrs", "NKF1.VN", "NKF6.VN"]
    # GPS week 1966 begins on 2017-09-10; 38,980.8 s into it is 10:49:40.8, less 18 leap seconds.
    series = recording.get("latitude")
    fix = datetime.fromtimestamp(recording.start_utc + series.time[0], UTC)
    assert abs((fix - datetime(2017, 9, 10, 10, 49, 22, 800_000, UTC)).total_seconds()) < 0.1
    assert "rpm" not in recording.channels


def test_velocity_of_receiver_and_of_estimator_agree(data_folder):
    """They come from different messages, units and signs, and differ by the receiver's delay only."""
    recording = read_log(data_folder / "dataflash/spark404_log.bin")
    for channel in ("velocity_north", "velocity_east", "climb"):
        receiver, estimator = recording.channels[channel][:2]
        difference = receiver.values - np.interp(receiver.time, estimator.time, estimator.values)
        assert np.std(difference) < 0.35
        assert np.corrcoef(receiver.values, receiver.values - difference)[0, 1] > 0.85, channel


def test_attitude_moves_as_the_body_rates_say(data_folder):
    recording = read_log(data_folder / "dataflash/spark404_log.bin")
    rates, angles = recording.get("yaw_rate"), recording.get("heading")
    heading = np.interp(rates.time, angles.time, np.unwrap(angles.values))
    turned = np.cumsum(rates.values * np.gradient(rates.time))
    assert np.corrcoef(np.diff(heading[::25]), np.diff(turned[::25]))[0, 1] > 0.9


def test_submarine_has_no_velocity_without_aid(data_folder):
    """Its estimator holds its position, as its status says; its velocities are no ground velocities."""
    recording = read_log(data_folder / "dataflash/ardusub_small.BIN")
    assert "velocity_north" not in recording.channels
    assert recording.start_utc is None
    assert any("XKF1.VN: no valid value" in note for note in recording.notes)
    assert [s.source for s in recording.channels["pressure"]] == ["BARO.Press", "BARO:1.Press"]
    force = recording.get("specific_force_z")
    assert np.mean(force.values) == pytest.approx(-9.79, abs=0.01)
    units = {field.name: field.unit for field in recording.fields}
    assert units["IMU.GyrX"] == "rad/s"
    assert units["BAT.CurrTot"] == "0.001 Ah"
    assert units["BARO.Temp"] == "degC"


def as_text(theirs_in_order):
    lines = []
    for m in theirs_in_order:
        if m.get_type() == "FMT":
            lines.append(f"FMT, {m.Type}, {m.Length}, {m.Name}, {m.Format}, {m.Columns}")
        else:
            values = [str(m.__getattr__(column)) for column in m.get_fieldnames()]
            lines.append(", ".join([m.get_type(), *values]))
    return ("\n".join(lines) + "\n").encode()


@pytest.fixture(scope="module", params=FILES)
def text_twin(request, data_folder, tmp_path_factory):
    """A real log written out as text with pymavlink's values."""
    rows = []
    with contextlib.closing(DFReader_binary(str(data_folder / request.param))) as log:
        while (message := log.recv_msg()) is not None:
            rows.append(message)
    path = tmp_path_factory.mktemp("text") / "flight.log"
    path.write_bytes(as_text(rows))
    return data_folder / request.param, path


def test_text_reads_as_the_binary_log_does(text_twin):
    binary, text = (read_log(path) for path in text_twin)
    assert (binary.format, text.format) == ("DataFlash", "Text DataFlash")
    assert binary.channels.keys() == text.channels.keys()
    for name, group in binary.channels.items():
        for mine, other in zip(group, text.channels[name], strict=True):
            assert mine.source == other.source
            np.testing.assert_array_equal(mine.time, other.time)
            np.testing.assert_allclose(mine.values, other.values, rtol=1e-13, err_msg=mine.source)
    assert binary.start_utc == text.start_utc
    assert binary.notes == text.notes
    assert text.damage == ()
    shared = [(f.name, f.samples, f.unit, f.feeds) for f in binary.fields]
    assert [(f.name, f.samples, f.unit, f.feeds) for f in text.fields] == shared


def test_text_values_equal_pymavlink_on_text(text_twin):
    theirs = messages(DFReader_text(str(text_twin[1])))
    recording = dataflash_text.read(text_twin[1])
    for channel, column, factor in (("bank", "Roll", np.pi / 180), ("pressure", "Press", 1.0)):
        name = {"bank": "ATT", "pressure": "BARO"}[channel]
        rows = [m for m in theirs[name] if getattr(m, "I", 0) == 0]
        expected = [m.__getattr__(column) * factor for m in rows]
        np.testing.assert_allclose(recording.get(channel).values, expected, rtol=1e-12)


@pytest.mark.parametrize("file", FILES)
def test_cut_real_log_keeps_all_before_the_cut(file, data_folder):
    data = (data_folder / file).read_bytes()
    full = {m.form.name: m.starts for m in walk_records(data).messages}
    for cut in np.linspace(2_000, len(data) - 1, 12).astype(int).tolist():
        walk = walk_records(data[:cut])
        for message in walk.messages:
            whole = full[message.form.name]
            whole = whole[whole + message.form.length <= cut]
            assert np.array_equal(message.starts, whole), (message.form.name, cut)
        assert len(walk.gaps) <= 1
        assert all(gap.stop == cut for gap in walk.gaps)
