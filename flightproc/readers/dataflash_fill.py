"""From the messages of a DataFlash log, binary or text, to channels: times, instances, units, UTC."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from .build import RecordingBuilder, median_rate
from .dataflash_format import TEXT_CODES, Format, UnitTable
from .dataflash_map import EKF_STATUS, FEEDS, GPS_NAMES, NEEDED, ROTATION, Feed, gps_to_utc, unit_for
from .recording import RawField
from .units import convert

__all__ = ["Table", "fill_recording", "near_neighbours"]

Array = NDArray[np.float64]
Places = NDArray[np.int64]

_BLOCK = 256  # records in a row whose middle stamps are the measure of the others
_TOLERANCE = 10.0  # s, how far a stamp may lie from its neighbours in the file
_TIMES = {"TimeUS": 1e-6, "TimeMS": 1e-3}
_PAUSE = 600.0  # s, pause after which one or two last records are still believed
_DAY = 86_400.0
_RARE = 0.01  # share of the records of the busiest sensor below which another is taken for damage
_WHOLE = frozenset("bBhHiIqQ")
_INSTANCE = ("I", "Instance", "IMU", "C", "Id", "IDX")
_FIRST_UTC = 946_684_800.0  # 2000-01-01
_LAST_UTC = 4_102_444_800.0  # 2100-01-01
_ALOFT = 0.5  # s, spread of the UTC of single fixes from which on it is told
_CONSTANT_POSITION = 7  # bit of an estimator's status: it has no aid and holds its position


class Table(Protocol):
    """All records of one message type, whatever the file is like."""

    @property
    def form(self) -> Format:
        """The definition."""
        ...

    @property
    def places(self) -> Places:
        """Where each record stands in the file (byte or line), increasing, shape (n,)."""
        ...

    def prepare(self, names: Collection[str]) -> None:
        """Read these columns; only they can be had afterwards."""
        ...

    def column(self, name: str, rows: Places | None = None) -> Array:
        """Return a column scaled as its format character says, NaN where it is not readable."""
        ...


@dataclass
class _Part:
    """One instance of one message type."""

    table: Table
    instance: int
    rows: Places | None
    time: Array
    label: str
    keep: NDArray[np.bool_] | None = None
    feeds: dict[str, list[str]] = field(default_factory=dict)
    remarks: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    _kept: Array | None = None

    def column(self, name: str) -> Array:
        """Return a column of the rows that have a usable time."""
        values = self.table.column(name, self.rows)
        return values if self.keep is None or self.keep.all() else values[self.keep]

    @property
    def kept_time(self) -> Array:
        """Return the usable times, the same array each time."""
        if self._kept is None:
            self._kept = self.time if self.keep is None or self.keep.all() else self.time[self.keep]
        return self._kept


def fill_recording(builder: RecordingBuilder, tables: Sequence[Table], units: UnitTable) -> None:
    """Fill a builder from the messages of a log.

    Parameters
    ----------
    builder : RecordingBuilder
        Where it all goes; time 0 becomes the first sample of any channel.
    tables : sequence of Table
        Every message type that has records.
    units : UnitTable
        What the log states on units and multipliers.
    """
    _Filling(builder, tables, units).run()


class _Filling:
    def __init__(self, builder: RecordingBuilder, tables: Sequence[Table], units: UnitTable) -> None:
        self.builder = builder
        self.tables = tables
        self.units = units
        self.parts: list[_Part] = []
        self.by_name: dict[str, list[_Part]] = {}
        self.timed = False

    def run(self) -> None:
        """Do all of it."""
        for table in self.tables:
            clock, form = self._clock_of(table.form), table.form
            names = {clock[0] if clock else "", self._instance_column(form), *NEEDED.get(form.name, ())}
            table.prepare(names)
        times = self._read_times()
        for table in self.tables:
            self._split(table, times[id(table)])
        for feed in FEEDS:
            for part in self._ranked(feed.message):
                self._feed(part, feed)
        self._tell_motors()
        self._find_utc()
        origin = self.builder.first_time()
        if origin is not None:
            self._shift(origin)
        else:
            self.builder.note("none of its messages feeds a channel")
        self._list_fields()

    def _shift(self, origin: float) -> None:
        """Make what was ``origin`` [s] the zero of the clock, in place: channels of a message share times."""
        group = (series.time for found in self.builder.channels.values() for series in found)
        for time in {id(time): time for time in group}.values():
            time -= origin
        if self.builder.start_utc is not None:
            self.builder.start_utc += origin

    # Times ---------------------------------------------------------------------------------------------

    def _clock_of(self, form: Format) -> tuple[str, float] | None:
        """Return the column that holds the time since switching on, and its unit in seconds."""
        if form.name in GPS_NAMES and "T" in form.columns and "TimeUS" not in form.columns:
            return "T", 1e-3  # there, TimeMS is the time of the GPS week
        for name, step in _TIMES.items():
            if name in form.columns and not (form.name in GPS_NAMES and name == "TimeMS"):
                return name, step
        first = form.columns[0]
        if form.codes[0] in _WHOLE:
            label, factor = self.units.find(form, first)
            if label == "s" and factor < 1:
                return first, factor
        if "T" in form.columns and form.codes[form.columns.index("T")] in "IQ":
            return "T", 1e-3
        return None

    def _read_times(self) -> dict[int, Array]:
        """Return the time of every record [s], NaN where it is not credible."""
        times: dict[int, Array] = {}
        timed: list[Table] = []
        for table in self.tables:
            clock = self._clock_of(table.form)
            if clock is None:
                times[id(table)] = np.full(table.places.size, np.nan)
            else:
                times[id(table)] = table.column(clock[0]) * clock[1]
                timed.append(table)
        self.timed = bool(timed)
        if not timed:
            self.builder.tell("no_time", "messages", "no message has a time: nothing can be placed in time")
            return times
        if _all_agree([(table.places, times[id(table)]) for table in timed]):
            return times
        stamps = np.concatenate([times[id(table)] for table in timed])
        order = np.argsort(np.concatenate([table.places for table in timed]), kind="stable")
        credible = np.empty(stamps.size, dtype=bool)
        credible[order] = near_neighbours(stamps[order])
        del stamps, order
        if not credible.all():
            start = 0
            strange: dict[str, int] = {}
            for table in timed:
                bad = ~credible[start : start + table.places.size]
                start += table.places.size
                if bad.any():
                    name = table.form.name
                    strange[name] = strange.get(name, 0) + int(np.count_nonzero(bad))
                    times[id(table)][bad] = np.nan
            names = list(strange)
            first = ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
            count = sum(strange.values())
            self.builder.tell(
                "bad_time",
                "time",
                f"{count} messages carry a time from outside the log and were left out ({first})",
                count,
            )
        return times

    def _split(self, table: Table, time: Array) -> None:
        """Part a message type into its instances."""
        name = table.form.name
        column = self._instance_column(table.form)
        numbers = table.column(column) if column else np.zeros(0)
        known = np.abs(numbers) < 256  # an instance is one byte
        if not column or not known.any():
            self._add_part(_Part(table, 0, None, time, name))
            return
        whole = (numbers if known.all() else numbers[known]).astype(np.int64)
        low = int(whole.min())
        if low == whole.max() and known.all():
            self._add_part(_Part(table, low, None, time, f"{name}:{low}" if low else name))
            return
        counts = np.bincount(whole - low)
        values = np.flatnonzero(counts) + low
        counts = counts[values - low]
        rare = counts < max(_RARE * counts.max(), min(3.0, 0.1 * counts.max()))
        lost = int(counts[rare].sum()) + int(np.count_nonzero(~known))
        if lost:
            self.builder.tell(
                "bad_value",
                name,
                f"{lost} records left out: their instance number hardly occurs elsewhere",
                lost,
            )
        for value in values[~rare].tolist():
            rows = np.flatnonzero(numbers == value)
            number = int(value)
            self._add_part(_Part(table, number, rows, time[rows], f"{name}:{number}" if number else name))

    def _instance_column(self, form: Format) -> str:
        """Return the column that numbers sensors, or an empty string."""
        for place, column in enumerate(form.columns):
            if self.units.find(form, column)[0] == "instance" and form.codes[place] in "bB":
                return column
        if len(form.columns) > 1 and form.columns[1] in _INSTANCE[:2] and form.codes[1] in "bB":
            return form.columns[1]
        if form.columns[1:2] == ("C",) and form.name[:3] in ("XKF", "NKF") and form.codes[1] in "bB":
            return "C"
        return ""

    def _add_part(self, part: _Part) -> None:
        taken = {other.label for other in self.by_name.get(part.table.form.name, [])}
        if part.label in taken:  # one name under two definitions
            part.label = f"{part.label}#{part.table.form.number}"
        self.parts.append(part)
        self.by_name.setdefault(part.table.form.name, []).append(part)

    def _ranked(self, name: str) -> list[_Part]:
        """Return the instances of a message, of GPS receivers the one in use first."""
        parts = sorted(self.by_name.get(name, []), key=lambda part: part.instance)
        if name in GPS_NAMES and len(parts) > 1:
            used = {
                id(p): float(np.mean(p.table.column("U", p.rows) > 0)) if "U" in p.table.form.columns else 0.0
                for p in parts
            }
            parts.sort(key=lambda part: -round(used[id(part)]))
        return parts

    # Channels ------------------------------------------------------------------------------------------

    def _usable(self, part: _Part) -> bool:
        """Whether a part has times; the rows to keep are decided at the first call."""
        if part.keep is None:
            finite = np.isfinite(part.time)
            if not finite.any():
                part.keep = finite
                if self.timed and self._clock_of(part.table.form) is None:
                    words = "has no time since switching on: it cannot be placed in time"
                    self.builder.tell("no_time", part.label, words, part.time.size)
            elif finite.all():
                part.keep = self.builder.clock(part.time, part.label)
            else:
                part.keep = finite.copy()
                part.keep[finite] = self.builder.clock(part.time[finite], part.label)
        return bool(part.keep.any())

    def _feed(self, part: _Part, feed: Feed) -> None:
        form = part.table.form
        names = [column.name for column in feed.columns]
        readable = [n for n in names if n in form.columns and form.codes[form.columns.index(n)] not in "anNZ"]
        if readable != names or (feed.only_with and feed.only_with not in form.columns):
            return
        if not self._usable(part):
            return
        inputs = []
        for column in feed.columns:
            label, factor = self.units.find(form, column.name)
            unit = unit_for(column, label)
            raw = part.column(column.name)
            with np.errstate(over="ignore", invalid="ignore"):
                inputs.append(convert(raw if factor == 1.0 else raw * factor, unit, column.kind, part.label))
            part.units.setdefault(column.name, unit)
        if feed.channel in ROTATION:
            reason = self._turn_down(part, names[0], inputs)
            if reason:
                part.remarks[names[0]] = reason
                return
        with np.errstate(over="ignore", invalid="ignore"):
            values = feed.make(*inputs)
        gated = self._gated(part, feed, values.size)
        if gated is not None:
            values = np.where(gated, np.nan, values)
        self._add(part, feed, values)

    def _gated(self, part: _Part, feed: Feed, size: int) -> NDArray[np.bool_] | None:
        """Return which values the log itself calls not valid, None where it says nothing."""
        gated: NDArray[np.bool_] | None = None
        for name, valid in feed.gates:
            if name in part.table.form.columns:
                bad = ~valid(part.column(name))
                gated = bad if gated is None else gated | bad
        if feed.status_bit >= 0:
            bad_status = self._bad_status(part, feed)
            if bad_status is not None:
                gated = bad_status if gated is None else gated | bad_status
        return gated if gated is not None and bool(gated.any()) else None

    def _turn_down(self, part: _Part, name: str, inputs: list[Array]) -> str:
        """Return why a speed of rotation is not used; turn it round where it counts backwards."""
        values = inputs[0]
        known = values[np.isfinite(values)]
        if not known.size:
            return "no valid value"
        if np.all((known == 0) | (known == -1)):
            return f"no sensor ({known[0]:g} throughout)"
        backwards = known[known < -1.0]
        if backwards.size > 0.5 * np.count_nonzero(known):
            inputs[0] = -values
            self.builder.note(f"{part.label}.{name} is negative (reverse rotation): its size is used")
        else:
            inputs[0] = np.where(values == -1.0, np.nan, values)  # -1 stands for "nothing measured"
        return ""

    def _bad_status(self, part: _Part, feed: Feed) -> NDArray[np.bool_] | None:
        """Return where an estimator says that its estimate is worth nothing, None where it says nothing."""
        candidates = self.by_name.get(EKF_STATUS[feed.message], [])
        match = [other for other in candidates if other.instance == part.instance]
        if not match or "SS" not in match[0].table.form.columns:
            return None
        status = match[0]
        if not self._usable(status):
            return None
        flags = np.nan_to_num(status.column("SS")).astype(np.int64)
        good = (flags >> feed.status_bit & 1 == 1) | (flags == 0)
        if feed.status_bit == 1:
            good &= flags >> _CONSTANT_POSITION & 1 == 0
        if good.all():
            return None
        at = np.searchsorted(status.kept_time, part.kept_time, side="right") - 1
        bad: NDArray[np.bool_] = ~good[np.maximum(at, 0)]
        return bad

    def _add(self, part: _Part, feed: Feed, values: Array) -> None:
        names = [column.name for column in feed.columns]
        source = f"{part.label}.{names[0]}"
        if feed.joined:
            source = f"{part.label}.{'+'.join(names)}"
        time = part.kept_time
        if not np.isfinite(values).any():
            words = f"no valid value for {feed.channel}"
            self.builder.note(f"{source}: {words}, as the log itself has it")
            for name in names:
                part.remarks.setdefault(name, words)
            return
        if not self.builder.add(feed.channel, time, values, source):
            return
        rank = len(self.builder.channels[feed.channel])
        words = "; ".join(filter(None, (feed.note, f"choice {rank}" if rank > 1 else "")))
        fed = names if feed.joined else names[:1]
        for name in fed:
            listed = part.feeds.setdefault(name, [])
            if feed.channel not in listed:
                listed.append(feed.channel)
            if words and not feed.joined:
                part.remarks[name] = words

    def _tell_motors(self) -> None:
        sources = [series.source for series in self.builder.channels.get("rpm", [])]
        if len(sources) > 1:
            self.builder.note(
                f"{len(sources)} speeds of rotation are logged ({', '.join(sources)}): rpm is the first, the "
                "others are further choices"
            )

    # UTC and the list of fields ------------------------------------------------------------------------

    def _find_utc(self) -> None:
        for name in GPS_NAMES:
            for part in self._ranked(name):
                if self._utc_from(part):
                    return

    def _utc_from(self, part: _Part) -> bool:
        """Set the builder's UTC from the fixes of one receiver; return whether it could be had."""
        columns = part.table.form.columns
        week_name, time_name = ("GWk", "GMS") if "GWk" in columns else ("Week", "TimeMS")
        if week_name not in columns or time_name not in columns or not self._usable(part):
            return False
        week, ms = part.column(week_name), part.column(time_name)
        good = np.isfinite(week) & (week > 0) & (ms >= 0) & (ms < 604_800_000)
        if "Status" in columns:
            good &= part.column("Status") >= 3
        if not good.any():
            return False
        times = part.kept_time[good]
        base = float(np.median(week[good]))
        middle_ms = float(np.median(ms[good]))
        reference = gps_to_utc(base, middle_ms)
        if not _FIRST_UTC < reference < _LAST_UTC:
            self.builder.note(
                f"{part.label} counts week {base:g}, which cannot be a full GPS week: no UTC is taken from it"
            )
            return False
        start = reference - middle_ms * 1e-3  # of the week, by the leap seconds of the flight
        offsets = (week[good] - base) * 604_800.0 + ms[good] * 1e-3 - times
        middle = float(np.median(offsets))
        spread = float(np.median(np.abs(offsets - middle)))
        if spread > _ALOFT:
            self.builder.note(
                f"UTC from {part.label} scatters by {spread:.2g} s from fix to fix: it is not to be relied on"
            )
        self.builder.start_utc = start + middle
        leap = round(315_964_800.0 + base * 604_800.0 - start)
        self.builder.note(
            f"UTC from the GPS week of {part.label}, less {leap} leap seconds; fixes are stamped as they "
            "come in, so that the clock is off by the receiver's delay, usually 0.1 to 0.2 s"
        )
        return True

    def _list_fields(self) -> None:
        for part in self.parts:
            form = part.table.form
            rate = median_rate(part.time[np.isfinite(part.time)])
            for place, name in enumerate(form.columns):
                label, factor = self.units.find(form, name)
                text = form.codes[place] in TEXT_CODES
                unit = label
                if label and factor != 1.0:
                    unit = f"{factor:g} {label}".replace("e-0", "e-")
                if unit in ("UNKNOWN", "instance"):
                    unit = ""
                note = part.remarks.get(name, "text" if text else "")
                self.builder.fields.append(
                    RawField(
                        name=f"{part.label}.{name}",
                        samples=part.time.size,
                        rate_hz=rate,
                        unit=unit or part.units.get(name, ""),
                        feeds=", ".join(part.feeds.get(name, [])),
                        note=note,
                    )
                )


