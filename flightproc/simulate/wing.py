"""Lateral motion of a soft wing and of the unit that hangs under it.

State: sideslip beta, roll rate p, yaw rate r and bank phi of the wing, bank phi_u and roll rate p_u of the
hung unit, twist tau of the unit under its risers (its heading less the wing's) and twist rate w. The
equations, with V the airspeed, V_h its horizontal part, q = rho V^2 / 2, area S, span b, thrust T, weight
W = m g, and A the horizontal acceleration along the path:

- side force      a = g tan(phi) + (q S C_Yb beta_a + T sin(tau)) / m,   beta' = a / V_h - r
- wing roll       I_x p' = q S b (C_lb beta_a + C_lp p b/2V + C_lr r b/2V + C_l0) + (1 + k_l) M_r + L_w
- wing yaw        I_z r' = q S b (C_nb beta_a + C_np p b/2V + C_nr r b/2V + C_n0) + k_n M_r + N_r + N_w
- unit roll       I_u p_u' = L - m_b f h sin(phi_u - phi_app) - M_r
- unit yaw        I_uz (r' + w') = N - N_r,   tau' = w
- risers, roll    M_r = k_r (phi_u - phi - T tau / W) + c_u (p_u - p - T w / W)
- risers, yaw     N_r = k_y sin(tau) + c_y w - (lambda T / W) M_r
- apparent gravity   phi_app = atan(a_u / g),   a_u = a cos(tau - beta) - A sin(tau - beta),
  f = sqrt(g^2 + a_u^2)

beta_a is the sideslip against the gusty air. The roll moment L acts on the unit alone; only the risers pass
part of it to the wing, so that with k_r = 0 the unit tilts and the wing does not turn. L_w and N_w are what
the pilot's brakes do.

Yaw under the risers. N, the yaw moment of power (thrust line off centre, shaft tilted), acts on the unit and
reaches the wing through the risers alone. The unit twists, and its thrust points sideways by tau. Thrust lies
along the unit's x axis, so hang roll, which is the direction of the tension of the risers in the unit's yz
plane, does not contain it. The risers lean back by T / W along the unit's x axis, whichever way that points:
of the wing's bank, -T tau / W is no roll between unit and wing, which is why M_r has that term; without it
sideways thrust would look like torque. Where the risers rake back against the unit by lambda T / W, the pair
of loads that makes M_r has that share as a yaw moment on the unit. With k_y = 0 in the parameters the unit
does not twist: tau = w = 0 and N acts on the wing at once. Two hang lines hold by the sine of the twist, so
that nothing holds more than k_y: :data:`LARGEST_TWIST` is where the flight is given up as one in which the
unit twists round.

Canopy. k_l and k_n are the roll and yaw moments of the air that come from the canopy's deformation under the
load difference the risers pass.

Thrust and derivatives. With s = 1 + x (T / W) / 0.4, x being ``turn_with_thrust`` and s kept above 0.3, C_lr
is set so that D = C_lb C_nr - C_lr C_nb is divided by s: every steady turn per moment on the wing is s times
what it is in a glide, whether by roll or yaw.

Left out: the push the swinging unit gives back to the wing through the hang points, the cosine of the
unit's pitch in f (1 % at 8 deg), gyroscopic moments of the propeller, and the unsteady lag of the air forces.

References
----------
.. [1] B. Etkin, L. D. Reid, "Dynamics of Flight: Stability and Control", 3rd ed., Wiley 1996, section 4.9
   (linear lateral equations, here with the weight term kept as tan(phi)).
"""

from __future__ import annotations

from collections.abc import Callable
from math import atan2, cos, pi, sin, sqrt, tan

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from .parameters import Parameters

__all__ = [
    "LARGEST_TWIST",
    "hang_roll_period",
    "hang_stiffness",
    "lateral_derivatives",
    "modes",
    "roll_turn_coefficient",
    "steady_response",
]

State = tuple[float, float, float, float, float, float, float, float]

