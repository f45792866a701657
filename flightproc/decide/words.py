"""The balance in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..display import Card
from ..quantity import Quantity
from ..sheets.balance import Phase
from .cases import Change
from .flown import Flown
from .slipstream import stream_radius

if TYPE_CHECKING:
    from .balance_model import Balance, Option

__all__ = ["answer", "describe", "percent", "remarks"]

_WEAK = 0.9  # root mean square after over before, above which a change hardly helps
_TWIST = math.radians(3.0)  # of the unit under its risers, above which it is told
_POOR = 0.10  # share of the draws below which the turn in flight narrowed them a great deal


def percent(chance: float) -> str:
    """Return a chance as a percentage that never claims certainty.

    Examples
    --------
    >>> percent(0.9997), percent(0.5), percent(0.0001)
    ('over 99 %', '50 %', 'under 1 %')
    """
    if chance > 0.99:
        return "over 99 %"
    return "under 1 %" if chance < 0.01 else f"{100.0 * chance:.0f} %"


def _side(value: float) -> str:
    return "right" if value > 0.0 else "left"


def describe(key: str, change: Change, flown: Flown, offset: float = 0.0) -> str:
    """Return a change in words.

    Examples
    --------
    >>> describe("mix", Change(hang_offset=0.0213, thrust_tilt=-0.02), None)
    'hang points 21.3 mm to the right, thrust pointing 1.1 deg to the left'
    """
    if key == "now":
        return "as flown"
    parts = []
    if change.hang_offset:
        text = f"hang points {1e3 * abs(change.hang_offset):.1f} mm to the {_side(change.hang_offset)}"
        if key == "bare":
            return f"{text}, back in the centre plane"
        if offset:
            total = change.hang_offset + offset
            text += f" of where they are ({1e3 * abs(total):.1f} mm {_side(total)} of the centre plane)"
        parts.append(text)
    if change.thrust_tilt:
        angle = math.degrees(abs(change.thrust_tilt))
        parts.append(f"thrust pointing {angle:.1f} deg to the {_side(change.thrust_tilt)}")
    if change.thrust_offset:
        parts.append(
            f"thrust line {1e3 * abs(change.thrust_offset):.1f} mm to the {_side(change.thrust_offset)}"
        )
    if change.surface_area:
        parts.append(
            f"surfaces of {1e4 * change.surface_area:.0f} cm2 in all, "
            f"{math.degrees(abs(change.surface_angle)):.1f} deg to the stream, rolling the unit "
            f"{_side(-change.surface_angle)}"
        )
    return ", ".join(parts) if parts else "nothing changed"


def _turn(quantity: Quantity) -> str:
    return quantity.degrees("deg/s").text(interval=True).replace("-", "−")


def _rate(value: float) -> str:
    """Return a turn rate [rad/s] in words."""
    degrees = math.degrees(value)
    if abs(degrees) < 0.05:
        return "no turn"
    return f"{abs(degrees):.1f} deg/s to the {_side(degrees)}"


def _by_phase(option: Option, case: int, phases: Sequence[Phase]) -> str:
    found = option.phases[case]
    parts = [
        f"{phase.name} {_rate(result.turn.value or 0.0)}" for phase, result in zip(phases, found, strict=True)
    ]
    return "; ".join(parts)


def answer(balance: Balance) -> tuple[str, ...]:
    """Return the answer, most important sentence first."""
    now, best = balance.option("now"), balance.option(balance.best)
    limit = balance.sheet.turn_limit_deg_s
    lead = 0 if len(balance.cases) == 1 else int(np.argmax([case.weight for case in balance.cases]))
    name = "" if len(balance.cases) == 1 else f" with {balance.cases[lead].name}"
    aim = "turn" if balance.sheet.aim == "turn" else "roll moment"
    before, after = _size(balance, now), _size(balance, best)
    out = []
    if best.root_mean_square > _WEAK * now.root_mean_square or best.title == "nothing changed":
        out.append(
            f"No change within the limits makes the {aim} much smaller than it is (root mean square "
            f"{before}; the best, {best.title}, leaves {after}): what is uncertain allows no more."
        )
    else:
        out.append(
            f"Of what may be changed, this leaves least: {best.title}. The root mean square of the {aim} "
            f"over phases and gliders falls from {before} to {after}, uncertainty included."
        )
    out.append(f"Hands off{name}, before any change: {_by_phase(now, lead, balance.phases)}.")
    out.append(
        f"After the change: {_by_phase(best, lead, balance.phases)}. Chance that the frame, once built, "
        f"turns by less than {limit:g} deg/s in every phase: {percent(best.chances[lead])} (as flown "
        f"{percent(now.chances[lead])}); over the whole throttle range {percent(best.chances_range[lead])}."
    )
    if len(balance.cases) > 1:
        worst = int(np.argmin(best.chances))
        out.append(
            f"The worst served is {balance.cases[worst].name}: {_by_phase(best, worst, balance.phases)}; "
            f"chance {percent(best.chances[worst])}."
        )
    out.append(_flip_words(best, lead))
    out += _statics_words(balance)
    return tuple(out)


def _size(balance: Balance, option: Option) -> str:
    if balance.sheet.aim == "turn":
        return f"{math.degrees(option.root_mean_square):.2f} deg/s"
    return f"{option.root_mean_square:.1f} N m"


def _flip_words(option: Option, case: int) -> str:
    curve = option.curves[case]
    turn = " and ".join(f"{rpm:.0f} rpm" for rpm in curve.turn_flips)
    moment = " and ".join(f"{rpm:.0f} rpm" for rpm in curve.moment_flips)
    first = (
        f"the turn changes sides at {turn}"
        if turn
        else "the turn changes sides nowhere in the throttle range"
    )
    then = f"the roll moment at {moment}" if moment else "the roll moment nowhere"
    return f"After the change {first}, {then}."


def _statics_words(balance: Balance) -> list[str]:
    known = [
        (phase, offset)
        for phase, offset in zip(balance.phases, balance.statics, strict=True)
        if offset.value is not None
    ]
    if not known:
        return []
    phase, offset = max(known, key=lambda item: item[0].weight)
    size = Quantity.of(abs(offset.value or 0.0), offset.std, "m").scaled(1e3, "mm")
    moment = balance.draws.law.at(phase.rpm or 0.0)
    side = _side(float(moment))
    return [
        f"Statics alone: the roll moment of power at {phase.name} ({abs(float(moment)):.1f} N m to the "
        f"{side}) is that of hang points {size.text()} to the {side} of where they are, at "
        f"{balance.flown.hung_mass:g} kg hung; "
        "such an offset is the same at every throttle setting, so it turns the glider the other way at idle."
    ]


def remarks(balance: Balance) -> tuple[str, ...]:
    """Return what was assumed and what limits the answer."""
    flown, sheet, draws = balance.flown, balance.sheet, balance.draws
    out = [f"thrust is from: {balance.thrust_source} (± {100 * draws.thrust_law.relative_std:.0f} %)"]
    if balance.assumed:
        out.append(
            "no balance sheet was given: limits, tolerances and the places of propeller and surfaces are "
            "usual ones, not those of this frame (flightproc new FOLDER --balance writes a sheet to fill in)"
        )
    spread = flown.turn_coefficient_spread
    if spread > 0.25:
        out.append(
            f"turn per newton metre is known only within a factor of {math.exp(2.0 * spread):.1f} either way "
            "before the turn under power speaks, and the optimum leans to the smaller change for it; more "
            "ballast glides would sharpen it"
        )
    yaw = Quantity.from_samples(draws.yaw, "N m", value=float(np.median(draws.yaw)))
    out.append(
        f"yaw moment of power at {draws.law.reference:.0f} rpm: {yaw.text()} (before the turn in flight "
        f"spoke: 0 ± {draws.yaw_prior:.1f} N m, a thrust line {1e3 * sheet.unseen_thrust_offset_m:.0f} mm "
        "off centre)"
    )
    if draws.kept < _POOR:
        out.append(
            f"the turn seen under power fits only {100 * draws.kept:.0f} % of what was expected before it: "
            "widen unseen_thrust_offset_m, or look for a cause that is not in the frame"
        )
    out += draws.words
    if draws.law.dof > 0:
        out.append(
            f"roll moment against engine speed: u^2 (a + b (u - 1)), chi2 {draws.law.chi2:.1f} at "
            f"{draws.law.dof} degrees of freedom; outside {flown.rpm[0]:.0f} to {flown.rpm[-1]:.0f} rpm it "
            "is carried on by that law"
        )
    else:
        out.append(
            "too few engine speeds were flown to test the law of the moment: between and beyond them it is "
            "taken to grow about as the square of engine speed"
        )
    strangers = [case.name for case in balance.cases if not case.flown and case.relative]
    if strangers:
        out.append(
            f"no turn coefficient is known of {', '.join(strangers)}: taken as that of {flown.glider}, ± 40 %"
        )
    if any(not case.flown for case in balance.cases):
        out.append("a glider that was not flown turns by itself as the balance sheet says, not as measured")
    if flown.compensation in ("thrust_tilt", "slipstream_surface"):
        out.append(
            f"the frame has a {flown.compensation.replace('_', ' ')} already; it stays, and every change "
            "comes on top of it"
        )
    elif flown.compensation == "hang_offset" and "bare" not in [o.key for o in balance.options]:
        out.append("the hang points are offset already by an unknown amount; the change comes on top of it")
    out += _twist_words(balance)
    out += _surface_words(balance)
    return tuple(out)


def _twist_words(balance: Balance) -> list[str]:
    twisting = [
        option
        for option in balance.options
        if option.change.thrust_tilt or option.change.thrust_offset or option.key == balance.best
    ]
    most = 0.0
    for option in twisting:
        for result in option.phases[0]:
            most = max(most, abs(result.twist.low95 or 0.0), abs(result.twist.high95 or 0.0))
    if most < _TWIST:
        return []
    stiffness = balance.sheet.riser_yaw_stiffness_N_m_rad
    return [
        f"a thrust line tilted or moved as here may twist the unit under its risers by up to "
        f"{math.degrees(most):.0f} deg (95 %, riser yaw stiffness {stiffness:g} N m/rad, known within a "
        f"factor of {math.exp(2.0 * balance.sheet.riser_yaw_stiffness_spread):.1f}): measure that stiffness "
        "first"
    ]


def _surface_words(balance: Balance) -> list[str]:
    sheet, flown = balance.sheet, balance.flown
    used = [option for option in balance.options if option.change.surface_area]
    if sheet.surface is None or not used:
        return []
    surface, area = sheet.surface, max(option.change.surface_area for option in used)
    span = math.sqrt(surface.aspect_ratio * area / 2.0)  # of one of two
    reach = surface.arm_m + 0.5 * span
    fastest = max(balance.thrust, key=lambda q: q.value or 0.0).value or 0.0
    radius = float(
        stream_radius(
            fastest,
            diameter=flown.diameter,
            density=balance.draws.density,
            airspeed=balance.cases[0].airspeed,
            distance=surface.behind_propeller_m,
        )
    )
    out = [
        "the angle of a surface is that to the stream, which swirls: set to the shaft it is smaller by the "
        "swirl angle, since the swirl works for the surface on both sides"
    ]
    if surface.yaw_arm_m:
        out[0] = "the angle of a surface is that to the stream where it stands, swirl included"
    if reach > radius:
        out.append(
            f"a surface of {1e4 * area / 2:.0f} cm2 reaches {reach:.2f} m from the shaft, beyond the stream "
            f"({radius:.2f} m): it gives less than worked out; make it less slender or bring it in"
        )
    return out


def balance_card(balance: Balance) -> Card:
    """Return what a balance shows of itself: the goal of each option, and its largest turn."""
    rows = []
    for option in balance.options:
        turns = [(abs(phase.turn.value or 0.0), phase.turn) for phase in option.phases[0]]
        largest = max(turns, key=lambda item: item[0])[1].degrees("deg/s").text(interval=True)
        rows.append(
            (option.title, f"{option.goal:.2f}", largest, "best" if option.key == balance.best else "")
        )
    facts = tuple(("answer", words) for words in balance.words[:1])
    heads = ("option", "goal", "largest turn hands off", "")
    title = (
        f"{balance.flown.aircraft}, {len(balance.cases)} gliders and loadings, {len(balance.phases)} phases"
    )
    return Card(title, facts, heads, tuple(rows))
