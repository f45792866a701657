"""What sheets and ground tests give before the flight, by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.moment.calibrate import INERTIA_MODEL, SWING_RISER, SWING_RISER_STD, Frame, Wing, make_priors
from flightproc.moment.solve import _airspeeds, _inertia
from flightproc.quantity import Quantity

pytestmark = pytest.mark.analytic

FRAME = Frame(110.0, 2.0, 0.35, 0.03)
WING = Wing(area=25.0, span=11.0, trim_speed=10.0)
WEIGHT = 110.0 * GRAVITY * 0.35
WEIGHT_STD = GRAVITY * math.hypot(0.35 * 2.0, 110.0 * 0.03)


def log_spread(relative):
    return math.sqrt(math.log(1.0 + relative**2))


def test_weight_times_arm():
    priors = make_priors(FRAME, WING)
    assert priors.weight == pytest.approx(WEIGHT, rel=1e-12)
    assert priors.weight_std == pytest.approx(WEIGHT_STD, rel=1e-12)
    assert (priors.tilt_share, priors.riser_stated, priors.turn_stated) == (0.0, False, False)
    assert len(priors.words) == 2


def test_a_tilt_test_is_weighed_by_inverse_variance():
    tilt, std = WEIGHT + 10.0, 20.0
    priors = make_priors(replace(FRAME, weight_stiffness=tilt, weight_stiffness_std=std), WING)
    own, other = WEIGHT_STD**-2, std**-2
    assert priors.weight == pytest.approx((own * WEIGHT + other * tilt) / (own + other), rel=1e-12)
    assert priors.weight_std == pytest.approx((own + other) ** -0.5, rel=1e-12)
    assert priors.tilt_share == pytest.approx(other / (own + other), rel=1e-12)


@pytest.mark.parametrize(("apart", "alone"), [(2.9, False), (3.1, True)])
def test_a_tilt_test_that_contradicts_the_sheet_stands_alone(apart, alone):
    tilt, std = WEIGHT - apart * math.hypot(WEIGHT_STD, 8.0), 8.0
    priors = make_priors(replace(FRAME, weight_stiffness=tilt, weight_stiffness_std=std), WING)
    assert (priors.tilt_share == 1.0) == alone
    assert any("the tilt test was used alone" in word for word in priors.words) == alone
    if alone:
        assert (priors.weight, priors.weight_std) == (pytest.approx(tilt, rel=1e-12), 8.0)


def test_stated_risers_are_those_of_a_swing():
    frame = replace(FRAME, riser_stiffness=200.0, riser_stiffness_std=50.0)
    priors = make_priors(frame, WING)
    spread = math.hypot(log_spread(0.25), SWING_RISER_STD)
    assert priors.riser_stated
    assert priors.riser == (pytest.approx(200.0 / SWING_RISER), pytest.approx(spread))
    assert priors.stiffness == pytest.approx(WEIGHT + 200.0 / SWING_RISER, rel=1e-12)
    expected = math.hypot(WEIGHT_STD, 200.0 / SWING_RISER * spread)
    assert priors.stiffness_std == pytest.approx(expected, rel=1e-12)
    unsure = make_priors(replace(frame, riser_stiffness_std=None), WING)
    assert unsure.riser[1] == pytest.approx(math.hypot(0.3, SWING_RISER_STD), rel=1e-12)
    none = make_priors(replace(FRAME, riser_stiffness=0.0), WING)
    assert not none.riser_stated


def test_risers_that_are_not_stated_lie_evenly_over_a_range():
    priors = make_priors(FRAME, WING)
    assert priors.stiffness == pytest.approx(WEIGHT + 220.0, rel=1e-12)
    assert priors.stiffness_std == pytest.approx(math.hypot(WEIGHT_STD, 440.0 / math.sqrt(12.0)), rel=1e-12)


def test_turn_coefficient_is_that_of_the_wing_times_the_risers_share():
    priors = make_priors(FRAME, WING)
    assert priors.turn_coefficient == pytest.approx(7.0 * 220.0 / (WEIGHT + 220.0), rel=1e-12)
    # d ln (r / (w + r)) = w / (w + r) d ln r
    share = WEIGHT / (WEIGHT + 220.0) * 440.0 / math.sqrt(12.0) / 220.0
    expected = priors.turn_coefficient * math.hypot(0.4, share)
    assert priors.turn_coefficient_std == pytest.approx(expected, rel=1e-9)
    stated = make_priors(FRAME, replace(WING, turn_coefficient=4.0, turn_coefficient_std=1.0))
    assert stated.turn_coefficient == 4.0 and stated.turn_stated
    assert stated.turn_coefficient_std == pytest.approx(4.0 * log_spread(0.25), rel=1e-12)
    unsure = make_priors(FRAME, replace(WING, turn_coefficient=4.0))
    assert unsure.wing_turn_spread == 0.3


def test_inertia_and_frequency_give_the_stiffness_of_a_swing():
    priors = make_priors(FRAME, WING)
    frequency = Quantity.of(5.5, 0.1, "rad/s")
    frame = replace(FRAME, inertia=19.0, inertia_std=0.5)
    found = _inertia(frame, priors, frequency)
    assert found is not None
    felt = 19.0 * 5.5**2
    risers = SWING_RISER_STD * (1.0 - WEIGHT / felt)
    assert found[0] == pytest.approx(felt, rel=1e-12)
    expected = math.sqrt((0.5 / 19.0) ** 2 + (0.2 / 5.5) ** 2 + INERTIA_MODEL**2 + risers**2)
    assert found[1] == pytest.approx(expected, rel=1e-12)
    unsure = _inertia(replace(frame, inertia_std=None), priors, frequency)
    assert unsure is not None
    assert unsure[1] ** 2 - found[1] ** 2 == pytest.approx(0.01 - (0.5 / 19.0) ** 2, rel=1e-9)
    # lighter than its weight stiffness alone would swing: no riser is left to be unsure of
    slow = _inertia(replace(frame, inertia=10.0, inertia_std=1e-9), priors, Quantity.of(5.5, 0.11, "rad/s"))
    assert slow == (pytest.approx(302.5), pytest.approx(math.hypot(0.04, INERTIA_MODEL)))
    for missing in (None, Quantity.unknown("rad/s", "not seen"), Quantity.of(5.5, 0.0, "rad/s")):
        assert _inertia(frame, priors, missing) is None
    assert _inertia(FRAME, priors, frequency) is None


def test_trim_speed_stands_in_where_airspeed_is_missing():
    class Seen:
        airspeed = np.array([10.4, np.nan, 11.0])
        airspeed_std = np.array([0.1, np.nan, 0.2])

    words: list[str] = []
    speed, std = _airspeeds(Seen(), WING, words)
    np.testing.assert_allclose(speed, [10.4, 10.0, 11.0])
    assert std[[0, 2]].tolist() == [0.1, 0.2] and std[1] > 0.5
    assert words[0].startswith("no airspeed in 1 of 3 holds") and f"± {10.0 * std[1]:.0f} %" in words[0]
