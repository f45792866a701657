"""The tables of the logs in a sortie sheet."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from typing import Annotated, Any, Literal

import pydantic

from ..channels import CHANNELS
from .fields import Field, Finding, Sheet, is_placeholder, rule

__all__ = ["ColumnEntry", "LogEntry"]


class ColumnEntry(Sheet):
    """Which column of a CSV feeds a channel: value = sign * column + offset, in the unit stated.

    Examples
    --------
    >>> from flightproc.sheets import ColumnEntry
    >>> ColumnEntry(column="Engine RPM", unit="rpm").sign
    1
    """

    column: Annotated[
        str,
        Field(
            "the column's heading in the file",
            kind="text",
            low=1,
            high=200,
            words="the heading of a column, in quotes",
            example="Engine RPM",
        ),
    ]
    unit: Annotated[
        str,
        Field(
            "the unit the column is in",
            kind="text",
            low=1,
            high=30,
            words='a unit in quotes, such as "s", "rpm", "deg/s" or "degC"',
            example="rpm",
        ),
    ]
    sign: Annotated[
        int, Field("-1 where the column counts the other way", kind="whole", choices=(1, -1), words="1 or -1")
    ] = 1
    offset: Annotated[float, Field("added after the sign, in the column's unit", low=-1e6, high=1e6)] = 0.0


class LogEntry(Sheet):
    """A log of the flight. One is the unit's: its sensor hangs with the pilot, and it is the time base.

    Examples
    --------
    >>> from flightproc.sheets import LogEntry
    >>> LogEntry(name="unit", file="unit.ulg", role="unit").clock_offset_std_s
    0.5
    """

    name: Annotated[
        str,
        Field(
            "short name, used in the report; each only once",
            kind="text",
            low=1,
            high=60,
            words="a short name in quotes",
            example="unit",
        ),
    ]
    file: Annotated[
        str,
        Field(
            "the log file, seen from the folder of this sheet",
            kind="file",
            low=1,
            words='a file name in quotes, such as "logs/unit.ulg"',
            example="unit.ulg",
        ),
    ]
    role: Annotated[
        Literal["unit", "gps", "engine", "other"],
        Field(
            "what the log is good for: unit (inertial sensor on the hung unit; exactly one log), gps, "
            "engine (rpm) or other",
            kind="text",
            choices=("unit", "gps", "engine", "other"),
            example="unit",
        ),
    ]
    clock_offset_s: Annotated[
        float | None,
        Field(
            "what to add to this log's own time to get the unit log's time; found from the data where "
            "it is left out",
            "s",
            -4e9,
            4e9,
            how="only where you know it: a mark both loggers saw, say; leave it out otherwise",
            example=12.4,
        ),
    ] = None
    clock_offset_std_s: Annotated[
        float,
        Field(
            "standard uncertainty of clock_offset_s",
            "s",
            0,
            3600,
            how="half the span you would bet two to one on",
        ),
    ] = 0.5
    same_clock_as: Annotated[
        str | None,
        Field(
            "name of another log with the same clock: several files of one logger, such as one per sensor of "
            "a phone. The two are aligned as one, and what shares the unit's clock may feed body rates "
            "and specific force",
            kind="text",
            low=1,
            high=60,
            words="the name of another log that has a clock of its own",
            example="unit",
        ),
    ] = None
    columns: Annotated[
        dict[str, ColumnEntry],
        Field(
            "only for CSV: which column feeds which channel; the keys are time and channel names",
            kind="table",
            words='a table [logs.columns] such as rpm = { column = "Engine RPM", unit = "rpm" }',
            how="run: flightproc logs FILE; it lists the columns and guesses",
            example={"time": {"column": "t", "unit": "s"}, "rpm": {"column": "Engine RPM", "unit": "rpm"}},
        ),
    ] = pydantic.Field(default_factory=dict)
    sources: Annotated[
        dict[
            str,
            Annotated[
                str,
                Field(
                    "the raw field in the log",
                    kind="text",
                    low=1,
                    high=200,
                    words="the name of a field of the log, in quotes",
                ),
            ],
        ],
        Field(
            "forces the raw field that feeds a channel",
            kind="table",
            words='a table [logs.sources] such as bank = "vehicle_attitude.roll"',
            how="run: flightproc logs FILE; it lists the fields",
            example={"rpm": "esc_status.esc_rpm"},
        ),
    ] = pydantic.Field(default_factory=dict)

    @rule(words="every key of `columns` is `time` or a channel, and `time` is among them")
    def _check_columns(self: Any) -> Iterator[Finding]:
        if not isinstance(self.columns, dict):
            return
        for key in self.columns:
            if key != "time" and key not in CHANNELS:
                yield ("columns", key), _channel_words(key, "time or a channel")
        if self.columns and "time" not in self.columns:
            yield ("columns", "time"), 'the column of time, such as time = { column = "t", unit = "s" }'

    @rule(words="the unit of a column is one of its channel's")
    def _check_units(self: Any) -> Iterator[Finding]:
        for key, entry in self.columns.items() if isinstance(self.columns, dict) else ():
            words = _unit_words(key, entry)
            if words:
                yield ("columns", key, "unit"), words

    @rule(words="every key of `sources` is a channel")
    def _check_sources(self: Any) -> Iterator[Finding]:
        for key in self.sources if isinstance(self.sources, dict) else ():
            if key not in CHANNELS:
                yield ("sources", key), _channel_words(key, "a channel")

    @rule(
        "same_clock_as",
        "role",
        "clock_offset_s",
        words="a log with `same_clock_as` has no `clock_offset_s` and is not the unit's",
    )
    def _check_shared_clock(self: Any) -> Iterator[Finding]:
        if self.same_clock_as is None:
            return
        if self.clock_offset_s is not None:
            yield "clock_offset_s", "leave it out: same_clock_as says how the clock lies"
        if self.role == "unit":
            yield "same_clock_as", "leave it out: the unit's log is the time base; name it in the others"

    @rule("role", "clock_offset_s", words="the unit's log has no clock offset: it is the time base")
    def _check_time_base(self: Any) -> Iterator[Finding]:
        if self.role == "unit" and self.clock_offset_s not in (None, 0.0):
            yield "clock_offset_s", "leave it out here: the unit's log is the time base"


def _unit_words(channel: str, entry: Any) -> str:
    """Return what is allowed where a column's unit does not fit its channel; empty where it does."""
    from ..readers.units import TIME_UNITS, allowed_units, find_unit

    unit = entry.get("unit") if isinstance(entry, dict) else getattr(entry, "unit", None)
    if (
        not isinstance(unit, str)
        or not unit.strip()
        or is_placeholder(unit)
        or (channel != "time" and channel not in CHANNELS)
    ):
        return ""
    found = find_unit(unit)
    if channel == "time":
        fits = found in TIME_UNITS or unit.strip().casefold() in {"utc", "iso", "unix"}
    else:
        fits = found in allowed_units(channel).split(", ")
    return "" if fits else f"a unit of {channel}: {allowed_units(channel)}"


def _channel_words(key: str, what: str) -> str:
    near = difflib.get_close_matches(key, ["time", *CHANNELS], n=1, cutoff=0.5)
    return f"{what}; did you mean {near[0]}?" if near else f"{what}: {', '.join(CHANNELS)}"
