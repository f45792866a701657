"""What a balance gives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..quantity import Quantity
from ..sheets.balance import BalanceSheet, Phase
from .cases import Case, Change, Draws
from .flown import Flown
from .words import balance_card

__all__ = ["Balance", "Curve", "Option", "PhaseResult", "Sensitivity"]

Array = NDArray[np.float64]


@displayed
@dataclass(frozen=True)
class PhaseResult:
    """One case in one phase of flight.

    Attributes
    ----------
    turn : Quantity
        Hands-off turn rate [rad/s].
    moment : Quantity
        Roll moment on the unit [N m].
    chance : float
        That the turn stays within the limit.
    thrust_loss : Quantity
        [N].
    twist : Quantity
        Yaw of the unit under its risers that the change gives [rad].
    """

    turn: Quantity
    moment: Quantity
    chance: float
    thrust_loss: Quantity
    twist: Quantity


@displayed
@dataclass(frozen=True)
class Curve:
    """One case over the throttle range. Bounds are 95 %.

    Attributes
    ----------
    turn, moment : ndarray, shape (3, n)
        Median, lower and upper bound of turn rate [rad/s] and roll moment [N m].
    turn_flips, moment_flips : tuple of float
        Engine speeds at which the median changes sign [1/min].
    """

    turn: Array
    moment: Array
    turn_flips: tuple[float, ...]
    moment_flips: tuple[float, ...]


@displayed
@dataclass(frozen=True)
class Sensitivity:
    """What one building tolerance does.

    Attributes
    ----------
    what : str
        The dimension.
    tolerance : float
        Its standard uncertainty, in the unit of ``unit``.
    unit : str
        ``mm``, ``deg`` or ``%``.
    turn : tuple of float
        Standard deviation of the turn rate that it gives in each phase, case that fares worst [rad/s].
    """

    what: str
    tolerance: float
    unit: str
    turn: tuple[float, ...]


@displayed
@dataclass(frozen=True)
class Option:
    """One way to build the frame.

    Attributes
    ----------
    key : str
        ``now``, ``bare``, ``mix``, or a name of `MEANS`.
    title : str
        In words.
    change : Change
        Against the frame as flown.
    goal : float
        What is made small, relative to the frame as it is: 1 is no better.
    root_mean_square : float
        Over phases, cases and draws: turn [rad/s], or roll moment [N m] where that is the aim.
    phases : tuple of tuple of PhaseResult
        By case, then by phase.
    chances : tuple of float
        For each case the chance that the turn stays within the limit in all phases.
    chances_range : tuple of float
        The same over the whole throttle range.
    curves : tuple of Curve
        By case.
    sensitivity : tuple of Sensitivity
        One for each dimension built.
    surface_swirl : float
        Swirl angle where the surfaces stand, in the phase that weighs most [rad]; NaN without surfaces.
    power_loss : float
        Ideal power to make up for the thrust lost, in the phase that weighs most among those with power,
        over the ideal power there.
    words : tuple of str
        Remarks on this option.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> balance = fp.balance_frame(fp.flown_from_results(results.to_json()))
    >>> bool(balance.option("hang_offset").goal < balance.option("now").goal)
    True
    """

    key: str
    title: str
    change: Change
    goal: float
    root_mean_square: float
    phases: tuple[tuple[PhaseResult, ...], ...]
    chances: tuple[float, ...]
    chances_range: tuple[float, ...]
    curves: tuple[Curve, ...]
    sensitivity: tuple[Sensitivity, ...] = ()
    surface_swirl: float = math.nan
    power_loss: float = 0.0
    words: tuple[str, ...] = ()


@displayed
@dataclass(frozen=True)
class Balance:
    """Everything a balance gives.

    Attributes
    ----------
    flown : Flown
        The frame as flown.
    sheet : BalanceSheet
        As used, defaults filled in.
    assumed : bool
        Whether the sheet's limits and dimensions were assumed for want of one.
    cases : tuple of Case
        Gliders and loadings.
    phases : tuple of Phase
        As used.
    options : tuple of Option
        The frame as it is first, then the changes.
    best : str
        Key of the option that makes the goal smallest.
    rpm : ndarray, shape (n,)
        Of the curves [1/min].
    statics : tuple of Quantity
        For each phase the hang offset that alone would balance the roll moment of power on the unit flown
        [m]; unknown in phases without power.
    thrust : tuple of Quantity
        In flight in each phase, glider flown or the first [N].
    thrust_source : str
        Where the thrust is from.
    draws : Draws
        What the figures rest on.
    words : tuple of str
        The answer, most important first.
    remarks : tuple of str
        What was assumed.
    cautions : tuple of str
        They go with every output.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> balance = fp.balance_frame(fp.flown_from_results(results.to_json()))
    >>> print(balance.statics[-1].scaled(1000.0, "mm"))
    38.0 ± 1.3 mm
    """

    flown: Flown
    sheet: BalanceSheet
    assumed: bool
    cases: tuple[Case, ...]
    phases: tuple[Phase, ...]
    options: tuple[Option, ...]
    best: str
    rpm: Array
    statics: tuple[Quantity, ...]
    thrust: tuple[Quantity, ...]
    thrust_source: str
    draws: Draws
    words: tuple[str, ...]
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]

    _card = balance_card

    def option(self, key: str) -> Option:
        """Return the option of a key."""
        return next(option for option in self.options if option.key == key)

    def to_json(self) -> dict[str, Any]:
        """Return balance.json as plain objects (see docs/balance.md)."""
        from .document import balance_document

        return balance_document(self)
