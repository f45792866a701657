"""A walk over the messages of a ULog: which are whole, where the file breaks, what each topic looks like.

The definitions (formats, information) are read by pyulog from the bytes that this walk found whole. The walk
itself is needed because a ULog has no checksum: a file that was cut, or whose bytes were damaged, is found
only by following each message's size to the next one.

Data messages, nearly all of a log, are followed many at a time: every place in a window of bytes that could
be the head of one (its kind, a subscription that exists, a size that fits it) is found at once, and those
that each end where the next begins are one run. Only where a run ends is a message looked at by itself.

References
----------
PX4 developer documentation, "ULog File Format": header, definition and data sections, message types,
appended data, and the rule that padding at the end of a message is not logged.
"""

from __future__ import annotations

import contextlib
import io
import struct
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .content import Bytes, let_go

__all__ = ["MAGIC", "Gap", "Topic", "Walk", "gather", "walk_messages"]

MAGIC = b"ULog\x01\x12\x35"
"""First seven bytes of every ULog; the eighth is the version, then 8 bytes of start time."""

_HEADER_SIZE = 16
_DATA, _ADD, _REMOVE, _FORMAT, _FLAGS, _DROPOUT, _SYNC = b"DARFBOS"
_DEFINITIONS = frozenset(b"BFIMPQ")
_KNOWN = frozenset(b"BFIMPQARDLCSO")
_SIZES = {_DROPOUT: (2, 2), _SYNC: (8, 8), _FLAGS: (40, 40), _ADD: (4, 512), _REMOVE: (2, 2)}
_KEY_AT = {b"I"[0]: 0, b"P"[0]: 0, b"M"[0]: 1, b"Q"[0]: 1}  # where a key's length stands in the payload
_LARGEST = 10_000  # a text message is never this long
_CHAIN = 4  # whole messages in a row that make a place credible
_DEEPEST = 8  # nesting of formats
_NEVER = 1 << 20  # larger than any message
_WINDOW = (1 << 16, 1 << 19)  # bytes searched at once for data messages: after a subscription, and at most
_MOST_TOPICS = 65_535
_ROWS = 8_192  # messages copied at once to take their fields apart
_SPAN = 1 << 26  # bytes of a file over which these may lie

_TYPES = {
    "int8_t": "<i1",
    "uint8_t": "<u1",
    "int16_t": "<i2",
    "uint16_t": "<u2",
    "int32_t": "<i4",
    "uint32_t": "<u4",
    "int64_t": "<i8",
    "uint64_t": "<u8",
    "float": "<f4",
    "double": "<f8",
    "bool": "<u1",
    "char": "<u1",
}


@dataclass
class Topic:
    """One subscription: a topic, its instance, and where its messages lie.

    Attributes
    ----------
    name : str
        Topic.
    instance : int
        Multi-instance number.
    fields : dict of str to tuple of (str, int)
        Flattened field name to numpy type and byte offset, padding left out.
    shortest, longest : int
        Size of a message without and with its padding at the end [bytes].
    offsets : ndarray of int, shape (n,)
        Where the payload of each message begins in the file (after the message id).
    """

    name: str
    instance: int
    fields: dict[str, tuple[str, int]]
    shortest: int
    longest: int
    offsets: Places = field(default_factory=lambda: np.empty(0, dtype=np.int64))

    @property
    def count(self) -> int:
        """How many messages there are."""
        return int(self.offsets.size)

    @property
    def label(self) -> str:
        """Topic as printed; the instance is named where it is not the first."""
        return self.name if self.instance == 0 else f"{self.name}:{self.instance}"

    def column(self, data: Bytes, name: str) -> NDArray[np.generic]:
        """Return one field of every message, shape (n,), in its own type."""
        kind, offset = self.fields[name]
        return gather(data, self.offsets + offset, kind)

    def columns(self, data: Bytes, names: Collection[str]) -> dict[str, NDArray[np.generic]]:
        """Return several fields of every message, each of shape (n,), with one pass over the file."""
        wanted = {name: self.fields[name] for name in names}
        record = np.dtype(
            {
                "names": list(wanted),
                "formats": [kind for kind, _ in wanted.values()],
                "offsets": [offset for _, offset in wanted.values()],
                "itemsize": self.shortest,
            }
        )
        out: dict[str, NDArray[np.generic]] = {
            name: np.empty(self.count, dtype=kind) for name, (kind, _) in wanted.items()
        }
        if not wanted or not self.count:
            return out
        apart = max(1.0, (int(self.offsets[-1]) - int(self.offsets[0])) / self.count)
        step = min(_ROWS, 1 + int(_SPAN / apart))
        for start in range(0, self.count, step):
            part = slice(start, start + step)
            rows = gather(data, self.offsets[part], f"V{self.shortest}").view(record)
            for name, column in out.items():
                column[part] = rows[name]
            let_go(data)
        return out


