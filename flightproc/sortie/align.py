"""Bring every log of a sortie to the clock of the unit's log."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import ClockError
from ..quantity import Quantity
from ..readers.recording import Recording
from .clocks import OffsetFound, find_offset
from .model import ClockOffset
from .signals import LogSignals, track_change

if TYPE_CHECKING:
    from ..sheets import LogEntry

__all__ = ["Aligned", "align_log", "align_unit"]

Array = NDArray[np.float64]

_TURN_FLOOR = 0.5  # [s] the track leads or follows the heading by a sideslip that no log shows
_CLIMB_FLOOR = 0.05  # [s] of two heights against each other
_POWER_CLIMB_FLOOR = 1.5  # [s] climb follows power by seconds
_VIBRATION_FLOOR = 0.03  # [s]
_RPM_FLOOR = 0.1  # [s] two counters average over different times
_TRACK_FLOOR = 0.1  # [s] of two receivers: each has its own latency
_BOTH_TURN_FLOOR = 0.02  # [s] of two gyros
_UTC_STD = 0.3  # [s] stamps may be those of writing, not of measuring
_UTC_SLACK = 1.0  # [s]
_STRONG = 0.75  # correlation from which a physical signal overrules a clock


@dataclass(frozen=True)
class Aligned:
    """A log with its clock brought to the sortie's time base.

    Attributes
    ----------
    clock : ClockOffset
        Offset, method and words for the report.
    found : OffsetFound or None
        How to carry times over; None where the clock could not be aligned and the log is left out.
    warnings : tuple of str
        What the user should know.
    """

    clock: ClockOffset
    found: OffsetFound | None
    warnings: tuple[str, ...] = ()

    def times(self, time: Array) -> Array:
        """Return times of the log's own clock on the sortie's time base [s]."""
        if self.found is None:
            raise ClockError("the clock of this log was not aligned", where=self.clock.log)
        return self.found.apply(time)


def align_unit(entry: LogEntry, unit: Recording, start: float) -> Aligned:
    """Return the unit's log as the time base: sortie time 0 lies at ``start`` on its clock [s]."""
    clock = ClockOffset(
        entry.name, Quantity.of(-start, 0.0, "s"), "reference", None, "time base: first sample at 0"
    )
    return Aligned(clock, OffsetFound(-start, 0.0, 1.0, 0.0, unit.span[1] - start))


@dataclass(frozen=True)
class _Way:
    """One way of finding an offset, and what came of it."""

    method: str
    words: str
    found: OffsetFound


Signal = tuple[Array, Array] | None


def _physical_ways(
    unit: LogSignals, other: LogSignals, wind: tuple[float, float] | None
) -> tuple[list[_Way], list[str]]:
    """Compare everything that both logs saw."""
    ways: list[_Way] = []
    refused: list[str] = []

    def attempt(
        method: str,
        words: str,
        ours: Signal,
        theirs: Signal,
        *,
        degree: int = 1,
        floor: float,
        weakest: float = 0.5,
        turned: bool = False,
    ) -> None:
        if ours is None or theirs is None:
            return
        try:
            if turned:  # the other log's signal is the polynomial
                found = find_offset(
                    *theirs, *ours, what=words, degree=degree, floor=floor, weakest=weakest
                ).inverse()
            else:
                found = find_offset(*ours, *theirs, what=words, degree=degree, floor=floor, weakest=weakest)
        except ClockError as error:
            refused.append(f"{error.what} ({error.found})")
            return
        ways.append(_Way(method, words, found))

    our_rpm, rpm = unit.rpm, other.rpm
    attempt("engine_speed", "engine speed in both logs", our_rpm, rpm, floor=_RPM_FLOOR)
    if rpm is not None and our_rpm is None:
        attempt(
            "vibration",
            "vibration of the unit and engine speed",
            unit.vibration,
            rpm,
            degree=2,
            floor=_VIBRATION_FLOOR,
        )
    elif our_rpm is not None and rpm is None:
        attempt(
            "vibration",
            "engine speed and vibration",
            our_rpm,
            other.vibration,
            degree=2,
            floor=_VIBRATION_FLOOR,
            turned=True,
        )
    climb, other_climb = unit.climb, other.measured_climb
    attempt("climb", "rates of climb of the two logs", climb, other_climb, floor=_CLIMB_FLOOR, weakest=0.6)
    turn, track = unit.turn, track_change(other.recording, wind)
    our_track = track_change(unit.recording, wind)
    if our_track is not None and track is not None:
        attempt("track", "track of the two logs", our_track, track, floor=_TRACK_FLOOR)
    elif track is not None:
        label = (
            "turn rate of the unit and of the air track" if wind else "turn rate of the unit and of the track"
        )
        attempt("turn_rate", label, turn, track, floor=_TURN_FLOOR)
    other_turn = other.turn
    if turn is not None and other_turn is not None:
        attempt("turn_rate", "turn rate in both logs", turn, other_turn, floor=_BOTH_TURN_FLOOR)
    elif our_track is not None and other_turn is not None:
        attempt("turn_rate", "track and turn rate", our_track, other_turn, floor=_TURN_FLOOR)
    for words, ours, theirs in (
        ("rate of climb and engine speed", climb, rpm),
        ("engine speed and rate of climb", our_rpm, other_climb),
    ):
        if not ways:
            attempt("climb", words, ours, theirs, floor=_POWER_CLIMB_FLOOR, weakest=0.6)
    return ways, refused


