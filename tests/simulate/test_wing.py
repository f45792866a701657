"""The lateral equations against an independent model, an independent integrator and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from flightproc.channels import GRAVITY
from flightproc.simulate.family import draw_member
from flightproc.simulate.parameters import DEFAULTS, Parameters
from flightproc.simulate.wing import (
    _linear_system,
    hang_stiffness,
    lateral_derivatives,
    modes,
    roll_turn_coefficient,
    steady_response,
)

SPEED, DENSITY = 10.84, 1.225
SYMMETRIC = replace(DEFAULTS, c_l_trim=0.0, c_n_trim=0.0, gravity_offset=0.0)


def check_wing(riser: float, arm: float = 0.35) -> Parameters:
    """Return the 23 m^2 wing with 100 kg hung, with the sample's derivatives."""
    return replace(
        SYMMETRIC, wing_area=23.0, wing_span=11.0, wing_mass=5.0, riser_roll_stiffness=riser, hang_arm=arm
    )


# A 9-degree-of-freedom wing-and-payload model (open research code, run once; computed values): unit 100 kg,
# 23 m^2 wing, 10.84 m/s, 1.225 kg/m^3, riser yaw stiffness 30 N m/rad.
# (moment N m, riser roll stiffness N m/rad, hang arm m, hang roll deg, turn rate deg/s)
NINE_DEGREES = [
    (20.0, 0.0, 0.35, 3.35, 0.0),
    (20.0, 150.0, 0.35, 2.35, 0.37),
    (20.0, 600.0, 0.35, 1.36, 0.73),
    (40.0, 150.0, 0.35, 4.70, 0.73),
    (20.0, 150.0, 0.20, 3.38, 0.53),
]


@pytest.mark.reference
@pytest.mark.parametrize(("moment", "riser", "arm", "hang_roll", "turn"), NINE_DEGREES)
def test_hang_roll_is_that_of_an_independent_model(
    moment: float, riser: float, arm: float, hang_roll: float, turn: float
) -> None:
    answer = steady_response(check_wing(riser, arm), SPEED, DENSITY, moment)
    # close: hang roll follows from weight, arm and riser stiffness
    assert np.degrees(answer["hang_roll"]) == pytest.approx(hang_roll, abs=0.035)
    # order of magnitude only: turn rate depends on the wing's derivatives, which are not those of the table
    assert np.degrees(answer["turn_rate"]) == pytest.approx(turn, rel=0.15, abs=1e-9)


@pytest.mark.reference
def test_bank_of_wing_and_unit_are_those_of_the_independent_model() -> None:
    # same table, 20 N m at 150 N m/rad: wing bank 0.51 deg, unit bank 2.76 deg
    answer = steady_response(check_wing(150.0), SPEED, DENSITY, 20.0)
    assert np.degrees(answer["wing_bank"]) == pytest.approx(0.51, abs=0.03)
    assert np.degrees(answer["unit_bank"]) == pytest.approx(2.76, abs=0.03)


@pytest.mark.analytic
def test_without_riser_stiffness_the_wing_does_not_turn() -> None:
    answer = steady_response(check_wing(0.0), SPEED, DENSITY, 20.0)
    assert answer["hang_roll"] == pytest.approx(20.0 / (100.0 * GRAVITY * 0.35), rel=1e-12)
    assert answer["turn_rate"] == pytest.approx(0.0, abs=1e-15)


@pytest.mark.analytic
def test_with_stiff_risers_the_whole_moment_turns_the_wing() -> None:
    wing = check_wing(1.0e7)
    answer = steady_response(wing, SPEED, DENSITY, 20.0)
    scale = 0.5 * DENSITY * SPEED**2 * wing.wing_area * wing.wing_span
    passed = 20.0 - 100.0 * GRAVITY * wing.hang_arm * answer["hang_roll"]
    turn_hat = answer["turn_rate"] * wing.wing_span / (2 * SPEED)
    assert turn_hat == pytest.approx(roll_turn_coefficient(wing) * passed / scale, rel=1e-9)


@pytest.mark.analytic
def test_yaw_turns_the_wing_about_three_times_as_hard_as_roll() -> None:
    # exactly -C_lb / C_nb times, on the wing itself
    wing = replace(check_wing(1.0e9), hung_mass=1e-9, wing_mass=105.0)
    roll = steady_response(wing, SPEED, DENSITY, 20.0)["turn_rate"]
    yaw = steady_response(wing, SPEED, DENSITY, 0.0, 20.0)["turn_rate"]
    assert yaw / roll == pytest.approx(-wing.c_l_beta / wing.c_n_beta, rel=1e-6)
    assert 2.0 < yaw / roll < 4.0


