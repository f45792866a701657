"""From the timed messages of a telemetry log to channels, with the doubts that go with each."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .build import RecordingBuilder
from .mavlink_messages import Layout
from .recording import RawField
from .tlog_map import FEEDS, RPM_FIELDS, Feed
from .tlog_vehicle import Vehicle

__all__ = ["Filling", "Stream"]

Array = NDArray[np.float64]

_ARRAY = re.compile(r"^(\w+)\[(\d+)\]$")
_REST = (300.0, 3000.0)  # median size of the specific force that can be in thousandths of g
_MOVING = 2.0  # m/s, ground speed from which an airspeed can be told from it
_SAME_SPEED = 0.02  # share of ground speed within which an airspeed is only a copy of it
_PAUSE = 5.0  # s, longest step over which a change of height tells a rate
_AGAINST = -0.5  # correlation of climb and height below which the sign is wrong
_FOLLOWS = "only follows ground speed: no airspeed"


@dataclass(frozen=True)
class Stream:
    """The messages of one kind from one sensor.

    Attributes
    ----------
    label : str
        Message name, with component and sensor where they are not the first.
    layout : Layout
        Its layout.
    rows : ndarray, shape (n,)
        Structured array of all messages.
    keep : ndarray of int64, shape (k,)
        Those with a usable time.
    time : ndarray, shape (k,)
        Own time [s], strictly increasing.
    rate_hz : float
        Median rate at which they arrived [Hz].
    remark : str
        How the time was found, where it is not the message's own.
    """

    label: str
    layout: Layout
    rows: NDArray[np.void]
    keep: NDArray[np.int64]
    time: Array
    rate_hz: float
    remark: str

    def column(self, name: str) -> Array:
        """Return one field of the messages with a usable time."""
        match = _ARRAY.match(name)
        values = self.rows[match[1]][:, int(match[2])] if match else self.rows[name]
        with np.errstate(invalid="ignore"):
            return np.asarray(values[self.keep].astype(np.float64))

    def names(self) -> list[tuple[str, str]]:
        """Return each field, elements of arrays apart, with its unit."""
        out = []
        for name, unit in self.layout.units.items():
            shape = self.layout.row[name].shape
            out += [(f"{name}[{k}]", unit) for k in range(shape[0])] if shape else [(name, unit)]
        return out


class Filling:
    """Feeds channels from streams in any order, and ranks their sources at the end."""

    def __init__(self, builder: RecordingBuilder, vehicle: Vehicle) -> None:
        self.builder = builder
        self.vehicle = vehicle
        self.feeds: dict[str, list[str]] = {}
        self.remarks: dict[str, list[str]] = {}
        self.order: dict[tuple[str, str], tuple[int, int]] = {}
        self.sources: dict[tuple[str, str], tuple[str, ...]] = {}
        self.units: dict[str, str] = {}

    def feed(self, stream: Stream) -> None:
        """Feed every channel that a stream can."""
        if not stream.keep.size:
            return
        for rank, feed in enumerate(FEEDS):
            if feed.message == stream.layout.name and self._may_feed(stream, feed):
                names = (*feed.fields, feed.beside) if feed.beside else feed.fields
                with np.errstate(over="ignore", invalid="ignore"):
                    values = feed.make(*(stream.column(name) for name in names))
                if feed.gate:
                    values = np.where(feed.gate[1](stream.column(feed.gate[0])), values, np.nan)
                if feed.channel == "climb" and feed.message == "GLOBAL_POSITION_INT":
                    values = self._upright(stream, values)
                self._add(stream, feed.channel, values, feed.fields, feed.note, rank)
        rank = 0
        for message, names in RPM_FIELDS:
            for name in names:
                rank += 1
                if message == stream.layout.name:
                    self._feed_rpm(stream, name, rank)

    def _may_feed(self, stream: Stream, feed: Feed) -> bool:
        if feed.message == "RAW_IMU":
            return self._is_scaled(stream, feed.fields[0])
        if feed.message == "VFR_HUD" and feed.fields == ("airspeed",):
            return self._is_airspeed(stream)
        return True

    def _is_scaled(self, stream: Stream, name: str) -> bool:
        """Whether raw readings have the size that thousandths of g would have."""
        size = np.sqrt(sum(stream.column(f"{axis}acc") ** 2 for axis in "xyz"))
        scaled = bool(_REST[0] <= np.median(size) <= _REST[1])
        if scaled:
            self.units[f"{stream.label}.{name}"] = "mG" if name.endswith("acc") else "mrad/s"
            words = "taken for " + ("thousandths of g" if name.endswith("acc") else "mrad/s") + " by its size"
        else:
            words = "raw readings in an unknown unit"
        self._remark(stream, name, words)
        return scaled

    def _is_airspeed(self, stream: Stream) -> bool:
        """Whether the airspeed on the pilot's display is more than a copy of ground speed."""
        air, ground = stream.column("airspeed"), stream.column("groundspeed")
        if not np.any(air > 0):
            self._remark(stream, "airspeed", "0 throughout: no airspeed is known")
            return False
        with np.errstate(invalid="ignore"):
            moving = np.isfinite(air) & (np.abs(ground) > _MOVING)
        if self.vehicle.kind == "copter":
            doubt = "of a copter: usually worked out from ground speed, not measured"
        else:
            doubt = "worked out from ground speed and wind where there is no pitot tube"
        if moving.any():
            apart = np.abs(air[moving] - ground[moving])
            follows = bool(np.median(apart) <= _SAME_SPEED * np.median(np.abs(ground[moving])))
        else:
            follows = self.vehicle.kind == "copter"
        if follows:
            self._remark(stream, "airspeed", _FOLLOWS)
            self.builder.note(
                f"{stream.label}.airspeed only follows ground speed: it is no airspeed, and not used"
            )
            return False
        self._remark(stream, "airspeed", doubt)
        return True

    def _upright(self, stream: Stream, climb: Array) -> Array:
        """Turn a rate of climb that runs against the height in the same messages."""
        rise, step = np.diff(1e-3 * stream.column("alt")), np.diff(stream.time)
        usable = (step < _PAUSE) & (np.abs(rise) < _PAUSE * 50.0)
        mean = 0.5 * (climb[1:] + climb[:-1])[usable]
        rate = rise[usable] / step[usable]
        size = float(np.sqrt(np.sum(mean**2) * np.sum(rate**2)))
        if size == 0.0 or float(np.sum(mean * rate)) > _AGAINST * size:
            return climb
        self._remark(stream, "vz", "positive up, against the definition, as the height shows: sign turned")
        self.builder.note(
            f"{stream.label}.vz is positive up in this log, as its height shows: its sign is turned"
        )
        return -climb

    def _feed_rpm(self, stream: Stream, name: str, rank: int) -> None:
        values = stream.column(name)
        turning = values[np.isfinite(values) & (values != 0)]
        if not np.any(turning > 0) and not (stream.layout.name == "ESC_STATUS" and turning.size):
            self._remark(stream, name, "not in use (0 or less throughout)")
            return
        if stream.layout.name == "ESC_STATUS" and np.median(turning) < 0:  # reverse rotation
            values = -values
            self.builder.note(f"{stream.label}.{name} is negative (reverse rotation): its size is used")
        self._add(stream, "rpm", values, (name,), "", rank)

    def _add(
        self, stream: Stream, channel: str, values: Array, names: tuple[str, ...], note: str, rank: int
    ) -> None:
        shared = "q" if names[0] == "q1" else names[0]
        source = f"{stream.label}.{shared}"
        if not self.builder.add(channel, stream.time, values, source):
            for name in names:
                self._remark(stream, name, f"no valid value for {channel}")
            return
        self.order[channel, source] = (rank, len(self.order))
        self.sources[channel, source] = tuple(f"{stream.label}.{name}" for name in names)
        for name in names:
            fed = self.feeds.setdefault(f"{stream.label}.{name}", [])
            if channel not in fed:
                fed.append(channel)
            if note:
                self._remark(stream, name, note)

    def _remark(self, stream: Stream, name: str, words: str) -> None:
        remarks = self.remarks.setdefault(f"{stream.label}.{name}", [])
        if words not in remarks:
            remarks.append(words)

    def rank(self) -> None:
        """Put the sources of each channel in order, best first, and remark on the further choices."""
        for channel, group in self.builder.channels.items():
            group.sort(key=lambda series: self.order[series.channel, series.source])
            for place, series in enumerate(group[1:], start=2):
                for name in self.sources[channel, series.source]:
                    self.remarks.setdefault(name, []).append(f"choice {place} for {channel}")
        motors = [series.source for series in self.builder.channels.get("rpm", [])]
        if len(motors) > 1:
            self.builder.note(
                f"{len(motors)} engine or motor speeds are logged ({', '.join(motors[:6])}): rpm is the "
                "first, the others are further choices"
            )

    def fields(self, stream: Stream) -> list[RawField]:
        """List the fields of a stream; what they feed is filled in by :meth:`finished`."""
        if stream.remark:
            for name, _ in stream.names():
                if f"{stream.label}.{name}" in self.feeds:
                    self._remark(stream, name, stream.remark)
        return [
            RawField(f"{stream.label}.{name}", stream.rows.size, stream.rate_hz, unit)
            for name, unit in stream.names()
        ]

    def finished(self, field: RawField) -> RawField:
        """Return a field with the channels it feeds and the remarks on it."""
        return replace(
            field,
            unit=self.units.get(field.name, field.unit),
            feeds=", ".join(self.feeds.get(field.name, [])),
            note=field.note or "; ".join(self.remarks.get(field.name, [])),
        )
