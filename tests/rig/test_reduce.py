"""Readings of the two-point rig to torque with a budget."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.errors import RigError
from flightproc.rig import reduce_rig
from flightproc.rig.reduce import FittedCompensation
from flightproc.sheets import RigSheet

SIZE = {"gear_ratio": 2.8, "diameter": 1.3}


def reading(rpm, left, right, swing=None, **more):
    row = {"rpm": rpm, "left_kg": left, "right_kg": right, **more}
    if swing is not None:
        row |= {
            "left_low_kg": left - swing,
            "left_high_kg": left + swing,
            "right_low_kg": right - swing,
            "right_high_kg": right + swing,
        }
    return row


def sheet(*readings, **more):
    entries = {
        "kind": "two_point",
        "spacing_m": 0.40,
        "air": {"density_kg_m3": 1.2, "density_std_kg_m3": 0.012},
        "readings": list(readings),
    }
    return RigSheet.model_validate(entries | more)


ZERO = reading(0.0, 58.0, 58.6, 0.1)
DAY = (
    ZERO,
    reading(5500.0, 54.9, 61.7, 0.5),
    reading(6500.0, 53.6, 63.0, 0.6),
    reading(7500.0, 52.1, 64.5, 0.8),
    reading(0.0, 58.1, 58.5, 0.1),
)


@pytest.mark.analytic
def test_torque_takes_the_mean_zero_off():
    curve = reduce_rig(sheet(*DAY), **SIZE)
    expected = [GRAVITY * (d - 0.5) * 0.40 / 2.0 for d in (6.8, 9.4, 12.4)]
    np.testing.assert_allclose([p.torque.value for p in curve.points], expected, rtol=1e-12)
    assert [p.rpm for p in curve.points] == [5500.0, 6500.0, 7500.0]
    assert (curve.gear_ratio, curve.diameter, curve.density, curve.density_std) == (2.8, 1.3, 1.2, 0.012)


@pytest.mark.analytic
def test_side_does_not_matter_to_the_magnitude():
    mirrored = [r | {"left_kg": r["right_kg"], "right_kg": r["left_kg"]} for r in DAY]
    for r in mirrored:
        for side, other in (("left", "right"), ("right", "left")):
            source = next(x for x in DAY if x["rpm"] == r["rpm"] and x[f"{other}_kg"] == r[f"{side}_kg"])
            r[f"{side}_low_kg"], r[f"{side}_high_kg"] = source[f"{other}_low_kg"], source[f"{other}_high_kg"]
    one, two = reduce_rig(sheet(*DAY), **SIZE), reduce_rig(sheet(*mirrored), **SIZE)
    np.testing.assert_allclose(
        [p.torque.value for p in one.points], [p.torque.value for p in two.points], rtol=1e-12
    )


@pytest.mark.analytic
@pytest.mark.parametrize(("swing", "divisor"), [("triangular", 6.0), ("uniform", 3.0), ("arcsine", 2.0)])
def test_budget_by_source(swing, divisor):
    point = reduce_rig(sheet(*DAY), swing=swing, **SIZE).points[2]
    arm = GRAVITY * 0.40 / 2.0
    assert point.torque.budget["swing"] == pytest.approx(arm * math.sqrt(2.0) * 0.8 / math.sqrt(divisor))
    assert point.torque.budget["resolution"] == pytest.approx(arm * math.sqrt(2.0 / 12.0) * 0.1)
    assert point.torque.budget["scale_calibration"] == pytest.approx(arm * math.sqrt(2.0) * 0.05)
    assert point.torque.budget["spacing"] == pytest.approx(point.torque.value * 0.002 / 0.40)
    assert point.torque.budget["leak"] == 0.0
    assert point.torque.std == pytest.approx(math.hypot(*point.torque.budget.values()))


@pytest.mark.analytic
def test_zero_drift_is_carried():
    steady = reduce_rig(sheet(*DAY), **SIZE)
    drifted = reduce_rig(sheet(*DAY[:-1], reading(0.0, 57.0, 59.6, 0.1)), **SIZE)
    arm = GRAVITY * 0.40 / 2.0
    assert drifted.points[0].torque.budget["zero"] == pytest.approx(arm * 2.0 / math.sqrt(12.0))
    assert steady.points[0].torque.budget["zero"] < drifted.points[0].torque.budget["zero"]
    assert any("drifted over 2.0 kg" in w for w in drifted.warnings)
    assert not any("zero" in w for w in steady.warnings)


@pytest.mark.analytic
def test_one_zero_is_told():
    curve = reduce_rig(sheet(*DAY[:-1]), **SIZE)
    assert any("one zero reading" in w for w in curve.warnings)


@pytest.mark.analytic
def test_leak_is_told_and_carried():
    leaking = [r if r["rpm"] < 7000.0 else reading(7500.0, 54.1, 66.5, 0.8) for r in DAY]
    curve = reduce_rig(sheet(*leaking), **SIZE)
    point = curve.points[2]
    assert point.sum_change.value == pytest.approx(4.0)
    beyond = math.sqrt(4.0**2 - point.sum_change.std**2)  # what reading the scales does not explain
    assert point.torque.budget["leak"] == pytest.approx(GRAVITY * 0.40 / 2.0 * beyond / math.sqrt(3.0))
    told = next(w for w in curve.warnings if "sum of both scales" in w)
    assert "+4.0 kg (+3.4 %) at 7500 rpm" in told
    assert "5500" not in told


@pytest.mark.analytic
def test_a_change_within_the_reading_noise_is_no_leak():
    wobble = [r if r["rpm"] < 7000.0 else reading(7500.0, 52.3, 64.9, 1.5) for r in DAY]
    curve = reduce_rig(sheet(*wobble), **SIZE)
    point = curve.points[2]
    assert point.sum_change.value == pytest.approx(0.6)
    assert point.sum_change.std > 0.6
    assert point.torque.budget["leak"] == 0.0
    assert not any("sum of both scales" in w for w in curve.warnings)


@pytest.mark.analytic
def test_missing_swing_is_told():
    curve = reduce_rig(sheet(ZERO, reading(5500.0, 54.9, 61.7), DAY[2]), **SIZE)
    assert any("no swing was noted at 5500 rpm" in w for w in curve.warnings)
    assert curve.points[0].torque.budget["swing"] == 0.0


@pytest.mark.analytic
def test_own_gear_and_diameter_come_first():
    own = reduce_rig(sheet(*DAY, gear_ratio=3.0, diameter_m=1.2), **SIZE)
    assert (own.gear_ratio, own.diameter) == (3.0, 1.2)
    n = 7500.0 / 60.0 / 3.0
    assert own.points[2].torque_coefficient.value == pytest.approx(
        own.points[2].torque.value / (1.2 * n**2 * 1.2**5)
    )


@pytest.mark.analytic
def test_thrust_without_its_uncertainty_gets_one_with_a_reason():
    rows = [r | ({"thrust_N": 400.0} if r["rpm"] == 7500.0 else {}) for r in DAY]
    curve = reduce_rig(sheet(*rows), **SIZE)
    assert curve.points[2].thrust.std == pytest.approx(20.0)
    assert "5 %" in curve.points[2].thrust.reason
    assert curve.points[0].thrust.reason == "thrust was not measured"
    assert curve.points[0].figure_of_merit.value is None


@pytest.mark.analytic
def test_opposite_sign_is_told():
    curve = reduce_rig(sheet(ZERO, DAY[1] | reading(5500.0, 61.7, 54.9, 0.5), DAY[2], DAY[3]), **SIZE)
    assert any("at 5500 rpm the difference has the opposite sign" in w for w in curve.warnings)


@pytest.mark.analytic
def test_errors_say_what_is_missing():
    whole = sheet(*DAY)
    fields = {name: getattr(whole, name) for name in type(whole).model_fields if name != "readings"}
    fields |= {name: getattr(whole, name) for name in ("density", "density_std", "temperature")}
    powered = tuple(r for r in whole.readings if r.rpm > 0.0)
    still = tuple(r for r in whole.readings if r.rpm == 0.0)
    with pytest.raises(RigError, match="no zero"):
        reduce_rig(SimpleNamespace(**fields, readings=powered), **SIZE)
    with pytest.raises(RigError, match="no reading under power"):
        reduce_rig(SimpleNamespace(**fields, readings=still), **SIZE)
    with pytest.raises(RigError, match="triangular, uniform, arcsine"):
        reduce_rig(whole, swing="square", **SIZE)


@pytest.mark.synthetic
def test_intervals_cover_the_truth():
    """Swing, resolution, calibration, zero and spacing errors as the budget says: 93 to 97 % of points."""
    random = np.random.default_rng(11)
    speeds, truth = np.array([5500.0, 6500.0, 7500.0]), np.array([13.0, 18.2, 24.2])
    inside = trials = 0
    for _ in range(200):
        spacing = 0.40 + 0.002 * random.standard_normal()
        scale = 0.05 * random.standard_normal(2)
        differences = 2.0 * truth / (GRAVITY * 0.40)

        def read(rpm, difference, half, scale=scale):
            values = 58.0 + np.array([-0.5, 0.5]) * difference
            values = values + random.triangular(-half, 0.0, half, 2) + (scale if rpm else 0.0)
            left, right = np.round(values, 1)
            return reading(rpm, float(left), float(right), half)

        rows = [read(0.0, 0.0, 0.2)] + [read(n, d, 0.8) for n, d in zip(speeds, differences, strict=True)]
        curve = reduce_rig(sheet(*rows, read(0.0, 0.0, 0.2), spacing_m=spacing), **SIZE)
        # Scale and leak share their sources here; leave the leak's extra width out of the coverage.
        for point, q in zip(curve.points, truth, strict=True):
            std = math.sqrt(point.torque.std**2 - point.torque.budget["leak"] ** 2)
            inside += abs(point.torque.value - q) <= 1.96 * std
            trials += 1
    assert 0.93 <= inside / trials <= 0.97


@pytest.mark.analytic
def test_a_compensation_fitted_on_the_rig_is_given_back():
    plain = reduce_rig(sheet(*DAY), **SIZE)
    fitted = FittedCompensation(moment=5.0, rpm=6000.0, growth=1.2, growth_std=0.1)
    curve = reduce_rig(sheet(*DAY), **SIZE, compensation=fitted)
    for before, after in zip(plain.points, curve.points, strict=True):
        given_back = 5.0 * 1.2 * (after.rpm / 6000.0) ** 2
        assert after.torque.value == pytest.approx(before.torque.value + given_back)
        assert after.torque.budget["compensation"] == pytest.approx(0.5 * (after.rpm / 6000.0) ** 2)
        assert after.torque.budget["spacing"] == pytest.approx(before.torque.budget["spacing"])
    assert curve.common.shape[0] == 3
