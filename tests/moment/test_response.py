"""The turn coefficient by ballast glides alone: closed form, wander, a hold that stands apart, coverage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from flightproc.channels import GRAVITY
from flightproc.holds.model import Hold, HoldKind
from flightproc.moment.calibrate import Wing
from flightproc.moment.observe import Observations
from flightproc.moment.response import measure_turn_coefficient
from flightproc.statistics.autoregression import LevelFit

WING = Wing(area=25.0, span=11.5, trim_speed=10.8)
SPEED, DENSITY, STD = 10.8, 1.15, np.radians(0.1)
MOMENTS = (0.0, 14.7, -14.7, 0.0, 14.7, -14.7, 0.0)


def sortie(turn: np.ndarray, moments: tuple[float, ...] = MOMENTS) -> tuple[Observations, list[Hold]]:
    k = len(moments)
    holds = [
        Hold(
            90.0 * i,
            90.0 * i + 60.0,
            HoldKind.BALLAST if moment else HoldKind.GLIDE,
            True,
            0.0,
            ballast_moment=moment,
            ballast_moment_std=0.02 * abs(moment),
        )
        for i, moment in enumerate(moments)
    ]
    covariance = np.diag(np.tile([1e-6, STD**2], k))
    one, none = np.ones(k), np.full(k, np.nan)
    fit = LevelFit(np.zeros((k, 2)), covariance, 1, np.zeros((1, 2, 2)), np.diag([1e-6, 1e-6]), 1.0, 0.0)
    observed = Observations(
        middle=90.0 * np.arange(k) + 30.0,
        hang_roll=0.0 * one,
        turn_rate=turn,
        covariance=covariance,
        airspeed=SPEED * one,
        airspeed_std=0.03 * one,
        bank=none,
        bank_std=none,
        rpm=0.0 * one,
        rpm_std=one,
        density=DENSITY * one,
        load=GRAVITY * one,
        hang_pitch=0.0 * one,
        noise=fit,
    )
    return observed, holds


def turned(coefficient: float, moments: tuple[float, ...] = MOMENTS) -> np.ndarray:
    gain = 4.0 * coefficient / (DENSITY * SPEED * WING.area * WING.span**2)
    return 0.004 + gain * np.array(moments)


def measure(observed: Observations, holds: list[Hold], walk: float = 0.0, drift: float = 0.0):
    return measure_turn_coefficient(observed, holds, WING, observed.airspeed, walk=walk, drift=drift)


@pytest.mark.analytic
def test_exact_turns_give_the_coefficient_and_the_spread_of_least_squares() -> None:
    observed, holds = sortie(turned(2.5))
    found = measure(observed, holds)
    assert found.value == pytest.approx(2.5, rel=1e-12)
    # slope of a line: std / sqrt(sum of squared moments about their mean), moments here about nothing
    per_unit = 4.0 / (DENSITY * SPEED * WING.area * WING.span**2)
    assert found.std == pytest.approx(STD / (per_unit * 14.7 * np.sqrt(4.0)), rel=1e-9)
    assert measure(observed, holds, walk=np.radians(0.3)).std > found.std


@pytest.mark.analytic
def test_without_ballast_or_glides_it_is_unknown_with_its_reason() -> None:
    none = (0.0, 0.0, 0.0)
    assert "no ballast" in measure(*sortie(turned(2.5, none), none)).reason
    two = (14.7, -14.7)
    assert "too few" in measure(*sortie(turned(2.5, two), two)).reason


@pytest.mark.synthetic
def test_a_hold_that_stands_apart_is_left_out() -> None:
    turn = turned(2.5)
    turn[4] += np.radians(3.0)  # a brake held
    assert measure(*sortie(turn)).value == pytest.approx(2.5, abs=1e-9)


@pytest.mark.synthetic
def test_intervals_hold_the_truth_also_where_the_zero_wanders() -> None:
    rng = np.random.default_rng(4)
    walk, inside = np.radians(0.4), 0
    for _ in range(600):
        wander = np.cumsum(rng.standard_normal(len(MOMENTS))) * walk * np.sqrt(0.090)
        turn = turned(2.5) + wander + STD * rng.standard_normal(len(MOMENTS))
        found = measure(*sortie(turn), walk=walk)
        inside += found.low95 <= 2.5 <= found.high95
    low, high = binom.ppf([0.005, 0.995], 600, 0.95)
    assert low <= inside <= high
