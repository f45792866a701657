"""The check of the instruments: sound recordings pass, each fault is told on its own line."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.readers import Recording, Series, read_log
from flightproc.readers.recording import Waveform
from flightproc.sheets import AircraftSheet, EngineEntry, PropellerEntry, SensorEntry
from flightproc.sortie.check import check_instruments

from .engine_lines import engine_sound

pytestmark = pytest.mark.synthetic

UTC = 1_777_629_600.0  # 2026-05-01 10:00
RATE = 50.0
FORCES = ("specific_force_x", "specific_force_y", "specific_force_z")
RATES = ("roll_rate", "pitch_rate", "yaw_rate")


def aircraft(**sensor):
    return AircraftSheet(
        name="frame 3",
        hung_mass_kg=118.0,
        all_up_mass_kg=124.0,
        hang_span_m=0.44,
        hang_arm_m=0.35,
        engine=EngineEntry(gear_ratio=2.8),
        propeller=PropellerEntry(diameter_m=1.3, blades=2, rotation="left", pitch_m=0.62),
        sensor=SensorEntry(**sensor),
    )


def ground(tilted=True, seconds=130.0, seed=3, gyro_noise=0.003, force_noise=0.05):
    """Return the channels of a ground recording, SI: 70 s at rest, then tilted by hand, the engine last."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE)) / RATE
    roll = np.full(time.size, math.radians(1.5))
    pitch = np.full(time.size, math.radians(4.0))
    if tilted:
        for angle, start in ((roll, 75.0), (pitch, 90.0)):
            use = (time >= start) & (time < start + 12.0)
            angle[use] += math.radians(20.0) * np.sin(2 * np.pi * (time[use] - start) / 6.0)
    rates = [np.gradient(roll, 1 / RATE), np.gradient(pitch, 1 / RATE) * np.cos(roll)]
    rates.append(-np.gradient(pitch, 1 / RATE) * np.sin(roll))
    forces = [np.sin(pitch), -np.cos(pitch) * np.sin(roll), -np.cos(pitch) * np.cos(roll)]
    out = {}
    for name, values in zip(RATES, rates, strict=True):
        out[name] = (time, values + 0.004 + gyro_noise * rng.standard_normal(time.size))
    for name, values in zip(FORCES, forces, strict=True):
        out[name] = (time, GRAVITY * values + force_noise * rng.standard_normal(time.size))
    slow = np.arange(0.0, seconds, 0.5)
    out["rpm"] = (slow, np.where(slow > 105.0, 2200.0 + 40.0 * rng.standard_normal(slow.size), 0.0))
    for name, middle in (("latitude", 0.82), ("longitude", 0.14)):
        out[name] = (slow, middle + 1.0 / 6.4e6 * rng.standard_normal(slow.size))
    for name in ("velocity_north", "velocity_east"):
        out[name] = (slow, 0.05 * rng.standard_normal(slow.size))
    out["pressure"] = (slow, 95_000.0 + 2.0 * rng.standard_normal(slow.size))
    return out


def recording(channels, start_utc=UTC, path="unit.ulg", **more):
    made = {name: (Series(name, *pair, name),) for name, pair in channels.items()}
    return Recording(path, "ULog", "", 0, start_utc, made, **more)


def check(channels, sheet=None, **more):
    return check_instruments([recording(channels, **more)], sheet)


def told(result, subject, status=None):
    lines = [x for x in result.lines if x.subject == subject and status in (None, x.status)]
    assert lines, (subject, [(x.subject, x.status, x.found) for x in result.lines])
    return lines[0]


def changed(name, change, **how):
    channels = ground(**how)
    time, values = channels[name]
    channels[name] = (time, change(time, values.copy()))
    return channels


def test_a_sound_recording_is_ready():
    result = check(ground(), aircraft())
    assert result.verdict == "ready", [(x.subject, x.found) for x in result.lines if x.status != "ready"]
    assert result.words == "Ready."
    assert all(not line.advice for line in result.lines)
    assert result.still[1] - result.still[0] == pytest.approx(73.0, abs=3.0)
    assert set(result.curves) == {*RATES, *FORCES}


