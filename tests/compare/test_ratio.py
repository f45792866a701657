"""Flight against rig: grouping, ratio, compensation given back, and the words that go with them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from flightproc.compare.answer import answer_in_words, limits_in_words
from flightproc.compare.ratio import (
    FROM_DIFFERENCES,
    Compensation,
    Propulsion,
    compare_with_rig,
    group_by_rpm,
)
from flightproc.holds.model import Hold, HoldKind
from flightproc.moment.observe import Observations
from flightproc.moment.solve import MomentSolution
from flightproc.quantity import Quantity
from flightproc.results import Calibration, HoldResult
from flightproc.rig.model import RigCurve, RigPoint, TorqueFit
from flightproc.statistics.autoregression import LevelFit

pytestmark = pytest.mark.analytic

RPM = np.array([5000.0, 0.0, 7000.0, 5010.0, 7010.0])
MOMENT = np.array([10.0, np.nan, 19.6, 10.0, 19.6])
NONE = Quantity.unknown("", "not measured")
HALF = 20_000


def rig() -> RigCurve:
    """Q = 0.4 (n / 1000)^2 exactly, at 1.2 kg/m^3."""
    points = tuple(
        RigPoint(n, Quantity.of(0.4 * (n / 1000) ** 2, 0.01, "N m"), NONE, NONE, NONE, NONE, NONE, NONE)
        for n in (4000.0, 6000.0, 8000.0)
    )
    fit = TorqueFit("square", np.array([0.4]), np.array([[1e-8]]), 0.0, 2, None)
    return RigCurve(points, (fit,), fit, 1.2, 0.0)


def flight(sign: float = 1.0) -> tuple[list[Hold], Observations, MomentSolution]:
    holds = [
        Hold(100.0 * i, 100.0 * i + 60, HoldKind.POWER if n > 0 else HoldKind.GLIDE, True, n)
        for i, n in enumerate(RPM)
    ]
    one = np.ones(len(RPM))
    noise = LevelFit(np.zeros((5, 2)), np.eye(10) * 1e-6, 1, np.zeros((1, 2, 2)), np.eye(2) * 1e-6, 1.0, 0.0)
    observed = Observations(
        middle=30.0 + 100.0 * np.arange(5),
        hang_roll=0 * one,
        turn_rate=0 * one,
        covariance=np.eye(10) * 1e-6,
        airspeed=10.0 * one,
        airspeed_std=0.05 * one,
        bank=0 * one,
        bank_std=0 * one,
        rpm=RPM,
        rpm_std=one,
        density=1.2 * one,
        load=9.81 * one,
        hang_pitch=0 * one,
        noise=noise,
    )
    rng = np.random.default_rng(1)
    shared = 1.0 + 0.05 * rng.standard_normal((HALF, 1))
    draws = sign * MOMENT * shared + 0.1 * rng.standard_normal((HALF, 5))
    unknown = Quantity.unknown("", "not asked")
    solution = MomentSolution(
        roll_moment=tuple(
            Quantity.unknown("N m", "no power")
            if np.isnan(m)
            else Quantity.of(
                sign * m,
                0.05 * m,
                "N m",
                budget={"noise of the power holds": 0.1, "riser stiffness": 0.05 * m},
            )
            for m in MOMENT
        ),
        excess_turn=(unknown,) * 5,
        yaw_moment=(unknown,) * 5,
        residual=(unknown,) * 5,
        roll_draws=draws,
        stiffness=unknown,
        hang_zero=unknown,
        hang_drift=unknown,
        turn_coefficient=unknown,
        turn_zero=unknown,
        airspeed=observed.airspeed,
        airspeed_std=observed.airspeed_std,
        chi2=0.0,
        dof=1,
        widening=1.0,
        hang_walk=0.0,
        turn_walk=0.0,
        method="ballast",
        words=(),
    )
    return holds, observed, solution


LEFT = Propulsion(2.5, 1.3, 1)


def test_holds_within_two_and_a_half_percent_make_one_group() -> None:
    assert group_by_rpm(RPM, [0, 2, 3, 4]) == [[0, 3], [2, 4]]


def test_a_flight_as_on_the_rig_gives_a_ratio_of_one() -> None:
    compared = compare_with_rig(*flight(), LEFT, rig(), None)
    assert [row.holds for row in compared.rows] == [(0, 3), (2, 4)]
    for row in compared.rows:
        assert row.torque_ratio.value == pytest.approx(1.0, abs=0.003)
        # the shared 5 % stays; the scatter of two holds averages out
        assert row.torque_ratio.std == pytest.approx(0.05, rel=0.1)
    assert compared.overall.value == pytest.approx(1.0, abs=0.005)
    assert compared.overall.std == pytest.approx(0.05, rel=0.1)


def test_advance_ratio_is_that_of_the_propeller() -> None:
    row = compare_with_rig(*flight(), LEFT, rig(), None).rows[1]
    assert row.advance_ratio.value == pytest.approx(10.0 / (7005.0 / 2.5 / 60.0 * 1.3), rel=1e-3)


def test_the_groups_budget_averages_scatter_and_keeps_what_is_shared() -> None:
    row = compare_with_rig(*flight(), LEFT, rig(), None).rows[0]
    assert row.roll_moment.budget["noise of the power holds"] == pytest.approx(0.1 / np.sqrt(2), rel=1e-3)
    assert row.roll_moment.budget["riser stiffness"] == pytest.approx(0.5, rel=1e-3)


def test_a_right_turning_propeller_has_its_own_sign() -> None:
    compared = compare_with_rig(*flight(-1.0), replace(LEFT, reaction_sign=-1), rig(), None)
    assert compared.rows[0].roll_moment.value == pytest.approx(-10.0)
    assert compared.rows[0].torque_ratio.value == pytest.approx(1.0, abs=0.003)


def test_a_compensation_is_given_back() -> None:
    holds, observed, solution = flight()
    given = Compensation(2.0, 0.0, 5005.0)
    plain = compare_with_rig(holds, observed, solution, LEFT, rig(), None).rows
    back = compare_with_rig(holds, observed, solution, LEFT, rig(), None, compensation=given).rows
    for a, b, size in zip(plain, back, (2.0, 2.0 * (7005 / 5005) ** 2), strict=True):
        assert b.torque_ratio.value == pytest.approx(
            (a.torque_ratio.value or 0) + size / (a.static_torque.value or 1), rel=2e-3
        )
        assert b.roll_moment.value == a.roll_moment.value


def test_denser_air_is_allowed_for() -> None:
    holds, observed, solution = flight()
    dense = replace(observed, density=1.1 * observed.density)
    ratio = compare_with_rig(holds, dense, solution, LEFT, rig(), None).rows[0].torque_ratio.value
    assert ratio == pytest.approx(1.0 / 1.1, rel=3e-3)


def test_without_a_rig_the_ratio_is_unknown_and_says_why() -> None:
    compared = compare_with_rig(*flight(), LEFT, None, None)
    assert not compared.overall.known
    for row in compared.rows:
        assert row.roll_moment.known
        assert not row.torque_ratio.known and "rig" in row.torque_ratio.reason
        assert not row.alpha_075_flight.known and row.alpha_075_flight.reason


def test_the_answer_names_side_size_and_ratio() -> None:
    compared = compare_with_rig(*flight(), LEFT, rig(), None)
    text = " ".join(answer_in_words(compared.rows, (), _hold_results(), compared.overall))
    assert "rolled to the right" in text
    assert "at 5005 rpm" in text and "at 7005 rpm" in text
    assert "no difference from the rig is shown" in text


def _hold_results() -> tuple[HoldResult, ...]:
    unknown = Quantity.unknown("", "not asked")
    return tuple(
        HoldResult(0, 60, HoldKind.POWER, True, "found", None, *(unknown,) * 10) for _ in range(len(RPM))
    )


def test_no_power_hold_is_said_plainly() -> None:
    assert "unknown" in answer_in_words((), (), (), NONE)[0]


def test_without_a_zero_the_differences_between_settings_give_the_ratio() -> None:
    holds, observed, solution = flight()
    adrift = solution.roll_draws + 30.0 * np.random.default_rng(5).standard_normal((HALF, 1))
    found = compare_with_rig(holds, observed, replace(solution, roll_draws=adrift), LEFT, rig(), None)
    overall = found.overall
    assert overall.reason == FROM_DIFFERENCES
    assert overall.value == pytest.approx(1.0, abs=0.01)
    # 5 % of K, and 0.1 N m in each of two holds on either side of 9.6 N m
    assert overall.std == pytest.approx(np.hypot(0.05, 0.1 / 9.6), abs=0.004)
    assert all(row.torque_ratio.std is not None and row.torque_ratio.std > 1.0 for row in found.rows)
    rows = [replace(row, holds=()) for row in found.rows]
    words = " ".join(answer_in_words(rows, (), (), overall))
    assert "from the differences between settings" in words


def test_with_a_zero_the_moments_themselves_give_the_ratio() -> None:
    assert compare_with_rig(*flight(), LEFT, rig(), None).overall.reason == ""


def test_one_setting_says_what_cannot_be_told() -> None:
    holds, observed, solution = flight()
    rows = compare_with_rig(holds, observed, solution, LEFT, rig(), None).rows
    calibration = Calibration("ballast", *[NONE] * 6, 0.0, 0.0, "", 4, 5)
    assert not any("Only one throttle" in words for words in limits_in_words(rows, (), calibration, ()))
    (words,) = (w for w in limits_in_words(rows[:1], (), calibration, ()) if "Only one throttle" in w)
    assert "5005 rpm" in words
