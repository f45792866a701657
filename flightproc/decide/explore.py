"""A change of the frame tried at once: what any change leaves, from draws that were made beforehand.

:func:`prepare_trials` does the work of a balance once; :meth:`Trials.at` then answers for a change in a few
milliseconds, so that a page can follow a slider. Moment and turn are linear in the actions of a change, draw
by draw (see :mod:`flightproc.decide.cases`); building tolerances are left out, they belong to the balance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..sheets.balance import BalanceSheet, Phase
from ..sheets.load import BalanceSheets
from .balance import default_phases, default_sheet, flips, range_of
from .cases import Case, Change, Response, make_cases, make_draws, respond, thrust_loss
from .flown import Flown

__all__ = ["Trial", "TrialCase", "Trials", "prepare_trials"]

Array = NDArray[np.float64]

_DRAWS = 1500
_QUANTILES = (0.5, 0.025, 0.975)


@displayed
@dataclass(frozen=True)
class TrialCase:
    """What a change leaves on one glider.

    Attributes
    ----------
    turn, moment : ndarray, shape (3, n)
        Median, lower and upper 95 % bound over the throttle range: turn rate [rad/s], roll moment [N m].
    flips : tuple of float
        Engine speeds at which the median turn changes sign [1/min].
    phase_turn, phase_moment : ndarray, shape (3, p)
        The same in each phase of flight.
    chances : ndarray, shape (p,)
        That the turn stays within the limit, in each phase.
    chance : float
        That it does so in all phases.
    loss : ndarray, shape (p,)
        Thrust lost, share of the thrust; 0 without thrust.
    """

    turn: Array
    moment: Array
    flips: tuple[float, ...]
    phase_turn: Array
    phase_moment: Array
    chances: Array
    chance: float
    loss: Array


@displayed
@dataclass(frozen=True)
class Trial:
    """What a change leaves.

    Attributes
    ----------
    change : Change
        What is tried.
    cases : tuple of TrialCase
        By glider.
    root_mean_square : float
        Turn over phases, gliders and draws, by their weights [rad/s].
    """

    change: Change
    cases: tuple[TrialCase, ...]
    root_mean_square: float


@displayed
@dataclass(frozen=True)
class Trials:
    """Draws from which any change is answered.

    Attributes
    ----------
    flown : Flown
        The frame as flown.
    sheet : BalanceSheet
        Limits, dimensions, turn limit.
    cases : tuple of Case
        Gliders and loadings.
    phases : tuple of Phase
        Of flight.
    rpm : ndarray, shape (n,)
        Of the curves [1/min].
    at_phases, over_range : tuple of tuple of Response
        By case, then by phase or engine speed.
    """

    flown: Flown
    sheet: BalanceSheet
    cases: tuple[Case, ...]
    phases: tuple[Phase, ...]
    rpm: Array
    at_phases: tuple[tuple[Response, ...], ...]
    over_range: tuple[tuple[Response, ...], ...]

    def at(self, change: Change) -> Trial:
        """Return what a change leaves."""
        actions = change.actions
        limit = math.radians(self.sheet.turn_limit_deg_s)
        share = np.array([phase.weight for phase in self.phases])
        share = share / share.sum()
        found, square = [], 0.0
        for case, answers, along in zip(self.cases, self.at_phases, self.over_range, strict=True):
            turns, moments = _after(along, actions)
            phase_turns, phase_moments = _after(answers, actions)
            inside = np.abs(phase_turns) <= limit
            turn = _bounds(turns)
            found.append(
                TrialCase(
                    turn=turn,
                    moment=_bounds(moments),
                    flips=flips(self.rpm, turn[0]),
                    phase_turn=_bounds(phase_turns),
                    phase_moment=_bounds(phase_moments),
                    chances=np.mean(inside, axis=1),
                    chance=float(np.mean(np.all(inside, axis=0))),
                    loss=np.array([self._loss(change, answer) for answer in answers]),
                )
            )
            square += case.weight * float(share @ np.mean(phase_turns**2, axis=1))
        return Trial(change, tuple(found), math.sqrt(square))

    def _loss(self, change: Change, answer: Response) -> float:
        thrust = float(np.mean(answer.thrust))
        return float(np.mean(thrust_loss(self.sheet, change, answer))) / thrust if thrust > 0.0 else 0.0


def prepare_trials(flown: Flown, sheets: BalanceSheets | None = None, draws: int = _DRAWS) -> Trials:
    """Draw what is uncertain, and work out moment and turn over the throttle range.

    Parameters
    ----------
    flown : Flown
        From results.json.
    sheets : BalanceSheets, optional
        As for `balance_frame`; usual limits where not given.
    draws : int
        Fewer than a balance takes: bounds wobble by some percent of their width.
    """
    sheets = BalanceSheets(default_sheet(), ()) if sheets is None else sheets
    sheet = sheets.sheet.model_copy(update={"draws": draws})
    cases = make_cases(flown, sheets)
    phases = tuple(sheet.phases or default_phases(flown))
    made = make_draws(flown, sheet, cases)
    rpm = range_of(flown, phases)
    numbers = range(len(cases))
    return Trials(
        flown=flown,
        sheet=sheet,
        cases=cases,
        phases=phases,
        rpm=rpm,
        at_phases=tuple(
            tuple(respond(flown, sheet, made, cases, g, phase.rpm) for phase in phases) for g in numbers
        ),
        over_range=tuple(
            tuple(respond(flown, sheet, made, cases, g, float(n)) for n in rpm) for g in numbers
        ),
    )


def _after(answers: tuple[Response, ...], actions: Array) -> tuple[Array, Array]:
    """Return turn rates and roll moments after a change, shape (n, draws) each."""
    turns = np.array([answer.turn + actions @ answer.turn_per for answer in answers])
    moments = np.array([answer.moment + actions @ answer.moment_per for answer in answers])
    return turns, moments


def _bounds(values: Array) -> Array:
    return np.asarray(np.quantile(values, _QUANTILES, axis=1))
