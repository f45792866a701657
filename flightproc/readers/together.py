"""Several logs of one sortie seen together: what each is good for, which feeds what, whose clocks agree."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..channels import CHANNELS
from .delimited import suggested_map
from .recording import Recording, Series

__all__ = ["Choice", "Clock", "best_set", "clocks", "guess_roles", "sheet_lines"]

_RATES = ("roll_rate", "pitch_rate", "yaw_rate")
_FORCES = ("specific_force_x", "specific_force_y", "specific_force_z")
_ON_THE_UNIT = (*_RATES, *_FORCES, "bank", "pitch", "heading")
_PLACE = (
    "latitude",
    "longitude",
    "height",
    "velocity_north",
    "velocity_east",
    "climb",
    "ground_speed",
    "track",
)
_ENGINE = ("rpm", "propeller_rpm", "throttle")
_ORDER = {
    "gps": ("gps", "unit", "other", "engine"),
    "engine": ("engine", "unit", "other", "gps"),
    "unit": ("unit", "other", "engine", "gps"),
}
_SAME = 2.0  # [s] within which files of one logger start and end together
_REASONS = {
    "unit": "has gyro and accelerometer",
    "gps": "has satellite positions",
    "engine": "has engine speed",
    "sound": "sound, for the engine speed",
    "other": "confirm what it is good for",
}


@dataclass(frozen=True)
class Choice:
    """Which log feeds a channel.

    Attributes
    ----------
    channel : str
        Channel.
    log : int
        Place of the log among those given.
    series : Series
        Its best source.
    others : int
        Further sources, in this and the other logs.
    """

    channel: str
    log: int
    series: Series
    others: int


@dataclass(frozen=True)
class Clock:
    """How one log's clock lies to that of another.

    Attributes
    ----------
    log : int
        Place of the log among those given.
    words : str
        How it is brought to the time base.
    common : float
        Seconds that it shares with the time base by UTC; NaN where UTC does not tell.
    """

    log: int
    words: str
    common: float


def _count(recording: Recording, channels: Sequence[str]) -> int:
    return sum(channel in recording.channels for channel in channels)


def _measures_place(recording: Recording) -> bool:
    return "latitude" in recording.channels or any(
        not recording.channels[c][0].derived
        for c in ("velocity_north", "ground_speed")
        if c in recording.channels
    )


def guess_roles(recordings: Sequence[Recording]) -> list[str]:
    """Guess what each log is good for, in the words of the sortie sheet.

    The unit's log is the one with most axes of an inertial sensor, the faster of two with the same.

    Returns
    -------
    list of str
        ``unit`` (once at most), ``gps``, ``engine`` or ``other``.
    """

    def weight(k: int) -> tuple[float, ...]:
        log = recordings[k]
        force = log.get("specific_force_y") or log.get("specific_force_z") or log.get("roll_rate")
        return (_count(log, _FORCES), _count(log, _RATES), force.rate_hz if force else 0.0, -float(k))

    inertial = [k for k, log in enumerate(recordings) if _count(log, (*_FORCES, *_RATES))]
    unit = max(inertial, key=weight, default=-1)
    roles = []
    for k, log in enumerate(recordings):
        if k == unit:
            roles.append("unit")
        elif _measures_place(log):
            roles.append("gps")
        elif log.waveforms or _count(log, ("rpm", "propeller_rpm")):
            roles.append("engine")
        else:
            roles.append("other")
    return roles


def _same_logger(recordings: Sequence[Recording], unit: int, k: int) -> bool:
    """Return whether two tables look like files of one logger, one per sensor."""
    one, two = recordings[unit], recordings[k]
    if k == unit or one.format != two.format or Path(one.path).parent != Path(two.path).parent:
        return False
    starts = [(log.start_utc or 0.0) + log.span[0] for log in (one, two)]
    ends = [(log.start_utc or 0.0) + log.span[1] for log in (one, two)]
    together = abs(starts[0] - starts[1]) < _SAME and abs(ends[0] - ends[1]) < _SAME
    return together and (one.start_utc is None) == (two.start_utc is None) and one.format == "CSV"


def best_set(recordings: Sequence[Recording], roles: Sequence[str]) -> list[Choice]:
    """Return for each channel the log that feeds it best.

    Body rates, specific force and attitude come from the unit's log, or from a further file of its logger;
    the rest from the log whose role it is, what is measured before what is derived.

    Parameters
    ----------
    recordings : sequence of Recording
        The logs.
    roles : sequence of str
        As from :func:`guess_roles`.
    """
    unit = roles.index("unit") if "unit" in roles else -1
    out = []
    for channel in CHANNELS:
        kind = "gps" if channel in _PLACE else "engine" if channel in _ENGINE else "unit"
        holders = [k for k, log in enumerate(recordings) if channel in log.channels]
        if channel in _ON_THE_UNIT:
            holders = [k for k in holders if k == unit or (unit >= 0 and _same_logger(recordings, unit, k))]
        if not holders:
            continue

        def rank(k: int, channel: str = channel, kind: str = kind) -> tuple[float, ...]:
            best = recordings[k].channels[channel][0]
            return (float(best.derived), _ORDER[kind].index(roles[k]), -best.time.size, k)

        chosen = min(holders, key=rank)
        group = recordings[chosen].channels[channel]
        others = sum(len(recordings[k].channels[channel]) for k in holders) - 1
        out.append(Choice(channel, chosen, group[0], others))
    return out


def clocks(recordings: Sequence[Recording], roles: Sequence[str]) -> list[Clock]:
    """Return how the clock of each log is brought to the time base, which is that of the unit's log."""
    base = roles.index("unit") if "unit" in roles else 0
    out = []
    for k, log in enumerate(recordings):
        common = float("nan")
        start, end = log.span
        if start != start:
            words = "nothing in it is placed in time"
        elif k == base:
            words = "the time base" + ("" if log.start_utc is not None else "; has no UTC")
        elif _same_logger(recordings, base, k):
            words = "seems to be a file of the same logger: same clock"
        elif log.start_utc is None or recordings[base].start_utc is None:
            words = "no common UTC: found from signals that both hold, or state clock_offset_s"
        else:
            shift = log.start_utc - float(recordings[base].start_utc or 0.0)
            first, last = recordings[base].span
            common = max(0.0, min(end + shift, last) - max(start + shift, first))
            words = "by UTC" if common else "by UTC: it does not overlap with the time base"
        out.append(Clock(k, words, common))
    return out


