"""What is wrong with a sensor over time, and stretches without data."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from math import exp, sqrt
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.simulate import SimulatedSortie, simulate_sortie
from flightproc.simulate.drift import DROPOUT_SECONDS, gauss_markov, sensor_temperature
from flightproc.simulate.scenario import Segment
from flightproc.simulate.sensors import log_engine, log_gps, log_unit
from flightproc.simulate.writers import gpx_text

WANDER, WANDER_TIME = 2e-4, 60.0


@pytest.fixture(scope="module")
def short(short_card: tuple[Segment, ...]) -> SimulatedSortie:
    return simulate_sortie(5, card=short_card)


def allan_deviation(values: np.ndarray, step: float, tau: float) -> float:
    """Return the overlapping Allan deviation of a rate at an averaging time."""
    m = round(tau / step)
    angle = np.concatenate(([0.0], np.cumsum(values))) * step
    second = angle[2 * m :] - 2 * angle[m:-m] + angle[: -2 * m]
    return float(np.sqrt(np.mean(second**2) / 2.0) / tau)


def correlated_allan_deviation(std: float, time_constant: float, tau: float) -> float:
    """Return the Allan deviation of a first-order Gauss-Markov series.

    Mean of the series over tau has the variance 2 s^2 (T/tau)^2 (tau/T - 1 + e), e = exp(-tau/T), and the
    covariance of neighbouring means is s^2 (T/tau)^2 (1 - e)^2; the Allan variance is their difference.
    """
    e, scale = exp(-tau / time_constant), (std * time_constant / tau) ** 2
    variance, covariance = 2 * scale * (tau / time_constant - 1 + e), scale * (1 - e) ** 2
    return sqrt(variance - covariance)


@pytest.mark.analytic
def test_still_record_shows_the_stated_noise_and_instability() -> None:
    # nearly an hour on the bench with the engine off, at a lower rate to be quick
    rate = 10.0
    bench = (Segment("bench", 0.0, "time", 3500.0, kind="ground", on_ground=True),)
    still: dict[str, Any] = {"card": bench, "imu_rate": rate, "attitude": "none", "gyro_drift": 0.0}
    still |= {"accelerometer_drift": 0.0, "gyro_instability_time": WANDER_TIME}
    still |= {"accelerometer_instability_time": WANDER_TIME, "gyro_noise": 0.002, "accelerometer_noise": 0.04}
    still |= {"gyro_instability": WANDER, "accelerometer_instability": 20 * WANDER}
    unit = simulate_sortie(3, **still).unit
    settled = slice(round(20.0 * rate), None)
    for series, noise, wander in ((unit.rates, 0.002, WANDER), (unit.force, 0.04, 20 * WANDER)):
        axes = [series[settled, i] for i in range(3)]
        white = [allan_deviation(axis, 1 / rate, 0.5) for axis in axes]
        assert np.mean(white) == pytest.approx(noise / sqrt(rate * 0.5), rel=0.03)
        for tau in (50.0, 110.0):
            seen = np.sqrt(np.mean([allan_deviation(axis, 1 / rate, tau) ** 2 for axis in axes]))
            told = sqrt(correlated_allan_deviation(wander, WANDER_TIME, tau) ** 2 + noise**2 / rate / tau)
            # about 32 independent pairs on each of three axes at the longer time: 7 % at one sigma
            assert seen == pytest.approx(told, rel=0.2)
        # without the wander the long averages would be quieter by far
        assert seen > 1.5 * noise / sqrt(rate * 110.0)


@pytest.mark.analytic
def test_allan_deviation_of_a_correlated_series() -> None:
    generator = np.random.default_rng(5)
    series = gauss_markov(400_000, 1.0, 1.0, 50.0, generator)
    for tau in (10.0, 50.0, 95.0, 400.0):
        assert allan_deviation(series, 1.0, tau) == pytest.approx(
            correlated_allan_deviation(1.0, 50.0, tau), rel=0.05
        )
    # the crest lies at 1.89 time constants, and there at 0.618 of the standard deviation
    taus = np.linspace(1.0, 4.0, 301)
    curve = [correlated_allan_deviation(1.0, 1.0, float(tau)) for tau in taus]
    assert taus[int(np.argmax(curve))] == pytest.approx(1.89, abs=0.01)
    assert max(curve) == pytest.approx(0.618, abs=0.001)


@pytest.mark.analytic
def test_sensor_warms_itself_and_follows_the_air() -> None:
    time = np.arange(0.0, 3000.0, 0.02)
    steady = sensor_temperature(time, np.full(time.size, 280.0), 10.0, 300.0)
    assert steady[0] == pytest.approx(280.0, abs=0.01)
    assert np.interp(300.0, time, steady) == pytest.approx(280.0 + 10.0 * (1 - exp(-1.0)), abs=0.05)
    # in a climb at 2 m/s the air cools by 0.013 K/s and the sensor trails by that times its time constant
    climbing = sensor_temperature(time, 280.0 - 0.013 * time, 0.0, 300.0)
    assert climbing[-1] - (280.0 - 0.013 * time[-1]) == pytest.approx(0.013 * 300.0, rel=1e-2)


@pytest.mark.analytic
def test_bias_moves_with_temperature_alone_and_the_noise_stays(short: SimulatedSortie) -> None:
    warm = {"gyro_temperature": (1e-4, -2e-4, 0.0), "accelerometer_temperature": (0.0, 2e-3, 1e-3)}
    pa = replace(short.parameters, attitude="none")
    plain = log_unit(short.flight, short.motion, pa, np.random.default_rng(3))
    drifting = log_unit(short.flight, short.motion, replace(pa, **warm), np.random.default_rng(3))
    change = drifting.sensor_temperature - drifting.sensor_temperature[0]
    assert plain.sensor_temperature.size == 0 and np.ptp(change) > 2.5
    for name, log_name in (("gyro_temperature", "rates"), ("accelerometer_temperature", "force")):
        seen = getattr(drifting, log_name) - getattr(plain, log_name)
        assert np.allclose(seen, change[:, None] * np.array(warm[name]), atol=1e-12)


@pytest.mark.analytic
def test_scale_factor_stretches_an_axis(short: SimulatedSortie) -> None:
    pa = replace(short.parameters, attitude="none", gyro_bias=(0, 0, 0), accelerometer_bias=(0, 0, 0))
    quiet = replace(pa, gyro_noise=0.0, accelerometer_noise=0.0, gyro_drift=0.0, accelerometer_drift=0.0)
    quiet = replace(quiet, vibration=0.0)
    scaled = replace(quiet, accelerometer_scale=(0.0, 0.0, 0.01), gyro_scale=(0.02, 0.0, 0.0))
    plain = log_unit(short.flight, short.motion, quiet, np.random.default_rng(3))
    stretched = log_unit(short.flight, short.motion, scaled, np.random.default_rng(3))
    assert np.allclose(stretched.force, plain.force * np.array([1.0, 1.0, 1.01]), atol=1e-12)
    assert np.allclose(stretched.rates, plain.rates * np.array([1.02, 1.0, 1.0]), atol=1e-12)
    assert plain.force[100, 2] == pytest.approx(-GRAVITY, rel=0.02)


@pytest.mark.synthetic
def test_dropouts_are_gaps_in_the_logs_and_told_in_truth(short_card: tuple[Segment, ...]) -> None:
    shaky = simulate_sortie(5, card=short_card, gps_dropouts=3, engine_dropouts=2, gps_rate=5.0)
    whole = simulate_sortie(5, card=short_card, gps_rate=5.0)
    for log, none, offset, name in (
        (shaky.gps, whole.gps, shaky.parameters.gps_offset, "gps"),
        (shaky.engine, whole.engine, shaky.parameters.engine_offset, "engine"),
    ):
        told = shaky.truth["gaps"][name]
        assert told and whole.truth["gaps"][name] == []
        unit = log.time + offset
        steps = np.diff(unit)
        longer = np.flatnonzero(steps > 3 * np.median(steps))
        seen = [(unit[i], unit[i + 1]) for i in longer]
        assert len(seen) == len(told)
        for (start, end), (begin, stop) in zip(seen, told, strict=True):
            assert 0.0 <= begin - start <= 0.25 and 0.0 <= end - stop <= 0.25
            assert DROPOUT_SECONDS[0] <= stop - begin
            assert begin > 20.0 and stop < shaky.truth["duration_s"]
        # what is there is what was there without gaps
        assert np.isin(log.time, none.time).all() and log.time.size < none.time.size
    kept = np.isin(whole.gps.time, shaky.gps.time)
    assert np.array_equal(whole.gps.speed[kept], shaky.gps.speed)


@pytest.mark.synthetic
def test_a_gap_begins_a_new_segment_of_the_track(short_card: tuple[Segment, ...]) -> None:
    shaky = simulate_sortie(5, card=short_card, gps_dropouts=2)
    root = ElementTree.fromstring(gpx_text(shaky.gps, datetime(2026, 5, 14, tzinfo=UTC), "x"))
    space = "{http://www.topografix.com/GPX/1/0}"
    segments = root.findall(f"{space}trk/{space}trkseg")
    assert len(segments) == len(shaky.truth["gaps"]["gps"]) + 1
    assert sum(len(segment) for segment in segments) == shaky.gps.time.size


@pytest.mark.analytic
def test_logs_tell_their_clock_drift_and_the_truth_agrees(short: SimulatedSortie) -> None:
    pa = replace(short.parameters, gps_drift=2e-5, engine_drift=-1e-4)
    gps = log_gps(short.flight, short.motion, pa, np.random.default_rng(0))
    engine = log_engine(short.flight, pa, np.random.default_rng(0))
    assert gps.time[0] == engine.time[0] == 0.0
    told = simulate_sortie(
        5, card=(Segment("bench", 0.0, "time", 5.0, on_ground=True),), gps_drift=2e-5, engine_drift=-1e-4
    ).truth["clock_drifts"]
    assert told == {"unit": 0.0, "gps": 2e-5, "engine": -1e-4}
