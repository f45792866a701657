"""Flying the card: one pass through time with the wing, the hung unit, the engine and the pilot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, exp, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..errors import FlightprocError
from .gusts import make_gusts
from .parameters import Parameters
from .scenario import Segment, weaving_climb
from .wing import State, lateral_derivatives, steady_response

__all__ = ["STEP", "Flight", "Flown", "air_density", "compensation_law", "fly"]

STEP = 0.02
"""Time step [s]."""
LONGEST = 3600.0
"""Longest sortie [s]."""
GAS_CONSTANT = 287.05287
LAPSE = 0.0065
SEA_LEVEL_DENSITY = 1.225
STANCE = (0.015, -0.04)
"""Bank and pitch of the unit on the ground [rad]."""

_COLUMNS = (
    "sideslip",
    "wing_roll_rate",
    "turn_rate",
    "wing_bank",
    "unit_bank",
    "unit_roll_rate",
    "heading",
    "pitch",
    "path_speed",
    "path_acceleration",
    "airspeed",
    "height",
    "climb",
    "vertical_acceleration",
    "side_acceleration",
    "rpm",
    "torque",
    "thrust",
    "roll_moment",
    "ballast_moment",
    "power_yaw_moment",
    "pilot_yaw_moment",
    "density",
)


@dataclass(frozen=True)
class Flown:
    """One segment as it was flown.

    Attributes
    ----------
    segment : Segment
        What was planned.
    start, end : float
        When [s].
    """

    segment: Segment
    start: float
    end: float


@dataclass(frozen=True)
class Flight:
    """True motion on a uniform grid, SI units and radians.

    Attributes
    ----------
    time : ndarray, shape (n,)
        From the start of the card [s].
    columns : dict of str to ndarray, shape (n,)
        ``sideslip``, ``wing_roll_rate``, ``turn_rate`` (about the vertical), ``wing_bank``, ``unit_bank``,
        ``unit_roll_rate``, ``heading`` (unwrapped), ``pitch`` (of the unit), ``path_speed`` (against the mean
        air) with its ``path_acceleration``, ``airspeed`` (true, gusts included), ``height`` (above mean sea
        level), ``climb``, ``vertical_acceleration`` (up), ``side_acceleration`` (across the path), ``rpm``,
        ``torque`` (of the propeller, positive), ``thrust``, ``roll_moment`` (power-on, net of compensation,
        on the unit), ``ballast_moment``, ``power_yaw_moment``, ``pilot_yaw_moment`` and ``density``.
    flown : tuple of Flown
        In order of time.
    """

    time: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]
    flown: tuple[Flown, ...]


def air_density(parameters: Parameters, height: float) -> tuple[float, float, float]:
    """Return density, pressure and temperature of the simulated air at a height.

    Parameters
    ----------
    parameters : Parameters
        Air at the field.
    height : float
        Above mean sea level [m].

    Returns
    -------
    tuple of float
        [kg/m^3], [Pa], [K].

    Notes
    -----
    Hydrostatic, with the constant lapse rate of 6.5 K/km upwards from the field.
    """
    temperature = parameters.ground_temperature - LAPSE * (height - parameters.field_height)
    exponent = GRAVITY / (GAS_CONSTANT * LAPSE)
    pressure = parameters.ground_pressure * (temperature / parameters.ground_temperature) ** exponent
    return pressure / (GAS_CONSTANT * temperature), pressure, temperature


def _wander(count: int, std: float, time_constant: float, generator: np.random.Generator) -> list[float]:
    """Return a first-order Gauss-Markov series on the step grid."""
    keep = exp(-STEP / time_constant)
    kick = std * sqrt(1 - keep * keep)
    value = std * float(generator.standard_normal())
    series = []
    for noise in generator.standard_normal(count).tolist():
        value = keep * value + kick * noise
        series.append(value)
    return series


def fly(parameters: Parameters, card: tuple[Segment, ...], generator: np.random.Generator) -> Flight:
    """Fly a card.

    Parameters
    ----------
    parameters : Parameters
        The world.
    card : tuple of Segment
        What the pilot does.
    generator : numpy.random.Generator
        Source of gusts and wander.

    Returns
    -------
    Flight
        Truth at 50 Hz.

    Raises
    ------
    FlightprocError
        If the aircraft cannot fly the card (it does not climb, or it meets the ground in between).

    Notes
    -----
    The lateral equations are integrated with Heun's method, the rest with Euler steps of 0.02 s. Airspeed
    answers a change of trim as a damped second-order system; height follows from thrust less drag, with drag
    growing with load.
    """
    pa = parameters
    count = int(LONGEST / STEP)
    density_0 = air_density(pa, pa.field_height + 300.0)[0]
    cruise = pa.trim_speed * sqrt(SEA_LEVEL_DENSITY / density_0)
    gusts = make_gusts(count, STEP, pa.gust_level, pa.gust_length, cruise, pa.wing_span, generator)
    g_along, g_side = gusts.along.tolist(), gusts.side.tolist()
    g_down, g_roll = gusts.down.tolist(), gusts.roll.tolist()
    wander = _wander(count, pa.engine_wander, 3.0, generator)
    restless = _wander(count, pa.pilot_shift * pa.hung_mass * GRAVITY, pa.pilot_shift_time, generator)
    derivative = lateral_derivatives(pa)
    yaw_per_rate = 1.0 / steady_response(pa, cruise, density_0, 0.0, 1.0)["turn_rate"]

    sense, weight, mass = pa.sense, pa.mass * GRAVITY, pa.mass
    diameter, gear = pa.propeller_diameter, pa.gear_ratio
    torque_scale = pa.torque_coefficient * diameter**5
    thrust_scale = pa.thrust_coefficient * diameter**4
    offset_moment, tilt_ratio, stream_ratio = compensation_law(pa, density_0, cruise)
    offset_moment += pa.hung_mass * pa.gravity_offset * GRAVITY
    omega2 = pa.speed_frequency**2
    drag_v = 2 * pa.speed_damping * pa.speed_frequency
    slew = 0.10 * STEP

    rows: list[tuple[float, ...]] = []
    flown: list[Flown] = []
    state: State = (0.0, 0.0, 0.0, 0.0, STANCE[0], 0.0)
    psi = 2.0 * pi * float(generator.random())
    speed = acceleration = climb = vertical = 0.0
    height, pitch = pa.field_height, STANCE[1]
    rpm = rate_command = pilot = ballast = lift_gust = 0.0
    airborne = False
    queue = list(card)
    step = 0
    while queue:
        segment = queue.pop(0)
        if segment.floor and height - pa.field_height < segment.floor:
            queue[:0] = [weaving_climb(segment.floor + 80.0, 7400.0), replace(segment, floor=0.0)]
            continue
        begin = step
        start_psi = psi
        target = psi
        if segment.steer == "heading" and segment.until == "heading":
            target = psi + (segment.value - psi + pi) % (2 * pi) - pi
        longest = min(int(segment.limit / STEP), count - step - 1)
        length = round(segment.value / STEP) if segment.until == "time" else longest
        ballast_target = segment.ballast * pa.ballast_mass * pa.ballast_arm * GRAVITY
        engine_on = segment.rpm > 0
        for k in range(length):
            now = k * STEP
            # engine and propeller
            command = segment.rpm
            if segment.rpm_end is not None:
                command += (segment.rpm_end - segment.rpm) * k / length
            if segment.rpm_swing:
                command += segment.rpm_swing * sin(2 * pi * now / (0.63 * segment.period))
            if engine_on:
                rpm += STEP / pa.engine_lag * (command + wander[step] - rpm)
            else:
                rpm = max(0.0, rpm - STEP * 1800.0)
            engaged = min(max((rpm - pa.clutch_rpm) / 600.0, 0.0), 1.0)
            turns = engaged * rpm / (60.0 * gear)
            density = air_density(pa, height)[0]
            air = max(speed - g_along[step], 0.1) if airborne else speed
            advance = turns * air / diameter
            torque = torque_scale * density * (turns * turns + pa.torque_slope * advance)
            thrust = max(0.0, thrust_scale * density * (turns * turns - pa.thrust_slope * advance))
            roll = sense * (torque - tilt_ratio * thrust - stream_ratio * turns * turns)
            ballast += STEP / 1.2 * (ballast_target - ballast)
            power_yaw = -thrust * pa.thrust_offset - sense * torque * sin(pitch + pa.shaft_tilt)

            # pilot
            r = state[2]
            if segment.steer == "hands_off" or not airborne:
                wish = 0.0
                rate_command = r
                pilot += STEP / 0.5 * (0.0 - pilot)
            else:
                if segment.steer == "heading":
                    wish = 0.55 * (target - psi) - 0.3 * r
                    limit = segment.rate
                    wish = min(max(wish, -limit), limit)
                elif segment.steer == "weave":
                    wish = segment.rate * cos(2 * pi * now / segment.period)
                else:
                    wish = segment.rate
                rate_command += min(max(wish - rate_command, -slew), slew)
                demand = yaw_per_rate * (rate_command + 0.8 * (rate_command - r))
                pilot += STEP / 0.5 * (demand - pilot)

            # motion
            if airborne:
                horizontal = sqrt(max(speed * speed - climb * climb, 1.0))
                gravity = GRAVITY + vertical
                side_gust, roll_gust = g_side[step] / air, g_roll[step]
                moment, yaw = roll + ballast + offset_moment + restless[step], power_yaw + pilot
                first = derivative(
                    state, air, horizontal, density, gravity, moment, yaw, side_gust, roll_gust
                )
                side = horizontal * (first[0] + r)
                b0, p0, r0, f0, u0, w0 = state
                guess = (
                    b0 + STEP * first[0],
                    p0 + STEP * first[1],
                    r0 + STEP * first[2],
                    f0 + STEP * first[3],
                    u0 + STEP * first[4],
                    w0 + STEP * first[5],
                )
                second = derivative(
                    guess, air, horizontal, density, gravity, moment, yaw, side_gust, roll_gust
                )
                half = 0.5 * STEP
                following = (
                    b0 + half * (first[0] + second[0]),
                    p0 + half * (first[1] + second[1]),
                    r0 + half * (first[2] + second[2]),
                    f0 + half * (first[3] + second[3]),
                    u0 + half * (first[4] + second[4]),
                    w0 + half * (first[5] + second[5]),
                )
                load = sqrt(1.0 + (side / GRAVITY) ** 2)
                trim = (
                    pa.trim_speed
                    * sqrt(SEA_LEVEL_DENSITY / density * load)
                    * (1.0 + pa.speed_with_thrust * thrust / weight)
                )
                jerk = omega2 * (trim - air) - drag_v * acceleration
                wish_climb = (
                    air * (thrust / weight - load / pa.glide_ratio)
                    - speed * acceleration / GRAVITY
                    - lift_gust
                )
                lift_gust += STEP * (g_down[step] - lift_gust)
                next_vertical = wish_climb - climb
                pitch_target = pa.pitch_trim + pa.pitch_with_thrust * thrust / weight
            else:
                side = 0.0
                following = (0.0, 0.0, 0.0, 0.0, state[4] + STEP / 0.4 * (STANCE[0] - state[4]), 0.0)
                if segment.on_ground:
                    acceleration = -speed / 0.9
                else:
                    acceleration = min(0.4 * (cruise + 0.5 - speed), (thrust - 0.1 * weight) / mass)
                jerk = 0.0
                next_vertical = -climb / 0.4
                pitch_target = STANCE[1]
            rows.append(
                (
                    *state[:4],
                    state[4],
                    following[4] - state[4],
                    psi,
                    pitch,
                    speed,
                    acceleration,
                    air,
                    height,
                    climb,
                    vertical,
                    side,
                    rpm,
                    torque,
                    thrust,
                    roll,
                    ballast,
                    power_yaw,
                    pilot,
                    density,
                )
            )
            psi += STEP * r
            speed = max(speed + STEP * acceleration, 0.0)
            acceleration += STEP * jerk
            height += STEP * climb
            climb += STEP * vertical
            vertical = next_vertical
            pitch += STEP / 0.8 * (pitch_target - pitch)
            state = following
            step += 1
            if not airborne and not segment.on_ground and speed > 0.93 * cruise:
                airborne = True
            above = height - pa.field_height
            if segment.until == "above" and airborne and above >= segment.value:
                break
            if segment.until == "below" and above <= segment.value:
                break
            if segment.until == "turned" and abs(psi - start_psi) >= segment.value:
                break
            if segment.until == "heading" and abs(target - psi) < 0.12 and abs(r) < 0.05:
                break
        else:
            if segment.until in ("above", "below"):
                raise FlightprocError(
                    "the simulated aircraft cannot fly the card",
                    where=segment.label,
                    found=f"height {height:.0f} m after {segment.limit:.0f} s",
                    allowed=f"{segment.until} {segment.value + pa.field_height:.0f} m",
                    hint="more thrust, a better glide ratio or less mass",
                )
        if airborne and segment.until == "below" and segment.value <= 0:
            airborne = False
            height = pa.field_height
        elif airborne and height < pa.field_height:
            raise FlightprocError(
                "the simulated aircraft meets the ground", where=segment.label, hint="a better glide ratio"
            )
        if airborne and segment.on_ground:
            airborne = False
        flown.append(Flown(segment, begin * STEP, step * STEP))
        if step >= count - 1:
            raise FlightprocError("the card takes longer than an hour", where=segment.label)

    table = np.array(rows, dtype=np.float64)
    columns = {name: np.ascontiguousarray(table[:, i]) for i, name in enumerate(_COLUMNS)}
    columns["unit_roll_rate"] /= STEP
    return Flight(np.asarray(np.arange(table.shape[0]) * STEP, dtype=np.float64), columns, tuple(flown))


def compensation_law(pa: Parameters, density: float, speed: float) -> tuple[float, float, float]:
    """Return what a compensation does: constant moment, moment per thrust, moment per n^2.

    Parameters
    ----------
    pa : Parameters
        Kind and size of the compensation.
    density, speed : float
        Air density [kg/m^3] and true airspeed [m/s] at which the size is stated.

    Returns
    -------
    tuple of float
        Constant roll moment, signed [N m]; moment taken off per thrust [m]; moment taken off per square of
        propeller revolutions [N m s^2].
    """
    if pa.compensation == "none" or pa.compensation_moment == 0:
        return 0.0, 0.0, 0.0
    if pa.compensation == "hang_offset":
        return -pa.sense * pa.compensation_moment, 0.0, 0.0
    turns = pa.compensation_rpm / (60.0 * pa.gear_ratio)
    if pa.compensation == "slipstream_surface":
        return 0.0, 0.0, pa.compensation_moment / turns**2
    thrust = (
        pa.thrust_coefficient
        * pa.propeller_diameter**4
        * density
        * (turns**2 - pa.thrust_slope * turns * speed / pa.propeller_diameter)
    )
    return 0.0, pa.compensation_moment / thrust, 0.0
