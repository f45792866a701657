"""What every reader shares: keep time increasing, values within limits, and an account of what was lost."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..channels import CHANNELS
from .content import Content
from .recording import Damage, RawField, Recording, Series

__all__ = ["RecordingBuilder", "increasing", "median_rate"]

_USEFUL_SHARE = 0.1  # below this share of usable times a clock is not a clock
_FAR = 86_400.0  # s, a step from which a few rows at either end may be strays
_FAR_TIMES = 100.0  # how many times the span of all other rows that step must be
_FEW = 0.01  # share of the rows that strays may be
_FREEZING = (0.0, 273.15)  # K, what a temperature of 0 is in K and in degrees Celsius
_NEVER_ZERO = ("pressure", "temperature", "true_airspeed", "indicated_airspeed")


def increasing(time: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark the samples to keep so that time increases strictly.

    The longest strictly increasing run of samples (gaps allowed) is kept, so that one wild stamp costs one
    sample, whether it lies ahead or behind.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Stamps in file order; NaN and infinite ones are never kept.

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> increasing(np.array([0.0, 1.0, 900.0, 2.0, 2.0, 3.0])).tolist()
    [True, True, False, True, False, True]
    """
    finite = np.isfinite(time)
    index = np.flatnonzero(finite)
    clean = time[index]
    if clean.size < 2 or bool(np.all(np.diff(clean) > 0)):
        return finite
    tails: list[float] = []  # smallest last stamp of an increasing run of each length
    ends: list[int] = []
    before = np.full(clean.size, -1, dtype=np.int64)
    for i, stamp in enumerate(clean.tolist()):
        length = bisect_left(tails, stamp)
        if length < len(tails) and tails[length] == stamp:
            continue  # of equal stamps the first is kept
        before[i] = ends[length - 1] if length else -1
        if length == len(tails):
            tails.append(stamp)
            ends.append(i)
        else:
            tails[length] = stamp
            ends[length] = i
    keep = np.zeros(time.size, dtype=bool)
    i = ends[-1]
    while i >= 0:
        keep[index[i]] = True
        i = int(before[i])
    return keep


