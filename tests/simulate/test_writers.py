"""The log files, read back by general-purpose libraries."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import gpxpy
import numpy as np
import pytest
from pyulog import ULog

from flightproc.simulate import SimulatedSortie, simulate_sortie
from flightproc.simulate.scenario import Segment
from flightproc.simulate.writers import ENGINE_COLUMNS, csv_text, gpx_text, ulog_bytes

START = datetime(2026, 5, 14, 5, 41, 7, tzinfo=UTC)


@pytest.mark.reference
def test_pyulog_reads_what_was_written(sample: SimulatedSortie, tmp_path: Path) -> None:
    path = tmp_path / "unit.ulg"
    path.write_bytes(ulog_bytes(sample.unit))
    log = ULog(str(path))
    assert not log.file_corruption and not log.dropouts
    topics = {data.name: data.data for data in log.data_list}
    assert sorted(topics) == ["sensor_combined", "vehicle_air_data", "vehicle_attitude"]
    imu, unit = topics["sensor_combined"], sample.unit
    stamps = imu["timestamp"].astype(np.int64)
    assert np.all(np.diff(stamps) == 20_000)
    assert np.allclose((stamps - stamps[0]) / 1e6, unit.time, atol=1e-6)
    for i in range(3):
        assert np.array_equal(imu[f"gyro_rad[{i}]"], unit.rates[:, i].astype(np.float32))
        assert np.array_equal(imu[f"accelerometer_m_s2[{i}]"], unit.force[:, i].astype(np.float32))
    for i in range(4):
        assert np.array_equal(topics["vehicle_attitude"][f"q[{i}]"], unit.quaternion[:, i].astype(np.float32))
    air = topics["vehicle_air_data"]
    assert np.array_equal(air["baro_pressure_pa"], unit.pressure.astype(np.float32))
    assert np.allclose(air["ambient_temperature"] + 273.15, unit.temperature, atol=1e-4)
    # no UTC anywhere: the clock has to be found
    assert not any("utc" in name or "gps" in name for name in topics)


@pytest.mark.reference
def test_messages_lie_in_order_of_time(sample: SimulatedSortie) -> None:
    content = ulog_bytes(sample.unit)
    place, last, counted = 16, 0, 0
    while place < len(content) and counted < 30_000:
        size = int.from_bytes(content[place : place + 2], "little")
        if content[place + 2] == ord("D"):
            stamp = int.from_bytes(content[place + 5 : place + 13], "little")
            assert stamp >= last
            last = stamp
            counted += 1
        place += 3 + size
    assert counted == 30_000


@pytest.mark.reference
def test_log_without_attitude_has_no_such_topic(tmp_path: Path, short_card: tuple[Segment, ...]) -> None:
    path = tmp_path / "unit.ulg"
    path.write_bytes(ulog_bytes(simulate_sortie(3, attitude="none", card=short_card).unit))
    names = {data.name for data in ULog(str(path)).data_list}
    assert names == {"sensor_combined", "vehicle_air_data"}


@pytest.mark.reference
def test_gpxpy_reads_what_was_written(sample: SimulatedSortie) -> None:
    text = gpx_text(sample.gps, START, "school flight")
    points = gpxpy.parse(text).tracks[0].segments[0].points
    gps = sample.gps
    assert len(points) == gps.time.size
    elapsed = [(point.time - START).total_seconds() for point in points]
    assert np.allclose(elapsed, gps.time, atol=5e-4)
    assert np.allclose([point.speed for point in points], gps.speed, atol=5.1e-4)
    assert np.allclose([point.latitude for point in points], gps.latitude, atol=5.1e-8)
    assert np.allclose([point.elevation for point in points], gps.height, atol=0.051)


@pytest.mark.analytic
def test_gpx_keeps_the_order_and_limits_of_the_1_0_schema(sample: SimulatedSortie) -> None:
    root = ElementTree.fromstring(gpx_text(sample.gps, START, "school flight"))
    space = "{http://www.topografix.com/GPX/1/0}"
    assert root.tag == f"{space}gpx" and root.attrib["version"] == "1.0"
    points = root.findall(f"{space}trk/{space}trkseg/{space}trkpt")
    for point in points:
        assert [child.tag.removeprefix(space) for child in point] == ["ele", "time", "course", "speed"]
    courses = [float(point.findtext(f"{space}course", "nan")) for point in points]
    assert min(courses) >= 0.0 and max(courses) < 360.0


@pytest.mark.analytic
def test_csv_has_one_header_with_units(sample: SimulatedSortie) -> None:
    rows = list(csv.reader(io.StringIO(csv_text(sample.engine))))
    assert tuple(rows[0]) == ENGINE_COLUMNS
    values = np.array(rows[1:], dtype=float)
    assert values.shape == (sample.engine.time.size, len(ENGINE_COLUMNS))
    assert np.allclose(values[:, 0], sample.engine.time, atol=0.0051)
    assert np.array_equal(values[:, 1], sample.engine.rpm)
