"""Stiffness from ballast, priors and inertia: limits that can be worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.moment.calibrate import SWING_RISER_STD, Frame, Wing, make_priors
from flightproc.moment.stiffness import StiffnessPosterior, combine_stiffness
from flightproc.moment.swing_mode import RollMode
from flightproc.quantity import Quantity

pytestmark = pytest.mark.analytic

WING = Wing(28.0, 12.0, 10.2)
FRAME = Frame(100.0, 1.0, 0.35, 0.03)
MODE = RollMode(Quantity.of(5.0, 0.1, "rad/s"), Quantity.of(0.15, 0.02, ""), "")


def combine(
    response: float,
    response_std: float,
    ballast_std: float,
    frame: Frame = FRAME,
    mode: RollMode | None = None,
) -> StiffnessPosterior:
    return combine_stiffness(
        response,
        response_std,
        ballast_std=ballast_std,
        frame=frame,
        priors=make_priors(frame, WING),
        mode=mode,
        draws=20_000,
        rng=np.random.default_rng(5),
    )


def test_without_ballast_it_is_weight_and_risers() -> None:
    found = combine(math.nan, math.nan, 0.01)
    # weight 343 +- 30, risers uniform 0 to 500
    assert np.mean(found.draws) == pytest.approx(343.2 + 250.0, abs=5.0)
    assert np.std(found.draws) == pytest.approx(math.hypot(29.6, 500 / math.sqrt(12)), rel=0.03)
    assert not np.isfinite(found.response).any()
    assert found.ballast_weight == 0.0


def test_precise_ballast_overrules_what_was_known() -> None:
    found = combine(1.0 / 480.0, 0.01 / 480.0, 0.02)
    assert np.mean(found.draws) == pytest.approx(480.0, rel=0.005)
    assert np.std(found.draws) / 480.0 == pytest.approx(math.hypot(0.01, 0.02), rel=0.06)
    # response and stiffness go together through the ballast's error: b K = 1 + beta
    beta = found.response * found.draws - 1.0
    assert np.std(beta) == pytest.approx(0.02, rel=0.06)
    assert found.ballast_weight > 0.97
    assert found.shares["ballast mass and arm"] == pytest.approx(0.02, rel=0.05)


def test_inertia_and_frequency_give_it_once_more() -> None:
    frame = Frame(100.0, 1.0, 0.35, 0.03, inertia=20.0, inertia_std=0.4)
    found = combine(math.nan, math.nan, 0.01, frame, MODE)
    expected = math.sqrt(0.02**2 + (2 * 0.02) ** 2 + 0.05**2)
    assert np.mean(found.draws) == pytest.approx(500.0, rel=0.02)
    assert np.std(found.draws) / 500.0 == pytest.approx(expected, rel=0.1)
    assert found.shares["inertia"] > found.shares["riser stiffness"]


def test_a_tilt_test_takes_the_weight_s_part() -> None:
    frame = Frame(100.0, 1.0, 0.35, 0.03, weight_stiffness=350.0, weight_stiffness_std=3.0)
    found = combine(math.nan, math.nan, 0.01, frame)
    assert found.shares["tilt test"] > found.shares["weight and hang arm"]
    assert found.draws.min() > 330.0


def test_known_uncertainties_of_weight_risers_and_inertia_are_weighed_by_information() -> None:
    """Stated risers: both laws are known, and so is each one's part of the variance."""
    frame = Frame(100.0, 1.0, 0.35, 0.03, riser_stiffness=200.0, riser_stiffness_std=20.0)
    found = combine(math.nan, math.nan, 0.01, frame)
    weight, weight_std = 100.0 * GRAVITY * 0.35, GRAVITY * math.hypot(0.35, 3.0)
    spread = math.hypot(math.sqrt(math.log(1.01)), SWING_RISER_STD)
    riser = 200.0 * math.exp(spread**2 / 2.0)
    riser_std = riser * math.sqrt(math.exp(spread**2) - 1.0)
    mean, std = weight + riser, math.hypot(weight_std, riser_std)
    assert np.mean(found.draws) == pytest.approx(mean, rel=0.01)
    assert np.std(found.draws) == pytest.approx(std, rel=0.03)
    assert found.shares["riser stiffness"] == pytest.approx(riser_std / mean, rel=0.03)
    assert found.shares["weight and hang arm"] == pytest.approx(weight_std / mean, rel=0.03)
    assert found.shares["tilt test"] == 0.0
    assert set(found.shares) == {"riser stiffness", "weight and hang arm", "tilt test"}


def test_inertia_without_a_stated_uncertainty_is_known_to_a_tenth() -> None:
    """As in the solution of the holds; it was taken for exact here."""
    known = Frame(100.0, 1.0, 0.35, 0.03, inertia=20.0, inertia_std=2.0)
    unsure = Frame(100.0, 1.0, 0.35, 0.03, inertia=20.0)
    one, other = (combine(math.nan, math.nan, 0.01, frame, MODE) for frame in (known, unsure))
    np.testing.assert_allclose(other.draws, one.draws, rtol=1e-12)
    assert other.shares["inertia"] == pytest.approx(one.shares["inertia"], rel=1e-12)


def test_the_response_lies_between_what_ballast_and_measurement_say() -> None:
    """Of equal uncertainty, given K: half way, with the spread of the mean of two."""
    found = combine(1.0 / 600.0, 0.05 / 600.0, 0.05)
    said, seen = 1.0 / found.draws, 1.0 / 600.0
    said_std, seen_std = 0.05 / found.draws, 0.05 / 600.0
    weight = said_std**2 / (said_std**2 + seen_std**2)
    rest = found.response - said - weight * (seen - said)
    scaled = rest / np.sqrt(said_std**2 * seen_std**2 / (said_std**2 + seen_std**2))
    assert abs(np.mean(scaled)) < 0.03
    assert np.std(scaled) == pytest.approx(1.0, rel=0.03)
    information = 1.0 / (2.0 * 0.05**2)
    prior = (np.std(combine(math.nan, math.nan, 0.05).draws) / 593.0) ** -2
    assert found.ballast_weight == pytest.approx(information / (information + prior), rel=0.03)
    assert found.shares["ballast mass and arm"] == pytest.approx(found.ballast_weight * 0.05, rel=1e-9)