def _joined(ways: list[_Way]) -> tuple[_Way | None, list[str]]:
    """Weigh the ways together; those that disagree with the best are left out, and told."""
    if not ways:
        return None, []
    ways = sorted(ways, key=lambda way: way.found.std)
    best = ways[0]
    kept, told = [best], []
    for way in ways[1:]:
        apart = abs(way.found.at(best.found.epoch) - best.found.offset)
        if apart <= 3.0 * float(np.hypot(way.found.std, best.found.std)):
            kept.append(way)
        else:
            beside = way.found.at(best.found.epoch) - best.found.offset
            told.append(
                f"{way.words} put the offset {beside:+.1f} s away from where {best.words} do; the latter "
                "were used"
            )
    weights = np.array([way.found.std**-2 for way in kept])
    epoch = best.found.epoch
    offsets = np.array([w.found.at(epoch) for w in kept])
    joined = replace(
        best.found,
        offset=float(weights @ offsets / weights.sum()),
        std=float(weights.sum() ** -0.5),
        correlation=max(way.found.correlation for way in kept),
    )
    return replace(best, words="; ".join(_way_words(w) for w in kept), found=joined), told


def _way_words(way: _Way) -> str:
    return f"{way.words} (correlation {way.found.correlation:.2f}, {way.found.std:.2f} s)"


