"""ULog, the log of PX4 flight controllers.

pyulog reads the definitions; where messages begin and end, what is damaged and which times are credible is
worked out here, because a cut file, a wild stamp or a clock that jumps back are not reported by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import LogError, UnreadableLogError
from .build import RecordingBuilder, median_rate
from .content import Content, load_content
from .recording import RawField, Recording
from .ulog_map import ESC_RPM, FEEDS, GPS_TOPICS, Feed, field_unit
from .ulog_walk import MAGIC, Topic, Walk, walk_messages

__all__ = ["MAGIC", "NAME", "read", "sniff"]

NAME = "ULog"

_BLOCK = 256  # messages in a row whose middle stamp is the measure of the others
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
    if columns:
        raise LogError(
            "a column map is given, but this is a ULog, which names its own fields", where=content.path
        )
    walk = walk_messages(content.data, content.path)
    if not any(topic.offsets for topic in walk.topics):
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
        elif gap.cut and gap.start < len(builder.content.data):
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
        self.data = builder.content.data
        self.topics = sorted(
            (t for t in walk.topics if t.offsets), key=lambda t: (t.name, t.instance, t.offsets[0])
        )
        self.times: dict[int, Array] = {}
        self.keeps: dict[int, NDArray[np.bool_]] = {}
        self.feeds: dict[tuple[int, str], list[str]] = {}
        self.remarks: dict[tuple[int, str], str] = {}

    def fill(self) -> None:
        """Fill the builder."""
        self._judge_times()
        for feed in FEEDS:
            for topic in self.topics:
                if topic.name == feed.topic and all(name in topic.fields for name in feed.fields):
                    self._feed(topic, feed)
        self._feed_motors()
        self._find_utc()
        origin = self.builder.first_time()
        if origin is not None:
            self.builder.shift(origin)
        else:
            self.builder.note("none of its topics feeds a channel")
        self._list_fields()

    # Times ---------------------------------------------------------------------------------------------

    def _judge_times(self) -> None:
        """Decide for every message whether its stamp is credible, by its neighbours in the file."""
        timed = [t for t in self.topics if t.fields.get("timestamp", ("", 0))[0] == "<u8"]
        if not timed:
            return
        stamps = [t.column(self.data, "timestamp").astype(np.uint64) for t in timed]
        base = min(int(np.median(np.concatenate(stamps))), 2**64 - 1)  # the median is a float
        seconds = []
        for stamp in stamps:
            ahead = stamp >= np.uint64(base)
            size = np.where(ahead, stamp - np.uint64(base), np.uint64(base) - stamp)  # no wrap below 0
            seconds.append(np.where(ahead, 1.0, -1.0) * size.astype(np.float64) * 1e-6)
        place = np.concatenate([np.asarray(t.offsets) for t in timed])
        owner = np.concatenate([np.full(len(t.offsets), i) for i, t in enumerate(timed)])
        order = np.argsort(place, kind="stable")
        credible = np.empty(place.size, dtype=bool)
        credible[order] = _near_neighbours(np.concatenate(seconds)[order])
        late = np.concatenate(seconds) >= (self.walk.start - base) * 1e-6 - _EARLY
        if np.mean(late) > 0.5:
            credible &= late
        else:
            self.builder.note("the start time in the header lies after most of the data: it is not used")
        strange: list[str] = []
        count = 0
        for i, topic in enumerate(timed):
            good = credible[owner == i]
            self.times[id(topic)] = np.where(good, seconds[i], np.nan)
            bad = int(np.count_nonzero(~good))
            if bad:
                count += bad
                strange.append(topic.label)
        if count:
            first = ", ".join(strange[:4]) + (f" and {len(strange) - 4} more" if len(strange) > 4 else "")
            self.builder.tell(
                "bad_time",
                "timestamp",
                f"{count} messages carry a time from outside the log and were left out ({first})",
                count,
            )

    def _keep(self, topic: Topic) -> NDArray[np.bool_]:
        """Return which rows of a topic have a usable time."""
        key = id(topic)
        if key not in self.keeps:
            time = self.times.get(key)
            if time is None:
                self.keeps[key] = np.zeros(len(topic.offsets), dtype=bool)
            else:
                finite = np.isfinite(time)
                keep = np.zeros(time.size, dtype=bool)
                keep[finite] = self.builder.clock(time[finite], topic.label)
                self.keeps[key] = keep
        return self.keeps[key]

    # Channels ------------------------------------------------------------------------------------------

    def _column(self, topic: Topic, name: str, keep: NDArray[np.bool_]) -> Array:
        return topic.column(self.data, name)[keep].astype(np.float64)

    def _feed(self, topic: Topic, feed: Feed) -> None:
        keep = self._keep(topic)
        if not keep.any():
            return
        with np.errstate(over="ignore", invalid="ignore"):
            values = feed.make(*(self._column(topic, name, keep) for name in feed.fields))
        gated = np.zeros(values.size, dtype=bool)
        for gate, valid in feed.gates:
            if gate in topic.fields:
                gated |= ~valid(self._column(topic, gate, keep))
        values = np.where(gated, np.nan, values)
        self._add(topic, feed.channel, keep, values, feed.fields, feed.note)

    def _add(
        self,
        topic: Topic,
        channel: str,
        keep: NDArray[np.bool_],
        values: Array,
        names: tuple[str, ...],
        remark: str,
    ) -> None:
        shared = "q" if names[0] == "q[0]" else names[0]
        time = self.times[id(topic)][keep]
        if self.builder.add(channel, time, values, f"{topic.label}.{shared}"):
            rank = len(self.builder.channels[channel])
            for name in names:
                fed = self.feeds.setdefault((id(topic), name), [])
                if channel not in fed:
                    fed.append(channel)
                words = [remark] if remark else []
                if rank > 1:
                    words.append(f"choice {rank}")
                if words:
                    self.remarks[id(topic), name] = "; ".join(words)
        else:
            for name in names:
                self.remarks.setdefault((id(topic), name), f"no valid value for {channel}")

    def _feed_motors(self) -> None:
        for topic in self.topics:
            if topic.name != "esc_status":
                continue
            keep = self._keep(topic)
            slots = sorted((int(m[1]), name) for name in topic.fields if (m := ESC_RPM.match(name)))
            used = []
            for slot, name in slots:
                values = self._column(topic, name, keep)
                if not np.any(values != 0):
                    self.remarks[id(topic), name] = "slot not used (0 throughout)"
                    continue
                used.append(slot)
                if np.median(values[values != 0]) < 0:  # negative stands for reverse rotation
                    values = -values
                    self.builder.note(
                        f"{topic.label}.{name} is negative (reverse rotation): its size is used"
                    )
                self._add(topic, "rpm", keep, values, (name,), f"motor {slot + 1}")
            if len(used) > 1:
                listed = ", ".join(str(slot + 1) for slot in used)
                self.builder.note(
                    f"{topic.label} holds {len(used)} motors ({listed}): rpm is the first, the others are "
                    "further choices"
                )

    # UTC and the list of fields ------------------------------------------------------------------------

    def _find_utc(self) -> None:
        for topic_name in GPS_TOPICS:
            for topic in self.topics:
                if topic.name != topic_name or "time_utc_usec" not in topic.fields:
                    continue
                keep = self._keep(topic)
                utc = self._column(topic, "time_utc_usec", keep)
                time = self.times[id(topic)][keep] if keep.any() else np.empty(0)
                if "timestamp_time_relative" in topic.fields:
                    time = time + 1e-6 * self._column(topic, "timestamp_time_relative", keep)
                good = (utc > _FIRST_UTC) & (utc < _LAST_UTC)
                if good.any():
                    self.builder.start_utc = float(np.median(utc[good] * 1e-6 - time[good]))
                    return

    def _list_fields(self) -> None:
        for topic in self.topics:
            time = self.times.get(id(topic))
            rate = float("nan")
            if time is not None:
                good = time[np.isfinite(time)]
                rate = median_rate(good)
            for name in topic.fields:
                key = (id(topic), name)
                self.builder.fields.append(
                    RawField(
                        name=f"{topic.label}.{name}",
                        samples=len(topic.offsets),
                        rate_hz=rate,
                        unit=field_unit(topic.name, name),
                        feeds=", ".join(self.feeds.get(key, [])),
                        note=self.remarks.get(key, ""),
                    )
                )


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
    starts = list(range(0, max(1, seconds.size - _BLOCK // 2), _BLOCK))
    stops = [*starts[1:], seconds.size]
    low, high = np.array(
        [np.quantile(seconds[a:b], [0.1, 0.9]) for a, b in zip(starts, stops, strict=True)]
    ).T
    reach = _TOLERANCE + high - low
    near = np.zeros(seconds.size, dtype=bool)
    for i, (start, stop) in enumerate(zip(starts, stops, strict=True)):
        block = seconds[start:stop]
        for k in range(max(0, i - 1), min(len(starts), i + 2)):  # a pause may part a block from the next
            near[start:stop] |= (block >= low[k] - reach[k]) & (block <= high[k] + reach[k])
    return near