def test_what_was_put_in_is_measured():
    result = check(ground())
    mount = told(result, "mount").numbers
    assert mount["mount_roll_deg"] == pytest.approx(1.5, abs=0.05)
    assert mount["mount_pitch_deg"] == pytest.approx(4.0, abs=0.05)
    assert told(result, "gyro zero").numbers["gyro_bias_deg_s"] == pytest.approx(
        math.degrees(0.004), rel=0.05
    )
    white = told(result, "gyro noise").numbers["white_deg_s_sqrt_s"]
    assert white == pytest.approx(math.degrees(0.003) / math.sqrt(RATE), rel=0.15)
    assert told(result, "gyro scale").numbers["gyro_scale"] == pytest.approx(1.0, abs=0.05)
    assert told(result, "gyro rate").numbers["rate_hz"] == pytest.approx(RATE)


@pytest.mark.parametrize("value", [0.0, 0.031])
def test_a_dead_gyro(value):
    channels = ground()
    for name in RATES:
        channels[name] = (channels[name][0], np.full(channels[name][0].size, value))
    result = check(channels)
    line = told(result, "gyro", "mend")
    assert ("always 0" if value == 0.0 else "stuck at 0.031") in line.found and line.advice
    assert sum(x.subject == "gyro" and x.status == "mend" for x in result.lines) == 3
    assert result.verdict == "mend"


def test_a_stuck_axis():
    def stop(time, values):
        values[(time > 40.0) & (time < 48.0)] = values[np.argmax(time > 40.0)]
        return values

    line = told(check(changed("specific_force_y", stop)), "accelerometer", "mend")
    assert "specific_force_y stuck" in line.found and "from 40 s on" in line.found
    assert line.numbers["stuck_s"] == pytest.approx(8.0, abs=0.1)


@pytest.mark.parametrize(
    ("factor", "advice"),
    [
        (0.5, "half"),
        (2.0, "twice"),
        (1 / GRAVITY, "logged in g"),
        (0.001, "gravity is taken off"),
        (1.1, "range"),
    ],
)
def test_a_wrong_scale_of_the_accelerometer(factor, advice):
    channels = ground()
    for name in FORCES:
        channels[name] = (channels[name][0], channels[name][1] * factor)
    line = told(check(channels), "gravity", "mend")
    assert advice in line.advice


def test_an_offset_of_the_accelerometer_is_to_be_looked_at():
    line = told(check(changed("specific_force_z", lambda t, x: x - 0.3)), "gravity")
    assert line.status == "look at" and "+3.1 % off" in line.found


@pytest.mark.parametrize(
    ("factor", "status", "advice"),
    [
        (0.5, "mend", "half"),
        (2.0, "mend", "twice"),
        (1.15, "mend", "calibrate"),
        (-1.0, "mend", "opposite signs"),
        (math.degrees(1.0), "mend", ""),
        (math.radians(1.0), "mend", ""),
    ],
)
def test_a_wrong_scale_of_the_gyro(factor, status, advice):
    channels = ground()
    for name in RATES:
        channels[name] = (channels[name][0], channels[name][1] * factor)
    result = check(channels)
    assert result.verdict == status
    line = told(result, "gyro scale")
    if factor != math.degrees(1.0):
        assert line.status == "mend" and advice in line.advice
    if factor == math.radians(1.0):
        assert line.numbers["gyro_scale"] == pytest.approx(factor, rel=0.5)


def test_one_axis_with_the_wrong_sign():
    line = told(check(changed("roll_rate", lambda t, x: -x)), "gyro scale", "mend")
    assert "wrong sign" in line.advice


def test_a_gyro_that_was_not_tilted_is_not_judged():
    line = told(check(ground(tilted=False)), "gyro scale")
    assert line.status == "look at" and "tilt it by hand" in line.advice


