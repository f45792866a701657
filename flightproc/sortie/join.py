"""Before the clocks: which raw field feeds which channel, which logs share a clock, and units gone wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..channels import GRAVITY
from ..errors import SortieError
from ..readers.recording import Recording, Series

if TYPE_CHECKING:
    from ..sheets import LogEntry

__all__ = ["check_specific_force", "clock_groups", "prefer_sources", "united"]

_NO_GRAVITY = 5.0  # [m/s^2] median size of the force below which gravity is not in it
_IN_G = (0.8, 1.4)  # [m/s^2] a median there is most likely in g


def prefer_sources(entry: LogEntry, recording: Recording) -> Recording:
    """Put the raw fields that the sheet asks for first among the candidates of their channels.

    Parameters
    ----------
    entry : LogEntry
        Log in the sortie sheet, with ``sources``.
    recording : Recording
        What it holds.

    Returns
    -------
    Recording

    Raises
    ------
    SortieError
        If a field is none of the channel's candidates; they are listed.
    """
    if not entry.sources:
        return recording
    channels = dict(recording.channels)
    for channel, wanted in entry.sources.items():
        candidates = channels.get(channel, ())
        first = [s for s in candidates if s.source == wanted]
        if not first:
            there = ", ".join(s.source for s in candidates) or f"none: this log holds no {channel}"
            logged = any(field.name == wanted for field in recording.fields)
            raise SortieError(
                f"the sheet asks for {channel} from a field that "
                + ("does not feed it" if logged else "the log does not have"),
                where=f"{entry.name} ({recording.path}), [logs.sources]",
                found=wanted,
                allowed=there,
                hint="take one of these, or take the line out; flightproc logs FILE lists them",
            )
        channels[channel] = (*first, *(s for s in candidates if s.source != wanted))
    return replace(recording, channels=channels)


def clock_groups(
    entries: Mapping[str, LogEntry], recordings: Mapping[str, Recording]
) -> dict[str, dict[str, float]]:
    """Sort the logs by the clock that they share.

    Parameters
    ----------
    entries : mapping of str to LogEntry
        Logs by name, each with a recording.
    recordings : mapping of str to Recording
        What they hold.

    Returns
    -------
    dict of str to dict of str to float
        For each log with a clock of its own, the logs on it (itself first) and what to add to the time of
        each to get the clock's [s].

    Raises
    ------
    SortieError
        If only one of two logs that share a clock knows UTC, so that their zeros cannot be set together.

    Notes
    -----
    Files with UTC count from their own first row, so their zeros lie apart by the difference of UTC; files
    that count from the logger's start share its zero.
    """
    groups: dict[str, dict[str, float]] = {
        name: {name: 0.0} for name, entry in entries.items() if entry.same_clock_as not in entries
    }
    for name, entry in entries.items():
        root = entry.same_clock_as
        if root is None or root not in entries:
            continue
        ours, theirs = recordings[root].start_utc, recordings[name].start_utc
        if (ours is None) != (theirs is None):
            raise SortieError(
                f"{name} cannot share the clock of {root}",
                where=recordings[name].path,
                found="UTC in one of the two files only",
                allowed="UTC in both, or time from the logger's start in both",
                hint="map the same kind of time column in both files, or take same_clock_as out",
            )
        groups[root][name] = theirs - ours if theirs is not None and ours is not None else 0.0
    return groups


def united(members: Mapping[str, float], recordings: Mapping[str, Recording]) -> Recording:
    """Return all logs on one clock as one recording; the first log's series come first."""
    names = list(members)
    root = recordings[names[0]]
    if len(names) == 1:
        return root
    channels: dict[str, tuple[Series, ...]] = {}
    for name in names:
        for channel, group in recordings[name].channels.items():
            moved = tuple(replace(s, time=s.time + members[name]) for s in group)
            channels[channel] = (*channels.get(channel, ()), *moved)
    return replace(root, channels=channels)


def check_specific_force(unit: Recording) -> None:
    """Refuse an accelerometer without gravity in it, or in g.

    Parameters
    ----------
    unit : Recording
        The unit's log.

    Raises
    ------
    SortieError
        If the size of the force, half the time, is nowhere near gravity.

    Notes
    -----
    At rest and in steady flight the specific force of a hung unit is gravity, and 10 % more in turns. Phones
    offer a linear acceleration as well, from which they have taken gravity by their own guess of it.
    """
    series = [unit.get(f"specific_force_{axis}") for axis in "xyz"]
    if any(s is None or s.time.size < 2 for s in series):
        return
    time = series[2].time if series[2] is not None else np.empty(0)
    sizes = np.zeros(time.size)
    for s in series:
        if s is not None:
            good = np.isfinite(s.values)
            sizes = sizes + np.interp(time, s.time[good], s.values[good]) ** 2
    middle = float(np.median(np.sqrt(sizes)))
    if middle >= _NO_GRAVITY:
        return
    fields = ", ".join(s.source for s in series if s is not None)
    found = f"a median size of {middle:.2f} m/s^2"
    allowed = f"about {GRAVITY:.1f} m/s^2 at rest"
    if _IN_G[0] <= middle <= _IN_G[1]:
        raise SortieError(
            f"the specific force ({fields}) looks as if it were in g, not in m/s^2",
            where=unit.path,
            found=found,
            allowed=allowed,
            hint='state unit = "g" for its columns in [logs.columns]',
        )
    raise SortieError(
        f"the specific force ({fields}) does not hold gravity",
        where=unit.path,
        found=found,
        allowed=allowed,
        hint=(
            "phones log two accelerations: take the accelerometer, not the linear acceleration, from which "
            "gravity was taken out"
        ),
    )
