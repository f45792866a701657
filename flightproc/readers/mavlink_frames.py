"""Where the MAVLink frames of a telemetry log are, and which of them are whole.

Frames are found by looking at all bytes at once: a place is a candidate where a credible stamp, a start byte,
and a length that fits the file stand in the right places. Candidates whose checksum fits, chained one to the
next, are the log; what lies between them is damage.

References
----------
MAVLink Developer Guide, "Packet Serialization" (MAVLink 1 and 2 frames, payload truncation, checksum) and
"Message Signing" (the 13 bytes of a signature).
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .mavlink_messages import CHECK_SEEDS, LAYOUTS, MESSAGE_NAMES, checksum

__all__ = ["Frames", "find_frames"]

Bytes = NDArray[np.uint8]
Places = NDArray[np.int64]
Ids = NDArray[np.int32]

_STAMP = 8  # bytes of time before each frame
_LEAST = _STAMP + 8  # an empty MAVLink 1 frame
_MOST = _STAMP + 10 + 255 + 2 + 13
_BLOCK = 1 << 22
_SIGNED = 0x01
_LATEST = 0x10  # second byte of the last stamp taken for a time: the year 2112

_GOOD, _BAD, _UNKNOWN = 1, 2, 3

_MIRROR = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_MIRROR_16 = np.frombuffer(_MIRROR, dtype=np.uint8).astype(np.uint16)
_LAST_STEP = np.array([checksum(bytes([byte]), 0) for byte in range(256)], dtype=np.uint16)

_SEEDS = np.full(1 << 16, -1, dtype=np.int16)
_SEEDS[list(CHECK_SEEDS)] = list(CHECK_SEEDS.values())


@dataclass(frozen=True)
class Frames:
    """The frames of a log, in file order.

    Attributes
    ----------
    start : ndarray of int64, shape (n,)
        Byte at which each one's stamp stands.
    stamp : ndarray of uint64, shape (n,)
        Receive stamp [us].
    header : ndarray of uint8, shape (n,)
        Bytes from there to the payload.
    length : ndarray of uint8, shape (n,)
        Payload bytes in the file.
    message : ndarray of int32, shape (n,)
        Message id.
    system, component, sequence : ndarray of uint8, shape (n,)
    signed : int
        Frames with a signature, which is skipped: testing it takes the pilot's secret key.
    verified : int
        Frames whose checksum was tested, and fits.
    bad : dict of (str, int, int) to int
        How many frames had a wrong checksum, by message name, system and component.
    gaps : tuple of (int, int)
        First byte and byte after the last of stretches that are no frames; the last one may reach the end.
    cut : bool
        Whether the last gap is a frame that the file's end cuts.
    """

    start: Places
    stamp: NDArray[np.uint64]
    header: Bytes
    length: Bytes
    message: Ids
    system: Bytes
    component: Bytes
    sequence: Bytes
    signed: int
    verified: int
    bad: dict[tuple[str, int, int], int]
    gaps: tuple[tuple[int, int], ...]
    cut: bool

    def rows(self, data: bytes, chosen: Places, number: int) -> NDArray[np.void]:
        """Return the payloads of some frames of one message as a structured array.

        Parameters
        ----------
        data : bytes
            The file.
        chosen : ndarray of int64, shape (k,)
            Which frames; all of the message ``number``.
        number : int
            Id of a message in :data:`LAYOUTS`.

        Returns
        -------
        ndarray, shape (k,)
            Zeros that MAVLink 2 cut from the end, and extensions that MAVLink 1 lacks, are 0.
        """
        raw = np.frombuffer(data, dtype=np.uint8)
        size = LAYOUTS[number].row.itemsize
        out = np.zeros((chosen.size, size), dtype=np.uint8)
        length = np.minimum(self.length[chosen], size)
        for count in np.unique(length).tolist():
            if count:
                which = np.flatnonzero(length == count)
                window = np.lib.stride_tricks.sliding_window_view(raw, count)
                here = chosen[which]
                out[which, :count] = window[self.start[here] + self.header[here]]
        return out.view(LAYOUTS[number].row)[:, 0]


@dataclass(frozen=True)
class _Candidates:
    """Places that may be frames, in order."""

    start: Places
    end: Places
    message: Ids
    state: NDArray[np.int8]


def _message_ids(raw: Bytes, start: Places) -> Ids:
    second = raw[start + _STAMP] == 0xFD
    last = raw.size - 1
    long = (
        raw[np.minimum(start + 15, last)].astype(np.int64)
        | raw[np.minimum(start + 16, last)].astype(np.int64) << 8
        | raw[np.minimum(start + 17, last)].astype(np.int64) << 16
    )
    return np.where(second, long, raw[start + 13]).astype(np.int32)


def _judge(data: bytes, low: int, start: Places, stop: Places, message: Ids) -> NDArray[np.int8]:
    """Test the checksums of candidates in one block; ``stop`` is the byte after each one's payload."""
    state = np.full(start.size, _UNKNOWN, dtype=np.int8)
    seed = np.where(message < _SEEDS.size, _SEEDS[np.minimum(message, _SEEDS.size - 1)], -1)
    known = np.flatnonzero(seed >= 0)
    if not known.size:
        return state
    # The library's CCITT checksum is MAVLink's with the bits of each byte, and of the result, mirrored.
    mirrored = data[low : low + _BLOCK + _MOST].translate(_MIRROR)
    first = (start[known] + _STAMP + 1 - low).tolist()
    after = (stop[known] - low).tolist()
    crc_of = binascii.crc_hqx
    sums = np.array(
        [crc_of(mirrored[a:b], 0xFFFF) for a, b in zip(first, after, strict=True)], dtype=np.uint16
    )
    sums = _MIRROR_16[sums >> 8] | _MIRROR_16[sums & 0xFF] << 8
    sums = sums >> 8 ^ _LAST_STEP[(sums ^ seed[known].astype(np.uint16)) & 0xFF]
    raw = np.frombuffer(data, dtype=np.uint8)
    written = raw[stop[known]].astype(np.uint16) | raw[stop[known] + 1].astype(np.uint16) << 8
    state[known] = np.where(sums == written, _GOOD, _BAD)
    return state


