"""The budget of an uncertainty in words: what it is made of, and what to improve first.

A budget gives each source's contribution to a standard uncertainty. Shares are shares of the variance, since
contributions combine by their squares (JCGM 100:2008, 5.1): a source with a tenth of the standard
uncertainty has a hundredth of the variance, and nothing is gained by improving it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from ..display import Card, displayed
from ..quantity import Quantity

__all__ = ["UNSPLIT", "BudgetEntry", "BudgetRow", "BudgetWords", "Remedy", "explain_budget", "remedy_for"]

UNSPLIT = "not split"
"""Source of the part of a variance that the budget does not name."""

_REST = 0.02  # share of the variance from which on what is not split is told
_WORTH = 0.02  # fall of the standard uncertainty from which on halving a source is worth a word
_AS_MUCH = 0.7  # share of the leading source from which on the second is named beside it


@dataclass(frozen=True)
class Remedy:
    """What can be done about one source.

    Attributes
    ----------
    label : str
        The source in a few words, as it stands in tables and figures.
    action : str
        What to do, in the imperative; empty where nothing is known to help.
    halving : str
        What it takes to halve the contribution; empty where ``action`` says it all.
    """

    label: str
    action: str
    halving: str = ""


_REMEDIES: Mapping[str, Remedy] = {
    "noise of the power holds": Remedy(
        "gusts in the power holds",
        "fly the power holds in calmer air, or fly each setting more often",
        "half the gusts, or four times the time at each setting",
    ),
    "noise of the glides": Remedy(
        "gusts in the glides",
        "fly more glides, before, between and after the power holds",
        "half the gusts, or four times the glides",
    ),
    "noise of the ballast legs": Remedy(
        "gusts in the ballast legs",
        "fly four more ballast legs, two on each side, in calm air",
        "half the gusts, four times the legs, or twice the ballast moment where that is safe",
    ),
    "ballast mass and arm": Remedy(
        "ballast, its mass and arm",
        "measure the ballast arm to 2 mm and weigh the ballast to 20 g",
    ),
    "riser stiffness": Remedy(
        "roll stiffness of the risers, assumed",
        "fly four ballast legs, two on each side",
    ),
    "weight and hang arm": Remedy(
        "hung weight and its arm",
        "weigh the unit with its pilot, and do the tilt test on the ground",
    ),
    "tilt test": Remedy(
        "tilt test on the ground",
        "repeat the tilt test with more readings on both sides and a larger ballast",
    ),
    "inertia": Remedy(
        "roll inertia and swing frequency",
        "time more swings of the pendulum, and measure spacing and length of its lines to 2 mm",
    ),
    "change of K under power": Remedy(
        "change of hang stiffness with power",
        "",
    ),
    "yaw of the sensor": Remedy(
        "yaw of the sensor in the unit",
        "align the sensor with the shaft, or rock the unit fore and aft on the ground with the log running",
    ),
    "hang zero": Remedy(
        "zero of hang roll",
        "fly more glides, before, between and after the power holds",
        "four times the glides",
    ),
    "turn zero": Remedy(
        "zero of the turn",
        "fly more glides, before, between and after the power holds",
        "four times the glides",
    ),
    "drift of the zeros": Remedy(
        "drift of the zeros",
        "put a glide next to every power hold, and switch the loggers on a quarter of an hour before",
    ),
    "idle torque": Remedy(
        "torque of the idling propeller",
        "take rig readings at idle, or glide with the propeller standing still where that is safe",
    ),
    "turn coefficient": Remedy(
        "turn of the wing per newton metre",
        "fly four more ballast legs in calm air, or state a measured turn coefficient in the glider's sheet",
    ),
    "turn by yaw": Remedy(
        "hang of the unit in a turn by yaw",
        "mend first what turns the wing by yaw: a thrust line off centre, a tilted shaft",
    ),
    "yaw of frame and thrust": Remedy(
        "yaw moment of frame and thrust line",
        "log specific force on the hung unit, so that hang roll tells roll from yaw",
    ),
    "airspeed": Remedy(
        "airspeed",
        "fly full circles both ways for the wind, or log airspeed",
    ),
    "density": Remedy(
        "air density",
        "log static pressure and air temperature",
    ),
    "rig": Remedy(
        "torque on the rig",
        "take more rig readings at the engine speeds flown, and have the scales checked",
    ),
    "compensation": Remedy(
        "compensation fitted to the frame",
        "measure what the compensation takes off on the rig, with and without it",
    ),
    UNSPLIT: Remedy("what the budget does not split", ""),
}


def remedy_for(source: str) -> Remedy:
    """Return what is known about a source; a source that is not known keeps its name and has no action.

    Examples
    --------
    >>> remedy_for("density").action
    'log static pressure and air temperature'
    >>> remedy_for("magic")
    Remedy(label='magic', action='', halving='')
    """
    return _REMEDIES.get(source, Remedy(source, ""))


@displayed
@dataclass(frozen=True)
class BudgetRow:
    """One source of an uncertainty.

    Attributes
    ----------
    source : str
        Key in ``Quantity.budget``.
    label : str
        The same in a few words.
    contribution : float
        To the standard uncertainty, in the quantity's unit.
    share : float
        Of the variance [1]; the shares of all rows add up to 1.
    if_halved : Quantity
        The quantity with this contribution halved.
    action : str
        What improves it; empty where nothing is known.
    halving : str
        What it takes to halve it; empty where the action says it all.
    """

    source: str
    label: str
    contribution: float
    share: float
    if_halved: Quantity
    action: str
    halving: str


@displayed
@dataclass(frozen=True)
class BudgetWords:
    """A budget explained.

    Attributes
    ----------
    name : str
        What the quantity is, as it stands in a sentence.
    quantity : Quantity
        As given.
    rows : tuple of BudgetRow
        Greatest share first.
    first : str
        What to improve first, as one line; empty where nothing is known to help.
    words : tuple of str
        What the uncertainty is made of, in sentences.
    """

    name: str
    quantity: Quantity
    rows: tuple[BudgetRow, ...]
    first: str
    words: tuple[str, ...]


@displayed
@dataclass(frozen=True)
class BudgetEntry:
    """The budget of one result at one throttle setting.

    Attributes
    ----------
    result : str
        ``roll_moment``, ``residual_turning_moment`` or ``torque_ratio``.
    rpm : float
        Engine speed of the setting [1/min].
    budget : BudgetWords
        What it is made of.
    """

    result: str
    rpm: float
    budget: BudgetWords

    def _card(self) -> Card:
        rows = tuple(
            (row.label, f"{row.contribution:.3g}", f"{100 * row.share:.0f} %") for row in self.budget.rows
        )
        title = f"{self.result.replace('_', ' ')} at {self.rpm:.0f} rpm, {self.budget.quantity}"
        return Card(title, heads=("source", "part", "of the variance"), rows=rows, line=True)

    def to_json(self) -> dict[str, Any]:
        """Return the entry of ``budget`` in results.json."""
        return {
            "result": self.result,
            "rpm": self.rpm,
            "unit": self.budget.quantity.unit,
            "quantity": self.budget.quantity.to_json(),
            "sources": [
                {
                    "source": row.source,
                    "label": row.label,
                    "contribution": row.contribution,
                    "share": row.share,
                    "if_halved": row.if_halved.to_json(),
                    "action": row.action,
                    "halving": row.halving,
                }
                for row in self.budget.rows
            ],
            "improve_first": self.budget.first,
            "remarks": list(self.budget.words),
        }


def explain_budget(quantity: Quantity, name: str) -> BudgetWords:
    """Say what a quantity's uncertainty is made of, and what to improve first.

    Parameters
    ----------
    quantity : Quantity
        With its budget. Contributions that are not finite or zero are left out.
    name : str
        What it is, as it stands in a sentence ("the roll moment at 7600 rpm").

    Returns
    -------
    BudgetWords
        Without rows where the value, its uncertainty or the budget is missing; ``words`` then says why.

    Notes
    -----
    Where the squares of the contributions fall short of the variance by more than 2 %, the rest stands as a
    source of its own; where they exceed it (correlated sources), shares are taken of their sum. With share s
    of the variance, halving a contribution leaves the standard uncertainty at ``sqrt(1 - 0.75 s)`` of what it
    was; the interval shrinks about the value by the same factor.

    Examples
    --------
    >>> moment = Quantity.of(26.8, 2.0, "N m", budget={"tilt test": 1.6, "density": 1.2})
    >>> found = explain_budget(moment, "the roll moment")
    >>> [(row.source, round(row.share, 2), round(row.if_halved.std, 2)) for row in found.rows]
    [('tilt test', 0.64, 1.44), ('density', 0.36, 1.71)]
    >>> print(found.first)
    repeat the tilt test with more readings on both sides and a larger ballast
    """
    if quantity.value is None:
        return _nothing(quantity, name, quantity.reason or "it is unknown")
    if quantity.std is None or not quantity.std > 0.0:
        return _nothing(quantity, name, "its uncertainty is unknown")
    parts = {
        source: abs(part) for source, part in quantity.budget.items() if math.isfinite(part) and part != 0.0
    }
    if not parts:
        return _nothing(quantity, name, "its uncertainty was not split by source")
    variance = quantity.std**2
    total = sum(part**2 for part in parts.values())
    if total < (1.0 - _REST) * variance:
        parts[UNSPLIT] = math.sqrt(variance - total)
        total = variance
    order = sorted(parts.items(), key=lambda item: (-item[1], item[0]))
    rows = tuple(_row(quantity, source, part, part**2 / total) for source, part in order)
    words = _words(quantity, name, rows, total / variance)
    return BudgetWords(name, quantity, rows, _first(rows), words)


def _nothing(quantity: Quantity, name: str, why: str) -> BudgetWords:
    return BudgetWords(
        name, quantity, (), "", (f"What {name} owes its uncertainty to cannot be said: {why}.",)
    )


def _row(quantity: Quantity, source: str, part: float, share: float) -> BudgetRow:
    remedy = remedy_for(source)
    factor = math.sqrt(1.0 - 0.75 * share)
    value = quantity.value or 0.0

    def drawn(bound: float | None) -> float | None:
        return None if bound is None else value + factor * (bound - value)

    better = replace(
        quantity,
        std=factor * (quantity.std or 0.0),
        low95=drawn(quantity.low95),
        high95=drawn(quantity.high95),
        low68=drawn(quantity.low68),
        high68=drawn(quantity.high68),
        reason="",
        budget={},
    )
    return BudgetRow(source, remedy.label, part, share, better, remedy.action, remedy.halving)


def _first(rows: tuple[BudgetRow, ...]) -> str:
    """Return the action of the greatest source that has one, and that of a second about as great."""
    known = [row for row in rows if row.action]
    if not known:
        return ""
    out = known[0].action
    for row in known[1:]:
        if row.share >= _AS_MUCH * known[0].share and row.action != out:
            return f"{out}; about as much: {row.action}"
    return out


def _words(quantity: Quantity, name: str, rows: tuple[BudgetRow, ...], excess: float) -> tuple[str, ...]:
    top = rows[0]
    places = quantity.decimals()
    unit = f" {quantity.unit}" if quantity.unit else ""
    std = quantity.std or 0.0
    head = f"{name[0].upper()}{name[1:]}, {quantity.text()}: "
    head += f"{_percent(top.share)} of the variance is {top.label}"
    others = [f"{row.label} {_percent(row.share)}" for row in rows[1:4] if row.share >= 0.05]
    if others:
        head += ", then " + ", ".join(others)
    out = [head + "."]
    better = top.if_halved.std or 0.0
    if better < (1.0 - _WORTH) * std:
        text = f"Halving the first would bring ± {std:.{places}f} down to ± {better:.{places}f}{unit}"
        out.append(text + (f"; it takes {top.halving}." if top.halving else "."))
    if excess > 1.0 + _REST:
        out.append(
            "The sources partly cancel each other: the squares of their parts add up to "
            f"{100.0 * excess:.0f} % of the variance, and shares are taken of that sum."
        )
    return tuple(out)


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %" if share >= 0.005 else "less than 1 %"
