"""What a stretch of a simulated flight would settle to: the truth a hold is held against.

Equations
---------
All steady inputs of a stretch, averaged over it, are put into the linear equations of
:mod:`flightproc.simulate.wing` at its mean airspeed, density, thrust and hung mass: the roll moment on the
unit L (power, net of compensation; ballast; centre of gravity and hang points), the yaw moment of power N,
and the wing's built-in asymmetry with its drift. Gusts, thermals, the wander of the pilot's weight and the
brakes are left out. Then

- steady turn       r_s = r(L, N, C_l0, C_n0; T)
- excess turn       r_x = r(0, N; T), what the yaw moment of power does, sideways thrust included
- residual moment   M_res = r_s / (dr / dL), dr / dL at that thrust
- hang stiffness    K = dL / d(hang roll), at that thrust and mass

What twist does because of L (a rake of the risers) is in dr / dL and K, not in r_x.
"""

from __future__ import annotations

from dataclasses import replace
from math import degrees

import numpy as np

from .flight import STEP, Flight
from .parameters import Parameters
from .wing import steady_response

__all__ = ["steady_truth"]


def steady_truth(
    flight: Flight, parameters: Parameters, start: float, end: float
) -> dict[str, float | bool | None]:
    """Return the steady state a stretch belongs to.

    Parameters
    ----------
    flight : Flight
        Truth.
    parameters : Parameters
        The world.
    start, end : float
        The stretch [s].

    Returns
    -------
    dict
        ``steady_turn_deg_s``, ``excess_turn_deg_s``, ``residual_moment_N_m`` (None where a moment on the unit
        does not turn the wing), ``hang_stiffness_N_m_rad``, ``hung_mass_kg``, ``unit_twist_deg`` (mean, as
        flown) and ``pilot_input``.
    """
    span = slice(round(start / STEP), round(end / STEP))
    mean = {name: float(np.mean(values[span])) for name, values in flight.columns.items()}
    world = replace(parameters, hung_mass=mean["hung_mass"])
    speed, density, thrust = mean["airspeed"], mean["density"], mean["thrust"]
    scale = 0.5 * density * speed**2 * world.wing_area * world.wing_span
    moment = mean["roll_moment"] + mean["ballast_moment"] + mean["offset_moment"]
    whole = steady_response(
        world,
        speed,
        density,
        moment,
        mean["power_yaw_moment"],
        wing_roll=mean["roll_trim"] * scale,
        wing_yaw=world.c_n_trim * scale,
        thrust=thrust,
    )["turn_rate"]
    one = steady_response(world, speed, density, 1.0, thrust=thrust)
    excess = steady_response(world, speed, density, 0.0, mean["power_yaw_moment"], thrust=thrust)["turn_rate"]
    turns = abs(one["turn_rate"]) > 1e-9
    brakes = [
        item
        for item in flight.flown
        if item.segment.brake
        and item.start + item.segment.brake_start < end
        and min(item.start + item.segment.brake_end, item.end) > start
    ]
    return {
        "steady_turn_deg_s": degrees(whole),
        "excess_turn_deg_s": degrees(excess),
        "residual_moment_N_m": whole / one["turn_rate"] if turns else None,
        "hang_stiffness_N_m_rad": 1.0 / one["hang_roll"],
        "hung_mass_kg": mean["hung_mass"],
        "unit_twist_deg": degrees(mean["unit_twist"]),
        "pilot_input": bool(brakes),
    }
