"""Rig days against each other and together."""

import json
import math

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.errors import RigError
from flightproc.rig import between_variance, compare_days, predict_band, reduce_rig, rig_document
from flightproc.sheets import RigSheet

SPEEDS = (5200.0, 6000.0, 6800.0, 7600.0)


def day(
    k,
    *,
    seed=0,
    name="day",
    rig="",
    exponent=2.0,
    pressure=1000.0,
    noise=0.15,
    speeds=SPEEDS,
    spacing=0.40,
    gear=2.8,
    size=1.3,
    rev_counter=0.0,
):
    """A two-point day with the torque k n^p in standard air, and reading errors in kg."""
    random = np.random.default_rng(seed)
    density = pressure * 100.0 / (287.05287 * 290.15)
    rows = []
    for rpm in (0.0, *speeds, 0.0):
        actual = rpm + rev_counter * random.standard_normal()
        torque = k * (actual / 1000.0) ** exponent * density / 1.2 if rpm else 0.0
        half = torque / (GRAVITY * spacing)
        left, right = np.array([58.0 - half, 58.0 + half]) + (
            noise * random.standard_normal(2) if rpm else 0.0
        )
        swing = noise * math.sqrt(6.0)
        low_high = {
            "left_low_kg": left - swing,
            "left_high_kg": left + swing,
            "right_low_kg": right - swing,
            "right_high_kg": right + swing,
        }
        rows.append({"rpm": rpm, "left_kg": left, "right_kg": right} | (low_high if rpm else {}))
    sheet = RigSheet.model_validate(
        {
            "kind": "two_point",
            "name": name,
            "rig": rig,
            "spacing_m": 0.40,
            "scale_std_kg": 0.0,
            "scale_resolution_kg": 0.01,
        }
        | {"air": {"pressure_hPa": pressure, "temperature_C": 17.0}, "readings": rows}
    )
    return reduce_rig(sheet, gear_ratio=gear, diameter=size)


@pytest.mark.analytic
def test_days_in_other_air_are_alike_once_carried_to_one_density():
    found = compare_days([day(0.42, noise=1e-6), day(0.42, noise=1e-6, pressure=900.0)])
    assert found.pairs[0].ratio.value == pytest.approx(1.0, abs=1e-4)
    assert not found.differ
    assert found.between_std == 0.0
    assert "No difference between the days is shown" in found.words[0]


@pytest.mark.analytic
def test_another_gear_ratio_is_allowed_for():
    same = day(0.42, noise=1e-6)
    # the propeller at the same speed: 1.1 times the engine speed at 1.1 times the gear ratio
    geared = day(0.42 / 1.1**2, noise=1e-6, gear=2.8 * 1.1, speeds=tuple(1.1 * s for s in SPEEDS))
    found = compare_days([same, geared])
    assert found.pairs[0].ratio.value == pytest.approx(1.0, abs=1e-4)
    assert found.combined.chosen.coefficients[0] == pytest.approx(same.chosen.coefficients[0], rel=1e-3)


@pytest.mark.synthetic
def test_a_difference_is_told_and_carried():
    found = compare_days(
        [day(0.42, seed=1, name="May"), day(0.42, seed=2, name="June"), day(0.48, seed=3, name="July")]
    )
    assert found.differ
    assert found.probability < 0.001
    assert found.pairs[1].ratio.value == pytest.approx(0.48 / 0.42, abs=0.03)
    assert 0.03 < found.between_std < 0.12
    assert any("differ by more than their uncertainties explain" in w for w in found.words)
    alone = predict_band(day(0.42, seed=1), 7000.0).std[0]
    assert predict_band(found.combined, 7000.0).std[0] > 1.5 * alone
    assert found.level.high95 / found.level.low95 > 1.1


@pytest.mark.synthetic
def test_a_difference_in_shape_is_told():
    found = compare_days([day(0.42, noise=0.02), day(0.42 * 7.0**-0.6, exponent=2.6, noise=0.02)])
    assert found.shape_probability < 0.01
    assert any("differ in shape" in w for w in found.words)
    assert found.days[1].exponent.value == pytest.approx(2.6, abs=0.1)


@pytest.mark.synthetic
def test_false_alarms_come_no_oftener_than_they_should():
    """Of 60 pairs of alike days 5 % should be said to differ; leaks that are not there make it fewer."""
    random = np.random.default_rng(5)

    def alike(seed):
        # what the sheet states as uncertain is off by it: spacing, barometer and thermometer, rev counter
        spacing = 0.40 + 0.002 * random.standard_normal()
        k = 0.42 * (1.0 + 0.0061 * random.standard_normal())
        return day(k, seed=seed, spacing=spacing, rev_counter=25.0)

    alarms = sum(compare_days([alike(2 * i), alike(2 * i + 1)]).differ for i in range(60))
    assert alarms <= 7


@pytest.mark.analytic
def test_one_rig_shares_its_spacing():
    """An error of the spacing cancels between days on one rig, and does not average out."""
    own = [day(0.42, seed=1, noise=0.01), day(0.42, seed=2, noise=0.01)]
    shared = [day(0.42, seed=1, noise=0.01, rig="club"), day(0.42, seed=2, noise=0.01, rig="club")]
    apart, together = compare_days(own), compare_days(shared)
    spacing = 0.002 / 0.40
    assert apart.pairs[0].ratio.std == pytest.approx(
        math.hypot(together.pairs[0].ratio.std, math.sqrt(2.0) * spacing), rel=0.02
    )
    assert together.level.std > spacing > apart.level.std * 0.8
    assert together.combined.scale_std == pytest.approx(spacing)


@pytest.mark.analytic
def test_another_diameter_compares_coefficients_only():
    found = compare_days([day(0.42, noise=1e-6), day(0.42 * 1.1**5, noise=1e-6, size=1.43)])
    assert found.combined is None
    assert found.pairs[0].ratio.value == pytest.approx(1.0, abs=1e-4)
    assert "coefficient" in found.words[0]


@pytest.mark.analytic
def test_between_variance_of_equal_uncertainties_is_the_excess_variance():
    values, own = np.array([0.0, 0.1, 0.26]), 0.02
    chi2, paule_mandel, moments, mean = between_variance(values, own**2 * np.eye(3))
    assert chi2 == pytest.approx(np.sum((values - values.mean()) ** 2) / own**2)
    assert paule_mandel == pytest.approx(np.var(values, ddof=1) - own**2)
    assert moments == pytest.approx(paule_mandel)
    assert mean == pytest.approx(values.mean())


@pytest.mark.analytic
def test_days_that_cannot_be_compared():
    with pytest.raises(RigError, match="one rig day"):
        compare_days([day(0.42)])
    with pytest.raises(RigError, match="no engine speed in common"):
        compare_days([day(0.42), day(0.42, speeds=(8000.0, 8500.0))])


@pytest.mark.analytic
def test_document_is_json_without_nan():
    curves = [day(0.42, seed=1, name="May"), day(0.42, seed=2, name="June")]
    text = json.dumps(rig_document(curves, compare_days(curves)), allow_nan=False)
    back = json.loads(text)
    assert back["schema"] == "flightproc-rig/1"
    assert [d["name"] for d in back["days"]] == ["May", "June"]
    point = back["days"][0]["points"][0]
    assert point["torque_N_m"]["dof"] is None
    assert math.hypot(*point["torque_N_m"]["budget_N_m"].values()) == pytest.approx(
        point["torque_N_m"]["std"]
    )
    assert back["comparison"]["combined"]["fits"][0]["name"] == "square"
