"""What the loggers see: frames, levels, clocks, noise."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flightproc.channels import GRAVITY
from flightproc.simulate import SimulatedSortie, simulate_sortie
from flightproc.simulate.scenario import Segment
from flightproc.simulate.sensors import levelled_attitude, log_engine, log_gps, log_unit, rotation

CLEAN = {
    "gust_level": 0.0,
    "pilot_shift": 0.0,
    "gyro_bias": (0.0, 0.0, 0.0),
    "accelerometer_bias": (0.0, 0.0, 0.0),
    "gyro_drift": 0.0,
    "accelerometer_drift": 0.0,
    "gyro_noise": 0.0,
    "accelerometer_noise": 0.0,
    "vibration": 0.0,
    "attitude": "navigation",
}


ALIGNED = {"mount_roll": 0.0, "mount_pitch": 0.0, "mount_yaw": 0.0}


@pytest.fixture(scope="module")
def clean(short_card: tuple[Segment, ...]) -> SimulatedSortie:
    return simulate_sortie(5, **CLEAN, **ALIGNED, card=short_card)


def segment(sortie: SimulatedSortie, label: str, number: int = 0) -> tuple[float, float]:
    rows = [row for row in sortie.truth["segments"] if row["label"] == label]
    return rows[number]["start_s"], rows[number]["end_s"]


def inside(time: np.ndarray, span: tuple[float, float], margin: float = 0.0) -> np.ndarray:
    return (time >= span[0] + margin) & (time < span[1] - margin)


def attitude(quaternion: np.ndarray) -> Rotation:
    """Return scipy's rotation of quaternions with the scalar first."""
    return Rotation.from_quat(np.roll(quaternion, -1, axis=-1))


@pytest.mark.reference
def test_rotation_matrix_is_scipys() -> None:
    angles = (0.1, -0.3, 2.0)
    expected = Rotation.from_euler("ZYX", angles[::-1]).as_matrix()
    assert np.allclose(rotation(*angles), expected, atol=1e-14)


@pytest.mark.analytic
def test_body_rates_and_attitude_belong_together(clean: SimulatedSortie) -> None:
    c, motion = clean.flight.columns, clean.motion
    bank, pitch = c["unit_bank"], c["pitch"]
    rates = motion.rates
    airborne = c["airspeed"] > 9.5
    turn = (rates[:, 1] * np.sin(bank) + rates[:, 2] * np.cos(bank)) / np.cos(pitch)
    assert np.allclose(turn[airborne], c["turn_rate"][airborne], atol=1e-9)
    heading_rate = np.gradient(c["heading"], clean.flight.time)
    flying = np.flatnonzero(airborne)[100:-100]
    assert np.allclose(heading_rate[flying], c["turn_rate"][flying], atol=5e-3)


@pytest.mark.analytic
def test_specific_force_is_gravity_at_rest_and_agrees_with_the_track(clean: SimulatedSortie) -> None:
    c, motion = clean.flight.columns, clean.motion
    still = inside(clean.flight.time, segment(clean, "ground still, engine stopped"), 2.0)
    bank, pitch = c["unit_bank"][still], c["pitch"][still]
    expected = np.column_stack((np.sin(pitch), -np.sin(bank) * np.cos(pitch), -np.cos(bank) * np.cos(pitch)))
    assert np.allclose(motion.force[still], GRAVITY * expected, atol=1e-6)
    # in flight, back in the earth's frame, specific force plus gravity is the track's acceleration
    circle = inside(clean.flight.time, segment(clean, "circle right"), 5.0)
    index = np.flatnonzero(circle)[::50]
    acceleration = np.gradient(motion.velocity, clean.flight.time, axis=0)
    for i in index:
        matrix = Rotation.from_euler("ZYX", (c["heading"][i], c["pitch"][i], c["unit_bank"][i])).as_matrix()
        earth = matrix @ motion.force[i]
        assert earth[:2] == pytest.approx(acceleration[i], abs=0.02)
        assert earth[2] == pytest.approx(-GRAVITY - c["vertical_acceleration"][i], abs=1e-9)


@pytest.mark.analytic
def test_mount_turns_the_sensor_axes(clean: SimulatedSortie, short_card: tuple[Segment, ...]) -> None:
    mount = {"mount_roll": radians(3.0), "mount_pitch": radians(-5.0), "mount_yaw": radians(4.0)}
    turned = simulate_sortie(5, **CLEAN, **mount, card=short_card)
    matrix = Rotation.from_euler(
        "ZYX", (mount["mount_yaw"], mount["mount_pitch"], mount["mount_roll"])
    ).as_matrix()
    # sensor axes to body axes
    assert np.allclose(turned.unit.force @ matrix.T, clean.unit.force, atol=1e-9)
    assert np.allclose(turned.unit.rates @ matrix.T, clean.unit.rates, atol=1e-12)
    quaternion = turned.unit.quaternion[::100]
    body = attitude(quaternion) * Rotation.from_matrix(matrix).inv()
    plain = attitude(clean.unit.quaternion[::100])
    assert np.max((plain.inv() * body).magnitude()) < 1e-7


@pytest.mark.analytic
def test_levelled_attitude_reads_hang_roll_in_a_turn_and_navigation_reads_bank(
    clean: SimulatedSortie, short_card: tuple[Segment, ...]
) -> None:
    levelled = simulate_sortie(5, **{**CLEAN, **ALIGNED, "attitude": "levelled"}, card=short_card)
    span = segment(clean, "circle right")
    bank_true = np.mean(clean.flight.columns["unit_bank"][inside(clean.flight.time, span, 6.0)])
    hang_true = np.mean(clean.motion.hang_roll[inside(clean.flight.time, span, 6.0)])

    def mean_roll(sortie: SimulatedSortie) -> float:
        q = attitude(sortie.unit.quaternion)
        return float(np.mean(q.as_euler("ZYX")[inside(sortie.unit.attitude_time, span, 6.0), 2]))

    assert bank_true - hang_true > radians(8.0)
    assert mean_roll(clean) == pytest.approx(bank_true, abs=radians(0.5))
    assert mean_roll(levelled) == pytest.approx(hang_true, abs=radians(2.0))


