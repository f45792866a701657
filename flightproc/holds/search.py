"""Find the holds of a sortie: propose stretches between changes, trim, test, and keep every reason.

A stretch runs between two changes of any of: engine speed (change points), a turn that the pilot flew, the
ballast carried, take-off and landing. The settling time is left out at its start. What is left must be long
enough, gap free, steady in rpm, airspeed and turn, and of no unusual agitation; else it is turned down with
its reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..errors import EstimateError
from ..sortie.model import Sortie
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
from .pilot import find_pilot_inputs
from .propose import Proposal, propose_stretches, turn_channel
from .signals import boxcar, drift, filled, runs, variance_ratio

__all__ = ["find_holds"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

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
_ALIKE = 3  # stretches of one kind that are enough to be set against each other
_AGITATION_STEP = 5.0  # step of the windows it is compared with [s]
_JOINED = ("on_ground", "too_short", "turning")  # neighbours of one of these are told as one
_VARIANCE_RATIO = (
    6.0  # change of variance within a hold: F at 27 and 27 degrees of freedom passes 3.5 in 0.1 %
)
_NOTE_REACH = 2.0  # how far a note must reach into a stretch; notes are timed by hand [s]
_BRAKE_LIMIT = 0.05  # brake position that counts as an input
_STEER_MARGIN = 1.5  # between a hold and steering [s]
_GAP = 0.1  # share of a stretch in which what the moment rests on may be missing
_RPM_KNOWN = 10.0  # engine speed that must be known of a stretch with a gap in it [s]
_RPM_AROUND = 5.0  # length of engine speed compared on both sides of a gap [s]


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

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> settings = fp.SearchSettings(minimum=30.0, settling=12.0)
    >>> search = fp.find_holds(prepared.sortie, settings)
    >>> len(search.holds), min(hold.duration for hold in search.holds) >= 30.0
    (17, True)
    """
    settings = settings or SearchSettings()
    if sortie.column("rpm") is None:
        return _by_hand(sortie, settings, ballast, notes, changes)
    proposal = propose_stretches(sortie, settings, ballast)
    rejected, idle = list(proposal.rejected), proposal.idle
    holds, turned_down = _judge(sortie, settings, proposal, ballast, notes)
    rejected += turned_down
    holds, pulled = _without_inputs(sortie, settings, holds)
    rejected += pulled
    for change in changes:
        holds, rejected = _apply(sortie, settings, idle, ballast, notes, change, holds, rejected)
    return HoldSearch(
        tuple(sorted(holds, key=lambda h: h.start)),
        _joined(rejected),
        settings.settling,
    )


def _without_inputs(
    sortie: Sortie, settings: SearchSettings, holds: Sequence[Hold]
) -> tuple[list[Hold], list[Rejected]]:
    """Return the holds without those in which a brake shows, and what was turned down for it.

    A pulse that runs into the end of a hold is steering begun too early: the hold ends before it.
    """
    found = find_pilot_inputs(sortie, holds)
    kept: list[Hold] = []
    rejected: list[Rejected] = []
    for i, hold in enumerate(holds):
        pulled = found.get(i)
        if pulled is None:
            kept.append(hold)
            continue
        end = pulled.start - _STEER_MARGIN
        early = pulled.form == "pulse" and pulled.end > hold.end - _STEER_MARGIN
        if early and end - hold.start >= settings.minimum:
            kept.append(replace(hold, end=end))
            rejected.append(
                Rejected(end, hold.end, "pilot_input", f"{pulled.words}; the hold ends before it")
            )
        else:
            rejected.append(Rejected(hold.start, hold.end, "pilot_input", pulled.words))
    return kept, rejected


