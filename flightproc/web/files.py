"""Files written whole or not at all, and names that are ours."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import Any

from ..whole import write_whole

__all__ = ["link_or_copy", "log_key", "read_json", "stored_size", "write_json"]

_ENDINGS = {
    ".bin", ".csv", ".gpx", ".igc", ".log", ".nmea", ".tlog", ".tsv", ".txt", ".ulg", ".wav",
}  # fmt: skip


def write_json(path: Path, value: Any, *, sync: bool = True) -> None:
    """Replace a JSON file in one step; a value that is no number must not be in it."""
    write_whole(
        path, json.dumps(value, ensure_ascii=False, allow_nan=False).encode("utf-8", "replace"), sync=sync
    )


def read_json(path: Path) -> Any:
    """Return a JSON file's content, or None where there is none or it is none."""
    try:
        return json.loads(path.read_bytes())
    except (FileNotFoundError, NotADirectoryError, ValueError, RecursionError):
        return None


def log_key(number: int, name: str) -> str:
    """Return the name under which a log is stored: our own, with the ending where we know it.

    Examples
    --------
    >>> log_key(1, "Unit.ULG"), log_key(2, "x.php"), log_key(12, "..")
    ('log-01.ulg', 'log-02', 'log-12')
    """
    ending = os.path.splitext(name)[1].lower()
    return f"log-{number:02d}{ending if ending in _ENDINGS else ''}"


def link_or_copy(source: Path, target: Path) -> None:
    """Put a file into a second place, without using up disk twice where that can be."""
    target.unlink(missing_ok=True)
    try:
        os.link(source, target)
    except OSError:
        target.write_bytes(source.read_bytes())


def stored_size(folder: Path) -> int:
    """Return what the files in a folder take up [bytes], a file that lies in several places counted once."""
    seen: set[tuple[int, int]] = set()
    total = 0
    for place, _, names in os.walk(folder):
        for name in names:
            with contextlib.suppress(FileNotFoundError):
                found = os.lstat(os.path.join(place, name))
                if (found.st_dev, found.st_ino) not in seen:
                    seen.add((found.st_dev, found.st_ino))
                    total += found.st_size
    return total
