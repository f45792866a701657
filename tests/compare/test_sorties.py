"""Ratios of several sorties put together: closed forms, budgets, and whole-sortie estimates on a joint K."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.compare.sorties import SHARED, best_weights, judge_agreement, pool_ratios, rebase_trace
from flightproc.moment.swing_mode import RollMode
from flightproc.moment.trace_model import SettingRatio, SortieTrace
from flightproc.quantity import Quantity

pytestmark = pytest.mark.analytic

DRAWS = 40_000
OWN, COMMON = "noise of the power holds", "rig"


def drawn(
    values: list[float], own: list[float], shared: float, seed: int = 1
) -> tuple[np.ndarray, list[dict[str, float]]]:
    """Return joint draws and budgets of ratios with errors of their own and a relative one in common."""
    rng = np.random.default_rng(seed)
    common = 1.0 + shared * rng.standard_normal((DRAWS, 1))
    draws = np.array(values) * common + np.array(own) * rng.standard_normal((DRAWS, len(values)))
    return draws, [{OWN: o, COMMON: shared * v} for o, v in zip(own, values, strict=True)]


def test_independent_sorties_weigh_by_their_variance() -> None:
    draws, budgets = drawn([1.0, 1.03], [0.03, 0.06], 0.0)
    ratio, weights, shared, _ = pool_ratios([1.0, 1.03], draws, budgets)
    assert weights == pytest.approx([0.8, 0.2], abs=0.02)
    assert ratio.std == pytest.approx(0.03 / np.sqrt(1.25), rel=0.02)
    assert shared == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("count", [1, 2, 8])
def test_what_is_shared_is_counted_once_and_stays(count: int) -> None:
    values, own, common = [1.0] * count, [0.03] * count, 0.04
    draws, budgets = drawn(values, own, common)
    ratio, weights, shared, agreement = pool_ratios(values, draws, budgets)
    assert weights.sum() == pytest.approx(1.0)
    assert ratio.std == pytest.approx(np.hypot(0.03 / np.sqrt(count), common), rel=0.02)
    assert ratio.std is not None and ratio.std >= 0.99 * common
    assert shared == pytest.approx(common, rel=0.04)
    assert sum(part**2 for part in ratio.budget.values()) == pytest.approx(ratio.std**2)
    assert (agreement is None) == (count == 1)


def test_a_shared_factor_does_not_draw_the_mean_below_all_sorties() -> None:
    draws, budgets = drawn([0.95, 1.10], [0.02, 0.02], 0.15)
    ratio, weights, _, _ = pool_ratios([0.95, 1.10], draws, budgets)
    assert (weights >= 0.0).all()
    assert ratio.value is not None and 0.98 < ratio.value < 1.07


def test_weights_are_never_negative() -> None:
    # generalised least squares would weigh the second by -0.25
    weights = best_weights(np.array([[1.0, 1.5], [1.5, 4.0]]))
    assert weights.tolist() == [1.0, 0.0]


def test_agreement_leaves_out_what_is_shared() -> None:
    values = np.array([1.00, 1.08, 0.97])
    own = np.diag([0.03, 0.05, 0.04]) ** 2
    alone = judge_agreement(values, own)
    shared = judge_agreement(values, own + 0.2**2)
    assert alone is not None and shared is not None
    weight = 1.0 / np.diag(own)
    mean = float(weight @ values / weight.sum())
    assert alone.chi2 == pytest.approx(float(weight @ (values - mean) ** 2), rel=1e-6)
    assert shared.chi2 == pytest.approx(alone.chi2, rel=1e-4)
    assert alone.widening == 1.0 and "agree within" in alone.words


def test_sorties_that_disagree_widen_what_is_put_together() -> None:
    values = [1.0, 1.3]
    draws, budgets = drawn(values, [0.03, 0.03], 0.02)
    ratio, _, _, agreement = pool_ratios(values, draws, budgets)
    assert agreement is not None
    assert agreement.probability < 1e-6
    assert agreement.widening == pytest.approx(np.sqrt(agreement.chi2))
    plain = np.hypot(0.03 / np.sqrt(2.0), 0.02 * 1.15)
    assert ratio.std == pytest.approx(agreement.widening * plain, rel=0.04)
    assert "do not agree" in agreement.words


def trace(stiffness: float, std: float, *, ratio: float = 1.2) -> SortieTrace:
    own = 0.02
    unknown = Quantity.unknown("", "no")
    budget = {OWN: own, "rig": 0.012, "riser stiffness": ratio * std / stiffness}
    spread = float(np.sqrt(sum(part**2 for part in budget.values())))
    rng = np.random.default_rng(3)
    return SortieTrace(
        ratio=Quantity.of(ratio, spread, budget=budget),
        advance_ratio=0.2,
        ratio_slope=Quantity.of(0.1, 0.5),
        settings=(SettingRatio(6000.0, 0.22, Quantity.of(ratio, spread)),),
        draws=np.column_stack(
            [ratio + spread * rng.standard_normal(4000), 0.1 + 0.5 * rng.standard_normal(4000)]
        ),
        stiffness=Quantity.of(stiffness, std, "N m/rad"),
        mode=RollMode(unknown, unknown, ""),
        sensor_yaw=Quantity.of(0.0, 0.01, "rad"),
        seconds_used=600.0,
        seconds_power=300.0,
        share_used=0.5,
        fit=None,
        accepted=True,
        reason="",
        words=(),
    )


def test_a_whole_flight_takes_the_stiffness_of_all() -> None:
    joint = 500.0 + 10.0 * np.random.default_rng(4).standard_normal(DRAWS)
    before = trace(600.0, 150.0)
    after, draws = rebase_trace(before, Quantity.from_samples(joint, "N m/rad", value=500.0), joint)
    assert after.ratio.value == pytest.approx(1.0)
    parts = [10.0 / 500.0, 0.02 * 5 / 6, 0.012 * 5 / 6]
    assert after.ratio.std == pytest.approx(float(np.linalg.norm(parts)), rel=0.02)
    assert float(np.std(draws)) == pytest.approx(after.ratio.std, rel=1e-3)
    assert np.corrcoef(draws, joint)[0, 1] == pytest.approx(parts[0] / np.linalg.norm(parts), abs=0.02)
    assert sum(part**2 for part in after.ratio.budget.values()) == pytest.approx(after.ratio.std**2, rel=0.03)
    assert after.settings[0].ratio.std is not None and before.ratio.std is not None
    assert after.settings[0].ratio.std < 0.2 * before.ratio.std


def test_what_a_compensation_gives_back_does_not_grow_with_the_stiffness() -> None:
    joint = 500.0 + 10.0 * np.random.default_rng(4).standard_normal(DRAWS)
    after, _ = rebase_trace(
        trace(600.0, 150.0), Quantity.from_samples(joint, value=500.0), joint, given_back=0.3
    )
    assert after.ratio.value == pytest.approx(0.3 + 0.9 * 5.0 / 6.0)


def test_a_flight_that_knows_its_stiffness_better_keeps_it() -> None:
    joint = 500.0 + 15.0 * np.random.default_rng(4).standard_normal(DRAWS)
    before = trace(510.0, 8.0)
    after, draws = rebase_trace(before, Quantity.from_samples(joint, value=500.0), joint)
    assert after.stiffness == before.stiffness
    assert after.ratio.value == before.ratio.value
    assert float(np.std(draws)) == pytest.approx(before.ratio.std, rel=0.02)


def test_two_flights_share_the_draws_of_rig_and_stiffness_only() -> None:
    joint = 500.0 + 0.1 * np.random.default_rng(4).standard_normal(DRAWS)
    stiffness = Quantity.from_samples(joint, value=500.0)
    first = rebase_trace(trace(500.0, 100.0, ratio=1.0), stiffness, joint, number=0)[1]
    second = rebase_trace(trace(500.0, 100.0, ratio=1.0), stiffness, joint, number=1)[1]
    share = 0.012**2 / (0.012**2 + 0.02**2)
    assert np.corrcoef(first, second)[0, 1] == pytest.approx(share, abs=0.02)
    assert "rig" in SHARED and OWN not in SHARED
