"""A worked propeller of a university's online course script.

The same case stands in the tests of an open blade element library.

Propeller: D 1.6 m, two blades, chord 0.10 m, theta = atan(1.0 / (2 pi r)), r = linspace(0.08, 0.8, 11),
cl = 6.2 alpha, cd = 0.008 - 0.003 cl + 0.01 cl^2, 2100 rpm, rho 1.225, no tip loss, plain sum over the
11 stations of width 0.072 m. The thrusts, torques and coefficients were read from the script's output
[R]; the values near V = 0 and the angles of attack were computed [C] with an independent solver. The
script iterates each station to a tolerance of its own, so that its last one or two digits are not
converged: the tolerance here is 1e-6.
"""

import math

import numpy as np
import pytest

from flightproc.propeller import Blade, LinearPolar, alpha_at, solve_elements

pytestmark = pytest.mark.published


def textbook(zero_lift=0.0):
    radius = np.linspace(0.08, 0.8, 11)
    blade = Blade(
        diameter=1.6,
        blades=2,
        radius=radius,
        width=np.full(11, 0.072),
        chord=np.full(11, 0.10),
        twist=np.arctan2(1.0, 2.0 * math.pi * radius),
    )
    return blade, LinearPolar(6.2, zero_lift, (0.008, -0.003, 0.01))


def solve(airspeed, zero_lift=0.0):
    blade, polar = textbook(zero_lift)
    return solve_elements(blade, polar, 2100.0, airspeed, 1.225, tip_loss=False)


@pytest.mark.parametrize(
    ("airspeed", "thrust", "torque"),
    [
        (1.0, 1045.36119, 80.36387),
        (5.0, 962.40792, 81.30150),
        (10.0, 843.13498, 80.51421),
        (20.0, 551.81592, 68.24673),
    ],
)
def test_thrust_and_torque(airspeed, thrust, torque):
    run = solve([airspeed])
    assert run.thrust[0] == pytest.approx(thrust, rel=1e-6)
    assert run.torque[0] == pytest.approx(torque, rel=1e-6)


def test_coefficients_at_20():
    run = solve([20.0])
    assert run.thrust_coefficient[0] == pytest.approx(0.0561102386, rel=1e-6)
    assert run.torque_coefficient[0] == pytest.approx(0.00433720296, rel=1e-6)
    assert run.efficiency[0] == pytest.approx(0.7353506328, rel=1e-6)


def test_cambered_section():
    run = solve([5.0], math.radians(-3.0))
    assert run.thrust[0] == pytest.approx(1223.05069, rel=1e-6)
    assert run.torque[0] == pytest.approx(113.799195, rel=1e-6)


def test_limit_at_rest_keeps_swirl():
    """The published limit, T 1064.25 N and Q 79.98 N m, is met at V = 0.01 m/s.

    At V = 0 itself the equations give 1064.44 N and 79.974 N m, since thrust falls by 19 N for each m/s.
    """
    run = solve([0.01, 0.0])
    assert run.thrust[0] == pytest.approx(1064.25, abs=0.006)
    assert run.torque[0] == pytest.approx(79.98, abs=0.006)
    assert run.thrust[1] == pytest.approx(1064.25, rel=3e-4)
    assert run.torque[1] == pytest.approx(79.98, rel=3e-4)


def test_angle_of_attack_at_073():
    run = solve([0.0, 5.0, 11.0, 15.0])
    np.testing.assert_allclose(np.degrees(alpha_at(run, 0.73)), [8.749, 7.864, 6.624, 5.691], atol=6e-4)
