"""Mount, gyro bias, attitude and turn rate of the hung unit, put together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .attitude import Attitude, aided_attitude, check_logged_bank, coordinated_bank, vertical_rate
from .grid import running_mean
from .mount import (
    MountYaw,
    Swinging,
    estimate_mount_yaw,
    levelling_angles,
    rotate,
    rotation_matrix,
    swing_sums,
)
from .strapdown import Strapdown, rates_of, smooth_both_ways, strapdown_attitude

__all__ = ["Motion", "MountSheet", "resolve_motion"]

Array = NDArray[np.float64]
Triple = tuple[Array, Array, Array]

_GROSS_TILT = np.radians(
    20.0
)  # beyond it the sensor is taken to sit tilted, below to be leaning with the unit
_YAW_PRIOR_STD = np.radians(3.0)  # of a sensor that was put on by eye
_YAW_STATED_STD = np.radians(1.0)  # of a yaw measured by hand [rad]
_GROSS_YAW = np.radians(20.0)
_GAIN = (0.8, 1.25)  # of the body rates in turns, where they are what they seem
_POOR_TURNS = np.radians(4.5)  # yaw from turns known less well than this is not to be relied on alone
_SMOOTHING = 1.0  # [s] of the turn rate that bends the vertical
_STRAPDOWN_AGREES = 0.6  # correlation of felt acceleration with the change of velocity
_LIVELY = 0.2  # [m/s^2] of acceleration below which that correlation says nothing
_BIAS_LIMIT = np.radians(0.3)  # [rad/s] change of bias from ground to flight worth telling


@dataclass(frozen=True)
class MountSheet:
    """Mount angles of the aircraft sheet [deg]; None where left to the log."""

    roll_deg: float | None
    pitch_deg: float | None
    yaw_deg: float | None


@dataclass(frozen=True)
class Motion:
    """Motion of the unit in body axes.

    Attributes
    ----------
    rates, forces : tuple of three ndarray, shape (n,)
        Body rates [rad/s], bias taken off, and specific force [m/s^2].
    attitude : Attitude
        Hang angles, aided bank, turn rate.
    bank, pitch : ndarray, shape (n,)
        Bank and pitch taken [rad].
    bank_source, pitch_source, turn_source, mount : str
        How each was had.
    mount_yaw_std : float
        Standard uncertainty of the sensor's yaw [rad].
    warnings : tuple of str
        What the user should know.
    strapdown : Strapdown or None
        Attitude by gyros and ground velocity, where it could be had.
    swing : Swinging or None
        Swinging about the level sensor axes, where it was looked at.
    """

    rates: Triple
    forces: Triple
    attitude: Attitude
    bank: Array
    pitch: Array
    bank_source: str
    pitch_source: str
    turn_source: str
    mount: str
    mount_yaw_std: float
    warnings: tuple[str, ...]
    strapdown: Strapdown | None = None
    swing: Swinging | None = None


def resolve_motion(
    rates: Triple,
    forces: Triple,
    *,
    rate: float,
    still: NDArray[np.bool_],
    use: NDArray[np.bool_],
    steady: NDArray[np.bool_],
    mount: MountSheet,
    airspeed: Array | None,
    track: Array | None,
    logged: tuple[Array | None, Array | None],
    velocity: tuple[Array, Array] | None = None,
    swing: Swinging | None = None,
) -> Motion:
    """Turn sensor readings into motion of the body.

    Parameters
    ----------
    rates, forces : tuple of three ndarray, shape (n,)
        In sensor axes [rad/s], [m/s^2].
    rate : float
        Sampling rate [Hz].
    still, use : ndarray of bool, shape (n,)
        Samples at rest on the ground, and in flight.
    steady : ndarray of bool, shape (n,)
        Samples in flight away from changes of power.
    mount : MountSheet
        Stated mount angles.
    airspeed : ndarray, shape (n,), or None
        True airspeed [m/s]; None in a first pass.
    track : ndarray, shape (n,), or None
        Direction of the air track [rad], to check the gyro's bias over the flight.
    logged : tuple of ndarray or None
        Bank and pitch as the log has them [rad].
    velocity : tuple of ndarray, shape (n,), optional
        Ground velocity north and east [m/s]: attitude then follows from it and the gyros.
    swing : Swinging, optional
        Of an earlier pass over the same readings; it does not depend on airspeed.

    Returns
    -------
    Motion

    Notes
    -----
    Small roll and pitch of the sensor are left alone where the sheet does not state them: the unit may
    lean on the ground, the roll zero comes from the glides, and the turn rate uses attitude and rates of the
    same axes. Tilts beyond 20 degrees are taken for the mount and levelled on the mean force in flight. The
    yaw matters: it mixes pitch, which changes with power, into the hang roll. It is found from turns,
    weighed against 0 +/- 3 degrees where it is small.
    """
    warnings: list[str] = []
    bias, bias_words = _ground_bias(rates, still)
    unbiased = (rates[0] - bias[0], rates[1] - bias[1], rates[2] - bias[2])
    roll, pitch, words = _tilt(forces, still, use, mount)
    matrix = rotation_matrix(roll, pitch, 0.0)
    stated_yaw = mount.yaw_deg is not None
    if mount.yaw_deg is not None:
        matrix = rotation_matrix(roll, pitch, float(np.radians(mount.yaw_deg)))
    body_rates, body_forces = rotate(matrix, *unbiased), rotate(matrix, *forces)
    smoothing = 2 * round(0.5 * _SMOOTHING * rate) + 1
    attitude = aided_attitude(body_rates, body_forces, airspeed, smoothing=smoothing)
    yaw_std = float(_YAW_STATED_STD if stated_yaw else _YAW_PRIOR_STD)
    if stated_yaw:
        words += f", yaw {mount.yaw_deg:.1f} deg as stated"
    elif airspeed is not None:
        own = _lean(attitude.turn_rate, airspeed, None, rate)
        lean = own if track is None else _lean(attitude.turn_rate, airspeed, track, rate)
        found = estimate_mount_yaw(
            body_rates[0],
            body_rates[1],
            attitude.turn_rate,
            lean,
            steady,
            rate=rate,
            instrument=own,
        )
        swing = swing or swing_sums(body_rates[0], body_rates[1], steady, rate=rate)
        found = _with_swing(found, swing)
        yaw, yaw_std, yaw_words = _yaw(found, warnings)
        words += f", {yaw_words}"
        if yaw:
            turn = rotation_matrix(0.0, 0.0, yaw)
            body_rates, body_forces = rotate(turn, *body_rates), rotate(turn, *body_forces)
            attitude = aided_attitude(body_rates, body_forces, airspeed, smoothing=smoothing)
    turn_words = f"body rates and aided attitude; {bias_words}"
    if airspeed is not None and track is not None:
        shift, shift_std, shift_words = _flight_bias(attitude.turn_rate, track, use, rate)
        if np.isfinite(shift):
            body_rates = (body_rates[0], body_rates[1], body_rates[2] - shift)
            attitude = aided_attitude(body_rates, body_forces, airspeed, smoothing=smoothing)
            turn_words += f"; {shift_words}"
            if still.any() and abs(shift) > max(_BIAS_LIMIT, 4 * shift_std):
                warnings.append(
                    f"the gyro's bias about the vertical moved by {np.degrees(shift):.2f} deg/s from the "
                    "ground to the flight; the flight's was used"
                )
    strapdown = None
    if airspeed is not None and track is not None and velocity is not None:
        strapdown = _strapdown(body_rates, body_forces, attitude, velocity, track, use, rate)
        if strapdown is not None and not still.any():
            own, own_words = _bias_from_flight(body_rates, strapdown, use, rate)
            body_rates = (body_rates[0] - own[0], body_rates[1] - own[1], body_rates[2] - own[2])
            turn_words += f"; {own_words}"
        if strapdown is not None:
            attitude = _with_strapdown(attitude, body_rates, strapdown)
            turn_words = turn_words.replace("aided attitude", "attitude by gyros and ground velocity", 1)
    bank, tilt, bank_words, pitch_words = _bank(attitude, airspeed, use, logged, rate, strapdown)
    return Motion(
        body_rates,
        body_forces,
        attitude,
        bank,
        tilt,
        bank_words,
        pitch_words,
        turn_words,
        words,
        yaw_std,
        tuple(warnings),
        strapdown,
        swing,
    )


def _strapdown(
    rates: Triple,
    forces: Triple,
    attitude: Attitude,
    velocity: tuple[Array, Array],
    track: Array,
    use: NDArray[np.bool_],
    rate: float,
) -> Strapdown | None:
    """Return attitude by gyros and ground velocity; None where the two do not belong together."""
    found = strapdown_attitude(
        rates,
        forces,
        (attitude.bank, attitude.pitch, attitude.turn_rate),
        velocity,
        track,
        rate=rate,
    )
    size = 2 * round(rate) + 1
    pairs = []
    for felt, speed in (
        (found.acceleration_north, velocity[0]),
        (found.acceleration_east, velocity[1]),
    ):
        good = use & np.isfinite(felt) & np.isfinite(speed)
        if good.sum() < 60 * rate:
            return None
        rough = []
        for x in (felt, np.gradient(speed) * rate):
            quick = running_mean(np.where(good, x, np.nan), size)
            slow, _ = smooth_both_ways(np.nan_to_num(quick), np.isfinite(quick).astype(float), rate, 8.0)
            rough.append((quick - slow)[good & np.isfinite(quick)])
        pairs.append(rough)
    felt_all = np.concatenate([pairs[0][0], pairs[1][0]])
    seen_all = np.concatenate([pairs[0][1], pairs[1][1]])
    if felt_all.size != seen_all.size or float(np.std(seen_all)) < _LIVELY:
        return found
    return found if np.corrcoef(felt_all, seen_all)[0, 1] >= _STRAPDOWN_AGREES else None


def _with_strapdown(attitude: Attitude, rates: Triple, strapdown: Strapdown) -> Attitude:
    """Take bank, pitch and turn rate from the gyros and ground velocity where they are known."""
    known = np.isfinite(strapdown.bank)
    bank = np.where(known, strapdown.bank, attitude.bank)
    pitch = np.where(known, strapdown.pitch, attitude.pitch)
    return Attitude(attitude.hang_roll, attitude.hang_pitch, bank, pitch, vertical_rate(*rates, bank, pitch))


def _bias_from_flight(
    rates: Triple, strapdown: Strapdown, use: NDArray[np.bool_], rate: float
) -> tuple[Array, str]:
    """Return what the gyros have too much over the flight against the attitude that the velocities hold."""
    expected = rates_of(strapdown.bank, strapdown.pitch, strapdown.heading, rate)
    excess = [x - e for x, e in zip(rates, expected, strict=True)]
    good = use & np.isfinite(sum(excess))
    if good.sum() < 60 * rate:
        return np.zeros(3), "no gyro bias from the flight"
    bias = np.array([float(np.mean(x[good])) for x in excess])
    told = ", ".join(f"{np.degrees(b):+.2f}" for b in bias)
    return bias, f"gyro bias {told} deg/s from {good.sum() / rate:.0f} s of flight"


def _ground_bias(rates: Triple, still: NDArray[np.bool_]) -> tuple[Array, str]:
    good = still & np.isfinite(rates[0]) & np.isfinite(rates[1]) & np.isfinite(rates[2])
    if not good.any():
        return np.zeros(3), "no gyro bias from the ground"
    bias = np.array([float(np.mean(x[good])) for x in rates])
    told = ", ".join(f"{np.degrees(b):+.2f}" for b in bias)
    return bias, f"gyro bias {told} deg/s from standing still"


def _mean_force(forces: Triple, mask: NDArray[np.bool_]) -> tuple[float, float, float] | None:
    good = mask & np.isfinite(forces[0]) & np.isfinite(forces[1]) & np.isfinite(forces[2])
    if not good.any():
        return None
    return (
        float(np.mean(forces[0][good])),
        float(np.mean(forces[1][good])),
        float(np.mean(forces[2][good])),
    )


def _tilt(
    forces: Triple, still: NDArray[np.bool_], use: NDArray[np.bool_], mount: MountSheet
) -> tuple[float, float, str]:
    """Return roll and pitch of the sensor in the body, with words."""
    everything = np.ones(forces[0].size, dtype=bool)
    flying = _mean_force(forces, use) or _mean_force(forces, everything)
    standing = _mean_force(forces, still)
    seen = levelling_angles(*flying) if flying is not None else (0.0, 0.0)
    told = ""
    if standing is not None:
        ground = levelling_angles(*standing)
        told = (
            f"; standing on the ground it read roll {np.degrees(ground[0]):.1f}, "
            f"pitch {np.degrees(ground[1]):.1f} deg"
        )
    if mount.roll_deg is not None or mount.pitch_deg is not None:
        roll, pitch = mount.roll_deg or 0.0, mount.pitch_deg or 0.0
        return (
            float(np.radians(roll)),
            float(np.radians(pitch)),
            f"roll {roll:.1f}, pitch {pitch:.1f} deg as stated" + told,
        )
    if max(abs(seen[0]), abs(seen[1])) > _GROSS_TILT:
        return (
            seen[0],
            seen[1],
            f"roll {np.degrees(seen[0]):.1f}, pitch {np.degrees(seen[1]):.1f} deg from the mean force"
            " in flight" + told,
        )
    return 0.0, 0.0, "roll and pitch taken as 0 (their zero comes from the glides)" + told


def _lean(turn_rate: Array, airspeed: Array, track: Array | None, rate: float) -> Array:
    """Bank of the apparent vertical: from the turn of the air track, else from that of the unit."""
    turning = turn_rate
    if track is not None:
        good = np.isfinite(track)
        index = np.arange(track.size)
        angle = np.interp(index, index[good], np.unwrap(track[good]))
        turning = np.where(good, np.gradient(angle) * rate, np.nan)
    return coordinated_bank(airspeed, running_mean(turning, 2 * round(0.5 * rate) + 1))


def _with_swing(found: MountYaw, swinging: Swinging) -> MountYaw:
    """Weigh the yaw from turns, good for any angle, with that from swinging, better where it is small."""
    if not np.isfinite(found.yaw):
        return _without_turns(found, swinging)
    swing = swinging.yaw(found.yaw)
    if not np.isfinite(swing.yaw) or abs(swing.yaw) > 3.0 * float(np.hypot(swing.std, found.std)):
        return _without_turns(found, swinging)
    weight = swing.std**-2 / (swing.std**-2 + found.std**-2)
    yaw = float(np.angle(np.exp(1j * (found.yaw + weight * swing.yaw))))
    std = float((swing.std**-2 + found.std**-2) ** -0.5)
    told = f"{np.degrees(yaw):.1f} ± {np.degrees(std):.1f} deg from swinging and turns, gain {found.gain:.2f}"
    return MountYaw(yaw, std, found.gain, told)


def _without_turns(found: MountYaw, swinging: Swinging) -> MountYaw:
    """Return the swing's yaw about the sensor's own axes where the turns are not what they seem.

    A unit on risers that are soft in yaw twists in every turn, and the yaw from turns is off by tens of
    degrees. Their gain shows it; a sensor put on nose ahead then shows a clear swing about its own x axis.
    """
    if np.isfinite(found.yaw) and _GAIN[0] <= found.gain <= _GAIN[1] and found.std < _POOR_TURNS:
        return found
    swing = swinging.yaw()
    if not np.isfinite(swing.yaw) or abs(swing.yaw) > _GROSS_YAW:
        return found
    told = (
        f"{np.degrees(swing.yaw):.1f} ± {np.degrees(swing.std):.1f} deg from swinging, as turns do not tell"
    )
    return MountYaw(swing.yaw, swing.std, found.gain, told)


def _yaw(found: MountYaw, warnings: list[str]) -> tuple[float, float, str]:
    """Weigh a yaw from turns against that of a sensor put on by eye."""
    if not np.isfinite(found.yaw):
        warnings.append(
            f"sensor yaw not found ({found.words}) and taken as 0 ± {np.degrees(_YAW_PRIOR_STD):.0f} deg: "
            "each degree of it puts 1/57 of the change of pitch between glide and power into the hang roll; "
            "state mount_yaw_deg"
        )
        return 0.0, float(_YAW_PRIOR_STD), "yaw taken as 0: " + found.words
    if abs(found.yaw) > max(_GROSS_YAW, 3.0 * found.std):
        warnings.append(
            f"the sensor sits turned in the unit by {found.words}; state mount_yaw_deg to confirm"
        )
        return found.yaw, found.std, f"yaw {found.words}"
    weight = _YAW_PRIOR_STD**2 / (_YAW_PRIOR_STD**2 + found.std**2)
    std = float(np.sqrt(weight) * found.std)
    yaw = float(weight * found.yaw)
    return (
        yaw,
        std,
        (
            f"yaw {np.degrees(yaw):.1f} ± {np.degrees(std):.1f} deg ({found.words}; weighed against 0 ± "
            f"{np.degrees(_YAW_PRIOR_STD):.0f} deg)"
        ),
    )


def _flight_bias(
    turn_rate: Array, track: Array, use: NDArray[np.bool_], rate: float
) -> tuple[float, float, str]:
    """Return what the turn rate has too much over the flight, its uncertainty, and words.

    Over each unbroken stretch, heading and air track turn by the same angle but for the sideslip at both ends
    (5 degrees each).
    """
    ok = use & np.isfinite(track) & np.isfinite(turn_rate)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], ok.astype(np.int8), [0]])))
    excess, duration, variance = 0.0, 0.0, 0.0
    for low, high in zip(edges[::2], edges[1::2], strict=True):
        if high - low < 60 * rate:
            continue
        angle = np.unwrap(track[low:high])
        end = max(2, round(2 * rate))
        turned = float(np.mean(angle[-end:]) - np.mean(angle[:end]))
        part = turn_rate[low + end // 2 : high - end // 2]
        excess += float(np.sum(part) / rate) - turned
        duration += part.size / rate
        variance += 2.0 * np.radians(5.0) ** 2
    if duration < 120.0:
        return float("nan"), float("nan"), ""
    shift, std = excess / duration, float(np.sqrt(variance)) / duration
    if abs(excess) > np.pi * max(1.0, duration / 300.0):
        # a lost turn of the track, rather than a bias
        return float("nan"), float("nan"), ""
    told = (
        f"{np.degrees(shift):+.3f} ± {np.degrees(std):.3f} deg/s more from the air track over "
        f"{duration:.0f} s"
    )
    return shift, std, told


def _bank(
    attitude: Attitude,
    airspeed: Array | None,
    use: NDArray[np.bool_],
    logged: tuple[Array | None, Array | None],
    rate: float,
    strapdown: Strapdown | None,
) -> tuple[Array, Array, str, str]:
    """Choose between the log's attitude and the aided one."""
    aided, nose = "hang roll + atan(V psi_dot / g)", "hang angle"
    if strapdown is not None:
        aided = nose = "gyros, with the change of ground velocity"
    if logged[0] is None:
        return attitude.bank, attitude.pitch, f"{aided}; no attitude in the log", nose
    check = check_logged_bank(logged[0], attitude.hang_roll, airspeed, attitude.turn_rate, use, rate=rate)
    if check.usable:
        pitch = attitude.pitch if logged[1] is None else logged[1]
        return logged[0], pitch, check.words, "log" if logged[1] is not None else nose
    return attitude.bank, attitude.pitch, f"{aided}; {check.words}", nose