def _by_hand(
    sortie: Sortie,
    settings: SearchSettings,
    ballast: Sequence[BallastWindow],
    notes: Sequence[PilotWindow],
    changes: Sequence[HoldChange],
) -> HoldSearch:
    """Return the holds that a person set, for a sortie without engine speed; their kind must be given."""
    if not any(change.action == "add" for change in changes):
        raise EstimateError(
            "holds cannot be found without rpm",
            where="sortie",
            hint="add the engine log to the sortie sheet, or a sound recording (WAV) of the engine, or set "
            "the holds by hand with their kind",
        )
    holds: list[Hold] = []
    rejected: list[Rejected] = []
    for change in changes:
        if change.action == "add" and change.kind is None:
            raise EstimateError(
                "without rpm the kind of a hold set by hand must be given",
                where=f"hold {change.start:.0f} to {change.end:.0f} s",
                allowed=", ".join(HoldKind),
            )
        holds, rejected = _apply(sortie, settings, 0.0, ballast, notes, change, holds, rejected)
    return HoldSearch(tuple(sorted(holds, key=lambda h: h.start)), _joined(rejected), settings.settling)


# ---------------------------------------------------------------------------------------------- judging


def _judge(
    sortie: Sortie,
    settings: SearchSettings,
    proposal: Proposal,
    ballast: Sequence[BallastWindow],
    notes: Sequence[PilotWindow],
) -> tuple[list[Hold], list[Rejected]]:
    trimmed: list[tuple[float, float]] = []
    rejected: list[Rejected] = []
    for start, end in proposal.stretches:
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
    agitation = _agitations(sortie, trimmed, proposal)
    holds: list[Hold] = []
    for (start, end), (restless, typical) in zip(trimmed, agitation, strict=True):
        fault = _fault(sortie, settings, start, end, restless, typical, notes)
        if fault is None:
            holds.append(_make(sortie, settings, start, end, proposal.idle, ballast, notes))
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
    turn = _part(turn_channel(sortie), inside)
    for name in ("turn_rate", "hang_roll"):
        part = _part(sortie.column(name), inside)
        if part is not None and np.mean(~np.isfinite(part)) > _GAP:
            share = 100 * np.mean(~np.isfinite(part))
            return "gap", f"{name} is missing for {share:.0f} % of the stretch"
    rpm = _part(sortie.column("rpm"), inside)
    assert rpm is not None
    gap = _rpm_gap(rpm, sortie.rate)
    if gap:
        return "gap", gap
    level = float(np.nanmean(rpm))
    change = drift(rpm)
    if abs(change) > max(_RPM_DRIFT * level, _RPM_DRIFT_FLOOR):
        return "rpm_trend", f"rpm drifts by {change:+.0f} over the stretch"
    scatter = float(np.nanstd(rpm))
    if scatter > max(_RPM_SCATTER * level, _RPM_SCATTER_FLOOR):
        return "rpm_unsteady", f"rpm scatters by {scatter:.0f} (standard deviation)"
    mean_turn = 0.0 if turn is None else float(np.nanmean(turn))
    told_off = _hands_off(notes, start, end)
    if told_off is False:
        return "pilot_input", "the pilot's note says that the controls were used"
    if abs(mean_turn) > settings.straight_limit and told_off is not True:
        return "turning", f"turns at {np.degrees(mean_turn):+.1f} deg/s on average and no note says hands off"
    for side in ("brake_left", "brake_right"):
        brake = _part(sortie.column(side), inside)
        if brake is not None and np.nanmax(brake, initial=0.0) > _BRAKE_LIMIT:
            return (
                "pilot_input",
                f"{side.replace('_', ' ')} was pulled ({np.nanmax(brake):.2f} of its travel)",
            )
    airspeed = _part(sortie.column("airspeed"), inside)
    if airspeed is not None and np.isfinite(airspeed).sum() > 10:
        change = drift(airspeed)
        if abs(change) > _AIRSPEED_DRIFT:
            return "airspeed_trend", f"airspeed drifts by {change:+.1f} m/s over the stretch"
    limit = _AGITATION if end - start >= _SHORT else _AGITATION_SHORT
    if typical > 0 and restless > limit * typical:
        return (
            "agitated",
            f"turn rate swings by {np.degrees(restless):.1f} deg/s, {restless / typical:.1f} times the "
            "typical stretch of this sortie: a gust or the pilot",
        )
    hang_roll = _part(sortie.column("hang_roll"), inside)
    ratio = 1.0 if hang_roll is None else variance_ratio(filled(hang_roll), sortie.rate)
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
    level = _mean_of(sortie.column("rpm"), inside)
    turn = _mean_of(turn_channel(sortie), inside)
    carried = [w for w in ballast if min(w.end, end) - max(w.start, start) > 0.8 * (end - start)]
    if kind is None:
        kind = HoldKind.POWER if level > idle else HoldKind.BALLAST if carried else HoldKind.GLIDE
    return Hold(
        start=start,
        end=end,
        kind=kind,
        straight=not abs(turn) > settings.straight_limit,
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


def _agitations(
    sortie: Sortie, spans: Sequence[tuple[float, float]], proposal: Proposal
) -> list[tuple[float, float]]:
    """Return, for each stretch, its turn-rate scatter and the typical one of the others [rad/s].

    Scatter is the standard deviation of the smoothed turn rate. It grows with length when slow gusts are
    about, so the others are looked at through windows as long as the stretch. A wing may be livelier under
    power, so what is typical is the greater of all others and of those alike, with power or without.
    """
    turn = turn_channel(sortie)
    if turn is None:
        return [(0.0, 0.0)] * len(spans)
    smooth = boxcar(filled(turn), round(_AGITATION_SMOOTH * sortie.rate))
    first = np.searchsorted(sortie.time, [a for a, _ in spans], side="left")
    count = np.searchsorted(sortie.time, [b for _, b in spans], side="right") - first
    ranges = [slice(f, f + n) for f, n in zip(first.tolist(), count.tolist(), strict=True)]
    powered = np.array([float(proposal.rpm[part].mean()) > proposal.idle for part in ranges], dtype=bool)
    step = round(_AGITATION_STEP * sortie.rate)
    level = smooth - smooth.mean()
    total, square = (np.concatenate([[0.0], np.cumsum(v)]) for v in (level, level**2))

    def scatter(start: NDArray[np.intp], length: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the standard deviation in windows."""
        mean = (total[start + length] - total[start]) / length
        mean_square = (square[start + length] - square[start]) / length
        return np.asarray(np.sqrt(np.maximum(mean_square - mean**2, 0.0)))

    own = scatter(first, count)
    every = np.arange(len(spans))
    out = []
    for i in range(len(spans)):
        length = np.minimum(count, count[i])
        windows = np.where(every == i, 0, (count - length) // step + 1)
        owner = np.repeat(every, windows)
        place = np.arange(owner.size) - np.repeat(np.cumsum(windows) - windows, windows)
        others = scatter(first[owner] + step * place, length[owner])
        alike = powered[owner] == powered[i]
        typical = float(np.median(others)) if others.size > 2 else 0.0
        if alike.sum() > 2 and np.sum(powered == powered[i]) - 1 >= _ALIKE:
            typical = max(typical, float(np.median(others[alike])))
        out.append((float(own[i]), typical))
    return out


def _rpm_gap(rpm: Array, rate: float) -> str:
    """Return what is wrong with the gaps of engine speed in a stretch; empty where it stays the same."""
    missing = ~np.isfinite(rpm)
    known = float((~missing).sum()) / rate
    if known < _RPM_KNOWN:
        return f"rpm is known for only {known:.0f} s of the stretch"
    level = float(np.nanmean(rpm))
    reach = max(1, round(_RPM_AROUND * rate))
    for first, last in runs(missing):
        if last - first < rate or first == 0 or last == len(rpm):
            continue
        sides = [part[np.isfinite(part)] for part in (rpm[:first][-reach:], rpm[last:][:reach])]
        if not all(part.size for part in sides):
            continue
        before, after = (float(part.mean()) for part in sides)
        if abs(after - before) > max(_RPM_DRIFT * level, _RPM_DRIFT_FLOOR):
            return (
                f"rpm is missing for {(last - first) / rate:.0f} s, and is {after - before:+.0f} after that"
            )
    return ""


def _mean_of(column: Array | None, inside: Mask) -> float:
    """Return the mean of what is known, else that of the bridged gap; NaN where nothing was logged."""
    if column is None or not np.isfinite(column).any():
        return float("nan")
    part = column[inside]
    return float(np.nanmean(part if np.isfinite(part).any() else filled(column)[inside]))


def _part(column: Array | None, inside: Mask) -> Array | None:
    return None if column is None else column[inside]
