"""The budgets of all results of a sortie, setting by setting."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..moment.budget import BudgetEntry, explain_budget
from ..quantity import Quantity
from ..results import ComparisonRow, HoldResult

__all__ = ["explain_results"]


def explain_results(rows: Sequence[ComparisonRow], holds: Sequence[HoldResult]) -> tuple[BudgetEntry, ...]:
    """Explain roll moment, residual turning moment and torque ratio at each throttle setting.

    Parameters
    ----------
    rows : sequence of ComparisonRow
        The rpm groups.
    holds : sequence of HoldResult
        All holds; the rows name those of their group.

    Returns
    -------
    tuple of BudgetEntry
        By result, then by engine speed; only those whose uncertainty is split by source.
    """
    out: list[BudgetEntry] = []
    for result, name in (
        ("roll_moment", "the roll moment"),
        ("residual_turning_moment", "the residual turning moment of a single hold"),
        ("torque_ratio", "the torque ratio"),
    ):
        for row in rows:
            if row.rpm.value is None:
                continue
            if result == "residual_turning_moment":
                quantity = _typical([holds[i].residual_turning_moment for i in row.holds])
            else:
                quantity = getattr(row, result)
            if not quantity.known or not quantity.budget:
                continue
            budget = explain_budget(quantity, f"{name} at {row.rpm.value:.0f} rpm")
            out.append(BudgetEntry(result, row.rpm.value, budget))
    return tuple(out)


def _typical(quantities: Sequence[Quantity]) -> Quantity:
    """Return what one of several like quantities looks like: means, and parts by their mean squares."""
    known = [q for q in quantities if q.known and q.std is not None and q.budget]
    if not known:
        return Quantity.unknown("", "no hold of this setting has a budget")
    count = len(known)
    sources = {source for q in known for source in q.budget}

    def mean(values: Sequence[float | None]) -> float | None:
        found = [v for v in values if v is not None]
        return sum(found) / count if len(found) == count else None

    return Quantity(
        mean([q.value for q in known]),
        math.sqrt(sum((q.std or 0.0) ** 2 for q in known) / count),
        mean([q.low95 for q in known]),
        mean([q.high95 for q in known]),
        known[0].unit,
        budget={
            source: math.sqrt(sum(q.budget.get(source, 0.0) ** 2 for q in known) / count)
            for source in sorted(sources)
        },
        low68=mean([q.low68 for q in known]),
        high68=mean([q.high68 for q in known]),
    )
