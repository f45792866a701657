"""Ways to damage a file or a tree of values."""

from __future__ import annotations

import copy
import json
import random
import re
import struct
from typing import Any

import numpy as np

__all__ = ["damage", "mutate"]

_NUMBERS = (
    b"1e35",
    b"-1",
    b"nan",
    b"NaN",
    b"inf",
    b"-inf",
    b"0",
    b"99999999999",
    b"1e-320",
    b"",
    b"--",
    b"0x1F",
)
_TIMES = (
    b"0000-00-00T00:00:00Z", b"9999-12-31T23:59:59Z", b"1970-01-01T00:00:00Z", b"2026-13-45T99:99:99Z",
    b"999999", b"000000", b"4294967295", b"-9223372036854775808", b"1e18",
)  # fmt: skip
_WORDS = (
    *(struct.pack("<f", value) for value in (1e35, -1.0, float("nan"), float("inf"), 0.0)),
    *(struct.pack("<d", value) for value in (1e35, -1.0, float("nan"), float("-inf"), 0.0)),
    *(struct.pack("<Q", value) for value in (0, 1, 2**63, 2**64 - 1, 10**18)),
    *(struct.pack("<H", value) for value in (0, 0xFFFF, 0x7FFF)),
    b"\xff\xff\xff\xff",
)


def _span(rng: np.random.Generator, size: int, most: int) -> tuple[int, int]:
    start = int(rng.integers(0, size))
    return start, min(size, start + int(rng.integers(1, most)))


def damage(data: bytes, rng: np.random.Generator) -> bytes:
    """Return a file damaged in one to three ways."""
    for _ in range(int(rng.integers(1, 4))):
        data = _WAYS[int(rng.integers(0, len(_WAYS)))](data, rng) or b"\n"
    return data


def _cut(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: int(rng.integers(0, len(data)))]


def _cut_front(data: bytes, rng: np.random.Generator) -> bytes:
    return data[int(rng.integers(0, len(data))) :]


def _zeroed(data: bytes, rng: np.random.Generator) -> bytes:
    a, b = _span(rng, len(data), 5000)
    return data[:a] + bytes(b - a) + data[b:]


def _flipped(data: bytes, rng: np.random.Generator) -> bytes:
    out = np.frombuffer(data, dtype=np.uint8).copy()
    places = rng.integers(0, out.size, int(rng.integers(1, 60)))
    out[places] ^= (1 << rng.integers(0, 8, places.size)).astype(np.uint8)
    return out.tobytes()


def _other_bytes(data: bytes, rng: np.random.Generator) -> bytes:
    out = np.frombuffer(data, dtype=np.uint8).copy()
    places = rng.integers(0, out.size, int(rng.integers(1, 60)))
    out[places] = rng.integers(0, 256, places.size)
    return out.tobytes()


def _inserted(data: bytes, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(0, len(data)))
    return data[:at] + rng.bytes(int(rng.integers(1, 2000))) + data[at:]


def _doubled(data: bytes, rng: np.random.Generator) -> bytes:
    a, b = _span(rng, len(data), 8000)
    at = int(rng.integers(0, len(data)))
    return data[:at] + data[a:b] * int(rng.integers(1, 4)) + data[at:]


def _lost(data: bytes, rng: np.random.Generator) -> bytes:
    a, b = _span(rng, len(data), 5000)
    return data[:a] + data[b:]


def _encoded(data: bytes, rng: np.random.Generator) -> bytes:
    kind = int(rng.integers(0, 6))
    if kind == 0:
        return b"\xef\xbb\xbf" + data
    text = data.decode("latin-1")
    if kind == 5:
        return text.replace("e", "é").encode("latin-1")
    return text.encode(("utf-16", "utf-16-le", "utf-16-be", "utf-8")[kind - 1])


def _absurd_value(data: bytes, rng: np.random.Generator) -> bytes:
    return _at_numbers(data, rng, rb"-?\d+(?:\.\d+)?", _NUMBERS)


def _absurd_time(data: bytes, rng: np.random.Generator) -> bytes:
    return _at_numbers(data, rng, rb"\d{4}-\d\d-\d\dT[\d:.]+Z?|\d{6,}(?:\.\d+)?", _TIMES)


def _at_numbers(data: bytes, rng: np.random.Generator, pattern: bytes, words: tuple[bytes, ...]) -> bytes:
    """Put words where numbers stand in a text, and patterns of bytes anywhere in what is none."""
    found = list(re.finditer(pattern, data))
    text = sum(byte in b"\t\r\n" or 32 <= byte < 127 for byte in data[:2000]) > 0.95 * min(len(data), 2000)
    count = int(rng.integers(1, 40))
    if text and found:
        for k in sorted({int(k) for k in rng.integers(0, len(found), count)}, reverse=True):
            word = words[int(rng.integers(0, len(words)))]
            data = data[: found[k].start()] + word + data[found[k].end() :]
        return data
    out = bytearray(data)
    for at in rng.integers(0, len(out), count).tolist():
        word = _WORDS[int(rng.integers(0, len(_WORDS)))]
        out[at : at + len(word)] = word
    return bytes(out)


def _column_of_zeros(data: bytes, rng: np.random.Generator) -> bytes:
    """Set one field to 0 throughout, where the file is a table of commas."""
    lines = data.split(b"\n")
    width = lines[len(lines) // 2].count(b",") + 1
    place = int(rng.integers(0, width))
    for k, line in enumerate(lines[1:], start=1):
        cells = line.split(b",")
        if len(cells) == width:
            cells[place] = b"0"
            lines[k] = b",".join(cells)
    return b"\n".join(lines)


_WAYS = (
    _cut, _cut_front, _zeroed, _flipped, _other_bytes, _inserted, _doubled, _lost, _encoded, _absurd_value,
    _absurd_time, _column_of_zeros,
)  # fmt: skip


# Trees ----------------------------------------------------------------------------------------------------

_LEAVES: tuple[Any, ...] = (
    None, True, 0, -1, 1, 1e300, -1e-300, 10**400, float("nan"), float("inf"), "", "x", "\0", "\ud800", "1",
    [], {}, [None], {"value": None}, [[1.0]], {"value": 10**400}, "2026-13-45T99:99:99Z",
)  # fmt: skip


def mutate(data: bytes, rng: random.Random, kind: str = "bytes") -> bytes:
    """Return an input damaged in one to three ways: its tree where ``kind`` is json, else its bytes."""
    if kind == "json" and rng.random() < 0.8:
        try:
            tree = json.loads(data)
        except (ValueError, RecursionError):
            tree = None
        if isinstance(tree, dict | list):
            for _ in range(rng.randint(1, 3)):
                _change(tree, rng)
            return json.dumps(tree).encode()
    return damage(data or b"\n", np.random.default_rng(rng.getrandbits(32)))


def _change(tree: Any, rng: random.Random) -> None:
    """Replace, drop, double or swap one entry somewhere in a tree."""
    while True:
        keys = list(tree) if isinstance(tree, dict) else list(range(len(tree)))
        if not keys:
            return
        key = rng.choice(keys)
        if isinstance(tree[key], dict | list) and tree[key] and rng.random() < 0.85:
            tree = tree[key]
            continue
        break
    way = rng.randrange(6)
    if way <= 2:
        tree[key] = copy.deepcopy(rng.choice(_LEAVES))
    elif way == 3:
        del tree[key]
    elif way == 4 and isinstance(tree, list):
        tree.append(copy.deepcopy(tree[key]))
    else:
        other = rng.choice(keys)
        tree[key], tree[other] = tree[other], tree[key]