def test_clipping_and_coarse_steps():
    channels = ground()
    for name in RATES:
        channels[name] = (channels[name][0], np.clip(channels[name][1], -0.2, 0.2))
    assert "cut off at 0.2" in told(check(channels), "gyro", "mend").found
    coarse = changed("specific_force_y", lambda t, x: np.round(x / 5.0) * 5.0)
    line = told(check(coarse), "accelerometer")
    assert line.status == "look at" and "values, 5 apart" in line.found


def test_noise_beyond_what_a_hold_bears():
    def wander(time, x):
        return x + np.cumsum(np.random.default_rng(1).standard_normal(x.size)) * 0.0004

    line = told(check(changed("yaw_rate", wander)), "gyro noise")
    assert line.status == "mend" and line.numbers["allan_deg_s"] > 0.2


def test_nowhere_at_rest():
    shaken = ground(force_noise=2.0)
    result = check(shaken)
    assert told(result, "rest").status == "mend" and result.still is None and not result.curves
    short = {name: (t[t < 20.0], x[t < 20.0]) for name, (t, x) in ground().items()}
    result = check(short)
    assert told(result, "length").status == "mend"
    assert told(result, "rest").status == "look at"


def test_rates_and_gaps():
    slow = {
        name: (t[::8], x[::8]) if name in (*RATES, *FORCES) else (t, x) for name, (t, x) in ground().items()
    }
    assert told(check(slow), "gyro rate").status == "mend"
    holed = ground()
    for name in RATES:
        t, x = holed[name]
        keep = (t < 20.0) | (t > 24.0)
        holed[name] = (t[keep], x[keep])
    line = told(check(holed), "gyro rate")
    assert line.status == "mend" and "1 gap, the longest 4 s" in line.found


def test_no_satellites():
    channels = {n: p for n, p in ground().items() if not n.startswith(("lat", "lon", "vel"))}
    assert told(check(channels), "satellites", "mend").found == "no position or ground velocity in any log"
    channels = ground()
    for name in ("latitude", "longitude"):
        channels[name] = (channels[name][0], np.zeros(channels[name][0].size))
    assert "no fix" in told(check(channels), "satellites", "mend").found


def test_late_and_wandering_satellites():
    def late(time, x):
        x[time < 50.0] = np.nan
        return x

    assert "first fix after 50 s" in told(check(changed("latitude", late)), "satellites", "look at").advice
    walk = changed("longitude", lambda t, x: x + 3e-6 * np.sin(t / 10))
    assert "wanders" in told(check(walk), "satellites").advice
    gone = changed("velocity_north", lambda t, x: x + 9.0)
    assert "it moved" in told(check(gone), "satellites", "look at").found


def test_clocks():
    channels = ground()
    unit = {n: p for n, p in channels.items() if n in (*RATES, *FORCES)}
    rest = {n: p for n, p in channels.items() if n not in unit}
    apart = check_instruments([recording(unit), recording(rest, UTC + 9000.0, "gps.gpx")])
    assert "share no time" in told(apart, "clock", "mend").found
    unset = check_instruments([recording(unit, 0.0), recording(rest, UTC, "gps.gpx")])
    assert "was not set" in told(unset, "clock", "mend").found
    blind = check_instruments([recording(unit, None), recording(rest, UTC, "gps.gpx")])
    assert told(blind, "clock", "look at").found == "no UTC in unit.ulg"
    alone = check(channels, start_utc=None)
    assert "one log, one clock" in told(alone, "clock", "ready").found


def test_engine_speed():
    none = {n: p for n, p in ground().items() if n != "rpm"}
    assert "no engine speed in any log" in told(check(none), "engine speed", "mend").found
    still = changed("rpm", lambda t, x: 0.0 * x)
    assert "run the engine" in told(check(still), "engine speed", "look at").advice
    fast = changed("rpm", lambda t, x: 8.0 * x)
    assert "pulses a turn" in told(check(fast), "engine speed", "mend").advice

    def lose(time, x):
        x[(time > 106) & (np.arange(x.size) % 9 == 0)] = 0.0
        return x

    assert "drop out" in told(check(changed("rpm", lose)), "engine speed", "look at").found


