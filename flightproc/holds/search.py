"""Find the holds of a sortie: propose stretches between changes, trim, test, and keep every reason.

A stretch runs between two changes of any of: engine speed (change points), a turn that the pilot flew, the
ballast carried, take-off and landing. The settling time is left out at its start. What is left must be long
enough, gap free, steady in rpm, airspeed and turn, and of no unusual agitation; else it is turned down with
its reason.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import EstimateError
from ..sortie.model import Sortie
from .changes import merge_levels, segment_levels
from .model import (
    BallastWindow,
    Hold,
    HoldChange,
    HoldKind,
    HoldSearch,
    PilotWindow,
    Rejected,
    SearchSettings,
)

__all__ = ["find_holds"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_RPM_STEP = 80.0  # smallest change of engine speed that ends a hold [1/min]
_RPM_STEP_RATIO = 0.015  # the same relative to engine speed
_TURN_EVENT = np.radians(20.0)  # heading change that makes a fast turn a turn and not a gust [rad]
_TURN_SMOOTH = 4.0  # smoothing of turn rate when looking for turns [s]
_TURN_MARGIN = 1.5  # added on both sides of a turn [s]
_END_MARGIN = 1.0  # left out at the end of a stretch [s]
_AIRSPEED_DRIFT = 1.0  # largest drift of airspeed over a hold [m/s]
_RPM_SCATTER = 0.02  # largest scatter of rpm in a hold, relative
_RPM_SCATTER_FLOOR = 60.0  # the same at idle, where rpm moves nothing [1/min]
_RPM_DRIFT = 0.02  # largest drift of rpm over a hold, relative
_RPM_DRIFT_FLOOR = 100.0  # the same at idle [1/min]
_AGITATION = 2.5  # turn-rate scatter of a hold over that of the typical stretch of the same length
_AGITATION_SHORT = 1.6  # the same for a short one, which averages less and is more often a pause in steering
_SHORT = 35.0  # what counts as short [s]
_AGITATION_SMOOTH = 3.0  # smoothing of turn rate before its scatter is taken [s]
_AGITATION_STEP = 5.0  # step of the windows it is compared with [s]
_JOINED = ("on_ground", "too_short", "turning")  # neighbours of one of these are told as one
_VARIANCE_RATIO = (
    6.0  # change of variance within a hold: F at 27 and 27 degrees of freedom passes 3.5 in 0.1 %
)
_NOTE_REACH = 2.0  # how far a note must reach into a stretch; notes are timed by hand [s]
_BRAKE_LIMIT = 0.05  # brake position that counts as an input


def find_holds(
    sortie: Sortie,
    settings: SearchSettings | None = None,
    *,
    ballast: Sequence[BallastWindow] = (),
    notes: Sequence[PilotWindow] = (),
    changes: Sequence[HoldChange] = (),
) -> HoldSearch:
    """Find every hold of a sortie.

    Parameters
    ----------
    sortie : Sortie
        Needs ``rpm`` and ``turn_rate``; ``airspeed`` and the brakes are used where they are there.
    settings : SearchSettings, optional
        What counts as a hold.
    ballast, notes, changes : sequences
        Ballast carried, pilot notes, and changes that a person made.

    Returns
    -------
    HoldSearch
        Holds and turned-down stretches, each in order of time.

    Raises
    ------
    EstimateError
        When the sortie has no rpm or no turn rate.
    """
    settings = settings or SearchSettings()
    for name, hint in (
        ("rpm", "add the engine log to the sortie sheet, or a sound recording (WAV) of the engine"),
        ("turn_rate", "add a log with body rates from the hung unit"),
    ):
        if sortie.column(name) is None:
            raise EstimateError(f"holds cannot be found without {name}", where="sortie", hint=hint)
    stretches, rejected, idle = _propose(sortie, settings, ballast)
    holds, turned_down = _judge(sortie, settings, stretches, idle, ballast, notes)
    rejected += turned_down
    for change in changes:
        holds, rejected = _apply(sortie, settings, idle, ballast, notes, change, holds, rejected)
    return HoldSearch(
        tuple(sorted(holds, key=lambda h: h.start)),
        _joined(rejected),
        settings.settling,
    )


# ---------------------------------------------------------------------------------------------- proposing


def _propose(
    sortie: Sortie, settings: SearchSettings, ballast: Sequence[BallastWindow]
) -> tuple[list[tuple[float, float]], list[Rejected], float]:
    """Return stretches between changes, what was turned down on the way, and the idle limit."""
    time, rate = sortie.time, sortie.rate
    rpm = _filled(sortie.column("rpm"))
    turn = _filled(sortie.column("turn_rate"))
    airborne = _in_spans(time, sortie.airborne) if sortie.airborne else np.ones(len(time), dtype=bool)

    edges = {0, len(time)}
    edges |= set(_rpm_changes(rpm, rate))
    edges |= set(_mask_edges(airborne))
    for window in ballast:
        edges |= {int(np.searchsorted(time, window.start)), int(np.searchsorted(time, window.end))}
    turning = _turns(turn, rate, settings.straight_limit)
    edges |= set(_mask_edges(turning))

    idle = settings.idle_rpm if settings.idle_rpm is not None else _idle_limit(rpm[airborne])
    rejected: list[Rejected] = []
    stretches: list[tuple[float, float]] = []
    cuts = sorted(edges)
    for first, last in itertools.pairwise(cuts):
        start, end = float(time[first]), float(time[last - 1])
        if end - start < 3.0:
            continue
        if not airborne[first:last].mean() > 0.9:
            rejected.append(Rejected(start, end, "on_ground", "not in flight"))
        elif turning[first:last].mean() > 0.5:
            smooth = _boxcar(turn[first:last], round(_TURN_SMOOTH * rate))
            peak = np.degrees(smooth[int(np.argmax(np.abs(smooth)))])
            limit = np.degrees(settings.straight_limit)
            rejected.append(
                Rejected(
                    start,
                    end,
                    "turning",
                    f"turns at up to {peak:+.1f} deg/s, beyond the straight-flight limit of {limit:.1f} "
                    "deg/s: "
                    "taken for a turn flown by the pilot",
                )
            )
        else:
            stretches.append((start, end))
    return stretches, rejected, idle


def _rpm_changes(rpm: Array, rate: float) -> list[int]:
    """Return grid indices at which engine speed changes level."""
    block = max(1, round(rate))
    n = len(rpm) // block
    if n < 10:
        return []
    coarse = rpm[: n * block].reshape(n, block).mean(axis=1)
    scatter = 1.4826 * float(np.median(np.abs(np.diff(coarse)))) / np.sqrt(2.0)
    penalty = max(12.0 * scatter**2 * np.log(n), 5.0 * _RPM_STEP**2 / 4.0)
    bounds = segment_levels(coarse, penalty=penalty, min_size=4)
    level = float(np.median(coarse[coarse > 0.2 * coarse.max()])) if coarse.max() > 0 else 0.0
    bounds = merge_levels(coarse, bounds, max(_RPM_STEP, _RPM_STEP_RATIO * level))
    return [b * block for b in bounds]


def _turns(turn: Array, rate: float, limit: float) -> Mask:
    """Return where the pilot flew a turn: fast, and through more heading than a gust would give."""
    smooth = _boxcar(turn, round(_TURN_SMOOTH * rate))
    fast = np.abs(smooth) > limit
    out = np.zeros(len(turn), dtype=bool)
    for first, last in _runs(fast):
        if abs(float(np.sum(turn[first:last]))) / rate > _TURN_EVENT:
            margin = round(_TURN_MARGIN * rate)
            out[max(0, first - margin) : last + margin] = True
    return out


def _idle_limit(rpm: Array) -> float:
    """Return an engine speed between the glides and the lowest power flown [1/min]."""
    top = float(np.quantile(rpm, 0.95)) if rpm.size else 0.0
    return 0.45 * top


# ---------------------------------------------------------------------------------------------- judging


def _judge(
    sortie: Sortie,
    settings: SearchSettings,
    stretches: Sequence[tuple[float, float]],
    idle: float,
    ballast: Sequence[BallastWindow],
    notes: Sequence[PilotWindow],
) -> tuple[list[Hold], list[Rejected]]:
    trimmed: list[tuple[float, float]] = []
    rejected: list[Rejected] = []
    for start, end in stretches:
        inner = (start + settings.settling, end - _END_MARGIN)
        left = inner[1] - inner[0]
        if left < settings.minimum:
            words = (
                f"{end - start:.0f} s between changes leave {max(left, 0.0):.0f} s after "
                f"{settings.settling:.0f} s of settling; {settings.minimum:.0f} s are needed"
            )
            rejected.append(Rejected(start, end, "too_short", words))
        else:
            trimmed.append(inner)
    agitation = _agitations(sortie, trimmed)
    holds: list[Hold] = []
    for (start, end), (restless, typical) in zip(trimmed, agitation, strict=True):
        fault = _fault(sortie, settings, start, end, restless, typical, notes)
        if fault is None:
            holds.append(_make(sortie, settings, start, end, idle, ballast, notes))
        else:
            rejected.append(Rejected(start, end, *fault))
    return holds, rejected


def _fault(
    sortie: Sortie,
    settings: SearchSettings,
    start: float,
    end: float,
    restless: float,
    typical: float,
    notes: Sequence[PilotWindow],
) -> tuple[str, str] | None:
    """Return reason code and words where a trimmed stretch is no hold, else None."""
    inside = (sortie.time >= start) & (sortie.time <= end)
    rpm = _part(sortie, "rpm", inside)
    turn = _part(sortie, "turn_rate", inside)
    for name in ("rpm", "turn_rate", "hang_roll"):
        part = _part(sortie, name, inside)
        if part is not None and np.mean(~np.isfinite(part)) > 0.1:
            share = 100 * np.mean(~np.isfinite(part))
            return "gap", f"{name} is missing for {share:.0f} % of the stretch"
    assert rpm is not None and turn is not None
    level = float(np.nanmean(rpm))
    drift = _drift(rpm)
    if abs(drift) > max(_RPM_DRIFT * level, _RPM_DRIFT_FLOOR):
        return "rpm_trend", f"rpm drifts by {drift:+.0f} over the stretch"
    scatter = float(np.nanstd(rpm))
    if scatter > max(_RPM_SCATTER * level, _RPM_SCATTER_FLOOR):
        return "rpm_unsteady", f"rpm scatters by {scatter:.0f} (standard deviation)"
    mean_turn = float(np.nanmean(turn))
    told_off = _hands_off(notes, start, end)
    if told_off is False:
        return "pilot_input", "the pilot's note says that the controls were used"
    if abs(mean_turn) > settings.straight_limit and told_off is not True:
        return "turning", f"turns at {np.degrees(mean_turn):+.1f} deg/s on average and no note says hands off"
    for side in ("brake_left", "brake_right"):
        brake = _part(sortie, side, inside)
        if brake is not None and np.nanmax(brake, initial=0.0) > _BRAKE_LIMIT:
            return (
                "pilot_input",
                f"{side.replace('_', ' ')} was pulled ({np.nanmax(brake):.2f} of its travel)",
            )
    airspeed = _part(sortie, "airspeed", inside)
    if airspeed is not None and np.isfinite(airspeed).sum() > 10:
        change = _drift(airspeed)
        if abs(change) > _AIRSPEED_DRIFT:
            return "airspeed_trend", f"airspeed drifts by {change:+.1f} m/s over the stretch"
    limit = _AGITATION if end - start >= _SHORT else _AGITATION_SHORT
    if typical > 0 and restless > limit * typical:
        return (
            "agitated",
            f"turn rate swings by {np.degrees(restless):.1f} deg/s, {restless / typical:.1f} times the "
            "typical stretch of this sortie: a gust or the pilot",
        )
    hang_roll = _part(sortie, "hang_roll", inside)
    ratio = 1.0 if hang_roll is None else _variance_ratio(_filled(hang_roll), sortie.rate)
    if max(ratio, 1.0 / ratio) > _VARIANCE_RATIO:
        half = "second" if ratio > 1.0 else "first"
        return (
            "variance_change",
            f"hang roll scatters {max(ratio, 1.0 / ratio):.0f} times as much (variance) in the {half} half",
        )
    return None


def _make(
    sortie: Sortie,
    settings: SearchSettings,
    start: float,
    end: float,
    idle: float,
    ballast: Sequence[BallastWindow],
    notes: Sequence[PilotWindow],
    *,
    kind: HoldKind | None = None,
    origin: str = "found",
) -> Hold:
    inside = (sortie.time >= start) & (sortie.time <= end)
    level = float(np.nanmean(_filled(sortie.column("rpm"))[inside]))
    turn = float(np.nanmean(_filled(sortie.column("turn_rate"))[inside]))
    carried = [w for w in ballast if min(w.end, end) - max(w.start, start) > 0.8 * (end - start)]
    if kind is None:
        kind = HoldKind.POWER if level > idle else HoldKind.BALLAST if carried else HoldKind.GLIDE
    return Hold(
        start=start,
        end=end,
        kind=kind,
        straight=abs(turn) <= settings.straight_limit,
        rpm=level,
        origin=origin,
        ballast_moment=sum(w.moment for w in carried),
        ballast_moment_std=sum(w.moment_std for w in carried),
        hands_off=_hands_off(notes, start, end),
    )


def _apply(
    sortie: Sortie,
    settings: SearchSettings,
    idle: float,
    ballast: Sequence[BallastWindow],
    notes: Sequence[PilotWindow],
    change: HoldChange,
    holds: list[Hold],
    rejected: list[Rejected],
) -> tuple[list[Hold], list[Rejected]]:
    """Apply one change that a person made."""
    why = f": {change.reason}" if change.reason else ""
    if change.action == "add":
        if change.start < sortie.time[0] or change.end > sortie.time[-1]:
            words = f"the added hold lies outside the sortie (0 to {sortie.time[-1]:.0f} s)"
            return holds, [*rejected, Rejected(change.start, change.end, "outside", words)]
        hold = _make(
            sortie,
            settings,
            change.start,
            change.end,
            idle,
            ballast,
            notes,
            kind=change.kind,
            origin="sheet",
        )
        kept = [h for h in holds if _overlap(h, change.start, change.end) <= 0.0]
        return [*kept, hold], rejected
    meant = max(holds, key=lambda h: _overlap(h, change.start, change.end), default=None)
    if meant is None or _overlap(meant, change.start, change.end) <= 0.0:
        words = f"no hold was found here to {change.action}{why}"
        return holds, [*rejected, Rejected(change.start, change.end, "outside", words)]
    others = [h for h in holds if h is not meant]
    if change.action == "strike":
        return others, [*rejected, Rejected(meant.start, meant.end, "struck", f"struck in the sheet{why}")]
    start = meant.start if change.new_start is None else change.new_start
    end = meant.end if change.new_end is None else change.new_end
    moved = _make(sortie, settings, start, end, idle, ballast, notes, kind=meant.kind, origin="sheet")
    return [*others, replace(moved, straight=meant.straight)], rejected


# ---------------------------------------------------------------------------------------------- small tools


def _joined(rejected: Sequence[Rejected]) -> tuple[Rejected, ...]:
    """Return the stretches in order of time, neighbours of one kind joined into one."""
    out: list[Rejected] = []
    for item in sorted(rejected, key=lambda r: r.start):
        last = out[-1] if out else None
        if last is None or last.code != item.code or item.code not in _JOINED or item.start - last.end > 1.0:
            out.append(item)
            continue
        words = last.words
        if item.code == "too_short":
            words = f"engine speed, ballast or turn kept changing for {item.end - last.start:.0f} s"
        elif item.code == "turning" and item.end - item.start > last.end - last.start:
            words = item.words
        out[-1] = Rejected(last.start, item.end, item.code, words)
    return tuple(out)


def _overlap(hold: Hold, start: float, end: float) -> float:
    return min(hold.end, end) - max(hold.start, start)


def _hands_off(notes: Sequence[PilotWindow], start: float, end: float) -> bool | None:
    """Return what the notes say of a stretch: False as soon as one reaching well into it says so."""
    touching = [
        n for n in notes if min(n.end, end) - max(n.start, start) > _NOTE_REACH and n.hands_off is not None
    ]
    if any(n.hands_off is False for n in touching):
        return False
    covered = sum(min(n.end, end) - max(n.start, start) for n in touching)
    return True if touching and covered > 0.8 * (end - start) else None


def _agitations(sortie: Sortie, spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return, for each stretch, its turn-rate scatter and the typical one of the others [rad/s].

    Scatter is the standard deviation of the smoothed turn rate. It grows with length when slow gusts are
    about, so the others are looked at through windows as long as the stretch.
    """
    smooth = _boxcar(_filled(sortie.column("turn_rate")), round(_AGITATION_SMOOTH * sortie.rate))
    parts = [smooth[(sortie.time >= a) & (sortie.time <= b)] for a, b in spans]
    step = round(_AGITATION_STEP * sortie.rate)
    out = []
    for i, part in enumerate(parts):
        others = []
        for j, other in enumerate(parts):
            length = min(len(part), len(other))
            if j != i:
                others += [
                    float(np.std(other[k : k + length])) for k in range(0, len(other) - length + 1, step)
                ]
        out.append((float(np.std(part)), float(np.median(others)) if len(others) > 2 else 0.0))
    return out


