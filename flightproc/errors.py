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

    Examples
    --------
    >>> import flightproc as fp
    >>> import pandas as pd
    >>> try:
    ...     fp.rig_from_frame(pd.DataFrame({"rpm": [0, 5000]}), kind="lever_arm", arm_m=9.0)
    ... except fp.SheetError as error:
    ...     print(len(error.faults), error.faults[0].field)
    5 arm_m
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        count = len(self.faults)
        super().__init__(
            f"{count} fault{'s' if count != 1 else ''} in the sheets\n"
            + "\n".join(f"  {fault}" for fault in self.faults)
        )


class LogError(FlightprocError):
    """A log file that cannot be read.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     fp.read_log("not-there.ulg")
    ... except fp.LogError as error:
    ...     print(error)
    not-there.ulg: there is no such file. Try: check the name and the folder
    """


class UnknownFormatError(LogError):
    """No reader knows the content of the file, or two claim it.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     fp.read_log("LICENSE")
    ... except fp.UnknownFormatError as error:
    ...     print(str(error)[:54])
    LICENSE: no reader knows this content, which begins wi
    """


class UnreadableLogError(LogError):
    """The format is known, but the file holds nothing usable.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     raise fp.UnreadableLogError("no row of values is left", where="engine.csv")
    ... except fp.UnreadableLogError as error:
    ...     print(error)
    engine.csv: no row of values is left
    """


class SortieError(FlightprocError):
    """The logs can be read but not joined into a sortie.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     raise fp.SortieError("no log has body rates", where="sortie.toml", hint="name the unit's log")
    ... except fp.SortieError as error:
    ...     print(error)
    sortie.toml: no log has body rates. Try: name the unit's log
    """


class ClockError(SortieError):
    """Two clocks cannot be aligned.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     raise fp.ClockError("the clocks of unit and gps cannot be aligned", hint="state clock_offset_s")
    ... except fp.ClockError as error:
    ...     print(error)
    the clocks of unit and gps cannot be aligned. Try: state clock_offset_s
    """


class RigError(FlightprocError):
    """Rig readings that cannot be reduced.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     raise fp.RigError("no reading with the engine running", where="rig.toml")
    ... except fp.RigError as error:
    ...     print(error)
    rig.toml: no reading with the engine running
    """


class EstimateError(FlightprocError):
    """Too little in the sortie for the result asked for.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     raise fp.EstimateError("no glide, so there is no zero to count from", hint="add a glide")
    ... except fp.EstimateError as error:
    ...     print(error)
    no glide, so there is no zero to count from. Try: add a glide
    """


class ResultsError(FlightprocError):
    """Every fault found in a set of results files.

    Parameters
    ----------
    faults : sequence of Fault
        At least one.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.errors import Fault
    >>> try:
    ...     raise fp.ResultsError([Fault("results.json", "", "schema", "other/1", "flightproc-results/1")])
    ... except fp.ResultsError as error:
    ...     print(error.faults[0].allowed)
    flightproc-results/1
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        count = len(self.faults)
        super().__init__(
            f"{count} fault{'s' if count != 1 else ''} in the results\n"
            + "\n".join(f"  {fault}" for fault in self.faults)
        )


class BatchError(FlightprocError):
    """A batch that cannot be run as it was asked for."""


class LogbookError(FlightprocError):
    """A logbook, or an archive of one, that cannot be opened, read or written.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     raise fp.LogbookError("there is no sortie 7", hint="list them: flightproc logbook list")
    ... except fp.LogbookError as error:
    ...     print(error)
    there is no sortie 7. Try: list them: flightproc logbook list
    """


class OutputError(FlightprocError):
    """A result that cannot be written.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> try:
    ...     fp.draw_figure(results, "torque")
    ... except fp.OutputError as error:
    ...     print(str(error)[:44])
    there is no such figure, found 'torque', all
    """