LARGEST_TWIST = 1.0
"""Twist of the unit under its risers at which a flight is given up [rad]."""
REFERENCE_THRUST = 0.4
"""Thrust over weight at which ``turn_with_thrust`` is stated."""
LEAST_TURN = 0.3
"""Least factor thrust may put on the turn coefficients."""


def _roll_by_yaw_rate(parameters: Parameters, thrust_ratio: float) -> float:
    """Return C_lr under thrust: 1 / c_L = C_lb C_nr / C_nb - C_lr is divided by the factor on c_L."""
    pa = parameters
    if pa.turn_with_thrust == 0.0 or thrust_ratio == 0.0:
        return pa.c_l_r
    factor = max(1.0 + pa.turn_with_thrust * thrust_ratio / REFERENCE_THRUST, LEAST_TURN)
    whole = pa.c_l_beta * pa.c_n_r / pa.c_n_beta
    return whole - (whole - pa.c_l_r) / factor


def lateral_derivatives(parameters: Parameters) -> Callable[..., State]:
    """Return the function that gives the time derivative of the lateral state.

    Parameters
    ----------
    parameters : Parameters
        The aircraft.

    Returns
    -------
    callable
        ``f(state, airspeed, horizontal_speed, density, vertical_force, unit_moment, yaw_moment, side_gust,
        roll_gust, wing_roll=0, wing_yaw=0, thrust=0, along=0, roll_trim=0, burned=0)``. The state is (beta,
        p, r, phi, phi_u, p_u, tau, w) [rad], [rad/s]; speeds [m/s]; density [kg/m^3]; vertical_force is
        gravity plus upward acceleration [m/s^2]; unit_moment L and yaw_moment N are on the unit (N on the
        wing where the unit cannot twist), wing_roll and wing_yaw on the wing [N m]; side_gust is an angle
        [rad] and roll_gust a rate [rad/s]; thrust [N]; along is A [m/s^2]; roll_trim adds to C_l0; burned is
        the mass of fuel gone [kg].
    """
    pa = parameters
    area, span, arm = pa.wing_area, pa.wing_span, pa.hang_arm
    full_mass, full_hung = pa.mass, pa.hung_mass
    k_r, c_u = pa.riser_roll_stiffness, pa.hung_damping
    i_x, i_z, i_u = pa.wing_roll_inertia, pa.wing_yaw_inertia, pa.hung_inertia
    c_yb = pa.c_y_beta
    c_lb, c_lp, c_lr_glide, c_l0 = pa.c_l_beta, pa.c_l_p, pa.c_l_r, pa.c_l_trim
    c_nb, c_np, c_nr, c_n0 = pa.c_n_beta, pa.c_n_p, pa.c_n_r, pa.c_n_trim
    k_y, c_y, i_y, rake = pa.riser_yaw_stiffness, pa.unit_yaw_damping, pa.unit_yaw_inertia, pa.riser_rake
    gain_l, gain_n = 1.0 + pa.canopy_roll_gain, pa.canopy_yaw_gain
    twists = k_y > 0.0
    with_thrust = pa.turn_with_thrust != 0.0

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
        wing_roll: float = 0.0,
        wing_yaw: float = 0.0,
        thrust: float = 0.0,
        along: float = 0.0,
        roll_trim: float = 0.0,
        burned: float = 0.0,
    ) -> State:
        beta, p, r, phi, phi_u, p_u, tau, w = state
        mass = full_mass - burned
        force = 0.5 * density * airspeed * airspeed * area
        moment = force * span
        half = 0.5 * span / airspeed
        beta_a = beta - side_gust
        p_hat = (p - roll_gust) * half
        r_hat = r * half
        side = vertical_force * tan(phi) + force * c_yb * beta_a / mass
        if twists:
            sine = sin(tau)
            side += thrust * sine / mass
            ratio = thrust / (mass * vertical_force)
            across = side * cos(tau - beta) - along * sin(tau - beta)
            risers = k_r * (phi_u - phi - ratio * tau) + c_u * (p_u - p - ratio * w)
        else:
            across = side
            risers = k_r * (phi_u - phi) + c_u * (p_u - p)
        apparent = atan2(across, vertical_force)
        specific = sqrt(across * across + vertical_force * vertical_force)
        c_lr = _roll_by_yaw_rate(pa, thrust / (mass * GRAVITY)) if with_thrust else c_lr_glide
        roll = moment * (c_lb * beta_a + c_lp * p_hat + c_lr * r_hat + c_l0 + roll_trim)
        yaw = moment * (c_nb * beta_a + c_np * p_hat + c_nr * r_hat + c_n0) + gain_n * risers + wing_yaw
        if twists:
            held = k_y * sine + c_y * w - rake * ratio * risers
            r_rate = (yaw + held) / i_z
            w_rate = (yaw_moment - held) / i_y - r_rate
        else:
            r_rate = (yaw + yaw_moment) / i_z
            w_rate = 0.0
        return (
            side / horizontal_speed - r,
            (roll + gain_l * risers + wing_roll) / i_x,
            r_rate,
            p,
            p_u,
            (unit_moment - (full_hung - burned) * arm * specific * sin(phi_u - apparent) - risers) / i_u,
            w,
            w_rate,
        )

    return derivative


