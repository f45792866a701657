"""IGC, the text format of flight recorders (FAI technical specification)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder, median_rate
from .content import Content, load_content, refuse_columns
from .fixes import (
    DAY,
    add_derived_climb,
    add_derived_velocity,
    continuous_seconds,
    derive_velocity,
    feeds_of,
    nearest_day,
    speed_ratio,
    strays,
)
from .igc_decode import Header, IgcRecords, Timed, decode_igc, normalise_text
from .recording import RawField, Recording

__all__ = ["NAME", "isa_pressure", "read", "sniff"]

NAME = "IGC"

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_FIX = re.compile(rb"^B\d{6}\d{7}[NS]\d{8}[EW][AV]", re.MULTILINE)
_HEADER = re.compile(rb"^H[FOPS][A-Z0-9]{3}", re.MULTILINE)
_MAKER = re.compile(rb"A[A-Z0-9]{3}")
_ISA_TEMPERATURE, _ISA_PRESSURE, _ISA_LAPSE = 288.15, 101_325.0, 0.0065  # K, Pa, K/m
_ISA_GAS, _ISA_GRAVITY, _TROPOPAUSE = 287.05287, 9.80665, 11_000.0  # J/(kg K), m/s^2, m
_KMH = 1.0 / 3.6
_ZERO_CELSIUS = 273.15
_MOST_DATES = 100  # that one file may hold

_SPEEDS = {"TAS": "true_airspeed", "IAS": "indicated_airspeed", "GSP": "ground_speed"}
_DIRECTIONS = {"TRT": "track", "HDT": "heading"}
_NOTES = {
    "ENL": "engine noise level, 0 to 999: it tells whether an engine runs, it is not an rpm",
    "MOP": "means of propulsion, a sensor level of 0 to 999: not an rpm",
    "FXA": "accuracy of the fix",
    "VXA": "vertical accuracy of the fix",
    "SIU": "satellites in use",
    "LAD": "further decimals of latitude, used",
    "LOD": "further decimals of longitude, used",
    "TDS": "decimal seconds, used",
    "VAT": "compensated variometer, not the rate of climb; tenths or hundredths of m/s",
    "VAR": "variometer; tenths or hundredths of m/s",
    "TRM": "magnetic track: the variation is not in the file",
    "HDM": "magnetic heading: the variation is not in the file",
    "CCO": "compass course, magnetic",
    "WDI": "wind direction worked out by the recorder",
    "WVE": "wind speed worked out by the recorder",
    "WSP": "wind speed worked out by the recorder",
    "ACX": "acceleration whose unit the format leaves open",
    "ACY": "acceleration whose unit the format leaves open",
    "ACZ": "acceleration whose unit the format leaves open",
}
_GEOID = "by the geoid height of the place, -105 m to 85 m, nearly the same all flight"
_ABOVE = {
    "GEO": "HFALG says that satellite altitude is above the geoid, that is above sea level",
    "ELL": "HFALG says that satellite altitude is above the WGS 84 ellipsoid: it differs from height above "
    f"sea level {_GEOID}",
    "": "the file does not say what satellite altitude is above: in approved recorders it is the WGS 84 "
    f"ellipsoid, many others write height above sea level; the two differ {_GEOID}",
}
_RECORDS = {
    "A": "maker and serial number: not kept",
    "C": "task",
    "D": "differential station",
    "F": "satellites in use",
    "G": "security record: not checked",
}
_PERSONAL = {"PLT", "CM2", "GID", "CID", "CLB", "OOI"}


def sniff(head: bytes) -> bool:
    r"""Return whether the content is an IGC file, also in UTF-16.

    Examples
    --------
    >>> sniff(b"AXXX001\r\nHFDTE160701\r\n"), sniff(b"Height,Speed\r\n1,2\r\n")
    (True, False)
    """
    text = head.replace(b"\x00", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n").replace(b"\r", b"\n")
    fixes = len(_FIX.findall(text))
    if _MAKER.match(text) and (fixes or _HEADER.search(text)):
        return True
    return 2 * fixes > text.count(b"\n") - text.count(b"\n\n") and fixes > 1


def isa_pressure(altitude: Array) -> Array:
    r"""Return the pressure [Pa] of the standard atmosphere at a pressure altitude [m].

    Notes
    -----
    .. math:: p = p_0 (1 - L h / T_0)^{g / (R L)}

    up to 11 km, isothermal above; a pressure altitude is a geopotential height by definition.

    Examples
    --------
    >>> isa_pressure(np.array([0.0, 11_000.0])).round(1).tolist()
    [101325.0, 22632.0]

    References
    ----------
    ISO 2533:1975, "Standard Atmosphere", Eqs. (12) and (13).
    """
    low = np.minimum(altitude, _TROPOPAUSE)
    exponent = _ISA_GRAVITY / (_ISA_GAS * _ISA_LAPSE)
    pressure = _ISA_PRESSURE * (1.0 - _ISA_LAPSE * low / _ISA_TEMPERATURE) ** exponent
    high = altitude > _TROPOPAUSE
    if high.any():
        upper = _ISA_TEMPERATURE - _ISA_LAPSE * _TROPOPAUSE
        above = altitude[high] - _TROPOPAUSE
        pressure[high] *= np.exp(-_ISA_GRAVITY * above / (_ISA_GAS * upper))
    return np.asarray(pressure)


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read an IGC file.

    Parameters
    ----------
    path : str or Path
        File.
    columns : None
        IGC names its own fields; a column map is an error.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If a column map is given.
    UnreadableLogError
        If no fix can be read.

    Notes
    -----
    Time 0 is the first usable fix; ``start_utc`` is its UTC where the file has a date. Values of the header
    are not kept, since they name the pilot and the aircraft.
    """
    content = content or load_content(path)
    refuse_columns(columns, "IGC", content.path)
    text, odd = normalise_text(content.data)
    records = decode_igc(text)
    if not records.fixes.line.size:
        raise UnreadableLogError(
            f"this IGC file holds no usable fix ({records.counts['B']} B records)",
            where=content.path,
            hint="copy it from the recorder again",
        )
    builder = RecordingBuilder(content, NAME)
    if odd:
        builder.note(odd)
    for loss in records.losses:
        builder.tell(*loss)
    time, dated = _place(builder, records)
    timed = np.flatnonzero(np.isfinite(time))
    keep = np.zeros(time.size, dtype=bool)
    keep[timed] = builder.clock(time[timed], "B records", 2e-6)
    used = time[keep]
    if used.size:
        if dated:
            builder.start_utc = float(used[0])
        relative = np.round(used - used[0], 6)
        _feed(builder, records, keep, relative)
        _feed_extra(builder, records, time, float(used[0]))
    _tell(builder, records)
    _list(builder, records, used)
    return builder.build()


