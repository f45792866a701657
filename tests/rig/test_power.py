"""Momentum theory and the power check of a rig point."""

import math

import numpy as np
import pytest

from flightproc.quantity import Quantity
from flightproc.rig import check_power, ideal_power, induced_velocity

pytestmark = pytest.mark.analytic

SET = {"gear_ratio": 2.8, "diameter": 1.3}


def test_induced_velocity_closes_the_momentum_balance():
    thrust, area, rho, speed = 500.0, math.pi * 0.65**2, 1.1, np.array([0.0, 5.0, 15.0])
    v = induced_velocity(thrust, diameter=1.3, density=rho, airspeed=speed)
    np.testing.assert_allclose(2.0 * rho * area * (speed + v) * v, thrust, rtol=1e-12)


def test_ideal_power_at_rest():
    assert float(ideal_power(500.0, diameter=1.3, density=1.1)) == pytest.approx(
        500.0**1.5 / math.sqrt(2.0 * 1.1 * math.pi * 0.65**2), rel=1e-12
    )


def test_coefficients_agree_with_their_definitions():
    check = check_power(7000.0, Quantity.of(25.0, 0.8), Quantity.of(450.0, 10.0), density=1.15, **SET)
    n = 7000.0 / 60.0 / 2.8
    assert check.power.value == pytest.approx(2.0 * math.pi * n * 25.0, rel=1e-12)
    assert check.torque_coefficient.value == pytest.approx(25.0 / (1.15 * n**2 * 1.3**5), rel=1e-12)
    assert check.power_coefficient.value == pytest.approx(
        2.0 * math.pi * check.torque_coefficient.value, rel=1e-12
    )
    assert check.thrust_coefficient.value == pytest.approx(450.0 / (1.15 * n**2 * 1.3**4), rel=1e-12)
    assert check.figure_of_merit.value == pytest.approx(
        check.thrust_coefficient.value**1.5 / check.power_coefficient.value * math.sqrt(2.0 / math.pi),
        rel=1e-12,
    )
    assert check.message == ""


def test_interval_of_the_ceiling_is_that_of_a_two_thirds_power():
    check = check_power(7000.0, Quantity.of(25.0, 0.5), density=1.15, rpm_std=20.0, draws=100_000, **SET)
    relative = math.hypot(0.5 / 25.0, 20.0 / 7000.0) * 2.0 / 3.0
    assert check.thrust_ceiling.std == pytest.approx(relative * check.thrust_ceiling.value, rel=0.02)


def test_unknown_thrust_stays_unknown():
    check = check_power(7000.0, Quantity.of(25.0, 0.5), density=1.15, **SET)
    assert check.figure_of_merit.value is None
    assert check.figure_of_merit.reason == "thrust was not measured"
    assert check.thrust_coefficient.value is None


def test_unknown_torque_stays_unknown():
    check = check_power(7000.0, Quantity.unknown("N m", "scale failed"), density=1.15, **SET)
    assert check.power.reason == "scale failed"
    assert check.thrust_ceiling.value is None


@pytest.mark.parametrize(
    ("thrust", "words"),
    [(600.0, "impossible (above 1)"), (460.0, "within its interval"), (410.0, "is usual")],
)
def test_merit_messages(thrust, words):
    check = check_power(7000.0, Quantity.of(20.0, 1.0), Quantity.of(thrust, 10.0), density=1.2, **SET)
    assert words in check.message
    assert f"{check.thrust_ceiling.value:.0f} N at most" in check.message


def test_coefficients_carry_torque_thrust_speed_and_density():
    check = check_power(
        7000.0,
        Quantity.of(25.0, 0.25),
        Quantity.of(450.0, 9.0),
        rpm_std=35.0,
        density=1.15,
        density_std=0.0115,
        draws=100_000,
        **SET,
    )
    speed, air = 2.0 * 35.0 / 7000.0, 0.01
    for found, own in ((check.torque_coefficient, 0.01), (check.thrust_coefficient, 0.02)):
        assert found.std / found.value == pytest.approx(math.hypot(own, speed, air), rel=0.02)
    assert check.power.std / check.power.value == pytest.approx(math.hypot(0.01, speed / 2.0), rel=0.02)
    # the power that thrust asks for: 1.5 of its own, half of the density's
    ideal = check.ideal_power
    assert ideal.std / ideal.value == pytest.approx(math.hypot(1.5 * 0.02, 0.5 * air), rel=0.02)
    assert ideal.value == pytest.approx(float(ideal_power(450.0, diameter=1.3, density=1.15)), rel=1e-12)
    power = 2.0 * math.pi * 7000.0 / 60.0 / 2.8 * 25.0
    most = (2.0 * 1.15 * math.pi * 0.65**2 * power**2) ** (1.0 / 3.0)
    assert check.thrust_ceiling.value == pytest.approx(most, rel=1e-12)
    assert ideal.unit == "W" and check.thrust_ceiling.unit == "N"
