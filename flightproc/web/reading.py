"""What each uploaded log holds, as JSON: made in a worker, shown by the page."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..channels import CHANNELS
from ..errors import FlightprocError
from ..readers import Recording, read_log
from ..readers.summary import NEEDS, lacking, summarise
from ..readers.together import best_set, clocks, guess_roles, sheet_lines

__all__ = ["describe_logs", "describe_recordings", "finite", "read_as"]

_FIELDS = 300
_DAMAGE = 60


def finite(value: float | None) -> float | None:
    """Return a number that JSON can hold, or None."""
    return None if value is None or not math.isfinite(value) else float(value)


def read_as(path: Path, name: str, columns: Mapping[str, object] | None = None) -> Recording:
    """Read a log, to be called by the name its owner knows it by.

    Raises
    ------
    LogError
        As :func:`flightproc.readers.read_log`, under that name.
    """
    try:
        return replace(read_log(path, columns=columns), path=name)
    except FlightprocError as error:
        if error.where is not None:
            error.where = str(error.where).replace(str(path), name)
            error.args = (error._text(),)
        raise


def describe_logs(
    logs: Sequence[tuple[str, Path]],
    columns: Mapping[str, Mapping[str, object]],
    tell: Callable[[str, float], None],
) -> dict[str, Any]:
    """Read logs one by one and return what they hold.

    Parameters
    ----------
    logs : sequence of (str, Path)
        Name as shown, and place.
    columns : mapping of str to mapping
        Column maps of tables, by name.
    tell : callable
        Called with what is being done and the share done.

    Returns
    -------
    dict
        ``logs``, each with its channels, damage and notes, or with ``error``; and of those that can be read
        together ``needs``, ``clocks``, ``best`` and ``draft``, the tables for the sortie sheet.
    """
    entries: list[dict[str, Any]] = []
    sound: list[Recording] = []
    for number, (name, path) in enumerate(logs):
        tell(f"reading {name}", number / max(len(logs), 1))
        try:
            recording = read_as(path, name, columns.get(name))
        except FlightprocError as error:
            entries.append({"name": name, "error": str(error)})
            continue
        sound.append(recording)
        entries.append({"name": name, "error": "", **_describe(recording)})
    tell("setting them side by side", 1.0)
    return {"logs": entries, **_together(sound)}


def describe_recordings(recordings: Sequence[Recording]) -> dict[str, Any]:
    """Return the same as :func:`describe_logs` of logs that are read already."""
    entries = [{"name": r.path, "error": "", **_describe(r)} for r in recordings]
    return {"logs": entries, **_together(recordings)}


def _describe(recording: Recording) -> dict[str, Any]:
    start, end = recording.span
    begins = None if recording.start_utc is None else finite(recording.start_utc + start)
    return {
        "format": recording.format,
        "sha256": recording.sha256,
        "size": recording.size,
        "begins_utc": begins,
        "length_s": finite(end - start),
        "channels": [_channel(name, recording) for name in recording.channels],
        "fields": [
            {
                "name": field.name[:200],
                "unit": field.unit[:40],
                "feeds": field.feeds,
                "note": field.note[:300],
            }
            for field in recording.fields[:_FIELDS]
        ],
        "more_fields": max(len(recording.fields) - _FIELDS, 0),
        "damage": [
            {"code": d.code, "where": d.where[:300], "what": d.what[:600]} for d in recording.damage[:_DAMAGE]
        ],
        "more_damage": max(len(recording.damage) - _DAMAGE, 0),
        "notes": [note[:600] for note in recording.notes[:_DAMAGE]],
        "sound": [{"source": w.source, "rate_hz": finite(w.rate)} for w in recording.waveforms],
        "lacking": [need.name for need in lacking(recording.channels) if need.required],
    }


def _channel(name: str, recording: Recording) -> dict[str, Any]:
    series = recording.channels[name][0]
    numbers = summarise(series)
    return {
        "channel": name,
        "unit": CHANNELS[name].unit,
        "source": series.source,
        "derived": series.derived,
        "more": len(recording.channels[name]) - 1,
        "samples": numbers.samples,
        "rate_hz": finite(numbers.rate_hz),
        "gaps": numbers.gaps,
        "longest_gap_s": finite(numbers.longest_gap),
        "missing": finite(numbers.missing),
    }


def _together(sound: Sequence[Recording]) -> dict[str, Any]:
    if not sound:
        return {"roles": {}, "needs": [], "clocks": [], "best": [], "draft": []}
    roles = guess_roles(sound)
    choices = best_set(sound, roles)
    channels = [choice.channel for choice in choices]
    names = [recording.path for recording in sound]
    draft = tomllib.loads("\n".join(sheet_lines(sound, roles))).get("logs", [])
    for entry, name in zip(draft, names, strict=True):
        entry["file"] = name
    return {
        "roles": dict(zip(names, roles, strict=True)),
        "needs": [
            {
                "name": need.name,
                "required": need.required,
                "met": need.met_by(channels),
                "in": [name for name, r in zip(names, sound, strict=True) if need.met_by(r.channels)],
                "how": need.how,
            }
            for need in NEEDS
        ],
        "clocks": [
            {"log": names[clock.log], "words": clock.words, "common_s": finite(clock.common)}
            for clock in clocks(sound, roles)
        ],
        "best": [{"channel": choice.channel, "log": names[choice.log]} for choice in choices],
        "draft": draft,
    }
