r"""The order of a sortie: legs with height, time, fuel, heading and distance, from how many of which holds.

Climb goes with the excess of thrust: with thrust as ``n^2``, level flight at ``n_0``, sink ``w`` in a glide,

.. math:: \dot h = w \left( (n / n_0)^2 - 1 \right), \qquad T / (m g) = (w / V) (n / n_0)^2

and fuel flow with ``n^3``. Both are to order a sortie by; neither takes part in any estimate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..display import displayed

__all__ = ["Design", "FlightLaw", "Leg", "Schedule", "schedule"]

TURN_SECONDS = 12.0
"""Turning onto a heading before a hold [s]."""
BALLAST_SECONDS = 15.0
"""Moving the ballast before a ballast leg [s]."""
CIRCLE_SECONDS = 62.0
"""A full circle left and one right, at 12 deg/s [s]."""
STILL_SECONDS = 60.0
"""Standing still with the loggers on, before the engine is started [s]."""
_IDLE_FUEL = 0.12  # of the flow at cruise
_CLIMB_MARGIN = 40.0  # a climb goes this much beyond what the next leg asks for [m]


@displayed
@dataclass(frozen=True)
class Design:
    """How many of which holds.

    Attributes
    ----------
    seconds : float
        Length of each hold, settling left out [s].
    glides, ballast_legs, cruise_holds : int
        How many.
    ballast_mass : float
        Ballast of the ballast legs [kg]; 0 without any.
    other_rpm : tuple of float
        Further settings, held once each [1/min].
    """

    seconds: float
    glides: int
    ballast_legs: int
    cruise_holds: int
    ballast_mass: float
    other_rpm: tuple[float, ...] = ()

    @property
    def legs(self) -> int:
        """Number of holds."""
        return self.glides + self.ballast_legs + self.cruise_holds + len(self.other_rpm)


@displayed
@dataclass(frozen=True)
class FlightLaw:
    """How the aircraft climbs, burns and drifts.

    Attributes
    ----------
    airspeed, wind, sink : float
        [m/s].
    level_rpm, climb_rpm, cruise_rpm : float
        Engine speeds of level flight, of climbs, and at cruise [1/min].
    cruise_fuel : float
        Flow at cruise [L/h].
    low, high : float
        Height band above ground [m].
    settle : float
        Hands-off settling before each hold [s].
    """

    airspeed: float
    wind: float
    sink: float
    level_rpm: float
    climb_rpm: float
    cruise_rpm: float
    cruise_fuel: float
    low: float
    high: float
    settle: float

    def climb(self, rpm: float) -> float:
        """Return the climb at an engine speed [m/s]; 0 1/min is the engine idling."""
        return self.sink * ((rpm / self.level_rpm) ** 2 - 1.0)

    def thrust_over_weight(self, rpm: float) -> float:
        """Return thrust over weight at an engine speed."""
        return self.sink / self.airspeed * (rpm / self.level_rpm) ** 2

    def fuel(self, rpm: float, seconds: float) -> float:
        """Return the fuel burned [L]."""
        return self.cruise_fuel * max((rpm / self.cruise_rpm) ** 3, _IDLE_FUEL) * seconds / 3600.0


@displayed
@dataclass(frozen=True)
class Leg:
    """One line of the card.

    Attributes
    ----------
    kind : str
        ``ground``, ``climb``, ``circles``, ``descent``, ``power``, ``glide``, ``ballast`` or ``landing``.
    rpm : float
        Engine speed [1/min]; 0 is idle.
    seconds : float
        Length of the hold, or of the leg where it is none [s].
    before : float
        Turn, moving of ballast and settling before it [s].
    start : float
        When the leg begins, what comes before it included [s from standing still].
    height, height_end : float
        Above ground, at its begin and end [m].
    heading : str
        ``into wind``, ``downwind`` or empty.
    side : str
        Side of the ballast: ``left``, ``right`` or empty.
    """

    kind: str
    rpm: float
    seconds: float
    before: float = 0.0
    start: float = 0.0
    height: float = 0.0
    height_end: float = 0.0
    heading: str = ""
    side: str = ""

    @property
    def is_hold(self) -> bool:
        """Whether it is a hold that is evaluated."""
        return self.kind in ("power", "glide", "ballast")

    @property
    def hold_start(self) -> float:
        """When the hold itself begins [s]."""
        return self.start + self.before

    @property
    def end(self) -> float:
        """When the leg ends [s]."""
        return self.start + self.before + self.seconds


@displayed
@dataclass(frozen=True)
class Schedule:
    """A sortie in order.

    Attributes
    ----------
    legs : tuple of Leg
        In order of time.
    flight_seconds : float
        From take-off to landing [s].
    fuel : float
        Burned [L].
    lowest, highest : float
        Heights of the holds [m].
    upwind, downwind : float
        How far it leads upwind and downwind of the field [m].
    """

    legs: tuple[Leg, ...]
    flight_seconds: float
    fuel: float
    lowest: float
    highest: float
    upwind: float
    downwind: float

    @property
    def holds(self) -> tuple[Leg, ...]:
        """Legs that are holds."""
        return tuple(leg for leg in self.legs if leg.is_hold)

    @property
    def minutes(self) -> float:
        """Flight time [min]."""
        return self.flight_seconds / 60.0


def quiet_order(glides: int, ballast_legs: int) -> list[str]:
    """Return the order of legs without power: ``""`` a glide, else the side of the ballast.

    Examples
    --------
    >>> quiet_order(3, 4)
    ['', 'right', 'left', '', 'left', 'right', '']
    """
    sides = ("right", "left", "left", "right")
    items = [(i / max(glides - 1, 1), "") for i in range(glides)]
    items += [((j + 0.5) / ballast_legs, sides[j % 4]) for j in range(ballast_legs)]
    return [side for _, side in sorted(items, key=lambda item: item[0])]


def power_order(cruise_rpm: float, cruise_holds: int, other_rpm: Sequence[float]) -> list[float]:
    """Return engine speeds of the power holds: the lowest first, rising, the cruise ones spread among them.

    Examples
    --------
    >>> power_order(6000.0, 3, (5200.0, 6800.0))
    [5200.0, 6000.0, 6000.0, 6800.0, 6000.0]
    """
    items = [((i + 0.5) / cruise_holds, cruise_rpm) for i in range(cruise_holds)]
    rising = sorted(other_rpm)
    items += [((j + 1.0) / (len(rising) + 1), rpm) for j, rpm in enumerate(rising)]
    ordered = [rpm for _, rpm in sorted(items)]
    lowest = min(ordered)
    ordered.remove(lowest)
    return [lowest, *ordered]


def schedule(design: Design, law: FlightLaw) -> Schedule | None:
    """Put a design in order so that the height stays in its band; None where one of its legs cannot.

    Legs with and without power take turns; where the next would leave the band the next of the other sort
    comes first, and a climb or a descent where there is none. Headings take turns to stay near.
    """
    quiet = quiet_order(design.glides, design.ballast_legs)
    powers = power_order(law.cruise_rpm, design.cruise_holds, design.other_rpm)
    wanted: list[tuple[float, Leg]] = []
    settle = TURN_SECONDS + law.settle
    for i, side in enumerate(quiet):
        before = settle + (BALLAST_SECONDS if side else 0.0)
        leg = Leg("ballast" if side else "glide", 0.0, design.seconds, before, side=side)
        wanted.append((i / max(len(quiet) - 1, 1), leg))
    for i, rpm in enumerate(powers):
        wanted.append(((i + 0.5) / len(powers), Leg("power", rpm, design.seconds, settle)))
    waiting = [leg for _, leg in sorted(wanted, key=lambda item: item[0])]
    band = law.high - law.low
    if any(abs(law.climb(leg.rpm)) * (leg.before + leg.seconds) > band for leg in waiting):
        return None
    return _Flyer(law).fly(waiting)


class _Flyer:
    """Flies legs one after the other."""

    def __init__(self, law: FlightLaw) -> None:
        self.law = law
        self.legs: list[Leg] = []
        self.time = self.height = self.fuel = self.place = 0.0
        self.upwind = self.downwind = 0.0

    def add(self, leg: Leg) -> None:
        """Append a leg, with its time, heights, fuel and place."""
        law = self.law
        seconds = leg.before + leg.seconds
        rate = 0.0 if leg.kind == "ground" else law.climb(leg.rpm)
        end = max(self.height + rate * seconds, 0.0)
        heading = ""
        if leg.is_hold:
            ahead, back = law.airspeed - law.wind, law.airspeed + law.wind
            up, down = self.place + ahead * seconds, self.place - back * seconds
            heading = "into wind" if abs(up) <= abs(down) else "downwind"
            self.place = up if heading == "into wind" else down
        elif leg.kind != "ground":
            self.place -= law.wind * seconds
        self.upwind, self.downwind = max(self.upwind, self.place), min(self.downwind, self.place)
        self.fuel += 0.0 if leg.kind == "ground" else law.fuel(leg.rpm, seconds)
        self.legs.append(replace(leg, start=self.time, height=self.height, height_end=end, heading=heading))
        self.time += seconds
        self.height = end

    def to_height(self, kind: str, height: float) -> None:
        """Climb or come down."""
        rpm = self.law.climb_rpm if kind == "climb" else 0.0
        self.add(Leg(kind, rpm, max((height - self.height) / self.law.climb(rpm), 1.0)))

    def end_of(self, leg: Leg) -> float:
        """Return the height a leg would end at [m]."""
        return self.height + self.law.climb(leg.rpm) * (leg.before + leg.seconds)

    def fits(self, leg: Leg) -> bool:
        """Return whether a leg stays in the band."""
        return self.law.low - 1e-6 <= self.end_of(leg) <= self.law.high + 1e-6

    def fly(self, waiting: list[Leg]) -> Schedule:
        """Fly all of them."""
        law = self.law
        self.add(Leg("ground", 0.0, STILL_SECONDS))
        loss = -law.climb(0.0) * (waiting[0].before + waiting[0].seconds)
        circles = law.climb(law.cruise_rpm) * CIRCLE_SECONDS
        self.to_height("climb", min(law.low + loss + _CLIMB_MARGIN, law.high - max(circles, 0.0)))
        self.add(Leg("circles", law.cruise_rpm, CIRCLE_SECONDS))
        total, circled = len(waiting), False
        while waiting:
            if not circled and len(waiting) <= 0.4 * total and self.height + circles <= law.high:
                self.add(Leg("circles", law.cruise_rpm, CIRCLE_SECONDS))
                circled = True
            # the last leg is a glide that pins the zeros: it waits for the others
            free = waiting[:-1] or waiting
            leg = waiting[0]
            if not self.fits(leg):
                others = [item for item in free if self.fits(item)]
                if others:
                    leg = others[0]
                elif self.end_of(leg) < law.low:
                    need = law.low + self.height - self.end_of(leg)
                    self.to_height("climb", min(need + _CLIMB_MARGIN, law.high))
                else:
                    need = law.high + self.height - self.end_of(leg)
                    self.to_height("descent", max(need - _CLIMB_MARGIN, law.low))
            waiting.remove(leg)
            self.add(leg)
        self.to_height("landing", 0.0)
        holds = [leg for leg in self.legs if leg.is_hold]
        heights = [height for leg in holds for height in (leg.height, leg.height_end)]
        return Schedule(
            legs=tuple(self.legs),
            flight_seconds=self.time - STILL_SECONDS,
            fuel=self.fuel,
            lowest=min(heights),
            highest=max(heights),
            upwind=self.upwind,
            downwind=-self.downwind,
        )
