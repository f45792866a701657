"""Gather the channels of all logs on one grid: which log feeds which channel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..channels import CHANNELS
from ..readers.recording import Recording, Series
from .align import Aligned
from .grid import to_grid
from .signals import ground_velocity

if TYPE_CHECKING:
    from ..sheets import LogEntry

__all__ = ["Gathered", "gather_channels"]

Array = NDArray[np.float64]

_UNIT_ONLY = (
    "roll_rate",
    "pitch_rate",
    "yaw_rate",
    "specific_force_x",
    "specific_force_y",
    "specific_force_z",
    "bank",
    "pitch",
    "heading",
)
_BY_GPS = ("latitude", "longitude", "height", "climb")
_BY_ENGINE = ("rpm", "propeller_rpm", "throttle")
_ORDER = {
    "gps": ("gps", "unit", "other", "engine"),
    "engine": ("engine", "unit", "other", "gps"),
    "unit": ("unit", "other", "engine", "gps"),
}


@dataclass
class Gathered:
    """Channels on the grid while the sortie is being assembled.

    Attributes
    ----------
    columns : dict of str to ndarray, shape (n,)
        Channels by name.
    sources : dict of str to str
        Where each came from and what was done to it.
    derived : dict of str to bool
        Whether the reader had worked the channel out from others.
    warnings : list of str
        What the user should know.
    """

    columns: dict[str, Array] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)
    derived: dict[str, bool] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


def _chosen(entry: LogEntry, recording: Recording, channel: str, told: list[str]) -> Series | None:
    wanted = entry.sources.get(channel)
    if wanted is None:
        return recording.get(channel)
    for series in recording.channels.get(channel, ()):
        if series.source == wanted:
            return series
    there = ", ".join(s.source for s in recording.channels.get(channel, ())) or "none"
    told.append(
        f"{entry.name}: the sheet asks for {channel} from {wanted!r}, which the log does not offer (it has: "
        f"{there}); the best there is was used"
    )
    return recording.get(channel)


def gather_channels(
    entries: Mapping[str, LogEntry],
    recordings: Mapping[str, Recording],
    aligned: Mapping[str, Aligned],
    grid: Array,
) -> Gathered:
    """Bring every channel of every aligned log to the grid, the best log for each first.

    Parameters
    ----------
    entries : mapping of str to LogEntry
        Logs of the sortie sheet by name.
    recordings : mapping of str to Recording
        What each log holds.
    aligned : mapping of str to Aligned
        How each clock lies.
    grid : ndarray, shape (n,)
        Even times on the sortie's time base [s].

    Returns
    -------
    Gathered

    Notes
    -----
    Body rates, specific force and attitude come from the unit's log alone: no other log hangs there.
    Position, velocity, height and climb come from a satellite log first, engine channels from an engine log
    first, everything else from the unit's log first; then from any other log.
    """
    out = Gathered()
    present = [name for name in entries if aligned[name].found is not None]

    def logs(kind: str) -> list[str]:
        return [name for role in _ORDER[kind] for name in present if entries[name].role == role]

    for channel in CHANNELS:
        if channel in ("velocity_north", "velocity_east", "ground_speed", "track"):
            continue
        if channel in _UNIT_ONLY:
            candidates = [name for name in present if entries[name].role == "unit"]
        elif channel in _BY_GPS:
            candidates = logs("gps")
        elif channel in _BY_ENGINE:
            candidates = logs("engine")
        else:
            candidates = logs("unit")
        for name in candidates:
            series = _chosen(entries[name], recordings[name], channel, out.warnings)
            if series is None or series.time.size < 2:
                continue
            values, how = to_grid(
                aligned[name].times(series.time), series.values, grid, angle=CHANNELS[channel].angle
            )
            if np.isfinite(values).sum() < 2:
                continue
            out.columns[channel] = values
            out.sources[channel] = f"{name}: {series.source} ({how})"
            out.derived[channel] = series.derived
            break
    for name in logs("gps"):
        velocity = ground_velocity(recordings[name])
        if velocity is None:
            continue
        time, north, east, source = velocity
        own = aligned[name].times(time)
        v_north, how = to_grid(own, north, grid)
        v_east, _ = to_grid(own, east, grid)
        if np.isfinite(v_north).sum() < 2:
            continue
        out.columns["velocity_north"], out.columns["velocity_east"] = v_north, v_east
        out.columns["ground_speed"] = np.hypot(v_north, v_east)
        out.columns["track"] = np.arctan2(v_east, v_north)
        for channel in ("velocity_north", "velocity_east", "ground_speed", "track"):
            out.sources[channel] = f"{name}: {source} ({how})"
        break
    return out
