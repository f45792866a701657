"""CSV and other delimited text, with a column map from the sheet or with guesses that want confirming."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder, median_rate
from .column_map import ColumnUse, find_columns, guess_columns, guess_time, may_feed
from .content import HEAD_SIZE, Content, load_content
from .recording import RawField, Recording
from .table import Column, looks_delimited, parse_table
from .units import TIME_UNITS, convert, find_unit

__all__ = ["NAME", "read", "sniff", "suggested_map"]

NAME = "CSV"

Array = NDArray[np.float64]

_EPOCH = (6.3e8, 4.2e9)  # s since 1970 that are taken for a date: 1990 to 2100
_DAY = 86_400.0
_CLOCK = re.compile(r"^(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?$")


def sniff(head: bytes) -> bool:
    r"""Return whether the content is lines of fields with one delimiter.

    Examples
    --------
    >>> sniff(b"t,rpm\n0,2000\n1,2010\n"), sniff(b"$GPGGA,1,2\n$GPRMC,1,2\n")
    (True, False)
    """
    return looks_delimited(head, complete=len(head) < HEAD_SIZE)


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read a delimited text.

    Parameters
    ----------
    path : str or Path
        File.
    columns : mapping, optional
        Channel name (or ``time``) to an object or mapping with ``column``, ``unit`` and optionally ``sign``
        (1 or -1) and ``offset``. A channel's value is sign times the column plus offset, both in the
        column's unit, brought to SI. With a map, only what it names feeds a channel; without one, columns
        whose name and unit leave no doubt do, as guesses.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If the map names channels or columns that do not exist, or units that do not fit.
    UnreadableLogError
        If there is no table or no row in it.

    Notes
    -----
    Times that count from the logger's own start keep their own zero. Dates, and seconds since 1970, count
    from the first row, whose UTC becomes ``start_utc``; dates that name no time zone give no UTC unless the
    column's name or unit says ``utc``.
    """
    content = content or load_content(path)
    mapped = {str(_named(entry)).strip().casefold() for entry in columns.values()} if columns else set()

    def wanted(column: Column) -> bool:
        if column.name.casefold() in mapped or column.bare.casefold().strip() in mapped:
            return True
        return may_feed(column)

    table = parse_table(content.data, content.path, wanted)
    builder = RecordingBuilder(content, NAME)
    for loss in table.losses:
        builder.tell(*loss)
    for note in table.notes:
        builder.note(note)
    by_name = {column.name: column for column in table.columns}
    uses = find_columns(columns, table.columns, content.path) if columns else []
    timing = next((use for use in uses if use.channel == "time"), None) or guess_time(table.columns)
    time, zero, dated = _read_time(builder, by_name, timing)
    doubts: dict[str, str] = {}
    if not columns:
        uses, doubts = guess_columns(table.columns, {timing.column} if timing else set())
    keep = np.zeros(time.size, dtype=bool)
    if timing and np.isfinite(time).any():
        keep = builder.clock(time, timing.column, 2e-9)
        time = _from_first(builder, time, keep, zero, dated)
    fed: dict[str, str] = {}
    if timing and keep.any():
        kept_time = time[keep]  # one array for all channels
        for k, use in enumerate(uses):
            if use.channel != "time" and _feed(builder, by_name[use.column], use, kept_time, keep):
                fed[use.column] = ", ".join(filter(None, (fed.get(use.column), use.channel)))
            if all(later.column != use.column for later in uses[k + 1 :]):
                by_name[use.column].values = np.empty(0)  # no longer needed: a long table is large
    _tell_guesses(builder, [timing, *uses] if timing else uses)
    rate = median_rate(time[keep]) if timing else float("nan")
    notes = {use.column: use.note for use in uses if use.note and use.column in fed} | doubts
    stated = {use.column: use.unit for use in uses}
    if timing:
        notes[timing.column] = timing.note or "time"
        stated[timing.column] = timing.unit
    for column in table.columns:
        builder.fields.append(_field(column, rate, stated, fed, notes))
    if not uses and not columns:
        builder.note("no column could be matched to a channel for certain: state the columns in the sheet")
    return builder.build()


def _named(entry: object) -> object:
    """Return the column that an entry of the map names."""
    return entry.get("column", "") if isinstance(entry, Mapping) else getattr(entry, "column", "")


def _field(
    column: Column, rate: float, stated: dict[str, str], fed: dict[str, str], notes: dict[str, str]
) -> RawField:
    if column.texts is not None:
        note = notes.get(column.name, "text")
    else:
        note = notes.get(column.name, "" if column.count else "empty")
    if column.name.startswith("(unnamed") and column.steady:
        note = "counts the rows"
    unit = stated.get(column.name, column.unit)
    return RawField(column.name, column.count, rate, unit, fed.get(column.name, ""), note)


def _tell_guesses(builder: RecordingBuilder, uses: list[ColumnUse]) -> None:
    guesses = [use for use in uses if use.note.startswith("guess")]
    if guesses:
        listed = "; ".join(f'"{use.column}" {use.note.removeprefix("guess: ")}' for use in guesses)
        builder.note(f"guessed, please confirm in the sheet: {listed}")


def _feed(
    builder: RecordingBuilder, column: Column, use: ColumnUse, time: Array, keep: NDArray[np.bool_]
) -> bool:
    if column.texts is not None:
        builder.tell(
            "bad_value", column.name, f"holds text, no numbers: {use.channel} cannot be read from it"
        )
        return False
    if column.bad_cells:
        builder.tell(
            "bad_value",
            column.name,
            f'{column.bad_cells} cells hold text (such as "{column.bad_example[:30]}") and are missing',
            column.bad_cells,
        )
    raw = use.sign * column.values[keep] + use.offset
    values = convert(raw, use.unit, use.channel, f"{builder.content.path}, column {column.name!r}")
    return builder.add(use.channel, time, values, column.name)


