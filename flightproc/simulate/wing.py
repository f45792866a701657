"""Lateral motion of a soft wing and of the unit that hangs under it.

State: sideslip beta, roll rate p, yaw rate r and bank phi of the wing, bank phi_u and roll rate p_u of the
hung unit. The equations, with V the airspeed, V_h its horizontal part, q = rho V^2 / 2, area S and span b:

- side force      a = g tan(phi) + q S C_Yb beta_a / m,   beta' = a / V_h - r
- wing roll       I_x p' = q S b (C_lb beta_a + C_lp p b/2V + C_lr r b/2V + C_l0) + M_r
- wing yaw        I_z r' = q S b (C_nb beta_a + C_np p b/2V + C_nr r b/2V + C_n0) + N
- unit roll       I_u p_u' = L - m_b f h sin(phi_u - phi_app) - M_r
- risers          M_r = k_r (phi_u - phi) + c_u (p_u - p)
- apparent gravity   phi_app = atan(a / g),   f = sqrt(g^2 + a^2)

beta_a is the sideslip against the gusty air. The moment L acts on the unit alone; only the risers pass part
of it to the wing, so that with k_r = 0 the unit tilts and the wing does not turn. Left out: the push the
swinging unit gives back to the wing through the hang points, unit yaw under the risers, and the unsteady
lag of the air forces.

References
----------
.. [1] B. Etkin, L. D. Reid, "Dynamics of Flight: Stability and Control", 3rd ed., Wiley 1996, section 4.9
   (linear lateral equations, here with the weight term kept as tan(phi)).
"""

from __future__ import annotations

from collections.abc import Callable
from math import atan2, sin, sqrt, tan

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from .parameters import Parameters

__all__ = ["hang_stiffness", "lateral_derivatives", "modes", "roll_turn_coefficient", "steady_response"]

State = tuple[float, float, float, float, float, float]


def lateral_derivatives(
    parameters: Parameters,
) -> Callable[[State, float, float, float, float, float, float, float, float], State]:
    """Return the function that gives the time derivative of the lateral state.

    Parameters
    ----------
    parameters : Parameters
        The aircraft.

    Returns
    -------
    callable
        ``f(state, airspeed, horizontal_speed, density, vertical_force, unit_moment, yaw_moment, side_gust,
        roll_gust)``. The state is (beta, p, r, phi, phi_u, p_u) [rad], [rad/s]; speeds [m/s]; density
        [kg/m^3]; vertical_force is gravity plus upward acceleration [m/s^2]; unit_moment (roll, on the
        unit) and yaw_moment (on the wing) [N m]; side_gust is an angle [rad] and roll_gust a rate [rad/s].
    """
    area, span = parameters.wing_area, parameters.wing_span
    mass = parameters.mass
    k_r, c_u = parameters.riser_roll_stiffness, parameters.hung_damping
    weight_arm = parameters.hung_mass * parameters.hang_arm
    i_x, i_z, i_u = parameters.wing_roll_inertia, parameters.wing_yaw_inertia, parameters.hung_inertia
    c_yb = parameters.c_y_beta
    c_lb, c_lp, c_lr, c_l0 = parameters.c_l_beta, parameters.c_l_p, parameters.c_l_r, parameters.c_l_trim
    c_nb, c_np, c_nr, c_n0 = parameters.c_n_beta, parameters.c_n_p, parameters.c_n_r, parameters.c_n_trim

    def derivative(
        state: State,
        airspeed: float,
        horizontal_speed: float,
        density: float,
        vertical_force: float,
        unit_moment: float,
        yaw_moment: float,
        side_gust: float,
        roll_gust: float,
    ) -> State:
        beta, p, r, phi, phi_u, p_u = state
        force = 0.5 * density * airspeed * airspeed * area
        moment = force * span
        half = 0.5 * span / airspeed
        beta_a = beta - side_gust
        p_hat = (p - roll_gust) * half
        r_hat = r * half
        side = vertical_force * tan(phi) + force * c_yb * beta_a / mass
        apparent = atan2(side, vertical_force)
        specific = sqrt(side * side + vertical_force * vertical_force)
        risers = k_r * (phi_u - phi) + c_u * (p_u - p)
        return (
            side / horizontal_speed - r,
            (moment * (c_lb * beta_a + c_lp * p_hat + c_lr * r_hat + c_l0) + risers) / i_x,
            (moment * (c_nb * beta_a + c_np * p_hat + c_nr * r_hat + c_n0) + yaw_moment) / i_z,
            p,
            p_u,
            (unit_moment - weight_arm * specific * sin(phi_u - apparent) - risers) / i_u,
        )

    return derivative


