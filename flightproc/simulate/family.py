"""Families of sorties: the same card flown with other wings, units, sensors, pilots and weather.

Member i of the family of a seed depends on (seed, i) alone, so that members can be made one by one, in any
order, side by side. What is drawn, from which law, stands with :func:`draw_member`.

References
----------
Lateral derivatives of parafoils and soft wings differ by a factor of ten, and some even in sign. The ranges
drawn from span most of these, which are given as quoted in a collection of check values and were not looked
up in the originals for this module:

.. [1] M. B. Quadrelli et al. 2017, table 3: C_lb -0.036, C_lp -0.84, C_lr -0.082, C_nb -0.0015, C_np
   -0.082, C_nr -0.27, C_Yb -0.23. Its C_nb is that of a wing unstable in yaw.
.. [2] L. Toglia, M. Vendittelli 2010: C_lp -0.1, C_nr -0.07.
.. [3] Kumar et al. 2023 (powered): C_lp -0.108, C_nr -0.087.
.. [4] H. Belloc 2015, from wing polars: C_lb -0.126, C_nb +0.087, C_Yb -0.62.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from math import cos, degrees, exp, log, pi, sin
from typing import Any

import numpy as np

from ..channels import GRAVITY
from ..errors import FlightprocError
from .flight import SEA_LEVEL_DENSITY
from .parameters import CALIBRATIONS, DEFAULTS, Parameters, Stated, override
from .rig_day import static_thrust, static_torque
from .sortie import SimulatedSortie, draw_truth, simulate_sortie
from .wing import modes

__all__ = [
    "COLUMNS",
    "GUST_BANDS",
    "Member",
    "draw_member",
    "family_csv",
    "family_member",
    "family_row",
    "gust_band",
    "simulate_family",
]

GUST_BANDS = {"calm": (0.10, 0.20), "light": (0.20, 0.30), "gusty": (0.30, 0.40)}
"""Gust levels of each band [m/s]."""
STABLE = -0.12
"""Slowest eigenvalue a drawn wing may have [1/s]: a time constant of about 8 s."""
TURN_COEFFICIENT = (7.0, 0.4, 2.5, 18.0)
"""Wing's own turn coefficient: median, log-spread, least, greatest."""
YAW_OVER_ROLL = (3.0, 0.4, 1.2, 7.0)
"""Turn by a yaw moment over turn by a roll moment, -C_lb / C_nb: the same four."""
PILOT_INPUT_SHARE = 0.06
"""Share of holds in which the pilot holds or pulls a brake."""
HIGHEST_RPM = 7600.0
"""Throttle setting up to which a wing must be stable [1/min]."""
_KINDS = (("none", 0.4), ("hang_offset", 0.2), ("thrust_tilt", 0.2), ("slipstream_surface", 0.2))
_FLIGHTS = 8  # aircraft flown for one member before its error is passed on
_WINGS = 400  # sets of derivatives drawn for one wing before its turn coefficient is drawn again


@dataclass(frozen=True)
class Member:
    """One member of a family, drawn and not yet flown.

    Attributes
    ----------
    seed, index : int
        Family and place in it.
    parameters : Parameters
        The true world.
    stated : Stated
        What the sheets will say.
    band : str
        Name of the gust band.
    wings : int
        Sets of derivatives drawn until one was stable.
    """

    seed: int
    index: int
    parameters: Parameters
    stated: Stated
    band: str
    wings: int

    @property
    def sortie_seed(self) -> int:
        """Seed of the member's own noise."""
        return int(np.random.SeedSequence([self.seed, self.index]).generate_state(1)[0])


