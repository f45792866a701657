"""What this machine can give to a batch: cores, memory; and what a sortie is expected to need of it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from ..errors import BatchError

__all__ = ["Needs", "free_memory", "parse_memory"]

BASE_BYTES = 330_000_000
"""Memory of a worker with everything imported and a small sortie, figures included."""

PER_LOG_BYTE = 1.5
"""Memory for each byte of log."""

_UNITS = {"MB": 1e6, "GB": 1e9, "MIB": 2.0**20, "GIB": 2.0**30}
_CGROUPS = (
    ("memory.max", "memory.current"),
    ("memory/memory.limit_in_bytes", "memory/memory.usage_in_bytes"),
)


def parse_memory(text: str) -> int:
    """Return bytes from text such as ``8GB`` or ``900 MB``.

    Raises
    ------
    BatchError
        For anything else.

    Examples
    --------
    >>> parse_memory("8GB"), parse_memory("1.5 GiB")
    (8000000000, 1610612736)
    """
    plain = text.replace(" ", "").upper()
    for unit, factor in _UNITS.items():
        number = plain.removesuffix(unit)
        if number != plain and number.replace(".", "", 1).isdecimal() and number.isascii():
            return int(float(number) * factor)
    raise BatchError("--memory is not an amount of memory", found=text, allowed="such as 8GB, 900MB, 4GiB")


def free_memory(root: Path = Path("/sys/fs/cgroup"), meminfo: Path = Path("/proc/meminfo")) -> int | None:
    """Return the memory that can be had now, containers' limits counted [bytes]; None where unknown."""
    found = []
    if sys.platform.startswith("linux") and meminfo.is_file():
        for line in meminfo.read_text().splitlines():
            if line.startswith("MemAvailable:"):
                found.append(int(line.split()[1]) * 1024)
        for limit, used in _CGROUPS:
            try:
                most, now = (int((root / name).read_text()) for name in (limit, used))
            except (OSError, ValueError):
                continue  # no such group, or "max"
            found.append(max(most - now, 0))
    elif "SC_PHYS_PAGES" in getattr(os, "sysconf_names", {}):
        found.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2)
    return min(found, default=None)


class Needs:
    """How much memory a sortie is expected to need, from the size of its logs and from what others needed.

    Examples
    --------
    >>> needs = Needs()
    >>> needs.expected(0) == BASE_BYTES
    True
    >>> needs.learn(0, 2 * BASE_BYTES)
    >>> needs.expected(0) == 2 * BASE_BYTES
    True
    """

    def __init__(self) -> None:
        self._excess = 1.0

    def expected(self, log_bytes: int) -> int:
        """Return what a sortie with logs of this size is expected to need [bytes]."""
        return int(self._excess * _model(log_bytes))

    def learn(self, log_bytes: int, measured: int) -> None:
        """Take in what a sortie needed; more than expected makes all later ones dearer."""
        self._excess = max(self._excess, measured / _model(log_bytes))


def _model(log_bytes: int) -> float:
    return BASE_BYTES + PER_LOG_BYTE * log_bytes
