"""Rates, gaps, clocks, satellites, engine speed and air of a ground recording."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..readers.recording import Recording, Series, Waveform
from ..readers.summary import summarise
from .check_model import LOOK, MEND, READY, CheckLine

if TYPE_CHECKING:
    from ..sheets import AircraftSheet
    from .ridge import RpmTrack

__all__ = [
    "air_lines",
    "clock_lines",
    "damage_lines",
    "engine_lines",
    "rate_lines",
    "satellite_lines",
    "was_carried",
]

_RATES = {  # [Hz]: ready from, mend below
    "gyro": (20.0, 10.0),
    "accelerometer": (20.0, 10.0),
    "satellites": (0.9, 0.4),
    "engine speed": (1.0, 0.2),
    "air": (0.5, 0.1),
}
_MISSING = (0.005, 0.05)  # share of samples: look at, mend
_GAP = {"gyro": (0.5, 3.0), "accelerometer": (0.5, 3.0)}  # [s]
_SLOW_GAP = (5.0, 20.0)  # [s]
_YEARS = (2015, 2099)  # outside which a clock was not set
_EARTH = 6371008.8  # [m]
_SCATTER = (5.0, 20.0)  # [m] of 95 % of the fixes about their middle
_AT_REST = 0.5  # [m/s] over ground
_MOVED = 2.0  # [m/s] from which the receiver was carried about
_LATE_FIX = 30.0  # [s]
_RUNNING = 300.0  # [1/min]
_FASTEST = 12_000.0  # [1/min] beyond which pulses are counted wrongly
_SAME_SPEED = 0.04  # relative difference of two engine speeds that agree


def damage_lines(recordings: Sequence[Recording]) -> list[CheckLine]:
    """Tell what was lost while reading, one line a log."""
    out = []
    for log in recordings:
        name = Path(log.path).name
        start, end = log.span
        length = f"{log.format}, {end - start:.0f} s" if end == end else log.format
        if not log.damage:
            out.append(CheckLine(f"log {name}", READY, f"{length}, read in full"))
            continue
        first = log.damage[0]
        more = f", and {len(log.damage) - 1} more" if len(log.damage) > 1 else ""
        cut = any(d.code in {"cut", "corrupt"} for d in log.damage)
        out.append(
            CheckLine(
                f"log {name}",
                LOOK,
                f"{length}; {first.code}, {first.where}: {first.what}{more}",
                "stop the logger before its power is cut, and copy the file again; a slow or worn card "
                "drops data"
                if cut
                else "flightproc logs shows all of it",
            )
        )
    return out


def rate_lines(groups: Mapping[str, Mapping[str, Series]]) -> list[CheckLine]:
    """Judge sampling rates and gaps, one line a sensor."""
    out = []
    for what, group in groups.items():
        if not group:
            continue
        ready, least = _RATES[what]
        numbers = [summarise(series) for series in group.values()]
        rate = min(n.rate_hz for n in numbers)
        missing = max(n.missing for n in numbers)
        gap = max(n.longest_gap for n in numbers)
        gaps = max(n.gaps for n in numbers)
        look_gap, mend_gap = _GAP.get(what, _SLOW_GAP)
        words = f"{rate:.3g} Hz"
        words += f", {gaps} gap{'s' if gaps > 1 else ''}, the longest {gap:.2g} s" if gaps else ", no gap"
        words += f", {100 * missing:.1f} % missing" if missing else ""
        status, advice = READY, []
        if not rate >= ready:
            status = LOOK if rate >= least else MEND
            advice.append(f"set the logger to {ready:.3g} Hz or more")
        if missing > _MISSING[0] or gap > look_gap:
            worse = missing > _MISSING[1] or gap > mend_gap
            status = MEND if worse or status == MEND else LOOK
            advice.append(
                "clear sky, aerial up, wait for the fix before logging"
                if what == "satellites"
                else "log fewer fields or to a faster card, and look at plugs and supply"
            )
        out.append(
            CheckLine(
                f"{what} rate",
                status,
                words,
                "; ".join(advice),
                {"rate_hz": rate, "longest_gap_s": gap, "missing": missing},
            )
        )
    return out


# Clocks -----------------------------------------------------------------------------------------------------


def clock_lines(recordings: Sequence[Recording], roles: Sequence[str]) -> list[CheckLine]:
    """Tell which logs know UTC, and whether they overlap."""
    out = []
    spans: dict[int, tuple[float, float]] = {}
    for k, log in enumerate(recordings):
        name, (start, end) = Path(log.path).name, log.span
        if log.start_utc is None or start != start:
            continue
        try:
            date = datetime.fromtimestamp(log.start_utc + start, UTC)
        except (OverflowError, OSError, ValueError):
            date = datetime(1, 1, 1, tzinfo=UTC)
        words = f"{name} begins at {date:%Y-%m-%d %H:%M:%S} UTC"
        if not _YEARS[0] <= date.year <= _YEARS[1]:
            out.append(
                CheckLine(
                    "clock",
                    MEND,
                    f"{words}: its clock was not set",
                    "set the logger's clock, or wait for the satellites' time before it starts to log; in "
                    "the "
                    "sheet, clock_offset_s puts it right",
                )
            )
            continue
        spans[k] = (log.start_utc + start, log.start_utc + end)
        out.append(CheckLine("clock", READY, words))
    if len(recordings) == 1:
        if not spans and not out:
            out.append(
                CheckLine(
                    "clock", READY, "one log, one clock; UTC is not known (notes and ballast go by seconds)"
                )
            )
        return out
    unknown = [k for k, log in enumerate(recordings) if log.start_utc is None and log.span[0] == log.span[0]]
    if unknown:
        names = ", ".join(Path(recordings[k].path).name for k in unknown)
        out.append(
            CheckLine(
                "clock",
                LOOK,
                f"no UTC in {names}",
                "its clock will be found from what the logs have in common: start all loggers together, "
                "blip the "
                "throttle three times, fly three quick turns; or note clock_offset_s",
            )
        )
    base = roles.index("unit") if "unit" in roles else 0
    for k, (first, last) in spans.items():
        if k != base and base in spans:
            common = min(last, spans[base][1]) - max(first, spans[base][0])
            if common <= 0.0:
                out.append(
                    CheckLine(
                        "clock",
                        MEND,
                        f"{Path(recordings[k].path).name} and {Path(recordings[base].path).name} share no "
                        f"time "
                        f"({-common:.0f} s apart by UTC)",
                        "look at time zone and date of both loggers, or check logs of one and the same "
                        "recording",
                        {"apart_s": -common},
                    )
                )
    return out


# Satellites -------------------------------------------------------------------------------------------------


def satellite_lines(channels: Mapping[str, Series], recordings: Sequence[Recording]) -> list[CheckLine]:
    """Tell whether there is a fix, how soon, and how far it wanders at rest."""
    subject = "satellites"
    latitude, longitude = channels.get("latitude"), channels.get("longitude")
    velocity = channels.get("velocity_north") or channels.get("ground_speed")
    if latitude is None or longitude is None:
        # readers turn down positions that are zero throughout, and say so
        if any("latitude" in f"{d.where} {d.what}" for log in recordings for d in log.damage):
            return [_no_fix()]
        if velocity is not None:
            return [CheckLine(subject, READY, "ground velocity is logged, positions are not")]
        return [
            CheckLine(
                subject,
                MEND,
                "no position or ground velocity in any log",
                "carry a GPS logger at 1 Hz or faster, or log that of the unit: wind and airspeed come "
                "from it",
            )
        ]
    lon = np.interp(latitude.time, longitude.time, longitude.values)
    lat = latitude.values
    fixed = np.isfinite(lat) & np.isfinite(lon) & ((np.abs(lat) > 1e-7) | (np.abs(lon) > 1e-7))
    if not fixed.any():
        return [_no_fix()]
    late = float(latitude.time[np.argmax(fixed)] - latitude.time[0])
    share = float(fixed.mean())
    north = (lat[fixed] - np.median(lat[fixed])) * _EARTH
    east = (lon[fixed] - np.median(lon[fixed])) * _EARTH * math.cos(float(np.median(lat[fixed])))
    scatter = float(np.quantile(np.hypot(north, east), 0.95))
    speed = _speed(channels)
    words = f"fix in {100 * share:.0f} % of the samples, 95 % of them within {scatter:.1f} m"
    words += f", {speed:.2f} m/s over ground" if math.isfinite(speed) else ""
    numbers = {"fix_share": share, "scatter_m": scatter, "late_s": late}
    if math.isfinite(speed):
        numbers["speed_m_s"] = speed
    if was_carried(channels):
        return [
            CheckLine(
                subject,
                LOOK,
                f"{words}: it moved",
                "record the check at rest, outside, under open sky",
                numbers,
            )
        ]
    status, advice = READY, []
    if late > _LATE_FIX or share < 0.9:
        status = LOOK if share > 0.5 else MEND
        advice.append(f"first fix after {late:.0f} s: switch on early and wait for it before take-off")
    if scatter > _SCATTER[0]:
        status = MEND if scatter > _SCATTER[1] or status == MEND else LOOK
        advice.append("the position wanders: open sky, aerial on top and clear of metal and of the engine")
    if math.isfinite(speed) and speed > _AT_REST:
        status = MEND if status == MEND else LOOK
        advice.append("speed at rest should be near zero")
    return [CheckLine(subject, status, words, "; ".join(advice), numbers)]


def _no_fix() -> CheckLine:
    return CheckLine(
        "satellites",
        MEND,
        "no fix: positions are missing or zero throughout",
        "go out under open sky, wait some minutes, look at the aerial and its plug",
    )


def was_carried(channels: Mapping[str, Series]) -> bool:
    """Return whether the receiver went places, a tenth of the time or more."""
    return _speed(channels, 0.9) > _MOVED


def _speed(channels: Mapping[str, Series], share: float = 0.5) -> float:
    """Return the median, or another quantile, of the speed over ground [m/s], measured where it was."""
    speed = channels.get("ground_speed")
    if speed is not None and not speed.derived:
        values = speed.values
    elif "velocity_north" in channels and "velocity_east" in channels:
        north, east = channels["velocity_north"], channels["velocity_east"]
        values = np.hypot(north.values, np.interp(north.time, east.time, east.values))
        if north.derived:
            # positions a second apart jitter: their slow part is what moves
            size = max(1, round(10.0 * north.rate_hz)) if math.isfinite(north.rate_hz) else 1
            count = north.values.size // size
            if count:
                slow = [
                    np.nanmean(x.values[: count * size].reshape(count, size), axis=1) for x in (north, north)
                ]
                other = np.interp(north.time, east.time, east.values)[: count * size].reshape(count, size)
                values = np.hypot(slow[0], np.nanmean(other, axis=1))
    else:
        return float("nan")
    known = values[np.isfinite(values)]
    return float(np.quantile(known, share)) if known.size else float("nan")


# Engine -----------------------------------------------------------------------------------------------------


def engine_lines(
    channels: Mapping[str, Series], recordings: Sequence[Recording], unit: int, aircraft: AircraftSheet | None
) -> list[CheckLine]:
    """Tell whether engine speed is logged, or its line is heard or felt, and whether both agree."""
    subject = "engine speed"
    logged = channels.get("rpm") or channels.get("propeller_rpm")
    heard, where = _waveforms(recordings, unit)
    if logged is not None:
        line, speed = _logged_line(logged)
        track = None
        if math.isfinite(speed) and heard and aircraft is not None:
            track = _track(heard, aircraft)
        if track is None or not track.found:
            return [line]
        gear = 1.0
        if aircraft is not None and "rpm" not in channels:
            gear = aircraft.engine.gear_ratio
        return [line, _agreement_line(speed * gear, track, where)]
    if not heard:
        return [
            CheckLine(
                subject,
                MEND,
                "no engine speed in any log, no sound, and no inertial sensor of 80 Hz or more to feel it "
                "with",
                "log rpm from the ignition lead or a propeller sensor, carry a sound recorder, or log the "
                "inertial sensor at 100 Hz or more",
            )
        ]
    if aircraft is None:
        return [
            CheckLine(
                subject,
                LOOK,
                f"not logged; it may be found from {where}",
                "give --aircraft AIRCRAFT.toml (gear ratio, blades) and run the engine for 30 s of the "
                "recording",
            )
        ]
    track = _track(heard, aircraft)
    if not track.found:
        refused = [s.refused for s in track.stretches if s.refused]
        return [
            CheckLine(
                subject,
                LOOK,
                f"not logged, and no line of an engine in {where}" + (f" ({refused[0]})" if refused else ""),
                "run the engine for 30 s of the recording, at idle and a little above. If it ran: a "
                "recorder nearer "
                "to the exhaust, a higher sampling rate, the sensor fixed more firmly",
            )
        ]
    on = track.rpm[np.isfinite(track.rpm)]
    step = float(track.time[1] - track.time[0])
    low, high = float(np.quantile(on, 0.02)), float(np.quantile(on, 0.98))
    std = float(np.nanmedian(track.std))
    return [
        CheckLine(
            subject,
            READY,
            f"its line is seen in {where} for {on.size * step:.0f} s, {low:.0f} to {high:.0f} rpm, ± "
            f"{std:.0f}",
            "",
            {"seen_s": on.size * step, "low_rpm": low, "high_rpm": high, "std_rpm": std},
        )
    ]


def _waveforms(recordings: Sequence[Recording], unit: int) -> tuple[list[Waveform], str]:
    from .engine_rpm import vibration_waveforms

    for log in recordings:
        if log.waveforms:
            return list(log.waveforms), f"the sound of {Path(log.path).name}"
    if unit >= 0:
        felt = vibration_waveforms(recordings[unit])
        if felt:
            return felt, f"the vibration in {Path(recordings[unit].path).name}"
    return [], ""


def _track(heard: Sequence[Waveform], aircraft: AircraftSheet) -> RpmTrack:
    from .ridge import track_rpm

    engine = aircraft.engine
    low = 1200.0 if engine.idle_rpm is None else max(500.0, 0.75 * engine.idle_rpm)
    return track_rpm(heard, engine.gear_ratio, aircraft.propeller.blades, engine.firing_per_rev, low=low)


def _logged_line(series: Series) -> tuple[CheckLine, float]:
    subject, nan = "engine speed", float("nan")
    values = series.values[np.isfinite(series.values)]
    running = values[values > _RUNNING]
    if not running.size:
        return (
            CheckLine(
                subject,
                LOOK,
                f"{series.source} reads {0 if not values.size else float(np.max(values)):.0f} at most",
                "run the engine for 30 s of the recording. If it ran: the sensor counts no pulses; look at "
                "the lead, "
                "the magnet and the gap",
            ),
            nan,
        )
    middle = float(np.median(running))
    numbers = {"median_rpm": middle, "low_rpm": float(running.min()), "high_rpm": float(running.max())}
    words = f"{series.source}: {running.min():.0f} to {running.max():.0f} rpm"
    if np.ptp(values) == 0.0:
        return (
            CheckLine(subject, MEND, f"{series.source} is stuck at {values[0]:.0f}", "look at the sensor"),
            nan,
        )
    if middle > _FASTEST:
        return (
            CheckLine(
                subject,
                MEND,
                f"{words}, which no engine of this kind turns",
                "set the number of pulses a turn in the logger, or state the column's unit",
                numbers,
            ),
            nan,
        )
    both = (values[:-1] > _RUNNING) & (values[1:] > _RUNNING)
    jumps = float(np.mean(np.abs(np.diff(values))[both] > 0.3 * values[:-1][both])) if both.any() else 0.0
    first, last = np.flatnonzero(values > _RUNNING)[[0, -1]]
    within = values[first : last + 1] <= _RUNNING
    lost = float(np.mean(within & _brief(within, series.rate_hz)))
    if jumps > 0.01 or lost > 0.01:
        return (
            CheckLine(
                subject,
                LOOK,
                f"{words}; {100 * jumps:.1f} % of the samples leap, {100 * lost:.1f} % drop out",
                "stray or missed pulses: a screened lead away from the ignition, the gap of the sensor, its "
                "clamp",
                numbers | {"leaps": jumps, "lost": lost},
            ),
            middle,
        )
    return CheckLine(subject, READY, words, "", numbers), middle


def _brief(mask: NDArray[np.bool_], rate: float) -> NDArray[np.bool_]:
    """Mark stretches of a mask that last less than 2 s."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    out = np.zeros(mask.size, dtype=bool)
    most = 2.0 * rate if math.isfinite(rate) else 2.0
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        if end - start < most:
            out[start:end] = True
    return out


