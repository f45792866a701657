"""A comparison of gliders in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..quantity import Quantity
from .glider_model import SETTINGS, Glider, GliderComparison

__all__ = ["answer_in_words", "remarks_in_words", "turn_text", "verdict"]

_SIZE_GAP = 1.08  # a wing is called larger than another from this ratio of areas
_OVERLOAD = 1.2


def _bounds(quantity: Quantity) -> str:
    if quantity.low95 is None or quantity.high95 is None:
        return "no interval"
    places = quantity.decimals()
    return f"95 %: {quantity.low95:.{places}f} to {quantity.high95:.{places}f}"


def turn_text(turn: Quantity) -> str:
    """Return a turn rate [rad/s] in words, with its side.

    Examples
    --------
    >>> turn_text(Quantity.of(-0.02, 0.002, "rad/s"))
    '1.15 deg/s to the left (95 %: 0.92 to 1.37)'
    """
    if turn.value is None:
        return f"unknown ({turn.reason})" if turn.reason else "unknown"
    side = "left" if turn.value < 0 else "right"
    shown = turn.degrees("deg/s") if turn.value >= 0 else turn.degrees("deg/s").scaled(-1.0, "deg/s")
    assert shown.value is not None
    return f"{shown.value:.{shown.decimals()}f} deg/s to the {side} ({_bounds(shown)})"


def verdict(turn: Quantity, limit: float) -> str:
    """Return ``matters``, ``does not matter`` or ``open`` for a turn rate against a limit [rad/s].

    Examples
    --------
    >>> verdict(Quantity.of(0.03, 0.001, "rad/s"), 0.0175)
    'matters'
    >>> verdict(Quantity.of(0.003, 0.004, "rad/s"), 0.0175)
    'does not matter'
    >>> verdict(Quantity.of(0.01, 0.01, "rad/s"), 0.0175)
    'open'
    """
    if turn.low95 is None or turn.high95 is None:
        return "open"
    least = 0.0 if turn.low95 <= 0.0 <= turn.high95 else min(abs(turn.low95), abs(turn.high95))
    most = max(abs(turn.low95), abs(turn.high95))
    if most < limit:
        return "does not matter"
    return "matters" if least >= limit else "open"


def _said(turns: Sequence[Quantity], limit: float) -> str:
    """Return the verdict on several turns of one glider."""
    found = {verdict(turn, limit) for turn in turns}
    if "matters" in found:
        return "it matters"
    return "whether it matters stays open" if "open" in found else "it does not matter"


def _per_ten(turn: Quantity) -> str:
    shown = turn.scaled(10.0 * 180.0 / math.pi, "deg/s")
    if shown.value is None:
        return "unknown"
    return f"{shown.value:.{shown.decimals()}f} deg/s ({_bounds(shown)})"


def _response(comparison: GliderComparison, glider: Glider) -> str:
    """Return what one glider does, in words that follow its name."""
    yard = comparison.yardstick
    if glider.turn_per_moment.value is None:
        parts = [f"turn per N m not measured ({glider.turn_per_moment.reason})"]
    else:
        parts = [f"{_per_ten(glider.turn_per_moment)} for each 10 N m"]
    seen = [(name, glider.residual_turn[name]) for name in ("cruise", "full")]
    seen = [(name, turn) for name, turn in seen if turn.value is not None]
    if seen:
        told = [
            f"{turn_text(turn)} at {'cruise' if name == 'cruise' else 'full throttle'}" for name, turn in seen
        ]
        parts.append(f"measured {_listed(told)}: {_said([turn for _, turn in seen], yard.matters)}")
    elif glider.turn_at_moment.value is not None:
        turn = glider.turn_at_moment
        parts.append(
            f"under {yard.moment:.0f} N m that would be {turn_text(turn).replace(' to the right', '')}: "
            f"{_said([turn], yard.matters)}"
        )
    return "; ".join(parts)


def _name(glider: Glider) -> str:
    return (
        f"{glider.name} (aspect ratio {glider.aspect_ratio:.1f}, {glider.area:g} m², "
        f"{glider.wing_loading:.1f} kg/m²)"
    )


def _against(comparison: GliderComparison, first: int, second: int) -> str:
    """Return whether two gliders differ in turn per moment."""
    for pair in comparison.pairs:
        if pair.what != "turn_per_moment" or {pair.first, pair.second} != {first, second}:
            continue
        names = [comparison.gliders[i].name for i in (pair.first, pair.second)]
        ratio = pair.value
        if (ratio.value or 1.0) < 1.0 and ratio.value and ratio.low95 and ratio.high95:
            names.reverse()
            ratio = Quantity(1 / ratio.value, None, 1 / ratio.high95, 1 / ratio.low95)
        text = (
            f"{names[0]} turns {ratio.value:.2f} times (95 %: {ratio.low95:.2f} to {ratio.high95:.2f}) as "
            f"much per N m as {names[1]}"
        )
        return text + ("" if pair.significant else ", which is not beyond chance")
    return ""


def answer_in_words(comparison: GliderComparison) -> tuple[str, ...]:
    """Return the answer, most important first."""
    told: set[str] = set()
    return (
        _headline(comparison),
        _differences(comparison),
        _by_class(comparison, "beginner", told),
        _by_class(comparison, "advanced", told),
        _large(comparison, told),
        _overloaded(comparison, told),
    )


def _introduced(comparison: GliderComparison, glider: Glider, told: set[str], how: str = "") -> str:
    """Return a glider's name with what it does, or a pointer where that was said already."""
    if glider.name in told:
        return f"{glider.name}{how}, told above"
    told.add(glider.name)
    return f"{_name(glider)}{how}: {_response(comparison, glider)}"


