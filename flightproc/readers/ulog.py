"""ULog, the log of PX4 flight controllers.

pyulog reads the definitions; where messages begin and end, what is damaged and which times are credible is
worked out here, because a cut file, a wild stamp or a clock that jumps back are not reported by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder, median_rate
from .content import Content, let_go, load_content, refuse_columns
from .recording import RawField, Recording
from .ulog_map import ESC_RPM, FEEDS, GPS_TOPICS, Feed, field_unit
from .ulog_walk import MAGIC, Topic, Walk, gather, walk_messages

__all__ = ["MAGIC", "NAME", "read", "sniff"]

NAME = "ULog"

_BLOCK = 256  # messages in a row whose middle stamp is the measure of the others
_STAMPS = 1 << 19  # stamps that are read at once
_TOLERANCE = 10.0  # s, how far a stamp may lie from its neighbours in the file
_EARLY = 1.0  # s, how far a stamp may lie before the start in the header
_FIRST_UTC = 946_684_800e6  # us, 2000-01-01: earlier is a receiver without a fix
_LAST_UTC = 4_102_444_800e6  # us, 2100-01-01

Array = NDArray[np.float64]


def sniff(head: bytes) -> bool:
    """Return whether the content is a ULog.

    Examples
    --------
    >>> sniff(bytes.fromhex("554c6f67011235 01")), sniff(b"time,rpm")
    (True, False)
    """
    return head.startswith(MAGIC)


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read a ULog.

    Parameters
    ----------
    path : str or Path
        File.
    columns : None
        A ULog names its own fields; a column map is an error.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If a column map is given.
    UnreadableLogError
        If it is cut within its header or holds no data message.

    Notes
    -----
    Time 0 is the first sample of any channel. Samples whose stamp lies more than 10 s from their neighbours
    in the file, or more than 1 s before the start in the header, or does not advance, are left out and told.
    """
    content = content or load_content(path)
    refuse_columns(columns, "a ULog", content.path)
    walk = walk_messages(content.mapped, content.path)
    if not any(topic.count for topic in walk.topics):
        raise UnreadableLogError(
            "the ULog holds no data message"
            + (f" ({walk.definition_fault})" if walk.definition_fault else ""),
            where=content.path,
            hint="check that the logger was recording, or copy the file again",
        )
    builder = RecordingBuilder(content, NAME)
    _tell_walk(builder, walk)
    _Reading(builder, walk).fill()
    return builder.build()


def _tell_walk(builder: RecordingBuilder, walk: Walk) -> None:
    for gap in walk.gaps:
        if gap.stop in walk.appended:
            builder.tell(
                "cut",
                f"byte {gap.start}",
                f"the log breaks off here, {gap.stop - gap.start} bytes before data that were appended later",
            )
        elif gap.cut and gap.start < builder.content.size:
            builder.tell(
                "cut",
                f"byte {gap.start} of {builder.content.size}",
                f"the file ends within a message; its last {gap.stop - gap.start} bytes were left out",
            )
        else:
            builder.tell(
                "corrupt",
                f"bytes {gap.start} to {gap.stop}",
                f"{gap.stop - gap.start} bytes that are no message were skipped",
            )
    if walk.definition_fault:
        builder.tell("corrupt", "definitions", walk.definition_fault)
    if walk.strays:
        builder.tell(
            "corrupt",
            "data",
            f"{walk.strays} messages belong to no topic that the log names, or have the wrong size for it",
            walk.strays,
        )
    if walk.dropouts:
        builder.tell(
            "dropout",
            "logger",
            f"the logger itself could not write for {sum(walk.dropouts)} ms in all, "
            f"{max(walk.dropouts)} ms at the longest (dropouts: {len(walk.dropouts)})",
            len(walk.dropouts),
        )
    if walk.appended:
        builder.note(f"data were appended at byte {', '.join(map(str, walk.appended))}")