def suggested_map(recording: Recording) -> list[str]:
    """Return lines for the sheet's column map that state what was guessed or left in doubt.

    Parameters
    ----------
    recording : Recording
        As read without a column map; for other formats the list is empty.
    """
    lines: list[str] = []
    if recording.format != NAME:
        return lines
    for field in recording.fields:
        doubt = re.match(r"^may be (\w+):", field.note)
        turned = ", sign = -1" if field.note.endswith("sign turned") else ""
        if field.note.startswith("guess: time"):
            channel, unit = "time", field.unit
        elif field.feeds and field.note.startswith("guess"):
            channel, unit = field.feeds, field.unit
        elif doubt:
            channel, unit = doubt[1], "?"
        else:
            continue
        column = json.dumps(field.name, ensure_ascii=False).replace("\x7f", "\\u007f")  # TOML's own escapes
        lines.append(f'{channel} = {{ column = {column}, unit = "{unit}"{turned} }}')
    return lines


# Time -----------------------------------------------------------------------------------------------------


def _from_first(
    builder: RecordingBuilder, time: Array, keep: NDArray[np.bool_], zero: float | None, dated: bool
) -> Array:
    """Put time 0 where it belongs, now that the rows with a usable time are known; set the builder's UTC."""
    if not keep.any():
        return time
    first = float(time[keep][0])
    if dated:
        if zero is not None:
            builder.start_utc = zero + first
        return np.round(time - first, 9)
    if zero is not None and _EPOCH[0] < zero + first < _EPOCH[1]:
        builder.start_utc = zero + first
        return np.round(time - first, 9)
    return np.round(time + (zero or 0.0), 9)


def _read_time(
    builder: RecordingBuilder, table: dict[str, Column], use: ColumnUse | None
) -> tuple[Array, float | None, bool]:
    """Return the time of every row [s] from some zero, where that lies [s], and whether it is a date.

    The zero is that of a row in the middle, since the first one may be the one that is absurd.
    """
    if use is None:
        builder.tell(
            "no_time",
            "header",
            "no column is recognised as time: nothing can be placed in time; state it in the sheet as "
            'time = { column = "...", unit = "s" }',
        )
        return np.empty(0), None, False
    column = table[use.column]
    says_utc = "utc" in use.unit.casefold() or "utc" in column.name.casefold()
    if column.texts is not None:
        return _read_dates(builder, column, says_utc, guessed=use.note.startswith("guess"))
    unit = find_unit(use.unit) if use.unit else None
    scale = TIME_UNITS.get(unit or "s", 1.0)
    if column.whole is not None:
        middle = int(sorted(column.whole)[column.whole.size // 2])
        seconds = np.array([float(int(value) - middle) for value in column.whole]) * scale
        return seconds, middle * scale + use.offset * scale, False
    good = np.sort(column.values[np.isfinite(column.values)])
    centre = float(good[good.size // 2]) if good.size else 0.0
    with np.errstate(over="ignore", invalid="ignore"):
        seconds = (column.values - centre) * scale
    return seconds, (centre + use.offset) * scale, False


def _read_dates(
    builder: RecordingBuilder, column: Column, says_utc: bool, *, guessed: bool
) -> tuple[Array, float | None, bool]:
    """Return seconds from dates and times, or from times of day, as text; and their zero, as above."""
    assert column.texts is not None
    texts = [str(text) for text in column.texts]
    clocks = [_CLOCK.match(text) for text in texts]
    if sum(match is not None for match in clocks) * 2 > len(texts):
        seconds: Array = np.array(
            [
                int(m[1]) * 3600.0 + int(m[2]) * 60.0 + float((m[3] or "0").replace(",", "."))
                if m
                else np.nan
                for m in clocks
            ]
        )
        steps = np.diff(seconds, prepend=seconds[0])
        seconds += _DAY * np.cumsum(np.where(steps < -_DAY / 2, 1.0, 0.0))  # past midnight
        builder.note(f'"{column.name}" holds times of day without a date: no UTC')
        return seconds, None, False
    import pandas as pd

    parsed = pd.to_datetime(pd.Series(texts), errors="coerce", format="ISO8601", utc=True)
    good = parsed.notna().to_numpy(dtype=bool)
    if not good.any() and guessed:
        builder.tell("no_time", column.name, f'holds no time that can be read (such as "{texts[0][:40]}")')
        return np.full(len(texts), np.nan), None, False
    if not good.any():
        raise UnreadableLogError(
            "this column is to be time, but holds no time that can be read",
            where=f"{builder.content.path}, column {column.name!r}",
            found=texts[0][:40],
            allowed="numbers, dates as 2026-05-01T12:00:00Z, times of day as 12:00:00",
        )
    origin = parsed[good].iloc[int(np.count_nonzero(good)) // 2]
    seconds = np.asarray((parsed - origin).dt.total_seconds(), dtype=np.float64)
    zoned = bool(re.search(r"(?:Z|[+-]\d{2}:?\d{2})$", texts[int(np.flatnonzero(good)[0])]))
    if zoned or says_utc:
        return seconds, float(origin.timestamp()), True
    builder.note(
        f'"{column.name}" holds dates without a time zone: no UTC is taken from them; if they are UTC, '
        'state unit = "utc" for time in the sheet'
    )
    return seconds, None, True
