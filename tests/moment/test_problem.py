"""The equations of the holds, against the same equations written out by hand for a few holds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.holds.model import Hold, HoldKind
from flightproc.moment.calibrate import SWING_RISER, Frame, Wing, make_priors
from flightproc.moment.observe import Observations
from flightproc.moment.problem import Problem, Session, build_problem
from flightproc.statistics.autoregression import LevelFit

pytestmark = pytest.mark.analytic

FRAME = Frame(110.0, 1.0, 0.35, 0.03, riser_stiffness=180.0, riser_stiffness_std=40.0)
WING = Wing(area=25.0, span=11.0, trim_speed=10.0)
KINDS = (HoldKind.GLIDE, HoldKind.BALLAST, HoldKind.POWER, HoldKind.POWER, HoldKind.GLIDE)
BALLAST = np.array([0.0, 12.0, 0.0, -5.0, 0.0])
LOAD = GRAVITY * np.array([1.0, 1.02, 1.1, 1.05, 0.99])
SPEED = np.array([10.0, 10.4, 11.0, 10.8, 9.6])
DENSITY = np.array([1.2, 1.19, 1.15, 1.1, 1.18])
PITCH = np.array([0.01, 0.02, 0.12, 0.15, 0.0])
IDLE = np.array([0.6, 0.4, 9.0, 9.0, 0.5])
MIDDLE = np.array([30.0, 130.0, 260.0, 390.0, 490.0])


def observations(**change) -> Observations:
    k = len(KINDS)
    one = np.ones(k)
    fit = LevelFit(np.zeros((k, 2)), np.eye(2 * k), 1, np.zeros((1, 2, 2)), np.eye(2), 1.0, 0.0)
    base = Observations(
        middle=MIDDLE,
        hang_roll=np.array([0.01, 0.04, 0.05, 0.06, 0.012]),
        turn_rate=np.array([0.001, 0.02, 0.04, 0.05, 0.002]),
        covariance=np.diag(np.arange(1.0, 2 * k + 1.0)) * 1e-6,
        airspeed=SPEED,
        airspeed_std=0.03 * one,
        bank=np.nan * one,
        bank_std=np.nan * one,
        rpm=6000.0 * one,
        rpm_std=one,
        density=DENSITY,
        load=LOAD,
        hang_pitch=PITCH,
        noise=fit,
    )
    return replace(base, **change)


def session(*, mass: float = 118.0, index: int = 0, yaw: float = 0.02, **change) -> Session:
    holds = tuple(
        Hold(m - 20.0, m + 20.0, kind, True, 6000.0, ballast_moment=b, ballast_moment_std=0.02 * abs(b))
        for m, kind, b in zip(MIDDLE, KINDS, BALLAST, strict=True)
    )
    return Session(
        observed=observations(**change),
        holds=holds,
        wing=WING,
        wing_index=index,
        mass=mass,
        idle_moment=IDLE,
        idle_relative_std=0.3,
        airspeed=SPEED,
        airspeed_std=0.03 * np.ones(5),
        airspeed_common_std=0.1,
        density_relative_std=0.01,
        mount_yaw_std=yaw,
    )


def problem(*sessions: Session, frame: Frame = FRAME, wing: Wing = WING, **how) -> Problem:
    return build_problem(sessions or (session(),), frame, make_priors(frame, wing), **how)


POINT = np.array([0.3, -0.5, 0.7, 0.4, -0.8, 0.6, 0.2, -0.3, 0.012, 1e-6, 0.002, -1e-6, 0.03])
"""Weight, ballast, idle, turn and K under power, yaw hang; riser, turn; zero, drift, zero, drift, yaw."""


def by_hand(excess: np.ndarray, moment: np.ndarray, x: np.ndarray = POINT, *, stated: bool = False):
    """Return hang roll and reduced turn of every hold, from the equations of the module."""
    priors = make_priors(FRAME, WING)
    weight = priors.weight + priors.weight_std * x[0]
    riser = priors.riser[0] * math.exp(priors.riser[1] * x[6])
    since = MIDDLE - MIDDLE.mean()
    pitch = PITCH - PITCH[[0, 1, 4]].mean()
    hang, turn = np.empty(5), np.empty(5)
    for i in range(5):
        power = KINDS[i] is HoldKind.POWER
        known = BALLAST[i] * LOAD[i] / GRAVITY * (1.0 + 0.02 * x[1])
        if not power:
            known += IDLE[i] * (1.0 + 0.3 * x[2])
        stiffness = weight * 118.0 / 110.0 * LOAD[i] / GRAVITY + riser
        level = weight * 118.0 / 110.0 + riser
        coefficient = 7.0 * math.exp(0.4 * x[7]) * riser / level
        if power:
            stiffness *= 1.0 + 0.015 * x[4]
            coefficient *= math.exp(0.2 * x[3])
        total = known + moment[i]
        pressure = 0.5 * DENSITY[i] * SPEED[i] ** 2
        rate = 2.0 * SPEED[i] * excess[i] / 11.0
        hang[i] = x[8] + x[9] * since[i] + total / stiffness + x[12] * pitch[i]
        hang[i] += 0.25 * x[5] * riser / level * SPEED[i] * rate / GRAVITY
        turn[i] = x[10] + x[11] * since[i] + coefficient * total / (pressure * 25.0 * 11.0) + excess[i]
    return hang, turn


def test_prediction_without_power():
    hang, turn = by_hand(np.zeros(5), np.zeros(5))
    found = problem().predict(POINT)
    np.testing.assert_allclose(found[0::2], hang, rtol=1e-12)
    np.testing.assert_allclose(found[1::2], turn, rtol=1e-12)


def test_moment_and_excess_of_the_power_holds_come_back():
    """Two equations, two unknowns: exact, the ballast carried under power and all model errors included."""
    moment, excess = np.array([0.0, 0.0, 17.0, -24.0, 0.0]), np.array([0.0, 0.0, 0.004, -0.003, 0.0])
    hang, turn = by_hand(excess, moment)
    made = problem(session(hang_roll=hang, turn_rate=turn * 2.0 * SPEED / 11.0))
    found, over = made.solve_power(POINT, np.zeros(4), np.zeros(2))
    np.testing.assert_allclose(found, [17.0, -24.0], rtol=1e-10)
    np.testing.assert_allclose(over, [0.004, -0.003], rtol=1e-9)
    # errors of the observations are taken off them
    shifted = problem(session(hang_roll=hang + 0.01, turn_rate=(turn + 0.001) * 2.0 * SPEED / 11.0))
    again, _ = shifted.solve_power(POINT, np.array([0.01, 0.001] * 2), np.zeros(2))
    np.testing.assert_allclose(again, found, rtol=1e-10)


@pytest.mark.parametrize("missing", ["hang_roll", "turn_rate"])
def test_where_one_channel_is_missing_the_excess_is_drawn(missing):
    moment = np.array([0.0, 0.0, 17.0, -24.0, 0.0])
    draw = np.array([0.5, -1.2])
    gain = 1.0 / (0.5 * DENSITY * SPEED**2 * 25.0 * 11.0)
    drawn = 3.0 * 3.0 * 7.0 * gain[2:4] * draw  # a yaw moment of 3 N m, three times as hard as roll
    hang, turn = by_hand(np.array([0.0, 0.0, *drawn, 0.0]), moment)
    seen = {"hang_roll": hang, "turn_rate": turn * 2.0 * SPEED / 11.0}
    made = problem(session(**(seen | {missing: np.full(5, np.nan)})))
    found, over = made.solve_power(POINT, np.zeros(4), draw)
    np.testing.assert_allclose(found, [17.0, -24.0], rtol=1e-10)
    np.testing.assert_allclose(over, drawn, rtol=1e-12)


def test_what_is_fitted_is_seen_without_power_and_not_struck():
    turn = np.array([0.001, np.nan, 0.04, 0.05, 0.002])
    made = problem(session(turn_rate=turn))
    assert made.rows.tolist() == [0, 1, 2, 8, 9]
    assert made.power_rows.tolist() == [4, 5, 6, 7]
    assert replace(made, left_out=(8,)).rows.tolist() == [0, 1, 2, 9]
    assert (made.count, made.size) == (5, 13)


def test_noise_and_walks_are_carried_into_the_reduced_turn():
    made = problem()
    to_hat = 11.0 / (2.0 * SPEED)
    variance = np.arange(1.0, 11.0) * 1e-6
    np.testing.assert_allclose(np.diag(made.noise)[0::2], variance[0::2], rtol=1e-12)
    np.testing.assert_allclose(np.diag(made.noise)[1::2], variance[1::2] * to_hat**2, rtol=1e-12)
    # a walk pinned in the middle: two holds of one side share the time to the nearer of them
    since = MIDDLE - MIDDLE.mean()
    for i in range(5):
        for j in range(5):
            shared = min(abs(since[i]), abs(since[j])) / 1000.0 if since[i] * since[j] > 0.0 else 0.0
            assert made.hang_walk[2 * i, 2 * j] == pytest.approx(shared, abs=1e-15)
            assert made.turn_walk[2 * i + 1, 2 * j + 1] == pytest.approx(
                shared * to_hat[i] * to_hat[j], abs=1e-15
            )
    assert not made.hang_walk[1::2].any() and not made.turn_walk[0::2].any()


def test_priors_of_the_parameters():
    made = problem(session(), session(index=1, yaw=float("nan")))
    speed = SPEED.mean()
    to_hat = 11.0 / (2.0 * speed)
    drifts = math.radians(0.3) / 3600.0, math.radians(0.1) / 3600.0 * to_hat
    expected = [1.0] * 10 + [1.0, drifts[0], 1.0, drifts[1], 0.02] + [1.0, drifts[0], 1.0, drifts[1]]
    np.testing.assert_allclose(made.prior_std, [*expected, math.radians(3.0)], rtol=1e-12)
    mean = np.zeros(20)
    mean[[10, 15]] = np.median([0.01, 0.04, 0.05, 0.06, 0.012])
    np.testing.assert_allclose(made.prior_mean, mean, rtol=1e-12)
    assert made.session.tolist() == [0] * 5 + [1] * 5 == made.wing.tolist()
    assert (made.wings, made.sessions) == (2, 2)
    assert made.labels.count("riser stiffness") == 2 and made.labels.count("drift of the zeros") == 4
    assert made.labels[:6] == (
        "weight and hang arm",
        "ballast mass and arm",
        "idle torque",
        "turn coefficient",
        "change of K under power",
        "turn by yaw",
    )
    assert len(made.labels) == made.size
    assert made.known_relative_std == pytest.approx(0.02) and made.idle_relative_std == 0.3


def test_without_a_hold_to_tell_it_the_zero_keeps_its_prior():
    one = session()
    powered = tuple(replace(hold, kind=HoldKind.POWER) for hold in one.holds)
    made = problem(replace(one, holds=powered))
    to_hat = 11.0 / (2.0 * SPEED.mean())
    assert made.prior_std[8] == pytest.approx(math.radians(3.0))
    assert made.prior_std[10] == pytest.approx(3.0 * to_hat * math.radians(1.0))
    assert made.prior_mean[8] == 0.0
    np.testing.assert_array_equal(made.pitch, PITCH - PITCH.mean())
    assert not made.idle.any()


def test_sorties_keep_their_own_mass_and_zeros():
    made = problem(session(), session(mass=99.0))
    np.testing.assert_allclose(made.mass_ratio, [118.0 / 110.0] * 5 + [0.9] * 5, rtol=1e-12)
    x = np.zeros(made.size)
    x[8:13], x[13:18] = np.arange(1.0, 6.0), np.arange(6.0, 11.0)
    for what in range(5):
        assert (made.zero(x, 0, what), made.zero(x, 1, what)) == (1.0 + what, 6.0 + what)


def test_a_tilt_test_and_stated_ballast_are_named_as_the_source():
    tilted = replace(FRAME, weight_stiffness=380.0, weight_stiffness_std=5.0)
    assert problem(frame=tilted).labels[0] == "tilt test"
    bare = replace(session(), holds=tuple(replace(h, ballast_moment=0.0) for h in session().holds))
    assert problem(bare).known_relative_std == 0.01
    exact = tuple(replace(h, ballast_moment_std=0.0) for h in session().holds)
    assert problem(replace(session(), holds=exact)).known_relative_std == 1e-4


def test_a_riser_of_unknown_stiffness_lies_evenly_over_its_range():
    frame = replace(FRAME, riser_stiffness=None, riser_stiffness_std=None)
    made = problem(frame=frame)
    x = np.zeros((3, made.size))
    x[:, 6] = [-1.0, 0.0, 1.0]  # 15.87, 50, 84.13 % of the range
    np.testing.assert_allclose(made.riser(x)[:, 0], 440.0 * np.array([0.158655, 0.5, 0.841345]), rtol=1e-5)
    x[:, 0] = [-1e3, 0.0, 1.0]
    weight = 110.0 * GRAVITY * 0.35
    std = GRAVITY * math.hypot(0.35, 110.0 * 0.03)
    np.testing.assert_allclose(made.weight(x), [0.1 * weight, weight, weight + std], rtol=1e-12)


def test_a_stated_turn_coefficient_has_no_riser_share():
    made = problem(wing=replace(WING, turn_coefficient=4.0, turn_coefficient_std=0.4))
    x = np.zeros(made.size)
    x[3] = 1.0
    np.testing.assert_allclose(made.turn_coefficient(x), 4.0, rtol=1e-12)
    np.testing.assert_allclose(made.turn_in_hold(x), 4.0 * np.exp([0.0, 0.0, 0.2, 0.2, 0.0]), rtol=1e-12)


def test_inertia_with_a_roll_frequency_observes_the_stiffness_a_swing_feels():
    made = problem(inertia=(600.0, 0.07))
    rest = made.beside(POINT)
    felt = made.weight(POINT) + SWING_RISER * made.riser(POINT)[0]
    np.testing.assert_allclose(rest[:-1], (POINT - made.prior_mean) / made.prior_std, rtol=1e-12)
    assert rest[-1] == pytest.approx(math.log(600.0 / felt) / 0.07, rel=1e-12)
    assert made.beside_labels() == [*made.labels, "inertia"]
    alone = problem()
    assert alone.beside(POINT).shape == (13,) and alone.beside_labels() == list(alone.labels)
