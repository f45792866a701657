"""Attitude of the hung unit, and the turn rate that follows from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..channels import GRAVITY
from .grid import running_mean

__all__ = [
    "Attitude",
    "AttitudeCheck",
    "aided_attitude",
    "check_logged_bank",
    "coordinated_bank",
    "coordinated_turn_rate",
    "hang_angles",
    "load_factor",
    "vertical_rate",
]

Array = NDArray[np.float64]


def coordinated_turn_rate(airspeed: ArrayLike, bank: ArrayLike) -> Array:
    """Return the turn rate g tan(bank) / V [rad/s] of a coordinated turn.

    Parameters
    ----------
    airspeed : array_like
        True airspeed [m/s].
    bank : array_like
        Bank of the apparent vertical [rad], positive right side down.

    References
    ----------
    .. [1] J. D. Anderson, Introduction to Flight, chapter 6, turning flight.

    Examples
    --------
    >>> round(float(np.degrees(coordinated_turn_rate(10.0, np.radians(20.0)))), 4)
    20.4507
    """
    return np.asarray(GRAVITY * np.tan(bank) / np.asarray(airspeed, dtype=float), dtype=float)


def coordinated_bank(airspeed: ArrayLike, turn_rate: ArrayLike) -> Array:
    """Return the bank atan(V psi_dot / g) [rad] of the apparent vertical in a steady turn."""
    return np.asarray(
        np.arctan(np.asarray(airspeed, dtype=float) * np.asarray(turn_rate) / GRAVITY), dtype=float
    )


def load_factor(airspeed: ArrayLike, turn_rate: ArrayLike) -> Array:
    """Return the load factor sqrt(1 + (V psi_dot / g)^2) of a steady turn."""
    return np.asarray(
        np.sqrt(1.0 + (np.asarray(airspeed, dtype=float) * np.asarray(turn_rate) / GRAVITY) ** 2), dtype=float
    )


def hang_angles(fx: Array, fy: Array, fz: Array) -> tuple[Array, Array]:
    r"""Return the angles of the unit to apparent gravity.

    Parameters
    ----------
    fx, fy, fz : ndarray, shape (n,)
        Specific force in body axes [m/s^2]; average them first, the angles are not linear in noise.

    Returns
    -------
    hang_roll, hang_pitch : ndarray, shape (n,)
        [rad], positive right side down and nose up.

    Notes
    -----
    A hung unit feels :math:`\mathbf f = -g'\,\mathbf e_d` with :math:`\mathbf e_d` along apparent gravity, so
    :math:`\eta = \mathrm{atan2}(-f_y, -f_z)` whatever the pitch, and
    :math:`\theta' = \mathrm{atan2}(f_x, \sqrt{f_y^2 + f_z^2})`.

    Examples
    --------
    >>> roll, pitch = hang_angles(np.array([0.0]), np.array([-0.5]), np.array([-9.8]))
    >>> round(float(np.degrees(roll[0])), 3), float(pitch[0])
    (2.921, 0.0)
    """
    roll = np.arctan2(-fy, -fz)
    pitch = np.arctan2(fx, np.hypot(fy, fz))
    return np.asarray(roll, dtype=float), np.asarray(pitch, dtype=float)


def vertical_rate(p: Array, q: Array, r: Array, bank: Array, pitch: Array) -> Array:
    r"""Return the turn rate about the vertical [rad/s].

    Parameters
    ----------
    p, q, r : ndarray, shape (n,)
        Body rates [rad/s]; ``p`` does not enter.
    bank, pitch : ndarray, shape (n,)
        Attitude against true gravity [rad].

    Notes
    -----
    :math:`\dot\psi = (q\sin\phi + r\cos\phi)/\cos\theta`.

    References
    ----------
    .. [1] B. L. Stevens, F. L. Lewis, Aircraft Control and Simulation, 2nd ed., 2003, Eq. (1.3-22).
    """
    del p
    return np.asarray((q * np.sin(bank) + r * np.cos(bank)) / np.cos(pitch), dtype=float)


@dataclass(frozen=True)
class Attitude:
    """Attitude aided by airspeed and turn rate.

    Attributes
    ----------
    hang_roll, hang_pitch : ndarray, shape (n,)
        Angles to apparent gravity [rad].
    bank, pitch : ndarray, shape (n,)
        Angles to true gravity [rad].
    turn_rate : ndarray, shape (n,)
        About the vertical [rad/s].
    """

    hang_roll: Array
    hang_pitch: Array
    bank: Array
    pitch: Array
    turn_rate: Array


def aided_attitude(
    rates: tuple[Array, Array, Array],
    forces: tuple[Array, Array, Array],
    airspeed: Array | None,
    *,
    smoothing: int = 1,
    rounds: int = 3,
) -> Attitude:
    r"""Work out bank and turn rate of a hung unit from body rates, specific force and airspeed.

    Parameters
    ----------
    rates : tuple of ndarray, shape (n,)
        Body rates p, q, r [rad/s], bias taken off.
    forces : tuple of ndarray, shape (n,)
        Specific force fx, fy, fz [m/s^2] in body axes.
    airspeed : ndarray, shape (n,), or None
        True airspeed [m/s]; where it is None or NaN, bank stays at the hang roll.
    smoothing : int
        Samples over which the turn rate is averaged before it bends the vertical.
    rounds : int
        Iterations; each turn rate needs a bank and each bank a turn rate.

    Returns
    -------
    Attitude

    Notes
    -----
    :math:`\phi = \eta + \arctan(V\dot\psi/g)`: the unit hangs at :math:`\eta` to an apparent vertical that
    a turn tilts. An attitude filter that levels on the accelerometer leaves the second term out.
    """
    p, q, r = rates
    hang_roll, hang_pitch = hang_angles(*forces)
    bank = hang_roll
    turn = vertical_rate(p, q, r, bank, hang_pitch)
    if airspeed is not None:
        for _ in range(rounds):
            slow = running_mean(turn, smoothing)
            tilt = np.nan_to_num(coordinated_bank(airspeed, slow))
            bank = hang_roll + tilt
            turn = vertical_rate(p, q, r, bank, hang_pitch)
    return Attitude(hang_roll, hang_pitch, bank, hang_pitch, turn)


@dataclass(frozen=True)
class AttitudeCheck:
    """Whether a log's own bank knows of turns.

    Attributes
    ----------
    usable : bool
        True where the bank is navigation-grade: it follows the tilt of the apparent vertical.
    slope : float
        Slope of (logged bank - hang roll) on atan(V psi_dot / g); NaN where it cannot be told.
    words : str
        The verdict, with the figures.
    """

    usable: bool
    slope: float
    words: str


def check_logged_bank(
    logged: Array,
    hang_roll: Array,
    airspeed: Array | None,
    turn_rate: Array,
    use: NDArray[np.bool_],
    *,
    rate: float,
) -> AttitudeCheck:
    r"""Tell a navigation-grade bank from one levelled on the accelerometer.

    Parameters
    ----------
    logged : ndarray, shape (n,)
        Bank in the log [rad].
    hang_roll : ndarray, shape (n,)
        Angle to apparent gravity [rad].
    airspeed : ndarray, shape (n,), or None
        True airspeed [m/s].
    turn_rate : ndarray, shape (n,)
        Turn rate [rad/s].
    use : ndarray of bool, shape (n,)
        Samples in flight.
    rate : float
        Sampling rate [Hz].

    Returns
    -------
    AttitudeCheck

    Notes
    -----
    In turns, (logged - hang roll) is regressed on :math:`\arctan(V\dot\psi/g)` over averages of 4 s: slope 1
    is right, slope 0 is the trap. Needed: 20 s of turns that tilt the apparent vertical by more than 3
    degrees. Usable: slope within 0.8 to 1.2 and surely above 0.6.
    """
    from ..statistics.fit import huber

    if airspeed is None:
        return AttitudeCheck(False, float("nan"), "no airspeed to test the logged attitude in turns")
    size = max(1, round(4.0 * rate))
    count = logged.size // size

    def fold(x: Array) -> Array:
        return np.asarray(x[: count * size].reshape(count, size).mean(axis=1), dtype=float)

    tilt = fold(coordinated_bank(airspeed, turn_rate))
    extra = fold(np.angle(np.exp(1j * (logged - hang_roll))))
    flying = fold(np.where(use, 1.0, np.nan))
    ok = np.isfinite(tilt) & np.isfinite(extra) & np.isfinite(flying)
    turning = ok & (np.abs(tilt) > np.radians(3.0))
    if turning.sum() * size / rate < 20.0:
        return AttitudeCheck(False, float("nan"), "too few turns to test the logged attitude: not used")
    design = np.column_stack([np.ones(int(ok.sum())), tilt[ok]])
    fit = huber(design, extra[ok])
    slope, std = float(fit.coefficients[1]), 2.0 * float(fit.std[1])  # twice, for correlated residuals
    told = f"slope of (logged bank - hang roll) on atan(V psi_dot / g) in turns {slope:.2f} ± {std:.2f}"
    if 0.8 <= slope <= 1.2 and slope - 2 * std > 0.6:
        return AttitudeCheck(True, slope, f"logged attitude is navigation-grade ({told})")
    if abs(slope) < 0.3:
        return AttitudeCheck(
            False, slope, f"logged attitude is levelled on the accelerometer ({told}): not used"
        )
    return AttitudeCheck(False, slope, f"logged attitude follows turns only in part ({told}): not used")