def _headline(comparison: GliderComparison) -> str:
    yard = comparison.yardstick
    seen = [
        (abs(turn.value), setting, glider, turn)
        for glider in comparison.gliders
        for setting in ("cruise", "full")
        if (turn := glider.residual_turn[setting]).value is not None
    ]
    if not seen:
        return "No straight power hold is in these results, so no residual turn under power can be compared."
    judged = {glider.name: [] for _, _, glider, _ in seen}  # type: dict[str, list[str]]
    for _, _, glider, turn in seen:
        judged[glider.name].append(verdict(turn, yard.matters))
    bad = [name for name, found in judged.items() if "matters" in found]
    good = [name for name, found in judged.items() if set(found) == {"does not matter"}]
    _, setting, glider, turn = max(seen, key=lambda item: item[0])
    where = "cruise" if setting == "cruise" else "full throttle"
    left = [name for name in judged if name not in bad and name not in good]
    rest = f"; open with {_listed(left)}" if left else ""
    limit = f"{math.degrees(yard.matters):.2g} deg/s"
    return (
        f"Of {_count(len(judged), 'glider')}, the residual turn under power reaches {limit}, and so matters, "
        f"with {_listed(bad) or 'none'}; it stays below with {_listed(good) or 'none'}{rest}. The largest is "
        f"{glider.name}'s at {where}: {turn_text(turn)}."
    )


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'s' if number != 1 else ''}"


