"""Flights in still air against closed forms."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.errors import FlightprocError
from flightproc.simulate.flight import STEP, Flight, air_density, fly
from flightproc.simulate.parameters import DEFAULTS, Parameters
from flightproc.simulate.scenario import Segment
from flightproc.simulate.sensors import true_motion
from flightproc.simulate.wing import steady_response

STILL = replace(
    DEFAULTS,
    gust_level=0.0,
    engine_wander=0.0,
    pilot_shift=0.0,
    gravity_offset=0.0,
    c_l_trim=0.0,
    c_n_trim=0.0,
)
START = (
    Segment("ground", 0.0, "time", 2.0, on_ground=True),
    Segment("idle", 2200.0, "time", 2.0, on_ground=True),
    Segment("take-off", 7600.0, "above", 120.0, "heading", radians(8.0)),
)


def fly_one(parameters: Parameters, *segments: Segment) -> Flight:
    return fly(parameters, (*START, *segments), np.random.default_rng(1))


def last(flight: Flight, name: str, seconds: float = 10.0) -> float:
    return float(np.mean(flight.columns[name][-round(seconds / STEP) :]))


@pytest.mark.analytic
@pytest.mark.parametrize("rpm", [5200.0, 7600.0])
def test_steady_power_hold_is_the_linear_steady_state(rpm: float) -> None:
    flight = fly_one(STILL, Segment("hold", rpm, "time", 90.0))
    hang_roll = float(np.mean(true_motion(flight, STILL).hang_roll[-500:]))
    expected = steady_response(
        STILL,
        last(flight, "airspeed"),
        last(flight, "density"),
        last(flight, "roll_moment"),
        last(flight, "power_yaw_moment"),
    )
    # sin(5 deg) differs from 5 deg by 0.13 %
    assert hang_roll == pytest.approx(expected["hang_roll"], rel=2e-3)
    assert last(flight, "unit_bank") == pytest.approx(expected["unit_bank"], rel=5e-3)
    assert last(flight, "turn_rate") == pytest.approx(expected["turn_rate"], rel=2e-2)


@pytest.mark.analytic
def test_torque_thrust_and_their_reaction_follow_their_laws() -> None:
    flight = fly_one(STILL, Segment("hold", 6800.0, "time", 60.0))
    turns = 6800.0 / 60.0 / STILL.gear_ratio
    density, airspeed = last(flight, "density"), last(flight, "airspeed")
    advance = airspeed / (turns * STILL.propeller_diameter)
    square = density * turns**2 * STILL.propeller_diameter**4
    torque = STILL.torque_coefficient * square * STILL.propeller_diameter * (1 + STILL.torque_slope * advance)
    assert last(flight, "torque") == pytest.approx(torque, rel=1e-4)
    assert last(flight, "roll_moment") == pytest.approx(torque, rel=1e-4)
    thrust = STILL.thrust_coefficient * square * (1 - STILL.thrust_slope * advance)
    assert last(flight, "thrust") == pytest.approx(thrust, rel=1e-4)
    climb = airspeed * (thrust / (STILL.mass * GRAVITY) - 1 / STILL.glide_ratio)
    assert last(flight, "climb") == pytest.approx(climb, rel=2e-2)


@pytest.mark.analytic
def test_right_turning_propeller_mirrors_the_flight() -> None:
    segments = (Segment("hold", 7000.0, "time", 40.0), Segment("glide", 2200.0, "time", 20.0))
    left = fly_one(STILL, *segments)
    # the thrust line is mirrored with the reaction
    right = fly_one(replace(STILL, rotation="right", thrust_offset=-STILL.thrust_offset), *segments)
    assert left.time.size == right.time.size
    airborne = left.columns["airspeed"] > 9.0
    for name in ("turn_rate", "wing_bank", "roll_moment", "power_yaw_moment", "sideslip"):
        a, b = left.columns[name][airborne], right.columns[name][airborne]
        settled = slice(round(30.0 / STEP), None)  # the stance on the ground is not mirrored
        assert np.allclose(a[settled], -b[settled], atol=2e-4 * max(1.0, np.abs(a).max()))
    for name in ("height", "airspeed", "thrust"):
        assert np.allclose(left.columns[name], right.columns[name], rtol=1e-6, atol=1e-3)


@pytest.mark.analytic
@pytest.mark.parametrize("rate", [10.0, -10.0])
def test_turn_is_a_circle_with_the_bank_of_apparent_gravity(rate: float) -> None:
    flight = fly_one(STILL, Segment("turn", 6000.0, "turned", radians(400.0), "rate", radians(rate)))
    motion = true_motion(flight, replace(STILL, wind_north=0.0, wind_east=0.0))
    turn = last(flight, "turn_rate")
    assert np.sign(turn) == np.sign(rate)
    horizontal = np.sqrt(last(flight, "airspeed") ** 2 - last(flight, "climb") ** 2)
    # hang roll = unit bank - atan(V psi_dot / g); the nose points inwards by the sideslip
    across = horizontal * turn * np.cos(last(flight, "sideslip"))
    expected = last(flight, "unit_bank") - np.arctan(across / GRAVITY)
    assert float(np.mean(motion.hang_roll[-500:])) == pytest.approx(expected, abs=1e-4)
    # radius V / psi_dot from the track
    track = motion.position[-round(20.0 / STEP) :]
    design = np.column_stack((2 * track, np.ones(len(track))))
    solution, *_ = np.linalg.lstsq(design, np.sum(track**2, axis=1), rcond=None)
    radius = np.sqrt(solution[2] + solution[0] ** 2 + solution[1] ** 2)
    assert radius == pytest.approx(horizontal / abs(turn), rel=0.02)
    # stalling speed grows with the root of load: so does trim speed
    straight = fly_one(STILL, Segment("straight", 6000.0, "time", 60.0))
    load = np.hypot(1.0, horizontal * turn / GRAVITY)
    ratio = last(flight, "airspeed") / last(straight, "airspeed")
    assert ratio == pytest.approx(np.sqrt(load), rel=3e-3)


@pytest.mark.analytic
def test_hang_offset_is_a_constant_moment_and_no_part_of_power() -> None:
    plain = fly_one(STILL, Segment("glide", 2200.0, "time", 60.0))
    fitted = replace(STILL, compensation="hang_offset", compensation_moment=10.0)
    offset = fly_one(fitted, Segment("glide", 2200.0, "time", 60.0))
    assert last(offset, "roll_moment") == 0.0
    lean = last(offset, "unit_bank") - last(plain, "unit_bank")
    expected = steady_response(STILL, last(plain, "airspeed"), last(plain, "density"), -10.0)
    assert lean == pytest.approx(expected["unit_bank"], rel=1e-2)


@pytest.mark.analytic
@pytest.mark.parametrize("kind", ["thrust_tilt", "slipstream_surface"])
def test_compensation_takes_off_what_it_states_at_its_speed(kind: str) -> None:
    fitted = replace(STILL, compensation=kind, compensation_moment=8.0, compensation_rpm=6800.0)
    flight = fly_one(fitted, Segment("hold", 6800.0, "time", 60.0))
    taken = last(flight, "torque") - last(flight, "roll_moment")
    # stated for the density 300 m above the field and the cruise airspeed
    assert taken == pytest.approx(8.0, rel=0.03)


@pytest.mark.analytic
def test_air_is_hydrostatic() -> None:
    _, low, _ = air_density(DEFAULTS, 300.0)
    density, _, _ = air_density(DEFAULTS, 305.0)
    _, high, temperature = air_density(DEFAULTS, 310.0)
    assert (low - high) / 10.0 == pytest.approx(density * GRAVITY, rel=1e-5)
    assert temperature == pytest.approx(DEFAULTS.ground_temperature - 0.065, abs=1e-9)


@pytest.mark.regression
def test_card_that_cannot_be_flown_is_told() -> None:
    with pytest.raises(FlightprocError, match="cannot fly the card"):
        fly_one(replace(STILL, thrust_coefficient=0.035))
    with pytest.raises(FlightprocError, match="meets the ground"):
        fly_one(STILL, Segment("glide", 2200.0, "time", 250.0))
