"""A data frame as a recording, for loggers that no reader knows."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..channels import CHANNELS
from ..errors import LogError
from .build import RecordingBuilder, median_rate
from .content import Content
from .recording import RawField, Recording
from .units import convert

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["recording_from_frame"]

NAME = "data frame"

Array = NDArray[np.float64]


def recording_from_frame(
    frame: pd.DataFrame,
    units: Mapping[str, str] | None = None,
    *,
    name: str = NAME,
    start_utc: float | None = None,
) -> Recording:
    """Make a recording of a data frame.

    Parameters
    ----------
    frame : DataFrame
        One column per channel, under the channel's name (see :data:`flightproc.CHANNELS`). The index is
        time: numbers in seconds on the logger's own clock, time differences, or dates; or a column ``time``
        is. Dates with a time zone give UTC, others only their differences. A cell that is NaN is no sample.
        Columns of other names are kept as fields that feed nothing.
    units : mapping of str to str, optional
        Unit of each column that is not in the channel's own; ``frame.attrs["units"]`` stands in.
    name : str
        What the recording is called in messages and in the provenance.
    start_utc : float, optional
        UTC (POSIX seconds) at which the clock reads 0.

    Returns
    -------
    Recording
        As from a log: times that stand still or jump back, and values out of a channel's limits, are turned
        down and told in ``damage``.

    Raises
    ------
    LogError
        If there is no channel, no time, or a unit does not fit its channel.

    Examples
    --------
    >>> import pandas as pd
    >>> import flightproc as fp
    >>> table = pd.DataFrame({"rpm": [2000.0, 2010.0], "bank": [0.0, 5.0]}, index=[0.0, 0.5])
    >>> recording = fp.recording_from_frame(table, units={"bank": "deg"}, name="bench logger")
    >>> recording
    Recording: bench logger, data frame, 62 bytes, 0:00 min
      channel  samples  rate [Hz]  from
      bank     2        2          bank
      rpm      2        2          rpm
    >>> recording.get("bank").values.round(4).tolist()
    [0.0, 0.0873]
    """
    stated = dict(frame.attrs.get("units", {})) | dict(units or {})
    unknown = [column for column in units or {} if column not in frame.columns]
    if unknown:
        raise LogError(
            "a unit is stated for columns that are not there: " + ", ".join(map(str, unknown)),
            where=name,
            allowed=", ".join(str(column) for column in frame.columns),
        )
    time, zero = _time_of(frame, name)
    columns = {str(column): frame[column] for column in frame.columns if column != "time"}
    if len(columns) < sum(column != "time" for column in frame.columns):
        raise LogError("two columns have one name", where=name, hint="name each column once")
    channels = [column for column in columns if column in CHANNELS]
    if not channels:
        near = {c: difflib.get_close_matches(c.casefold(), CHANNELS, n=1, cutoff=0.6) for c in columns}
        meant = ", ".join(f"{column}: {found[0]}" for column, found in near.items() if found)
        raise LogError(
            "no column is named after a channel",
            where=name,
            found=", ".join(columns) or "no columns",
            allowed=", ".join(CHANNELS),
            hint="rename the columns: frame.rename(columns={...})" + (f"; perhaps {meant}" if meant else ""),
        )
    values = {column: _numbers(columns[column], column, name) for column in channels}
    content = _content(name, time, values, stated)
    builder = RecordingBuilder(content, NAME)
    builder.start_utc = zero if start_utc is None else start_utc
    keep = builder.clock(time, "time")
    for column in channels:
        good = keep & np.isfinite(values[column])
        unit = str(stated.get(column) or CHANNELS[column].unit)
        data = convert(values[column][good], unit, column, f"{name}, column {column!r}")
        if good.any():
            builder.add(column, time[good], data, column)
    fed = set(builder.channels)
    for column in columns:
        count = int(columns[column].notna().sum())
        rate = median_rate(time[keep & columns[column].notna().to_numpy(dtype=bool)])
        unit = str(stated.get(column) or (CHANNELS[column].unit if column in CHANNELS else ""))
        builder.fields.append(RawField(column, count, rate, unit, column if column in fed else "", ""))
    return builder.build()


def _numbers(column: pd.Series, name: str, where: str) -> Array:
    import pandas as pd

    if not pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        raise LogError(
            "this column holds no numbers",
            where=f"{where}, column {name!r}",
            found=str(column.dtype),
            hint="convert it with pandas.to_numeric",
        )
    return column.to_numpy(dtype=np.float64, na_value=np.nan)


def _time_of(frame: pd.DataFrame, where: str) -> tuple[Array, float | None]:
    """Return the time of each row [s] and, where it is a date with a time zone, the UTC of time 0."""
    import pandas as pd

    times = pd.Index(frame["time"]) if "time" in frame.columns else frame.index
    if isinstance(times, pd.DatetimeIndex):
        good = times[times.notna()]
        if not len(good):
            raise LogError("no row has a time", where=where)
        seconds = np.asarray((times - good[0]).total_seconds(), dtype=np.float64)
        return seconds, None if times.tz is None else float(good[0].timestamp())
    if isinstance(times, pd.TimedeltaIndex):
        return np.asarray(times.total_seconds(), dtype=np.float64), None
    if not pd.api.types.is_numeric_dtype(times.dtype):
        raise LogError(
            "the index is no time",
            where=where,
            found=str(times.dtype),
            allowed="seconds as numbers, time differences, dates, or a column named time",
        )
    if isinstance(times, pd.RangeIndex) and len(times) > 1:
        raise LogError(
            "the index only counts the rows",
            where=where,
            allowed="seconds as numbers, time differences, dates, or a column named time",
            hint='frame.set_index("...") with the column that holds the time',
        )
    return times.to_numpy(dtype=np.float64), None


def _content(name: str, time: Array, values: Mapping[str, Array], units: Mapping[str, str]) -> Content:
    """Return what stands in for a file's bytes: times, names, units and values."""
    parts = [time.tobytes()]
    for column, cells in values.items():
        parts += [f"{column} {units.get(column, '')}\n".encode(errors="backslashreplace"), cells.tobytes()]
    data = b"".join(parts)
    return Content(name, data, hashlib.sha256(data).hexdigest())
