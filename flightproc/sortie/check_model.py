"""What a check of the instruments says, line by line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..display import displayed
from ..statistics.allan import AllanCurve

__all__ = ["LOOK", "MEND", "READY", "CheckLine", "InstrumentCheck"]

READY, LOOK, MEND = "ready", "look at", "mend"
_ORDER = (READY, LOOK, MEND)


@displayed
@dataclass(frozen=True)
class CheckLine:
    """One thing that was looked at.

    Attributes
    ----------
    subject : str
        What: ``gyro noise``, say.
    status : str
        ``ready``, ``look at`` or ``mend``.
    found : str
        What was found.
    advice : str
        What to do; empty where it is ready.
    numbers : mapping of str to float
        What was measured, by a name that carries its unit.
    """

    subject: str
    status: str
    found: str
    advice: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)


@displayed
@dataclass(frozen=True)
class InstrumentCheck:
    """A check of all instruments of a ground recording.

    Attributes
    ----------
    lines : tuple of CheckLine
        In the order in which they are printed.
    curves : mapping of str to AllanCurve
        Allan deviation by channel, over the longest stretch at rest.
    still : tuple of (float, float) or None
        That stretch on the clock of the unit's log [s].
    """

    lines: tuple[CheckLine, ...]
    curves: Mapping[str, AllanCurve] = field(default_factory=dict)
    still: tuple[float, float] | None = None

    @property
    def verdict(self) -> str:
        """The worst status of any line."""
        return max((line.status for line in self.lines), key=_ORDER.index, default=READY)

    def count(self, status: str) -> int:
        """Return how many lines have a status."""
        return sum(line.status == status for line in self.lines)

    @property
    def words(self) -> str:
        """The verdict in a sentence."""
        look, mend = self.count(LOOK), self.count(MEND)
        if mend:
            also = f", and {look} to look at" if look else ""
            return f"Not ready: {mend} thing{'s' if mend > 1 else ''} to mend{also}."
        if look:
            return f"Ready, with {look} thing{'s' if look > 1 else ''} to look at."
        return "Ready."
