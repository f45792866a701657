"""Gyro and accelerometer of a ground recording: alive, in scale, quiet, and how they are mounted."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..readers.recording import Series
from ..statistics.allan import AllanCurve, overlapping_allan, white_noise_density
from .check_model import LOOK, MEND, READY, CheckLine
from .grid import running_mean, to_grid
from .mount import levelling_angles
from .phases import still_stretches
from .spectrum import even_samples

if TYPE_CHECKING:
    from ..sheets.aircraft import SensorEntry

__all__ = ["FORCES", "RATES", "Inertial", "alive_lines", "check_inertial"]

Array = NDArray[np.float64]

RATES = ("roll_rate", "pitch_rate", "yaw_rate")
FORCES = ("specific_force_x", "specific_force_y", "specific_force_z")

_GRID = 25.0  # [Hz] on which rest and tilting are looked for
_SHORT_STILL = 30.0  # [s] at rest below which noise cannot be told
_NOISE_TAU = 20.0  # [s]
_GYRO_NOISE = (0.05, 0.2)  # [deg/s] at 20 s: ready, mend
_TILT_NOISE = (0.05, 0.2)  # [deg] at 20 s, as a tilt: ready, mend
_GYRO_BIAS = (1.0, 5.0)  # [deg/s]
_GRAVITY = (0.015, 0.05)  # relative
_STUCK = 2.0  # [s] without a change while the sensor's other axes change
_COARSE = 5  # values at rest below which the steps of the sensor hide its noise
_CLIPPED = 3  # equal samples in succession at an extreme
_TILTED = 0.05  # [rad] in a second that counts as tilting
_TILTS = 5  # [s] of tilting from which the gyro's scale can be told
_AGREE = 0.1  # relative difference of the gyro's scale
_FACTORS = {0.125: "1/8", 0.25: "1/4", 0.5: "half", 2.0: "twice", 4.0: "4 times", 8.0: "8 times"}


@dataclass(frozen=True)
class Inertial:
    """What the inertial sensor was found to do.

    Attributes
    ----------
    lines : tuple of CheckLine
        What was looked at.
    curves : mapping of str to AllanCurve
        By channel.
    still : tuple of (float, float) or None
        Longest stretch at rest [s].
    roll, pitch : float
        Of the sensor to gravity at rest [rad]; NaN where it is not known.
    """

    lines: tuple[CheckLine, ...]
    curves: Mapping[str, AllanCurve]
    still: tuple[float, float] | None
    roll: float
    pitch: float


def check_inertial(
    series: Mapping[str, Series], sensor: SensorEntry | None = None, *, carried: bool = False
) -> Inertial:
    """Check gyro and accelerometer.

    Parameters
    ----------
    series : mapping of str to Series
        Those of the six channels that there are, on one clock.
    sensor : SensorEntry, optional
        The mount as the aircraft sheet states it.
    carried : bool
        Whether the unit went places: in turns the force is not gravity, and tells nothing of the gyro.
    """
    lines: list[CheckLine] = []
    gyro = {name: series[name] for name in RATES if name in series}
    force = {name: series[name] for name in FORCES if name in series}
    for what, group in (("gyro", gyro), ("accelerometer", force)):
        lines += alive_lines(what, group)
    nan = float("nan")
    if not series:
        return Inertial(tuple(lines), {}, None, nan, nan)
    grid = _grid(series)
    still = None if grid is None else _still(grid)
    roll = pitch = nan
    curves: dict[str, AllanCurve] = {}
    if still is None:
        lines.append(
            CheckLine(
                "rest",
                MEND,
                "the sensor is nowhere at rest for 10 s",
                "record a minute with the engine off and nobody touching the unit, out of the wind. If it "
                "did "
                "stand still, the sensor is far too noisy or in the wrong unit",
            )
        )
    else:
        lines.append(_rest_line(still))
        curves = _curves(series, still)
    means = {name: _mean(s, still) for name, s in series.items()}
    if len(force) == 3:
        lines.append(_gravity_line([means[name] for name in FORCES], still is not None))
        if still is not None:
            roll, pitch = levelling_angles(*(means[name] for name in FORCES))
            lines.append(_mount_line(roll, pitch, sensor))
    if gyro and still is not None:
        lines.append(_bias_line([means[name] for name in gyro]))
    if curves:
        lines += _noise_lines(curves)
    if grid is not None and len(gyro) == 3 and len(force) == 3 and not carried:
        lines.append(_scale_line(grid))
    return Inertial(tuple(lines), curves, still, roll, pitch)


# Alive ------------------------------------------------------------------------------------------------------


def alive_lines(what: str, group: Mapping[str, Series]) -> list[CheckLine]:
    """Return what a sensor's axes say of being alive: dead, stuck, coarse, clipped, or sound."""
    if not group:
        return []
    out: list[CheckLine] = []
    changing = {name: bool(np.ptp(_known(s)) > 0.0) if _known(s).size else False for name, s in group.items()}
    for name, one in group.items():
        values = _known(one)
        if not values.size:
            out.append(
                CheckLine(what, MEND, f"{name} holds no value", "look at the logger's setting for this axis")
            )
        elif not changing[name]:
            state = "dead: always 0" if values[0] == 0.0 else f"stuck at {values[0]:.4g}"
            out.append(
                CheckLine(
                    what,
                    MEND,
                    f"{name} is {state}",
                    "power the sensor off and on, look at its wiring and setting; replace it if it stays so",
                )
            )
        else:
            out += _stuck(what, name, one, others=sum(changing.values()) > 1)
            out += _clipped(what, name, values)
    if not out:
        count = len(group)
        if count == 3:
            out.append(CheckLine(what, READY, "all three axes are alive"))
        else:
            out.append(
                CheckLine(
                    what, MEND, f"only {count} of three axes are logged", "log all three axes of the sensor"
                )
            )
    return out