def _all_agree(tables: list[tuple[Places, Array]]) -> bool:
    """Whether all stamps are credible for certain, which spares putting them in the order of the file.

    The times of the largest message type are the measure, if they have no step; of other types without a
    step the ends and a few in between are looked at, of the rest every stamp.
    """

    def smooth(time: Array) -> bool:
        with np.errstate(invalid="ignore"):
            return time.size > 1 and float(np.max(np.abs(np.diff(time)))) < _TOLERANCE

    places, measure = max(tables, key=lambda item: item[0].size)
    if not smooth(measure):
        return False
    for mine, time in tables:
        some: slice | Places = slice(None)
        if time.size > _BLOCK and smooth(time):
            some = np.linspace(0, time.size - 1, _BLOCK).astype(np.int64)
        with np.errstate(invalid="ignore"):
            away = np.abs(time[some] - np.interp(mine[some], places, measure))
        if not float(np.max(away)) < _TOLERANCE:
            return False
    return True


def near_neighbours(seconds: Array) -> NDArray[np.bool_]:
    """Mark the stamps that lie near the middle of their neighbours in the file.

    Parameters
    ----------
    seconds : ndarray, shape (n,)
        Stamps of all records in file order [s]; NaN is never near.

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> near_neighbours(np.array([0.0, 0.1, 5e9, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])).sum()
    np.int64(11)
    """
    with np.errstate(invalid="ignore"):
        if seconds.size < 2 or float(np.max(np.abs(np.diff(seconds)))) < _TOLERANCE:
            return np.isfinite(seconds)
    near = np.zeros(seconds.size, dtype=bool)
    finite = np.flatnonzero(np.isfinite(seconds))
    stamps = seconds[finite]
    if not stamps.size:
        return near
    blocks = -(-stamps.size // _BLOCK)
    tail = np.resize(stamps[-_BLOCK:], blocks * _BLOCK - stamps.size)
    rows = np.concatenate([stamps, tail]).reshape(blocks, _BLOCK)
    ordered = np.sort(rows, axis=1)
    low, high = ordered[:, _BLOCK // 10], ordered[:, -1 - _BLOCK // 10]
    reach = _TOLERANCE + high - low
    good = np.zeros(rows.shape, dtype=bool)
    for shift in (-1, 0, 1):  # a pause may part a block from the next
        k = np.clip(np.arange(blocks) + shift, 0, blocks - 1)
        good |= (rows >= (low - reach)[k, None]) & (rows <= (high + reach)[k, None])
    flat = good.ravel()[: stamps.size]
    inner = np.flatnonzero(flat)
    if inner.size:
        _admit_ends(stamps, flat, int(inner[0]), int(inner[-1]))
        _admit_between(stamps, flat)
    near[finite] = flat
    return near


def _admit_ends(stamps: Array, good: NDArray[np.bool_], first: int, last: int) -> None:
    """Take in what was written before or after a pause at either end of the log, where it is in order."""
    for ends, pause in (
        (slice(last + 1, None), stamps[last + 1 : last + 2] - stamps[last]),
        (slice(None, first), stamps[first] - stamps[max(0, first - 1) : first]),
    ):
        some = stamps[ends]
        if some.size and np.all(np.diff(some) > -1.0):
            wait = float(pause[0])
            if 0 <= wait <= (_PAUSE if some.size < 3 else _DAY):
                good[ends] = True


def _admit_between(stamps: Array, good: NDArray[np.bool_]) -> None:
    """Take in what was written within a pause: it lies between its good neighbours in file and in time."""
    places = np.flatnonzero(good)
    odd = np.flatnonzero(~good)
    at = np.searchsorted(places, odd)
    inside = (at > 0) & (at < places.size)
    odd, at = odd[inside], at[inside]
    early, late = stamps[places[at - 1]], stamps[places[at]]
    good[odd[(stamps[odd] >= early - 1.0) & (stamps[odd] <= late + 1.0)]] = True