def _strays(time: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark the few rows at either end that lie absurdly far from all the others.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Seconds, strictly increasing.

    Examples
    --------
    >>> _strays(np.array([0.0, 1.0, 2.0, 3.0, 1e12])).tolist()
    [False, False, False, False, True]
    """
    first, last = 0, time.size
    few = max(1, int(_FEW * time.size))
    while last - first > 3:
        step = np.diff(time[first:last])
        k = int(np.argmax(step))
        before, after = k + 1, step.size - k
        rest = time[first + k] - time[first] if before > after else time[last - 1] - time[first + k + 1]
        if step[k] < _FAR or step[k] < _FAR_TIMES * rest or min(before, after) > few:
            break
        if before > after:
            last = first + before
        else:
            first += before
    out = np.ones(time.size, dtype=bool)
    out[first:last] = False
    return out


def _too_near(time: NDArray[np.float64], step: float) -> NDArray[np.bool_]:
    """Mark rows that come less than a step after the last one that is kept.

    Examples
    --------
    >>> _too_near(np.array([0.0, 0.1, 0.15, 0.25, 0.3]), 0.1).tolist()
    [False, False, True, False, True]
    """
    out = np.zeros(time.size, dtype=bool)
    if time.size < 2 or float(np.min(np.diff(time))) >= step:
        return out
    last = -np.inf
    for i, stamp in enumerate(time.tolist()):
        if stamp - last < step:
            out[i] = True
        else:
            last = stamp
    return out


def median_rate(time: NDArray[np.float64]) -> float:
    """Return the median rate [Hz] of stamps [s], NaN where there is none."""
    if time.size < 2:
        return float("nan")
    step = float(np.median(np.diff(time)))
    return 1.0 / step if step > 0 else float("nan")


def _without(field: RawField, channel: str) -> RawField:
    """Return a field that does not feed a channel any more."""
    fed = field.feeds.split(", ")
    if channel not in fed:
        return field
    return replace(field, feeds=", ".join(name for name in fed if name != channel), note="always 0")


def _is_zero(channel: str, data: NDArray[np.float64]) -> bool:
    """Return whether all values are 0 (of a temperature: 0 degrees), of which there is more than one."""
    if data.size < 2 or not np.isin(data[0], _FREEZING if channel == "temperature" else (0.0,)):
        return False
    return bool(np.all(data == data[0]))


class RecordingBuilder:
    """Collects channels, fields, damage and notes while a reader works through a file.

    Parameters
    ----------
    content : Content
        The file.
    name : str
        Name of the reader.
    """

    def __init__(self, content: Content, name: str) -> None:
        self.content = content
        self.name = name
        self.start_utc: float | None = None
        self.channels: dict[str, list[Series]] = {}
        self.fields: list[RawField] = []
        self.damage: list[Damage] = []
        self.notes: list[str] = []
        self._missing: dict[tuple[str, int, int], list[str]] = {}
        self._zeros: list[Series] = []

    def tell(self, code: str, where: str, what: str, lost: int = -1) -> None:
        """Add one entry to the damage."""
        self.damage.append(Damage(code, where, what, lost))

    def note(self, text: str) -> None:
        """Add a note, once."""
        if text not in self.notes:
            self.notes.append(text)

    def clock(self, time: NDArray[np.float64], where: str, step: float = 0.0) -> NDArray[np.bool_]:
        """Return which rows have a usable time, and tell of the others.

        Rows nearer than ``step`` [s] to the one before stand still: it is twice what times are rounded to.

        Where fewer than two, or less than a tenth, are usable, none is: a clock that stands still cannot
        place anything in time.
        """
        keep = increasing(time)
        near = _too_near(time[keep], step)
        if near.any():
            keep[np.flatnonzero(keep)[near]] = False
        far = _strays(time[keep])
        if far.any():
            keep[np.flatnonzero(keep)[far]] = False
        kept, total = int(np.count_nonzero(keep)), time.size
        if total >= 2 and (kept < 2 or kept < _USEFUL_SHARE * total):
            timed = int(np.count_nonzero(np.isfinite(time)))
            words = (
                f"only {timed} of {total} rows have a time"
                if timed < total
                else f"only {kept} of {total} times"
            )
            words += "" if timed < total else " advance"
            self.tell("no_time", where, f"{words}: nothing can be placed in time", total)
            return np.zeros(total, dtype=bool)
        if kept < total:
            missing = int(np.count_nonzero(~np.isfinite(time)))
            turned_down = total - kept - missing - int(np.count_nonzero(far))
            if far.any():
                count = int(np.count_nonzero(far))
                self.tell(
                    "bad_time",
                    where,
                    f"{count} of {total} rows left out: their time lies far from all others",
                    count,
                )
            if turned_down:
                self.tell(
                    "bad_time",
                    where,
                    f"{turned_down} of {total} rows left out because their time stands still or jumps back",
                    turned_down,
                )
            if missing:
                self.tell("bad_time", where, f"{missing} of {total} rows left out: no time", missing)
        return keep

    def add(
        self,
        channel: str,
        time: NDArray[np.float64],
        values: ArrayLike,
        source: str,
        *,
        derived: bool = False,
    ) -> bool:
        """Add one candidate source of a channel.

        Parameters
        ----------
        channel : str
            Name in the channel table.
        time : ndarray, shape (n,)
            Seconds, strictly increasing (see :meth:`clock`).
        values : array_like, shape (n,)
            In the channel's unit and sign. Values outside the channel's limits become NaN and are counted.
        source : str
            The raw field or fields.
        derived : bool
            Whether it was worked out from other fields.

        Returns
        -------
        bool
            Whether there was at least one usable value.
        """
        limits = CHANNELS[channel]
        data = np.asarray(values, dtype=np.float64)
        zero = not derived and _is_zero(channel, data)
        if zero and channel in _NEVER_ZERO:
            self.tell("bad_value", source, f"declared but always 0: {channel} is not read from it", data.size)
            return False
        missing = int(np.count_nonzero(np.isnan(data)))
        with np.errstate(invalid="ignore"):
            outside = ~np.isnan(data) & ~((data >= limits.low) & (data <= limits.high))
        count = int(np.count_nonzero(outside))
        if count:
            shown = float(data[outside][0])
            self.tell(
                "bad_value",
                source,
                f"{count} of {data.size} values of {channel} outside {limits.low:g} to {limits.high:g} "
                f"{limits.unit} (first: {shown:g}) set to missing",
                count,
            )
            data = np.where(outside, np.nan, data)
        elif not data.flags.owndata:
            data = data.copy()  # a view would keep all that it is a view of
        if missing + count == data.size:
            return False
        if missing and not derived:
            group = (source.split(".")[0], missing, data.size)
            self._missing.setdefault(group, []).append(channel)
        series = Series(channel, np.asarray(time, dtype=np.float64), data, source, derived)
        if zero:
            self._zeros.append(series)
        self.channels.setdefault(channel, []).append(series)
        return True

    def shift(self, origin: float) -> None:
        """Move the clock so that what was ``origin`` [s] becomes 0."""
        moved: dict[int, tuple[NDArray[np.float64], NDArray[np.float64]]] = {}  # times may be shared
        for group in self.channels.values():
            for k, s in enumerate(group):
                _, time = moved.setdefault(id(s.time), (s.time, s.time - origin))
                group[k] = Series(s.channel, time, s.values, s.source, s.derived)
        if self.start_utc is not None:
            self.start_utc += origin

    def first_time(self) -> float | None:
        """Return the earliest time of any channel [s], or None."""
        times: Iterable[float] = (float(s.time[0]) for group in self.channels.values() for s in group)
        return min(times, default=None)

    def _tell_zeros(self) -> None:
        """Tell of fields that are 0 throughout, and rank them last."""
        if not self._zeros:
            return
        dead = {(s.channel, s.source) for s in self._zeros}
        places = [(c, s) for c, s in sorted(dead) if c in ("latitude", "longitude")]
        if {c for c, _ in places} == {"latitude", "longitude"}:  # no fix: nobody flies at 0 N 0 E
            for channel, source in places:
                group = [s for s in self.channels[channel] if s.source != source]
                self.channels[channel] = group
                if not group:
                    del self.channels[channel]
                    self.fields = [_without(field, channel) for field in self.fields]
                self.tell("bad_value", source, f"declared but always 0: {channel} is not read from it")
                dead.discard((channel, source))
        for group in self.channels.values():
            group.sort(key=lambda s: (s.channel, s.source) in dead)
        if dead:
            listed = ", ".join(f"{source} ({channel})" for channel, source in sorted(dead))
            self.note(f"declared but always 0: {listed}")

    def build(self) -> Recording:
        """Return the recording, channels in the order of the channel table."""
        self._tell_zeros()
        channels = {name: tuple(self.channels[name]) for name in CHANNELS if name in self.channels}
        lacking = [
            Damage(
                "bad_value",
                where,
                f"{count} of {total} values missing or not valid: {', '.join(names)}",
                count,
            )
            for (where, count, total), names in self._missing.items()
        ]
        return Recording(
            path=self.content.path,
            format=self.name,
            sha256=self.content.sha256,
            size=self.content.size,
            start_utc=self.start_utc,
            channels=channels,
            fields=tuple(self.fields),
            damage=(*self.damage, *lacking),
            notes=tuple(self.notes),
        )