def _known(series: Series) -> Array:
    return series.values[np.isfinite(series.values)]


def _stuck(what: str, name: str, series: Series, *, others: bool) -> list[CheckLine]:
    """Tell a stretch without any change, and steps too coarse to average."""
    good = np.isfinite(series.values)
    time, values = series.time[good], series.values[good]
    levels = np.unique(values).size
    if levels < _COARSE:
        step = float(np.min(np.diff(np.unique(values))))
        return [
            CheckLine(
                what,
                LOOK,
                f"{name} takes only {levels} values, {step:.3g} apart",
                "log with more digits, or set a smaller range: steps wider than the noise do not average out",
            )
        ]
    edges = np.flatnonzero(np.diff(values) != 0.0)
    starts = np.concatenate([[0], edges + 1])
    ends = np.concatenate([edges, [values.size - 1]])
    held = time[ends] - time[starts]
    longest = int(np.argmax(held))
    usual = float(np.median(np.delete(held, longest)))
    if (
        others
        and held[longest] > _STUCK
        and held[longest] > 20.0 * usual
        and ends[longest] > starts[longest] + 9
    ):
        return [
            CheckLine(
                what,
                MEND,
                f"{name} stuck at {values[starts[longest]]:.4g} for {held[longest]:.1f} s from "
                f"{time[starts[longest]]:.0f} s on",
                "look at the sensor's wiring and supply; a sensor that stops once stops in flight",
                {"stuck_s": float(held[longest])},
            )
        ]
    return []


def _clipped(what: str, name: str, values: Array) -> list[CheckLine]:
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    for extreme in (float(values.max()), float(values.min())):
        at = values == extreme
        runs = np.diff(np.flatnonzero(np.diff(np.concatenate([[0], at.astype(np.int8), [0]]))))[::2]
        if at.sum() >= 5 and runs.max() >= _CLIPPED and abs(extreme - middle) > 6.0 * max(spread, 1e-9):
            return [
                CheckLine(
                    what,
                    MEND,
                    f"{name} is cut off at {extreme:.4g}, {int(at.sum())} times",
                    "set a larger range, or mount the sensor softer: cut-off vibration shifts the mean",
                )
            ]
    return []