def _place(builder: RecordingBuilder, records: IgcRecords) -> tuple[Array, bool]:
    """Return the time of each fix [s], since 1970 where the file has a date, and whether it has."""
    fixes = records.fixes
    time = np.full(fixes.time_of_day.size, np.nan)
    days: list[tuple[int, int]] = []
    for line, day in records.dates:
        if not days or day != days[-1][1]:
            days.append((line, day))
    if len(days) > _MOST_DATES:
        builder.tell(
            "corrupt", "H records", f"{len(days)} dates in one file: only the first is used", len(days) - 1
        )
        del days[1:]
    firsts = [0, *(int(np.searchsorted(fixes.line, line)) for line, _ in days[1:]), time.size]
    lost = 0
    for part, low, high in zip(range(max(len(days), 1)), firsts[:-1], firsts[1:], strict=True):
        run = continuous_seconds(fixes.time_of_day[low:high])
        stray = strays(run)
        lost += int(np.count_nonzero(stray))
        run[stray] = np.nan
        finite = run[np.isfinite(run)]
        if finite.size:
            run += DAY * ((days[part][1] if days else 0) - np.floor(finite[0] / DAY))
        time[low:high] = run
    if lost:
        builder.tell("bad_time", "B records", f"{lost} fixes left out: hours away from all the others", lost)
    if len(days) > 1:
        builder.note(f"{len(days)} dates follow each other in this file: each holds for the fixes after it")
    if not days:
        builder.note("the file names no usable date (HFDTE): it is treated as having no UTC")
    return time, bool(days)


def _absent(values: Array) -> bool:
    """Return whether a field is declared, yet 0 or blank throughout."""
    return not np.any(np.nan_to_num(values))


def _decimals(values: Array, width: NDArray[np.int8]) -> Array:
    """Return a field of three whole digits and as many decimals as its width leaves."""
    return np.asarray(values / 10.0 ** np.maximum(width.astype(np.float64) - 3.0, 0.0))


