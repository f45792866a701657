"""Statics of a two-point hang, momentum theory and lifting line, against what is worked out by hand.

Two-point hang [computed]: 30 N m on a 120 kg unit is the moment of 25.5 mm of lateral offset. Momentum theory
as in H. Glauert, Airplane Propellers, 1935: T 600 N, D 1.30 m, V 11 m/s, rho 1.225: v 9.1545 m/s; T 1000 N,
D 1.25 m, V 11 m/s: v 13.5487 m/s [computed]; the far stream is faster by 2 v. Lifting line, the same author,
The Elements of Aerofoil and Airscrew Theory, 1926: a = 2 pi / (1 + 2 / A) for elliptic lift [from memory].
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from flightproc.decide import Change, Flown, balance_frame
from flightproc.decide.slipstream import lift_slope, stream_speed
from flightproc.sheets.balance import BalanceSheet, HangOffsetEntry, Phase
from flightproc.sheets.load import BalanceSheets

pytestmark = pytest.mark.published


def flown(sign: int) -> Flown:
    return Flown(
        title="", aircraft="", glider="", sign=sign,
        rpm=np.array([6000.0]), moment=np.array([30.0 * sign]), covariance=np.array([[1e-6]]),
        airspeed=np.array([10.0]), density=np.array([1.2]), thrust=np.array([300.0]),
        thrust_std=np.array([10.0]), thrust_source="", turn=np.array([0.0]), turn_std=np.array([math.inf]),
        turn_coefficient=3.0, turn_coefficient_spread=0.1, turn_zero=0.0, turn_zero_std=0.0, gear=2.8,
        diameter=1.3, idle_rpm=None, idle_turns=False, compensation="none", hang_offset=None, fitted=None,
        fitted_std=None, fitted_rpm=None, hung_mass=120.0, all_up_mass=126.0, area=28.0, span=12.0,
        advance=np.zeros(0), thrust_ratio=np.zeros(0),
    )  # fmt: skip


@pytest.mark.parametrize("sign", [1, -1])
def test_thirty_newton_metres_are_25_5_mm_at_120_kg(sign):
    sheet = BalanceSheet(
        aim="moment",
        phases=(Phase(name="power", rpm=6000.0),),
        hang_offset=HangOffsetEntry(limit_m=0.1, tolerance_m=0.0),
        draws=500,
    )
    found = balance_frame(flown(sign), BalanceSheets(sheet, ()))
    change = found.option("hang_offset").change
    assert 1e3 * change.hang_offset == pytest.approx(sign * 25.5, abs=0.05)
    assert 1e3 * (found.statics[0].value or 0.0) == pytest.approx(sign * 25.5, abs=0.05)
    assert found.option("hang_offset").phases[0][0].moment.value == pytest.approx(0.0, abs=0.01)
    assert found.option("now").change == Change()


@pytest.mark.parametrize(("thrust", "diameter", "induced"), [(600.0, 1.30, 9.1545), (1000.0, 1.25, 13.5487)])
def test_the_stream_far_behind_is_faster_by_twice_the_induced_velocity(thrust, diameter, induced):
    air = {"diameter": diameter, "density": 1.225, "airspeed": 11.0}
    assert float(stream_speed(thrust, distance=0.0, **air)) == pytest.approx(11.0 + induced, abs=6e-5)
    assert float(stream_speed(thrust, distance=1e8, **air)) == pytest.approx(11.0 + 2 * induced, abs=1.2e-4)


@pytest.mark.parametrize("aspect_ratio", [3.0, 6.0, 10.0])
def test_lift_slope_of_a_finite_surface(aspect_ratio):
    assert lift_slope(2.0 * math.pi, aspect_ratio) == pytest.approx(
        2.0 * math.pi / (1.0 + 2.0 / aspect_ratio)
    )