def _listed(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return ", ".join(names[:-1]) + " and " + names[-1]


def _differences(comparison: GliderComparison) -> str:
    if len(comparison.gliders) < 2:
        return "One glider alone: there is nothing to compare it with; add the results of another."
    parts = []
    for what, words in (
        ("turn_per_moment", "turn per N m"),
        ("idle", "turn at idle"),
        ("cruise", "turn at cruise"),
        ("full", "turn at full throttle"),
    ):
        found = [pair for pair in comparison.pairs if pair.what == what]
        clear = [pair for pair in found if pair.significant]
        if found:
            parts.append(f"{len(clear)} of {len(found)} in {words}")
    if not parts:
        return "No two gliders have the same thing measured, so no difference can be tested."
    best = [p for p in comparison.pairs if p.what == "turn_per_moment" and p.significant]
    tail = ""
    if best:
        top = max(best, key=lambda pair: abs(math.log(pair.value.value or 1.0)))
        tail = f" The greatest: {_against(comparison, top.first, top.second)}."
    return (
        "Pairs of gliders that differ beyond chance, corrected for the number of pairs: "
        + ", ".join(parts)
        + "."
        + tail
    )


def _by_class(comparison: GliderComparison, wanted: str, told: set[str]) -> str:
    """Answer for a beginner's or an advanced wing."""
    gliders = comparison.gliders
    names = {"beginner": ("beginner",), "advanced": ("advanced", "competition")}[wanted]
    fitting = [i for i, glider in enumerate(gliders) if glider.wing_class in names]
    label = "With a beginner's wing" if wanted == "beginner" else "With an advanced wing"
    how = ""
    if not fitting:
        if len(gliders) < 2 or any(glider.wing_class for glider in gliders):
            return f"{label}: none is among these sorties."
        order = sorted(range(len(gliders)), key=lambda i: gliders[i].aspect_ratio)
        low, high = gliders[order[0]].aspect_ratio, gliders[order[-1]].aspect_ratio
        if high < 1.05 * low:
            return f"{label}: no sheet states wing_class, and the aspect ratios are alike."
        fitting = [order[0] if wanted == "beginner" else order[-1]]
        extreme = "lowest" if wanted == "beginner" else "highest"
        how = f", taken for one by its {extreme} aspect ratio (no sheet states wing_class)"
    parts = [_introduced(comparison, gliders[i], told, how) for i in fitting[:3]]
    more = f". {len(fitting) - 3} more are in the table" if len(fitting) > 3 else ""
    return f"{label}, {'. '.join(parts)}{more}."


def _large(comparison: GliderComparison, told: set[str]) -> str:
    gliders = comparison.gliders
    order = sorted(range(len(gliders)), key=lambda i: gliders[i].area)
    small, large = order[0], order[-1]
    if len(gliders) > 1 and gliders[large].area >= _SIZE_GAP * gliders[small].area:
        text = f"With a large wing, {_introduced(comparison, gliders[large], told)}"
        other = _against(comparison, small, large)
        return text + (f". Against the smallest: {other}" if other else "") + "."
    # S b^2 V goes with area^1.5 at one mass and one shape
    share = 1.0 - 1.2**-1.5
    return (
        "With a large wing: the wings flown are of one size. By scaling alone (same shape, same mass, same "
        f"c_L), a fifth more area turns {100 * share:.0f} % less per N m."
    )


def _overloaded(comparison: GliderComparison, told: set[str]) -> str:
    """Answer for an overloaded wing: flown, else predicted."""
    over = [glider for glider in comparison.gliders if glider.overloaded]
    if over:
        glider = max(over, key=lambda item: item.heaviest / (item.highest_mass or math.inf))
        return (
            f"With an overloaded wing, {_introduced(comparison, glider, told)}. It was flown at "
            f"{glider.heaviest:.0f} kg and is certified to {glider.highest_mass:.0f} kg: overloading is "
            "outside what a glider was tested for, whatever it turns."
        )
    exponent = comparison.mass_exponent
    low, high = exponent.low95, exponent.high95
    if low is None or high is None or exponent.value is None:
        return "With an overloaded wing: unknown."
    change = [100.0 * (1.0 - _OVERLOAD**p) for p in (exponent.value, high, low)]
    known = [glider.name for glider in comparison.gliders if glider.highest_mass is None]
    lack = f" highest_mass_kg is not stated for {_listed(known)}." if known else ""
    return (
        "With an overloaded wing: none was flown beyond a certified mass that its sheet states. A fifth more "
        f"mass makes one glider turn {change[0]:.0f} % (95 %: {change[1]:.0f} to {change[2]:.0f} %) less per "
        f"N m, because it flies faster; stay within the certified masses all the same.{lack}"
    )


def remarks_in_words(comparison: GliderComparison, widening: float) -> tuple[str, ...]:
    """Return what was assumed, left out or shared."""
    yard = comparison.yardstick
    out: list[str] = []
    measured = [glider for glider in comparison.gliders if glider.turn_per_moment.value is not None]
    if comparison.pooled:
        out.append(
            f"{len(measured)} gliders are taken for members of one family in ln c_L, whose spread is "
            f"{comparison.family_spread.text(interval=True)}; each leans on the others as far as its own "
            "sorties leave it open (own share)"
        )
    elif measured:
        out.append(
            f"{_count(len(measured), 'glider')} with a measured turn per N m: too few for a family, so each "
            "stands alone; from four on they would be pooled"
        )
    for glider in comparison.gliders:
        if glider.turn_per_moment.value is None:
            guess = ""
            if glider.turn_expected.value is not None:
                guess = f". From the family {_per_ten(glider.turn_expected)} per 10 N m may be expected"
            out.append(f"{glider.name}: {glider.turn_per_moment.reason}{guess}")
    sets = [item.ballast for item in comparison.sorties if item.measured]
    if len(sets) > 1:
        shared = sum(sets.count(item) > 1 for item in sets)
        out.append(
            "sorties of one frame with the same ballast moments share the error of that ballast's mass and "
            f"arm ({shared or 'none'} of {len(sets)} here): it stays in each glider's figure and falls out "
            "of their differences. What each analysis assumed of c_L does not enter. The hang "
            "stiffness K does not enter the turn per N m"
        )
    if widening > 1.0:
        out.append(
            f"sorties of one glider scatter {widening:.1f} times as much as their uncertainties explain: "
            "those were widened by that"
        )
    frames = {item.aircraft for item in comparison.sorties}
    if len(frames) > 1:
        out.append(
            f"{len(frames)} frames were flown ({_listed(sorted(frames))}): hang points and risers decide how "
            "much of a roll moment reaches the wing, so a difference may be the frame's"
        )
    if math.isfinite(yard.cruise_rpm) or math.isfinite(yard.full_rpm):
        speeds = [
            f"{name} {rpm:.0f} 1/min"
            for name, rpm in (("cruise", yard.cruise_rpm), ("full throttle", yard.full_rpm))
            if math.isfinite(rpm)
        ]
        out.append(
            f"residual turns are measured hands off, at {' and '.join(speeds)}, each within 4 %; idle "
            "is every straight glide, the wing's and the pilot's own bias"
        )
    out.append(
        f"all are compared at {yard.density:.3f} kg/m³; one glider at another mass m or density follows "
        f"(m rho)^-1/2, with exponents uncertain by 0.2 and 0.1 (here found: mass "
        f"{comparison.mass_exponent.text(interval=True)})"
    )
    out.append(
        f"the turn under {yard.moment:.0f} N m carries 20 % more uncertainty, for c_L was measured in glides "
        "and may differ under power"
    )
    if comparison.trend is not None:
        out.append(
            f"over the {len(measured)} gliders turn per N m goes with wing loading to the power "
            f"{comparison.trend.exponent.text(interval=True)}"
        )
    elif len(measured) > 1:
        out.append("too few gliders, or loadings too alike, for a regression of turn per N m on wing loading")
    for glider in comparison.gliders:
        out += [f"{glider.name}: {word}" for word in glider.words]
        lacking = [setting for setting in SETTINGS if glider.residual_turn[setting].value is None]
        if lacking:
            out.append(f"{glider.name}: no residual turn at {_listed(lacking)}")
    return tuple(dict.fromkeys(out))
