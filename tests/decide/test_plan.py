"""The planner: what it forecasts, how it orders a sortie, what it writes."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from flightproc.cli import main
from flightproc.decide.plan import Plan, flyable, plan_sortie, wanted_std
from flightproc.decide.plan_document import plan_document, sortie_sheet
from flightproc.decide.plan_forecast import NOISE, forecast
from flightproc.decide.plan_legs import Design, FlightLaw, schedule
from flightproc.decide.plan_noise import Seen, carry_noise, typical_noise
from flightproc.decide.plan_words import limits
from flightproc.decide.plan_world import make_law, make_world
from flightproc.errors import EstimateError, SheetError
from flightproc.report.sortie_card import OWN_FILES, draw_card, plan_files
from flightproc.sheets import load_plan, load_sortie
from flightproc.sheets.template import template

pytestmark = pytest.mark.synthetic

LAW = FlightLaw(10.5, 2.0, 1.5, 4800.0, 6800.0, 6000.0, 3.5, 150.0, 450.0, 15.0)

AIRCRAFT = """
name = "frame"
hung_mass_kg = 100.0
all_up_mass_kg = 106.5
hang_span_m = 0.45
hang_arm_m = 0.35
[engine]
gear_ratio = 2.8
idle_rpm = 2200.0
[propeller]
diameter_m = 1.28
blades = 2
rotation = "left"
pitch_m = 0.62
chord_075_m = 0.08
"""
GLIDER = """
name = "wing"
flat_area_m2 = 28.0
projected_area_m2 = 24.0
flat_span_m = 12.0
projected_span_m = 9.6
line_length_m = 7.0
trim_speed_m_s = 10.2
"""
PLAN = """
aircraft = "aircraft.toml"
glider = "glider.toml"
cruise_torque_N_m = 22.0
rig_std_percent = 1.8
[goal]
difference_percent = {difference}
[holds]
cruise_rpm = 6000.0
other_rpm = [5200.0]
seconds = [60.0, 90.0]
most_legs = 14
[ballast]
masses_kg = [5.0]
arm_m = 0.30
[flight]
level_rpm = 4800.0
"""


def write_sheets(folder):
    (folder / "aircraft.toml").write_text(AIRCRAFT)
    (folder / "glider.toml").write_text(GLIDER)
    (folder / "plan.toml").write_text(PLAN.format(difference=13.0))
    return folder


@pytest.fixture
def folder(tmp_path):
    return write_sheets(tmp_path)


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    return load_plan(write_sheets(tmp_path_factory.mktemp("sheets")) / "plan.toml")


@pytest.fixture(scope="module")
def plan(sheets) -> Plan:
    return plan_sortie(sheets)


def with_goal(sheets, **changes):
    goal = sheets.sheet.goal.model_copy(update=changes)
    return replace(sheets, sheet=sheets.sheet.model_copy(update={"goal": goal}))


def test_the_wanted_precision_is_that_of_a_two_sided_normal_test():
    # quantiles of the normal law: 1.959964 and 0.841621
    std, factor = wanted_std(0.05, 0.05, 0.80)
    assert factor == pytest.approx(1.959964 + 0.841621, abs=2e-6)
    assert std == pytest.approx(0.05 / factor)


def test_a_stated_difference_is_found_as_often_as_the_power_says():
    std, _ = wanted_std(0.05, 0.05, 0.80)
    found = np.abs(0.05 + std * np.random.default_rng(1).standard_normal(40_000)) > 1.959964 * std
    assert found.mean() == pytest.approx(0.80, abs=0.01)


def test_the_shortest_flight_that_meets_the_goal_is_taken(plan):
    assert plan.met and plan.chosen.forecast.std <= plan.wanted
    shorter = [c for c in plan.ladder if c.flight.flight_seconds < plan.chosen.flight.flight_seconds]
    assert shorter and all(c.forecast.std > plan.wanted for c in shorter)
    assert "resolves 13 %" in plan.words[0] and "A shorter flight" in plan.words[1]


def test_the_ladder_falls(plan):
    stds = [c.forecast.std for c in plan.ladder]
    assert stds == sorted(stds, reverse=True) and len(stds) > 3


def test_what_cannot_be_resolved_is_said_with_what_to_do(sheets):
    plan = plan_sortie(with_goal(sheets, difference_percent=3.0))
    assert not plan.met and plan.chosen.forecast.floor > plan.wanted
    text = " ".join(plan.words)
    assert text.startswith("No sortie") and "More or longer holds do not help" in text and "Instead:" in text
    assert {"ballast mass and arm", "yaw of the sensor", "rig"} <= {item.source for item in limits(plan)}
    assert all(item.resolvable < plan.resolvable(plan.chosen.forecast.std) for item in limits(plan))


def test_the_budget_adds_up(plan):
    found = plan.chosen.forecast
    assert math.sqrt(sum(v**2 for v in found.budget.values())) == pytest.approx(found.std, rel=1e-3)
    quiet = sum(v**2 for name, v in found.budget.items() if name not in NOISE)
    assert found.floor == pytest.approx(math.sqrt(quiet))


def test_the_rig_counts_in_full_and_the_ballast_as_far_as_it_tells_k(plan):
    budget = plan.chosen.forecast.budget
    assert budget["rig"] == pytest.approx(0.018)
    ballast = math.hypot(0.05 / 5.0, 0.005 / 0.30)
    assert 0.9 * ballast < budget["ballast mass and arm"] <= ballast


def test_two_sorties_share_what_does_not_change(plan):
    shared = {"rig", "ballast mass and arm", "riser stiffness", "change of K under power"}
    assert not shared & {name for name, part in plan.by_sortie.budget.items() if part > 1e-3}
    own = plan.chosen.forecast.budget["noise of the power holds"]
    assert plan.by_sortie.budget["noise of the power holds"] == pytest.approx(math.sqrt(2) * own, rel=0.05)


def noise_of(found):
    return sum(found.budget.get(name, 0.0) ** 2 for name in NOISE if name != "drift of the zeros")


@pytest.mark.parametrize(
    ("change", "source"),
    [
        ({"glides": 6}, ""),
        ({"ballast_legs": 4}, "noise of the ballast legs"),
        ({"cruise_holds": 4}, "noise of the power holds"),
        ({"seconds": 90.0}, "noise of the power holds"),
    ],
)
def test_more_of_something_lessens_its_noise(sheets, change, source):
    world, _ = make_world(sheets, [])
    few = Design(60.0, 3, 2, 1, 5.0)
    more = replace(few, **change)
    before, after = (forecast(schedule(design, LAW), 5.0, world) for design in (few, more))
    # zeros come from glides and ballast legs together, and a longer flight gives them more time to drift
    assert noise_of(after) < noise_of(before)
    if source:
        assert after.budget[source] < 0.95 * before.budget[source]


def test_noise_follows_gusts_and_what_was_seen():
    calm, rough = typical_noise(0.1), typical_noise(0.4)
    assert rough.turn / calm.turn == pytest.approx(4.0, rel=0.02) and rough.hang > calm.hang
    seen = carry_noise(0.002, 0.004, None, 0.3, "seen")
    assert seen.hang == pytest.approx(0.002 * 1.045)
    carried = carry_noise(0.002, 0.004, 0.1, 0.4, "seen")
    assert carried.turn == pytest.approx(1.045 * 0.004 * rough.turn / calm.turn)
    assert seen.block(120.0)[0] == pytest.approx(seen.hang**2 / 2)


def test_earlier_sorties_set_noise_and_stiffness(sheets):
    world, _ = make_world(sheets, [Seen("a", 0.001, 0.003, 480.0), Seen("b", 0.001, 0.003, 520.0)])
    assert world.stiffness == pytest.approx(500.0)
    assert world.noise.hang == pytest.approx(0.001045) and "2 earlier sorties" in world.noise.words


@pytest.mark.parametrize("legs", [(3, 0, 1), (3, 4, 2), (6, 8, 4)])
@pytest.mark.parametrize("others", [(), (5200.0, 6800.0)])
def test_a_schedule_keeps_its_height_and_flies_all_holds(legs, others):
    design = Design(60.0, *legs, 5.0, others)
    flight = schedule(design, LAW)
    assert flight is not None and len(flight.holds) == design.legs
    assert flight.lowest >= LAW.low - 1e-6 and flight.highest <= LAW.high + 1e-6
    for before, after in zip(flight.legs, flight.legs[1:], strict=False):
        assert after.start == pytest.approx(before.end) and after.height == pytest.approx(before.height_end)
    assert flight.holds[-1].kind == "glide" and flight.legs[-1].height_end == pytest.approx(0.0)
    sides = [leg.side for leg in flight.holds if leg.kind == "ballast"]
    assert sides.count("left") == sides.count("right")
    powers = [leg.rpm for leg in flight.holds if leg.kind == "power"]
    assert powers[0] == min(powers)
    assert max(flight.upwind, flight.downwind) < 4000.0


def test_a_leg_that_outgrows_the_band_cannot_be_scheduled():
    assert schedule(Design(90.0, 3, 0, 1, 0.0, (9000.0,)), LAW) is None


def test_where_nothing_can_be_flown_the_limit_is_named(sheets):
    flight = sheets.sheet.flight.model_copy(update={"fuel_l": 0.6})
    tight = replace(sheets, sheet=sheets.sheet.model_copy(update={"flight": flight}))
    with pytest.raises(EstimateError, match="within the limits") as caught:
        flyable(tight, make_law(tight, 10.5))
    assert "fuel" in str(caught.value)


def test_the_sortie_sheet_loads_once_logs_and_times_are_filled_in(plan, folder):
    out = folder / "next"
    out.mkdir()
    text = sortie_sheet(replace(plan, sheets=load_plan(folder / "plan.toml")), out)
    (out / "sortie.toml").write_text(text)
    with pytest.raises(SheetError) as caught:
        load_sortie(out / "sortie.toml")
    legs = plan.chosen.design.ballast_legs
    assert legs and len(caught.value.faults) == 1 + 2 * legs
    (out / "unit.ulg").touch()
    text = text.replace('"FILL IN"', '"unit.ulg"', 1)
    for number in range(legs):
        text = text.replace('start_s = "FILL IN"', f"start_s = {100 * number}", 1)
        text = text.replace('end_s = "FILL IN"', f"end_s = {100 * number + 60}", 1)
    (out / "sortie.toml").write_text(text)
    loaded = load_sortie(out / "sortie.toml")
    planned = [leg.side for leg in plan.chosen.flight.holds if leg.kind == "ballast"]
    assert [leg.side for leg in loaded.sortie.ballast] == planned
    assert loaded.sortie.ballast[0].mass_kg == plan.chosen.design.ballast_mass


def test_the_card_holds_every_leg_and_its_text_fits_the_page(plan, folder):
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = draw_card(plan)
    renderer = FigureCanvasAgg(figure).get_renderer()
    texts = figure.axes[0].texts
    words = [text.get_text() for text in texts]
    assert sum(word in ("POWER", "GLIDE", "BALLAST") for word in words) == plan.chosen.design.legs
    assert any("STOP" in word for word in words) and any("instructor" in word for word in words)
    width, height = figure.bbox.width, figure.bbox.height
    for text in texts:
        box = text.get_window_extent(renderer)
        assert box.x0 >= 0 and box.x1 <= 0.985 * width and box.y0 >= 0 and box.y1 <= height, text.get_text()
        assert text.get_fontsize() >= 9.0 and text.get_color() == "black"


def test_no_cell_of_the_card_runs_into_the_next(plan):
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    sheet = plan.sheets.sheet
    air = sheet.air.model_copy(update={"wind_from_deg": 240.0})
    sheets = replace(plan.sheets, sheet=sheet.model_copy(update={"air": air}))
    for shown in (plan, replace(plan, sheets=sheets)):
        figure = draw_card(shown)
        renderer = FigureCanvasAgg(figure).get_renderer()
        texts = [text for text in figure.axes[0].texts if text.get_text()]
        boxes = [text.get_window_extent(renderer) for text in texts]
        for i, one in enumerate(boxes):
            for text, other in zip(texts[:i], boxes[:i], strict=True):
                assert not one.overlaps(other), (texts[i].get_text(), text.get_text())


def test_the_longest_card_is_still_legible(sheets):
    holds = sheets.sheet.holds.model_copy(update={"most_legs": 24})
    wide = replace(sheets, sheet=sheets.sheet.model_copy(update={"holds": holds}))
    plan = plan_sortie(wide)
    design = Design(60.0, 6, 8, 4, 5.0, (5200.0, 5600.0, 6400.0, 6800.0, 7000.0, 7200.0))
    flight = schedule(design, plan.law)
    assert flight is not None
    long = replace(plan, chosen=replace(plan.chosen, design=design, flight=flight))
    sizes = [text.get_fontsize() for text in draw_card(long).axes[0].texts]
    assert min(sizes) >= 7.0


def test_files_are_whole_and_the_same_each_time(plan, folder):
    files = plan_files(plan, folder)
    assert set(files) == set(OWN_FILES)
    assert files["sortie-card.pdf"].startswith(b"%PDF") and files["sortie-card.png"].startswith(b"\x89PNG")
    data = json.loads(files["plan.json"])
    assert data == json.loads(json.dumps(plan_document(plan)))
    assert data["schema"] == "flightproc-plan/1" and len(data["cautions"]) > 5
    assert plan_files(plan, folder)["sortie-card.pdf"] == files["sortie-card.pdf"]


def test_the_command_writes_a_card_and_tells_all_faults_together(folder, capsys):
    out = folder / "next"
    assert main(["plan", str(folder / "plan.toml"), "-o", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "Sortie card" in shown and "caution" in shown and (out / "sortie-card.pdf").is_file()
    (folder / "glider.toml").write_text(GLIDER.replace("28.0", '"big"'))
    (folder / "plan.toml").write_text(PLAN.format(difference=-1.0))
    assert main(["plan", str(folder / "plan.toml"), "--results", str(folder / "none.json")]) == 2
    err = capsys.readouterr().err
    assert "difference_percent" in err and "flat_area_m2" in err and "none.json" in err
    assert "Traceback" not in err


def test_results_of_an_earlier_sortie_are_read(folder, capsys):
    results = folder / "results.json"
    calibration = {
        "noise_hang_roll_60s_deg": 0.08,
        "noise_turn_rate_60s_deg_s": 0.3,
        "hang_stiffness_N_m_rad": {"value": 510.0},
    }
    results.write_text(json.dumps({"calibration": calibration}))
    arguments = ["plan", str(folder / "plan.toml"), "--results", str(results), "--json"]
    assert main([*arguments, "--difference", "20", "-o", str(folder / "out")]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["goal"]["difference_percent"] == 20.0 and data["met"]
    assert any("510 N m/rad" in word for word in data["remarks"])
    results.write_text(json.dumps({"calibration": {"noise_hang_roll_60s_deg": "x"}}))
    assert main(arguments) == 2
    assert capsys.readouterr().err.count("results.json") >= 2


def test_the_template_is_toml_and_tells_what_to_fill_in(tmp_path, capsys):
    assert "FILL IN" in str(tomllib.loads(template("plan")))
    assert main(["new", str(tmp_path), "--plan"]) == 0
    assert "flightproc plan" in capsys.readouterr().out
    with pytest.raises(SheetError) as caught:
        load_plan(tmp_path / "plan.toml")
    assert "still to be filled in" in str(caught.value)
