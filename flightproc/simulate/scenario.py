"""The test card: what the pilot does, segment by segment.

A segment ends after a time, at a heading, after an angle turned, or at a height. Steady holds are flown hands
off; between them the pilot steers with the brakes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, radians

import numpy as np

__all__ = [
    "HOLD_SECONDS",
    "SETTLING_SECONDS",
    "Segment",
    "school_card",
    "weaving_climb",
    "with_pilot_inputs",
]

HOLD_SECONDS = 60.0
"""Length of every planned hold [s]."""
SETTLING_SECONDS = 15.0
"""Hands-off time with the throttle set, before a planned hold [s]."""


@dataclass(frozen=True)
class Segment:
    """One piece of the flight.

    Attributes
    ----------
    label : str
        What it is, such as ``hold power 6800 a`` or ``circle left``.
    rpm : float
        Engine speed the throttle is set for [1/min]; 0 stops the engine, anything below the clutch's
        engagement leaves the propeller still.
    until : str
        ``time``, ``heading``, ``turned``, ``above`` or ``below``.
    value : float
        Seconds, heading [rad], angle turned [rad] or height above the field [m].
    steer : str
        ``hands_off``, ``heading`` (to `value`, or straight on), ``rate`` or ``weave``.
    rate : float
        Turn rate asked for [rad/s], signed for ``rate``; the amplitude of a weave.
    period : float
        Period of a weave [s].
    rpm_end : float or None
        Engine speed at the end of a ramp; constant where None.
    rpm_swing : float
        Amplitude of a slow working of the throttle [1/min].
    kind : str
        ``power``, ``glide`` or ``ballast`` for a planned hold, ``ground`` for standing still, else empty.
    ballast : int
        -1 ballast hung out left, +1 right, 0 in the centre.
    on_ground : bool
        Whether the unit stands on the ground.
    limit : float
        Longest duration [s], for ends that might not come.
    floor : float
        Height above the field [m] below which a weaving climb comes first.
    brake : float
        Turn rate the brake held in this segment would give in the long run [rad/s], positive right; 0 is
        hands off.
    brake_start, brake_end : float
        From when to when it is held, from the start of the segment [s].
    """

    label: str
    rpm: float
    until: str
    value: float
    steer: str = "hands_off"
    rate: float = 0.0
    period: float = 16.0
    rpm_end: float | None = None
    rpm_swing: float = 0.0
    kind: str = ""
    ballast: int = 0
    on_ground: bool = False
    limit: float = 300.0
    floor: float = 0.0
    brake: float = 0.0
    brake_start: float = 0.0
    brake_end: float = inf


def _to_heading(
    label: str, rpm: float, heading_deg: float, rate_deg_s: float, ballast: int = 0, floor: float = 0.0
) -> Segment:
    return Segment(
        label,
        rpm,
        "heading",
        radians(heading_deg),
        "heading",
        radians(rate_deg_s),
        ballast=ballast,
        limit=60.0,
        floor=floor,
    )


def _hold(
    kind: str, label: str, rpm: float, heading_deg: float, turn_rpm: float, ballast: int = 0
) -> list[Segment]:
    """Turn to a heading, set the throttle, settle hands off, hold."""
    floor = 90.0 if kind == "power" else 150.0
    return [
        _to_heading(f"turn to {heading_deg:.0f}", turn_rpm, heading_deg, 18.0, ballast, floor),
        Segment(f"settle {label}", rpm, "time", SETTLING_SECONDS, ballast=ballast),
        Segment(f"hold {label}", rpm, "time", HOLD_SECONDS, kind=kind, ballast=ballast),
    ]


def weaving_climb(height: float, rpm: float, label: str = "climb, weaving") -> Segment:
    """Return a climb that is no hold: the pilot weaves and works the throttle.

    Parameters
    ----------
    height : float
        Where it ends, above the field [m].
    rpm : float
        Mean engine speed [1/min].
    label : str
        Name of the segment.
    """
    return Segment(
        label, rpm, "above", height, "weave", radians(9.0), period=14.0, rpm_swing=0.06 * rpm, limit=400.0
    )


def _circle(label: str, rpm: float, rate_deg_s: float) -> Segment:
    return Segment(label, rpm, "turned", radians(365.0), "rate", radians(rate_deg_s), limit=90.0)


def school_card(
    idle_rpm: float = 2200.0,
    settings: tuple[float, float, float, float] = (5200.0, 6000.0, 6800.0, 7600.0),
    circle_rate_deg_s: float = 12.0,
) -> tuple[Segment, ...]:
    """Return the card of the school's test flight.

    Parameters
    ----------
    idle_rpm : float
        Engine speed of the glides [1/min]; the clutch does not turn the propeller there.
    settings : tuple of float
        The four throttle settings held [1/min], rising.
    circle_rate_deg_s : float
        Turn rate of the wind circles [deg/s].

    Returns
    -------
    tuple of Segment
        Eight power holds, five straight glides, four ballast glides (two right, two left), two pairs of wind
        circles, a throttle ramp and an S-turn that are no holds, and stillness on the ground at both ends.
    """
    low, cruise, brisk, full = settings
    idle = idle_rpm
    card: list[Segment] = [
        Segment("ground still, engine stopped", 0.0, "time", 60.0, kind="ground", on_ground=True),
        Segment("ground idle", idle, "time", 12.0, on_ground=True),
        Segment("run-up", 0.5 * (cruise + low), "time", 6.0, on_ground=True),
        Segment("ground idle", idle, "time", 6.0, on_ground=True),
        Segment("take-off", full, "above", 15.0, "heading", radians(8.0), limit=60.0),
        weaving_climb(150.0, full),
        _circle("circle left", cruise, -circle_rate_deg_s),
        _circle("circle right", cruise, circle_rate_deg_s),
        *_hold("glide", "glide 1", idle, 200.0, cruise),
        *_hold("power", "power 6000 a", cruise, 300.0, idle),
        *_hold("power", "power 7600 a", full, 40.0, cruise),
        *_hold("glide", "glide 2", idle, 150.0, full),
        *_hold("power", "power 6800 a", brisk, 240.0, idle),
        *_hold("ballast", "ballast right 1", idle, 340.0, brisk, 1),
        *_hold("ballast", "ballast left 1", idle, 120.0, idle, -1),
        *_hold("power", "power 7600 b", full, 220.0, idle),
        Segment(
            "S-turn at constant power", cruise, "time", 40.0, "weave", radians(2.6), period=22.0, limit=80.0
        ),
        *_hold("glide", "glide 3", idle, 310.0, cruise),
        *_hold("power", "power 5200 a", low, 60.0, idle),
        *_hold("power", "power 6800 b", brisk, 160.0, low),
        _circle("circle right", cruise, circle_rate_deg_s),
        _circle("circle left", cruise, -circle_rate_deg_s),
        weaving_climb(240.0, full),
        *_hold("ballast", "ballast left 2", idle, 20.0, full, -1),
        *_hold("ballast", "ballast right 2", idle, 200.0, idle, 1),
        Segment("throttle ramp", 4600.0, "time", 35.0, "hands_off", rpm_end=full, limit=80.0),
        *_hold("glide", "glide 4", idle, 290.0, full),
        *_hold("power", "power 6000 b", cruise, 30.0, idle),
        *_hold("power", "power 5200 b", low, 130.0, cruise),
        *_hold("glide", "glide 5", idle, 250.0, low),
        Segment("descending turns", idle, "below", 30.0, "rate", radians(18.0), limit=800.0),
        Segment("final", idle, "below", 0.0, "heading", radians(8.0), limit=90.0),
        Segment("run-out, engine off", 0.0, "time", 8.0, on_ground=True),
        Segment("ground still, engine stopped", 0.0, "time", 15.0, kind="ground", on_ground=True),
    ]
    return tuple(_renamed(segment, settings) for segment in card)


def with_pilot_inputs(
    card: tuple[Segment, ...], share: float, generator: np.random.Generator
) -> tuple[Segment, ...]:
    """Return the card with a brake held or pulled in some of its planned holds.

    Parameters
    ----------
    card : tuple of Segment
        What was to be flown hands off.
    share : float
        Chance of each planned hold, 0 to 1.
    generator : numpy.random.Generator
        Source of the draws; five for each planned hold, whatever they come to.

    Returns
    -------
    tuple of Segment
        Of the holds drawn, four in ten have a brake held from the settling on to their end, two in ten from
        somewhere in their middle half to their end, four in ten a pulse of 3 to 8 s somewhere in them. Each
        would give a turn of 0.5 to 3 deg/s if held, to either side.
    """
    changed = list(card)
    for i, segment in enumerate(card):
        if segment.kind not in ("power", "glide", "ballast"):
            continue
        u = generator.random(5).tolist()
        if u[0] >= share:
            continue
        turn = radians(0.5 + 2.5 * u[1]) * (1.0 if u[2] < 0.5 else -1.0)
        length = segment.value if segment.until == "time" else HOLD_SECONDS
        if u[3] < 0.4:
            changed[i] = replace(segment, brake=turn)
            if i and card[i - 1].label.startswith("settle"):
                changed[i - 1] = replace(card[i - 1], brake=turn)
        elif u[3] < 0.6:
            changed[i] = replace(segment, brake=turn, brake_start=length * (0.25 + 0.5 * u[4]))
        else:
            seconds = 3.0 + 25.0 * (u[3] - 0.6) / 2.0
            start = (length - seconds) * u[4]
            changed[i] = replace(segment, brake=turn, brake_start=start, brake_end=start + seconds)
    return tuple(changed)


def _renamed(segment: Segment, settings: tuple[float, ...]) -> Segment:
    """Put the settings in use into the labels."""
    label = segment.label
    for nominal, used in zip(("5200", "6000", "6800", "7600"), settings, strict=True):
        if f"power {nominal}" in label:
            label = label.replace(nominal, f"{used:.0f}")
            break
    return replace(segment, label=label)