class _Reading:
    """Turns the topics of a walk into channels."""

    def __init__(self, builder: RecordingBuilder, walk: Walk) -> None:
        self.builder = builder
        self.walk = walk
        self.data = builder.content.mapped
        self.topics = sorted(
            (t for t in walk.topics if t.count), key=lambda t: (t.name, t.instance, t.offsets[0])
        )
        self.times: dict[int, Array] = {}
        self.columns: dict[str, NDArray[np.generic]] = {}
        self.keep: NDArray[np.bool_] = np.empty(0, dtype=bool)
        self.all_kept = True
        self.time: Array = np.empty(0)
        self.feeds: dict[tuple[int, str], list[str]] = {}
        self.ranks: dict[str, list[int]] = {}
        self.used: dict[str, list[tuple[int, tuple[str, ...]]]] = {}
        self.remarks: dict[tuple[int, str], str] = {}
        self.choices: dict[tuple[int, str], int] = {}
        self.utc: list[tuple[int, float]] = []
        self.listed: list[tuple[Topic, RawField]] = []

    def fill(self) -> None:
        """Fill the builder, one topic at a time."""
        self._judge_times()
        for number, topic in enumerate(self.topics):
            wanted = {"time_utc_usec", "timestamp_time_relative"}
            for feed in FEEDS:
                if feed.topic == topic.name:
                    wanted.update((*feed.fields, *(gate for gate, _ in feed.gates)))
            self.columns = topic.columns(
                self.data, [n for n in topic.fields if n in wanted or ESC_RPM.match(n)]
            )
            time = self.times.pop(number, np.full(topic.count, np.nan))
            self._take(topic, time)
            self._list_fields(topic, time)
        self.columns = {}
        self._rank()
        origin = self.builder.first_time()
        if self.utc:
            self.builder.start_utc = min(self.utc, key=lambda item: item[0])[1]
        if origin is not None:
            self.builder.shift(origin)
        else:
            self.builder.note("none of its topics feeds a channel")
        self.builder.fields = [self._described(topic, field) for topic, field in self.listed]

    def _take(self, topic: Topic, time: Array) -> None:
        """Feed what one topic has to give."""
        feeds = [f for f in FEEDS if f.topic == topic.name and all(name in topic.fields for name in f.fields)]
        motors = topic.name == "esc_status"
        satellites = topic.name in GPS_TOPICS and "time_utc_usec" in topic.fields
        if not (feeds or motors or satellites):
            return
        self.keep = np.isfinite(time)
        self.keep[self.keep] = self.builder.clock(time[self.keep], topic.label)
        self.all_kept = bool(self.keep.all())
        self.time = time if self.all_kept else time[self.keep]
        if not self.time.size:
            return
        for feed in feeds:
            self._feed(topic, feed)
        if motors:
            self._feed_motors(topic)
        if satellites:
            self._find_utc(topic)

    def _rank(self) -> None:
        """Put the sources of each channel in the order of the table of feeds, and remark on the choices."""
        for channel, group in self.builder.channels.items():
            entries = sorted(zip(self.ranks[channel], range(len(group)), strict=True))
            self.builder.channels[channel] = [group[k] for _, k in entries]
            for place, (_, k) in enumerate(entries[1:], start=2):
                topic_key, names = self.used[channel][k]
                for name in names:
                    self.choices.setdefault((topic_key, name), place)

    # Times ---------------------------------------------------------------------------------------------

    def _judge_times(self) -> None:
        """Decide for every message whether its stamp is credible, by its neighbours in the file."""
        walk = self.walk
        at = np.full(len(walk.topics), -1, dtype=np.int64)  # where each topic has its stamp
        for number, topic in enumerate(walk.topics):
            kind, offset = topic.fields.get("timestamp", ("", 0))
            if kind == "<u8":
                at[number] = offset
        places, owners = walk.places, walk.owners
        if at.min() < 0:
            timed = at[owners] >= 0
            places, owners = places[timed], owners[timed]
        if not places.size:
            return
        step = max(1, places.size // 10_000)
        few = [self._stamps(places[part], at[owners[part]]) for part in _parts(places.size, step, 500 * step)]
        base = min(int(np.median(np.concatenate(few))), 2**64 - 1)  # the median is a float
        seconds = np.empty(places.size)
        for part in _parts(places.size, 1, _STAMPS):
            seconds[part] = _signed_seconds(self._stamps(places[part], at[owners[part]]), base)
        credible = _near_neighbours(seconds)
        late = seconds >= (walk.start - base) * 1e-6 - _EARLY
        if np.mean(late) > 0.5:
            credible &= late
        else:
            self.builder.note("the start time in the header lies after most of the data: it is not used")
        seconds[~credible] = np.nan
        bad = np.bincount(owners[~credible], minlength=len(walk.topics))
        count = int(bad.sum())
        if places.size < walk.places.size:
            every = np.full(walk.places.size, np.nan)
            every[timed] = seconds
            seconds = every
        del places, owners, credible, late
        own = {id(topic): number for number, topic in enumerate(self.topics)}
        for topic, time in zip(walk.topics, walk.by_topic(seconds), strict=True):
            if id(topic) in own:
                self.times[own[id(topic)]] = time
        walk.forget()
        strange = sorted(topic.label for topic, lost in zip(walk.topics, bad.tolist(), strict=True) if lost)
        if count:
            first = ", ".join(strange[:4]) + (f" and {len(strange) - 4} more" if len(strange) > 4 else "")
            self.builder.tell(
                "bad_time",
                "timestamp",
                f"{count} messages carry a time from outside the log and were left out ({first})",
                count,
            )

    def _stamps(self, places: NDArray[np.integer], at: NDArray[np.int64]) -> NDArray[np.uint64]:
        stamps = gather(self.data, places + at, "<u8")
        let_go(self.data)
        return stamps.astype(np.uint64, copy=False)

    # Channels ------------------------------------------------------------------------------------------

    def _column(self, name: str) -> Array:
        values = self.columns[name]
        return (values if self.all_kept else values[self.keep]).astype(np.float64)

    def _feed(self, topic: Topic, feed: Feed) -> None:
        with np.errstate(over="ignore", invalid="ignore"):
            values = feed.make(*(self._column(name) for name in feed.fields))
        gated = np.zeros(values.size, dtype=bool)
        for gate, valid in feed.gates:
            if gate in topic.fields:
                gated |= ~valid(self._column(gate))
        if gated.any():
            values = np.where(gated, np.nan, values)
        self._add(topic, feed.channel, values, feed.fields, feed.note, _RANKS[id(feed)])

    def _add(
        self, topic: Topic, channel: str, values: Array, names: tuple[str, ...], remark: str, rank: int
    ) -> None:
        shared = "q" if names[0] == "q[0]" else names[0]
        if self.builder.add(channel, self.time, values, f"{topic.label}.{shared}"):
            self.ranks.setdefault(channel, []).append(rank)
            self.used.setdefault(channel, []).append((id(topic), names))
            for name in names:
                fed = self.feeds.setdefault((id(topic), name), [])
                if channel not in fed:
                    fed.append(channel)
                if remark:
                    self.remarks[id(topic), name] = remark
        else:
            for name in names:
                self.remarks.setdefault((id(topic), name), f"no valid value for {channel}")

    def _feed_motors(self, topic: Topic) -> None:
        slots = sorted((int(m[1]), name) for name in topic.fields if (m := ESC_RPM.match(name)))
        used = []
        for slot, name in slots:
            values = self._column(name)
            if not np.any(values != 0):
                self.remarks[id(topic), name] = "slot not used (0 throughout)"
                continue
            used.append(slot)
            if np.median(values[values != 0]) < 0:  # negative stands for reverse rotation
                values = -values
                self.builder.note(f"{topic.label}.{name} is negative (reverse rotation): its size is used")
            self._add(topic, "rpm", values, (name,), f"motor {slot + 1}", len(FEEDS))
        if len(used) > 1:
            listed = ", ".join(str(slot + 1) for slot in used)
            self.builder.note(
                f"{topic.label} holds {len(used)} motors ({listed}): rpm is the first, the others are "
                "further choices"
            )

    # UTC and the list of fields ------------------------------------------------------------------------

    def _find_utc(self, topic: Topic) -> None:
        utc, time = self._column("time_utc_usec"), self.time
        if "timestamp_time_relative" in topic.fields:
            time = time + 1e-6 * self._column("timestamp_time_relative")
        good = (utc > _FIRST_UTC) & (utc < _LAST_UTC)
        if good.any():
            start = float(np.median(utc[good] * 1e-6 - time[good]))
            self.utc.append((GPS_TOPICS.index(topic.name), start))

    def _list_fields(self, topic: Topic, time: Array) -> None:
        good = np.isfinite(time)
        rate = median_rate(time if good.all() else time[good])
        for name in topic.fields:
            listed = RawField(f"{topic.label}.{name}", topic.count, rate, field_unit(topic.name, name))
            self.listed.append((topic, listed))

    def _described(self, topic: Topic, field: RawField) -> RawField:
        key = (id(topic), field.name.removeprefix(f"{topic.label}."))
        choice = f"choice {self.choices[key]}" if key in self.choices else ""
        note = "; ".join(filter(None, (self.remarks.get(key, ""), choice)))
        return replace(field, feeds=", ".join(self.feeds.get(key, [])), note=note)


_RANKS = {id(feed): rank for rank, feed in enumerate(FEEDS)}


def _parts(size: int, step: int, length: int) -> list[slice]:
    """Return slices that together are every ``step``-th of so many."""
    return [slice(start, start + length, step) for start in range(0, size, length)]


def _signed_seconds(stamps: NDArray[np.uint64], base: int) -> Array:
    """Return stamps [us] less a base, in seconds, without a wrap below 0."""
    if int(stamps.max()) - int(stamps.min()) < 2**62 and base < 2**63:
        return np.multiply((stamps - np.uint64(base)).view(np.int64), 1e-6, dtype=np.float64)
    ahead = stamps >= np.uint64(base)
    size = np.where(ahead, stamps - np.uint64(base), np.uint64(base) - stamps)
    return np.where(ahead, 1.0, -1.0) * size.astype(np.float64) * 1e-6


def _near_neighbours(seconds: Array) -> NDArray[np.bool_]:
    """Mark the stamps that lie near the middle of their neighbours in the file.

    Parameters
    ----------
    seconds : ndarray, shape (n,)
        Stamps of all messages in file order.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    starts = np.arange(0, max(1, seconds.size - _BLOCK // 2), _BLOCK)
    stops = np.append(starts[1:], seconds.size)
    span = np.maximum.reduceat(seconds, starts) - np.minimum.reduceat(seconds, starts)
    near = np.ones(seconds.size, dtype=bool)
    spread: dict[int, tuple[float, float]] = {}

    def reach(k: int) -> tuple[float, float]:
        if k not in spread:
            low, high = np.quantile(seconds[starts[k] : stops[k]], [0.1, 0.9])
            spread[k] = (low - (_TOLERANCE + high - low), high + (_TOLERANCE + high - low))
        return spread[k]

    for i in np.flatnonzero(span > _TOLERANCE).tolist():  # within a shorter span all lie near its middle
        block = seconds[starts[i] : stops[i]]
        good = np.zeros(block.size, dtype=bool)
        for k in range(max(0, i - 1), min(starts.size, i + 2)):  # a pause may part a block from the next
            low, high = reach(k)
            good |= (block >= low) & (block <= high)
        near[starts[i] : stops[i]] = good
    return near