def _find_candidates(data: bytes) -> _Candidates:
    raw = np.frombuffer(data, dtype=np.uint8)
    parts: list[tuple[Places, Places, Ids, NDArray[np.int8]]] = []
    for low in range(0, max(0, raw.size - _LEAST + 1), _BLOCK):
        high = min(low + _BLOCK, raw.size - _LEAST + 1)
        magic = raw[low + _STAMP : high + _STAMP]
        start = np.flatnonzero((magic == 0xFE) | (magic == 0xFD)) + low
        start = start[(raw[start] == 0) & (raw[start + 1] <= _LATEST)]
        second = raw[start + _STAMP] == 0xFD
        flags = np.where(second, raw[start + _STAMP + 2], 0)
        stop = start + _STAMP + np.where(second, 10, 6) + raw[start + _STAMP + 1]
        end = stop + 2 + 13 * (flags & _SIGNED).astype(np.int64)
        whole = (end <= raw.size) & (flags <= _SIGNED)  # a flag not known means a frame not to be read
        start, stop, end = start[whole], stop[whole], end[whole]
        message = _message_ids(raw, start)
        parts.append((start, end, message, _judge(data, low, start, stop, message)))
    if not parts:
        none = np.empty(0, dtype=np.int64)
        return _Candidates(none, none, none.astype(np.int32), none.astype(np.int8))
    starts, ends, messages, states = zip(*parts, strict=True)
    return _Candidates(*(np.concatenate(column) for column in (starts, ends, messages, states)))


def find_frames(data: bytes) -> Frames:
    """Find the frames of a telemetry log.

    Parameters
    ----------
    data : bytes
        The file.

    Notes
    -----
    A frame of a message whose checksum seed is known counts when its checksum fits. One that is not known
    counts when another frame, or the end of the file, follows just behind it. After a wrong checksum the
    frame's length is believed only if another frame follows just behind it.
    """
    found = _find_candidates(data)
    start, end, state = found.start, found.end, found.state
    size, total = len(data), found.start.size
    after = np.searchsorted(start, end)
    followed = (end == size) | (np.append(start, -1)[after] == end)
    trusted = (state == _GOOD) | ((state == _UNKNOWN) & followed)
    regular = trusted & (after == np.arange(1, total + 1)) & followed & (end != size)
    breaks = np.append(np.flatnonzero(~regular), total)
    anchors = np.flatnonzero(trusted)
    taken: list[Places] = []
    bad: list[int] = []
    gaps: list[tuple[int, int]] = []
    at, i = 0, 0
    while at < size:
        here = i < total and int(start[i]) == at
        if here and trusted[i]:
            last = int(breaks[np.searchsorted(breaks, i)])
            stop = last + 1 if last < total and trusted[last] else last
            taken.append(np.arange(i, stop))
            at, i = int(end[stop - 1]), int(after[stop - 1])
        elif here and state[i] == _BAD and followed[i]:
            bad.append(i)
            at, i = int(end[i]), int(after[i])
        else:
            k = int(np.searchsorted(anchors, i + 1 if here else i))
            i = int(anchors[k]) if k < anchors.size else total
            stop = int(start[i]) if i < total else size
            gaps.append((at, stop))
            at = stop
    chosen = np.concatenate(taken) if taken else np.empty(0, dtype=np.int64)
    return _gather(data, found, chosen, bad, gaps)


def _gather(
    data: bytes, found: _Candidates, chosen: Places, bad: list[int], gaps: list[tuple[int, int]]
) -> Frames:
    raw = np.frombuffer(data, dtype=np.uint8)
    start = found.start[chosen]
    second = raw[start + _STAMP] == 0xFD
    source = start + _STAMP + np.where(second, 4, 2)
    stamp = np.zeros(start.size, dtype=np.uint64)
    for k in range(_STAMP):
        stamp = stamp << np.uint64(8) | raw[start + k]
    counts: dict[tuple[str, int, int], int] = {}
    for i in bad:
        place = int(found.start[i]) + _STAMP
        place += 5 if data[place] == 0xFD else 3
        number = int(found.message[i])
        key = (MESSAGE_NAMES.get(number, str(number)), data[place], data[place + 1])
        counts[key] = counts.get(key, 0) + 1
    cut = False
    if gaps and gaps[-1][1] == len(data):
        rest = data[gaps[-1][0] :]
        cut = len(rest) <= _MOST and rest[_STAMP : _STAMP + 1] in (b"", b"\xfe", b"\xfd")
    return Frames(
        start=start,
        stamp=stamp,
        header=np.where(second, _STAMP + 10, _STAMP + 6).astype(np.uint8),
        length=raw[start + _STAMP + 1],
        message=found.message[chosen],
        system=raw[source + 1],
        component=raw[source + 2],
        sequence=raw[source],
        signed=int(np.count_nonzero(second & (raw[start + _STAMP + 2] & _SIGNED > 0))),
        verified=int(np.count_nonzero(found.state[chosen] == _GOOD)),
        bad=counts,
        gaps=tuple(gaps),
        cut=cut,
    )
