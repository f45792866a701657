"""The clocks of all logs of a sortie: groups on one clock, ways round by a third log, refinement."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import ClockError
from ..quantity import Quantity
from .align import Aligned, align_log, align_unit
from .clocks import OffsetFound
from .model import ClockOffset
from .refine import Felt, refine_offset
from .signals import LogSignals, ground_velocity

if TYPE_CHECKING:
    from ..sheets import LogEntry

__all__ = ["align_all", "refine_all"]

Array = NDArray[np.float64]
Groups = Mapping[str, Mapping[str, float]]
FeltBy = Callable[[Array, Array, Array], Felt]

_ROUNDS = 4
_SETTLED = 0.005  # [s]


def align_all(
    entries: Mapping[str, LogEntry],
    groups: Groups,
    clocks: Mapping[str, LogSignals],
    unit: str,
    start: float,
) -> dict[str, Aligned]:
    """Bring the clocks of all logs to the unit's.

    Parameters
    ----------
    entries : mapping of str to LogEntry
        Logs by name.
    groups : mapping of str to mapping of str to float
        Logs by clock, see :func:`~flightproc.sortie.join.clock_groups`.
    clocks : mapping of str to LogSignals
        All that was logged on each clock.
    unit : str
        Name of the unit's log.
    start : float
        Time on the unit's clock that is sortie time 0 [s].

    Returns
    -------
    dict of str to Aligned
        One per log, in the order of ``entries``.

    Notes
    -----
    A clock that shares nothing with the unit's log is tried against every other clock that was brought to it:
    an engine log with UTC, say, goes by way of a satellite log.
    """
    roots = {unit: align_unit(entries[unit], clocks[unit].recording, start)}
    for name in groups:
        if name != unit:
            roots[name] = align_log(entries[name], clocks[unit], clocks[name], start=start)
    _go_round(roots, entries, clocks, unit)
    return _members(entries, groups, roots)


def _go_round(
    roots: dict[str, Aligned], entries: Mapping[str, LogEntry], clocks: Mapping[str, LogSignals], unit: str
) -> None:
    """Try clocks that were not aligned against those that were."""
    for name in [n for n, one in roots.items() if one.found is None]:
        best: Aligned | None = None
        for via in [n for n, one in roots.items() if n != unit and one.found is not None]:
            step = align_log(entries[name], clocks[via], clocks[name], start=0.0)
            base = roots[via].found
            if step.found is None or base is None:
                continue
            found = step.found.then(base)
            if best is not None and best.found is not None and best.found.std <= found.std:
                continue
            offset = Quantity.of(found.offset, found.std, "s")
            words = f"by way of {via}: {step.clock.words}"
            clock = replace(step.clock, offset=offset, words=words, drift=found.drift)
            best = Aligned(clock, found, step.warnings)
        if best is not None:
            roots[name] = best


def _members(
    entries: Mapping[str, LogEntry], groups: Groups, roots: Mapping[str, Aligned]
) -> dict[str, Aligned]:
    """Carry the alignment of each clock to all logs on it."""
    out: dict[str, Aligned] = {}
    for root, members in groups.items():
        one = roots[root]
        for name, shift in members.items():
            if name == root:
                out[name] = one
                continue
            words = f"same clock as {root}"
            if one.found is None:
                clock = ClockOffset(name, Quantity.unknown("s", words), "same_clock", None, words)
                told = f"{name}: left out with {root}, whose clock it shares"
                out[name] = Aligned(clock, None, (told,))
                continue
            found = OffsetFound(shift, 0.0, 1.0, 0.0, float("inf")).then(one.found)
            offset = Quantity.of(found.offset, found.std, "s")
            clock = ClockOffset(name, offset, "same_clock", None, words, found.drift)
            out[name] = Aligned(clock, found)
    return {name: out[name] for name in entries}


def refine_all(
    entries: Mapping[str, LogEntry],
    groups: Groups,
    clocks: Mapping[str, LogSignals],
    unit: str,
    start: float,
    aligned: Mapping[str, Aligned],
    wind: tuple[float, float],
    felt_by: FeltBy,
) -> dict[str, Aligned]:
    """Bring the clocks of logs with a ground velocity closer, now that wind and airspeed are known.

    Parameters
    ----------
    entries, groups, clocks, unit, start
        As for :func:`align_all`.
    aligned : mapping of str to Aligned
        What that found.
    wind : tuple of float
        Wind north and east [m/s].
    felt_by : callable
        Acceleration that the unit felt, from times on the sortie's time base and the ground velocity at them.

    Returns
    -------
    dict of str to Aligned

    Notes
    -----
    Attitude takes its slow part from the satellites, on the clock as it was; the refinement therefore goes
    round, up to four times, with attitude worked out anew.
    """
    roots = {name: aligned[name] for name in groups}
    for name, before in list(roots.items()):
        if name == unit or before.clock.method == "stated":
            continue
        velocity = ground_velocity(clocks[name].recording)
        if velocity is None:
            continue
        finer = None
        if before.found is not None:
            finer = _finer(velocity[:3], wind, before.found, felt_by)
        if finer is not None:  # from sortie time back to the unit's own clock
            finer = replace(finer, offset=finer.offset + start)
        after = align_log(entries[name], clocks[unit], clocks[name], start=start, wind=wind, finer=finer)
        if after.found is not None:
            roots[name] = after
    _go_round(roots, entries, clocks, unit)
    return _members(entries, groups, roots)


def _finer(
    velocity: tuple[Array, Array, Array], wind: tuple[float, float], found: OffsetFound, felt_by: FeltBy
) -> OffsetFound | None:
    time, north, east = velocity
    now = found
    for _ in range(_ROUNDS):
        try:
            felt = felt_by(now.apply(time), north, east)
            finer = refine_offset(felt, time, north - wind[0], east - wind[1], now)
        except ClockError:
            return None  # the coarser ways stand
        moved = max(abs(finer.at(float(at)) - now.at(float(at))) for at in time[[0, -1]])
        now = finer
        if moved < _SETTLED:
            break
    return now