# At rest ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Grid:
    start: float
    rate: float
    rates: tuple[Array, Array, Array] | None
    forces: tuple[Array, Array, Array] | None


def _grid(series: Mapping[str, Series]) -> _Grid | None:
    """Bring all axes to one grid, averaged, with spread kept for those sampled faster."""
    usable = {n: s for n, s in series.items() if _known(s).size > 20}
    if not usable:
        return None
    rate = min(_GRID, *(s.rate_hz for s in usable.values()))
    start = max(float(s.time[0]) for s in usable.values())
    end = min(float(s.time[-1]) for s in usable.values())
    if not rate > 0.0 or end - start < 5.0:
        return None
    time = start + np.arange(int((end - start) * rate)) / rate

    def group(names: tuple[str, str, str]) -> tuple[Array, Array, Array] | None:
        if not all(n in usable for n in names):
            return None
        a, b, c = (to_grid(usable[n].time, usable[n].values, time)[0] for n in names)
        return a, b, c

    return _Grid(start, rate, group(RATES), group(FORCES))


def _still(grid: _Grid) -> tuple[float, float] | None:
    some = grid.rates or grid.forces
    if some is None:
        return None
    nothing = np.zeros(some[0].size)
    blank = (nothing, nothing, nothing)
    found = still_stretches(grid.rates or blank, grid.forces or blank, None, grid.rate)
    longest = max(found, key=lambda span: span[1] - span[0], default=(0.0, 0.0))
    if longest[1] - longest[0] < 9.0:
        return None
    return grid.start + longest[0], grid.start + longest[1]


def _rest_line(still: tuple[float, float]) -> CheckLine:
    length = still[1] - still[0]
    words = f"{length:.0f} s at rest, from {still[0]:.0f} to {still[1]:.0f} s of the unit's log"
    numbers = {"rest_s": length}
    if length < _SHORT_STILL:
        return CheckLine(
            "rest",
            LOOK,
            words,
            "stand still for a minute, engine off: noise cannot be told from less",
            numbers,
        )
    return CheckLine("rest", READY, words, "", numbers)


def _within(series: Series, still: tuple[float, float] | None) -> Series:
    if still is None:
        return series
    use = (series.time >= still[0]) & (series.time <= still[1])
    return Series(series.channel, series.time[use], series.values[use], series.source, series.derived)


def _mean(series: Series, still: tuple[float, float] | None) -> float:
    values = _known(_within(series, still))
    return float(np.mean(values)) if values.size else float("nan")


def _gravity_line(means: list[float], at_rest: bool) -> CheckLine:
    size = math.sqrt(sum(m * m for m in means))
    ratio = size / GRAVITY
    subject, numbers = "gravity", {"gravity_m_s2": size}
    words = f"the accelerometer reads {size:.3f} m/s^2" + (" at rest" if at_rest else " on average")
    if not math.isfinite(size):
        return CheckLine(subject, MEND, "the accelerometer has no mean", "see its axes above")
    off = abs(ratio - 1.0)
    if off <= _GRAVITY[0]:
        return CheckLine(subject, READY, words, "", numbers)
    if off <= _GRAVITY[1]:
        return CheckLine(
            subject, LOOK, f"{words}, {100 * (ratio - 1):+.1f} % off", "calibrate the accelerometer", numbers
        )
    advice = "calibrate the accelerometer, or look at its range and unit"
    if abs(ratio * GRAVITY - 1.0) < 0.06:
        advice = "it is logged in g: state its unit as g in [logs.columns], or set the logger to m/s^2"
    elif ratio < 0.1:
        advice = (
            "gravity is taken off: log the accelerometer itself, not linear or free acceleration, since hang "
            "roll is read from gravity"
        )
    for factor, name in _FACTORS.items():
        if abs(ratio / factor - 1.0) < 0.06:
            advice = f"it reads {name} what it should: the range set in the logger is not that of the sensor"
    return CheckLine(subject, MEND, f"{words}, {ratio:.3g} times what it should be", advice, numbers)


