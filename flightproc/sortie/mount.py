"""How the sensor sits in the unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY

__all__ = ["MountYaw", "estimate_mount_yaw", "levelling_angles", "rotate", "rotation_matrix"]

Array = NDArray[np.float64]


def rotation_matrix(roll: float, pitch: float, yaw: float) -> Array:
    r"""Return the matrix that takes vectors from sensor axes to body axes.

    Parameters
    ----------
    roll, pitch, yaw : float
        Attitude of the sensor in the body [rad]: turned nose right by ``yaw``, then nose up by
        ``pitch``, then right side down by ``roll``.

    Returns
    -------
    ndarray, shape (3, 3)
        :math:`R_z(\psi) R_y(\theta) R_x(\phi)`.

    References
    ----------
    .. [1] B. L. Stevens, F. L. Lewis, Aircraft Control and Simulation, 2nd ed., 2003, section 1.3.

    Examples
    --------
    A sensor turned 90 degrees nose right has its x axis along the body's y axis:

    >>> rotation_matrix(0.0, 0.0, np.pi / 2).round(12) @ [1.0, 0.0, 0.0]
    array([0., 1., 0.])
    """
    cr, sr = np.cos(roll), np.sin(roll)
    cp, sp = np.cos(pitch), np.sin(pitch)
    cy, sy = np.cos(yaw), np.sin(yaw)
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cr, -sr], [0.0, sr, cr]])
    about_y = np.array([[cp, 0.0, sp], [0.0, 1.0, 0.0], [-sp, 0.0, cp]])
    about_z = np.array([[cy, -sy, 0.0], [sy, cy, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(about_z @ about_y @ about_x, dtype=float)


def rotate(matrix: Array, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array]:
    """Rotate a series of vectors given by its components, each of shape (n,)."""
    out = matrix @ np.vstack([x, y, z])
    return out[0], out[1], out[2]


def levelling_angles(fx: float, fy: float, fz: float) -> tuple[float, float]:
    """Return the roll and pitch of a sensor [rad] that feels a mean specific force at rest [m/s^2].

    Examples
    --------
    >>> roll, pitch = levelling_angles(0.0, -1.703, -9.658)
    >>> round(float(np.degrees(roll)), 1), float(pitch)
    (10.0, 0.0)
    """
    return float(np.arctan2(-fy, -fz)), float(np.arctan2(fx, np.hypot(fy, fz)))


@dataclass(frozen=True)
class MountYaw:
    """Yaw of the sensor in the unit, from turns.

    Attributes
    ----------
    yaw : float
        Angle by which the sensor is turned nose right in the body [rad]; NaN where it was not found.
    std : float
        Standard uncertainty [rad].
    gain : float
        Size of the body rates seen against those expected; near 1 where the turns are what they seem.
    words : str
        How it was found, or why not.
    """

    yaw: float
    std: float
    gain: float
    words: str


def estimate_mount_yaw(
    p: Array,
    q: Array,
    turn_rate: Array,
    airspeed: Array,
    use: NDArray[np.bool_],
    *,
    rate: float,
) -> MountYaw:
    r"""Find the yaw of the sensor from the body rates in turns.

    Parameters
    ----------
    p, q : ndarray, shape (n,)
        Rates about the level sensor axes x and y [rad/s].
    turn_rate : ndarray, shape (n,)
        About the vertical [rad/s].
    airspeed : ndarray, shape (n,)
        True airspeed [m/s].
    use : ndarray of bool, shape (n,)
        Samples in flight.
    rate : float
        Sampling rate [Hz].

    Returns
    -------
    MountYaw

    Notes
    -----
    A hung unit follows the apparent vertical, :math:`\phi_c = \arctan(V\dot\psi/g)`. In body axes a turn
    shows :math:`p = \dot\phi_c - \dot\psi\sin\theta` and :math:`q = \dot\psi\sin\phi_c\cos\theta`: the
    second has one sign in left and in right turns, and no engine or hang offset imitates it. With
    :math:`u = \dot\phi_c + i\,\dot\psi\sin\phi_c`, the sensor's :math:`p + iq` is regressed on :math:`u`, a
    constant (gyro bias) and :math:`\dot\psi` (tilt of the sensor) over averages of 1 s; minus the argument
    of the coefficient of :math:`u` is the yaw. Its uncertainty is the spread over twelve parts of the
    flight, left out one at a time.
    """
    size = max(1, round(rate))
    count = p.size // size

    def fold(x: Array) -> Array:
        return np.asarray(x[: count * size].reshape(count, size).mean(axis=1), dtype=float)

    nan = float("nan")
    turn, speed = fold(turn_rate), fold(airspeed)
    kernel = np.ones(3) / 3.0
    tilt = np.arctan(speed * np.convolve(turn, kernel, mode="same") / GRAVITY)
    swing = np.gradient(tilt, size / rate) if count > 2 else np.zeros(count)
    u = swing + 1j * turn * np.sin(tilt)
    z = fold(p) + 1j * fold(q)
    flying = fold(np.where(use, 1.0, nan))
    ok = np.isfinite(u) & np.isfinite(z) & np.isfinite(flying)
    turning = int(np.sum(ok & (np.abs(tilt) > np.radians(5.0))))
    if turning * size / rate < 30.0:
        return MountYaw(nan, nan, nan, "less than 30 s of turns steep enough to find the sensor's yaw")
    u, z, turn = u[ok], z[ok], turn[ok]
    design = np.column_stack([u, np.ones(u.size), turn]).astype(complex)

    def solve(keep: NDArray[np.bool_]) -> complex:
        return complex(np.linalg.lstsq(design[keep], z[keep], rcond=None)[0][0])

    everything = np.ones(u.size, dtype=bool)
    coefficient = solve(everything)
    part = np.arange(u.size) * 12 // u.size
    without = np.array([solve(part != k) for k in range(12)])
    angles = np.angle(without / coefficient)
    std = float(np.sqrt(11.0 / 12.0 * np.sum((angles - angles.mean()) ** 2)))
    yaw, gain = -float(np.angle(coefficient)), float(np.abs(coefficient))
    told = f"{np.degrees(yaw):.1f} ± {np.degrees(std):.1f} deg from body rates in turns, gain {gain:.2f}"
    if not 0.5 <= gain <= 1.6:
        return MountYaw(
            nan, nan, gain, f"body rates in turns do not follow the turn ({told}): sensor yaw not found"
        )
    return MountYaw(yaw, std, gain, told)
