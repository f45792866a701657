"""Which column of a table feeds which channel: as the sheet says, or as names, units and values suggest."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..channels import CHANNELS
from ..errors import LogError
from .table import Column
from .units import TIME_UNITS, allowed_units, dimension_of, find_unit

__all__ = ["ColumnUse", "find_columns", "guess_columns", "guess_time", "may_feed", "split_name"]


@dataclass(frozen=True)
class ColumnUse:
    """How one column feeds one channel.

    Attributes
    ----------
    channel : str
        Channel, or ``time``.
    column : str
        Column, as in the header.
    unit : str
        Unit of the column.
    sign : float
        1 or -1.
    offset : float
        Added after the sign, in the column's unit.
    note : str
        Why it is taken so, where it is a guess.
    """

    channel: str
    column: str
    unit: str
    sign: float = 1.0
    offset: float = 0.0
    note: str = ""


# As the sheet says ----------------------------------------------------------------------------------------


def _part(entry: object, name: str, default: object) -> object:
    value = entry.get(name, default) if isinstance(entry, Mapping) else getattr(entry, name, default)
    return default if value is None else value


def find_columns(columns: Mapping[str, object], table: list[Column], where: str) -> list[ColumnUse]:
    """Check a column map against a table.

    Parameters
    ----------
    columns : mapping
        Channel name (or ``time``) to an object or mapping with ``column``, ``unit``, ``sign``, ``offset``.
    table : list of Column
        The columns that there are.
    where : str
        File name, for errors.

    Raises
    ------
    LogError
        If a channel does not exist, a column is absent (all absent ones are named), or a unit is not known
        or not one of the channel's.
    """
    unknown = [name for name in columns if name != "time" and name not in CHANNELS]
    if unknown:
        raise LogError(
            "the column map names channels that do not exist: " + ", ".join(unknown),
            where=where,
            allowed="time, " + ", ".join(CHANNELS),
        )
    exact = {c.name: c for c in table}
    folded = {c.name.casefold().strip(): c for c in reversed(table)} | {
        c.bare.casefold().strip(): c for c in reversed(table)
    }
    uses: list[ColumnUse] = []
    absent: list[str] = []
    for channel, entry in columns.items():
        wanted = str(_part(entry, "column", "")).strip()
        column = exact.get(wanted) or folded.get(wanted.casefold())
        if column is None:
            absent.append(f"{wanted!r} (for {channel})")
            continue
        stated = str(_part(entry, "unit", "") or column.unit)
        if channel == "time":
            known = stated.casefold() in ("", "utc", "iso", "unix") or find_unit(stated) in TIME_UNITS
        else:
            unit = find_unit(stated)
            known = unit is not None and unit in allowed_units(channel).split(", ")
        if not known:
            raise LogError(
                f"this unit does not fit {channel}",
                where=f"{where}, column {column.name!r}",
                found=stated or "(none stated)",
                allowed=allowed_units(channel),
                hint="state the column's unit in the sheet",
            )
        try:
            sign, offset = float(str(_part(entry, "sign", 1))), float(str(_part(entry, "offset", 0.0)))
        except ValueError as error:
            raise LogError(
                f"sign and offset of {channel} must be numbers", where=f"{where}, column {column.name!r}"
            ) from error
        uses.append(ColumnUse(channel, column.name, stated, sign, offset))
    if absent:
        raise LogError(
            "columns named in the map are not in the file: " + ", ".join(absent),
            where=where,
            allowed=", ".join(c.name for c in table),
        )
    return uses


# As names, units and values suggest -----------------------------------------------------------------------

_NAMES: dict[str, tuple[str, float]] = {}
for _channel, _sign, _words in (
    ("roll_rate", 1, "rollrate p gyrox gx wx angvelx angularvelocityx omegax rollspeed gyrop"),
    ("pitch_rate", 1, "pitchrate q gyroy gy wy angvely angularvelocityy omegay pitchspeed gyroq"),
    ("yaw_rate", 1, "yawrate r gyroz gz wz angvelz angularvelocityz omegaz yawspeed gyror"),
    ("specific_force_x", 1, "specificforcex accx ax accelx accelerationx accelerometerx accbx fx"),
    ("specific_force_y", 1, "specificforcey accy ay accely accelerationy accelerometery accby fy"),
    ("specific_force_z", 1, "specificforcez accz az accelz accelerationz accelerometerz accbz fz"),
    ("bank", 1, "bank roll phi bankangle rollangle"),
    ("pitch", 1, "pitch theta pitchangle"),
    ("heading", 1, "heading yaw psi hdg truehdg trueheading"),
    ("rpm", 1, "rpm enginerpm motorrpm enginespeed revs enginerevs"),
    ("propeller_rpm", 1, "propellerrpm proprpm propellerspeed"),
    ("true_airspeed", 1, "trueairspeed tas"),
    ("indicated_airspeed", 1, "indicatedairspeed ias calibratedairspeed cas equivalentairspeed eas airspeed"),
    ("latitude", 1, "latitude lat gpslat gpslatitude"),
    ("longitude", 1, "longitude lon long lng gpslon gpslongitude"),
    ("height", 1, "height altitude alt gpsaltitude gpsalt altmsl altitudemsl elevation ele gpsheight"),
    ("velocity_north", 1, "velocitynorth vnorth velnorth vn veln northvelocity"),
    ("velocity_east", 1, "velocityeast veast veleast ve vele eastvelocity"),
    ("climb", 1, "climb climbrate vario verticalspeed vspeed vup"),
    ("climb", -1, "vdown veldown vd veld velocitydown"),
    ("ground_speed", 1, "groundspeed gs gpsspeed sog speedoverground"),
    ("track", 1, "track course cog courseoverground gpscourse trackangle"),
    ("pressure", 1, "pressure staticpressure airpressure baropressure barometricpressure baro"),
    (
        "temperature",
        1,
        "oat outsidetemperature outsideairtemperature ambienttemperature airtemperature airtemp",
    ),
    ("throttle", 1, "throttle throttleposition thr tps"),
    ("brake_left", 1, "brakeleft leftbrake"),
    ("brake_right", 1, "brakeright rightbrake"),
):
    _NAMES.update({word: (_channel, float(_sign)) for word in _words.split()})

_TIME_NAMES = frozenset(
    (
        *("t", "time", "timestamp", "timestamps", "elapsed", "elapsedtime", "seconds", "secs"),
        *("unixtime", "epoch", "utc", "gpstime", "utctime", "datetime", "timeutc", "timems", "timeus"),
    )
)
_TIME_LAST = frozenset(("timeofday", "clock", "timelocal", "localtime"))

# Endings of a name that state a unit, longest first; the part before them is the name.
_ENDINGS = sorted(
    {
        "rad_s": "rad/s", "deg_s": "deg/s", "rads": "rad/s", "dps": "deg/s", "rad": "rad", "deg": "deg",
        "degrees": "deg", "m_s2": "m/s^2", "m_s_2": "m/s^2", "mps2": "m/s^2", "ms2": "m/s^2", "m_s": "m/s",
        "mps": "m/s", "kmh": "km/h", "km_h": "km/h", "kph": "km/h", "kt": "kt", "kts": "kt", "knots": "kt",
        "mph": "mph", "m": "m", "ft": "ft", "pa": "Pa", "hpa": "hPa", "kpa": "kPa", "mbar": "hPa", "k": "K",
        "c": "C", "degc": "C", "f": "F", "degf": "F", "g": "g", "rpm": "rpm", "hz": "Hz", "pct": "%",
        "percent": "%", "s": "s", "sec": "s", "ms": "ms", "us": "us", "ns": "ns",
    }.items(),
    key=lambda item: -len(item[0]),
)  # fmt: skip


def split_name(column: Column) -> tuple[str, str | None]:
    """Return a column's name, bare of separators, and the unit that it or its brackets state.

    Examples
    --------
    >>> import numpy as np
    >>> split_name(Column("Roll rate_deg_s", "Roll rate_deg_s", "", np.empty(0)))
    ('rollrate', 'deg/s')
    """
    unit = find_unit(column.unit) if column.unit else None
    split = re.sub(r"[\s.\-/]+", "_", column.bare.strip())
    name = split.replace("_", "").casefold()
    if unit is not None or name in _NAMES or name in _TIME_NAMES:
        return name, unit
    for words in (split.casefold(), re.sub(r"(?<=[a-z])(?=[A-Z])", "_", split).casefold()):
        for ending, meant in _ENDINGS:
            if words.endswith(f"_{ending}"):
                return words[: -len(ending) - 1].replace("_", ""), meant
    return name, unit


def may_feed(column: Column) -> bool:
    """Return whether a column may be time or feed a channel, by its name and unit.

    Examples
    --------
    >>> import numpy as np
    >>> may_feed(Column("RPM", "RPM", "", np.empty(0))), may_feed(Column("CHT", "CHT", "C", np.empty(0)))
    (True, False)
    """
    name, unit = split_name(column)
    return name in _NAMES or name in _TIME_NAMES or "time" in name or unit in TIME_UNITS


def guess_columns(table: list[Column], used: set[str]) -> tuple[list[ColumnUse], dict[str, str]]:
    """Guess which columns feed which channels, where name and unit leave no doubt.

    Parameters
    ----------
    table : list of Column
        The columns.
    used : set of str
        Columns already spoken for.

    Returns
    -------
    uses : list of ColumnUse
        The guesses, each with its reason.
    doubts : dict of str to str
        For each column that may be meant for a channel but whose unit is not clear, what to state.
    """
    uses: list[ColumnUse] = []
    doubts: dict[str, str] = {}
    forces = _force_units(table)
    for column in table:
        if column.name in used or column.texts is not None or not np.isfinite(column.values).any():
            continue
        name, unit = split_name(column)
        if name not in _NAMES:
            continue
        channel, sign = _NAMES[name]
        allowed = allowed_units(channel).split(", ")
        reason = "unit from its name"
        if unit is None:
            if channel.startswith("specific_force"):
                unit, reason = forces, "unit from its size at rest"
            else:
                unit, reason = _unit_by_values(channel, column.values)
        if unit is None or unit not in allowed:
            choices = " or ".join(u for u in allowed if u != "1e-7 deg")
            doubts[column.name] = f"may be {channel}: state its unit in the sheet ({choices})"
            continue
        words = f"guess: {channel} in {unit} ({reason})" + (", sign turned" if sign < 0 else "")
        uses.append(ColumnUse(channel, column.name, unit, sign, 0.0, words))
    return uses, doubts


def _unit_by_values(
    channel: str, values: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> tuple[str | None, str]:
    """Return the unit that a column's values leave no doubt of, and the reason."""
    good = values[np.isfinite(values)]
    largest = float(np.max(np.abs(good)))
    middle = float(np.median(good))
    unit: str | None = None
    if channel in ("rpm", "propeller_rpm"):
        unit = "rpm" if largest > 300.0 else None
    elif channel in ("bank", "pitch", "heading", "track"):
        unit = "deg" if largest > 7.0 else None
    elif channel in ("roll_rate", "pitch_rate", "yaw_rate"):
        unit = "deg/s" if largest > 40.0 else None
    elif channel in ("latitude", "longitude"):
        limit = 90.0 if channel == "latitude" else 180.0
        if largest > 1e6:
            unit = "1e-7 deg"
        elif 7.0 < largest <= limit:
            unit = "deg"
    elif channel == "pressure":
        for name, low, high in (("Pa", 3e4, 1.1e5), ("hPa", 300.0, 1100.0), ("kPa", 30.0, 110.0)):
            if low < middle < high:
                unit = name
    elif channel == "temperature":
        unit = "K" if 200.0 < middle < 330.0 else None
    elif channel in ("throttle", "brake_left", "brake_right"):
        unit = "%" if 2.0 < largest <= 100.5 else None
    return unit, "unit from its values"