def _agreement_line(logged: float, track: RpmTrack, where: str) -> CheckLine:
    seen = float(np.nanmedian(track.rpm))
    ratio = logged / seen
    words = f"logged {logged:.0f} rpm against {seen:.0f} in {where} (medians while it runs)"
    numbers = {"logged_rpm": logged, "seen_rpm": seen}
    if abs(ratio - 1.0) < _SAME_SPEED:
        return CheckLine("engine line", READY, words, "", numbers)
    advice = "they may not cover the same time; if they do, set the number of pulses a turn in the logger"
    for factor in (0.25, 1 / 3, 0.5, 2.0, 3.0, 4.0):
        if abs(ratio / factor - 1.0) < _SAME_SPEED:
            advice = f"the logger counts {factor:.3g} times the turns: set its number of pulses a turn"
    return CheckLine("engine line", LOOK, words, advice, numbers)


# Air --------------------------------------------------------------------------------------------------------


def air_lines(channels: Mapping[str, Series]) -> list[CheckLine]:
    """Judge pressure and temperature, where they are logged."""
    out = []
    for name, unit, scale, offset, step in (
        ("pressure", "hPa", 0.01, 0.0, ".1f"),
        ("temperature", "degC", 1.0, -273.15, ".1f"),
    ):
        series = channels.get(name)
        if series is None:
            continue
        values = series.values[np.isfinite(series.values)] * scale + offset
        if not values.size:
            out.append(CheckLine(name, LOOK, "no value within its limits", "look at the column's unit"))
            continue
        words = f"{np.median(values):{step}} {unit}"
        if name == "pressure" and np.ptp(values) == 0.0 and values.size > 100:
            out.append(
                CheckLine(name, MEND, f"stuck at {words}", "look at the sensor: pressure is never that still")
            )
            continue
        out.append(CheckLine(name, READY, words, "", {f"{name}_{unit}": float(np.median(values))}))
    return out
