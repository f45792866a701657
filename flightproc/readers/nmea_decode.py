"""NMEA 0183 sentences as columns: found, checked and split with whole arrays of bytes."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["KINDS", "Sentences", "Stream", "decode_stream"]

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]
Column = NDArray[Any]  # float64, or uint8 for single characters

_BLOCK = 1 << 20  # bytes decoded at once
_LONGEST_BLOCK = 1 << 21  # bytes after which a block ends even without a line end
_WIDEST = 24  # bytes of a number
_ADDRESS = 8  # bytes of an address at most
_BEGUN = 6  # a $ at the start of a line and as many bytes of text with it are the beginning of a sentence
_DOLLAR, _STAR, _COMMA, _NEWLINE = 36, 42, 44, 10

KINDS: dict[str, tuple[tuple[int, str, str], ...]] = {
    "RMC": (
        (1, "time", "time"),
        (2, "status", "char"),
        (3, "latitude", "latitude"),
        (5, "longitude", "longitude"),
        (7, "speed", "number"),
        (8, "course", "number"),
        (9, "date", "date"),
        (10, "magnetic_variation", "number"),
        (11, "variation_side", "char"),
        (12, "mode", "char"),
    ),
    "GGA": (
        (1, "time", "time"),
        (2, "latitude", "latitude"),
        (4, "longitude", "longitude"),
        (6, "quality", "number"),
        (7, "satellites", "number"),
        (8, "hdop", "number"),
        (9, "height", "number"),
        (10, "height_unit", "char"),
        (11, "geoid_separation", "number"),
        (13, "correction_age", "number"),
        (14, "station", "number"),
    ),
    "GNS": (
        (1, "time", "time"),
        (2, "latitude", "latitude"),
        (4, "longitude", "longitude"),
        (6, "fix", "modes"),
        (7, "satellites", "number"),
        (8, "hdop", "number"),
        (9, "height", "number"),
        (10, "geoid_separation", "number"),
    ),
    "GLL": (
        (1, "latitude", "latitude"),
        (3, "longitude", "longitude"),
        (5, "time", "time"),
        (6, "status", "char"),
        (7, "mode", "char"),
    ),
    "VTG": (
        (1, "course", "number"),
        (3, "magnetic_course", "number"),
        (5, "speed", "number"),
        (7, "speed_kmh", "number"),
        (9, "mode", "char"),
    ),
    "GSA": (
        (1, "selection", "char"),
        (2, "fix", "number"),
        (15, "pdop", "number"),
        (16, "hdop", "number"),
        (17, "vdop", "number"),
    ),
    "HDT": ((1, "heading", "number"), (2, "reference", "char")),
    "ZDA": (
        (1, "time", "time"),
        (2, "day", "number"),
        (3, "month", "number"),
        (4, "year", "number"),
    ),
    "GST": (
        (1, "time", "time"),
        (2, "rms", "number"),
        (6, "latitude_std", "number"),
        (7, "longitude_std", "number"),
        (8, "height_std", "number"),
    ),
    "RPM": (
        (1, "source", "char"),
        (2, "number", "number"),
        (3, "speed", "number"),
        (4, "pitch", "number"),
        (5, "status", "char"),
    ),
}
"""The sentences that are split: place, name and type of each field."""

_FED = {
    "time", "date", "day", "month", "year", "status", "mode", "fix", "quality", "latitude", "longitude",
    "height", "height_unit", "speed", "speed_kmh", "course", "heading", "source",
}  # fmt: skip


@dataclass
class Sentences:
    """All sentences of one kind, as columns.

    Attributes
    ----------
    order : ndarray of int, shape (n,)
        Byte of the file at which each begins.
    columns : dict of str to ndarray, shape (n,)
        By the field's name. Numbers as written, NaN where empty or none; time [s] since midnight; date in
        days since 1970; latitude and longitude [deg], north and east positive; single characters as their
        code, 0 where empty; ``modes`` as 1 where any system has a fix.
    filled : Counter of str
        How many are not empty.
    bad : Counter of str
        How many are neither empty nor what they should be.
    talkers : Counter of str
        First two letters of the address.
    unchecked : ndarray of bool, shape (n,)
        Whether a sentence has no checksum.
    """

    order: Index
    columns: dict[str, Column]
    filled: Counter[str]
    bad: Counter[str]
    talkers: Counter[str]
    unchecked: Mask


@dataclass
class Stream:
    """What an NMEA stream holds.

    Attributes
    ----------
    kinds : dict of str to Sentences
        The sentences that are split, by kind, in the order of :data:`KINDS`.
    others : Counter of str
        The other sentences, by kind (or whole address, for those of one maker).
    wrong_checksum : list of int
        Lines of sentences left out because of their checksum.
    broken : list of int
        Lines that begin like a sentence and are none.
    cut : int
        Line at whose end the file breaks off within a sentence, 0 if it does not.
    unchecked : Counter of str
        Sentences without a checksum that were accepted, by kind.
    text_lines : int
        Other lines of text.
    other_bytes : int
        Bytes that are no text.
    binary_messages : int
        UBX messages, by their two first bytes.
    """

    kinds: dict[str, Sentences] = field(default_factory=dict)
    others: Counter[str] = field(default_factory=Counter)
    wrong_checksum: list[int] = field(default_factory=list)
    broken: list[int] = field(default_factory=list)
    cut: int = 0
    unchecked: Counter[str] = field(default_factory=Counter)
    text_lines: int = 0
    other_bytes: int = 0
    binary_messages: int = 0


def _blocks(data: bytes) -> Iterator[tuple[int, int]]:
    """Return blocks of the file that end with a line, where lines are of sane length."""
    low = 0
    while low < len(data):
        high = data.find(b"\n", low + _BLOCK, low + _LONGEST_BLOCK)
        high = high + 1 if high >= 0 else min(low + _LONGEST_BLOCK, len(data))
        yield low, high
        low = high


def _next(places: Index, after: Index, none: int) -> Index:
    """Return for each index the first place that is not before it."""
    return np.append(places, none)[np.searchsorted(places, after)]


@dataclass
class _Found:
    """The sentences of one block."""

    padded: Bytes
    start: Index
    comma: Index  # index of the first comma in commas
    commas: Index
    body_end: Index
    unchecked: Mask
    address: Bytes  # (n, 8), blanks beyond its end
    length: Index


def _hex_digit(byte: Bytes) -> Bytes:
    """Return the value of a hexadecimal digit, 255 where it is none."""
    table = np.full(256, 255, dtype=np.uint8)
    for value, text in enumerate("0123456789ABCDEF"):
        table[ord(text)] = table[ord(text.lower())] = value
    return np.asarray(table[byte])


def _find(block: Bytes, first_line: int, is_last: bool, stream: Stream) -> tuple[_Found, Index]:
    """Find the sentences of a block; return them and the ends of its lines."""
    size = block.size
    padded = np.concatenate([block, np.zeros(_WIDEST + 8, dtype=np.uint8)])
    odd = (block < 32) | (block > 126)
    newlines = np.flatnonzero(block == _NEWLINE)
    start = np.flatnonzero(block == _DOLLAR)
    end = _next(np.flatnonzero(odd | (block == _DOLLAR)), start + 1, size)
    commas = np.flatnonzero(block == _COMMA)
    star = np.minimum(_next(np.flatnonzero(block == _STAR), start, size), end)
    comma = np.searchsorted(commas, start)
    first_comma = np.append(commas, size)[comma]
    length = first_comma - start - 1
    address = sliding_window_view(padded, _ADDRESS)[start + 1]
    inside = np.arange(_ADDRESS)[None, :] < length[:, None]
    upper = ((address >= 65) & (address <= 90)) | ((address >= 48) & (address <= 57))
    good = (first_comma < star) & (length >= 3) & (length <= _ADDRESS) & (upper | ~inside).all(axis=1)

    control = np.count_nonzero(odd) - sum(int(np.count_nonzero(block == c)) for c in (9, 10, 13))
    stream.other_bytes += int(control)
    before = np.where(start > 0, block[np.maximum(start - 1, 0)], _NEWLINE)
    broken = ~good & ((before == _NEWLINE) | (before == 13))
    broken &= (end - start >= _BEGUN) | (is_last & (end == size))  # a lone $ is part of binary data
    lines = first_line + np.searchsorted(newlines, start)
    open_end = is_last & (end == size)
    for line in lines[broken & ~open_end].tolist():
        stream.broken.append(line)

    has_star = star < end
    total = np.zeros(start.size, dtype=np.uint8)
    rows = np.flatnonzero(good)
    if rows.size:
        edges = np.stack([start[rows] + 1, star[rows]], axis=1).ravel()
        total[rows] = np.bitwise_xor.reduceat(padded, edges)[::2]
    high, low = _hex_digit(padded[star + 1]), _hex_digit(padded[star + 2])
    whole = has_star & (high < 16) & (low < 16) & (star + 2 < end)
    right = whole & (total == (high & 15) * np.uint8(16) + (low & 15))
    wrong = good & has_star & ~right
    cut = open_end & ((wrong & ~whole) | broken)
    stream.wrong_checksum += lines[wrong & ~cut].tolist()
    if cut.any():
        stream.cut = int(lines[cut][-1])

    edges = np.append(newlines, size) if newlines.size == 0 or newlines[-1] < size - 1 else newlines
    length_of_line = np.diff(edges, prepend=-1) - 1
    length_of_line -= block[np.maximum(edges - 1, 0)] == 13
    other = length_of_line > 0
    other[lines[good | broken] - first_line] = False
    beheaded = np.unique(np.searchsorted(newlines, _beheaded(padded, size, star[has_star], commas, odd)))
    beheaded = beheaded[beheaded + first_line > 1]  # a log may begin within a sentence
    told = lines[(broken & ~open_end) | wrong]
    stream.broken += [line for line in (beheaded + first_line).tolist() if line not in told]
    other[beheaded] = False
    if control:
        strange = odd & (block != _NEWLINE) & (block != 13) & (block != 9)
        other[np.searchsorted(newlines, np.flatnonzero(strange))] = False
    stream.text_lines += int(np.count_nonzero(other))

    keep = np.flatnonzero(good & (right | ~has_star))
    found = _Found(
        padded, start[keep], comma[keep], np.concatenate([commas, np.full(32, size)]), star[keep],
        ~has_star[keep], np.where(inside, address, 32)[keep].astype(np.uint8), length[keep],
    )  # fmt: skip
    return found, newlines


def _beheaded(padded: Bytes, size: int, stars: Index, commas: Index, odd: Mask) -> Index:
    """Return where checksums stand that belong to no sentence, for it lost its beginning."""
    star = np.setdiff1d(np.flatnonzero(padded[:size] == _STAR), stars)
    ends = np.concatenate([odd, np.ones(4, dtype=bool)])[star + 3]
    digits = (_hex_digit(padded[star + 1]) < 16) & (_hex_digit(padded[star + 2]) < 16)
    line = np.append(np.flatnonzero(odd), size)
    begins = np.append(-1, line)[np.searchsorted(line, star)]
    after = np.append(commas, size)[np.searchsorted(commas, begins)]
    return np.asarray(star[digits & ends & ((after < star) | (begins == star - 1))])


def _number(padded: Bytes, start: Index, end: Index) -> tuple[Array, Mask]:
    """Return decimal numbers (NaN where empty or none), and which are neither."""
    length = end - start
    value = np.zeros(start.size)
    scale = np.ones(start.size)
    negative, point, wrong, digits = (np.zeros(start.size, dtype=bool) for _ in range(4))
    widest = min(int(length.max(initial=0)), _WIDEST)
    matrix = sliding_window_view(padded, max(widest, 1))[start]
    for column in range(widest):
        inside = column < length
        byte = matrix[:, column]
        digit = byte - np.uint8(48)
        is_digit = inside & (digit < 10)
        value = np.where(is_digit, 10.0 * value + digit, value)
        scale[is_digit & point] *= 10.0
        digits |= is_digit
        is_point = inside & (byte == 46)
        wrong |= is_point & point
        other = inside & ~is_digit & ~is_point
        if other.any():
            sign = other & ((byte == 45) | (byte == 43)) if column == 0 else np.zeros_like(other)
            negative |= sign & (byte == 45)
            wrong |= other & ~sign
        point |= is_point
    wrong |= (length > _WIDEST) | ((length > 0) & ~digits)
    value = np.asarray(np.where(negative, -value, value) / scale)
    value[wrong | (length <= 0)] = np.nan
    return value, wrong


def _span(found: _Found, base: Index, body_end: Index, place: int) -> tuple[Index, Index]:
    """Return first byte and end of one field of some sentences, equal where it is empty or not there."""
    start = np.minimum(found.commas[base + (place - 1)] + 1, body_end)
    return start, np.maximum(np.minimum(found.commas[base + place], body_end), start)


def _column(found: _Found, base: Index, body_end: Index, place: int, kind: str) -> tuple[Column, Mask, Mask]:
    """Return one field of some sentences: values, which are not empty, which are wrong."""
    start, end = _span(found, base, body_end, place)
    filled = end > start
    if kind == "char":
        return np.where(filled, found.padded[start], 0).astype(np.uint8), filled, np.zeros_like(filled)
    if kind == "modes":
        matrix = sliding_window_view(found.padded, 6)[start]
        fixed = np.isin(matrix, np.frombuffer(b"ADPRF", dtype=np.uint8))
        fixed &= np.arange(6)[None, :] < (end - start)[:, None]
        return np.asarray(fixed.any(axis=1), dtype=np.float64), filled, np.zeros_like(filled)
    number, wrong = _number(found.padded, start, end)
    value = number
    if kind == "time":
        hour, minute = np.floor(value / 1e4), np.floor(value / 100.0) % 100.0
        second = value - 1e4 * hour - 100.0 * minute
        good = (value >= 0) & (hour < 24) & (minute < 60) & (second < 61)
        value = np.asarray(np.round(3600.0 * hour + 60.0 * minute + second, 9))
    elif kind == "date":
        good, value = _days(number)
    elif kind in ("latitude", "longitude"):
        letter_start, letter_end = _span(found, base, body_end, place + 1)
        letter = np.where(letter_end > letter_start, found.padded[letter_start], 0)
        plus, minus = (b"NS", b"EW")[kind == "longitude"]
        degrees = np.floor(value / 100.0)
        minutes = value - 100.0 * degrees
        value = np.asarray(degrees + minutes / 60.0)
        good = (value >= 0) & (value <= (90.0, 180.0)[kind == "longitude"]) & (minutes <= 60.0)
        good &= (letter == plus) | (letter == minus)
        value = np.asarray(np.where(letter == minus, -value, value))
    else:
        return value, filled, wrong & filled
    value[~good] = np.nan
    return value, filled, filled & ~good


def _days(value: Array) -> tuple[Mask, Array]:
    """Return whether ``ddmmyy`` is a date, and its days since 1970."""
    safe = np.where(np.isfinite(value) & (value >= 0) & (value < 1e6), value, 0.0).astype(np.int64)
    return days_of(safe // 10_000, safe // 100 % 100, safe % 100 + np.where(safe % 100 < 80, 2000, 1900))


def days_of(day: Index, month: Index, year: Index) -> tuple[Mask, Array]:
    """Return whether day, month and year are a date of 1970 to 2200, and its days since 1970."""
    good = (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1970) & (year <= 2200)
    months = np.where(good, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    first = months.astype("datetime64[D]").astype(np.int64)
    following = (months + np.timedelta64(1, "M")).astype("datetime64[D]").astype(np.int64)
    good &= day <= following - first
    return good, np.where(good, first + day - 1, np.nan)


def decode_stream(data: bytes, every_field: bool = True) -> Stream:
    """Decode the sentences of a stream.

    Parameters
    ----------
    data : bytes
        The file; text and binary messages may stand between the sentences, and text before one on its line.
    every_field : bool
        Whether to keep every field of :data:`KINDS`; if not, those that no channel and no time is made from
        are only counted.

    Notes
    -----
    A sentence whose checksum is wrong is left out. One without a checksum is accepted where most of its kind
    have none; otherwise it is taken for a damaged one.
    """
    stream = Stream()
    parts: dict[str, list[Sentences]] = {}
    where: dict[str, list[Index]] = {}
    line = 1
    for low, high in _blocks(data):
        block = np.frombuffer(data, dtype=np.uint8, count=high - low, offset=low)
        found, newlines = _find(block, line, high == len(data), stream)
        own = (found.address[:, 0] == ord("P")) | (found.length != 5)
        stream.others.update(_count(found.address[own]))
        kind = _keys(found.address[:, 2:5])
        kind[own] = 0
        for text in _count(found.address[~own, 2:5]):
            rows = np.flatnonzero(kind == _keys(np.frombuffer(text.encode(), dtype=np.uint8)[None, :]))
            if text not in KINDS:
                stream.others[text] += rows.size
                continue
            part = Sentences(
                found.start[rows] + low, {}, Counter(), Counter(),
                _count(found.address[rows, :2]),
                found.unchecked[rows],
            )  # fmt: skip
            base, body_end = found.comma[rows], found.body_end[rows]
            for place, field_name, field_type in KINDS[text]:
                if every_field or field_name in _FED:
                    values, filled, wrong = _column(found, base, body_end, place, field_type)
                    part.columns[field_name] = values
                    part.bad[field_name] = int(np.count_nonzero(wrong))
                else:
                    start, end = _span(found, base, body_end, place)
                    filled = end > start
                part.filled[field_name] = int(np.count_nonzero(filled))
            parts.setdefault(text, []).append(part)
            where.setdefault(text, []).append(line + np.searchsorted(newlines, found.start[rows]))
        line += newlines.size
    if stream.other_bytes:
        stream.binary_messages = data.count(b"\xb5\x62")
    for text in KINDS:
        if text in parts:
            joined = _join(parts.pop(text), np.concatenate(where.pop(text)), text, stream, line, data)
            if joined.order.size:
                stream.kinds[text] = joined
    return stream


def _keys(letters: Bytes) -> Index:
    """Return one number for the few bytes of each row."""
    key = np.zeros(letters.shape[0], dtype=np.int64)
    for column in range(letters.shape[1]):
        key = key << 8 | letters[:, column]
    return key


def _count(letters: Bytes) -> Counter[str]:
    """Count the texts that the rows of bytes stand for."""
    keys, counts = np.unique(_keys(letters), return_counts=True)
    width = letters.shape[1]
    return Counter(
        {
            key.to_bytes(width, "big").decode("ascii").strip(): count
            for key, count in zip(keys.tolist(), counts.tolist(), strict=True)
        }
    )


def _join(
    parts: list[Sentences], lines: Index, kind: str, stream: Stream, last_line: int, data: bytes
) -> Sentences:
    """Join the parts of one kind, and decide on sentences without a checksum."""
    out = Sentences(
        np.concatenate([p.order for p in parts]),
        {name: np.concatenate([p.columns[name] for p in parts]) for name in parts[0].columns},
        sum((p.filled for p in parts), Counter()),
        sum((p.bad for p in parts), Counter()),
        sum((p.talkers for p in parts), Counter()),
        np.concatenate([p.unchecked for p in parts]),
    )
    bare = int(np.count_nonzero(out.unchecked))
    if not bare:
        return out
    if 2 * bare > out.order.size:
        if lines[-1] == last_line and out.unchecked[-1] and not data.endswith(b"\n"):
            # Nothing tells whether the last one is whole.
            stream.cut = last_line
            drop = np.zeros(out.order.size, dtype=bool)
            drop[-1] = True
        else:
            drop = np.zeros(out.order.size, dtype=bool)
        stream.unchecked[kind] += bare - int(np.count_nonzero(drop))
    else:
        drop = out.unchecked.copy()
        dropped = lines[drop].tolist()
        if dropped and dropped[-1] == last_line and not data.endswith(b"\n"):
            stream.cut = last_line
            dropped.pop()
        stream.broken += dropped
    keep = ~drop
    out.order, out.unchecked = out.order[keep], out.unchecked[keep]
    out.columns = {name: column[keep] for name, column in out.columns.items()}
    return out


def looks_like_sentences(head: bytes) -> bool:
    """Return whether sentences make up a good part of the first bytes."""
    found = list(_SENTENCE.finditer(head))
    length = sum(match.end() - match.start() for match in found)
    checked = sum(_checksum_holds(match[0]) for match in found[:200])
    if not found or 20 * length < len(head):
        return False
    return checked > 0 or len(found) > 1 or 2 * length > len(head)


_SENTENCE = re.compile(rb"\$(?:[A-OQ-Z][A-Z0-9][A-Z]{3}|P[A-Z]{2}[A-Z0-9]{0,5}),[ -#%-~]*")


def _checksum_holds(sentence: bytes) -> bool:
    body, star, rest = sentence[1:].partition(b"*")
    if not star or not re.match(rb"[0-9A-Fa-f]{2}", rest):
        return False
    total = 0
    for byte in body:
        total ^= byte
    return total == int(rest[:2], 16)
