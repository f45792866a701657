"""A walk over the messages of a ULog: which are whole, where the file breaks, what each topic looks like.

The definitions (formats, information) are read by pyulog from the bytes that this walk found whole. The walk
itself is needed because a ULog has no checksum: a file that was cut, or whose bytes were damaged, is found
only by following each message's size to the next one.

References
----------
PX4 developer documentation, "ULog File Format": header, definition and data sections, message types,
appended data, and the rule that padding at the end of a message is not logged.
"""

from __future__ import annotations

import contextlib
import io
import struct
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError

__all__ = ["MAGIC", "Gap", "Topic", "Walk", "walk_messages"]

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
    offsets : list of int
        Where the payload of each message begins in the file (after the message id).
    """

    name: str
    instance: int
    fields: dict[str, tuple[str, int]]
    shortest: int
    longest: int
    offsets: list[int] = field(default_factory=list)

    @property
    def label(self) -> str:
        """Topic as printed; the instance is named where it is not the first."""
        return self.name if self.instance == 0 else f"{self.name}:{self.instance}"

    def column(self, data: bytes, name: str) -> NDArray[np.generic]:
        """Return one field of every message, shape (n,), in its own type."""
        kind, offset = self.fields[name]
        dtype = np.dtype(kind)
        if not self.offsets:
            return np.empty(0, dtype=dtype)
        start = np.asarray(self.offsets, dtype=np.int64) + offset
        view = np.lib.stride_tricks.sliding_window_view(np.frombuffer(data, dtype=np.uint8), dtype.itemsize)
        rows: NDArray[np.generic] = np.ascontiguousarray(view[start]).view(dtype)[:, 0]
        return rows


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
    gaps: list[Gap] = field(default_factory=list)
    dropouts: list[int] = field(default_factory=list)
    strays: int = 0
    appended: tuple[int, ...] = ()
    info: dict[str, object] = field(default_factory=dict)
    definition_fault: str = ""


_Formats = dict[str, list[tuple[str, int, str]]]


class _Walker:
    def __init__(self, data: bytes) -> None:
        self.data = data
        self.formats: _Formats = {}
        self.layouts: dict[str, tuple[dict[str, tuple[str, int]], int, int]] = {}
        self.by_id: dict[int, Topic] = {}
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
        kinds = np.frombuffer(bytes(sorted(_KNOWN)), dtype=np.uint8)
        block = 1 << 20
        start = at + 1
        while start + 3 <= end:
            stop = min(start + block, end - 2)
            raw = np.frombuffer(self.data, dtype=np.uint8, count=stop + 2 - start, offset=start)
            size = raw[:-2].astype(np.int64) | (raw[1:-1].astype(np.int64) << 8)
            place = np.arange(start, stop)
            fits = np.isin(raw[2:], kinds) & (size > 0) & (place + 3 + size <= end)
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
        topic = Topic(name, payload[0], fields, shortest, longest)
        self.by_id[payload[1] | payload[2] << 8] = topic
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
        data, by_id, walk = self.data, self.by_id, self.walk
        while at < end:
            stop = at + 3
            if stop <= end:
                stop += data[at] | data[at + 1] << 8
                kind = data[at + 2]
            else:
                stop, kind = end + 1, 0
            if kind == _DATA and stop <= end and stop >= at + 5:
                topic = by_id.get(data[at + 3] | data[at + 4] << 8)
                if topic is not None and topic.shortest <= stop - at - 5 <= topic.longest:
                    topic.offsets.append(at + 5)
                    at = stop
                    continue
            elif self.after(at, end) > 0:
                if kind == _ADD:
                    self.subscribe(data[at + 3 : stop])
                elif kind == _DROPOUT:
                    walk.dropouts.append(data[at + 3] | data[at + 4] << 8)
                at = stop
                continue
            if stop <= end and stop > at + 3 and self.credible(stop, end):
                if kind == _DATA:
                    walk.strays += 1
                elif kind in _KNOWN:
                    walk.gaps.append(Gap(at, stop, False))
                at = stop  # a message of a kind or a topic not known: its size still leads to the next
                continue
            place = self.next_credible(at, end)
            walk.gaps.append(Gap(at, place, place == end))
            at = place


class _Undefined(Exception):
    """pyulog cannot read the definitions."""


def walk_messages(data: bytes, where: str) -> Walk:
    """Walk over a ULog.

    Parameters
    ----------
    data : bytes
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
    return walker.walk