def sounding(rpm):
    """Return sound of 60 s with the engine at an engine speed in its last 45 s, at 2 kHz."""
    rng = np.random.default_rng(5)
    fine = np.arange(60 * 200) / 200.0
    sound = engine_sound(rng, (fine, np.full(fine.size, float(rpm))))
    quiet = np.arange(sound.size) < 15 * 2000
    sound[quiet] = 0.05 * rng.standard_normal(int(quiet.sum()))
    return Waveform("sound", 0.0, 2000.0, sound.astype(np.float32))


def test_the_engine_is_heard():
    none = {n: p for n, p in ground().items() if n != "rpm"}
    log = [recording(none), recording({}, None, "sound.wav", waveforms=(sounding(5200),))]
    line = told(check_instruments(log, aircraft()), "engine speed")
    assert line.status == "ready" and line.numbers["low_rpm"] == pytest.approx(5200, rel=0.01)
    assert "give --aircraft" in told(check_instruments(log), "engine speed", "look at").advice


def test_a_logger_that_counts_twice_is_told():
    doubled = changed("rpm", lambda t, x: np.where(x > 0, x - 2200 + 10400, x))
    log = [recording(doubled), recording({}, None, "sound.wav", waveforms=(sounding(5200),))]
    line = told(check_instruments(log, aircraft()), "engine line")
    assert line.status == "look at" and "counts 2 times the turns" in line.advice


def test_stated_mount_and_attitude_are_held_against_gravity():
    assert told(check(ground(), aircraft(mount_roll_deg=1.0, mount_pitch_deg=3.0)), "mount").status == "ready"
    assert told(check(ground(), aircraft(mount_roll_deg=90.0)), "mount").status == "look at"
    turned = ground()
    for name in ("specific_force_y", "specific_force_z", "pitch_rate", "yaw_rate"):
        turned[name] = (turned[name][0], -turned[name][1])
    line = told(check(turned), "mount")
    assert line.status == "look at" and "upside down" in line.found
    tilted = ground()
    time = np.arange(0.0, 130.0, 0.1)
    tilted["bank"], tilted["pitch"] = (time, np.full(time.size, 0.1)), (time, np.full(time.size, 0.07))
    line = told(check(tilted), "attitude")
    assert line.numbers["bank_off_deg"] == pytest.approx(math.degrees(0.1) - 1.5, abs=0.05)
    assert line.status == "look at"


def test_pressure_that_never_changes():
    line = told(check(changed("pressure", lambda t, x: 0.0 * x + 95_000.0)), "pressure")
    assert line.status == "mend" and "950.0 hPa" in line.found


def test_missing_sensors():
    blind = {n: p for n, p in ground().items() if n not in FORCES}
    line = told(check(blind), "accelerometer")
    assert line.status == "mend" and line.found == "not in any log"
    two = {n: p for n, p in ground().items() if n != "yaw_rate"}
    assert "only 2 of three axes" in told(check(two), "gyro").found


@pytest.mark.needs_data
@pytest.mark.parametrize(
    "name",
    [
        "ulog/px4rs_esc_status_log.ulg",
        "ulog/px4rs_quadrotor_local.ulg",
        "ulog/pyulog_sample_log_small.ulg",
        "ulog/yule_trig_stats_synthetic.ulg",
        "dataflash/spark404_log.bin",
        "igc/igcparser_20180427.igc",
        "gpx/georust_garmin_with_extensions.gpx",
    ],
)
def test_real_logs_get_an_answer(data_folder, name):
    path = data_folder / name
    result = check_instruments([read_log(str(path))], aircraft())
    assert result.verdict in ("ready", "look at", "mend") and len(result.lines) > 4
    for line in result.lines:
        assert line.found and bool(line.advice) == (line.status != "ready"), line
