"""Two-point rig figures of common practice; no published source is known.

Scales 380 mm apart; differences 4.5, 7.7, 14.4 kg at 5500, 6500, 8450 rpm give 8.38, 14.35, 26.83 N m;
sums 117.7, 119, 121 kg. The free exponent 2.68 and the 28 % were computed [C] from these three torques:
the exponent with equal relative uncertainties (a line through the logarithms), the miss of the square
law with equal absolute ones.
"""

import numpy as np
import pytest

from flightproc.quantity import Quantity
from flightproc.rig import check_power, choose_fit, evaluate_fit, fit_torque, reduce_rig, two_point_torque
from flightproc.sheets import RigSheet

pytestmark = pytest.mark.published

RPM = np.array([5500.0, 6500.0, 8450.0])
TORQUE = np.array([8.38, 14.35, 26.83])
DIFFERENCE = np.array([4.5, 7.7, 14.4])
SUM = np.array([117.7, 119.0, 121.0])


def common_practice_sheet():
    still = {"rpm": 0.0, "left_kg": 58.5, "right_kg": 58.5}
    powered = [
        {"rpm": n, "left_kg": (s - d) / 2.0, "right_kg": (s + d) / 2.0}
        for n, d, s in zip(RPM, DIFFERENCE, SUM, strict=True)
    ]
    return RigSheet.model_validate(
        {
            "kind": "two_point",
            "spacing_m": 0.38,
            "air": {"density_kg_m3": 1.225, "density_std_kg_m3": 0.01},
            "readings": [still, *powered],
        }
    )


def test_torque_of_a_difference():
    torque = [two_point_torque(d, 0.0, 0.380) for d in DIFFERENCE]
    np.testing.assert_allclose(torque, TORQUE, atol=0.005)


def test_reduced_sheet():
    curve = reduce_rig(common_practice_sheet(), gear_ratio=2.87, diameter=1.25)
    np.testing.assert_allclose([p.torque.value for p in curve.points], TORQUE, atol=0.005)
    np.testing.assert_allclose([p.sum_change.value for p in curve.points], SUM - 117.0, atol=1e-9)
    assert any("sum of both scales changes" in w and "+3.4 %" in w for w in curve.warnings)
    assert any("confirms nothing" in w for w in curve.warnings)


def test_free_exponent():
    assert np.polyfit(np.log(RPM), np.log(TORQUE), 1)[0] == pytest.approx(2.68, abs=0.005)
    power = fit_torque(RPM, TORQUE, 0.05 * TORQUE)[1]
    assert power.coefficients[1] == pytest.approx(2.68, abs=0.005)
    assert power.dof == 1


def test_square_law_misses_the_first_point():
    square = fit_torque(RPM, TORQUE, 0.5)[0]
    miss = evaluate_fit("square", square.coefficients, RPM)[0] / TORQUE[0] - 1.0
    assert miss == pytest.approx(0.28, abs=0.005)


def test_parabola_through_three_points_confirms_nothing():
    fits = fit_torque(RPM, TORQUE, 0.5)
    parabola = fits[2]
    assert (parabola.name, parabola.dof, parabola.aicc) == ("quadratic", 0, None)
    assert "confirms nothing" in parabola.words
    chosen, words = choose_fit(fits)
    assert chosen.name == "power"
    assert any("no degree of freedom" in w for w in words)
    assert not any("R^2" in w for w in words)


def test_impossible_thrust():
    """26.8 N m at 8450 rpm, gear 2.87, 1.25 m, 75 kgf: figure of merit 1.39 [C]."""
    check = check_power(
        8450.0,
        Quantity.of(26.8, 0.5, "N m"),
        Quantity.of(75.0 * 9.80665, 5.0, "N"),
        gear_ratio=2.87,
        diameter=1.25,
        density=1.225,
    )
    assert check.figure_of_merit.value == pytest.approx(1.39, abs=0.005)
    assert check.figure_of_merit.low95 > 1.0
    assert "impossible" in check.message
