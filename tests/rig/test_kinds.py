"""Rigs other than two scales read by eye: lever arm, transducer, series from files."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.errors import LogError, RigError
from flightproc.quantity import Quantity
from flightproc.readers.table import Column
from flightproc.rig import reduce_rig
from flightproc.rig.readings import _time
from flightproc.rig.reduce import _exponent_words, _leak_words, _side_words, _sign_words, _swing_words
from flightproc.sheets import RigSheet

SIZE = {"gear_ratio": 2.8, "diameter": 1.3}
AIR = {"pressure_hPa": 1000.0, "temperature_C": 17.0}
TRUTH = {5200.0: 11.0, 6400.0: 16.7, 7600.0: 23.5}


def sheet(kind, **more):
    return RigSheet.model_validate({"kind": kind, "air": AIR} | more)


def lever(unit, half=0.0):
    factor = 0.5 * (GRAVITY if unit == "kg" else 1.0)
    rows = [
        {"rpm": 0.0, f"load_{unit}": 2.0},
        *({"rpm": n, f"load_{unit}": 2.0 + q / factor} for n, q in TRUTH.items()),
    ]
    if half:
        for row in rows:
            row |= {
                f"load_low_{unit}": row[f"load_{unit}"] - half,
                f"load_high_{unit}": row[f"load_{unit}"] + half,
            }
    return sheet("lever_arm", arm_m=0.5, arm_std_m=0.005, readings=rows)


@pytest.mark.analytic
@pytest.mark.parametrize("unit", ["kg", "N"])
def test_lever_arm(unit):
    curve = reduce_rig(lever(unit), **SIZE)
    np.testing.assert_allclose([p.torque.value for p in curve.points], list(TRUTH.values()), rtol=1e-12)
    top = curve.points[-1].torque
    assert top.budget["arm"] == pytest.approx(0.01 * 23.5)
    assert "leak" not in top.budget
    assert curve.points[0].sum_change.value is None
    assert (curve.kind, curve.sense) == ("lever_arm", 0)
    factor = GRAVITY if unit == "kg" else 1.0
    assert top.budget["resolution"] == pytest.approx(0.5 * factor * 0.1 / math.sqrt(12.0))


@pytest.mark.analytic
def test_torque_transducer_and_its_sensitivity():
    rows = [{"rpm": 0.0, "torque_N_m": -0.2}, *({"rpm": n, "torque_N_m": q - 0.2} for n, q in TRUTH.items())]
    curve = reduce_rig(sheet("torque_transducer", sensitivity_std_percent=0.5, readings=rows), **SIZE)
    np.testing.assert_allclose([p.torque.value for p in curve.points], list(TRUTH.values()), rtol=1e-12)
    assert curve.points[-1].torque.budget["sensitivity"] == pytest.approx(0.005 * 23.5)
    assert curve.scale_std == pytest.approx(0.005)
    assert not {"spacing", "arm"} & set(curve.points[-1].torque.budget)


@pytest.mark.analytic
def test_swing_of_one_cell():
    curve = reduce_rig(lever("N", 3.0), **SIZE)
    assert curve.points[0].torque.budget["swing"] == pytest.approx(0.5 * 3.0 / math.sqrt(6.0))


@pytest.mark.analytic
def test_power_and_coefficients_are_unknown_without_the_propeller():
    curve = reduce_rig(lever("kg"))
    point = curve.points[0]
    for name in ("power", "torque_coefficient", "tip_mach", "reynolds", "thrust_ceiling"):
        assert getattr(point, name).value is None
        assert "gear ratio or the diameter" in getattr(point, name).reason
    assert curve.chosen.name == "square"


@pytest.mark.analytic
def test_similarity_numbers_of_a_point():
    point = reduce_rig(lever("kg"), **SIZE, chord=0.09).points[-1]
    tip = math.pi * 7600.0 / 60.0 / 2.8 * 1.3
    assert point.tip_mach.value == pytest.approx(tip / math.sqrt(1.4 * 287.05287 * 290.15), rel=1e-9)
    density = 1e5 / (287.05287 * 290.15)
    assert point.reynolds.value == pytest.approx(density * 0.75 * tip * 0.09 / 1.7990e-5, rel=1e-3)
    assert point.reynolds.std / point.reynolds.value == pytest.approx(0.022, abs=0.002)
    assert point.power_coefficient.value == pytest.approx(2.0 * math.pi * point.torque_coefficient.value)
    stated = RigSheet.model_validate(
        {"kind": "torque_transducer", "air": {"density_kg_m3": 1.2}}
        | {"readings": [{"rpm": n, "torque_N_m": n / 500.0} for n in (0.0, 5000.0, 6000.0)]}
    )
    assert "15 ± 10" in reduce_rig(stated, **SIZE).points[0].tip_mach.reason


@pytest.mark.analytic
@pytest.mark.parametrize("sign", [1, -1])
def test_the_side_that_gains_is_held_against_the_rotation(sign):
    rows = [
        {"rpm": n, "left_kg": 58.0 - sign * d, "right_kg": 58.0 + sign * d}
        for n, d in ((0.0, 0.0), (5000.0, 3.0), (6000.0, 4.3), (7000.0, 5.9))
    ]
    entry = sheet("two_point", spacing_m=0.4, readings=rows)
    assert reduce_rig(entry).sense == sign
    assert not any("left and right are swapped" in w for w in reduce_rig(entry, reaction_sign=sign).warnings)
    assert any("left and right are swapped" in w for w in reduce_rig(entry, reaction_sign=-sign).warnings)


@pytest.mark.analytic
@pytest.mark.parametrize("first", ["zero", "power"])
def test_the_order_of_zeros_and_settings_does_not_matter(first):
    zeros = [{"rpm": 0.0, "torque_N_m": 0.1}, {"rpm": 0.0, "torque_N_m": 0.3}]
    rows = [{"rpm": n, "torque_N_m": q + 0.2} for n, q in TRUTH.items()]
    order = [zeros[0], *rows, zeros[1]] if first == "zero" else [*rows[::-1], *zeros]
    curve = reduce_rig(sheet("torque_transducer", readings=order))
    np.testing.assert_allclose([p.torque.value for p in curve.points], list(TRUTH.values()), rtol=1e-12)
    assert curve.points[0].torque.budget["zero"] == pytest.approx(0.2 / math.sqrt(12.0))


# Series ---------------------------------------------------------------------------------------------------


def write_scales(path, *, header="t [s],left [kg],right [kg],rpm", swing=0.5, noise=0.05, seed=3):
    """Stretches of 40 s: zero, three settings, zero; a swing of 2.3 s in the difference."""
    random = np.random.default_rng(seed)
    lines = [header]
    for i, rpm in enumerate((0.0, *TRUTH, 0.0)):
        difference = 0.6 + (2.0 * TRUTH[rpm] / (GRAVITY * 0.4) if rpm else 0.0)
        for t in np.arange(40.0 * i, 40.0 * i + 39.9, 0.1):
            d = difference + (swing * math.cos(2.0 * math.pi * t / 2.3) if rpm else 0.0)
            left, right = np.array([58.0 - d / 2.0, 58.0 + d / 2.0]) + noise * random.standard_normal(2)
            speed = rpm + 12.0 * random.standard_normal() if rpm else 0.0
            lines.append(f"{t:.1f},{left:.3f},{right:.3f},{speed:.0f}")
    path.write_text("\n".join(lines) + "\n")


def series_sheet(**more):
    entries = [
        {
            "file": "scales.csv",
            "left_column": "left",
            "right_column": "right",
            "rpm_column": "rpm",
            "start_s": 40.0 * i + 1.0,
            "end_s": 40.0 * i + 38.0,
        }
        | more
        for i in range(5)
    ]
    return sheet("two_point", spacing_m=0.4, scale_resolution_kg=0.01, series=entries)


@pytest.mark.synthetic
@pytest.mark.parametrize("known", [{}, {"swing_period_s": 2.3}])
def test_two_scales_over_time(tmp_path, known):
    write_scales(tmp_path / "scales.csv")
    curve = reduce_rig(series_sheet(**known), folder=tmp_path, **SIZE)
    assert len(curve.points) == 3
    for point, (rpm, torque) in zip(curve.points, TRUTH.items(), strict=True):
        assert point.rpm == pytest.approx(rpm, abs=5.0)
        assert abs(point.torque.value - torque) < 3.0 * point.torque.std
        assert point.trace.period == pytest.approx(2.3, abs=0.02)
        assert point.torque.budget["swing"] < 0.03
        assert math.isfinite(point.dof)
        assert point.torque.low95 < point.torque.value < point.torque.high95


@pytest.mark.synthetic
def test_clock_times_semicolons_and_decimal_commas(tmp_path):
    write_scales(tmp_path / "plain.csv")
    rows = (tmp_path / "plain.csv").read_text().splitlines()[1:]
    out = ["time;left;right;rpm"]
    for row in rows:
        t, left, right, rpm = row.split(",")
        minutes, seconds = divmod(float(t), 60.0)
        out.append(f"10:{int(minutes):02d}:{seconds:04.1f};{left};{right};{rpm}".replace(".", ","))
    (tmp_path / "scales.csv").write_text("\n".join(out) + "\n")
    entry = series_sheet(unit="kg")
    shifted = entry.model_copy(
        update={
            "series": tuple(
                s.model_copy(update={"start_s": s.start_s + 36000.0, "end_s": s.end_s + 36000.0})
                for s in entry.series
            )
        }
    )
    curve = reduce_rig(shifted, folder=tmp_path, **SIZE)
    for point, torque in zip(curve.points, TRUTH.values(), strict=True):
        assert abs(point.torque.value - torque) < 3.0 * point.torque.std


@pytest.mark.synthetic
def test_series_and_readings_may_be_mixed(tmp_path):
    write_scales(tmp_path / "scales.csv")
    whole = series_sheet()
    zero = {"rpm": 0.0, "left_kg": 57.7, "right_kg": 58.3}
    mixed = sheet(
        "two_point", spacing_m=0.4, readings=[zero], series=[s.model_dump() for s in whole.series[1:4]]
    )
    curve = reduce_rig(mixed, folder=tmp_path)
    assert len(curve.points) == 3
    assert any("one zero reading" in w for w in curve.warnings)


@pytest.mark.synthetic
def test_speed_of_the_file_comes_first(tmp_path):
    write_scales(tmp_path / "scales.csv")
    curve = reduce_rig(
        sheet(
            "two_point",
            spacing_m=0.4,
            series=[
                s.model_dump() | ({"rpm": 6000.0} if i == 1 else {})
                for i, s in enumerate(series_sheet().series)
            ],
        ),
        folder=tmp_path,
    )
    assert any("the file has 5200 rpm where the sheet has 6000" in w for w in curve.warnings)


@pytest.mark.analytic
@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"left_column": "sinister"}, RigError, "no column 'sinister'"),
        ({"start_s": 500.0, "end_s": 600.0}, RigError, "no sample between"),
        ({"start_s": 45.0, "end_s": 45.5}, RigError, "too few samples"),
        ({"file": "lost.csv"}, LogError, "no such file"),
        ({"time_column": "clock"}, RigError, "no column 'clock'"),
    ],
)
def test_series_that_cannot_be_used_say_why(tmp_path, change, error, words):
    write_scales(tmp_path / "scales.csv")
    with pytest.raises(error, match=words):
        reduce_rig(series_sheet(**change), folder=tmp_path)


@pytest.mark.analytic
def test_a_rig_that_shows_no_torque_is_refused():
    rows = [{"rpm": n, "torque_N_m": 0.3} for n in (0.0, 5000.0, 6000.0)]
    with pytest.raises(RigError, match="no torque"):
        reduce_rig(sheet("torque_transducer", readings=rows), **SIZE)


@pytest.mark.analytic
def test_an_odd_exponent_is_told():
    rows = [{"rpm": 0.0, "torque_N_m": 0.0}]
    rows += [{"rpm": n, "torque_N_m": q} for n, q in ((5500.0, 8.38), (6500.0, 14.35), (8450.0, 26.83))]
    curve = reduce_rig(sheet("torque_transducer", readings=rows))
    assert any("exponent of 2.68" in w for w in curve.warnings)
    assert any("confirms nothing" in w for w in curve.warnings)
    assert not any("exponent" in w for w in reduce_rig(lever("kg")).warnings)


@pytest.mark.analytic
def test_a_unit_that_does_not_fit_is_told(tmp_path):
    write_scales(tmp_path / "scales.csv", header="t [s],left [V],right [V],rpm")
    with pytest.raises(RigError, match="unit of column"):
        reduce_rig(series_sheet(), folder=tmp_path)


# What is said -----------------------------------------------------------------------------------------------


@pytest.mark.analytic
@pytest.mark.parametrize(
    ("sense", "reaction", "words"),
    [
        (1, -1, "the right scale gains, but the propeller of the aircraft sheet loads the left one"),
        (-1, 1, "the left scale gains, but the propeller of the aircraft sheet loads the right one"),
        (1, 1, None),
        (-1, -1, None),
        (0, 1, None),
        (1, 0, None),
    ],
)
def test_the_scale_that_gains_is_named(sense, reaction, words):
    found = _side_words(sense, reaction)
    assert (not found) if words is None else found[0].startswith(words)


@pytest.mark.analytic
def test_a_reading_against_the_others_is_named():
    readings = [SimpleNamespace(rpm=rpm, noted=noted) for rpm, noted in ((5000.0, True), (6000.0, False))]
    assert _sign_words(readings, [10.0, -3.0])[0].startswith("at 6000 rpm the difference has the opposite")
    assert _sign_words(readings, [-10.0, 3.0])[0].startswith("at 6000 rpm")
    assert _sign_words(readings, [-3.0, -10.0]) == [] == _sign_words(readings, [10.0, 0.0])
    assert _swing_words(readings)[0].startswith("no swing was noted at 6000 rpm")
    assert _swing_words(readings[:1]) == []


@pytest.mark.analytic
@pytest.mark.parametrize(
    ("change", "std", "told"),
    [(0.4, 0.1, False), (3.0, 0.1, True), (-3.0, 0.1, True), (3.0, 1.4, True), (3.0, 1.6, False)],
)
def test_a_sum_that_changes_is_told_beyond_twice_its_uncertainty(change, std, told):
    point = SimpleNamespace(sum_change=Quantity.of(change, std, "kg"))
    found = _leak_words([SimpleNamespace(rpm=7000.0)], [point], 120.0)
    assert bool(found) == told
    if told:
        assert f"{change:+.1f} kg ({100.0 * change / 120.0:+.1f} %) at 7000 rpm" in found[0]
    assert _leak_words([SimpleNamespace(rpm=7000.0)], [point], None) == []


@pytest.mark.analytic
def test_exponent_is_that_of_a_line_through_the_logarithms():
    def points(law, n=4):
        return [
            SimpleNamespace(rpm=rpm, torque=Quantity.of(2e-6 * rpm**law, 0.1, "N m"))
            for rpm in (5000.0, 6000.0, 7000.0, 8000.0)[:n]
        ]

    assert "an exponent of 3.00" in _exponent_words(points(3.0))[0]
    assert "an exponent of 1.00" in _exponent_words(points(1.0))[0]
    assert _exponent_words(points(2.0)) == [] == _exponent_words(points(3.0, n=2))


@pytest.mark.analytic
def test_density_of_the_rig_counts_in_its_coefficients():
    rows = [{"rpm": 0.0, "torque_N_m": 0.0}, *({"rpm": n, "torque_N_m": q} for n, q in TRUTH.items())]
    common = {"readings": rows, "transducer_std_N_m": 0.0, "transducer_resolution_N_m": 0.001}
    still = reduce_rig(sheet("torque_transducer", **common), **SIZE)
    point = still.points[-1]
    speed = 2.0 * point.rpm_std / point.rpm
    expected = math.hypot(speed, still.density_std / still.density, point.torque.std / point.torque.value)
    coefficient = point.torque_coefficient
    assert still.density_std > 0.0
    assert coefficient.std / coefficient.value == pytest.approx(expected, rel=0.03)


@pytest.mark.analytic
def test_time_in_a_stated_unit_becomes_seconds():
    for name, unit, factor in (("t", "ms", 1e-3), ("t", "s", 1.0), ("t", "", 1.0)):
        column = Column(name if not unit else f"{name} [{unit}]", name, unit, np.array([0.0, 500.0]), None)
        np.testing.assert_allclose(_time([column], "t", "here"), [0.0, 500.0 * factor], rtol=1e-12)