class _Draw:
    """Draws by law; nothing but short names."""

    def __init__(self, generator: np.random.Generator) -> None:
        self.generator = generator

    def within(self, low: float, high: float) -> float:
        return float(self.generator.uniform(low, high))

    def spread(self, low: float, high: float) -> float:
        """Log-uniform."""
        return exp(self.within(log(low), log(high)))

    def normal(self, std: float) -> float:
        return std * float(self.generator.standard_normal())

    def axes(self, std: float) -> tuple[float, float, float]:
        return (self.normal(std), self.normal(std), self.normal(std))

    def log_normal(self, median: float, spread: float, low: float, high: float) -> float:
        """Log-normal; what lies outside is drawn again."""
        while True:
            value = median * exp(self.normal(spread))
            if low <= value <= high:
                return value

    def one_of(self, *choices: Any) -> Any:
        return choices[int(self.generator.integers(len(choices)))]

    def chance(self, share: float) -> bool:
        return bool(self.generator.random() < share)


def gust_band(level: float) -> str:
    """Return the name of the band a gust level lies in; below the lowest ``still``, above all ``strong``.

    Parameters
    ----------
    level : float
        [m/s].

    Examples
    --------
    >>> gust_band(0.25), gust_band(0.0)
    ('light', 'still')
    """
    for name, (low, high) in GUST_BANDS.items():
        if low <= level < high:
            return name
    return "still" if level < 0.1 else "strong"


def draw_member(seed: int, index: int, attempt: int = 0) -> Member:
    """Return the true world and the stated values of one member of a family, without flying it.

    Parameters
    ----------
    seed, index : int
        Family and place in it.
    attempt : int, optional
        Another aircraft for the same place, where an earlier one could not fly the card.

    Notes
    -----
    Uniform unless another law is named; U log-uniform, N(s) normal about 0 with standard deviation s.

    - Calibration: ballast, tilt, inertia, prior in turn by index.
    - Unit: hung mass 85 to 125 kg, arm 0.28 to 0.42 m, roll inertia about its own centre of gravity 5 to
      11 kg m^2, riser roll stiffness 10 to 490 N m/rad, damping ratio 0.08 to 0.25; thrust line off
      centre by N(5 mm), shaft tilted by -4 to 0.6 deg; the pilot shifts the centre of gravity by 0.3 to
      1.5 mm rms.
    - Wing: 23 to 32 m^2. Its own turn coefficient C_nb / (C_lb C_nr - C_lr C_nb) is log-normal with
      median 7 and spread 0.4, cut at 2.5 and 18; the ratio -C_lb / C_nb log-normal with median 3 and
      spread 0.4. C_nb U 0.015 to 0.087, C_lp U -0.1 to -0.84, C_nr U -0.06 to -0.27, C_np -0.082 to 0.02,
      C_Yb -0.15 to -0.62; C_lr follows, and must lie between -0.1 and 0.4, C_lb between -0.03 and -0.2.
      Derivatives are drawn again, turn coefficient and ratio kept, until the slowest lateral mode decays
      in less than 8 s, in a glide and at full throttle.
    - Wing under load: the canopy's deformation adds N(10 %) of the moment the risers pass in roll, N(5 %)
      in yaw; turn coefficients change by N(20 %) at a thrust of 0.4 weight; the trim's roll moment
      wanders by 0 to 1e-4 in half an hour.
    - Unit in yaw and pitch: riser yaw stiffness U 20 to 150 N m, yaw inertia 5 to 12 kg m^2, damping ratio
      0.1 to 0.3, rake 0.2 to 0.8; swing in pitch with 1.9 to 2.6 s, damping ratio 0.08 to 0.25.
    - Fuel 3 to 9 kg/h at 8000 rpm; the pilot settles by N(0.7 mm) and holds or pulls a brake in 6 % of holds.
    - Propeller: slope of C_Q -0.3 to +0.4 per J, curvature -0.5 to 0.5; either sense of rotation; no clutch
      in 20 %. Compensation: none in 40 %, else each kind in 20 %, taking off 15 to 60 % of the reaction at
      6800 rpm, stated with 15 % and drawn about that.
    - Weather: one of three gust bands, 0.10 to 0.20, 0.20 to 0.30, 0.30 to 0.40 m/s, each alike; length
      80 to 250 m; Dryden or von Karman forms; patches with a log-spread of 0 to 0.4 over 40 to 150 s;
      thermals of 0 to 2 gust levels, 60 to 250 m wide; wind 1 to 6 m/s from anywhere; 278 to 296 K at the
      field.
    - IMU, per axis and sensor as typical of cheap MEMS (from memory of data sheets): bias instability U
      2e-5 to 2e-4 rad/s and U 2e-4 to 1e-3 m/s^2 over 100 to 600 s; with temperature N(1e-4) rad/s/K and
      N(1.5e-3) m/s^2/K, self-heating 3 to 12 K over 200 to 800 s; scale factor N(0.5 %) and N(0.2 %);
      noise U 0.001 to 0.004 rad/s and U 0.02 to 0.08 m/s^2; mount N(1.5, 2.5, 1) deg in roll, pitch, yaw;
      attitude levelled, navigation or none.
    - Other logs: GPS at 1, 2 or 5 Hz, stamped 0 to 0.4 s late, 0 to 2 drop-outs; engine log 0 or 1
      drop-out; clocks within a minute, running 20 ppm (GPS) and 100 ppm (engine) fast or slow at most.
    """
    draw = _Draw(np.random.default_rng([seed, index, attempt]))
    nominal, stated = _draw_unit(draw, CALIBRATIONS[index % len(CALIBRATIONS)])
    own_inertia = nominal.hung_inertia - stated.hung_mass * stated.hang_arm**2
    band = draw.one_of(*GUST_BANDS)
    world = draw_truth(nominal, stated, draw.generator)
    weight = world.hung_mass * GRAVITY * world.hang_arm
    inertia = own_inertia + world.hung_mass * world.hang_arm**2
    stated_moment, stated_std = stated.compensation_moment or 0.0, stated.compensation_moment_std or 0.0
    world = replace(
        world,
        hung_inertia=inertia,
        hung_damping=2 * draw.within(0.08, 0.25) * ((weight + world.riser_roll_stiffness) * inertia) ** 0.5,
        thrust_offset=draw.normal(0.005),
        compensation_moment=stated_moment + draw.normal(stated_std),
    )
    world = _draw_weather(draw, world, GUST_BANDS[band])
    world = _draw_sensors(draw, world)
    world, wings = _draw_wing(draw, world)
    return Member(seed, index, world, stated, band, wings)