def _linear_system(
    parameters: Parameters, airspeed: float, density: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return A (6, 6) and B (6, 2) of the linear equations about straight flight; inputs are L and N."""
    pa = parameters
    force = 0.5 * density * airspeed**2 * pa.wing_area
    moment = force * pa.wing_span
    half = 0.5 * pa.wing_span / airspeed
    k_r, c_u, i_u = pa.riser_roll_stiffness, pa.hung_damping, pa.hung_inertia
    hang = pa.hung_mass * GRAVITY * pa.hang_arm
    side = force * pa.c_y_beta / pa.mass
    roll = moment / pa.wing_roll_inertia
    yaw = moment / pa.wing_yaw_inertia
    a = np.zeros((6, 6))
    a[0] = [side / airspeed, 0, -1, GRAVITY / airspeed, 0, 0]
    a[1] = [roll * pa.c_l_beta, roll * pa.c_l_p * half, roll * pa.c_l_r * half, 0, 0, 0]
    a[1] += np.array([0, -c_u, 0, -k_r, k_r, c_u]) / pa.wing_roll_inertia
    a[2] = [yaw * pa.c_n_beta, yaw * pa.c_n_p * half, yaw * pa.c_n_r * half, 0, 0, 0]
    a[3, 1] = 1.0
    a[4, 5] = 1.0
    a[5] = np.array([hang * side / GRAVITY, c_u, 0, hang + k_r, -hang - k_r, -c_u]) / i_u
    b = np.zeros((6, 2))
    b[5, 0] = 1.0 / i_u
    b[2, 1] = 1.0 / pa.wing_yaw_inertia
    return a, b


def modes(parameters: Parameters, airspeed: float, density: float) -> NDArray[np.complex128]:
    """Return the six lateral eigenvalues [1/s], slowest decay first.

    Parameters
    ----------
    parameters : Parameters
        The aircraft.
    airspeed, density : float
        [m/s], [kg/m^3].
    """
    a, _ = _linear_system(parameters, airspeed, density)
    values = np.linalg.eigvals(a).astype(np.complex128)
    return np.asarray(values[np.argsort(-values.real)])


def steady_response(
    parameters: Parameters, airspeed: float, density: float, unit_moment: float, yaw_moment: float = 0.0
) -> dict[str, float]:
    """Return the steady answer of the linear equations to a roll moment on the unit and a yaw moment.

    Parameters
    ----------
    parameters : Parameters
        The aircraft; its built-in asymmetry is left out.
    airspeed, density : float
        [m/s], [kg/m^3].
    unit_moment : float
        Roll moment on the hung unit [N m], positive right side down.
    yaw_moment : float
        Yaw moment on the wing [N m], positive nose right.

    Returns
    -------
    dict
        ``hang_roll``, ``unit_bank``, ``wing_bank``, ``sideslip`` [rad], ``turn_rate`` [rad/s].

    Examples
    --------
    A unit of 100 kg on a 0.35 m arm without riser stiffness tilts by asin(L / m g h), here linear, and the
    wing does not turn:

    >>> from dataclasses import replace
    >>> from flightproc.simulate.parameters import DEFAULTS
    >>> answer = steady_response(replace(DEFAULTS, riser_roll_stiffness=0.0), 10.8, 1.2, 20.0)
    >>> round(answer["hang_roll"] * 57.29578, 2), abs(round(answer["turn_rate"], 6))
    (3.34, 0.0)
    """
    a, b = _linear_system(parameters, airspeed, density)
    state = np.linalg.solve(a, -b @ np.array([unit_moment, yaw_moment]))
    turn = float(state[2])
    return {
        "hang_roll": float(state[4]) - airspeed * turn / GRAVITY,
        "unit_bank": float(state[4]),
        "wing_bank": float(state[3]),
        "sideslip": float(state[0]),
        "turn_rate": turn,
    }


def hang_stiffness(parameters: Parameters, airspeed: float, density: float) -> float:
    """Return the true K = dL / d(hang roll) of the linear equations [N m/rad].

    It is m_b g h plus what the risers pass on, a little less than k_r because the wing banks along.

    Parameters
    ----------
    parameters : Parameters
        The aircraft.
    airspeed, density : float
        [m/s], [kg/m^3].
    """
    return 1.0 / steady_response(parameters, airspeed, density, 1.0)["hang_roll"]


def roll_turn_coefficient(parameters: Parameters) -> float:
    """Return cL = (r b / 2V) / (L_wing / q S b) for a roll moment that acts on the wing itself.

    It is C_nb / (C_lb C_nr - C_lr C_nb); for a moment on the unit only the part the risers pass counts.

    Parameters
    ----------
    parameters : Parameters
        The aircraft.
    """
    pa = parameters
    return pa.c_n_beta / (pa.c_l_beta * pa.c_n_r - pa.c_l_r * pa.c_n_beta)