Places = NDArray[np.uint32] | NDArray[np.int64]
"""Bytes of a file: in four bytes each where that is enough."""


def _limits() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return for each kind of message its smallest and largest size; none fits a kind that does not exist."""
    low, high = np.full(256, _NEVER), np.zeros(256, dtype=np.int64)
    for kind in _KNOWN:
        low[kind], high[kind] = _SIZES.get(kind, (1, _NEVER))
    return low, high


_LIMITS = _limits()


def gather(data: Bytes, places: Places | NDArray[np.integer], kind: str) -> NDArray[np.generic]:
    """Return the values of one type that stand at the given bytes, which need not be aligned."""
    dtype = np.dtype(kind)
    if not places.size:
        return np.empty(0, dtype=dtype)
    every: NDArray[np.generic] = np.ndarray(
        (len(data) - dtype.itemsize + 1,), dtype=dtype, buffer=data, strides=(1,)
    )
    return every[places]


@dataclass(frozen=True)
class Gap:
    """A stretch of bytes that holds no whole message.

    Attributes
    ----------
    start, stop : int
        Bytes of the file, ``stop`` not included.
    cut : bool
        Whether the file ends there.
    """

    start: int
    stop: int
    cut: bool


@dataclass
class Walk:
    """What the walk found.

    Attributes
    ----------
    start : int
        Start time in the file's header [us].
    topics : list of Topic
        Every subscription, in file order.
    places : ndarray of int, shape (n,)
        Where the payload of each data message begins, in file order.
    owners : ndarray of int, shape (n,)
        For each of them the topic, as its place in ``topics``.
    gaps : list of Gap
        Damaged stretches.
    dropouts : list of int
        Durations [ms] of the stretches that the logger itself could not write.
    strays : int
        Whole data messages that belong to no known subscription or have the wrong size for it.
    appended : tuple of int
        Offsets at which data were appended.
    info : dict of str to object
        Information messages.
    definition_fault : str
        What was wrong among the definitions; empty when nothing was.
    """

    start: int
    topics: list[Topic] = field(default_factory=list)
    places: Places = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    owners: NDArray[np.uint16] = field(default_factory=lambda: np.empty(0, dtype=np.uint16))
    gaps: list[Gap] = field(default_factory=list)
    dropouts: list[int] = field(default_factory=list)
    strays: int = 0
    appended: tuple[int, ...] = ()
    info: dict[str, object] = field(default_factory=dict)
    definition_fault: str = ""
    _order: NDArray[np.uint32] | None = None

    def forget(self) -> None:
        """Let go of what is needed only while the times are judged."""
        self.places, self.owners, self._order = self.places[:0].copy(), self.owners[:0].copy(), None

    def by_topic(self, values: NDArray[Any]) -> list[NDArray[Any]]:
        """Part values that stand one for each of ``places`` by topic, each part in file order."""
        if self._order is None:
            self._order = np.argsort(self.owners, kind="stable").astype(np.uint32, copy=False)
        order = self._order
        counts = np.bincount(self.owners, minlength=len(self.topics))
        return np.split(values[order], np.cumsum(counts)[:-1])


_Formats = dict[str, list[tuple[str, int, str]]]


class _Walker:
    def __init__(self, data: Bytes) -> None:
        self.data = data
        self.formats: _Formats = {}
        self.layouts: dict[str, tuple[dict[str, tuple[str, int]], int, int]] = {}
        self.by_id: dict[int, Topic] = {}
        # For each message id the smallest and largest size of a whole message's payload, and its topic.
        self.low = np.full(65_536, _NEVER, dtype=np.int32)
        self.high = np.zeros(65_536, dtype=np.int32)
        self.owner = np.zeros(65_536, dtype=np.uint16)
        self.runs: list[tuple[Places, NDArray[np.uint16]]] = []
        self.walk = Walk(start=int.from_bytes(data[8:16], "little"))

    # One message ---------------------------------------------------------------------------------------

    def after(self, at: int, end: int) -> int:
        """Return where the message at ``at`` ends, or -1 where there is no credible whole message."""
        data = self.data
        if at + 3 > end:
            return -1
        size = data[at] | data[at + 1] << 8
        kind = data[at + 2]
        stop = at + 3 + size
        if stop > end or size == 0 or kind not in _KNOWN:
            return -1
        if kind == _DATA:
            if not self.by_id:  # before the first subscription any data message is credible
                return stop if 10 <= size <= _LARGEST else -1
            if size < 3:
                return -1
            topic = self.by_id.get(data[at + 3] | data[at + 4] << 8)
            return stop if topic is not None and topic.shortest <= size - 2 <= topic.longest else -1
        if kind in _KEY_AT:
            place = at + 3 + _KEY_AT[kind]
            length = data[place] if place < stop else 0
            return stop if length > 2 and b" " in data[place + 1 : min(place + 1 + length, stop)] else -1
        low, high = _SIZES.get(kind, (9, _LARGEST))
        if kind == _FORMAT:
            return stop if b":" in data[at + 3 : stop] else -1
        return stop if low <= size <= high else -1

    def credible(self, at: int, end: int) -> bool:
        """Whether several whole messages follow each other from ``at``, or they end just at ``end``."""
        for _ in range(_CHAIN):
            if at == end:
                return True
            at = self.after(at, end)
            if at < 0:
                return False
        return True

    def next_credible(self, at: int, end: int) -> int:
        """Return the next credible place after ``at``, or ``end`` where there is none."""
        low, high = _LIMITS
        block = 1 << 20
        start = at + 1
        while start + 3 <= end:
            stop = min(start + block, end - 2)
            raw = np.frombuffer(self.data, dtype=np.uint8, count=stop + 2 - start, offset=start)
            size = raw[:-2].astype(np.int64) | (raw[1:-1].astype(np.int64) << 8)
            place = np.arange(start, stop)
            fits = (size >= low[raw[2:]]) & (size <= high[raw[2:]]) & (place + 3 + size <= end)
            if self.by_id:  # a data message counts only if its topic is known and its size fits that
                data_at = np.flatnonzero(fits & (raw[2:] == _DATA))
                data_at = data_at[place[data_at] + 5 <= end]
                whole = np.frombuffer(self.data, dtype=np.uint8)
                first, second = (whole[start + k + data_at].astype(np.int64) for k in (3, 4))
                identity = first | second << 8
                wrong = (size[data_at] < self.low[identity]) | (size[data_at] > self.high[identity])
                fits[data_at[wrong]] = False
            for candidate in place[fits].tolist():
                if self.after(candidate, end) > 0 and self.credible(candidate, end):
                    return int(candidate)
            start = stop
        return end

    # Definitions ---------------------------------------------------------------------------------------

    def read_definitions(self) -> int:
        """Read the definition section with pyulog; return where the data section begins."""
        data, end = self.data, len(self.data)
        whole = bytearray(data[:_HEADER_SIZE])
        at = _HEADER_SIZE
        while at < end:
            stop = self.after(at, end)
            if stop < 0:
                if at + 3 <= end and data[at + 2] == _DATA:
                    break  # data whose subscription was lost: the data walk deals with it
                place = self.next_credible(at, end)
                self.walk.gaps.append(Gap(at, place, place == end))
                at = place
                continue
            if data[at + 2] not in _DEFINITIONS:
                break
            if data[at + 2] != _FLAGS or at == _HEADER_SIZE:
                whole += data[at:stop]
            at = stop
        self._define(bytes(whole))
        return at

    def _define(self, whole: bytes) -> None:
        from pyulog import ULog
        from pyulog.exceptions import ULogException

        printed = io.StringIO()
        try:
            with contextlib.redirect_stdout(printed):
                log = ULog(io.BytesIO(whole), parse_header_only=True)
        except (ULogException, struct.error, ValueError, TypeError, IndexError, KeyError) as error:
            raise _Undefined(str(error)) from error
        if printed.getvalue().strip():
            self.walk.definition_fault = "part of the definitions is damaged and was left out"
        for name, message_format in log.message_formats.items():
            self.formats[str(name)] = [
                (str(kind), int(length), str(label)) for kind, length, label in message_format.fields
            ]
        self.walk.info = {str(key): value for key, value in log.msg_info_dict.items()}
        flags = whole[_HEADER_SIZE:]
        if len(flags) >= 43 and flags[2] == _FLAGS and flags[11] & 1:
            offsets = struct.unpack("<3Q", flags[19:43])
            self.walk.appended = tuple(o for o in offsets if _HEADER_SIZE < o < len(self.data))

    def flatten(
        self, name: str, prefix: str, offset: int, out: dict[str, tuple[str, int]], depth: int
    ) -> int:
        """Lay out a format's fields; return the offset after them."""
        if depth > _DEEPEST or not self.formats.get(name):
            raise KeyError(name)
        for kind, length, label in self.formats[name]:
            for i in range(max(1, length)):
                full = f"{prefix}{label}[{i}]" if length > 0 else f"{prefix}{label}"
                if kind in _TYPES:
                    out[full] = (_TYPES[kind], offset)
                    offset += int(_TYPES[kind][2:])
                else:
                    offset = self.flatten(kind, f"{full}.", offset, out, depth + 1)
                if offset > 0xFFFF:
                    raise KeyError(name)
        return offset

    def subscribe(self, payload: bytes) -> None:
        """Take in one subscription; the messages of one whose format is unknown count as strays."""
        name = payload[3:].decode("utf-8", "replace")
        if name not in self.layouts:
            self.layouts[name] = self._lay_out(name)
        fields, shortest, longest = self.layouts[name]
        if not fields:
            self.walk.definition_fault = (
                f'the topic "{name[:40]}" is logged but its format is missing or damaged'
            )
            return
        if len(self.walk.topics) >= _MOST_TOPICS:
            self.walk.definition_fault = "there are more subscriptions than a log can have"
            return
        topic = Topic(name, payload[0], fields, shortest, longest)
        identity = payload[1] | payload[2] << 8
        self.by_id[identity] = topic
        self.low[identity], self.high[identity] = shortest + 2, longest + 2
        self.owner[identity] = len(self.walk.topics)
        self.walk.topics.append(topic)

    def _lay_out(self, name: str) -> tuple[dict[str, tuple[str, int]], int, int]:
        """Return a format's fields without padding, and its size without and with padding at the end."""
        fields: dict[str, tuple[str, int]] = {}
        try:
            longest = self.flatten(name, "", 0, fields, 0)
        except KeyError:
            return {}, 0, 0
        names = list(fields)
        shortest = longest
        while names and names[-1].split(".")[-1].startswith("_padding"):
            shortest = fields[names.pop()][1]
        kept = {n: fields[n] for n in names if not n.split(".")[-1].startswith("_padding")}
        return kept, shortest, longest

    # Data ----------------------------------------------------------------------------------------------

    def read_data(self, at: int, end: int) -> None:
        """Walk the data section from ``at`` to ``end``."""
        window = _WINDOW[0]
        while at < end:
            topics = len(self.walk.topics)
            at = self._read_window(at, min(at + window, end), end)
            let_go(self.data)
            window = _WINDOW[0] if len(self.walk.topics) > topics else min(2 * window, _WINDOW[1])

    def _read_window(self, at: int, limit: int, end: int) -> int:
        """Walk from ``at`` to ``limit`` or to the next subscription; return where the walk stands."""
        starts, stops, owners = self._possible(at, limit, end)
        ends = np.append(np.flatnonzero(starts[1:] != stops[:-1]), starts.size - 1)  # last of each run
        kept: list[slice] = []
        topics = len(self.walk.topics)
        i = 0
        while at < limit and len(self.walk.topics) == topics:
            if i < starts.size and starts[i] < at:
                i = int(np.searchsorted(starts, at))
            if i < starts.size and starts[i] == at:
                last = int(ends[np.searchsorted(ends, i)])
                kept.append(slice(i, last + 1))
                at = int(stops[last])
                i = last + 1
            else:
                at = self._read_other(at, end)
        if kept:
            places = np.concatenate([starts[part] for part in kept]) + 5
            compact: Places = places.astype(np.uint32) if len(self.data) < 2**32 else places
            self.runs.append((compact, np.concatenate([owners[part] for part in kept])))
        return at

    def _possible(
        self, at: int, limit: int, end: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.uint16]]:
        """Return the start, end and topic of all that may be a data message of a known topic."""
        raw = np.frombuffer(self.data, dtype=np.uint8)
        kinds = np.flatnonzero(raw[at + 2 : min(limit + 2, end - 2)] == _DATA) + (at + 2)
        size = raw[kinds - 2].astype(np.int32) | raw[kinds - 1].astype(np.int32) << 8
        identity = raw[kinds + 1].astype(np.int32) | raw[kinds + 2].astype(np.int32) << 8
        fits = (size >= self.low[identity]) & (size <= self.high[identity]) & (kinds + size < end)
        starts = kinds[fits] - 2
        return starts, starts + size[fits] + 3, self.owner[identity[fits]]

    def _read_other(self, at: int, end: int) -> int:
        """Deal with what stands at ``at`` and is no data message of a known topic; return what follows."""
        data, walk = self.data, self.walk
        stop, kind = end + 1, 0
        if at + 3 <= end:
            stop, kind = at + 3 + (data[at] | data[at + 1] << 8), data[at + 2]
        if kind != _DATA and self.after(at, end) > 0:
            if kind == _ADD:
                self.subscribe(data[at + 3 : stop])
            elif kind == _DROPOUT:
                walk.dropouts.append(data[at + 3] | data[at + 4] << 8)
            return stop
        if at + 3 < stop <= end and self.credible(stop, end):
            if kind == _DATA:
                walk.strays += 1
            elif kind in _KNOWN or not 32 < kind < 127:  # kinds are letters
                walk.gaps.append(Gap(at, stop, False))
            return stop  # a message of a kind or a topic not known: its size still leads to the next
        place = self.next_credible(at, end)
        walk.gaps.append(Gap(at, place, place == end))
        return place

    def hand_out(self) -> None:
        """Give each topic the places of its messages."""
        walk = self.walk
        if not self.runs:
            return
        walk.places = np.concatenate([places for places, _ in self.runs])  # pyright: ignore[reportAttributeAccessIssue]
        walk.owners = np.concatenate([owners for _, owners in self.runs])
        self.runs.clear()
        for topic, places in zip(walk.topics, walk.by_topic(walk.places), strict=True):
            topic.offsets = places


class _Undefined(Exception):
    """pyulog cannot read the definitions."""


def walk_messages(data: Bytes, where: str) -> Walk:
    """Walk over a ULog.

    Parameters
    ----------
    data : bytes or mmap
        The whole file.
    where : str
        File name, for errors.

    Raises
    ------
    UnreadableLogError
        If the header is cut or the definitions cannot be read.
    """
    if len(data) < _HEADER_SIZE:
        raise UnreadableLogError(
            f"the ULog is cut within its header, after byte {len(data)}",
            where=where,
            allowed="at least 16 bytes",
            hint="copy it from the logger again",
        )
    walker = _Walker(data)
    try:
        at = walker.read_definitions()
    except _Undefined as error:
        raise UnreadableLogError(
            f"the definitions of the ULog cannot be read ({error})",
            where=where,
            hint="copy it from the logger again",
        ) from error
    for offset in (*sorted(walker.walk.appended), len(data)):
        if offset > at:
            walker.read_data(at, offset)
            at = offset
    walker.hand_out()
    return walker.walk
