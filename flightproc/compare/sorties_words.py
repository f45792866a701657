"""Several sorties together, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..moment.budget import explain_budget
from ..quantity import Quantity
from .sorties import PooledRatio
from .sorties_model import GliderTurn, TogetherSortie, gain

__all__ = ["answer_together", "sharing_words"]


def _range(quantity: Quantity, places: int) -> str:
    if quantity.low95 is None or quantity.high95 is None:
        return "unknown"
    return f"{quantity.low95:.{places}f} to {quantity.high95:.{places}f}"


def answer_together(
    sorties: Sequence[TogetherSortie],
    gliders: Sequence[GliderTurn],
    settings: Sequence[PooledRatio],
    overall: PooledRatio | None,
    whole: PooledRatio | None,
) -> tuple[str, ...]:
    """Return the answer, most important sentence first."""
    out = []
    best = whole or overall
    if best is not None and best.ratio.value is not None:
        ratio, value = best.ratio, best.ratio.value
        source = "whole flights" if best is whole else "holds"
        text = (
            f"Over {len(best.parts)} sorties with this frame, by their {source}, the torque in flight is "
            f"{value:.3f} of that on the rig at the same engine speed and density "
            f"(95 %: {_range(ratio, 3)})."
        )
        if ratio.low95 is not None and ratio.high95 is not None:
            if ratio.low95 <= 1.0 <= ratio.high95:
                text += " No difference from the rig is included."
            else:
                text += f" The flight torque is {'more' if value > 1.0 else 'less'} than on the rig."
        if best is whole and overall is not None and overall.ratio.value is not None:
            text += f" The holds alone give {overall.ratio.value:.3f} (95 %: {_range(overall.ratio, 3)})."
        out.append(text)
    elif best is None:
        out.append("No torque ratio is known: no rig sheet was given, or no straight power hold was found.")
    gains = [
        (gain(item.ratio_alone, item.ratio), item)
        for item in sorties
        if math.isfinite(gain(item.ratio_alone, item.ratio))
    ]
    if gains:
        most, item = max(gains, key=lambda pair: pair[0])
        if most > 1.03:
            out.append(
                f"Solved together, “{item.label}” gains most: its torque ratio is known to "
                f"± {item.ratio.std or 0.0:.3f} in place of ± {item.ratio_alone.std or 0.0:.3f} alone, as "
                f"its hang stiffness is known to ± {item.stiffness.std or 0.0:.0f} N m/rad in place of "
                f"± {item.stiffness_alone.std or 0.0:.0f} N m/rad ({item.method_alone})."
            )
        else:
            out.append(
                "Solving the sorties together makes none of them much surer than it is alone: what limits "
                "each is shared by all."
            )
    for pooled in (whole, overall):
        if pooled is not None and pooled.agreement is not None:
            words = pooled.agreement.words
            out.append(words[0].upper() + words[1:] + ".")
            break
    if best is not None and best.ratio.std:
        share = (best.shared / best.ratio.std) ** 2
        text = f"{100.0 * share:.0f} % of the variance that is left is shared by all sorties"
        first = explain_budget(best.ratio, "the ratio").first
        text += f"; to improve first: {first}." if first else "."
        out.append(text[0].upper() + text[1:])
    for glider in gliders:
        if glider.turn_coefficient.value is None:
            continue
        seen = "" if glider.measured else ", mostly assumed, as no ballast was carried under it"
        out.append(
            f"{glider.name}: turn coefficient c_L {glider.turn_coefficient.value:.2f} (95 %: "
            f"{_range(glider.turn_coefficient, 2)}) from {len(glider.sorties)} "
            f"sortie{'s' if len(glider.sorties) > 1 else ''}{seen}."
        )
    return tuple(out)


def sharing_words(sorties: Sequence[TogetherSortie], gliders: Sequence[GliderTurn]) -> list[str]:
    """Return what the solution took for the same in all sorties."""
    out = [
        "taken for the same in all sorties: weight and hang arm per kilogram hung, error of the ballast's "
        "mass and arm, change of stiffness under power, rig curve; each sortie has its own zeros, drifts, "
        "sensor yaw and density"
    ]
    if len(gliders) > 1:
        out.append(
            "roll stiffness of the risers and turn coefficient are each glider's own, so that ballast flown "
            "under one tells of another only through weight and arm"
        )
    masses = [item.hung_mass for item in sorties]
    if max(masses) - min(masses) > 0.01 * min(masses):
        out.append(
            f"hung mass runs from {min(masses):.1f} to {max(masses):.1f} kg; the weight stiffness follows it"
        )
    return out
