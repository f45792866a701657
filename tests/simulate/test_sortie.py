"""The whole sortie: seeded, true to its truth, and the sample as it is committed."""

from __future__ import annotations

import ast
import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from pyulog import ULog

from flightproc.errors import FlightprocError, OutputError
from flightproc.simulate import FILES, SimulatedSortie, Stated, simulate_sortie, write_sortie
from flightproc.simulate.flight import STEP
from flightproc.simulate.parameters import DEFAULTS
from flightproc.simulate.rig_day import RIG_PRESSURE, RIG_TEMPERATURE, static_torque, take_readings
from flightproc.simulate.scenario import HOLD_SECONDS, SETTLING_SECONDS, Segment

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_logs" / "school-wing-28"
PACKAGE = ROOT / "flightproc" / "simulate"


@pytest.mark.regression
def test_simulator_imports_nothing_of_the_estimator() -> None:
    allowed = {"errors", "channels"}
    for path in PACKAGE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.level == 2:
                assert node.module in allowed, f"{path.name} imports {node.module}"
                assert node.module != "channels" or [n.name for n in node.names] == ["GRAVITY"]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                assert not (node.module or "").startswith("flightproc"), path.name
            elif isinstance(node, ast.Import):
                assert not any(name.name.startswith("flightproc") for name in node.names), path.name


@pytest.mark.synthetic
def test_same_seed_same_sortie(short_card: tuple[Segment, ...]) -> None:
    one, again, other = (simulate_sortie(seed, card=short_card) for seed in (28, 28, 29))
    assert np.array_equal(one.unit.force, again.unit.force)
    assert np.array_equal(one.gps.speed, again.gps.speed)
    assert one.truth == again.truth
    assert other.truth["calibration"] != one.truth["calibration"]


@pytest.mark.synthetic
def test_a_change_of_one_sensor_leaves_flight_and_other_logs(short_card: tuple[Segment, ...]) -> None:
    plain = simulate_sortie(28, card=short_card)
    quiet = simulate_sortie(28, vibration=0.0, attitude="none", card=short_card)
    assert np.array_equal(quiet.flight.columns["unit_bank"], plain.flight.columns["unit_bank"])
    assert np.array_equal(quiet.gps.speed, plain.gps.speed)
    assert np.array_equal(quiet.engine.rpm, plain.engine.rpm)


@pytest.mark.synthetic
def test_card_is_flown_as_planned(sample: SimulatedSortie) -> None:
    holds = sample.planned_holds
    kinds = [hold["kind"] for hold in holds]
    assert (kinds.count("power"), kinds.count("glide"), kinds.count("ballast")) == (8, 5, 4)
    sides = [hold["ballast_side"] for hold in holds if hold["kind"] == "ballast"]
    assert sides.count("left") == sides.count("right") == 2
    for hold in holds:
        assert hold["end_s"] - hold["start_s"] == pytest.approx(HOLD_SECONDS)
        assert hold["start_s"] - hold["settling_start_s"] == pytest.approx(SETTLING_SECONDS)
        assert abs(hold["turn_rate_deg_s"]) < 3.0
    powers = sorted(round(hold["rpm"], -2) for hold in holds if hold["kind"] == "power")
    assert powers == [5200, 5200, 6000, 6000, 6800, 6800, 7600, 7600]
    assert 25 * 60 < sample.truth["duration_s"] < 36 * 60
    height = sample.flight.columns["height"]
    assert height.max() < 1200.0
    # hands off from the start of settling: what is left of the brake is gone when the hold begins
    pilot = sample.flight.columns["pilot_yaw_moment"]
    for hold in holds:
        span = slice(round(hold["start_s"] / STEP), round(hold["end_s"] / STEP))
        assert np.max(np.abs(pilot[span])) < 1e-6
        airborne = height[span]
        assert airborne.min() > sample.parameters.field_height + 30.0


@pytest.mark.synthetic
def test_truth_is_consistent_in_itself(sample: SimulatedSortie) -> None:
    calibration = sample.truth["calibration"]
    holds = sample.planned_holds
    hang = np.radians([hold["hang_roll_deg"] for hold in holds])
    moment = np.array([hold["roll_moment_N_m"] + hold["ballast_moment_N_m"] for hold in holds])
    slope = np.polyfit(hang, moment, 1)[0]
    assert slope == pytest.approx(calibration["hang_stiffness_N_m_rad"], rel=0.02)
    for hold in holds:
        if hold["kind"] == "power":
            slope_s = sample.parameters.torque_slope
            assert hold["torque_ratio"] == pytest.approx(1 + slope_s * hold["advance_ratio"], abs=2e-3)
            assert hold["roll_moment_N_m"] == pytest.approx(hold["propeller_torque_N_m"], rel=1e-9)
        else:
            assert abs(hold["roll_moment_N_m"]) < 1e-3
    sides = {"left": -1.0, "right": 1.0}
    for hold in holds:
        if hold["kind"] == "ballast":
            weight = sample.parameters.ballast_mass * 9.80665 * sample.parameters.ballast_arm
            assert hold["ballast_moment_N_m"] == pytest.approx(sides[hold["ballast_side"]] * weight, rel=1e-4)
    # everything in it is plain JSON
    assert json.loads(json.dumps(sample.truth)) == json.loads(json.dumps(sample.truth, allow_nan=False))


