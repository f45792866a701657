"""Uploads damaged at random, from a seed: in their content, their names, and the form around them."""

from __future__ import annotations

import random
from pathlib import Path

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "school-wing-28"
_LARGEST = {"unit.ulg": 250_000, "gps.gpx": 40_000, "engine.csv": 20_000}
_NAMES = (
    "../x.ulg",
    "a.toml",
    "sortie.toml",
    "x" * 500,
    "\u202egpj.ulg",
    "con",
    "-rf",
    "%00.csv",
    "log.wav",
    "a.igc",
)


def corpus() -> dict[str, bytes]:
    """Return the sample's files, the long ones cut."""
    names = [path.name for path in sorted(SAMPLE.iterdir()) if path.name != "truth.json"]
    return {name: (SAMPLE / name).read_bytes()[: _LARGEST.get(name)] for name in names}


def damaged(rng: random.Random, raw: bytes) -> bytes:
    """Return bytes with one to four kinds of damage."""
    data = bytearray(raw)
    for _ in range(rng.randint(1, 4)):
        size = max(len(data), 1)
        at = rng.randrange(size)
        kind = rng.randrange(8)
        if kind == 0:
            for _ in range(rng.randint(1, 60)):
                if data:
                    data[rng.randrange(len(data))] = rng.randrange(256)
        elif kind == 1:
            del data[at:]
        elif kind == 2:
            del data[at : at + rng.randint(1, 5000)]
        elif kind == 3:
            data[at:at] = rng.randbytes(rng.randint(1, 3000))
        elif kind == 4:
            data[at:at] = data[max(at - 4000, 0) : at] * rng.randint(1, 8)
        elif kind == 5:
            data[: rng.randint(1, 64)] = rng.randbytes(rng.randint(0, 64))
        elif kind == 6:
            piece = rng.choice(
                [b"\xff" * 8, b"\x00" * 64, b"9" * 400, b"1e999", b"nan", b"[" * 3000, b"<" * 900]
            )
            data[at : at + len(piece)] = piece
        else:
            other = bytes(data[: rng.randint(0, 2000)])
            data = bytearray(rng.choice([other + data, data + other, data[::-1]]))
    return bytes(data[:600_000])


def upload(rng: random.Random, files: dict[str, bytes]) -> tuple[bytes, str]:
    """Return the body and the content type of one hostile upload."""
    chosen = rng.sample(sorted(files), rng.randint(1, 4))
    boundary = b"hostile"
    body = b""
    for name in chosen:
        raw = (
            damaged(rng, files[name])
            if rng.random() < (0.08 if name.endswith(".toml") else 0.9)
            else files[name]
        )
        shown = rng.choice(_NAMES) if rng.random() < 0.25 else name
        head = f'Content-Disposition: form-data; name="files"; filename="{shown}"'
        body += b"--" + boundary + b"\r\n" + head.encode() + b"\r\n\r\n" + raw + b"\r\n"
    body += b"--" + boundary + b"--\r\n"
    if rng.random() < 0.15:
        cut = rng.randrange(len(body))
        body = rng.choice([body[:cut], body[:cut] + rng.randbytes(200) + body[cut:], damaged(rng, body)])
    return body, "multipart/form-data; boundary=" + boundary.decode()
