"""Which system of a telemetry log is the vehicle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .mavlink_frames import Frames
from .mavlink_messages import LAYOUTS
from .tlog_map import AUTOPILOTS, FEEDS, NO_AUTOPILOT, NOT_VEHICLES, VEHICLE_TYPES

__all__ = ["Vehicle", "choose_vehicle", "describe_others"]

_HEARTBEAT = 0
_GROUND_STATION = 6
_FEEDING = [number for number, layout in LAYOUTS.items() if layout.name in {feed.message for feed in FEEDS}]


@dataclass(frozen=True)
class Vehicle:
    """The system that is read.

    Attributes
    ----------
    system, component : int
        Its number, and that of its autopilot.
    kind : str
        ``copter``, ``plane`` or ``other``.
    autopilot : int
        ``HEARTBEAT.autopilot``; -1 where there is no heartbeat.
    words : str
        What it is and why it was chosen.
    """

    system: int
    component: int
    kind: str
    autopilot: int
    words: str


def _heartbeats(data: bytes, frames: Frames) -> dict[tuple[int, int], tuple[int, int]]:
    """Return the usual type and autopilot in the heartbeats of each system and component."""
    chosen = np.flatnonzero(frames.message == _HEARTBEAT)
    rows = frames.rows(data, chosen, _HEARTBEAT)
    key = frames.system[chosen].astype(np.int64) << 8 | frames.component[chosen]
    out = {}
    for sender in np.unique(key).tolist():
        own = rows[key == sender]
        pairs = own["type"].astype(np.int64) << 8 | own["autopilot"]
        kinds, counts = np.unique(pairs, return_counts=True)
        usual = int(kinds[np.argmax(counts)])
        out[sender >> 8, sender & 0xFF] = (usual >> 8, usual & 0xFF)
    return out


def choose_vehicle(data: bytes, frames: Frames) -> Vehicle:
    """Choose the system to read: the one whose heartbeat names an autopilot.

    Parameters
    ----------
    data : bytes
        The file.
    frames : Frames
        Its frames, at least one.

    Notes
    -----
    Of several, the one with most frames that can feed a channel; without such a heartbeat, of all systems.
    """
    beats = _heartbeats(data, frames)
    steered = [
        sender
        for sender, (kind, autopilot) in beats.items()
        if autopilot != NO_AUTOPILOT and kind not in NOT_VEHICLES
    ]
    useful = np.isin(frames.message, _FEEDING)
    key = frames.system.astype(np.int64) << 8 | frames.component
    counts = {
        (sender >> 8, sender & 0xFF): int(np.count_nonzero(useful & (key == sender)))
        for sender in np.unique(key).tolist()
    }
    if not steered:
        system, component = max(counts, key=lambda sender: (counts[sender], -sender[0], -sender[1]))
        return Vehicle(
            system,
            component,
            "other",
            -1,
            f"no heartbeat names an autopilot: system {system}, component {component} is read, which sent "
            "most of the messages that can be used",
        )
    system, component = max(steered, key=lambda sender: (counts.get(sender, 0), -sender[0], -sender[1]))
    kind, autopilot = beats[system, component]
    name, group = VEHICLE_TYPES.get(kind, (f"vehicle of type {kind}", "other"))
    pilot = AUTOPILOTS.get(autopilot, f"autopilot {autopilot}")
    words = f"vehicle: system {system}, component {component}, {name}, {pilot}"
    rest = [f"{s}/{c}" for s, c in sorted(steered) if (s, c) != (system, component)]
    if rest:
        words += f"; other autopilots heard and not read: {', '.join(rest)} (system/component)"
    return Vehicle(system, component, group, autopilot, words)


def describe_others(data: bytes, frames: Frames, vehicle: Vehicle) -> list[str]:
    """Return notes on the other systems, and on the vehicle's other components."""
    beats = _heartbeats(data, frames)
    key = frames.system.astype(np.int64) << 8 | frames.component
    senders, counts = np.unique(key, return_counts=True)
    systems: list[str] = []
    components: list[str] = []
    for sender, count in zip(senders.tolist(), counts.tolist(), strict=True):
        system, component = sender >> 8, sender & 0xFF
        if (system, component) == (vehicle.system, vehicle.component):
            continue
        kind = beats.get((system, component), (-1, -1))[0]
        station = " (ground station)" if kind == _GROUND_STATION else ""
        if system == vehicle.system:
            components.append(f"{component}{station} ({count} frames)")
        else:
            systems.append(f"{system}/{component}{station} ({count} frames)")
    notes = []
    if components:
        notes.append(f"other components of the vehicle: {', '.join(components[:12])}")
    if systems:
        notes.append(f"other systems in the log, listed but not used: {', '.join(systems[:12])}")
    return notes