def _force_units(table: list[Column]) -> str | None:
    """Return the unit of the specific force where its z part, up to sign, is gravity most of the time."""
    for column in table:
        name, _ = split_name(column)
        if _NAMES.get(name, ("", 1.0))[0] == "specific_force_z" and np.isfinite(column.values).any():
            middle = float(np.nanmedian(column.values))
            if -11.5 < middle < -8.5:
                return "m/s^2"
            if -1.17 < middle < -0.87:
                return "g"
    return None


def guess_time(table: list[Column]) -> ColumnUse | None:
    """Return the column that is time, or None.

    A column whose name says time comes first; one with dates or times of day as text is taken next.
    """
    named = [(column, *split_name(column)) for column in table]
    for column, name, unit in named:
        if column.texts is None and (name in _TIME_NAMES or (unit in TIME_UNITS and "time" in name)):
            if unit is not None and dimension_of(unit) == "time":
                return ColumnUse(
                    "time", column.name, unit, note=f"guess: time in {unit} (unit from its name)"
                )
            guessed = _time_unit(column.values)
            if guessed is not None:
                return ColumnUse(
                    "time", column.name, guessed, note=f"guess: time in {guessed} (from its steps)"
                )
    for column, _, unit in named:
        if column.texts is None and unit in TIME_UNITS and _advances(column.values):
            return ColumnUse(
                "time", column.name, unit or "s", note=f"guess: time in {unit} (it only advances)"
            )
    for column, name, _ in named:
        if column.texts is not None and (name in _TIME_NAMES or name in _TIME_LAST or "time" in name):
            return ColumnUse("time", column.name, "", note="guess: dates or times of day")
    return None


def _advances(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> bool:
    """Return whether nearly every value is larger than the one before."""
    good = values[np.isfinite(values)]
    return good.size > 1 and float(np.mean(np.diff(good) > 0)) > 0.95


def _time_unit(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str | None:
    """Return the unit of a time column from its size and its steps."""
    good = values[np.isfinite(values)]
    if good.size < 2:
        return None
    first = abs(float(np.median(good)))
    for unit, low in (("ns", 6.3e17), ("us", 6.3e14), ("ms", 6.3e11), ("s", 6.3e8)):
        if low < first < 5 * low:
            return unit  # time since 1970 in that unit, between 1990 and 2070
    steps = np.diff(good)
    steps = steps[steps > 0]
    if not steps.size:
        return None
    step = float(np.median(steps))
    for unit, low, high in (("s", 5e-4, 3.0), ("ms", 3.0, 3e3), ("us", 3e3, 3e6), ("ns", 3e6, 3e9)):
        if low <= step < high:
            return unit
    return "s" if step < 120.0 else None
