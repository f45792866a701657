"""Flying the card: one pass through time with the wing, the hung unit, the engine and the pilot.

The lateral equations are those of :mod:`flightproc.simulate.wing`. The rest, with n the revolutions of the
propeller, J = V / (n D), W = m g and T / W the thrust over weight:

- torque, thrust   Q = C_Q rho n^2 D^5 (1 + s J + c J^2),   T = C_T rho n^2 D^4 (1 - s_T J), not below 0
- power on unit    L = +-(Q - compensation), + for a left-turning propeller;   N = -T y -+ Q sin(pitch + tilt)
- airspeed         V'' = w_V^2 (V_trim - V) - 2 d_V w_V V';   V_trim as the root of load, mass and 1/rho
- climb            V (T / W - load / glide ratio) - V V' / g, less the sinking of the air
- pitch            theta'' = w^2 (theta_0 + k T / W - A / g - theta) - 2 d w theta': a pendulum in apparent
                   gravity, A being the horizontal acceleration along the path; or a first-order lag without A
- fuel             m_b' = -burn (rpm / 8000)^3; the hang arm and the inertias stay as they are
- drift            C_l0 walks at random (``trim_drift`` in half an hour); the centre of gravity moves by
                   ``offset_drift`` (1 - exp(-t / 600 s)) as the pilot settles
- brake            N_w, and L_w = ``brake_roll`` N_w, such that held for good they give the turn rate asked
                   for in a glide; both come and go with a lag of 0.5 s
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, degrees, exp, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..errors import FlightprocError
from .gusts import Gusts, make_gusts, make_patches, make_thermals
from .parameters import Parameters
from .scenario import Segment, weaving_climb, with_pilot_inputs
from .wing import LARGEST_TWIST, State, lateral_derivatives, steady_response

__all__ = ["STEP", "Flight", "Flown", "air_density", "compensation_law", "fly", "random_walk"]

STEP = 0.02
"""Time step [s]."""
LONGEST = 3600.0
"""Longest sortie [s]."""
GAS_CONSTANT = 287.05287
LAPSE = 0.0065
SEA_LEVEL_DENSITY = 1.225
STANCE = (0.015, -0.04)
"""Bank and pitch of the unit on the ground [rad]."""
STEEPEST_BANK = 1.2
"""Bank of the wing at which a flight is given up [rad]."""
SETTLING_OF_PILOT = 600.0
"""Time constant with which the pilot settles in the seat [s]."""
HALF_HOUR = 1800.0
FULL_RPM = 8000.0
"""Engine speed for which the fuel burned is stated [1/min]."""

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
    "unit_twist",
    "pilot_roll_moment",
    "hung_mass",
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
        on the unit), ``ballast_moment``, ``power_yaw_moment`` (on the unit, on the wing where the unit cannot
        twist), ``pilot_yaw_moment`` and ``pilot_roll_moment`` (of the brakes, on the wing), ``density``,
        ``unit_twist`` (heading of the unit less that of the wing), ``unit_heading``, ``hung_mass``,
        ``roll_trim`` (C_l0 with its drift) and ``offset_moment`` (roll moment on the unit that is there
        without power or ballast: centre of gravity, hang points moved).
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


def random_walk(count: int, std: float, generator: np.random.Generator) -> NDArray[np.float64]:
    """Return a random walk on the step grid, from 0.

    Parameters
    ----------
    count : int
        Number of samples.
    std : float
        Standard deviation of its change within half an hour.
    generator : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (count,)
    """
    walk = np.zeros(count)
    walk[1:] = std * sqrt(STEP / HALF_HOUR) * np.cumsum(generator.standard_normal(count - 1))
    return walk


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
        If the aircraft cannot fly the card: it does not climb, meets the ground in between, the unit twists
        round under its risers or the wing spirals down.

    Notes
    -----
    The lateral equations are integrated with Heun's method, the rest with Euler steps of 0.02 s. What is
    switched on beside the gusts (patches, thermals, drift, pilot inputs) draws from streams of its own, so
    that the gusts of a seed stay the same.
    """
    pa = parameters
    count = int(LONGEST / STEP)
    density_0 = air_density(pa, pa.field_height + 300.0)[0]
    cruise = pa.trim_speed * sqrt(SEA_LEVEL_DENSITY / density_0)
    for_air, for_trim, for_pilot = generator.spawn(3)  # leaves the generator's own stream as it is
    card = with_pilot_inputs(card, pa.pilot_input_share, for_pilot)
    gusts = _make_air(pa, count, cruise, generator, for_air)
    g_along, g_side = gusts.along.tolist(), gusts.side.tolist()
    g_down, g_roll = gusts.down.tolist(), gusts.roll.tolist()
    wander = _wander(count, pa.engine_wander, 3.0, generator)
    restless = _wander(count, pa.pilot_shift * pa.hung_mass * GRAVITY, pa.pilot_shift_time, generator)
    derivative = lateral_derivatives(pa)
    yaw_per_rate = 1.0 / steady_response(pa, cruise, density_0, 0.0, wing_yaw=1.0)["turn_rate"]
    pulled = steady_response(pa, cruise, density_0, 0.0, wing_yaw=1.0, wing_roll=pa.brake_roll)
    yaw_per_brake = 1.0 / pulled["turn_rate"]
    times = np.arange(count) * STEP
    roll_trim = random_walk(count, pa.trim_drift, for_trim) if pa.trim_drift else np.zeros(count)
    offset = pa.gravity_offset + pa.offset_drift * (1.0 - np.exp(-times / SETTLING_OF_PILOT))
    l_trim, offsets = roll_trim.tolist(), offset.tolist()

    sense, mass, twists = pa.sense, pa.mass, pa.riser_yaw_stiffness > 0.0
    diameter, gear = pa.propeller_diameter, pa.gear_ratio
    torque_scale = pa.torque_coefficient * diameter**5
    thrust_scale = pa.thrust_coefficient * diameter**4
    hang_offset, tilt_ratio, stream_ratio = compensation_law(pa, density_0, cruise)
    burn = pa.fuel_burn / 3600.0 * STEP / FULL_RPM**3
    curvature = pa.torque_curvature
    swing = 2 * pi / pa.pitch_period if pa.pitch_period > 0 else 0.0
    omega2 = pa.speed_frequency**2
    drag_v = 2 * pa.speed_damping * pa.speed_frequency
    slew = 0.10 * STEP

    rows: list[tuple[float, ...]] = []
    flown: list[Flown] = []
    state: State = (0.0, 0.0, 0.0, 0.0, STANCE[0], 0.0, 0.0, 0.0)
    psi = 2.0 * pi * float(generator.random())
    speed = acceleration = climb = vertical = 0.0
    height, pitch = pa.field_height, STANCE[1]
    rpm = rate_command = pilot = ballast = lift_gust = brake = burned = pitch_rate = 0.0
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
            if pa.idle_turns_propeller:
                engaged = 1.0
            burned += burn * rpm * rpm * rpm
            weight = (mass - burned) * GRAVITY
            turns = engaged * rpm / (60.0 * gear)
            density = air_density(pa, height)[0]
            air = max(speed - g_along[step], 0.1) if airborne else speed
            advance = turns * air / diameter
            torque = torque_scale * density * (turns * turns + pa.torque_slope * advance)
            if curvature and turns:
                torque += torque_scale * density * curvature * (air / diameter) ** 2
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
            if segment.brake or brake:
                held = segment.brake if segment.brake_start <= now < segment.brake_end else 0.0
                brake += STEP / 0.5 * (yaw_per_brake * held - brake)
            brake_roll = pa.brake_roll * brake

            # motion
            if airborne:
                horizontal = sqrt(max(speed * speed - climb * climb, 1.0))
                gravity = GRAVITY + vertical
                side_gust, roll_gust = g_side[step] / air, g_roll[step]
                offset_moment = hang_offset + (pa.hung_mass - burned) * offsets[step] * GRAVITY
                moment = roll + ballast + offset_moment + restless[step]
                if twists:
                    yaw, wing_yaw = power_yaw, pilot + brake
                else:
                    yaw, wing_yaw = power_yaw + (pilot + brake), 0.0
                along = (speed * acceleration - climb * vertical) / horizontal
                around = (
                    air,
                    horizontal,
                    density,
                    gravity,
                    moment,
                    yaw,
                    side_gust,
                    roll_gust,
                    brake_roll,
                    wing_yaw,
                    thrust,
                    along,
                    l_trim[step],
                    burned,
                )
                first = derivative(state, *around)
                side = horizontal * (first[0] + r)
                b0, p0, r0, f0, u0, w0, t0, y0 = state
                guess = (
                    b0 + STEP * first[0],
                    p0 + STEP * first[1],
                    r0 + STEP * first[2],
                    f0 + STEP * first[3],
                    u0 + STEP * first[4],
                    w0 + STEP * first[5],
                    t0 + STEP * first[6],
                    y0 + STEP * first[7],
                )
                second = derivative(guess, *around)
                half = 0.5 * STEP
                following = (
                    b0 + half * (first[0] + second[0]),
                    p0 + half * (first[1] + second[1]),
                    r0 + half * (first[2] + second[2]),
                    f0 + half * (first[3] + second[3]),
                    u0 + half * (first[4] + second[4]),
                    w0 + half * (first[5] + second[5]),
                    t0 + half * (first[6] + second[6]),
                    y0 + half * (first[7] + second[7]),
                )
                if abs(following[3]) > STEEPEST_BANK or abs(following[6]) > LARGEST_TWIST:
                    _give_up(segment, following, thrust)
                load = sqrt(1.0 + (side / GRAVITY) ** 2)
                trim = (
                    pa.trim_speed
                    * sqrt(SEA_LEVEL_DENSITY / density * load * ((mass - burned) / mass))
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
                lean = state[4] + STEP / 0.4 * (STANCE[0] - state[4])
                following = (0.0, 0.0, 0.0, 0.0, lean, 0.0, 0.0, 0.0)
                if segment.on_ground:
                    acceleration = -speed / 0.9
                else:
                    acceleration = min(
                        0.4 * (cruise + 0.5 - speed), (thrust - 0.1 * weight) * GRAVITY / weight
                    )
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
                    pilot + brake,
                    density,
                    state[6],
                    brake_roll,
                    pa.hung_mass - burned,
                )
            )
            psi += STEP * r
            speed = max(speed + STEP * acceleration, 0.0)
            acceleration += STEP * jerk
            height += STEP * climb
            climb += STEP * vertical
            vertical = next_vertical
            if swing and airborne:
                pull = pitch_target - along / GRAVITY - pitch
                pitch_rate += STEP * swing * (swing * pull - 2 * pa.pitch_damping * pitch_rate)
                pitch += STEP * pitch_rate
            else:
                pitch += STEP / 0.8 * (pitch_target - pitch)
                pitch_rate = 0.0
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
    columns["unit_heading"] = columns["heading"] + columns["unit_twist"]
    columns["roll_trim"] = pa.c_l_trim + roll_trim[:step]
    columns["offset_moment"] = hang_offset + columns["hung_mass"] * offset[:step] * GRAVITY
    return Flight(np.asarray(np.arange(table.shape[0]) * STEP, dtype=np.float64), columns, tuple(flown))


