"""MAVLink telemetry logs (.tlog): what a ground station or phone heard of a vehicle, with receive stamps."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder, median_rate
from .content import HEAD_SIZE, Content, load_content, refuse_columns
from .mavlink_frames import Frames, find_frames
from .mavlink_messages import LAYOUTS, MESSAGE_NAMES
from .recording import RawField, Recording
from .tlog_channels import Filling, Stream
from .tlog_clock import VehicleClock, build_clock
from .tlog_map import INSTANCE_FIELDS
from .tlog_vehicle import Vehicle, choose_vehicle, describe_others

__all__ = ["NAME", "read", "sniff"]

NAME = "MAVLink"

Array = NDArray[np.float64]
Places = NDArray[np.int64]

_FIRST_UTC = 946_684_800.0  # s, 2000-01-01: earlier is a clock that was never set
_LAST_UTC = 4_102_444_800.0  # s, 2100-01-01
_SAME_TIME = 2.0  # s, within which two clocks agree, radio latency included
_OWN_CLOCK = 5.0  # s, within which a time counted from the vehicle's start must fall
_ONE_LINK = 0.6  # share of frames lost above which sequence numbers tell nothing
_SHOWN = 8
_SENSORS = 8  # sensors of one message that are told apart
_KINDS = 250  # kinds of message that are listed, and streams whose fields are read


def sniff(head: bytes) -> bool:
    r"""Return whether the content is a telemetry log: stamped frames whose checksums fit.

    Examples
    --------
    >>> sniff(b"time,rpm\n0,2000\n")
    False
    """
    frames = find_frames(head[:HEAD_SIZE])
    if not frames.verified:
        return False
    return frames.verified >= 3 or int(frames.start[0]) == 0


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read a telemetry log.

    Parameters
    ----------
    path : str or Path
        File.
    columns : None
        MAVLink names its own fields; a column map is an error.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If a column map is given.
    UnreadableLogError
        If it holds no whole frame.

    Notes
    -----
    Of several systems in one log the vehicle is read: the one whose heartbeat names an autopilot. Its boot
    time is the clock; time 0 is the first sample of any channel.
    """
    content = content or load_content(path)
    refuse_columns(columns, "a telemetry log", content.path)
    frames = find_frames(content.data)
    if not frames.start.size:
        raise UnreadableLogError(
            "the telemetry log holds no whole frame",
            where=content.path,
            hint="check that the ground station was connected, or copy the file again",
        )
    builder = RecordingBuilder(content, NAME)
    _tell_frames(builder, frames)
    vehicle = choose_vehicle(content.data, frames)
    builder.note(vehicle.words)
    for note in describe_others(content.data, frames, vehicle):
        builder.note(note)
    _Reading(builder, frames, vehicle).fill()
    return builder.build()


def _tell_frames(builder: RecordingBuilder, frames: Frames) -> None:
    size = builder.content.size
    gaps = list(frames.gaps)
    if frames.cut:
        start, _ = gaps.pop()
        builder.tell(
            "cut",
            f"byte {start} of {size}",
            f"the file ends within a frame; its last {size - start} bytes were left out",
            1,
        )
    for start, stop in gaps[:_SHOWN]:
        builder.tell(
            "corrupt", f"bytes {start} to {stop}", f"{stop - start} bytes that are no frame were skipped"
        )
    if len(gaps) > _SHOWN:
        rest = gaps[_SHOWN:]
        builder.tell(
            "corrupt",
            f"bytes {rest[0][0]} to {rest[-1][1]}",
            f"{sum(stop - start for start, stop in rest)} bytes that are no frame were skipped, "
            f"in {len(rest)} more places",
        )
    bad = sorted(frames.bad.items())
    for (name, system, component), count in bad[:_SHOWN]:
        builder.tell(
            "corrupt",
            f"{name} of system {system}, component {component}",
            f"{count} frames with a wrong checksum left out: damaged, or written by another version of the "
            "message's definition",
            count,
        )
    if len(bad) > _SHOWN:
        count = sum(number for _, number in bad[_SHOWN:])
        builder.tell(
            "corrupt",
            f"{len(bad) - _SHOWN} further messages",
            f"{count} frames with a wrong checksum left out",
            count,
        )
    if frames.signed:
        builder.note(f"{frames.signed} frames are signed; the signatures are not tested, which takes the key")


