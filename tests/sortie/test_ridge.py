"""Engine speed from lines in sound and vibration, against speeds that a generator of its own was given."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from flightproc.readers.recording import Recording, Series, Waveform
from flightproc.sortie.engine_rpm import (
    quiet_stretches,
    vibration_waveforms,
    with_sound_rpm,
    with_vibration_rpm,
)
from flightproc.sortie.ridge import RpmTrack, engine_orders, track_rpm
from flightproc.sortie.spectrum import Spectra, even_samples, line_evidence, without_skirts

spec = importlib.util.spec_from_file_location("engine_lines", Path(__file__).with_name("engine_lines.py"))
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)

SECONDS = 60.0


def waveforms(axes, rate):
    return [Waveform(f"axis {i}", 0.0, rate, np.asarray(x, dtype=np.float32)) for i, x in enumerate(axes)]


def follow(axes, rate, gear=make.GEAR, blades=make.BLADES, firing=1.0):
    return track_rpm(waveforms(axes, rate), gear, blades, firing)


def errors(track, speed):
    """Relative errors where a speed is given, those over the stated uncertainty, and the share of time."""
    truth = np.interp(track.time, *speed)
    good = np.isfinite(track.rpm)
    error = track.rpm[good] - truth[good]
    return error / truth[good], error / track.std[good], good.mean()


def held(track, speed):
    """The same where the engine is held or climbs on a ramp: less than 300 rpm/s."""
    slow = np.abs(np.gradient(np.interp(track.time, *speed), track.time)) < 300
    kept = RpmTrack(track.time[slow], track.rpm[slow], track.std[slow], track.level[slow], track.stretches)
    return errors(kept, speed)


@pytest.mark.synthetic
@pytest.mark.parametrize(("seed", "noise"), [(0, 0.3), (1, 0.3), (2, 0.6)])
def test_sound_within_half_a_percent(seed, noise):
    rng = np.random.default_rng(seed)
    speed = make.throttle(rng, SECONDS)
    track = follow([make.engine_sound(rng, speed, noise=noise)], 2000.0)
    relative, reduced, share = held(track, speed)
    assert share > 0.8
    assert np.quantile(np.abs(relative), 0.99) < 0.005
    assert abs(relative.mean()) < 2e-4
    assert np.sqrt(np.mean(relative**2)) < 1.5e-3
    assert 0.3 < np.std(reduced) < 1.3
    everywhere, _, _ = errors(track, speed)
    assert np.mean(np.abs(everywhere) < 0.005) > 0.97


@pytest.mark.synthetic
@pytest.mark.parametrize(("seed", "rate"), [(0, 100.0), (3, 100.0), (0, 200.0), (1, 200.0)])
def test_vibration_beyond_the_sampling_rate_within_half_a_percent(seed, rate):
    rng = np.random.default_rng(seed)
    speed = make.throttle(rng, SECONDS, levels=(5200, 6700, 7600))
    track = follow(make.felt(rng, speed, rate), rate)
    relative, reduced, share = held(track, speed)
    assert share > 0.4
    assert np.quantile(np.abs(relative), 0.99) < 0.005
    assert abs(relative.mean()) < 3e-4
    assert 0.3 < np.std(reduced) < 1.3


@pytest.mark.synthetic
def test_drop_outs_leave_gaps_and_no_errors():
    rng = np.random.default_rng(5)
    speed = make.throttle(rng, SECONDS)
    sound = make.engine_sound(rng, speed)
    sound[20_000:30_000] = 0.0  # a recorder that fell silent for 5 s
    sound[60_000:60_400] = np.nan
    sound[90_000:98_000] = 3.0 * rng.standard_normal(8000)  # 4 s of rustling
    track = follow([sound], 2000.0)
    relative, _, share = held(track, speed)
    assert share > 0.75
    assert np.quantile(np.abs(relative), 0.99) < 0.005
    inside = (track.time > 10.5) & (track.time < 14.5)
    assert not np.isfinite(track.rpm[inside]).any()


@pytest.mark.synthetic
@pytest.mark.parametrize(
    ("gear", "blades", "firing"), [(2.4, 3, 1.0), (2.8, 2, 2.0), (3.2, 2, 0.5), (1.0, 2, 1.0)]
)
def test_other_engines(gear, blades, firing):
    rng = np.random.default_rng(7)
    levels, noise = ((5200, 6000, 6800), 0.3) if gear > 1 else ((2400, 2800), 0.06)
    speed = make.throttle(rng, 60.0, levels=levels)
    sound = make.engine_sound(rng, speed, noise=noise, wind=noise, gear=gear, blades=blades, firing=firing)
    relative, _, share = held(follow([sound], 2000.0, gear, blades, firing), speed)
    assert share > 0.7
    assert np.quantile(np.abs(relative), 0.99) < 0.005


def none_of_an_engine():
    rng = np.random.default_rng(11)
    seconds = 60.0
    return {
        "white noise": ([rng.standard_normal(120_000)], 2000.0),
        "two tracks of white noise": ([rng.standard_normal(120_000) for _ in range(2)], 2000.0),
        "wind": ([make.wind(rng, seconds)], 2000.0),
        "a voice": ([make.voice(rng, seconds)], 2000.0),
        "another voice": ([make.voice(rng, seconds)], 2000.0),
        "mains hum": ([make.hum(rng, seconds)], 2000.0),
        "silence": ([np.zeros(120_000)], 2000.0),
        "a sensor at rest": ([rng.standard_normal(6000) for _ in range(6)], 100.0),
        "a sensor that swings": ([make.felt(rng, (np.arange(12_000) / 200, np.zeros(12_000)), 100.0)[i]
                                  for i in range(6)], 100.0),
        "vibration without a line": (make.blurred(rng, 100.0, seconds), 100.0),
        "the same, faster": (make.blurred(rng, 200.0, seconds), 200.0),
    }  # fmt: skip


@pytest.mark.synthetic
@pytest.mark.parametrize("kind", list(none_of_an_engine()))
def test_refused_where_there_is_no_engine(kind):
    track = follow(*none_of_an_engine()[kind])
    assert not track.found
    assert all(stretch.refused for stretch in track.stretches)


@pytest.mark.synthetic
def test_a_lone_alias_is_ambiguous_and_refused():
    rng = np.random.default_rng(13)
    time = np.arange(0, 40, 1 / make.FINE)
    speed = (time, 7600 + make.wander(rng, time.size, 12, 2))
    track = follow(make.felt(rng, speed, 100.0, orders={1: 1.0}), 100.0)
    assert not track.found
    assert any(
        "equally well" in stretch.refused or "propeller" in stretch.refused for stretch in track.stretches
    )


@pytest.mark.analytic
def test_folding():
    spectra = Spectra(Waveform("x", 0.0, 100.0, np.ones(400, np.float32)), np.array([2.0]), 2.0, 3.0)
    seen = spectra.bins(np.array([33.0, 133.0, 67.0, 100.0, 250.0])) * spectra.bin
    np.testing.assert_allclose(seen, [33.0, 33.0, 33.0, 0.0, 50.0], atol=1e-9)


@pytest.mark.analytic
@pytest.mark.parametrize("rate", [100.0, 2000.0])
def test_whitened_noise_is_exponential_with_mean_one(rate):
    rng = np.random.default_rng(17)
    samples = np.cumsum(rng.standard_normal(round(60 * rate))) * 0.1 + rng.standard_normal(round(60 * rate))
    spectra = Spectra(Waveform("x", 0.0, rate, samples.astype(np.float32)), np.arange(2, 58, 1.0), 1.0, 10.0)
    power = spectra.whitened(np.arange(56))[:, spectra.first + 8 : -8]
    assert power.mean() == pytest.approx(1.0, abs=0.08)
    for level in (1.0, 3.0):
        assert np.mean(power > level) == pytest.approx(np.exp(-level), rel=0.2)


@pytest.mark.analytic
def test_a_tone_is_evidence_at_its_own_frequency_only():
    time = np.arange(20_000) / 100.0
    rng = np.random.default_rng(19)
    samples = 3 * np.sin(2 * np.pi * 23.0 * time) + 0.3 * rng.standard_normal(time.size)
    spectra = Spectra(Waveform("x", 0.0, 100.0, samples.astype(np.float32)), np.array([50.0]), 2.0, 3.0)
    power = without_skirts(spectra.whitened(np.array([0])))[0]
    hertz = np.arange(power.size) * spectra.bin
    strong = hertz[power > 100]
    assert strong.size
    assert np.all(np.abs(strong - 23.0) < 0.2)


@pytest.mark.analytic
def test_evidence_is_bounded_and_noise_speaks_against_a_line():
    rng = np.random.default_rng(23)
    noise = rng.exponential(1.0, 50_000)
    for expected in (False, True):
        assert line_evidence(noise, expected=expected).mean() < -0.1
        assert line_evidence(np.array([1e9]), expected=expected)[0] <= 7.0
        assert line_evidence(np.array([0.0]), expected=expected)[0] == 0.0


@pytest.mark.analytic
def test_orders():
    orders = engine_orders(2.5, 2)
    assert orders.firing == (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0)
    assert orders.propeller == (0.8, 1.6, 2.4, 3.2, 4.8)  # the fifth falls on the fourth of the firing
    assert engine_orders(2.0, 2).propeller == ()
    assert engine_orders(2.5, 3, 2.0).firing[0] == 2.0


@pytest.mark.synthetic
def test_stamps_that_scatter_and_samples_that_are_missing():
    rng = np.random.default_rng(29)
    even = 5.0 + np.arange(3000) / 99.0
    keep = np.ones(3000, dtype=bool)
    keep[[100, 101, 2000]] = False
    stamped = (even + rng.uniform(-0.0015, 0.0015, 3000))[keep]
    waveform = even_samples(Series("specific_force_x", stamped, np.arange(3000.0)[keep], "x"))
    assert waveform.rate == pytest.approx(99.0, rel=1e-5)
    assert waveform.start == pytest.approx(5.0, abs=2e-4)
    assert np.flatnonzero(np.isnan(waveform.samples)).tolist() == [100, 101, 2000]
    np.testing.assert_array_equal(waveform.samples[keep], np.arange(3000.0)[keep])


@pytest.mark.synthetic
def test_uneven_stamps_are_no_waveform():
    rng = np.random.default_rng(31)
    time = np.cumsum(rng.exponential(0.01, 3000))
    assert even_samples(Series("specific_force_x", time, np.zeros(3000), "x")) is None
    assert even_samples(Series("specific_force_x", time[:50], np.zeros(50), "x")) is None


AIRCRAFT = SimpleNamespace(
    engine=SimpleNamespace(gear_ratio=2.8, idle_rpm=2200.0, firing_per_rev=1.0),
    propeller=SimpleNamespace(blades=2),
)


def recording(channels=(), sound=()):
    series = {s.channel: (s,) for s in channels}
    return Recording("x.log", "test", "0" * 64, 1, None, series, waveforms=tuple(sound))


def imu(axes, rate):
    names = (
        "specific_force_x",
        "specific_force_y",
        "specific_force_z",
        "roll_rate",
        "pitch_rate",
        "yaw_rate",
    )
    time = np.arange(len(axes[0])) / rate
    return recording([Series(n, time, np.asarray(x, float), n) for n, x in zip(names, axes, strict=True)])


@pytest.mark.synthetic
def test_a_silent_glide_is_told_from_a_lost_line():
    rng = np.random.default_rng(37)
    time, rpm = make.throttle(rng, 60.0)
    sound = make.engine_sound(rng, (time, rpm), wind=0.3)
    sound[60_000:90_000] = 0.05 * rng.standard_normal(30_000)  # stopped
    sound[110_000:] = 8.0 * rng.standard_normal(sound.size - 110_000)  # drowned
    track = follow([sound], 2000.0)
    quiet = quiet_stretches(track)
    assert quiet[(track.time > 31) & (track.time < 44)].all()
    assert not quiet[track.time > 55.5].any()
    out, told = with_sound_rpm(
        {"camera": None}, {"camera": recording(sound=waveforms([sound], 2000.0))}, AIRCRAFT
    )
    series = out["camera"].get("rpm")
    assert series.derived
    assert "sound of axis 0" in series.source
    assert np.all(series.values[quiet] == 0.0)
    assert np.isnan(series.values[track.time > 56]).all()
    assert "found from the sound of camera" in told[0]
    assert "taken to stand still" in told[0]


@pytest.mark.synthetic
def test_a_logged_speed_is_left_alone():
    logged = recording([Series("rpm", np.arange(9.0), np.full(9, 6000.0), "rpm")])
    logs = {"engine": logged, "camera": recording(sound=waveforms([np.zeros(4000)], 2000.0))}
    assert with_sound_rpm(logs, logs, AIRCRAFT) == (logs, [])
    assert with_vibration_rpm("engine", logged, logs, AIRCRAFT) == (logs, [])


@pytest.mark.synthetic
def test_sound_without_an_engine_is_told_with_the_reason():
    rng = np.random.default_rng(41)
    logs = {"camera": recording(sound=waveforms([make.hum(rng, 30.0)], 2000.0))}
    out, told = with_sound_rpm(logs, logs, AIRCRAFT)
    assert out["camera"].get("rpm") is None
    assert "no engine speed could be found from the sound" in told[0]


@pytest.mark.synthetic
def test_vibration_of_the_unit_or_why_not():
    rng = np.random.default_rng(43)
    speed = make.throttle(rng, 60.0, levels=(6800, 7600))
    unit = imu(make.felt(rng, speed, 200.0), 200.0)
    out, told = with_vibration_rpm("unit", unit, {"unit": unit}, AIRCRAFT)
    series = out["unit"].get("rpm")
    good = np.isfinite(series.values)
    truth = np.interp(series.time, *speed)
    assert good.mean() > 0.5
    assert np.quantile(np.abs(series.values[good] / truth[good] - 1), 0.95) < 0.005
    assert "vibration in unit" in told[0]
    slow = imu([x[::4] for x in make.felt(rng, speed, 200.0)], 50.0)
    assert vibration_waveforms(slow) == []
    out, told = with_vibration_rpm("unit", slow, {"unit": slow}, AIRCRAFT)
    assert out["unit"].get("rpm") is None
    assert "too slowly" in told[0]


@pytest.mark.synthetic
@pytest.mark.parametrize("size", [1, 2, 100, 999, 1000, 2500])
def test_hardly_any_samples(size):
    rng = np.random.default_rng(size)
    assert not follow([rng.standard_normal(size)], 2000.0).found
    assert not follow([np.full(size, np.nan)], 2000.0).found


@pytest.mark.synthetic
def test_a_long_recording_is_followed_in_parts(monkeypatch):
    rng = np.random.default_rng(53)
    speed = make.throttle(rng, 60.0)
    sound = 1e30 * make.engine_sound(rng, speed)  # absurd strength does no harm
    whole = follow([sound], 2000.0)
    monkeypatch.setattr("flightproc.sortie.ridge._PART", 30.0)
    parts = follow([sound], 2000.0)
    np.testing.assert_allclose(parts.time, whole.time, atol=1e-9)
    both = np.isfinite(parts.rpm) & np.isfinite(whole.rpm)
    assert both.mean() > 0.8
    np.testing.assert_allclose(parts.rpm[both], whole.rpm[both], rtol=0.003)


@pytest.mark.synthetic
def test_the_input_is_left_alone():
    rng = np.random.default_rng(47)
    sound = waveforms([make.engine_sound(rng, make.throttle(rng, 20.0))], 2000.0)
    before = replace(sound[0], samples=sound[0].samples.copy())
    track_rpm(sound, 2.8, 2)
    np.testing.assert_array_equal(sound[0].samples, before.samples)
