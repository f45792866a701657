r"""The next sortie: the shortest one that resolves a wanted difference, or what stands in its way.

The wanted difference ``d``, relative to the torque at cruise, is told from none at significance ``alpha``
with power ``1 - beta`` where the standard uncertainty is at most

.. math:: u = d / (z_{1-\alpha/2} + z_{1-\beta})

Every combination of hold length, glides, ballast legs, ballast and cruise holds that the sheet allows is put
in order (:mod:`flightproc.decide.plan_legs`) and forecast (:mod:`flightproc.decide.plan_forecast`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

from ..cautions import CAUTIONS
from ..display import Card, displayed
from ..errors import EstimateError
from .plan_forecast import Forecast, World, forecast
from .plan_legs import Design, FlightLaw, Schedule, schedule
from .plan_noise import Seen
from .plan_world import make_law, make_world

if TYPE_CHECKING:
    from ..sheets.load import PlanSheets

__all__ = ["Candidate", "Plan", "plan_sortie", "wanted_std"]

GLIDES = (3, 4, 5, 6)
"""Plain glides to choose from; three at the least, so that one that is spoiled does not spoil the sortie."""
CRUISE_HOLDS = (1, 2, 3, 4)
"""Cruise holds to choose from."""
_NEAR = 1.03  # where nothing meets the goal, the shortest design within this of the best is taken
_RESERVE_SHARE = 1.2  # of the forecast fuel


@displayed
@dataclass(frozen=True)
class Candidate:
    """One design with what it takes and what it gives.

    Attributes
    ----------
    design : Design
        How many of which holds.
    flight : Schedule
        In order.
    forecast : Forecast
        What it will reach.
    """

    design: Design
    flight: Schedule
    forecast: Forecast


@displayed
@dataclass(frozen=True)
class Plan:
    """The next sortie.

    Attributes
    ----------
    sheets : PlanSheets
        What was asked.
    world, law : World, FlightLaw
        What is known before the flight.
    chosen : Candidate
        The sortie to fly.
    ladder : tuple of Candidate
        By rising flight time, each better than all shorter ones.
    wanted : float
        Standard uncertainty that the goal asks for, relative to the torque at cruise.
    factor : float
        Resolvable difference over standard uncertainty.
    met : bool
        Whether the chosen sortie meets the goal.
    by_sortie : Forecast
        What two sorties flown like the chosen one tell of a change between them.
    tried : int
        Designs looked at.
    words, remarks, cautions, stops : tuple of str
        The outcome, what it rests on, cautions, and when to stop.

    Examples
    --------
    >>> import flightproc as fp
    >>> from pathlib import Path
    >>> from flightproc.sheets import PlanBallast, PlanHolds, PlanSheet, PlanSheets
    >>> folder = Path("sample_logs/school-wing-28")
    >>> sheets = PlanSheets(
    ...     PlanSheet(
    ...         aircraft="aircraft.toml",
    ...         glider="glider.toml",
    ...         rig="rig.toml",
    ...         holds=PlanHolds(cruise_rpm=6000.0),
    ...         ballast=PlanBallast(masses_kg=(5.0,), arm_m=0.3),
    ...     ),
    ...     fp.load_aircraft(folder / "aircraft.toml"),
    ...     fp.load_glider(folder / "glider.toml"),
    ...     fp.load_rig(folder / "rig.toml"),
    ...     {name: folder / f"{name}.toml" for name in ("aircraft", "glider", "rig")},
    ... )
    >>> plan = fp.plan_sortie(sheets)
    >>> round(100.0 * plan.resolvable(plan.chosen.forecast.std), 1)
    11.1
    """

    sheets: PlanSheets
    world: World
    law: FlightLaw
    chosen: Candidate
    ladder: tuple[Candidate, ...]
    wanted: float
    factor: float
    met: bool
    by_sortie: Forecast
    tried: int
    words: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    stops: tuple[str, ...] = ()

    def _card(self) -> Card:
        design, found = self.chosen.design, self.chosen.forecast
        facts = [
            (
                "goal",
                f"{100 * self.resolvable(self.wanted):.1f} % of cruise torque, {'' if self.met else 'un'}met",
            ),
            (
                "reached",
                f"{100 * self.resolvable(found.std):.1f} % (standard uncertainty {100 * found.std:.1f} %)",
            ),
            ("flight", f"{self.chosen.flight.flight_seconds / 60:.0f} min, {self.chosen.flight.fuel:.1f} L"),
            *(("says", words) for words in self.words[:1]),
        ]
        rows = tuple((leg.kind, f"{leg.rpm:.0f}", f"{leg.seconds:.0f}") for leg in self.chosen.flight.holds)
        title = f"{len(rows)} holds ({design.glides} glides, {design.ballast_legs} ballast legs)"
        return Card(title, tuple(facts), ("hold", "rpm", "s"), rows)

    def resolvable(self, std: float) -> float:
        """Return the difference that a standard uncertainty resolves, relative."""
        return self.factor * std


def wanted_std(difference: float, significance: float, power: float) -> tuple[float, float]:
    """Return the standard uncertainty that tells a difference, and the factor between the two.

    Parameters
    ----------
    difference : float
        To be told from none.
    significance : float
        Two-sided, 0 to 1.
    power : float
        Chance of finding it, 0 to 1.

    Examples
    --------
    >>> std, factor = wanted_std(0.05, 0.05, 0.80)
    >>> round(std, 4), round(factor, 2)
    (0.0178, 2.8)
    """
    from scipy.special import ndtri

    factor = float(ndtri(1.0 - significance / 2.0) + ndtri(power))
    return difference / factor, factor


def plan_sortie(
    sheets: PlanSheets, seen: Sequence[Seen] = (), *, progress: Callable[[str, float], None] | None = None
) -> Plan:
    """Design the next sortie.

    Parameters
    ----------
    sheets : PlanSheets
        What is wanted, and what there is.
    seen : sequence of Seen, optional
        Noise and hang stiffness of earlier sorties with this aircraft and wing.
    progress : callable, optional
        Called with what is being done and the share done, 0 to 1.

    Raises
    ------
    EstimateError
        Where no design can be flown within the limits of the sheet.

    Examples
    --------
    >>> import flightproc as fp
    >>> from pathlib import Path
    >>> from flightproc.sheets import PlanBallast, PlanHolds, PlanSheet, PlanSheets
    >>> folder = Path("sample_logs/school-wing-28")
    >>> sheets = PlanSheets(
    ...     PlanSheet(
    ...         aircraft="aircraft.toml",
    ...         glider="glider.toml",
    ...         rig="rig.toml",
    ...         holds=PlanHolds(cruise_rpm=6000.0),
    ...         ballast=PlanBallast(masses_kg=(5.0,), arm_m=0.3),
    ...     ),
    ...     fp.load_aircraft(folder / "aircraft.toml"),
    ...     fp.load_glider(folder / "glider.toml"),
    ...     fp.load_rig(folder / "rig.toml"),
    ...     {name: folder / f"{name}.toml" for name in ("aircraft", "glider", "rig")},
    ... )
    >>> plan = fp.plan_sortie(sheets)
    >>> plan.met, len(plan.chosen.flight.holds)
    (False, 10)
    """
    from .plan_words import answer, basis, stop_conditions

    tell = progress or (lambda words, share: None)
    sheet = sheets.sheet
    world, remarks = make_world(sheets, seen)
    law = make_law(sheets, world.airspeed)
    goal = sheet.goal
    wanted, factor = wanted_std(
        goal.difference_percent / 100.0, goal.significance_percent / 100.0, goal.power_percent / 100.0
    )
    flown = flyable(sheets, law)
    candidates = []
    for number, (design, flight) in enumerate(flown):
        if number % 20 == 0:
            tell(f"forecasting {len(flown)} sorties", number / len(flown))
        candidates.append(
            Candidate(design, flight, forecast(flight, design.ballast_mass, world, against=goal.against))
        )
    candidates.sort(key=lambda c: (c.flight.flight_seconds, c.design.ballast_mass))
    enough = [c for c in candidates if c.forecast.std <= wanted]
    best = min(c.forecast.std for c in candidates)
    chosen = enough[0] if enough else next(c for c in candidates if c.forecast.std <= _NEAR * best)
    ladder: list[Candidate] = []
    for candidate in candidates:
        if not ladder or candidate.forecast.std < 0.99 * ladder[-1].forecast.std:
            ladder.append(candidate)
    by_sortie = forecast(chosen.flight, chosen.design.ballast_mass, world, against="sortie")
    plan = Plan(
        sheets=sheets,
        world=world,
        law=law,
        chosen=chosen,
        ladder=tuple(ladder),
        wanted=wanted,
        factor=factor,
        met=bool(enough),
        by_sortie=by_sortie,
        tried=len(candidates),
    )
    tell("done", 1.0)
    return replace(plan, words=answer(plan), remarks=(*basis(plan), *remarks), stops=stop_conditions(plan))


def flyable(sheets: PlanSheets, law: FlightLaw) -> list[tuple[Design, Schedule]]:
    """Return the designs that can be flown within height, time, fuel and length of the card.

    Raises
    ------
    EstimateError
        Where there is none, with what stands in the way.
    """
    holds, ballast, fuel = sheets.sheet.holds, sheets.sheet.ballast, sheets.sheet.flight
    loads: list[tuple[int, float]] = [(0, 0.0)]
    if ballast is not None:
        loads += list(product(range(2, ballast.most_legs + 1, 2), sorted(set(ballast.masses_kg))))
    out, lost = [], {"height": 0, "time": 0, "fuel": 0, "length": 0}
    others = tuple(rpm for rpm in sorted(set(holds.other_rpm)) if abs(rpm - holds.cruise_rpm) >= 1.0)
    for seconds, glides, (legs, mass), cruise in product(
        sorted(set(holds.seconds)), GLIDES, loads, CRUISE_HOLDS
    ):
        design = Design(seconds, glides, legs, cruise, mass, others)
        if design.legs > holds.most_legs:
            lost["length"] += 1
            continue
        flight = schedule(design, law)
        if flight is None:
            lost["height"] += 1
        elif flight.minutes > holds.most_minutes:
            lost["time"] += 1
        elif fuel.fuel_l is not None and needed_fuel(flight, law, fuel.reserve_min) > fuel.fuel_l:
            lost["fuel"] += 1
        else:
            out.append((design, flight))
    if not out:
        top = max(lost, key=lambda name: lost[name])
        raise EstimateError(
            "no sortie can be flown within the limits of the plan sheet",
            found=", ".join(f"{count} designs fail by {name}" for name, count in lost.items() if count),
            hint={
                "height": "a wider band (high_m, low_m), shorter holds (seconds), or a lower highest rpm",
                "time": "a longer most_minutes, or fewer other_rpm",
                "fuel": "more fuel_l, or shorter holds",
                "length": "a larger most_legs, or fewer other_rpm",
            }[top],
        )
    return out


def needed_fuel(flight: Schedule, law: FlightLaw, reserve_min: float) -> float:
    """Return the fuel to take: what is burned, a fifth more, and the reserve [L]."""
    return _RESERVE_SHARE * flight.fuel + law.fuel(law.cruise_rpm, 60.0 * reserve_min)
