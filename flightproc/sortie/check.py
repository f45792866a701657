"""A check of the instruments from a short recording on the ground, before the sortie."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..readers.recording import Recording, Series
from ..readers.together import best_set, guess_roles
from .check_inertial import FORCES, RATES, check_inertial
from .check_logs import (
    air_lines,
    clock_lines,
    damage_lines,
    engine_lines,
    rate_lines,
    satellite_lines,
    was_carried,
)
from .check_model import LOOK, MEND, READY, CheckLine, InstrumentCheck

if TYPE_CHECKING:
    from ..sheets import AircraftSheet

__all__ = ["check_instruments"]

_SHORT = (30.0, 90.0)  # [s] of recording: mend below, look at below
_ATTITUDE = 2.0  # [deg] between the logged attitude and gravity at rest


def check_instruments(
    recordings: Sequence[Recording], aircraft: AircraftSheet | None = None
) -> InstrumentCheck:
    """Check what the loggers of a sortie recorded in two minutes on the ground.

    Parameters
    ----------
    recordings : sequence of Recording
        One log or several; which is the unit's is told by its channels.
    aircraft : AircraftSheet, optional
        For the engine's lines (gear ratio, blades) and the stated mount.

    Returns
    -------
    InstrumentCheck
        A line for each thing looked at.

    Notes
    -----
    The recording wanted: a minute at rest with the engine off; the unit tilted by hand; then, where that is
    safe, the engine at idle and a little above. Noise is the overlapping Allan deviation over the longest
    stretch at rest; its limits are those with which a hold of a minute is ruled by the air and not by the
    sensor (0.05 degrees of hang roll, 0.05 deg/s).
    """
    roles = guess_roles(recordings)
    unit = roles.index("unit") if "unit" in roles else -1
    choices = best_set(recordings, roles)
    channels = {choice.channel: choice.series for choice in choices}
    shifted = {
        c.channel: _on_clock(c.series, recordings, c.log, unit)
        for c in choices
        if c.channel in (*RATES, *FORCES)
    }
    lines = damage_lines(recordings)
    lines += _length_lines(recordings, unit)
    lines += clock_lines(recordings, roles)
    groups: dict[str, Mapping[str, Series]] = {
        "gyro": _picked(channels, RATES),
        "accelerometer": _picked(channels, FORCES),
        "satellites": _picked(channels, ("latitude",)) or _picked(channels, ("velocity_north",)),
        "engine speed": _picked(channels, ("rpm",)) or _picked(channels, ("propeller_rpm",)),
        "air": _picked(channels, ("pressure",)),
    }
    rates = {line.subject.removesuffix(" rate"): line for line in rate_lines(groups)}
    sensor = None if aircraft is None else aircraft.sensor
    inertial = check_inertial(shifted, sensor, carried=was_carried(channels))
    for what in ("gyro", "accelerometer"):
        if not groups[what]:
            lines.append(_absent(what))
        lines += [rates[what]] if what in rates else []
    lines += inertial.lines
    lines += _attitude_lines(channels, inertial.still, inertial.roll, inertial.pitch)
    lines += satellite_lines(channels, recordings)
    lines += [rates["satellites"]] if "satellites" in rates else []
    lines += engine_lines(channels, recordings, unit, aircraft)
    lines += [rates["engine speed"]] if "engine speed" in rates else []
    lines += air_lines(channels)
    lines += [rates["air"]] if "air" in rates else []
    return InstrumentCheck(tuple(lines), inertial.curves, inertial.still)


def _picked(channels: Mapping[str, Series], names: Sequence[str]) -> dict[str, Series]:
    return {name: channels[name] for name in names if name in channels}


def _on_clock(series: Series, recordings: Sequence[Recording], log: int, unit: int) -> Series:
    """Bring a series of a further file of the unit's logger to the clock of the unit's log."""
    own, base = recordings[log].start_utc, recordings[unit].start_utc if unit >= 0 else None
    if log == unit or own is None or base is None:
        return series
    return replace(series, time=series.time + (own - base))


def _length_lines(recordings: Sequence[Recording], unit: int) -> list[CheckLine]:
    log = recordings[unit] if unit >= 0 else recordings[0]
    start, end = log.span
    length = end - start
    advice = "record two minutes: one at rest with the engine off, then tilt the unit, then run the engine"
    if not math.isfinite(length) or length < _SHORT[0]:
        words = f"{length:.0f} s are too few"
        if not math.isfinite(length):
            words, advice = (
                "nothing is placed in time",
                "flightproc logs shows its fields; a table wants a column of time with its unit: time [s]",
            )
        return [CheckLine("length", MEND, words, advice)]
    status = READY if length >= _SHORT[1] else LOOK
    return [
        CheckLine(
            "length", status, f"{length:.0f} s", "" if status == READY else advice, {"length_s": length}
        )
    ]


def _absent(what: str) -> CheckLine:
    advice = {
        "gyro": "log the gyro of the unit's sensor, all three axes: the turn rate comes from it",
        "accelerometer": "fix an accelerometer firmly to the hung unit and log all three axes at 20 Hz or "
        "more: "
        "hang roll, the main observation, comes from it",
    }[what]
    return CheckLine(what, MEND, "not in any log", advice)


def _attitude_lines(
    channels: Mapping[str, Series], still: tuple[float, float] | None, roll: float, pitch: float
) -> list[CheckLine]:
    """Set the logged attitude against gravity at rest."""
    if "bank" not in channels or "pitch" not in channels or still is None or not math.isfinite(roll):
        return []
    off = []
    for name, level in (("bank", roll), ("pitch", pitch)):
        series = channels[name]
        use = (series.time >= still[0]) & (series.time <= still[1]) & np.isfinite(series.values)
        if not use.any():
            return []
        values = series.values[use]
        mean = math.atan2(float(np.mean(np.sin(values))), float(np.mean(np.cos(values))))
        off.append(math.degrees(math.atan2(math.sin(mean - level), math.cos(mean - level))))
    words = f"bank and pitch differ from gravity by {off[0]:+.1f} and {off[1]:+.1f} deg at rest"
    numbers = {"bank_off_deg": off[0], "pitch_off_deg": off[1]}
    if max(abs(x) for x in off) <= _ATTITUDE:
        return [CheckLine("attitude", READY, words, "", numbers)]
    return [
        CheckLine(
            "attitude",
            LOOK,
            words,
            "calibrate or level the attitude filter, or let it settle before take-off; hang roll itself "
            "does not "
            "need it",
            numbers,
        )
    ]