@pytest.mark.synthetic
def test_sheets_state_nominal_values_and_no_clock_offset(sample: SimulatedSortie, tmp_path: Path) -> None:
    write_sortie(sample, tmp_path)
    sheets = {
        name: tomllib.loads((tmp_path / name).read_text(encoding="utf-8"))
        for name in FILES
        if name.endswith(".toml")
    }
    sortie = sheets["sortie.toml"]
    assert [log["role"] for log in sortie["logs"]] == ["unit", "gps", "engine"]
    assert not any("clock_offset_s" in log for log in sortie["logs"])
    assert len(sortie["ballast"]) == 4
    for leg, hold in zip(
        sortie["ballast"], [h for h in sample.planned_holds if h["kind"] == "ballast"], strict=True
    ):
        assert leg["start_s"] <= hold["start_s"] and leg["end_s"] >= hold["end_s"] - 1.0
        assert leg["mass_kg"] == sample.stated.ballast_mass != sample.parameters.ballast_mass
    aircraft = sheets["aircraft.toml"]
    assert aircraft["hang_arm_m"] == sample.stated.hang_arm != sample.parameters.hang_arm
    assert aircraft["propeller"]["rotation"] == "left"


@pytest.mark.synthetic
def test_true_values_scatter_around_the_stated_ones() -> None:
    # z of each stated quantity over members drawn without flying them
    from flightproc.simulate.sortie import draw_truth

    stated = Stated()
    draws = [draw_truth(DEFAULTS, stated, np.random.default_rng(i)) for i in range(400)]
    for name in ("hung_mass", "hang_arm", "hang_span", "ballast_mass", "ballast_arm"):
        z = [(getattr(draw, name) - getattr(stated, name)) / getattr(stated, f"{name}_std") for draw in draws]
        assert np.mean(z) == pytest.approx(0.0, abs=0.2)
        assert np.std(z) == pytest.approx(1.0, abs=0.15)


@pytest.mark.synthetic
def test_rig_readings_scatter_around_the_static_torque() -> None:
    density = RIG_PRESSURE / (287.05287 * RIG_TEMPERATURE)
    errors = []
    for seed in range(100):
        rig = take_readings(DEFAULTS, np.random.default_rng(seed))
        zero = rig.readings[0].right - rig.readings[0].left
        assert rig.readings[0].rpm == rig.readings[-1].rpm == 0.0
        for reading in rig.readings[1:-1]:
            assert reading.left_low <= reading.left <= reading.left_high
            assert reading.right_low <= reading.right <= reading.right_high
            torque = 9.80665 * (reading.right - reading.left - zero) * 0.38 / 2
            errors.append(torque / static_torque(DEFAULTS, reading.rpm, density) - 1)
    assert np.mean(errors) == pytest.approx(0.0, abs=0.003)
    assert 0.005 < np.std(errors) < 0.03


@pytest.mark.regression
def test_bad_requests_are_told() -> None:
    with pytest.raises(FlightprocError, match="no such parameter"):
        simulate_sortie(1, gust=0.1)
    with pytest.raises(FlightprocError, match="rotation is not allowed"):
        simulate_sortie(1, rotation="up")
    with pytest.raises(FlightprocError, match="seed"):
        simulate_sortie(-1)
    with pytest.raises(FlightprocError, match="calibration is not allowed"):
        Stated(calibration="guess")


@pytest.mark.regression
def test_an_earlier_sortie_is_not_overwritten(sample: SimulatedSortie, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "truth.json").write_text("mine", encoding="utf-8")
    (folder / "notes.txt").write_text("mine too", encoding="utf-8")
    with pytest.raises(OutputError, match="already"):
        write_sortie(sample, folder)
    assert (folder / "truth.json").read_text(encoding="utf-8") == "mine"
    written = write_sortie(sample, folder, force=True)
    assert [path.name for path in written] == list(FILES)
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "mine too"
    assert sorted(path.name for path in folder.iterdir()) == sorted([*FILES, "notes.txt"])


@pytest.mark.regression
def test_unwritable_place_is_told(sample: SimulatedSortie, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot write"):
        write_sortie(sample, tmp_path / "file" / "sortie")


@pytest.mark.regression
def test_committed_sample_is_what_the_simulator_makes(sample: SimulatedSortie, tmp_path: Path) -> None:
    write_sortie(sample, tmp_path)
    assert sum((SAMPLE / name).stat().st_size for name in FILES) < 15e6
    for name in ("sortie.toml", "aircraft.toml", "glider.toml", "rig.toml"):
        assert (SAMPLE / name).read_text(encoding="utf-8") == (tmp_path / name).read_text(encoding="utf-8")
    committed = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))
    fresh = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    _compare(committed, fresh)
    old, new = ULog(str(SAMPLE / "unit.ulg")), ULog(str(tmp_path / "unit.ulg"))
    for one, two in zip(old.data_list, new.data_list, strict=True):
        assert one.name == two.name
        for field, values in one.data.items():
            # other platforms' libraries may differ in the last place
            assert np.allclose(values, two.data[field], rtol=1e-5, atol=1e-4), field
    for name in ("gps.gpx", "engine.csv"):
        before = (SAMPLE / name).read_text(encoding="utf-8").splitlines()
        after = (tmp_path / name).read_text(encoding="utf-8").splitlines()
        assert len(before) == len(after)
        assert sum(a != b for a, b in zip(before, after, strict=True)) < 0.01 * len(before)


def _compare(one: object, two: object) -> None:
    assert type(one) is type(two)
    if isinstance(one, dict) and isinstance(two, dict):
        assert one.keys() == two.keys()
        for key in one:
            _compare(one[key], two[key])
    elif isinstance(one, list) and isinstance(two, list):
        assert len(one) == len(two)
        for a, b in zip(one, two, strict=True):
            _compare(a, b)
    elif isinstance(one, float):
        assert one == pytest.approx(two, rel=1e-6, abs=1e-6)
    else:
        assert one == two
