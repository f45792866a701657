"""Budgets in words: shares, what halving brings, what to do first."""

import math

import numpy as np
import pytest

from flightproc.moment.budget import UNSPLIT, BudgetEntry, explain_budget, remedy_for
from flightproc.quantity import Quantity

pytestmark = pytest.mark.analytic

CONTRACT = (
    "noise of the power holds",
    "noise of the glides",
    "noise of the ballast legs",
    "ballast mass and arm",
    "riser stiffness",
    "weight and hang arm",
    "tilt test",
    "inertia",
    "yaw of the sensor",
    "drift of the zeros",
    "idle torque",
    "turn coefficient",
    "airspeed",
    "density",
    "rig",
)


def test_shares_and_halving():
    moment = Quantity.of(20.0, 5.0, "N m", budget={"rig": 3.0, "riser stiffness": -4.0, "density": 0.0})
    found = explain_budget(moment, "the roll moment at 7600 rpm")
    assert [row.source for row in found.rows] == ["riser stiffness", "rig"]
    assert [row.share for row in found.rows] == pytest.approx([0.64, 0.36])
    halved = found.rows[0].if_halved
    assert halved.value == 20.0
    assert halved.std == pytest.approx(math.hypot(2.0, 3.0))
    k = 1.959963984540054
    assert (halved.low95, halved.high95) == pytest.approx(
        (20.0 - k * math.sqrt(13.0), 20.0 + k * math.sqrt(13.0))
    )
    assert (halved.low68, halved.high68) == pytest.approx((20.0 - math.sqrt(13.0), 20.0 + math.sqrt(13.0)))
    assert halved.budget == {}
    assert found.first == remedy_for("riser stiffness").action
    assert "64 % of the variance is roll stiffness of the risers" in found.words[0]
    assert found.words[0].startswith("The roll moment at 7600 rpm, 20.0 ± 5.0 N m")
    assert "± 5.0 down to ± 3.6 N m" in found.words[1]


def test_skew_interval_shrinks_on_both_sides():
    draws = np.exp(np.random.default_rng(4).normal(0.0, 0.5, 100_000))
    moment = Quantity.from_samples(draws, "N m", value=1.0, budget={"turn coefficient": 1.0})
    found = explain_budget(moment, "it").rows[0].if_halved
    assert found.low95 is not None and found.high95 is not None
    assert moment.low95 is not None and moment.high95 is not None
    # what the budget names is more than the spread: all of the variance is this source
    assert 1.0 - found.low95 == pytest.approx(0.5 * (1.0 - moment.low95))
    assert found.high95 - 1.0 == pytest.approx(0.5 * (moment.high95 - 1.0))


def test_what_is_not_split_is_told():
    found = explain_budget(Quantity.of(1.0, 1.0, budget={"rig": 0.6}), "it")
    assert [row.source for row in found.rows] == [UNSPLIT, "rig"]
    assert sum(row.share for row in found.rows) == pytest.approx(1.0)
    assert found.first == remedy_for("rig").action


def test_correlated_sources_are_told():
    found = explain_budget(Quantity.of(1.0, 1.0, budget={"rig": 1.0, "density": 1.0}), "it")
    assert [row.share for row in found.rows] == pytest.approx([0.5, 0.5])
    assert "200 %" in found.words[-1]
    assert "about as much" in found.first


@pytest.mark.parametrize(
    ("quantity", "why"),
    [
        (Quantity.unknown("N m", "no hang roll was logged"), "no hang roll was logged"),
        (Quantity.of(1.0, None), "uncertainty is unknown"),
        (Quantity.of(1.0, 0.5), "not split"),
        (Quantity.of(1.0, 0.5, budget={"rig": 0.0, "density": math.nan}), "not split"),
    ],
)
def test_without_a_budget_the_reason_stands(quantity, why):
    found = explain_budget(quantity, "the ratio")
    assert found.rows == () and found.first == ""
    assert why in found.words[0]


@pytest.mark.parametrize("source", CONTRACT)
def test_every_source_of_the_solver_has_a_remedy(source):
    remedy = remedy_for(source)
    assert remedy.label and remedy.action
    assert not remedy.action.endswith(".")


def test_unknown_source_keeps_its_name():
    found = explain_budget(Quantity.of(1.0, 1.0, budget={"moonlight": 1.0}), "it")
    assert found.rows[0].label == "moonlight"
    assert found.first == ""


def test_an_entry_as_a_document_says_what_its_rows_say():
    moment = Quantity.of(20.0, 5.0, "N m", budget={"noise of the glides": 4.0, "moonlight": 3.0})
    words = explain_budget(moment, "the roll moment")
    found = BudgetEntry("roll_moment", 7600.0, words).to_json()
    assert (found["result"], found["rpm"], found["unit"]) == ("roll_moment", 7600.0, "N m")
    assert found["quantity"] == moment.to_json()
    remedy = remedy_for("noise of the glides")
    first, second = found["sources"]
    assert first == {
        "source": "noise of the glides",
        "label": remedy.label,
        "contribution": 4.0,
        "share": pytest.approx(0.64),
        "if_halved": words.rows[0].if_halved.to_json(),
        "action": remedy.action,
        "halving": remedy.halving,
    }
    assert (second["source"], second["action"], second["halving"]) == ("moonlight", "", "")
    assert found["improve_first"] == words.first == remedy.action
    assert found["remarks"] == list(words.words)
    assert f"; it takes {remedy.halving}." in words.words[1]


def test_a_second_source_is_named_from_seven_tenths_of_the_first_on():
    for part, named in ((0.83, False), (0.84, True)):  # 0.69 and 0.71 of the variance
        found = explain_budget(Quantity.of(5.0, 1.5, budget={"rig": 1.0, "density": part}), "it")
        assert ("; about as much: " in found.first) == named
    # the same remedy is not named twice
    twice = explain_budget(Quantity.of(5.0, 1.5, budget={"hang zero": 1.0, "turn zero": 1.0}), "it")
    assert twice.first == remedy_for("hang zero").action


def test_small_sources_are_not_listed_and_small_gains_not_promised():
    parts = {"rig": 1.0, "density": 0.3, "inertia": 0.2, "airspeed": 0.05}
    found = explain_budget(Quantity.of(5.0, math.hypot(*parts.values()), budget=parts), "it")
    assert ", then air density 8 %." in found.words[0]
    many = {name: 1.0 for name in CONTRACT} | {"hang zero": 1.0} | {f"s{i}": 1.0 for i in range(20)}
    spread = explain_budget(Quantity.of(5.0, 6.0, budget=many), "it")
    assert not any("Halving" in word for word in spread.words)
