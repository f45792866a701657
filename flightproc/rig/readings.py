"""What the rig shows at each setting, whatever its kind: typed by a person, or averaged from a series."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..errors import RigError
from ..quantity import Quantity
from ..readers.column_map import guess_time
from ..readers.content import load_content
from ..readers.table import Column, parse_table
from ..readers.units import TIME_UNITS, find_unit
from .signals import RIG_SIGNALS, Scale, Table
from .swing import SwingMean, mean_through_swing

if TYPE_CHECKING:
    from ..sheets import RigReading, RigSeries, RigSheet

__all__ = ["Reading", "read_rig", "scale_of"]

Array = NDArray[np.float64]

_THRUST_STD = 0.05  # relative, where a thrust comes without one


@displayed
@dataclass(frozen=True)
class Reading:
    """The signal at one engine speed.

    Attributes
    ----------
    rpm, rpm_std : float
        Engine speed and its standard uncertainty [1/min]; 0 for a zero.
    signal : float
        In the unit of `Scale`, signed as read.
    swing_std : float
        Standard uncertainty from the swing or the scatter of a series.
    swing_dof : float
        Its degrees of freedom; infinite where it was judged.
    noted : bool
        Whether a swing or a series was given at all.
    total, total_std : float or None
        Sum of both scales [kg] with what swing or scatter make of it.
    thrust : Quantity
        [N].
    trace : SwingMean or None
        The series that the signal was averaged from, in the signal's unit.
    words : tuple of str
        What was noticed while reading.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.rig import read_rig
    >>> read_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"), 6**0.5)[1].rpm
    4600.0
    """

    rpm: float
    rpm_std: float
    signal: float
    swing_std: float
    swing_dof: float
    noted: bool
    total: float | None
    total_std: float | None
    thrust: Quantity
    trace: SwingMean | None = None
    words: tuple[str, ...] = ()


def scale_of(sheet: RigSheet) -> Scale:
    """Return how a rig turns what it shows into torque.

    Parameters
    ----------
    sheet : RigSheet
        Of any kind.

    Examples
    --------
    >>> import flightproc as fp
    >>> scale_of(fp.load_rig("sample_logs/school-wing-28/rig.toml")).arm_name
    'spacing'
    """
    return RIG_SIGNALS[sheet.kind].scale(sheet)


def read_rig(sheet: RigSheet, divisor: float, folder: str | Path | None = None) -> tuple[Reading, ...]:
    """Return all readings of a rig day, typed ones first, in the order of the sheet.

    Parameters
    ----------
    sheet : RigSheet
        Of any kind.
    divisor : float
        Half-width of a swing read by eye over its standard uncertainty.
    folder : str or Path, optional
        Where the files of its series lie; the current folder where it is not given.

    Raises
    ------
    RigError
        Where a series cannot be used.
    LogError
        Where its file cannot be read.

    Examples
    --------
    >>> import flightproc as fp
    >>> readings = read_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"), 6**0.5)
    >>> len(readings), readings[0].rpm
    (7, 0.0)
    """
    typed = [_typed(sheet.kind, reading, divisor) for reading in sheet.readings]
    tables: dict[str, list[Column]] = {}
    series = [_averaged(sheet.kind, entry, Path(folder or "."), tables) for entry in sheet.series]
    return (*typed, *series)


def _typed(kind: str, reading: RigReading, divisor: float) -> Reading:
    shown = RIG_SIGNALS[kind].shown(reading)
    parts = [
        (high - low) / 2.0 / divisor for low, high in shown.swings if low is not None and high is not None
    ]
    swing = shown.factor * math.hypot(*parts) if parts else 0.0
    return Reading(
        rpm=reading.rpm,
        rpm_std=reading.rpm_std if reading.rpm > 0.0 else 0.0,
        signal=shown.signal,
        swing_std=swing,
        swing_dof=math.inf,
        noted=len(parts) == len(shown.swings),
        total=shown.total,
        total_std=None if shown.total is None else swing,
        thrust=_thrust(reading),
    )


def _thrust(entry: RigReading | RigSeries) -> Quantity:
    if entry.thrust_N is None:
        return Quantity.unknown("N", "thrust was not measured")
    if entry.thrust_std_N is None:
        return Quantity.of(
            entry.thrust_N, _THRUST_STD * entry.thrust_N, "N", reason="its uncertainty was taken as 5 %"
        )
    return Quantity.of(entry.thrust_N, entry.thrust_std_N, "N")


# Series ---------------------------------------------------------------------------------------------------


def _averaged(kind: str, entry: RigSeries, folder: Path, tables: dict[str, list[Column]]) -> Reading:
    path = str(folder / entry.file)
    if path not in tables:
        content = load_content(path)
        tables[path] = parse_table(content.data, path).columns
    columns = tables[path]
    time = _time(columns, entry.time_column, path)
    keep = np.isfinite(time)
    keep &= time >= (-np.inf if entry.start_s is None else entry.start_s)
    keep &= time <= (np.inf if entry.end_s is None else entry.end_s)
    if not keep.any():
        raise RigError(
            "the series has no sample between start_s and end_s",
            where=path,
            found=f"{entry.start_s} to {entry.end_s} s",
            allowed=f"{np.nanmin(time):g} to {np.nanmax(time):g} s",
        )
    rpm, rpm_std, words = _speed(columns, entry, keep, path)

    def mean(values: Array) -> SwingMean:
        try:
            return mean_through_swing(
                time[keep], values[keep], period=entry.swing_period_s, period_std=entry.swing_period_std_s
            )
        except RigError as error:
            raise RigError(f"at {rpm:.0f} rpm: {error}", where=path) from error

    signal, sums = RIG_SIGNALS[kind].series(Table(columns, path), entry)
    trace, total = mean(signal), None if sums is None else mean(sums)
    head = f"series at {rpm:.0f} rpm" if rpm else "series of the zero"
    return Reading(
        rpm=rpm,
        rpm_std=rpm_std,
        signal=trace.mean,
        swing_std=trace.std,
        swing_dof=trace.dof,
        noted=True,
        total=None if total is None else total.mean,
        total_std=None if total is None else total.std,
        thrust=_thrust(entry),
        trace=trace,
        words=tuple(f"{head}: {word}" for word in (*words, *trace.words)),
    )


def _speed(
    columns: Sequence[Column], entry: RigSeries, keep: NDArray[np.bool_], path: str
) -> tuple[float, float, list[str]]:
    """Return engine speed, its uncertainty and words; the file's own comes before the sheet's."""
    if not entry.rpm_column:
        return float(entry.rpm or 0.0), entry.rpm_std if entry.rpm else 0.0, []
    values = Table(columns, path).find(entry.rpm_column).values[keep]
    values = values[np.isfinite(values)]
    if not values.size:
        raise RigError(f"the column {entry.rpm_column!r} is empty in this stretch", where=path)
    mean, spread = float(values.mean()), float(values.std())
    words = []
    if entry.rpm is not None and abs(mean - entry.rpm) > max(3.0 * entry.rpm_std, 0.02 * max(entry.rpm, 1.0)):
        words.append(f"the file has {mean:.0f} rpm where the sheet has {entry.rpm:.0f}; the file's is used")
    if mean > 0.0 and spread > 0.02 * mean:
        words.append(f"the engine speed was not steady (it spreads by {spread:.0f} rpm)")
    if mean < 1.0:
        return 0.0, 0.0, words
    half = len(values) // 2
    drift = abs(float(values[:half].mean() - values[half:].mean())) if half else 0.0
    # A tachometer's own error, and half of a steady drift over the stretch as uniform.
    return mean, math.hypot(entry.rpm_std, drift / math.sqrt(12.0)), words


def _time(columns: Sequence[Column], name: str, path: str) -> Array:
    """Return the time of each row [s]; dates and times of day count from midnight of the first."""
    if name:
        column = next(
            (c for c in columns if name.strip().casefold() in (c.name.casefold(), c.bare.casefold())), None
        )
        if column is None:
            raise RigError(
                f"the file has no column {name!r}", where=path, allowed=", ".join(c.name for c in columns)
            )
        unit = find_unit(column.unit) if column.unit else "s"
    else:
        use = guess_time(list(columns))
        if use is None:
            raise RigError(
                "no column is recognised as time",
                where=path,
                allowed=", ".join(c.name for c in columns),
                hint="state time_column",
            )
        column = next(c for c in columns if c.name == use.column)
        unit = find_unit(use.unit) if use.unit else "s"
    if column.texts is not None:
        return _clock(column, path)
    return column.values * TIME_UNITS.get(unit or "s", 1.0)


def _clock(column: Column, path: str) -> Array:
    import pandas as pd

    assert column.texts is not None
    texts = pd.Series([str(text).strip() for text in column.texts])
    of_day = texts.str.match(r"^\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?$")
    if bool(of_day.mean() > 0.5):
        padded = texts.where(texts.str.count(":") > 1, texts + ":00").str.replace(",", ".")
        stamps = pd.to_timedelta(padded.where(of_day), errors="coerce").dt.total_seconds()
    else:
        dates = pd.to_datetime(texts, errors="coerce", utc=True, format="ISO8601")
        if dates.isna().all():
            raise RigError(
                f"the times in column {column.name!r} cannot be read", where=path, found=texts.iloc[0]
            )
        stamps = (dates - dates.dropna().iloc[0].normalize()).dt.total_seconds()
    return np.asarray(stamps, dtype=float)
