"""The answer and its limits in words, from the numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..holds.model import HoldKind
from ..moment.budget import explain_budget
from ..moment.trace_model import SortieTrace
from ..propeller import InflowEstimate
from ..quantity import Quantity
from ..results import BladeAngles, Calibration, ComparisonRow, HoldResult
from .ratio import FROM_DIFFERENCES

__all__ = ["answer_in_words", "limits_in_words"]

_TELLING = 0.4  # half-width of the torque ratio's interval beyond which it tells nothing


def answer_in_words(
    rows: Sequence[ComparisonRow],
    blade: Sequence[BladeAngles],
    holds: Sequence[HoldResult],
    overall: Quantity,
    inflow: InflowEstimate | None = None,
    trace: SortieTrace | None = None,
) -> tuple[str, ...]:
    """Return the answer, most important sentence first.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> ratio = fp.Quantity.of(1.04, 0.04)
    >>> words = answer_in_words(results.comparison, results.blade, results.holds, ratio)
    >>> words[0][:48]
    'Under power the unit is rolled to the right by 1'
    """
    if not rows:
        return ("No straight power hold was found, so the moment in flight is unknown.",)
    out = [_moments(rows)]
    if trace is not None and trace.accepted and trace.ratio.known:
        out.append(_ratio(trace.ratio, "Over the whole flight, throttle steps included,"))
        if overall.known:
            out[-1] += f" The holds alone give {overall.value:.2f} (95 %: {_range(overall, 2)})."
    elif overall.known:
        out.append(_ratio(overall))
    out += _turns(rows, holds)
    if blade:
        out.append(_angles(rows, blade, inflow))
    return tuple(out)


def _side(value: float) -> str:
    return "right" if value > 0 else "left"


def _range(quantity: Quantity, places: int) -> str:
    return f"{quantity.low95:.{places}f} to {quantity.high95:.{places}f}"


def _moments(rows: Sequence[ComparisonRow]) -> str:
    parts = []
    for row in rows:
        moment, rpm = row.roll_moment, row.rpm.value
        parts.append(f"{moment.text()} at {rpm:.0f} rpm")
    top = rows[-1].roll_moment
    assert top.value is not None
    return (
        f"Under power the unit is rolled to the {_side(top.value)} by "
        + _listed([p.replace("-", "−") for p in parts])
        + f" (mean ± standard uncertainty, positive right; 95 % at the highest setting: {_range(top, 1)} N "
        "m)."
    )


def _ratio(overall: Quantity, start: str = "Over all settings") -> str:
    assert overall.value is not None and overall.low95 is not None and overall.high95 is not None
    if overall.reason == FROM_DIFFERENCES:
        start = "Taken from the differences between settings, which need no zero,"
    text = (
        f"{start} the torque in flight is {overall.value:.2f} times the rig's at the same rpm and "
        f"air density (95 %: {_range(overall, 2)})"
    )
    if overall.low95 <= 1.0 <= overall.high95:
        width = max(overall.high95 - 1.0, 1.0 - overall.low95)
        if width < _TELLING:
            text += f": no difference from the rig is shown, and one beyond {100 * width:.0f} % is ruled out."
        else:
            text += ": far too wide to tell flight from rig; see below what limits it."
    elif overall.high95 < 1.0:
        text += ": less in flight than on the rig."
    else:
        text += ": more in flight than on the rig."
    return text


def _turns(rows: Sequence[ComparisonRow], holds: Sequence[HoldResult]) -> list[str]:
    row = rows[-1]
    here = [holds[i] for i in row.holds]
    turns = [h.turn_rate for h in here if h.turn_rate.known]
    if not turns:
        return []
    mean = sum(t.value or 0.0 for t in turns) / len(turns)
    std = math.sqrt(sum((t.std or 0.0) ** 2 for t in turns)) / len(turns)
    rate = Quantity.of(mean, std, "rad/s").degrees("deg/s")
    residual = [h.residual_turning_moment for h in here if h.residual_turning_moment.known]
    text = f"At {row.rpm.value:.0f} rpm, hands off, the glider turns at {rate.text()}"
    if residual:
        middle = sum(q.value or 0.0 for q in residual) / len(residual)
        low = min(q.low95 or 0.0 for q in residual)
        high = max(q.high95 or 0.0 for q in residual)
        if low <= 0.0 <= high:
            text += (
                " on average; in this air that does not tell whether the pilot has anything left to hold "
                "against "
                f"(the roll moment that would give it lies between {low:.0f} and {high:.0f} N m)"
            )
        else:
            text += (
                f"; a roll moment of about {middle:.0f} N m ({low:.0f} to {high:.0f}) would give that turn: "
                "what "
                "the pilot still holds against, the wing's own bias included"
            )
    out = [text.replace(" -", " −") + "."]
    excess = [h.excess_turn for h in here if h.excess_turn.known]
    clear = [q for q in excess if (q.low95 or 0.0) > 0.0 or (q.high95 or 0.0) < 0.0]
    if excess and len(clear) == len(excess):
        size = math.degrees(sum(q.value or 0.0 for q in excess) / len(excess))
        out.append(
            f"Of that turn {size:+.1f} deg/s".replace("-", "−")
            + " is not explained by the roll moment: look for a yaw moment (thrust line off centre, shaft "
            "tilt, the unit twisting under its risers)."
        )
    return out


def _angles(
    rows: Sequence[ComparisonRow], blade: Sequence[BladeAngles], inflow: InflowEstimate | None
) -> str:
    row, along = rows[-1], blade[-1]
    still, moving, naive = (
        q.degrees() for q in (row.alpha_075_static, row.alpha_075_flight, row.alpha_075_naive)
    )
    source = "by the blade model alone"
    point = inflow.points[-1] if inflow is not None and inflow.points else None
    if inflow is not None and point is not None and point.rpm == row.rpm.value:
        moving = point.alpha_075.degrees()
        source = (
            "flight and blade model together"
            if inflow.decides
            else "which rests on the blade model; the flight's torque does not decide it"
        )
    return (
        f"At {row.rpm.value:.0f} rpm, {row.airspeed.text()} lowers the blade's angle of attack at 0.75 R "
        f"from {still.text()} at rest to {moving.text()} ({source}; geometry alone, without induced flow, "
        f"would say {naive.value:.1f} deg); the calibrated blade expects "
        f"{_between(along.predicted_torque_ratio)} times the static torque there."
    )


def _between(ratio: Quantity) -> str:
    if ratio.value is None:
        return "an unknown number of"
    return f"{ratio.value:.2f} (95 %: {_range(ratio, 2)})"


def _listed(parts: Sequence[str]) -> str:
    if len(parts) == 1:
        return parts[0]
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def limits_in_words(
    rows: Sequence[ComparisonRow],
    holds: Sequence[HoldResult],
    calibration: Calibration,
    rig_warnings: Sequence[str],
) -> tuple[str, ...]:
    """Return what limits the answer, most important first, with what would help.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> words = limits_in_words(results.comparison, results.holds, results.calibration, ())
    >>> len(words) > 0
    True
    """
    out: list[str] = []
    moments = [row.roll_moment for row in rows if row.roll_moment.known]
    if not moments:
        moments = [h.roll_moment for h in holds if h.kind is HoldKind.POWER and h.roll_moment.known]
    if moments:
        top = max(moments, key=lambda q: abs(q.value or 0.0))
        budget = explain_budget(top, "the largest moment")
        if top.std and top.value and budget.rows:
            source = budget.rows[0]
            words = (
                f"The largest moment is known to {100 * top.std / abs(top.value):.0f} % (standard "
                f"uncertainty); {100 * source.share:.0f} % of its variance is {source.label}."
            )
            if budget.first:
                words += f" What would help most: {budget.first}."
            out.append(words)
    if calibration.ballast_holds == 0:
        out.append(
            "No ballast glide was flown: the moment per degree of hang roll comes from the sheet's "
            "geometry and "
            "an assumed riser stiffness, and the intervals say so. Two ballast glides on each side would "
            "help most."
        )
    elif calibration.ballast_holds < 4:
        out.append(
            f"Only {calibration.ballast_holds} ballast glide(s) calibrate the hang roll; four (two on each "
            "side) "
            "would halve the noise that is left."
        )
    if calibration.glide_holds < 3:
        out.append(
            f"Only {calibration.glide_holds} glide(s) give the zeros; more of them, spread over the sortie, "
            "would "
            "show drift."
        )
    if len(rows) == 1:
        out.append(
            f"Only one throttle setting was held ({rows[0].rpm.value:.0f} rpm): how moment and torque ratio "
            "change with engine speed or advance ratio cannot be said; hold three settings or more."
        )
    out += list(calibration.words)
    out += list(rig_warnings)
    if rows and rows[0].torque_ratio.known and len(rows) > 1:
        first, last = rows[0].advance_ratio.value, rows[-1].advance_ratio.value
        if first is not None and last is not None and abs(first - last) < 0.05:
            out.append(
                f"Advance ratio hardly changes over the settings ({last:.2f} to {first:.2f}), so its effect "
                "cannot "
                "be told from that of rpm; fly the same rpm at another trim speed."
            )
    return tuple(out)
