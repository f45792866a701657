"""NMEA 0183, the sentences of satellite receivers and marine instruments."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import UnreadableLogError
from .build import RecordingBuilder
from .content import Content, load_content, refuse_columns
from .fixes import (
    DAY,
    add_derived_climb,
    add_derived_velocity,
    continuous_seconds,
    derive_velocity,
    feeds_of,
    strays,
)
from .igc_decode import normalise_text
from .nmea_decode import KINDS, Sentences, Stream, days_of, decode_stream, looks_like_sentences
from .recording import RawField, Recording

__all__ = ["NAME", "read", "sniff"]

NAME = "NMEA"

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

_KNOT = 1852.0 / 3600.0  # m/s
_KMH = 1.0 / 3.6
_FIRST_DAY, _LAST_DAY = 7305, 47_482  # 1990-01-01 and 2100-01-01
_VOTE = 0.05  # share of all dates that a date needs to be believed
_FIX_AGE = 10.0  # s for which a GSA sentence tells 2D from 3D
_POSITIONS = ("RMC", "GNS", "GGA", "GLL")
_TIMED = (*_POSITIONS, "ZDA", "GST")
_UNITS = {
    "time": "UTC",
    "date": "UTC",
    "latitude": "deg",
    "longitude": "deg",
    "speed": "kt",
    "speed_kmh": "km/h",
    "course": "deg",
    "magnetic_course": "deg",
    "magnetic_variation": "deg",
    "heading": "deg",
    "height": "m",
    "geoid_separation": "m",
    "correction_age": "s",
    "rms": "m",
    "latitude_std": "m",
    "longitude_std": "m",
    "height_std": "m",
}


def sniff(head: bytes) -> bool:
    r"""Return whether sentences make up a good part of the content, whatever stands between them.

    Examples
    --------
    >>> sniff(b"$GPHDT,274.07,T*03\r\n"), sniff(b"time,price\n1,$5\n2,$6\n")
    (True, False)
    """
    return looks_like_sentences(normalise_text(head)[0])


def read(
    path: str | Path, columns: Mapping[str, object] | None = None, *, content: Content | None = None
) -> Recording:
    """Read an NMEA 0183 stream.

    Parameters
    ----------
    path : str or Path
        File.
    columns : None
        NMEA names its own fields; a column map is an error.
    content : Content, optional
        The file's bytes, where they are already at hand.

    Raises
    ------
    LogError
        If a column map is given.
    UnreadableLogError
        If no sentence can be read.

    Notes
    -----
    Time 0 is the first epoch with a usable time. All that belongs to one epoch has the same stamp: sentences
    that carry no time of their own (VTG, GSA, HDT) take that of the last sentence before them that does.
    """
    content = content or load_content(path)
    refuse_columns(columns, "NMEA", content.path)
    text, odd = normalise_text(content.data)
    stream = decode_stream(text, every_field=False)
    if not stream.kinds and not stream.others:
        raise UnreadableLogError(
            f"no sentence can be used ({len(stream.wrong_checksum)} have a wrong checksum)",
            where=content.path,
            hint="log it again; a slow or unplugged line loses bytes",
        )
    builder = RecordingBuilder(content, NAME)
    if odd:
        builder.note(odd)
    _tell_damage(builder, stream)
    clock = _Clock(stream)
    if not clock.time.size:
        total = sum(s.order.size for s in stream.kinds.values()) + sum(stream.others.values())
        builder.tell(
            "no_time", "sentences", "no sentence has a time of day: nothing can be placed in time", total
        )
    else:
        _Feeder(builder, stream, clock).feed()
    _list(builder, stream, clock)
    return builder.build()


def _tell_damage(builder: RecordingBuilder, stream: Stream) -> None:
    for lines, what in (
        (stream.wrong_checksum, "with a wrong checksum"),
        (stream.broken, "that are damaged"),
    ):
        if lines:
            shown = ", ".join(str(n) for n in lines[:5]) + (", ..." if len(lines) > 5 else "")
            where = f"line{'s' if len(lines) > 1 else ''} {shown}"
            builder.tell("corrupt", where, f"{len(lines)} sentence(s) {what}: left out", len(lines))
    if stream.cut:
        builder.tell(
            "cut",
            f"line {stream.cut}",
            "the file ends within this sentence, or where it ends cannot be told: left out",
            1,
        )
    if stream.other_bytes and stream.binary_messages:
        builder.note(
            f"{stream.binary_messages} binary (UBX) messages stand between the sentences: skipped "
            f"({stream.other_bytes} bytes that are no text)"
        )
    elif stream.other_bytes:
        builder.tell("corrupt", "stream", f"{stream.other_bytes} bytes that are no text were skipped")
    if stream.text_lines:
        builder.note(f"{stream.text_lines} lines of other text skipped")
    if stream.unchecked:
        listed = ", ".join(f"{kind} {count}" for kind, count in sorted(stream.unchecked.items()))
        builder.note(f"sentences without a checksum accepted: {listed}")
    for kind, sentences in stream.kinds.items():
        for name, count in sentences.bad.items():
            if count:
                builder.tell("bad_value", f"{kind}.{name}", f"{count} values make no sense", count)


class _Clock:
    """Times of all sentences that carry one, made continuous and dated.

    Attributes
    ----------
    order : ndarray of int, shape (n,)
        Where in the file each stands.
    time : ndarray, shape (n,)
        [s] since 1970 where ``dated``, else since the first midnight; NaN where a sentence has none.
    dated : bool
        Whether the stream names a date.
    wrong_dates : int
        Dates that were not believed.
    left_out : int
        Times hours away from all the others.
    """

    def __init__(self, stream: Stream) -> None:
        kinds = [(k, stream.kinds[k]) for k in _TIMED if k in stream.kinds]
        order = np.concatenate([s.order for _, s in kinds]) if kinds else np.empty(0, dtype=np.int64)
        time = np.concatenate([s.columns["time"] for _, s in kinds]) if kinds else np.empty(0)
        day = np.concatenate([_dates(k, s) for k, s in kinds]) if kinds else np.empty(0)
        sort = np.argsort(order, kind="stable")
        sort = sort[np.isfinite(time[sort])]
        self.order: Index = order[sort]
        time, day = time[sort], day[sort]
        del order, sort
        run = continuous_seconds(time)
        del time
        stray = strays(run)
        self.left_out = int(np.count_nonzero(stray))
        self.order, run = self.order[~stray], run[~stray]
        offset = day[~stray] - np.floor(run / DAY)
        del day
        known = np.isfinite(offset)
        values, counts = np.unique(offset[known], return_counts=True)
        believed = values[counts >= max(_VOTE * counts.sum(), 1)] if counts.size else values
        good = np.flatnonzero(known & np.isin(offset, believed))
        self.wrong_dates = int(np.count_nonzero(known)) - good.size
        self.dated = good.size > 0
        if self.dated:
            last = np.clip(np.searchsorted(good, np.arange(run.size), side="right") - 1, 0, None)
            run = run + DAY * offset[good[last]]
        self.time: Array = run

    def of(self, sentences: Sentences) -> Array:
        """Return the times of sentences that carry one, NaN where it was not usable."""
        place = np.clip(np.searchsorted(self.order, sentences.order), 0, max(self.order.size - 1, 0))
        same = self.order[place] == sentences.order
        return np.where(same, self.time[place], np.nan)

    def before(self, order: Index) -> Array:
        """Return the time of the last sentence before each that carries one, NaN where there is none."""
        place = np.searchsorted(self.order, order) - 1
        return np.where(place >= 0, self.time[np.maximum(place, 0)], np.nan)


def _dates(kind: str, sentences: Sentences) -> Array:
    """Return the day since 1970 that each sentence names, NaN where it names none worth believing."""
    columns = sentences.columns
    day = np.full(sentences.order.size, np.nan)
    if kind == "RMC":
        day = columns["date"].copy()
        active = columns["status"] == ord("A")
        if (active & np.isfinite(day)).any():
            day[~active] = np.nan
    elif kind == "ZDA":
        parts = [columns[name] for name in ("day", "month", "year")]
        whole = np.all([np.isfinite(p) & (p >= 0) & (p < 10_000) for p in parts], axis=0)
        good, days = days_of(*(np.where(whole, p, 0).astype(np.int64) for p in parts))
        day = np.where(whole & good, days, np.nan)
    day[~((day >= _FIRST_DAY) & (day < _LAST_DAY))] = np.nan
    return day


def _char(letters: str) -> list[float]:
    return [float(ord(letter)) for letter in letters]


def _has_fix(kind: str, columns: Mapping[str, NDArray[Any]]) -> Mask:
    """Return which sentences hold a measured position."""
    if kind == "GGA":
        return np.isin(columns["quality"], (1, 2, 3, 4, 5, 8, 9))
    if kind == "GNS":
        return np.asarray(columns["fix"] > 0)
    good = ~np.isin(columns["mode"], _char("NEM"))
    return np.asarray(good & (columns["status"] == ord("A")))


@dataclass(frozen=True)
class _Rows:
    """The sentences of one kind that have a usable time."""

    keep: Mask
    time: Array


class _Feeder:
    """Feeds the channels from the sentences, best source first; frees the stream's columns once used."""

    def __init__(self, builder: RecordingBuilder, stream: Stream, clock: _Clock) -> None:
        self.builder, self.stream, self.clock = builder, stream, clock
        times = {kind: clock.of(s) for kind, s in stream.kinds.items() if kind in _TIMED}
        keeps = {kind: builder.clock(time, kind, 2e-6) for kind, time in times.items()}
        firsts = [times[k][keeps[k]][0] for k in _POSITIONS if k in times and keeps[k].any()]
        firsts = firsts or [times[k][keeps[k]][0] for k in times if keeps[k].any()]
        self.origin = float(min(firsts)) if firsts else float(clock.time.min())
        self.rows = {
            kind: _Rows(keeps[kind], np.round(times[kind][keeps[kind]] - self.origin, 6))
            for kind in times
            if keeps[kind].any()
        }
        self._drop(*times, names=("time", "date", "day", "month", "year"))

    def feed(self) -> None:
        """Feed every channel and tell what was decided."""
        builder, clock = self.builder, self.clock
        if clock.left_out:
            builder.note(f"{clock.left_out} times are hours away from all the others: not believed")
        if clock.wrong_dates:
            builder.tell(
                "bad_time",
                "dates",
                f"{clock.wrong_dates} dates disagree with nearly all the others and are not used",
                clock.wrong_dates,
            )
        if clock.dated:
            builder.start_utc = self.origin
        else:
            first = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=self.origin % DAY)
            builder.note(
                f"no sentence names a date (RMC, ZDA): the log begins at {first:%H:%M:%S} UTC of a day that "
                "is not known, and is treated as having no UTC"
            )
        self._simulated()
        self._velocity()
        height = self._height()
        self._positions(height)
        self._heading()
        self._engine()

    def _columns(self, kind: str) -> dict[str, NDArray[Any]]:
        keep = self.rows[kind].keep
        columns = self.stream.kinds[kind].columns
        return dict(columns) if keep.all() else {name: column[keep] for name, column in columns.items()}

    def _drop(self, *kinds: str, names: tuple[str, ...] = ()) -> None:
        """Free columns of some kinds of sentences, all where none is named: a long log is held only once."""
        for kind in kinds:
            columns = self.stream.kinds[kind].columns
            for name in names or tuple(columns):
                columns.pop(name, None)

    def _simulated(self) -> None:
        for kind, name, value in (("GGA", "quality", 8.0), ("RMC", "mode", float(ord("S")))):
            if kind in self.rows and (self._columns(kind)[name] == value).any():
                self.builder.note(f"{kind} says that positions come from a simulator, not from a receiver")

    def _velocity(self) -> None:
        if "RMC" in self.rows:
            columns = self._columns("RMC")
            fix = _has_fix("RMC", columns)
            self._speed_and_course("RMC", self.rows["RMC"].time, columns, fix)
            del columns
            self._drop("RMC", names=("speed", "course"))
        if "VTG" in self.stream.kinds:
            time, _, columns = self._attached("VTG")
            speed = np.where(
                np.isfinite(columns["speed"]), columns["speed"] * _KNOT, columns["speed_kmh"] * _KMH
            )
            columns["speed"] = speed / _KNOT
            fix = ~np.isin(columns["mode"], _char("NEM"))
            self._speed_and_course("VTG", time, columns, fix)
            self._drop("VTG")

    def _speed_and_course(self, kind: str, time: Array, columns: dict[str, NDArray[Any]], fix: Mask) -> None:
        speed = np.where(fix, columns["speed"] * _KNOT, np.nan)
        course = np.where(fix, np.radians(columns["course"]), np.nan)
        if np.isfinite(speed).any():
            self.builder.add("ground_speed", time, speed, f"{kind}.speed")
        if np.isfinite(course).any():
            self.builder.add("track", time, course, f"{kind}.course")
        if np.isfinite(speed * course).any():
            source = f"{kind}.speed and {kind}.course"
            self.builder.add("velocity_north", time, speed * np.cos(course), source)
            self.builder.add("velocity_east", time, speed * np.sin(course), source)

    def _height(self) -> tuple[Array, Array] | None:
        """Feed height above sea level; return times and values of the first source."""
        flat = self._flat()
        first = None
        for kind in ("GGA", "GNS"):
            if kind not in self.rows:
                continue
            columns, time = self._columns(kind), self.rows[kind].time
            good = _has_fix(kind, columns)
            if kind == "GGA":
                good &= np.isin(columns["height_unit"], [0.0, *_char("M")])
            if flat is not None:
                place = np.searchsorted(flat[0], time, side="right") - 1
                recent = (place >= 0) & (time - flat[0][np.maximum(place, 0)] <= _FIX_AGE)
                only_2d = recent & (flat[1][np.maximum(place, 0)] == 2)
                if only_2d.any():
                    self.builder.note(f"{int(only_2d.sum())} fixes are 2D by GSA: no height from them")
                good &= ~only_2d
            height = np.where(good, columns["height"], np.nan)
            if np.isfinite(height).any():
                self.builder.add("height", time, height, f"{kind}.height")
                if first is None:
                    first = (time, height)
                    add_derived_climb(self.builder, time, height, f"{kind}.height")
        return first

    def _flat(self) -> tuple[Array, Array] | None:
        """Return times and fix type (1 none, 2 2D, 3 3D) of the GSA sentences."""
        if "GSA" not in self.stream.kinds:
            return None
        sentences = self.stream.kinds["GSA"]
        time = self.clock.before(sentences.order) - self.origin
        good = np.isfinite(time)
        times, first = np.unique(np.round(time[good], 6), return_index=True)
        return (times, sentences.columns["fix"][good][first]) if times.size else None

    def _positions(self, height: tuple[Array, Array] | None) -> None:
        sources = []
        for kind in _POSITIONS:
            if kind in self.rows:
                columns = self._columns(kind)
                fix = _has_fix(kind, columns)
                latitude = np.where(fix, np.radians(columns["latitude"]), np.nan)
                longitude = np.where(fix, np.radians(columns["longitude"]), np.nan)
                count = int(np.count_nonzero(np.isfinite(latitude * longitude)))
                sources.append((-count, kind, latitude, longitude))
                del columns
                self._drop(kind)
        sources.sort(key=lambda item: item[0])
        for count, kind, latitude, longitude in sources:
            if count:
                self.builder.add("latitude", self.rows[kind].time, latitude, f"{kind}.latitude")
                self.builder.add("longitude", self.rows[kind].time, longitude, f"{kind}.longitude")
        if sources and sources[0][0]:
            _, kind, latitude, longitude = sources[0]
            time = self.rows[kind].time
            level = np.full(time.size, np.nan)
            if height is not None:
                known = np.isfinite(height[1])
                level = np.interp(time, height[0][known], height[1][known])
            derived = derive_velocity(time, latitude, longitude, level)
            add_derived_velocity(self.builder, time, derived, (f"{kind}.latitude", f"{kind}.longitude"))

    def _attached(self, kind: str) -> tuple[Array, Mask, dict[str, NDArray[Any]]]:
        """Return times, usable rows and columns of sentences that carry no time themselves."""
        sentences = self.stream.kinds[kind]
        time = self.clock.before(sentences.order) - self.origin
        epochs = np.unique(self.clock.time - self.origin)
        known = np.isfinite(time)
        place = np.searchsorted(epochs, time[known])
        each = np.bincount(place, minlength=epochs.size)
        if place.size and np.mean(each[each > 0]) > 1.5 and epochs.size > 1:
            steps = np.diff(epochs, append=epochs[-1] + np.median(np.diff(epochs)))
            first = np.flatnonzero(np.diff(place, prepend=-1))
            rank = np.arange(place.size) - np.repeat(first, np.diff(first, append=place.size))
            time[known] += steps[place] * np.minimum(rank / each[place], 1.0)
            self.builder.note(
                f"{kind} comes more often than sentences with a time: spread evenly between them"
            )
        keep = self.builder.clock(time, kind, 2e-6) if known.any() else np.zeros(time.size, dtype=bool)
        columns = {name: column[keep] for name, column in sentences.columns.items()}
        return np.round(time[keep], 6), keep, columns

    def _heading(self) -> None:
        if "HDT" in self.stream.kinds:
            if not np.isfinite(self.stream.kinds["HDT"].columns["heading"]).any():
                self.builder.note("HDT sentences are there, but their heading is always empty")
                return
            time, keep, columns = self._attached("HDT")
            if keep.any():
                self.builder.add("heading", time, np.radians(columns["heading"]), "HDT.heading")

    def _engine(self) -> None:
        if "RPM" not in self.stream.kinds:
            return
        time, _, columns = self._attached("RPM")
        good = columns["status"] != ord("V")
        for letter, channel in (("E", "rpm"), ("S", "propeller_rpm")):
            rows = columns["source"] == ord(letter)
            speed = np.where(good, np.abs(columns["speed"]), np.nan)[rows]
            if np.isfinite(speed).any():
                self.builder.add(channel, time[rows], speed, "RPM.speed")


def _list(builder: RecordingBuilder, stream: Stream, clock: _Clock) -> None:
    """List every field of the sentences that are split, and the number of the others."""
    for kind, sentences in stream.kinds.items():
        if kind in _TIMED and clock.time.size:
            time = clock.of(sentences)
        elif clock.time.size:
            time = clock.before(sentences.order)
        else:
            time = np.empty(0)
        step = np.diff(time[np.isfinite(time)])
        rate = 1.0 / float(np.median(step[step > 0])) if (step > 0).any() else float("nan")
        talkers = "talker " + ", ".join(sorted(sentences.talkers))
        for _, name, _ in KINDS[kind]:
            unit = "1/min" if (kind, name) == ("RPM", "speed") else _UNITS.get(name, "")
            field = f"{kind}.{name}"
            builder.fields.append(
                RawField(field, sentences.filled[name], rate, unit, feeds_of(builder, field), talkers)
            )
    for kind, count in sorted(stream.others.items()):
        builder.fields.append(RawField(kind, count, float("nan"), "", "", "not read"))