def _feed(builder: RecordingBuilder, records: IgcRecords, keep: Mask, time: Array) -> None:
    latitude, longitude = np.radians(records.latitude[keep]), np.radians(records.longitude[keep])
    valid = records.valid[keep]
    empty = (latitude == 0.0) & (longitude == 0.0)
    stale = np.zeros(time.size, dtype=bool)
    stale[1:] = ~valid[1:] & (latitude[1:] == latitude[:-1]) & (longitude[1:] == longitude[:-1])
    latitude[empty | stale] = np.nan
    longitude[empty | stale] = np.nan
    height = np.where(valid, records.gnss_altitude[keep], np.nan)
    builder.add("latitude", time, latitude, "B.latitude")
    builder.add("longitude", time, longitude, "B.longitude")
    if _absent(height):
        if valid.any():
            builder.note("the satellite altitude is 0 throughout: there is no height")
        height[:] = np.nan
    else:
        builder.add("height", time, height, "B.gnss_altitude")
    _feed_pressure(builder, records, keep, time)
    derived = derive_velocity(time, latitude, longitude, height)
    _feed_extensions(builder, records.fixes, "B", keep, time, np.hypot(*derived))
    add_derived_velocity(builder, time, derived, ("B.latitude", "B.longitude"))
    add_derived_climb(builder, time, height, "B.gnss_altitude")
    if "velocity_north" in builder.channels and builder.channels["velocity_north"][0].derived:
        digits = 3 + int(records.fixes.width.get("LAD", np.zeros(1)).max())
        builder.note(
            f"positions are written to {10.0**-digits:g} minutes of arc ({1852 * 10.0**-digits:.2g} m): "
            "velocity from them is as coarse as that over two steps"
        )


def _feed_pressure(builder: RecordingBuilder, records: IgcRecords, keep: Mask, time: Array) -> None:
    altitude = records.pressure_altitude[keep]
    if _absent(altitude):
        builder.note("the pressure altitude is 0 throughout: the recorder has no pressure sensor")
    elif records.header.pressure_altitude in ("MSL", "NIL", "NKM"):
        builder.note(
            f"HFALP says {records.header.pressure_altitude}: the pressure altitude does not refer to "
            "1013.25 hPa, and no pressure is worked out from it"
        )
    else:
        with np.errstate(invalid="ignore"):
            builder.add("pressure", time, isa_pressure(altitude), "B.pressure_altitude")


def _feed_extra(builder: RecordingBuilder, records: IgcRecords, fix_time: Array, origin: float) -> None:
    """Feed channels from the K records, whose times lie near those of the fixes around them."""
    extra = records.extra
    if not extra.line.size:
        return
    known = np.flatnonzero(np.isfinite(fix_time))
    before = known[np.clip(np.searchsorted(records.fixes.line[known], extra.line) - 1, 0, known.size - 1)]
    time = nearest_day(extra.time_of_day, fix_time[before]) - origin
    keep = builder.clock(time, "K records", 2e-6)
    if keep.any():
        _feed_extensions(builder, extra, "K", keep, np.round(time[keep], 6), None)


def _feed_extensions(
    builder: RecordingBuilder, timed: Timed, record: str, keep: Mask, time: Array, moving: Array | None
) -> None:
    """Feed channels from what the I or J record declares; ``moving`` is the speed from positions [m/s]."""
    wanted = [code for code in (*_SPEEDS, *_DIRECTIONS, "OAT", "RPM") if code in timed.fields]
    values = {code: timed.fields[code][keep] for code in wanted}
    width = {code: timed.width[code][keep] for code in wanted}
    for code in wanted:
        if _absent(values[code]):
            builder.note(f"{code} is declared but 0 throughout: it is treated as absent")
            del values[code]
    speeds = {}
    for code, channel in _SPEEDS.items():
        if code in values:
            speed = _decimals(values[code], width[code]) * _KMH
            ratio = float("nan") if moving is None else speed_ratio(speed, moving)
            allowed = (0.75, 1.33) if code == "GSP" else (0.33, 3.0)
            if np.isfinite(ratio) and not allowed[0] < ratio < allowed[1]:
                builder.note(
                    f"{code}, taken as km/h, is {ratio:.2f} times the speed from positions: it is not used"
                )
                continue
            speeds[code] = speed
            builder.add(channel, time, speed, f"{record}.{code}")
    for code, channel in _DIRECTIONS.items():
        if code in values:
            builder.add(channel, time, np.radians(_decimals(values[code], width[code])), f"{record}.{code}")
    if "GSP" in speeds and "TRT" in values:
        course = np.radians(_decimals(values["TRT"], width["TRT"]))
        source = f"{record}.GSP and {record}.TRT"
        builder.add("velocity_north", time, speeds["GSP"] * np.cos(course), source)
        builder.add("velocity_east", time, speeds["GSP"] * np.sin(course), source)
    if "OAT" in values:
        builder.add(
            "temperature", time, _decimals(values["OAT"], width["OAT"]) + _ZERO_CELSIUS, f"{record}.OAT"
        )
    if "RPM" in values:
        builder.note("RPM is no code of the specification: its numbers are taken as revolutions per minute")
        builder.add("rpm", time, values["RPM"], f"{record}.RPM")