def _draw_unit(draw: _Draw, calibration: str) -> tuple[Parameters, Stated]:
    """Return frame, engine, propeller and size of the wing, and what is stated of them."""
    base = DEFAULTS
    mass, arm = float(round(draw.within(85.0, 125.0))), round(draw.within(0.28, 0.42), 2)
    area = round(draw.within(23.0, 32.0))
    # Trim speed goes with the square root of wing loading; thrust must carry the heavier aircraft.
    heavier = (mass + base.wing_mass) / base.mass
    loading = heavier / (area / base.wing_area)
    parameters = replace(
        base,
        hung_inertia=mass * arm**2 + draw.within(5.0, 11.0),
        riser_roll_stiffness=draw.within(10.0, 490.0),
        wing_area=float(area),
        wing_span=round((5.14 * area) ** 0.5, 2),
        trim_speed=round(base.trim_speed * loading**0.5, 1),
        glide_ratio=draw.within(6.0, 7.2),
        thrust_coefficient=base.thrust_coefficient * heavier,
        torque_coefficient=base.torque_coefficient * heavier * draw.within(0.9, 1.1),
        torque_slope=draw.within(-0.3, 0.4),
        thrust_slope=draw.within(0.6, 1.0),
        shaft_tilt=draw.within(-0.07, 0.01),
        rotation=draw.one_of("left", "right"),
        engine_wander=draw.within(6.0, 20.0),
        pilot_shift=draw.within(0.0003, 0.0015),
        pilot_shift_time=draw.within(3.0, 10.0),
    )
    kind = str(draw.generator.choice([k for k, _ in _KINDS], p=[p for _, p in _KINDS]))
    share = draw.within(0.15, 0.6)
    moment = std = None
    if kind != "none":
        reaction = static_torque(parameters, parameters.compensation_rpm, 1.15)
        moment = round(2.0 * share * reaction) / 2.0
        std = round(0.15 * moment, 1)
    stated = Stated(
        hung_mass=mass,
        hang_arm=arm,
        ballast_mass=draw.one_of(4.0, 5.0, 5.0),
        ballast_arm=round(draw.within(0.28, 0.38), 2),
        compensation_moment=moment,
        compensation_moment_std=std,
        calibration=calibration,
    )
    return replace(parameters, compensation=kind), stated