def _make_air(
    pa: Parameters,
    count: int,
    speed: float,
    generator: np.random.Generator,
    further: np.random.Generator,
) -> Gusts:
    """Return gusts with their patches and the thermals."""
    gusts = make_gusts(
        count, STEP, pa.gust_level, pa.gust_length, speed, pa.wing_span, generator, pa.gust_form
    )
    for_patches, for_thermals = further.spawn(2)
    if pa.gust_patchiness:
        factor = make_patches(count, STEP, pa.gust_patchiness, pa.gust_patch_time, for_patches)
        gusts = Gusts(
            gusts.along * factor, gusts.side * factor, gusts.down * factor, gusts.roll * factor, gusts.step
        )
    if pa.thermal_level:
        down, roll = make_thermals(count, STEP, pa.thermal_level, pa.thermal_length, speed, for_thermals)
        gusts = replace(gusts, down=gusts.down + down, roll=gusts.roll + roll)
    return gusts


def _give_up(segment: Segment, state: State, thrust: float) -> None:
    """Raise the error of a flight that no pilot would go on with."""
    if abs(state[6]) > LARGEST_TWIST:
        raise FlightprocError(
            "the simulated unit twists round under its risers",
            where=segment.label,
            found=f"{degrees(state[6]):.0f} deg under {thrust:.0f} N of thrust",
            allowed=f"within {degrees(LARGEST_TWIST):.0f} deg",
            hint="stiffer risers (riser_yaw_stiffness), a thrust line nearer the centre",
        )
    raise FlightprocError(
        "the simulated wing spirals down",
        where=segment.label,
        found=f"a bank of {degrees(state[3]):.0f} deg",
        allowed=f"within {degrees(STEEPEST_BANK):.0f} deg",
        hint="a wing whose slowest lateral mode decays, a smaller moment",
    )


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