def sheet_lines(recordings: Sequence[Recording], roles: Sequence[str]) -> list[str]:
    """Return ``[[logs]]`` tables for the sortie sheet, roles and columns guessed and marked so.

    File names are seen from the folder that all the logs lie in.
    """
    paths = [os.path.abspath(log.path) for log in recordings]
    folder = os.path.commonpath([os.path.dirname(path) for path in paths])
    unit = roles.index("unit") if "unit" in roles else -1
    used: set[str] = set()
    names: list[str] = []
    for log, role in zip(recordings, roles, strict=True):
        stem = Path(log.path).stem[:50] or role
        name = stem if role == "other" or role in used else role
        while name in used:
            name += "-2"
        used.add(name)
        names.append(name)
    lines: list[str] = []
    for k, (log, role) in enumerate(zip(recordings, roles, strict=True)):
        file = os.path.relpath(paths[k], folder).replace(os.sep, "/")
        reason = _REASONS["sound" if log.waveforms and role == "engine" else role]
        lines += ["[[logs]]", f"name = {_text(names[k])}", f"file = {_text(file)}"]
        lines.append(f"role = {_text(role)}  # guessed: {reason}")
        if unit >= 0 and _same_logger(recordings, unit, k):
            lines.append(f"same_clock_as = {_text(names[unit])}  # guessed: they start and end together")
        columns = suggested_map(log)
        open_ones = [line for line in columns if 'unit = "?"' in line]
        columns = [line for line in columns if line not in open_ones]
        if columns:
            lines += ["[logs.columns]  # guessed: confirm", *columns]
        lines += [f"# {line}  # state its unit" for line in open_ones]
        lines.append("")
    if unit < 0:
        lines.append('# No inertial sensor: none has the role "unit".')
    return lines[:-1] if lines and not lines[-1] else lines


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