@pytest.mark.analytic
def test_stiffness_is_weight_plus_what_the_risers_pass() -> None:
    for riser in (0.0, 50.0, 150.0, 400.0):
        stiffness = hang_stiffness(check_wing(riser), SPEED, DENSITY)
        answer = steady_response(check_wing(riser), SPEED, DENSITY, 1.0)
        lean = (answer["unit_bank"] - answer["wing_bank"]) / answer["hang_roll"]
        assert stiffness == pytest.approx(100.0 * GRAVITY * 0.35 + riser * lean, rel=1e-9)


EVERYTHING = replace(
    SYMMETRIC,
    riser_yaw_stiffness=40.0,
    riser_rake=0.3,
    canopy_roll_gain=0.2,
    canopy_yaw_gain=-0.1,
    turn_with_thrust=0.3,
)


@pytest.mark.analytic
@pytest.mark.parametrize(("aircraft", "thrust"), [(SYMMETRIC, 0.0), (EVERYTHING, 0.0), (EVERYTHING, 450.0)])
def test_linear_equations_are_the_slope_of_the_nonlinear_ones(aircraft: Parameters, thrust: float) -> None:
    derivative = lateral_derivatives(aircraft)
    a, b = _linear_system(aircraft, SPEED, DENSITY, thrust)
    size = len(a)
    assert size == (8 if aircraft.riser_yaw_stiffness else 6)

    def rate(state: np.ndarray, *moments: float) -> np.ndarray:
        s = (*state.tolist(), *([0.0] * (8 - size)))
        unit, yaw, wing_roll, wing_yaw = (*moments, 0.0, 0.0, 0.0, 0.0)[:4]
        around = (SPEED, SPEED, DENSITY, GRAVITY, unit, yaw, 0.0, 0.0, wing_roll, wing_yaw, thrust)
        return np.array(derivative(s, *around))[:size]

    step = 1e-6
    for i in range(size):
        unit = np.zeros(size)
        unit[i] = step
        slope = (rate(unit) - rate(-unit)) / (2 * step)
        assert np.allclose(slope, a[:, i], rtol=1e-6, atol=1e-6)
    origin = np.zeros(size)
    for i in range(4):
        assert np.allclose(rate(origin, *([0.0] * i), 1.0), b[:, i], atol=1e-12)


@pytest.mark.reference
@pytest.mark.parametrize(("aircraft", "thrust"), [(SYMMETRIC, 0.0), (EVERYTHING, 450.0)])
def test_free_response_agrees_with_scipy(aircraft: Parameters, thrust: float) -> None:
    derivative = lateral_derivatives(aircraft)
    a, _ = _linear_system(aircraft, SPEED, DENSITY, thrust)
    start = np.array([0.01, 0.0, 0.005, 0.01, 0.02, 0.0, 0.02, 0.0])
    start[len(a) :] = 0.0
    around = (SPEED, SPEED, DENSITY, GRAVITY, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, thrust)
    solution = solve_ivp(lambda _, s: derivative(tuple(s), *around), (0.0, 4.0), start, rtol=1e-9, atol=1e-12)
    expected = expm(4.0 * a) @ start[: len(a)]
    assert np.allclose(solution.y[: len(a), -1], expected, atol=2e-5)


@pytest.mark.analytic
def test_modes_of_the_sample_and_of_the_families_decay() -> None:
    slowest = modes(DEFAULTS, 10.4, 1.17)[0].real
    assert -1 / 3.0 < slowest < -1 / 6.0
    for index in range(20):
        world = draw_member(3, index).parameters
        values = modes(world, world.trim_speed, 1.225)
        assert values[0].real < -0.12
        assert 2.5 <= roll_turn_coefficient(world) <= 18.0


@pytest.mark.analytic
def test_gust_and_motion_of_the_wing_are_the_same_to_the_air() -> None:
    derivative = lateral_derivatives(SYMMETRIC)
    still = (0.0, 0.0)
    moving = derivative((0.02, 0.1, 0.0, 0.0, 0.0, 0.1, *still), 10.0, 10.0, 1.2, GRAVITY, 0.0, 0.0, 0.0, 0.0)
    in_gust = derivative((0.0,) * 8, 10.0, 10.0, 1.2, GRAVITY, 0.0, 0.0, -0.02, -0.1)
    assert moving[:3] == pytest.approx(in_gust[:3], rel=1e-12)