def _linear_system(
    parameters: Parameters, airspeed: float, density: float, thrust: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return A (n, n) and B (n, 4) of the linear equations about straight flight.

    The state is that of the module, n = 8, or its first six where the unit cannot twist; the inputs are L
    and N (both as in :func:`lateral_derivatives`), L_w and N_w.
    """
    pa = parameters
    force = 0.5 * density * airspeed**2 * pa.wing_area
    moment = force * pa.wing_span
    half = 0.5 * pa.wing_span / airspeed
    k_r, c_u, i_u = pa.riser_roll_stiffness, pa.hung_damping, pa.hung_inertia
    hang = pa.hung_mass * GRAVITY * pa.hang_arm
    ratio = thrust / (pa.mass * GRAVITY)
    twists = pa.riser_yaw_stiffness > 0.0
    lean = ratio if twists else 0.0
    # rows of what follows from the state: side acceleration, roll moment of the risers
    side = np.array([force * pa.c_y_beta / pa.mass, 0, 0, GRAVITY, 0, 0, GRAVITY * lean, 0])
    risers = np.array([0, -c_u, 0, -k_r, k_r, c_u, -k_r * lean, -c_u * lean])
    roll = moment * np.array(
        [pa.c_l_beta, pa.c_l_p * half, _roll_by_yaw_rate(pa, ratio) * half, 0, 0, 0, 0, 0]
    )
    yaw = moment * np.array([pa.c_n_beta, pa.c_n_p * half, pa.c_n_r * half, 0, 0, 0, 0, 0])
    a, b = np.zeros((8, 8)), np.zeros((8, 4))
    a[0] = side / airspeed
    a[0, 2] -= 1.0
    a[1] = (roll + (1.0 + pa.canopy_roll_gain) * risers) / pa.wing_roll_inertia
    a[2] = (yaw + pa.canopy_yaw_gain * risers) / pa.wing_yaw_inertia
    a[3, 1] = 1.0
    a[4, 5] = 1.0
    a[5] = (hang * side / GRAVITY - risers) / i_u
    a[5, 4] -= hang / i_u
    b[5, 0] = 1.0 / i_u
    b[1, 2] = 1.0 / pa.wing_roll_inertia
    b[2, 3] = 1.0 / pa.wing_yaw_inertia
    if not twists:
        b[2, 1] = 1.0 / pa.wing_yaw_inertia
        return a[:6, :6], b[:6]
    held = -pa.riser_rake * ratio * risers
    held[6] += pa.riser_yaw_stiffness
    held[7] += pa.unit_yaw_damping
    a[2] += held / pa.wing_yaw_inertia
    a[6, 7] = 1.0
    a[7] = -held / pa.unit_yaw_inertia - a[2]
    b[7, 1] = 1.0 / pa.unit_yaw_inertia
    b[7, 3] = -b[2, 3]
    return a, b


def modes(
    parameters: Parameters, airspeed: float, density: float, thrust: float = 0.0
) -> NDArray[np.complex128]:
    """Return the lateral eigenvalues [1/s], slowest decay first.

    Parameters
    ----------
    parameters : Parameters
        The aircraft.
    airspeed, density, thrust : float
        [m/s], [kg/m^3], [N].

    Returns
    -------
    ndarray, shape (8,) or (6,)
        Six where the unit cannot twist under its risers.
    """
    a, _ = _linear_system(parameters, airspeed, density, thrust)
    values = np.linalg.eigvals(a).astype(np.complex128)
    return np.asarray(values[np.argsort(-values.real)])


def hang_roll_period(parameters: Parameters, airspeed: float, density: float) -> float:
    """Return the period of the unit's roll under the wing [s].

    It belongs to the swinging mode in which the unit's bank moves most; NaN where none swings.

    Parameters
    ----------
    parameters : Parameters
        The aircraft.
    airspeed, density : float
        [m/s], [kg/m^3].
    """
    a, _ = _linear_system(parameters, airspeed, density)
    values, vectors = np.linalg.eig(a)
    rates = np.imag(values)
    swings = rates > 1e-6
    if not np.any(swings):
        return float("nan")
    angles = np.abs(vectors[[3, 4, *range(6, len(values), 2)]][:, swings])
    best = int(np.argmax(angles[1] / np.sum(angles, axis=0)))
    return float(2 * pi / rates[swings][best])


def steady_response(
    parameters: Parameters,
    airspeed: float,
    density: float,
    unit_moment: float,
    yaw_moment: float = 0.0,
    *,
    wing_roll: float = 0.0,
    wing_yaw: float = 0.0,
    thrust: float = 0.0,
) -> dict[str, float]:
    """Return the steady answer of the linear equations to steady moments.

    Parameters
    ----------
    parameters : Parameters
        The aircraft; its built-in asymmetry is left out.
    airspeed, density : float
        [m/s], [kg/m^3].
    unit_moment : float
        Roll moment on the hung unit [N m], positive right side down.
    yaw_moment : float
        Yaw moment on the unit, on the wing where the unit cannot twist [N m], positive nose right.
    wing_roll, wing_yaw : float
        Moments on the wing itself [N m].
    thrust : float
        [N].

    Returns
    -------
    dict
        ``hang_roll``, ``unit_bank``, ``wing_bank``, ``sideslip``, ``unit_twist`` [rad] and ``turn_rate``
        [rad/s].

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
    a, b = _linear_system(parameters, airspeed, density, thrust)
    state = np.linalg.solve(a, -b @ np.array([unit_moment, yaw_moment, wing_roll, wing_yaw]))
    turn = float(state[2])
    return {
        "hang_roll": float(state[4]) - airspeed * turn / GRAVITY,
        "unit_bank": float(state[4]),
        "wing_bank": float(state[3]),
        "sideslip": float(state[0]),
        "unit_twist": float(state[6]) if state.size > 6 else 0.0,
        "turn_rate": turn,
    }


def hang_stiffness(parameters: Parameters, airspeed: float, density: float, thrust: float = 0.0) -> float:
    """Return the true K = dL / d(hang roll) of the linear equations [N m/rad].

    It is m_b g h plus what the risers pass on, a little less than k_r because the wing banks along.

    Parameters
    ----------
    parameters : Parameters
        The aircraft.
    airspeed, density, thrust : float
        [m/s], [kg/m^3], [N].
    """
    return 1.0 / steady_response(parameters, airspeed, density, 1.0, thrust=thrust)["hang_roll"]


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