@pytest.mark.analytic
def test_levelled_filter_follows_the_gyro_in_the_short_run() -> None:
    time = np.arange(0.0, 2.0, 0.02)
    rates = np.zeros((time.size, 3))
    rates[:, 0] = 0.1
    force = np.tile([0.0, 0.0, -GRAVITY], (time.size, 1))
    angles = levelled_attitude(time, rates, force, np.zeros(time.size), level_time=20.0)
    # towards 0.1 * 20 rad with a time constant of 20 s
    assert angles[-1, 0] == pytest.approx(2.0 * (1 - np.exp(-2.0 / 20.0)), rel=2e-3)


@pytest.mark.synthetic
def test_vibration_follows_the_engine(sample: SimulatedSortie) -> None:
    unit = sample.unit
    high = np.diff(unit.force[:, 2])
    time = unit.time[1:]
    levels = []
    for label in ("glide 1", "power 5200 a", "power 6000 a", "power 6800 a", "power 7600 a"):
        hold = next(h for h in sample.planned_holds if h["label"] == label)
        levels.append(float(np.std(high[inside(time, (hold["start_s"], hold["end_s"]))])))
    assert levels == sorted(levels)
    assert levels[-1] > 3 * levels[0]
    still = float(np.std(high[inside(time, segment(sample, "ground still, engine stopped"), 1.0)]))
    assert still == pytest.approx(np.sqrt(2) * sample.parameters.accelerometer_noise, rel=0.1)


@pytest.mark.synthetic
def test_vibration_leaves_the_mean_alone(short_card: tuple[Segment, ...]) -> None:
    loud = simulate_sortie(5, **{**CLEAN, **ALIGNED, "vibration": 1.0}, card=short_card)
    for hold in loud.planned_holds:
        span = inside(loud.unit.time, (hold["start_s"], hold["end_s"]))
        force = loud.unit.force[span]
        seen = np.degrees(np.mean(np.arctan2(-force[:, 1], -force[:, 2])))
        assert seen == pytest.approx(hold["hang_roll_deg"], abs=0.08)


@pytest.mark.analytic
def test_each_log_keeps_its_own_clock(sample: SimulatedSortie) -> None:
    offsets = sample.truth["clock_offsets_s"]
    engine, gps = sample.engine, sample.gps
    assert sample.unit.time[0] == engine.time[0] == gps.time[0] == 0.0
    rpm = np.interp(
        engine.time + offsets["engine"], sample.flight.time, sample.flight.columns["rpm"], left=0.0, right=0.0
    )
    turning = rpm > 1500.0
    assert np.max(np.abs(engine.rpm[turning] - rpm[turning])) < 35.0
    assert np.all(engine.rpm % 10.0 == 0.0)
    velocity = np.column_stack(
        [
            np.interp(gps.time + offsets["gps"], sample.flight.time, sample.motion.velocity[:, i])
            for i in (0, 1)
        ]
    )
    course = np.radians(gps.course)
    seen = np.column_stack((gps.speed * np.cos(course), gps.speed * np.sin(course)))
    assert np.std(seen - velocity) == pytest.approx(sample.parameters.gps_speed_noise * 1.08, rel=0.1)


@pytest.mark.analytic
def test_clock_drift_and_latency_shift_the_samples(clean: SimulatedSortie) -> None:
    generator = np.random.default_rng(0)
    quiet = replace(clean.parameters, gps_speed_noise=0.0, gps_offset=10.0)
    late = replace(quiet, gps_latency=0.5, gps_drift=1e-4)
    plain = log_gps(clean.flight, clean.motion, quiet, generator)
    shifted = log_gps(clean.flight, clean.motion, late, generator)
    at = 150.0
    own = (at + 0.5) / (1 + 1e-4)
    assert np.interp(own, shifted.time, shifted.speed) == pytest.approx(
        np.interp(at, plain.time, plain.speed), abs=0.02
    )
    drifting = log_engine(clean.flight, replace(quiet, engine_drift=1e-2), generator)
    stop_own = drifting.time[np.flatnonzero(drifting.rpm > 1500.0)[-1]]
    stop = clean.flight.time[np.flatnonzero(clean.flight.columns["rpm"] > 1500.0)[-1]]
    assert stop_own * 1.01 + quiet.engine_offset == pytest.approx(stop, abs=0.3)


@pytest.mark.analytic
def test_barometer_gives_the_height(clean: SimulatedSortie) -> None:
    unit, pa = clean.unit, clean.parameters
    height = np.interp(unit.baro_time, clean.flight.time, clean.flight.columns["height"])
    ratio = unit.pressure / pa.ground_pressure
    seen = pa.field_height + pa.ground_temperature / 0.0065 * (1 - ratio ** (287.05287 * 0.0065 / GRAVITY))
    assert np.max(np.abs(seen - height)) < 1.2  # 2 Pa of noise is 0.17 m
    assert np.mean(seen - height) == pytest.approx(0.0, abs=0.01)


@pytest.mark.analytic
def test_no_attitude_where_none_is_asked(clean: SimulatedSortie) -> None:
    log = log_unit(
        clean.flight, clean.motion, replace(clean.parameters, attitude="none"), np.random.default_rng(0)
    )
    assert log.attitude_time.size == 0 and log.quaternion.shape == (0, 4)