def _mount_line(roll: float, pitch: float, sensor: SensorEntry | None) -> CheckLine:
    r, p = math.degrees(roll), math.degrees(pitch)
    words = f"roll {r:+.1f} deg, pitch {p:+.1f} deg against gravity; yaw is not seen at rest"
    numbers = {"mount_roll_deg": r, "mount_pitch_deg": p}
    stated = (None, None) if sensor is None else (sensor.mount_roll_deg, sensor.mount_pitch_deg)
    apart = [abs(a - b) for a, b in zip((r, p), stated, strict=True) if b is not None]
    if apart and max(apart) > 5.0:
        return CheckLine(
            "mount",
            LOOK,
            f"{words}; the aircraft sheet states {stated[0]} and {stated[1]}",
            "measure mount_roll_deg and mount_pitch_deg again with the unit upright as it hangs, or hang it",
            numbers,
        )
    if abs(r) > 45.0 or abs(p) > 60.0:
        what = "upside down" if abs(r) > 135.0 else "on its side"
        return CheckLine(
            "mount",
            READY if apart else LOOK,
            f"{words}: the sensor sits {what}, or its axes have other signs",
            ""
            if apart
            else "turn it x forward, y right, z down, or state mount_roll_deg, mount_pitch_deg and "
            "mount_yaw_deg in [sensor]",
            numbers,
        )
    return CheckLine("mount", READY, words, "", numbers)


def _bias_line(means: list[float]) -> CheckLine:
    bias = [math.degrees(m) for m in means]
    worst = max(abs(b) for b in bias)
    words = "reads " + ", ".join(f"{b:+.2f}" for b in bias) + " deg/s at rest"
    numbers = {"gyro_bias_deg_s": worst}
    if worst <= _GYRO_BIAS[0]:
        return CheckLine("gyro zero", READY, words, "", numbers)
    if worst <= _GYRO_BIAS[1]:
        return CheckLine(
            "gyro zero",
            LOOK,
            words,
            "let it warm up and calibrate it; stand still for 20 s before take-off and after landing, so "
            "that the "
            "zero can be taken off",
            numbers,
        )
    return CheckLine(
        "gyro zero", MEND, words, "calibrate the gyro at rest, or look at its unit and range", numbers
    )


def _curves(series: Mapping[str, Series], still: tuple[float, float]) -> dict[str, AllanCurve]:
    out = {}
    for name, one in series.items():
        even = even_samples(_within(one, still))
        if even is None:
            continue
        values = even.samples.astype(float)
        good = np.isfinite(values)
        if good.mean() < 0.95 or np.ptp(values[good]) == 0.0:
            continue
        place = np.arange(values.size)
        out[name] = overlapping_allan(np.interp(place, place[good], values[good]), even.rate)
    return out


def _noise_lines(curves: Mapping[str, AllanCurve]) -> list[CheckLine]:
    lines = []
    for subject, names, factor, unit, limits in (
        ("gyro noise", RATES, math.degrees(1.0), "deg/s", _GYRO_NOISE),
        ("accelerometer noise", FORCES[1:2], math.degrees(1.0) / GRAVITY, "deg of tilt", _TILT_NOISE),
    ):
        group = [curves[name] for name in names if name in curves]
        if not group:
            continue
        tau = min(_NOISE_TAU, *(float(c.tau[-1]) for c in group))
        worst = factor * max(c.at(tau) for c in group)
        white = factor * max(white_noise_density(c) for c in group)
        floor = factor * max(float(np.min(c.deviation)) for c in group)
        words = f"Allan deviation {worst:.2g} {unit} over {tau:.3g} s, white part {white:.2g} {unit}/√Hz"
        name = "deg_s" if unit == "deg/s" else "tilt_deg"
        numbers = {
            "tau_s": tau,
            f"allan_{name}": worst,
            f"white_{name}_sqrt_s": white,
            f"floor_{name}": floor,
        }
        # over a shorter time the limits are those of white noise
        scale = math.sqrt(_NOISE_TAU / tau)
        if worst <= limits[0] * scale:
            lines.append(CheckLine(subject, READY, words, "", numbers))
            continue
        lines.append(
            CheckLine(
                subject,
                LOOK if worst <= limits[1] * scale else MEND,
                words,
                "keep wind and hands off and record again; if it stays, mount the sensor firmly away from "
                "cables "
                "and heat, let it warm up, use its low-pass filter, or take a better sensor",
                numbers,
            )
        )
    return lines