def _tell(builder: RecordingBuilder, records: IgcRecords) -> None:
    """Tell what the format leaves open, and values that are no numbers."""
    header: Header = records.header
    for record, timed in (("B", records.fixes), ("K", records.extra)):
        for code, count in sorted(timed.bad.items()):
            if count:
                first = timed.first_bad[code]
                what = f"{count} value{'s are' if count > 1 else ' is'} no number (first: line {first})"
                builder.tell("bad_value", f"{record}.{code}", what, count)
    invalid = int(np.count_nonzero(~records.valid))
    if invalid:
        builder.tell(
            "bad_value",
            "B.validity",
            f"{invalid} of {records.valid.size} fixes are marked V (2D or none): no height from them, nor a "
            "position where it is 0 or repeated",
            invalid,
        )
    if "height" in builder.channels:
        builder.note(_ABOVE[header.gnss_altitude])
    if not header.datum_is_wgs84:
        builder.note("the header names a datum other than WGS 84: positions are used as they stand")
    if records.counts["G"]:
        builder.note(
            "the security record (G) is not checked: nothing is said on whether the file was changed"
        )
    else:
        builder.note("there is no security record (G): the file may be cut, edited or from a simple recorder")


def _list(builder: RecordingBuilder, records: IgcRecords, used: Array) -> None:
    rate = median_rate(used)
    fixes = records.fixes
    total = int(fixes.line.size)

    def add(name: str, count: int, each: float, unit: str = "", note: str = "") -> None:
        builder.fields.append(RawField(name, count, each, unit, feeds_of(builder, name), note))

    add("B.time", total, rate, "UTC", "time")
    add("B.latitude", total, rate, "deg")
    add("B.longitude", total, rate, "deg")
    add("B.validity", total, rate, "", f"A (3D): {int(np.count_nonzero(records.valid))}")
    for name, values in (
        ("pressure_altitude", records.pressure_altitude),
        ("gnss_altitude", records.gnss_altitude),
    ):
        note = "0 throughout: absent" if _absent(values) else ""
        add(f"B.{name}", int(np.count_nonzero(np.isfinite(values))), rate, "m", note)
    extra_rate = median_rate(np.unique(records.extra.time_of_day))
    for record, timed, each in (("B", fixes, rate), ("K", records.extra, extra_rate)):
        for code, column in timed.fields.items():
            widths = sorted({int(w) for w in np.unique(timed.width[code])} - {0})
            note = "0 throughout: absent" if _absent(column) else _NOTES.get(code, "")
            add(
                f"{record}.{code}",
                int(np.count_nonzero(np.isfinite(column))),
                each,
                _unit(code, widths),
                note,
            )
    if records.extra.line.size:
        add("K.time", int(records.extra.line.size), extra_rate, "UTC", "time")
    nan = float("nan")
    for code, count in sorted(records.header.codes.items()):
        personal = "value not kept" + (": it names a person or an aircraft" if code in _PERSONAL else "")
        add(f"H.{code}", count, nan, "", "date" if code == "DTE" else personal)
    for kind, counted, note in (("E", records.events, "event"), ("L", records.comments, "comment")):
        for code, count in sorted(counted.items()):
            add(f"{kind}.{code}", count, nan, "", note)
    for letter, note in _RECORDS.items():
        if records.counts[letter]:
            add(letter, records.counts[letter], nan, "", note)


def _unit(code: str, widths: list[int]) -> str:
    """Return the unit of a field as its width tells it."""
    base = (
        "km/h"
        if code in (*_SPEEDS, "WVE", "WSP")
        else "deg"
        if code in (*_DIRECTIONS, "TRM", "HDM", "CCO", "WDI")
        else "C"
        if code == "OAT"
        else ""
    )
    if not base:
        return {"FXA": "m", "VXA": "m", "RPM": "1/min"}.get(code, "")
    each = [f"{10.0 ** -(w - 3):g} {base}" if w > 3 else base for w in widths]
    return " or ".join(dict.fromkeys(each))