def _draw_physics(draw: _Draw, world: Parameters) -> Parameters:
    """Return the world with what makes the real thing hard."""
    stiffness, inertia = draw.spread(20.0, 150.0), draw.within(5.0, 12.0)
    return replace(
        world,
        riser_yaw_stiffness=stiffness,
        unit_yaw_inertia=inertia,
        unit_yaw_damping=2 * draw.within(0.1, 0.3) * (stiffness * inertia) ** 0.5,
        riser_rake=draw.within(0.2, 0.8),
        canopy_roll_gain=draw.normal(0.1),
        canopy_yaw_gain=draw.normal(0.05),
        turn_with_thrust=draw.normal(0.2),
        torque_curvature=draw.within(-0.5, 0.5),
        idle_turns_propeller=draw.chance(0.2),
        trim_drift=draw.within(0.0, 1e-4),
        offset_drift=draw.normal(0.0007),
        fuel_burn=draw.within(3.0, 9.0),
        pilot_input_share=PILOT_INPUT_SHARE,
        brake_roll=draw.within(0.1, 0.5),
        pitch_period=draw.within(1.9, 2.6),
        pitch_damping=draw.within(0.08, 0.25),
    )


def _draw_weather(draw: _Draw, world: Parameters, band: tuple[float, float]) -> Parameters:
    speed, direction, level = draw.within(1.0, 6.0), draw.within(0.0, 2 * pi), draw.within(*band)
    return replace(
        world,
        wind_north=speed * cos(direction),
        wind_east=speed * sin(direction),
        gust_level=level,
        gust_form=draw.one_of("dryden", "von_karman"),
        gust_patchiness=draw.within(0.0, 0.4),
        gust_patch_time=draw.within(40.0, 150.0),
        thermal_level=level * draw.within(0.0, 2.0),
        thermal_length=draw.within(60.0, 250.0),
        gust_length=draw.within(80.0, 250.0),
        ground_temperature=draw.within(278.0, 296.0),
    )


def _draw_sensors(draw: _Draw, world: Parameters) -> Parameters:
    return replace(
        world,
        gyro_drift=0.0,
        accelerometer_drift=0.0,
        gyro_noise=draw.spread(0.001, 0.004),
        accelerometer_noise=draw.spread(0.02, 0.08),
        gyro_instability=draw.spread(2e-5, 2e-4),
        gyro_instability_time=draw.within(100.0, 600.0),
        accelerometer_instability=draw.spread(2e-4, 1e-3),
        accelerometer_instability_time=draw.within(100.0, 600.0),
        gyro_temperature=draw.axes(1e-4),
        accelerometer_temperature=draw.axes(1.5e-3),
        self_heating=draw.within(3.0, 12.0),
        case_time=draw.within(200.0, 800.0),
        gyro_scale=draw.axes(0.005),
        accelerometer_scale=draw.axes(0.002),
        vibration=draw.within(0.4, 1.2),
        attitude=draw.one_of("levelled", "navigation", "none"),
        gps_rate=draw.one_of(1.0, 2.0, 5.0),
        gps_offset=round(draw.within(0.0, 60.0), 2),
        engine_offset=round(draw.within(-60.0, 20.0), 2),
        gps_latency=draw.within(0.0, 0.4),
        gps_drift=draw.within(-20e-6, 20e-6),
        engine_drift=draw.within(-100e-6, 100e-6),
        gps_dropouts=draw.one_of(0, 0, 1, 2),
        engine_dropouts=draw.one_of(0, 0, 1),
    )