# Moved by hand ----------------------------------------------------------------------------------------------


def _scale_line(grid: _Grid) -> CheckLine:
    """Set the gyro against the way gravity turns in the sensor while it is tilted by hand."""
    subject = "gyro scale"
    assert grid.rates is not None and grid.forces is not None
    size = max(1, round(grid.rate))
    smooth = max(1, round(0.3 * grid.rate) // 2 * 2 + 1)
    force = np.vstack([running_mean(f, smooth) for f in grid.forces])
    rate = np.vstack(grid.rates)
    norm = np.sqrt(np.sum(force**2, axis=0))
    with np.errstate(invalid="ignore", divide="ignore"):
        down = force / norm
    turned = -np.cross(rate.T, down.T).T / grid.rate
    sums = np.cumsum(np.nan_to_num(turned), axis=1)
    seen = down[:, size:] - down[:, :-size]
    told = sums[:, size:] - sums[:, :-size]
    usual = float(np.nanmedian(norm))
    calm = np.abs(norm / usual - 1.0) < 0.1
    use = calm[size:] & calm[:-size] & np.all(np.isfinite(seen), axis=0)
    use &= np.maximum(np.sum(seen**2, axis=0), np.sum(told**2, axis=0)) > _TILTED**2
    seconds = float(use.sum() / grid.rate)
    if seconds < _TILTS:
        return CheckLine(
            subject,
            LOOK,
            "the unit was not tilted, so scale and signs of the gyro are not checked",
            "tilt it by hand by 20 degrees, slowly, left and right, then fore and aft, in the recording",
        )
    s, t = seen[:, use].ravel(), told[:, use].ravel()
    both = float(s @ t)
    agreement = both / math.sqrt(max(float(s @ s) * float(t @ t), 1e-30))
    # total scale: both have noise
    ratio = math.copysign(math.sqrt(float(t @ t) / max(float(s @ s), 1e-30)), both)
    numbers = {"gyro_scale": ratio, "agreement": agreement}
    words = f"turns {ratio:.3g} times as far as gravity does while it is tilted ({seconds:.0f} s)"
    if abs(agreement) < 0.6:
        tiny = abs(ratio) < 0.1
        return CheckLine(
            subject,
            MEND,
            f"gyro and accelerometer do not turn alike (agreement {agreement:.2f}, size {abs(ratio):.2g})",
            "the gyro hardly moves: look at its unit (rad/s, deg/s) and its wiring"
            if tiny
            else "an axis is swapped or has the wrong sign: hold the axes against docs/conventions.md and "
            "set "
            "sign = -1 or other columns in the sheet",
            numbers,
        )
    if ratio < 0.0:
        return CheckLine(
            subject,
            MEND,
            words,
            "gyro and accelerometer have opposite signs: positive roll is right side down, positive pitch "
            "nose up; "
            "at rest specific force is -9.81 m/s^2 along z. Set sign = -1 in the sheet",
            numbers,
        )
    if abs(ratio - 1.0) <= _AGREE:
        return CheckLine(subject, READY, words, "", numbers)
    advice = "calibrate the gyro, or look at its range and unit"
    if abs(ratio / math.degrees(1.0) - 1.0) < 0.15:
        advice = "it is logged in deg/s and taken for rad/s: state its unit in [logs.columns]"
    elif abs(ratio * math.degrees(1.0) - 1.0) < 0.15:
        advice = "it is logged in rad/s and taken for deg/s: state its unit in [logs.columns]"
    for factor, name in _FACTORS.items():
        if abs(ratio / factor - 1.0) < 0.12:
            advice = f"it reads {name} what it should: the range set in the logger is not that of the sensor"
    return CheckLine(subject, MEND, words, advice, numbers)
