"""Small entries for a logbook, with content made up from a seed, and their results."""

from __future__ import annotations

import hashlib
import json
import random
from typing import Any

from flightproc.logbook.files import Content, digest
from flightproc.logbook.gather import Gathered
from flightproc.logbook.model import Entry, EntryFile, Propeller

RIG = b"rig sheet of the club"


def gathered(
    seed: int,
    *,
    title: str = "",
    glider: str = "school wing 28",
    aircraft: str = "frame A",
    date: str | None = "2026-05-14",
    notes: str = "calm",
    size: int = 3000,
    sheet: str = "first",
) -> Gathered:
    """Return an entry whose unit's log is made from ``seed``; ``sheet`` changes the sortie sheet only."""
    rng = random.Random(seed)
    parts = [
        ("sortie", "sortie", "day/sortie.toml", f"{title}{seed}{sheet}".encode()),
        ("aircraft", "aircraft", "aircraft.toml", f"aircraft {aircraft}".encode()),
        ("glider", "glider", "glider.toml", f"glider {glider}".encode()),
        ("rig", "rig", "rig.toml", RIG),
        ("unit", "unit", "day/logs/unit.ulg", rng.randbytes(size)),
        ("gps", "gps", "day/logs/gps.gpx", rng.randbytes(size // 3)),
    ]
    files, contents = [], {}
    for role, name, path, content in parts:
        sha256, length = digest(content)
        files.append(EntryFile(role=role, name=name, path=path, sha256=sha256, size=length))
        contents[sha256] = content
    entry = Entry(
        title=title or f"sortie of seed {seed}",
        date=date,
        pilot_notes=notes,
        aircraft=aircraft,
        glider=glider,
        rig="rig day 1",
        propeller=Propeller(
            diameter_m=1.3, blades=2, rotation="left", digest=hashlib.sha256(aircraft.encode()).hexdigest()
        ),
        added_utc="2026-05-14T18:00:00Z",
        files=tuple(files),
    )
    held: dict[str, Content] = dict(contents)
    return Gathered(entry, held)


def document(found: Gathered, moment: float = 20.0, version: str = "0.1.0", **more: Any) -> bytes:
    """Return the ``results.json`` of an entry, with just what a logbook looks at."""
    quantity = {"value": moment, "std": 1.0, "low95": moment - 2.0, "high95": moment + 2.0}
    return json.dumps(
        {
            "schema": "flightproc-results/1",
            "title": found.entry.title,
            "time_base": {"start_utc": "2026-05-14T17:00:00.000Z"},
            "answer": [f"The unit is rolled by {moment:g} N m.", "A second sentence."],
            "comparison": [{"rpm": {"value": 7600.0}, "roll_moment_N_m": quantity, "torque_ratio": None}],
            "warnings": ["the engine log has a gap"],
            "cautions": ["Fly in calm air."],
            "provenance": {
                "version": version,
                "created_utc": "2026-05-14T18:00:00Z",
                "python": "3.11.7",
                "packages": {},
                "inputs": [{"name": f.path, "sha256": f.sha256} for f in found.entry.files],
                "settings": {"seed": 1},
            },
        }
        | more
    ).encode()