def _variance_ratio(values: Array, rate: float) -> float:
    """Return the variance of the second half over that of the first, of second-to-second changes."""
    block = max(1, round(rate))
    n = len(values) // block
    changes = np.diff(values[: n * block].reshape(n, block).mean(axis=1))
    half = len(changes) // 2
    if half < 5:
        return 1.0
    first, second = float(np.var(changes[:half])), float(np.var(changes[-half:]))
    return second / first if first > 0.0 and second > 0.0 else 1.0


def _part(sortie: Sortie, name: str, inside: Mask) -> Array | None:
    column = sortie.column(name)
    return None if column is None else column[inside]


def _drift(values: Array) -> float:
    """Return the change over the stretch by its fitted straight line, NaN left out."""
    good = np.isfinite(values)
    if good.sum() < 3:
        return 0.0
    x = np.linspace(-0.5, 0.5, len(values))[good]
    y = values[good]
    return float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))


def _filled(values: Array | None) -> Array:
    """Return a copy with NaN bridged by straight lines."""
    assert values is not None
    good = np.isfinite(values)
    if good.all():
        return values
    if not good.any():
        return np.zeros_like(values)
    index = np.arange(len(values))
    return np.interp(index, index[good], values[good])


def _boxcar(values: Array, width: int) -> Array:
    width = max(1, min(width, len(values)))
    padded = np.pad(values, (width // 2, width - 1 - width // 2), mode="edge")
    total = np.concatenate([[0.0], np.cumsum(padded)])
    out: Array = (total[width:] - total[:-width]) / width
    return out


def _in_spans(time: Array, spans: Sequence[tuple[float, float]]) -> Mask:
    out = np.zeros(len(time), dtype=bool)
    for start, end in spans:
        out |= (time >= start) & (time <= end)
    return out


def _runs(mask: Mask) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _mask_edges(mask: Mask) -> list[int]:
    return [int(i) + 1 for i in np.flatnonzero(np.diff(mask.astype(np.int8)))]
