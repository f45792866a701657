"""How the sensor sits in the unit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "MountYaw",
    "Swinging",
    "estimate_mount_yaw",
    "levelling_angles",
    "rotate",
    "rotation_matrix",
    "swing_sums",
    "swing_yaw",
]

Array = NDArray[np.float64]

# a unit that twists under its risers flies with its nose beside the track
_BESIDE_TRACK_STD = np.radians(3.5)
_SWING_STD = np.radians(0.6)
# of the axis of swing against the line at right angles to the hang points: a unit whose masses are askew by
# I_xy rolls about an axis askew by omega^2 I_xy / (K_pitch - omega^2 I_yy), 0.8 degrees for 0.1 kg m^2
_SWING_BANDS = ((0.25, 0.5), (0.4, 0.7), (0.55, 0.95), (0.75, 1.25), (1.0, 1.6))  # of a hung unit [Hz]
_SWING_RATIO = 2.0  # least rms of rolling over pitching


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
    lean: Array,
    use: NDArray[np.bool_],
    *,
    rate: float,
    instrument: Array | None = None,
) -> MountYaw:
    r"""Find the yaw of the sensor from the body rates in and out of turns.

    Parameters
    ----------
    p, q : ndarray, shape (n,)
        Rates about the level sensor axes x and y [rad/s].
    turn_rate : ndarray, shape (n,)
        About the vertical [rad/s].
    lean : ndarray, shape (n,)
        Bank of the apparent vertical, atan(V psi_dot / g), by the air track where there is one [rad].
    use : ndarray of bool, shape (n,)
        Samples in flight, away from changes of power: thrust pitches and torque rolls the unit at once.
    rate : float
        Sampling rate [Hz].
    instrument : ndarray, shape (n,), optional
        The same bank by other sensors [rad]: its noise is not that of ``lean``, so that it serves as
        instrument and noise in ``lean`` does not shrink the coefficients.

    Returns
    -------
    MountYaw

    Notes
    -----
    A hung unit follows the apparent vertical, of bank :math:`\phi_c`. In body axes a turn shows
    :math:`p = \dot\phi_c - \dot\psi\sin\theta` and :math:`q = \dot\psi\sin\phi_c\cos\theta`. The sensor's
    :math:`p + iq` is regressed on a constant (gyro bias), :math:`\dot\psi` (tilt of the sensor),
    :math:`\dot\phi_c` and :math:`\dot\psi\sin\phi_c`, over averages of 0.5 s. Turned nose right by a yaw, the
    sensor sees the third coefficient turned by minus the yaw from the real axis, the last from the
    imaginary one; the two are weighed together. With an instrument, the normal equations are those of
    instrumental variables [1]_. Uncertainty: twelve parts of the flight left out one at a
    time, and 3.5 degrees, because the unit's nose stands beside the air track.

    References
    ----------
    .. [1] W. H. Greene, Econometric Analysis, 5th ed., 2003, section 5.4.
    """
    nan = float("nan")
    size = max(1, round(0.5 * rate))
    count = p.size // size

    def fold(x: Array) -> Array:
        return np.asarray(x[: count * size].reshape(count, size).mean(axis=1), dtype=float)

    turn, tilt = fold(turn_rate), fold(lean)
    swing = np.gradient(tilt, size / rate) if count > 2 else np.zeros(count)
    even = turn * np.sin(tilt)
    other = tilt if instrument is None else fold(instrument)
    other_swing = np.gradient(other, size / rate) if count > 2 else np.zeros(count)
    z = fold(p) + 1j * fold(q)
    ok = np.isfinite(swing) & np.isfinite(even) & np.isfinite(z)
    ok &= np.isfinite(other_swing) & (fold(use.astype(float)) == 1.0)
    turning = float(np.sum(ok & (np.abs(tilt) > np.radians(5.0))) * size / rate)
    if turning < 30.0:
        return MountYaw(nan, nan, nan, f"only {turning:.0f} s of turns steep enough, 30 s are needed")
    z = z[ok]
    turn, one = turn[ok], np.ones(z.size)
    design = np.column_stack([one, turn, swing[ok], even[ok]])
    tools = np.column_stack([one, turn, other_swing[ok], turn * np.sin(other[ok])])

    def solve(keep: NDArray[np.bool_]) -> NDArray[np.complex128]:
        found = np.linalg.lstsq(tools[keep].T @ design[keep], tools[keep].T @ z[keep], rcond=None)[0]
        return np.asarray(found[2:] / np.array([1.0, 1j]), dtype=complex)

    part = np.arange(z.size) * 12 // z.size
    whole = solve(np.ones(z.size, dtype=bool))
    gain = float(np.abs(whole[0]))
    if not (0.5 <= gain <= 1.6):
        return MountYaw(nan, nan, gain, f"the body rates do not follow the turns (gain {gain:.2f})")
    without = np.array([solve(part != k) for k in range(12)])
    angles = -np.angle(without / whole)
    variance = 11.0 / 12.0 * np.sum((angles - angles.mean(axis=0)) ** 2, axis=0)
    yaws = -np.angle(whole)
    if not 0.5 <= float(np.abs(whole[1])) <= 1.6:
        variance[1] = np.inf
    weights = 1.0 / np.maximum(variance, 1e-8)
    # weigh the angles about the first, so that they do not wrap apart
    second = float(np.angle(np.exp(1j * (yaws[1] - yaws[0]))))
    yaw = float(np.angle(np.exp(1j * (yaws[0] + weights[1] / weights.sum() * second))))
    std = float(np.hypot(weights.sum() ** -0.5, _BESIDE_TRACK_STD))
    return MountYaw(
        yaw, std, gain, f"{np.degrees(yaw):.1f} ± {np.degrees(std):.1f} deg from turns, gain {gain:.2f}"
    )


@dataclass(frozen=True)
class Swinging:
    """How a unit swings about the level sensor axes.

    Attributes
    ----------
    bands : tuple of (float, float)
        Bands of frequency [Hz]; none where there is too little flight or the grid is too slow.
    sums : ndarray, shape (b, 12, 3)
        For each band, over twelve parts of the flight: sums of p^2, q^2 and p q [(rad/s)^2].
    """

    bands: tuple[tuple[float, float], ...]
    sums: Array

    def yaw(self, turned: float = 0.0) -> MountYaw:
        """Return the yaw [rad] that is left to axes turned nose right by ``turned`` [rad]."""
        nan = float("nan")
        if not self.bands:
            return MountYaw(nan, nan, nan, "too little flight, or too slow a grid, to see the unit swing")
        found = [_yaw_of(sums, turned) for sums in self.sums]
        best = min(range(len(found)), key=lambda k: found[k][1] if found[k][2] >= _SWING_RATIO else np.inf)
        yaw, std, ratio = found[best]
        if ratio < _SWING_RATIO:
            ratio = max(item[2] for item in found)
            return MountYaw(nan, nan, ratio, f"the unit rolls only {ratio:.1f} times as lively as it pitches")
        low, high = self.bands[best]
        words = f"{np.degrees(yaw):.1f} ± {np.degrees(std):.1f} deg from swinging at {low:g} to {high:g} Hz"
        return MountYaw(yaw, std, ratio, words)


def _yaw_of(sums: Array, turned: float) -> tuple[float, float, float]:
    """Return yaw, its standard uncertainty, and rolling over pitching, in one band."""
    c, s = np.cos(turned), np.sin(turned)
    roll, nose, both = sums.T
    turned_roll = c * c * roll + s * s * nose - 2 * c * s * both
    turned_nose = s * s * roll + c * c * nose + 2 * c * s * both
    turned_both = c * s * (roll - nose) + (c * c - s * s) * both
    parts = np.stack([turned_roll, turned_nose, turned_both], axis=-1)

    def angle(total: Array) -> Array:
        return np.asarray(-0.5 * np.arctan2(2.0 * total[..., 2], total[..., 0] - total[..., 1]), dtype=float)

    whole = parts.sum(axis=0)
    without = angle(whole - parts)
    spread = float(np.sqrt(11.0 / 12.0 * np.sum((without - without.mean()) ** 2)))
    ratio = float(np.sqrt(whole[0] / max(whole[1], 1e-12)))
    return float(angle(whole)), float(np.hypot(spread, _SWING_STD)), ratio


def swing_sums(p: Array, q: Array, use: NDArray[np.bool_], *, rate: float) -> Swinging:
    """Add up the squares and products of rolling and pitching in several bands.

    Parameters
    ----------
    p, q, use, rate
        As for :func:`swing_yaw`.

    Returns
    -------
    Swinging
    """
    known = np.isfinite(p) & np.isfinite(q)
    good = use & known
    bands = tuple(band for band in _SWING_BANDS if rate > 2.5 * band[1])
    if good.sum() < 120.0 * rate:
        bands = ()
    sums = np.zeros((len(bands), 12, 3))
    axes = np.where(known, np.stack([p, q]), 0.0)
    for k, passed in enumerate(_pass_bands(axes, bands, rate)):
        roll, nose = passed[:, good]
        starts = np.linspace(0, roll.size, 13).astype(int)[:-1]
        sums[k] = np.add.reduceat(np.stack([roll * roll, nose * nose, roll * nose]), starts, axis=1).T
    return Swinging(bands, sums)


def _pass_bands(x: Array, bands: Sequence[tuple[float, float]], rate: float) -> Iterator[Array]:
    r"""Yield rows, shape (m, n), as each band [Hz] lets them pass, without delay.

    Notes
    -----
    A Butterworth filter of third order, run ahead and back, multiplies the spectrum by [1]_

    .. math:: \left[1 + \left(\frac{w^2 - w_1 w_2}{w (w_2 - w_1)}\right)^6\right]^{-1}, \qquad
       w = \tan\frac{\pi f}{f_s}

    A minute of each end, turned about its last value, goes before and after, so that the ends do not meet.

    References
    ----------
    .. [1] A. V. Oppenheim, R. W. Schafer, *Discrete-Time Signal Processing*, 3rd ed., 2010, section 7.2.1
       (bilinear transformation) and appendix B.1.
    """
    n = x.shape[1]
    pad = min(round(60.0 * rate), n - 1)
    before = 2.0 * x[:, :1] - x[:, pad:0:-1]
    after = 2.0 * x[:, -1:] - x[:, -2 : -pad - 2 : -1]
    long = np.concatenate([before, x, after], axis=1)
    spectrum = np.fft.rfft(long, axis=1)
    w = np.tan(np.pi * np.fft.rfftfreq(long.shape[1])[1:])
    for band in bands:
        low, high = (math.tan(math.pi * edge / rate) for edge in band)
        gain = np.append(0.0, 1.0 / (1.0 + ((w * w - low * high) / (w * (high - low))) ** 6))
        yield np.fft.irfft(spectrum * gain, long.shape[1], axis=1)[:, pad : pad + n]


def swing_yaw(p: Array, q: Array, use: NDArray[np.bool_], *, rate: float) -> MountYaw:
    r"""Find a small yaw of the sensor from the swinging of the unit.

    Parameters
    ----------
    p, q : ndarray, shape (n,)
        Rates about the level sensor axes x and y [rad/s].
    use : ndarray of bool, shape (n,)
        Samples in flight, away from changes of power.
    rate : float
        Sampling rate [Hz].

    Returns
    -------
    MountYaw
        Within 45 degrees either way; ``gain`` is the rms of rolling over that of pitching.

    Notes
    -----
    A unit hung on two points rolls at right angles to the line through them, about which thrust pitches it,
    and it rolls and pitches at frequencies of its own. In a band in which it rolls much more than it
    pitches, a sensor turned nose right by :math:`\epsilon` sees

    .. math:: \tan 2\epsilon = -2\,\overline{pq} / (\overline{p^2} - \overline{q^2}).

    Of five bands between 0.25 and 1.6 Hz the one with the least uncertainty is taken. Needed: two minutes,
    and rolling twice as lively as pitching. Uncertainty: jackknife over twelve parts, and 0.6 degrees, as
    masses askew tilt the axis of swing. Unlike turns, swinging does not ask where the nose stands to the
    air track.
    """
    return swing_sums(p, q, use, rate=rate).yaw()