def _draw_wing(draw: _Draw, world: Parameters) -> tuple[Parameters, int]:
    """Return the world with a stable wing, and how many sets of derivatives that took.

    Where none is stable with the turn coefficient and the unit's freedom drawn, these are drawn again.
    """
    base, tried = DEFAULTS, 0
    speed = world.trim_speed
    thrusts = (0.0, _thrust(world, HIGHEST_RPM, speed))
    while True:
        world = _draw_physics(draw, world)
        turn, ratio = draw.log_normal(*TURN_COEFFICIENT), draw.log_normal(*YAW_OVER_ROLL)
        for _ in range(_WINGS):
            tried += 1
            c_nb, c_nr = draw.spread(0.015, 0.087), -draw.spread(0.06, 0.27)
            c_lb = -ratio * c_nb
            c_lr = (c_lb * c_nr - c_nb / turn) / c_nb
            if not (-0.2 <= c_lb <= -0.03 and -0.1 <= c_lr <= 0.4):
                continue
            wing = replace(
                world,
                wing_roll_inertia=base.wing_roll_inertia * draw.within(0.8, 1.25),
                wing_yaw_inertia=base.wing_yaw_inertia * draw.within(0.8, 1.25),
                c_y_beta=-draw.within(0.15, 0.62),
                c_l_beta=c_lb,
                c_l_p=-draw.spread(0.1, 0.84),
                c_l_r=c_lr,
                c_n_beta=c_nb,
                c_n_p=draw.within(-0.082, 0.02),
                c_n_r=c_nr,
            )
            slowest = (modes(wing, speed, SEA_LEVEL_DENSITY, thrust)[0].real for thrust in thrusts)
            if all(value < STABLE for value in slowest):
                return wing, tried


def _thrust(world: Parameters, rpm: float, speed: float) -> float:
    """Return the thrust in flight [N]."""
    loss = world.thrust_slope * speed * 60.0 * world.gear_ratio / (rpm * world.propeller_diameter)
    return static_thrust(world, rpm, SEA_LEVEL_DENSITY) * (1.0 - loss)


def family_member(seed: int, index: int, **overrides: Any) -> SimulatedSortie:
    """Return one member of a family, flown.

    Parameters
    ----------
    seed, index : int
        Family and place in it; they alone decide what comes out.
    **overrides
        ``Parameters`` attributes set after the draw, ``card``, or ``calibration`` for
        ``Stated.calibration``.

    Returns
    -------
    SimulatedSortie
        Its truth has ``family``: seed, index, gust band, sets of derivatives drawn, and how many aircraft
        were drawn before one could fly the card.

    Raises
    ------
    FlightprocError
        If seed or index are negative, an override is not known, or none of eight aircraft can fly the card.

    Examples
    --------
    >>> family_member(7000, 2).parameters.hung_mass > 80.0
    True
    """
    for name, value in (("seed", seed), ("index", index)):
        if value < 0:
            raise FlightprocError(f"a {name} must not be negative", found=value, allowed="0, 1, 2, ...")
    card, calibration = overrides.pop("card", None), overrides.pop("calibration", None)
    override(DEFAULTS, overrides)
    for attempt in range(_FLIGHTS):
        member = draw_member(seed, index, attempt)
        stated = member.stated if calibration is None else replace(member.stated, calibration=calibration)
        try:
            sortie = simulate_sortie(
                member.sortie_seed, world=member.parameters, stated=stated, card=card, **overrides
            )
        except FlightprocError:
            if attempt == _FLIGHTS - 1:
                raise
            continue
        facts = {
            "seed": seed,
            "index": index,
            "gust_band": gust_band(sortie.parameters.gust_level),
            "wings_drawn": member.wings,
            "aircraft_redrawn": attempt,
        }
        return replace(sortie, truth=sortie.truth | {"family": facts})
    raise AssertionError  # pragma: no cover