def align_log(
    entry: LogEntry,
    unit: Recording | LogSignals,
    other: Recording | LogSignals,
    *,
    start: float,
    wind: tuple[float, float] | None = None,
    finer: OffsetFound | None = None,
) -> Aligned:
    """Find how another log's clock lies to the unit's.

    Parameters
    ----------
    entry : LogEntry
        The log in the sortie sheet, with its stated offset if there is one.
    unit, other : Recording or LogSignals
        The unit's log and the other one; signals that are at hand are not worked out again.
    start : float
        Time on the unit's clock that is sortie time 0 [s].
    wind : tuple of float, optional
        Wind (north, east) [m/s]: the turn rate is then that of the air track.
    finer : OffsetFound, optional
        Offset by sideways acceleration and turn of the track, which needs an alignment to start from; see
        :func:`~flightproc.sortie.refine.refine_offset`.

    Returns
    -------
    Aligned
        With ``found`` None where nothing aligns the clocks; the warning then says what was tried.

    Notes
    -----
    A stated offset is used as it is. Else UTC and what both logs saw are weighed together where they agree
    within 1 s; where they do not and the signals are strong (correlation 0.75), the signals count. In
    every case a disagreement is told. Signals: engine speed against vibration; heights against each
    other; turn rate against track (0.5 s of uncertainty: the track leads or follows the heading by an
    unknown sideslip); climb against engine speed only where nothing else is left.
    """
    where = entry.name
    warnings: list[str] = []
    ours = unit if isinstance(unit, LogSignals) else LogSignals(unit)
    theirs = other if isinstance(other, LogSignals) else LogSignals(other)
    ways, refused = _physical_ways(ours, theirs, wind)
    if finer is not None:
        ways.append(
            _Way("acceleration", "sideways acceleration of the unit and turn of the air track", finer)
        )
    seen, told = _joined(ways)
    warnings += [f"{where}: {line}" for line in told]
    epoch = seen.found.epoch if seen else 0.0

    def carried(offset: float, std: float) -> OffsetFound:
        return OffsetFound(
            offset - start, std, seen.found.correlation if seen else float("nan"), 0.0, float("nan")
        )

    def disagreement(name: str, offset: float, std: float, slack: float) -> str:
        if seen is None:
            return ""
        apart = seen.found.offset - offset
        if abs(apart) <= max(slack, 3.0 * float(np.hypot(std, seen.found.std))):
            return ""
        hint = " (whole hours: a time zone?)" if abs(apart) > 1800 and abs(apart % 3600) < 60 else ""
        hint = " (18 s: leap seconds?)" if 16.5 < abs(apart) < 19.5 else hint
        return f"{where}: {name} lies {apart:+.1f} s from where {seen.words} put it{hint}"

    if entry.clock_offset_s is not None:
        std = entry.clock_offset_std_s
        offset = entry.clock_offset_s
        trouble = disagreement("the stated clock offset", offset, std, 0.1)
        if trouble:
            warnings.append(trouble + "; the stated offset was used")
        words = "stated in the sortie sheet"
        if seen is not None:
            words += f"; checked against {seen.words}: {seen.found.offset - offset:+.2f} s"
        found = carried(offset, std)
        clock = ClockOffset(
            where,
            Quantity.of(found.offset, std, "s"),
            "stated",
            seen.found.correlation if seen else None,
            words,
        )
        return Aligned(clock, found, tuple(warnings))
    our_utc, their_utc = ours.recording.start_utc, theirs.recording.start_utc
    if our_utc is not None and their_utc is not None:
        offset = their_utc - our_utc
        trouble = disagreement("UTC", offset, _UTC_STD, _UTC_SLACK)
        strong = seen is not None and seen.found.correlation >= _STRONG
        if trouble and strong:
            warnings.append(trouble + "; what both logs saw was used")
        else:
            if trouble:
                warnings.append(trouble + ", but that is weak; UTC was used")
            words, std, correlation = "UTC of both logs", _UTC_STD, None
            if seen is not None and not trouble:
                here = seen.found.offset + seen.found.drift * (0.0 - epoch)
                weights = np.array([_UTC_STD**-2, seen.found.std**-2])
                offset = float(weights @ np.array([offset, here]) / weights.sum())
                std, correlation = float(weights.sum() ** -0.5), seen.found.correlation
                words += f", agreeing with {seen.words}"
            found = carried(offset, std)
            if seen is not None and not trouble:
                found = replace(found, drift=seen.found.drift, overlap=seen.found.overlap)
            clock = ClockOffset(
                where, Quantity.of(found.offset, std, "s"), "utc", correlation, words, found.drift
            )
            return Aligned(clock, found, tuple(warnings))
    if seen is not None:
        found = replace(seen.found, offset=seen.found.offset - start)
        words = seen.words
        if found.drift:
            words += f"; drift {1e6 * found.drift:.0f} parts in a million taken out"
            warnings.append(
                f"{where}: its clock drifts against the unit's by {found.drift * found.overlap:.1f} s "
                "over the common time; taken out"
            )
        clock = ClockOffset(
            where,
            Quantity.of(found.offset, found.std, "s"),
            seen.method,
            found.correlation,
            words,
            found.drift,
        )
        return Aligned(clock, found, tuple(warnings))
    tried = "; ".join(refused) if refused else "the logs saw nothing in common"
    warnings.append(
        f"{where}: its clock could not be aligned ({tried}), so the log was left out; state "
        "clock_offset_s for it in the sortie sheet"
    )
    clock = ClockOffset(where, Quantity.unknown("s", tried), "unknown", None, tried)
    return Aligned(clock, None, tuple(warnings))
