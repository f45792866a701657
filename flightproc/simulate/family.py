"""Families of sorties: the same card flown with other wings, units, sensors and weather."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import cos, pi, sin
from typing import Any

import numpy as np

from ..channels import GRAVITY
from ..errors import FlightprocError
from .flight import SEA_LEVEL_DENSITY
from .parameters import DEFAULTS, Parameters, Stated
from .sortie import SimulatedSortie, simulate_sortie
from .wing import modes

__all__ = ["draw_member", "simulate_family"]

STABLE = -0.12
"""Slowest eigenvalue a drawn wing may have [1/s]: a time constant of about 8 s."""


_DRAWS = 5  # aircraft drawn for one member before its error is passed on


def draw_member(generator: np.random.Generator) -> tuple[Parameters, Stated]:
    """Return the nominal world and the stated values of one member of a family.

    Parameters
    ----------
    generator : numpy.random.Generator
        Source of the draws.

    Notes
    -----
    Uniform ranges: gust level 0.15 to 0.35 m/s, length 80 to 250 m; riser stiffness 50 to 400 N m/rad; hung
    mass 85 to 125 kg, arm 0.28 to 0.42 m; wing 23 to 32 m^2; derivatives within 20 % of the sample's (some
    30 %), with C_lr set so that the wing's turn coefficient lies between 6 and 13; slope of C_Q -0.3 to +0.4
    per J; wind 1 to 6 m/s from anywhere; either sense of rotation; levelled, navigation or no attitude;
    clocks within a minute; a pilot who shifts the centre of gravity by 0.3 to 1.5 mm rms. A wing whose
    slowest lateral mode decays in more than 8 s is drawn again.
    """
    base = DEFAULTS
    while True:
        u = generator.random(40).tolist()

        def within(index: int, low: float, high: float, draws: list[float] = u) -> float:
            return low + (high - low) * draws[index]

        mass, arm = round(within(0, 85.0, 125.0)), round(within(1, 0.28, 0.42), 2)
        area = round(within(2, 23.0, 32.0))
        # Trim speed goes with the square root of wing loading; thrust must carry the heavier aircraft.
        loading = ((mass + 6.5) / area) / ((100.0 + 6.5) / 28.0)
        c_lb = base.c_l_beta * within(3, 0.8, 1.2)
        c_nb = base.c_n_beta * within(4, 0.8, 1.2)
        c_nr = base.c_n_r * within(5, 0.8, 1.2)
        turn = within(6, 6.0, 13.0)
        speed, direction = within(7, 1.0, 6.0), within(8, 0.0, 2 * pi)
        stiffness = mass * GRAVITY * arm
        inertia = mass * arm**2 + within(9, 5.0, 11.0)
        riser = within(10, 50.0, 400.0)
        parameters = replace(
            base,
            hung_inertia=inertia,
            hung_damping=2 * within(11, 0.08, 0.25) * ((stiffness + riser) * inertia) ** 0.5,
            riser_roll_stiffness=riser,
            wing_area=float(area),
            wing_span=round((5.14 * area) ** 0.5, 2),
            wing_roll_inertia=base.wing_roll_inertia * within(12, 0.8, 1.25),
            wing_yaw_inertia=base.wing_yaw_inertia * within(13, 0.8, 1.25),
            c_y_beta=base.c_y_beta * within(14, 0.8, 1.3),
            c_l_beta=c_lb,
            c_l_p=base.c_l_p * within(15, 0.8, 1.3),
            c_l_r=(c_lb * c_nr - c_nb / turn) / c_nb,
            c_n_beta=c_nb,
            c_n_r=c_nr,
            trim_speed=round(base.trim_speed * loading**0.5, 1),
            glide_ratio=within(16, 6.0, 7.2),
            thrust_coefficient=base.thrust_coefficient * (mass + 6.5) / 106.5,
            torque_coefficient=base.torque_coefficient * (mass + 6.5) / 106.5 * within(17, 0.9, 1.1),
            torque_slope=within(18, -0.3, 0.4),
            thrust_slope=within(19, 0.6, 1.0),
            shaft_tilt=within(20, -0.07, 0.01),
            rotation="left" if u[21] < 0.5 else "right",
            engine_wander=within(22, 6.0, 20.0),
            wind_north=speed * cos(direction),
            wind_east=speed * sin(direction),
            gust_level=within(23, 0.15, 0.35),
            gust_length=within(24, 80.0, 250.0),
            pilot_shift=within(33, 0.0003, 0.0015),
            pilot_shift_time=within(34, 3.0, 10.0),
            vibration=within(25, 0.4, 1.2),
            attitude=("levelled", "navigation", "none")[int(3 * u[26])],
            gps_rate=(1.0, 2.0, 5.0)[int(3 * u[27])],
            gps_offset=round(within(28, 0.0, 60.0), 2),
            engine_offset=round(within(29, -60.0, 20.0), 2),
            ground_temperature=within(30, 278.0, 296.0),
        )
        stated = Stated(
            hung_mass=float(mass),
            hang_arm=arm,
            ballast_mass=5.0 if u[31] < 0.6 else 4.0,
            ballast_arm=round(within(32, 0.28, 0.38), 2),
        )
        world = replace(parameters, hung_mass=stated.hung_mass, hang_arm=arm)
        slowest = modes(world, parameters.trim_speed, SEA_LEVEL_DENSITY)[0].real
        if slowest < STABLE:
            return parameters, stated


def simulate_family(count: int, seed: int, **overrides: Any) -> Iterator[SimulatedSortie]:
    """Return an iterator of sorties with parameters drawn over sensible ranges, each flown when asked for.

    Parameters
    ----------
    count : int
        How many.
    seed : int
        Member i has seed ``seed + i`` for its own noise, so a family can be continued.
    **overrides
        ``Parameters`` attributes held fixed over the family.

    Raises
    ------
    FlightprocError
        If the count is not positive or the seed negative.
    """
    if seed < 0:
        raise FlightprocError("a seed must not be negative", found=seed, allowed="0, 1, 2, ...")
    if count < 1:
        raise FlightprocError("a family needs at least one sortie", found=count, allowed=">= 1")
    return (_member(member, overrides) for member in range(seed, seed + count))


def _member(seed: int, overrides: dict[str, Any]) -> SimulatedSortie:
    nominal, stated = draw_member(np.random.default_rng([seed, 2]))
    return simulate_sortie(seed, nominal=nominal, stated=stated, **overrides)
