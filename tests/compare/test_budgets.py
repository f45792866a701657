"""Budgets of all results, setting by setting."""

import math
from dataclasses import replace

import pytest

from flightproc.compare.budgets import explain_results
from flightproc.holds.model import HoldKind
from flightproc.quantity import Quantity
from flightproc.results import ComparisonRow, HoldResult

pytestmark = pytest.mark.analytic

NONE = Quantity.unknown("", "not needed here")


def a_hold(residual):
    return HoldResult(
        start=0.0,
        end=60.0,
        kind=HoldKind.POWER,
        straight=True,
        origin="found",
        hands_off=None,
        rpm=NONE,
        airspeed=NONE,
        density=NONE,
        turn_rate=NONE,
        bank=NONE,
        hang_roll=NONE,
        roll_moment=NONE,
        excess_turn=NONE,
        yaw_moment=NONE,
        residual_turning_moment=residual,
    )


def a_row(rpm, moment, ratio, holds):
    return ComparisonRow(
        rpm=Quantity.of(rpm, 5.0, "1/min"),
        airspeed=NONE,
        advance_ratio=NONE,
        roll_moment=moment,
        static_torque=NONE,
        torque_ratio=ratio,
        alpha_075_static=NONE,
        alpha_075_flight=NONE,
        alpha_075_naive=NONE,
        holds=holds,
    )


MOMENT = Quantity.of(20.0, 2.0, "N m", budget={"riser stiffness": 2.0})
RATIO = Quantity.of(1.0, 0.1, budget={"riser stiffness": 0.08, "rig": 0.06})


def test_results_come_by_kind_and_setting():
    residual = Quantity.of(5.0, 3.0, "N m", budget={"turn coefficient": 3.0})
    holds = [a_hold(residual)] * 2
    rows = [a_row(5200.0, MOMENT, RATIO, (0,)), a_row(7600.0, MOMENT, RATIO, (1,))]
    found = explain_results(rows, holds)
    assert [(e.result, e.rpm) for e in found] == [
        (result, rpm)
        for result in ("roll_moment", "residual_turning_moment", "torque_ratio")
        for rpm in (5200.0, 7600.0)
    ]
    assert found[0].budget.name == "the roll moment at 5200 rpm"
    assert [row.share for row in found[-1].budget.rows] == pytest.approx([0.64, 0.36])


def test_residual_of_a_setting_is_that_of_a_typical_hold():
    first = Quantity.of(4.0, 5.0, "N m", budget={"turn coefficient": 3.0, "airspeed": 4.0})
    second = Quantity.of(8.0, 1.0, "N m", budget={"turn coefficient": 1.0})
    unknown = Quantity.unknown("N m", "no turn rate")
    rows = [a_row(6000.0, MOMENT, RATIO, (0, 1, 2))]
    holds = [a_hold(first), a_hold(unknown), a_hold(second)]
    entry = next(e for e in explain_results(rows, holds) if e.result == "residual_turning_moment")
    quantity = entry.budget.quantity
    assert quantity.value == 6.0
    assert quantity.std == pytest.approx(math.sqrt(13.0))
    assert quantity.budget == pytest.approx({"turn coefficient": math.sqrt(5.0), "airspeed": math.sqrt(8.0)})
    assert quantity.low95 == pytest.approx(6.0 - 1.959964 * 3.0)
    assert sum(row.share for row in entry.budget.rows) == pytest.approx(1.0)


def test_what_has_no_budget_is_left_out():
    rows = [
        a_row(6000.0, replace(MOMENT, budget={}), Quantity.unknown("", "no rig sheet was given"), (0,)),
    ]
    assert explain_results(rows, [a_hold(NONE)]) == ()