class _Reading:
    """Turns the vehicle's frames into channels."""

    def __init__(self, builder: RecordingBuilder, frames: Frames, vehicle: Vehicle) -> None:
        self.builder = builder
        self.frames = frames
        self.vehicle = vehicle
        self.data = builder.content.data
        self.mine = np.flatnonzero(frames.system == vehicle.system)
        stamps = frames.stamp[self.mine].astype(np.int64)
        self.base = int(np.median(stamps))
        self.stamps: Array = (stamps - self.base).astype(np.float64) * 1e-6
        self.groups = self._group()
        self.clock = self._build_clock()
        self.strays: dict[str, int] = {}
        self.repeats: dict[str, int] = {}
        self.unstamped: list[str] = []
        self.satellite_utc: list[Array] = []

    def _group(self) -> dict[tuple[int, int], Places]:
        """Return the places of the vehicle's frames by component and message, its autopilot first."""
        key = self.frames.component[self.mine].astype(np.int64) << 32 | self.frames.message[self.mine]
        order = np.argsort(key, kind="stable")
        ordered = key[order]
        edges = np.flatnonzero(np.append(True, ordered[1:] != ordered[:-1]))
        groups = {
            (int(ordered[a]) >> 32, int(ordered[a]) & 0xFFFFFFFF): order[a:b]
            for a, b in zip(edges, [*edges[1:], ordered.size], strict=True)
        }
        first = self.vehicle.component
        return dict(sorted(groups.items(), key=lambda item: (item[0][0] != first, item[0])))

    def _build_clock(self) -> VehicleClock:
        places, boots = [np.empty(0, dtype=np.int64)], [np.empty(0)]
        for (component, number), frames in self.groups.items():
            layout = LAYOUTS.get(number)
            if component == self.vehicle.component and layout and "time_boot_ms" in layout.units:
                rows = self.frames.rows(self.data, self.mine[frames], number)
                places.append(frames)
                boots.append(rows["time_boot_ms"].astype(np.float64) * 1e-3)
        place = np.concatenate(places)
        order = np.argsort(place, kind="stable")
        return build_clock(self.stamps, place[order], np.concatenate(boots)[order])

    def fill(self) -> None:
        """Fill the builder."""
        filling = Filling(self.builder, self.vehicle)
        fields: list[list[RawField]] = []
        further: list[int] = []
        for (component, number), frames in self.groups.items():
            if len(fields) >= _KINDS:
                further.append(frames.size)
            elif number in LAYOUTS:
                for stream in self._streams(component, number, frames):
                    filling.feed(stream)
                    fields.append(filling.fields(stream))
            else:
                fields.append([self._undecoded(component, number, frames)])
        if further:
            fields.append([_summed(f"{len(further)} further kinds of message", sum(further))])
        filling.rank()
        self._tell_times()
        self._tell_lost()
        self._find_utc()
        origin = self.builder.first_time()
        if origin is not None:
            self.builder.shift(origin)
        else:
            self.builder.note("none of its messages feeds a channel")
        self.builder.fields.extend(filling.finished(field) for group in fields for field in group)
        self._list_others()

    # Messages ------------------------------------------------------------------------------------------

    def _label(self, component: int, number: int) -> str:
        name = MESSAGE_NAMES.get(number, f"message {number}")
        return name if component == self.vehicle.component else f"{name}:{component}"

    def _undecoded(self, component: int, number: int, frames: Places) -> RawField:
        known = number in MESSAGE_NAMES
        return RawField(
            name=self._label(component, number),
            samples=frames.size,
            rate_hz=median_rate(np.sort(self.stamps[frames])),
            note=f"message {number}, fields not read" if known else "not known: fields and checksum not read",
        )

    def _streams(self, component: int, number: int, frames: Places) -> list[Stream]:
        """Return the messages of one kind, parted by the sensor they are about, with their times."""
        layout = LAYOUTS[number]
        rows = self.frames.rows(self.data, self.mine[frames], number)
        label = self._label(component, number)
        field = INSTANCE_FIELDS.get(layout.name)
        parts = [(label, np.arange(frames.size))]
        if field is not None:
            with np.errstate(invalid="ignore"):
                instance = np.clip(np.nan_to_num(rows[field].astype(np.float64)), 0, 255).astype(np.int64)
            sensors, counts = np.unique(instance, return_counts=True)
            heard = np.sort(sensors[np.argsort(-counts, kind="stable")[:_SENSORS]])
            if heard.size < sensors.size:
                self.builder.note(
                    f"{label} tells of {sensors.size} sensors: the {_SENSORS} heard most often are read"
                )
            parts = [(f"{label}[{k}]" if k else label, np.flatnonzero(instance == k)) for k in heard.tolist()]
        return [self._timed(name, component, number, frames[part], rows[part]) for name, part in parts]

    def _timed(
        self, label: str, component: int, number: int, frames: Places, rows: NDArray[np.void]
    ) -> Stream:
        layout = LAYOUTS[number]
        time, remark = self._times(component, layout.units, frames, rows)
        if remark == _BY_STAMP and layout.name != "HEARTBEAT":
            self.unstamped.append(label)
        if layout.name == "SYSTEM_TIME" and component == self.vehicle.component:
            unix = rows["time_unix_usec"] * 1e-6
            good = (unix > _FIRST_UTC) & (unix < _LAST_UTC) & np.isfinite(time)
            self.satellite_utc.append(unix[good] - time[good])
        usable = np.isfinite(time)
        stray = int(np.count_nonzero(~usable))
        if stray:
            self.strays[label] = stray
        if remark != _BY_STAMP:
            again = np.append(False, time[1:] == time[:-1])
            if again.any():
                self.repeats[label] = int(np.count_nonzero(again))
                usable &= ~again
        index = np.flatnonzero(usable)
        keep = index
        feeds = layout.name not in ("HEARTBEAT", "SYSTEM_TIME")
        if index.size and feeds:
            keep = index[self.builder.clock(time[index], label)]
        return Stream(
            label, layout, rows, keep, time[keep], median_rate(np.sort(self.stamps[frames])), remark
        )

    def _times(
        self, component: int, fields: Mapping[str, str], frames: Places, rows: NDArray[np.void]
    ) -> tuple[Array, str]:
        """Return the own time of messages and how it was found."""
        arrival = self.clock.from_stamps(frames)
        name = next((n for n in ("time_boot_ms", "time_usec") if n in fields), None)
        if name is None:
            return arrival, _BY_STAMP
        carried = rows[name].astype(np.float64) * (1e-3 if name == "time_boot_ms" else 1e-6)
        carries = carried > 0 if name == "time_usec" else np.ones(carried.size, dtype=bool)
        if not carries.any():
            return arrival, _BY_STAMP
        remark = ""
        time = self.clock.from_boot(frames, carried)
        trusted = component == self.vehicle.component and name == "time_boot_ms"
        if not trusted and not (self.clock.has_boot_time and _near(time[carries], arrival[carries])):
            delay = carried[carries] - arrival[carries]
            delay = delay[np.isfinite(delay)]
            if not delay.size:
                return arrival, _BY_STAMP
            time = self.clock.credible(frames, carried - float(np.median(delay)))
            if np.mean(np.isfinite(time[carries])) < 0.5:
                return arrival, _BY_STAMP
            remark = "its time counts from another zero: placed by the receive stamps' median"
        return np.where(carries, time, arrival), remark

    # What is told --------------------------------------------------------------------------------------

    def _tell_times(self) -> None:
        if self.strays:
            count = sum(self.strays.values())
            self.builder.tell(
                "bad_time",
                "time",
                f"{count} messages carry a time far from that of their neighbours in the file and were left "
                f"out ({_listed(list(self.strays))})",
                count,
            )
        if self.repeats:
            self.builder.note(
                f"{sum(self.repeats.values())} messages repeat the time of the one before, as when a value "
                f"is sent again before it is measured anew: left out ({_listed(list(self.repeats))})"
            )
        if not self.clock.has_boot_time:
            self.builder.note(
                "no message carries the vehicle's boot time: all times are receive stamps, which radio "
                "latency makes late and uneven"
            )
        elif self.unstamped:
            self.builder.note(
                f"messages without a time of their own are placed by their receive stamps, less the usual "
                f"delay; radio latency makes them uneven: {_listed(self.unstamped)}"
            )
        restarts = self.clock.restarts.size
        if restarts:
            self.builder.note(
                f"the vehicle was restarted {restarts} time{'s' if restarts > 1 else ''} during the log; how "
                "long it was away is taken from the receive stamps"
            )

    def _tell_lost(self) -> None:
        """Tell how many frames of the autopilot never arrived, by their sequence numbers."""
        own = self.mine[self.frames.component[self.mine] == self.vehicle.component]
        if own.size < 2:
            return
        steps = np.diff(self.frames.sequence[own])  # wraps at 256, as the numbers do
        lost = int(np.sum(np.where(steps > 0, steps.astype(np.int64) - 1, 0)))
        lost -= sum(
            count
            for (_, system, component), count in self.frames.bad.items()
            if (system, component) == (self.vehicle.system, self.vehicle.component)
        )
        if lost <= 0:
            return
        if lost > _ONE_LINK * (lost + own.size):
            self.builder.note(
                "sequence numbers do not follow each other (several links, or a filtered log): frames lost "
                "on the radio cannot be counted"
            )
            return
        self.builder.tell(
            "dropout",
            "radio",
            f"about {lost} of {lost + own.size} frames of the autopilot never arrived, by their sequence "
            "numbers",
            lost,
        )

    def _find_utc(self) -> None:
        stamped = self.base * 1e-6 + self.clock.stamp_of_zero
        credible = _FIRST_UTC < self.base * 1e-6 < _LAST_UTC
        told = np.concatenate(self.satellite_utc) if self.satellite_utc else np.empty(0)
        if not told.size:
            if credible:
                self.builder.start_utc = stamped
                self.builder.note(
                    "UTC is that of the device that wrote the log, not checked: the vehicle sent no date"
                )
            else:
                self.builder.note(
                    "the device that wrote the log had no date, and the vehicle sent none: no UTC"
                )
            return
        vehicle = float(np.median(told))
        off = stamped - vehicle
        self.builder.start_utc = vehicle
        if not credible:
            self.builder.note("the device that wrote the log had no date: UTC is the vehicle's own")
        elif abs(off) > _SAME_TIME:
            self.builder.note(
                f"the clock of the device that wrote the log is {abs(off):.1f} s "
                f"{'ahead of' if off > 0 else 'behind'} the vehicle's UTC, which is used"
            )
        else:
            self.builder.note(
                f"UTC is the vehicle's own; the receive stamps agree with it ({off:+.2f} s, latency included)"
            )

    def _list_others(self) -> None:
        """List what the other systems sent, by message."""
        other = np.flatnonzero(self.frames.system != self.vehicle.system)
        key = self.frames.system[other].astype(np.int64) << 32 | self.frames.message[other]
        kinds, where, counts = np.unique(key, return_inverse=True, return_counts=True)
        if kinds.size > _KINDS:
            rest = int(counts[_KINDS:].sum())
            self.builder.fields.append(
                _summed(f"other systems: {kinds.size - _KINDS} further kinds of message", rest)
            )
        listed = zip(kinds[:_KINDS].tolist(), counts[:_KINDS].tolist(), strict=True)
        for i, (kind, count) in enumerate(listed):
            number = kind & 0xFFFFFFFF
            stamps = np.sort(self.frames.stamp[other[where == i]]).astype(np.float64) * 1e-6
            self.builder.fields.append(
                RawField(
                    name=f"system {kind >> 32}: {MESSAGE_NAMES.get(number, f'message {number}')}",
                    samples=count,
                    rate_hz=median_rate(stamps),
                    note="not of the vehicle",
                )
            )


_BY_STAMP = "placed by its receive stamp"


def _summed(name: str, samples: int) -> RawField:
    return RawField(name, samples, float("nan"), note="not listed one by one")


def _near(time: Array, arrival: Array) -> bool:
    """Whether times lie where their receive stamps place them."""
    both = np.isfinite(time) & np.isfinite(arrival)
    if np.count_nonzero(both) < 0.5 * time.size:
        return False
    return bool(abs(np.median(time[both] - arrival[both])) < _OWN_CLOCK)


def _listed(names: list[str]) -> str:
    shown = ", ".join(names[:_SHOWN])
    return shown + (f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else "")
