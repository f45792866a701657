"""Sizing a compensation: directions, optimum, chances, honesty, faults."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pytest

from flightproc.channels import GRAVITY
from flightproc.decide import Change, balance_frame, flown_from_results
from flightproc.decide.balance import default_sheet
from flightproc.decide.cases import make_cases, make_draws, respond
from flightproc.decide.flown import results_faults
from flightproc.decide.laws import fit_law
from flightproc.decide.optimise import best_change, make_goal
from flightproc.errors import SheetError
from flightproc.sheets.balance import BalanceGlider, HangOffsetEntry, Phase, ThrustOffsetEntry
from flightproc.sheets.glider import GliderSheet
from flightproc.sheets.load import BalanceSheets

pytestmark = pytest.mark.synthetic

STIFF = {"riser_yaw_stiffness_N_m_rad": 5000.0, "riser_yaw_stiffness_spread": 0.0}
PHASES = (
    Phase(name="idle", weight=0.2),
    Phase(name="cruise", rpm=6000.0, weight=0.6),
    Phase(name="climb", rpm=7600.0, weight=0.2),
)


def prepare(flown, sheets):
    """Return the goal of a sheet, with its cases."""
    sheet = sheets.sheet
    cases = make_cases(flown, sheets)
    draws = make_draws(flown, sheet, cases)
    answers = [
        [respond(flown, sheet, draws, cases, g, phase.rpm) for phase in PHASES] for g in range(len(cases))
    ]
    return make_goal(sheet, cases, [phase.weight for phase in PHASES], answers), cases


# Directions ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sign", [1, -1])
def test_every_change_works_against_the_reaction(make_flown, make_sheets, sign):
    """A positive change opposes a reaction to the right; a mirrored propeller mirrors all of them."""
    found = balance_frame(make_flown(sign=sign), make_sheets(**STIFF))
    assert sign * found.option("hang_offset").change.hang_offset > 0.002
    assert sign * found.option("thrust_tilt").change.thrust_tilt > math.radians(0.2)
    assert sign * found.option("thrust_offset").change.thrust_offset > 0.001
    assert sign * found.option("surface").change.surface_angle > math.radians(1.0)
    for key in ("hang_offset", "thrust_tilt", "thrust_offset", "surface"):
        option = found.option(key)
        assert option.goal < 0.95
        before = abs(found.option("now").phases[0][2].turn.value)
        assert abs(option.phases[0][2].turn.value) < before


def test_a_mirrored_frame_gives_mirrored_figures(make_flown, make_sheets):
    right, left = (balance_frame(make_flown(sign=s), make_sheets(phases=PHASES)) for s in (1, -1))
    for key in ("hang_offset", "thrust_tilt", "thrust_offset"):
        one, other = right.option(key).change, left.option(key).change
        scale = float(np.abs(one.actions).max())  # the draws are not mirrored: 1000 of them tell to some %
        np.testing.assert_allclose(one.actions, -other.actions, atol=0.12 * scale)
    assert right.best == left.best


def test_moments_have_the_sides_of_statics(make_flown, make_sheets):
    flown, sheets = make_flown(), make_sheets(**STIFF)
    cases = make_cases(flown, sheets)
    draws = make_draws(flown, sheets.sheet, cases)
    answer = respond(flown, sheets.sheet, draws, cases, 0, 6000.0)
    # weight left of the hang points rolls left; thrust to the right below them does so, too
    np.testing.assert_allclose(answer.moment_per[0], -100.0 * GRAVITY)
    np.testing.assert_allclose(answer.moment_per[1], 0.0)
    np.testing.assert_allclose(answer.moment_per[2], -0.25 * answer.thrust)
    assert np.all(answer.moment_per[3] <= 0.0)
    # thrust right of the middle turns left, and so does a tail that is pushed right
    assert np.all(answer.turn_per[1] < 0.0) and np.all(answer.turn_per[2] < 0.0)


def test_weak_risers_take_the_effect_of_a_yaw_moment_away(make_flown, make_sheets):
    """The unit twists, its thrust points aside below the hang points, and rolls the wing the other way."""
    flown = make_flown()
    per = {}
    for stiffness in (5000.0, 20.0):
        sheets = make_sheets(riser_yaw_stiffness_N_m_rad=stiffness, riser_yaw_stiffness_spread=0.0)
        cases = make_cases(flown, sheets)
        draws = make_draws(flown, sheets.sheet, cases)
        per[stiffness] = float(np.median(respond(flown, sheets.sheet, draws, cases, 0, 7600.0).turn_per[1]))
    assert per[5000.0] < 0.0 < per[20.0]


# Optimum ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("aim", ["turn", "moment"])
@pytest.mark.parametrize("over", ["mean", "worst"])
def test_the_optimum_is_that_of_a_grid(make_flown, make_sheets, aim, over):
    sheets = make_sheets(
        aim=aim,
        over=over,
        gliders=(BalanceGlider(name="flown"), BalanceGlider(name="light", hung_mass_kg=60.0)),
    )
    goal, _ = prepare(make_flown(zero_deg_s=0.1), sheets)
    sheet = sheets.sheet
    found = best_change(goal, sheet, ["hang_offset"])
    line = [Change(hang_offset=y) for y in np.linspace(-0.03, 0.03, 1201)]
    best = min(line, key=goal)
    assert goal(found) <= goal(best) + 1e-9
    assert found.hang_offset == pytest.approx(best.hang_offset, abs=1e-4)

    tilt = math.radians(2.5)
    pair = best_change(goal, sheet, ["hang_offset", "thrust_tilt"])
    grid = [
        Change(hang_offset=y, thrust_tilt=d)
        for y, d in itertools.product(np.linspace(-0.03, 0.03, 121), np.linspace(-tilt, tilt, 81))
    ]
    least = min(goal(change) for change in grid)
    assert goal(pair) <= least + 1e-6
    assert goal(pair) > least - 0.01

    surface = best_change(goal, sheet, ["surface"])
    angle = math.radians(8.0)
    grid = [
        Change(surface_area=a, surface_angle=d)
        for a, d in itertools.product(np.linspace(0.0, 0.1, 61), np.linspace(-angle, angle, 81))
    ]
    least = min(goal(change) for change in grid)
    assert goal(surface) <= least + 1e-6
    assert goal(surface) > least - 0.01


def test_limits_hold_and_more_means_never_do_worse(make_flown, make_sheets):
    sheets = make_sheets(hang_offset=HangOffsetEntry(limit_m=0.004))
    goal, _ = prepare(make_flown(moment_6000=40.0), sheets)
    tight = best_change(goal, sheets.sheet, ["hang_offset"])
    assert tight.hang_offset == pytest.approx(0.004, abs=1e-6)
    both = best_change(goal, sheets.sheet, ["hang_offset", "thrust_tilt"])
    assert goal(both) <= goal(tight) + 1e-9
    assert goal(tight) < goal(Change()) == 1.0


def test_the_limit_of_the_hang_points_counts_what_they_are_offset_already(make_document, make_sheets):
    data = make_document(moment_6000=40.0)
    data["moment_curve"].update(compensation="hang_offset", hang_offset_m=0.02)
    found = balance_frame(flown_from_results(data), make_sheets(hang_offset=HangOffsetEntry(limit_m=0.025)))
    assert found.option("hang_offset").change.hang_offset == pytest.approx(0.005, abs=1e-6)
    bare = found.option("bare")
    assert bare.change.hang_offset == -0.02
    assert bare.phases[0][0].moment.value == pytest.approx(0.0, abs=1e-9)
    assert found.option("now").phases[0][0].moment.value == pytest.approx(-0.02 * 100.0 * GRAVITY)


def test_a_dear_thrust_makes_surfaces_smaller(make_flown, make_sheets):
    areas = []
    for price in (0.0, 200.0):
        sheets = make_sheets(thrust_price=price)
        goal, _ = prepare(make_flown(), sheets)
        areas.append(best_change(goal, sheets.sheet, ["surface"]).surface_area)
    assert areas[1] < areas[0]


# What is said -------------------------------------------------------------------------------------------


def test_the_frame_as_it_is_turns_as_was_seen(make_flown, make_sheets):
    flown = make_flown(zero_deg_s=0.2, yaw_turn_deg_s=0.15, spread=0.4, noise_deg_s=0.05)
    phases = tuple(Phase(name=f"{n:.0f}", rpm=n) for n in flown.rpm)
    found = balance_frame(flown, make_sheets(phases=phases, draws=4000)).option("now")
    for seen, result in zip(flown.turn, found.phases[0], strict=True):
        assert result.turn.value == pytest.approx(seen, abs=2.0 * math.radians(0.05))
        assert result.turn.std < 2.0 * math.radians(0.05)


def test_signs_flip_where_the_curves_cross(make_flown, make_sheets):
    found = balance_frame(make_flown(), make_sheets(phases=PHASES))
    curve = found.option("hang_offset").curves[0]
    (flip,) = curve.moment_flips
    offset = found.option("hang_offset").change.hang_offset
    assert flip == pytest.approx(6000.0 * math.sqrt(offset * 100.0 * GRAVITY / 24.0), rel=0.02)
    assert np.interp(flip, found.rpm, curve.moment[0]) == pytest.approx(0.0, abs=0.05)
    assert found.option("now").curves[0].moment_flips == ()


def test_turn_follows_gliders_and_loading(make_flown, make_sheets):
    """psi_dot / L = 4 c_L / (rho V S b^2), V with the root of the mass."""
    flown = make_flown(spread=1e-4, noise_deg_s=1e-3)
    stated = GliderSheet(
        name="small", flat_area_m2=20, projected_area_m2=17, flat_span_m=11, projected_span_m=9,
        line_length_m=6, trim_speed_m_s=13.0, turn_coefficient=3.0, turn_coefficient_std=1e-3,
    )  # fmt: skip
    entries = (
        BalanceGlider(),
        BalanceGlider(hung_mass_kg=142.0, glider_mass_kg=6.5),
        BalanceGlider(sheet="x.toml", bias_std_deg_s=0.0),
    )
    sheets = make_sheets(gliders=entries, phases=PHASES, unseen_thrust_offset_m=0.0005)
    sheets = BalanceSheets(sheets.sheet, (None, None, stated))
    own, heavy, small = (row[1].turn.value for row in balance_frame(flown, sheets).option("now").phases)
    assert heavy / own == pytest.approx(math.sqrt(106.5 / 148.5), rel=0.01)
    assert small / own == pytest.approx(10.3 * 28.0 * 144.0 / (13.0 * 20.0 * 121.0), rel=0.05)


def test_tolerances_add_to_spread_and_take_from_the_chance(make_flown, make_sheets):
    outcomes = []
    for tolerance in (0.0, 0.02):
        sheets = make_sheets(
            hang_offset=HangOffsetEntry(tolerance_m=tolerance),
            phases=PHASES,
            turn_limit_deg_s=0.4,
            draws=4000,
        )
        option = balance_frame(make_flown(), sheets).option("hang_offset")
        outcomes.append((option.phases[0][1].turn.std, option.chances[0], option.sensitivity[0].turn[0]))
    (tight, sure, nothing), (loose, unsure, felt) = outcomes
    assert loose > 2.0 * tight and unsure < sure and nothing == 0.0
    # 20 mm at 100 kg: 19.6 N m times the gain of c_L = 3
    assert felt == pytest.approx(0.02 * 100.0 * GRAVITY * 12.0 / (1.16 * 10.3 * 28.0 * 144.0), rel=0.1)


def test_intervals_hold_the_truth(make_flown, make_sheets):
    """Sixty sorties with noise: turn after a stated change, against what the truth gives."""
    inside, scores = 0, []
    count = 60
    for seed in range(count):
        flown = make_flown(
            seed=seed, yaw_turn_deg_s=0.1, spread=0.3, noise_deg_s=0.15, noise=0.7, zero_deg_s=0.1
        )
        sheets = make_sheets(draws=600, seed=seed, **STIFF)
        cases = make_cases(flown, sheets)
        draws = make_draws(flown, sheets.sheet, cases)
        answer = respond(flown, sheets.sheet, draws, cases, 0, 6800.0)
        turn = np.degrees(answer.turn + 0.015 * answer.turn_per[0])
        u2 = (6800.0 / 6000.0) ** 2
        gain = 12.0 / (1.16 * 10.3 * 28.0 * 144.0)
        truth = 0.1 + math.degrees(gain * (24.0 * u2 - 0.015 * 100.0 * GRAVITY)) + 0.1 * u2
        low, high = np.quantile(turn, [0.025, 0.975])
        inside += bool(low <= truth <= high)
        scores.append((float(np.mean(turn)) - truth) / float(np.std(turn)))
    assert inside >= 0.87 * count
    assert abs(float(np.mean(scores))) < 0.5
    assert 0.5 < float(np.std(scores)) < 1.3


def test_a_yaw_moment_beyond_what_was_expected_is_told(make_flown, make_sheets):
    flown = make_flown(yaw_turn_deg_s=6.0, noise_deg_s=0.02, spread=0.02)
    found = balance_frame(
        flown, make_sheets(unseen_thrust_offset_m=0.001, yaw_over_roll_spread=0.05, **STIFF)
    )
    assert any("further off centre" in word for word in found.remarks)
    assert found.option("now").phases[0][1].turn.value == pytest.approx(flown.turn[1], rel=0.1)


def test_thrust_is_had_from_torque_where_nothing_else_gave_it(make_document, make_sheets):
    data = make_document(thrust=False)
    data["ratio_curve"] = None
    found = balance_frame(flown_from_results(data), make_sheets(phases=PHASES))
    assert "figure of merit" in found.thrust_source and any("figure of merit" in w for w in found.remarks)
    # 24 N m at 6000 / 2.8 rpm, D 1.28 m, FM 0.62, 81 % of it in flight
    power = 24.0 * 2.0 * math.pi * 6000.0 / 2.8 / 60.0
    rest = (2.0 * 1.16 * math.pi * 0.64**2 * (0.62 * power) ** 2) ** (1.0 / 3.0)
    assert found.thrust[1].value == pytest.approx(0.78 * rest, rel=0.05)
    assert found.thrust[0].value == 0.0


def test_cautions_and_json(make_flown):
    found = balance_frame(make_flown(), BalanceSheets(default_sheet().model_copy(update={"draws": 600}), ()))
    text = json.dumps(found.to_json(), allow_nan=False)
    assert json.loads(text)["best"] == found.best
    for word in ("frame's maker", "small steps", "run away", "reach the disc", "qualified instructor"):
        assert any(word in caution for caution in found.cautions), word
    assert found.words and all(word.endswith(".") for word in found.words)


def test_same_seed_same_figures(make_flown, make_sheets):
    one, two = (json.dumps(balance_frame(make_flown(), make_sheets()).to_json()) for _ in range(2))
    assert one == two


def test_a_lone_engine_speed_is_enough(make_document, make_sheets):
    data = make_document()
    curve = data["moment_curve"]
    for name in ("rpm", "roll_moment_N_m", "airspeed_m_s", "density_kg_m3", "thrust_N"):
        curve[name] = curve[name][:1]
    curve["covariance_N2_m2"] = [[0.1]]
    data["comparison"] = data["comparison"][:1]
    found = balance_frame(flown_from_results(data), make_sheets())
    assert [phase.name for phase in found.phases] == ["idle", "power"]
    assert any("too few engine speeds" in word for word in found.remarks)


def test_a_law_is_fitted_with_its_covariance():
    rpm = np.array([5000.0, 6000.0, 7000.0, 8000.0])
    true = 20.0 * (rpm / 6000.0) ** 2.3
    law = fit_law(rpm, true, 0.01 * np.eye(4))
    np.testing.assert_allclose(law.at(rpm), true, rtol=0.01)
    assert law.dof == 2
    draws = law.draw(4000, np.random.default_rng(1))
    assert float(np.std(law.at(6500.0, draws))) == pytest.approx(
        math.sqrt(np.array([1.0, 0.0]) @ law.covariance @ [1.0, 0.0]), rel=0.05
    )


# Faults -------------------------------------------------------------------------------------------------


def test_all_faults_of_results_are_told_together(make_document, tmp_path):
    data = make_document()
    data["reaction_sign"] = 0
    data["loading"]["flat_area_m2"] = None
    data["moment_curve"]["gear_ratio"] = -1
    data["moment_curve"]["roll_moment_N_m"][2] = None
    data["calibration"]["turn_coefficient"] = {"value": None}
    with pytest.raises(SheetError) as caught:
        flown_from_results(data, "r.json")
    fields = {fault.field for fault in caught.value.faults}
    assert fields == {"reaction_sign", "flat_area_m2", "gear_ratio", "roll_moment_N_m", "turn_coefficient"}
    (tmp_path / "r.json").write_text(json.dumps(data))
    assert len(results_faults(tmp_path / "r.json")) == 5


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "not JSON"),
        ("{", "not JSON"),
        ("[1]", "list"),
        ('{"schema": "other/1"}', "other/1"),
        ('{"schema": "flightproc-results/1"}', "moment_curve"),
    ],
)
def test_files_that_are_no_results_are_refused(tmp_path, text, word):
    path = tmp_path / "results.json"
    path.write_text(text)
    faults = results_faults(path)
    assert any(word in str(fault) for fault in faults)


def test_a_file_that_is_not_there(tmp_path):
    assert "No such file" in str(results_faults(tmp_path / "nothing.json")[0])


def test_results_without_a_moment_curve_say_what_to_do(make_document):
    data = make_document()
    data["moment_curve"] = None
    with pytest.raises(SheetError, match="analyse the sortie again"):
        flown_from_results(data)


def test_thrust_line_limits_may_be_zero(make_flown, make_sheets):
    found = balance_frame(make_flown(), make_sheets(thrust_offset=ThrustOffsetEntry(limit_m=0.0)))
    assert found.option("thrust_offset").change == Change()
