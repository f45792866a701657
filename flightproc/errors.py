"""The error family.

::

    FlightprocError            anything the user can mend; the command line ends with exit code 2
    ├── SheetError             one or more faults in the sheets, all reported together
    ├── LogError               a log file that cannot be read at all
    │   ├── UnknownFormatError     no reader knows the content, or two claim it
    │   └── UnreadableLogError     the format is known but nothing usable is left in the file
    ├── SortieError            the logs are readable but cannot be joined into a sortie
    │   └── ClockError             two clocks cannot be aligned
    ├── RigError               rig readings that cannot be reduced
    ├── EstimateError          too little in the sortie for the result asked for
    ├── ResultsError           one or more faults in results files, all reported together
    ├── BatchError             a batch that cannot be run as it was asked for
    ├── LogbookError           a logbook or its archive that cannot be opened, read or written
    └── OutputError            a result that cannot be written

A message says what is wrong, where, the value found with what is allowed, and what to try next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "BatchError",
    "ClockError",
    "EstimateError",
    "Fault",
    "FlightprocError",
    "LogError",
    "LogbookError",
    "OutputError",
    "ResultsError",
    "RigError",
    "SheetError",
    "SortieError",
    "UnknownFormatError",
    "UnreadableLogError",
]


class FlightprocError(Exception):
    """Something the user can mend.

    Parameters
    ----------
    what : str
        What is wrong, as a short sentence without a full stop.
    where : str, optional
        File, table, channel or time at which it was seen.
    found : object, optional
        The value that was found.
    allowed : str, optional
        What would have been accepted.
    hint : str, optional
        What to try next.

    Examples
    --------
    >>> print(FlightprocError("no sample is left", where="a.csv", hint="export the log again"))
    a.csv: no sample is left. Try: export the log again
    """

    def __init__(
        self,
        what: str,
        *,
        where: str | None = None,
        found: object = None,
        allowed: str | None = None,
        hint: str | None = None,
    ) -> None:
        self.what = what
        self.where = where
        self.found = found
        self.allowed = allowed
        self.hint = hint
        super().__init__(self._text())

    def _text(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.found is not None:
            text += f", found {self.found!r}"
        if self.allowed:
            text += f", allowed: {self.allowed}"
        if self.hint:
            text += f". Try: {self.hint}"
        return text


@dataclass(frozen=True)
class Fault:
    """One fault in a sheet.

    Attributes
    ----------
    file : str
        Sheet file.
    table : str
        TOML table, such as ``ballast[1]``; empty for the top level.
    field : str
        Field name; empty when the whole table is meant.
    value : str
        The value as written, or ``(missing)``.
    allowed : str
        What is allowed there.
    """

    file: str
    table: str
    field: str
    value: str
    allowed: str

    def __str__(self) -> str:
        place = f"[{self.table}] " if self.table else ""
        return f"{self.file}: {place}{self.field} = {self.value}: {self.allowed}"


class SheetError(FlightprocError):
    """Every fault found in a set of sheets.

    Parameters
    ----------
    faults : sequence of Fault
        At least one.
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        super().__init__(
            f"{count} fault{'s' if count != 1 else ''} in the sheets\n"
            + "\n".join(f"  {fault}" for fault in self.faults)
        )


class LogError(FlightprocError):
    """A log file that cannot be read."""


class UnknownFormatError(LogError):
    """No reader knows the content of the file, or two claim it."""


class UnreadableLogError(LogError):
    """The format is known, but the file holds nothing usable."""


class SortieError(FlightprocError):
    """The logs can be read but not joined into a sortie."""


class ClockError(SortieError):
    """Two clocks cannot be aligned."""


class RigError(FlightprocError):
    """Rig readings that cannot be reduced."""


class EstimateError(FlightprocError):
    """Too little in the sortie for the result asked for."""


class ResultsError(FlightprocError):
    """Every fault found in a set of results files.

    Parameters
    ----------
    faults : sequence of Fault
        At least one.
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        super().__init__(
            f"{count} fault{'s' if count != 1 else ''} in the results\n"
            + "\n".join(f"  {fault}" for fault in self.faults)
        )


class BatchError(FlightprocError):
    """A batch that cannot be run as it was asked for."""


class LogbookError(FlightprocError):
    """A logbook, or an archive of one, that cannot be opened, read or written."""


class OutputError(FlightprocError):
    """A result that cannot be written."""