def simulate_family(count: int, seed: int, **overrides: Any) -> Iterator[SimulatedSortie]:
    """Return an iterator of the first members of a family, each flown when asked for.

    Parameters
    ----------
    count : int
        How many.
    seed : int
        Of the family.
    **overrides
        As for :func:`family_member`, for all of them.

    Raises
    ------
    FlightprocError
        If the count is not positive or the seed negative.

    Examples
    --------
    >>> import flightproc as fp
    >>> family = fp.simulate_family(3, seed=7000)
    >>> next(family).seed
    3215478923
    """
    if seed < 0:
        raise FlightprocError("a seed must not be negative", found=seed, allowed="0, 1, 2, ...")
    if count < 1:
        raise FlightprocError("a family needs at least one sortie", found=count, allowed=">= 1")
    return (family_member(seed, index, **overrides) for index in range(count))


COLUMNS = (
    "folder",
    "index",
    "sortie_seed",
    "calibration",
    "gust_band",
    "gust_level_m_s",
    "gust_length_m",
    "attitude",
    "rotation",
    "compensation",
    "compensation_moment_N_m",
    "hung_mass_kg",
    "hang_arm_m",
    "riser_roll_stiffness_N_m_rad",
    "hang_stiffness_N_m_rad",
    "wing_turn_coefficient",
    "yaw_over_roll",
    "torque_slope",
    "thrust_offset_mm",
    "shaft_tilt_deg",
    "gps_latency_s",
    "gps_gaps",
    "engine_gaps",
    "power_holds",
    "glide_holds",
    "ballast_holds",
    "pilot_inputs",
    "largest_roll_moment_N_m",
    "duration_s",
    "aircraft_redrawn",
)
"""Columns of the index of a family."""


def family_row(folder: str, sortie: SimulatedSortie) -> dict[str, str]:
    """Return the line of a member in the index of its family; keys are :data:`COLUMNS`.

    Parameters
    ----------
    folder : str
        Where it was written.
    sortie : SimulatedSortie
        A member.
    """
    pa, truth, holds = sortie.parameters, sortie.truth, sortie.planned_holds
    calibration, kinds = truth["calibration"], [hold["kind"] for hold in holds]
    moments = [hold["roll_moment_N_m"] for hold in holds] or [0.0]
    values: tuple[Any, ...] = (
        folder,
        truth["family"]["index"],
        sortie.seed,
        sortie.stated.calibration,
        truth["family"]["gust_band"],
        pa.gust_level,
        pa.gust_length,
        pa.attitude,
        pa.rotation,
        pa.compensation,
        pa.compensation_moment,
        pa.hung_mass,
        pa.hang_arm,
        pa.riser_roll_stiffness,
        calibration["hang_stiffness_N_m_rad"],
        calibration["wing_turn_coefficient"],
        -pa.c_l_beta / pa.c_n_beta,
        pa.torque_slope,
        1000.0 * pa.thrust_offset,
        degrees(pa.shaft_tilt),
        pa.gps_latency,
        len(truth["gaps"]["gps"]),
        len(truth["gaps"]["engine"]),
        kinds.count("power"),
        kinds.count("glide"),
        kinds.count("ballast"),
        sum(bool(hold.get("pilot_input")) for hold in holds),
        max(moments, key=abs),
        truth["duration_s"],
        truth["family"]["aircraft_redrawn"],
    )
    return {
        name: f"{value:.5g}" if isinstance(value, float) else str(value)
        for name, value in zip(COLUMNS, values, strict=True)
    }


def family_csv(rows: Iterable[dict[str, str]]) -> str:
    """Return the index of a family as CSV.

    Parameters
    ----------
    rows : iterable of dict
        Lines of :func:`family_row`.
    """
    return "\n".join([",".join(COLUMNS), *(",".join(row[name] for name in COLUMNS) for row in rows)]) + "\n"
