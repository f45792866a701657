"""Charts: nothing sharp is lost, nothing more than can be seen is sent."""

from __future__ import annotations

import json
import math
import time
from pathlib import Path

import numpy as np
import pytest

from flightproc.web.charts import (
    Chart,
    Histories,
    Line,
    extremes,
    history_window,
    read_histories,
    write_histories,
)

pytestmark = pytest.mark.analytic


@pytest.fixture
def histories() -> Histories:
    """Two channels over 200,000 samples: a slow wave with one spike, and one with a gap."""
    t = np.arange(200_000) * 0.05
    wave = np.sin(2.0 * math.pi * t / 700.0)
    wave[123_456] = 40.0
    other = np.cos(2.0 * math.pi * t / 90.0)
    other[50_000:60_000] = np.nan
    panels = [{"key": "a", "name": "A", "unit": "m"}, {"key": "b", "name": "B", "unit": "s"}]
    return Histories(t, np.vstack([wave, other]), {"panels": panels, "holds": []})


@pytest.mark.parametrize("width", [60, 400, 1000, 2400])
def test_extremes_are_those_of_the_samples(histories: Histories, width: int) -> None:
    t, values = extremes(histories.time, histories.values, 100.0, 9000.0, width)
    inside = (histories.time >= 99.9) & (histories.time <= 9000.1)
    for row, whole in zip(values, histories.values[:, inside], strict=True):
        assert np.nanmax(row) == np.nanmax(whole)
        assert np.nanmin(row) == np.nanmin(whole)
    assert t.size <= 2 * width + 2
    assert np.all(np.diff(t) >= 0.0)


def test_each_step_holds_its_own_least_and_greatest(histories: Histories) -> None:
    t, values = extremes(histories.time, histories.values, 0.0, 10_000.0, 500)
    for k in range(0, t.size, 2):
        near = np.abs(histories.time - 0.5 * (t[k] + t[k + 1])) <= 10.1
        pair = values[0, k : k + 2]
        assert pair.min() >= histories.values[0, near].min() - 1e-12
        assert pair.max() <= 40.0


def test_a_gap_stays_a_gap_and_few_samples_are_sent_as_they_are(histories: Histories) -> None:
    _, values = extremes(histories.time, histories.values, 2550.0, 2950.0, 300)
    assert np.isnan(values[1]).all()
    assert np.isfinite(values[0]).all()
    t, values = extremes(histories.time, histories.values, 10.0, 15.0, 300)
    np.testing.assert_array_equal(t, histories.time[199:302])
    np.testing.assert_array_equal(values, histories.values[:, 199:302])


def test_the_window_is_strict_json_and_small(histories: Histories) -> None:
    found = history_window(histories, width=1200)
    text = json.dumps(found, allow_nan=False)
    assert len(text) < 120_000
    assert found["samples"] == 200_000
    assert found["about"]["panels"][0]["name"] == "A"
    assert None in found["values"][1]
    assert max(v for v in found["values"][0] if v is not None) == 40.0
    near = history_window(histories, 6172.0, 6173.5, 1200)
    assert "about" not in near
    assert near["t"][0] == pytest.approx(6171.95)
    assert near["samples"] == 31


@pytest.mark.parametrize(
    ("start", "end", "width"),
    [(9e9, 9.1e9, 100), (-5.0, -1.0, 100), (50.0, 10.0, 100), (0.0, 1e12, 10**9), (3.0, 3.0, -4)],
)
def test_any_stretch_is_answered(histories: Histories, start: float, end: float, width: int) -> None:
    found = history_window(histories, start, end, width)
    assert len(found["t"]) == len(found["values"][0]) == len(found["values"][1])
    json.dumps(found, allow_nan=False)


def test_a_window_of_many_samples_takes_little_time(histories: Histories) -> None:
    best = math.inf
    for _ in range(5):
        begin = time.perf_counter()
        history_window(histories, width=2400)
        best = min(best, time.perf_counter() - begin)
    assert best < 0.25  # some 5 ms on an idle computer


def test_a_file_gives_back_what_was_written(histories: Histories, tmp_path: Path) -> None:
    path = tmp_path / "histories.npz"
    write_histories(path, histories)
    found = read_histories(path)
    np.testing.assert_array_equal(found.time, histories.time)
    np.testing.assert_allclose(found.values, histories.values, rtol=1e-6)
    assert found.about == histories.about
    assert [item.name for item in tmp_path.iterdir()] == ["histories.npz"]
    write_histories(path, Histories(np.arange(3.0), np.zeros((1, 3)), {"panels": []}))
    assert read_histories(path).time.size == 3


def test_a_log_without_channels_is_answered_too() -> None:
    found = history_window(Histories(np.zeros(0), np.zeros((0, 0)), {"panels": []}))
    assert found["t"] == [] and found["values"] == []


def test_a_chart_is_strict_json_with_its_units() -> None:
    bounds = np.array([[1.0, math.nan], [0.5, math.nan], [1.5, math.inf]])
    line = Line.band("a <b>", [0.0, 1.0], bounds)
    chart = Chart("title", ("Speed", "1/min"), ("Torque", "N m"), (line,), marks=((1.0, "limit"),))
    found = json.loads(chart.text())
    assert found["y"]["unit"] == "N m"
    assert found["lines"][0]["y"] == [1.0, None]
    assert found["lines"][0]["high"] == [1.5, None]
    assert found["marks"] == [{"y": 1.0, "words": "limit"}]
