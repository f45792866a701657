"""A planned sortie, flown in the simulator and analysed, reaches the precision it was planned for."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

pytestmark = pytest.mark.synthetic

BENCHMARK = Path(__file__).parents[1] / "benchmarks" / "plan_precision.py"


@pytest.fixture(scope="module")
def bench():
    return runpy.run_path(str(BENCHMARK))


@pytest.fixture(scope="module")
def plan(bench, tmp_path_factory):
    return bench["make_plan"](tmp_path_factory.mktemp("plan") / "sheets", 0.15, 12.5, "[60.0]")


@pytest.mark.parametrize("seed", [3006])
def test_planned_precision_is_reached(bench, plan, seed):
    assert plan.met
    flown = bench["fly"]((seed, 0.15, bench["card_of"](plan), False))
    assert flown["error"] == ""
    assert flown["found"] >= plan.chosen.design.legs - 1
    told = flown["std"] / flown["value"]
    # one sortie's own noise estimate scatters; with it the forecast is that of the same equations
    assert bench["own_forecast"](plan, flown) == pytest.approx(told, rel=0.15)
    assert plan.chosen.forecast.std == pytest.approx(told, rel=0.25)
    assert abs(flown["value"] / flown["true"] - 1.0) < 3.0 * plan.chosen.forecast.std
    assert flown["minutes"] == pytest.approx(plan.chosen.flight.minutes, rel=0.2)
