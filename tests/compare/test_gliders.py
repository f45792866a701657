"""Gliders against each other: law of loading, combination, pooling, truth held, words."""

import json
import math

import numpy as np
import pytest
from scipy.stats import binom

from flightproc.compare.glider_facts import read_facts, sortie_facts
from flightproc.compare.gliders import compare_gliders
from flightproc.errors import EstimateError, ResultsError

from .glider_factory import document, response

analytic = pytest.mark.analytic
synthetic = pytest.mark.synthetic

WINGS = (
    {"glider": "school wing 28", "area": 28.0, "span": 11.8, "mass": 110.0, "wing_class": "beginner"},
    {"glider": "touring wing 25", "area": 25.0, "span": 11.6, "mass": 112.0, "wing_class": "intermediate"},
    {"glider": "fast wing 20", "area": 20.0, "span": 10.6, "mass": 110.0, "wing_class": "advanced"},
    {"glider": "slalom wing 17", "area": 17.0, "span": 9.9, "mass": 108.0, "wing_class": "competition"},
    {"glider": "tandem wing 40", "area": 40.0, "span": 14.2, "mass": 190.0, "highest": 210.0},
    {"glider": "old wing 30", "area": 30.0, "span": 11.0, "mass": 105.0},
)


def facts_of(rng, specs):
    return [sortie_facts(document(rng, **spec), f"sortie {i}") for i, spec in enumerate(specs)]


def pair_of(found, what, first, second):
    names = [glider.name for glider in found.gliders]
    wanted = {names.index(first), names.index(second)}
    return next(p for p in found.pairs if p.what == what and {p.first, p.second} == wanted)


@analytic
def test_exact_measurement_gives_the_formula_back():
    rng = np.random.default_rng(1)
    facts = facts_of(rng, [{"exact": True, "coefficient": 2.9, "spread": 0.03, "ballast_std": 0.001}])
    (glider,) = compare_gliders(facts).gliders
    true = response(2.9, 106.5, 28.0, 12.0, 1.15)
    assert glider.turn_per_moment.value == pytest.approx(true, rel=2e-3)
    assert glider.turn_alone == glider.turn_per_moment
    assert glider.turn_coefficient.value == pytest.approx(2.9, rel=2e-3)
    relative = math.hypot(0.03, 0.001)
    assert glider.turn_per_moment.std / true == pytest.approx(relative, rel=0.03)
    # airspeed and density fall out of the turn per moment, not out of c_L
    assert glider.turn_coefficient.std / 2.9 > relative
    for setting, moment in (("idle", 0.0), ("full", 0.42 * 7.6**2)):
        assert glider.residual_turn[setting].value == pytest.approx(true * moment, abs=1e-12)


@analytic
def test_prediction_follows_mass_and_density_by_their_square_root():
    rng = np.random.default_rng(1)
    facts = facts_of(rng, [{"exact": True, "spread": 0.05}])
    found = compare_gliders(facts, masses=[106.5, 213.0], densities=[1.15, 0.92], moment=20.0)
    glider = found.gliders[0]
    here, thin, heavy, both = glider.predictions
    assert here.turn_per_moment.value == pytest.approx(glider.turn_per_moment.value, rel=1e-12)
    for item, mass, density in ((thin, 1, 0.8), (heavy, 2, 1), (both, 2, 0.8)):
        scale = (mass * density) ** -0.5
        assert item.turn_per_moment.value == pytest.approx(glider.turn_per_moment.value * scale, rel=5e-3)
        speed = (mass / density) ** 0.5
        assert item.trim_speed.value == pytest.approx(glider.trim_speed.value * speed, rel=1e-12)
    # the exponent's 0.2 over ln 2 joins the measurement's own spread
    spread = math.log(heavy.turn_per_moment.high95 / heavy.turn_per_moment.low95) / 3.92
    own = math.log(here.turn_per_moment.high95 / here.turn_per_moment.low95) / 3.92
    assert spread == pytest.approx(math.hypot(own, 0.2 * math.log(2.0)), rel=0.03)
    assert here.turn_at_moment.value == pytest.approx(20.0 * glider.turn_per_moment.value, rel=0.02)
    assert here.turn_at_moment.std / here.turn_at_moment.value == pytest.approx(
        math.hypot(own, 0.2), rel=0.03
    )


@analytic
def test_ballast_error_shared_by_two_gliders_leaves_their_ratio():
    rng = np.random.default_rng(2)
    specs = [
        {**WINGS[0], "ballast_std": 0.2, "spread": 0.05, "exact": True},
        {**WINGS[2], "ballast_std": 0.2, "spread": 0.05, "exact": True},
    ]
    shared = compare_gliders(facts_of(rng, specs))
    apart = compare_gliders(facts_of(rng, [specs[0], {**specs[1], "aircraft": "frame B"}]))
    what = ("turn_per_moment", "school wing 28", "fast wing 20")
    ratio, other = (pair_of(found, *what).value for found in (shared, apart))
    assert ratio.std / ratio.value == pytest.approx(0.05 * math.sqrt(2), rel=0.04)
    assert other.std / other.value == pytest.approx(math.sqrt(2) * math.hypot(0.05, 0.2), rel=0.04)
    for found in (shared, apart):
        glider = found.gliders[0].turn_per_moment
        assert math.log(glider.high95 / glider.low95) / 3.92 == pytest.approx(math.hypot(0.05, 0.2), rel=0.04)
    assert any("2 frames" in word for word in apart.words)


@analytic
def test_two_sorties_of_one_glider_at_two_loadings_are_combined():
    rng = np.random.default_rng(3)
    specs = [{"mass": mass, "exact": True, "spread": 0.1, "ballast_std": 1e-4} for mass in (90.0, 130.0)]
    found = compare_gliders(facts_of(rng, specs))
    (glider,) = found.gliders
    assert glider.mass == 110.0 and glider.sorties == (0, 1)
    true = response(2.9, 110.0, 28.0, 12.0, 1.15)
    assert glider.turn_per_moment.value == pytest.approx(true, rel=3e-3)
    spread = math.log(glider.turn_per_moment.high95 / glider.turn_per_moment.low95) / 3.92
    assert spread == pytest.approx(0.1 / math.sqrt(2), rel=0.05)
    # the second loading tells of the exponent: narrower than the 0.2 assumed
    own = 0.1 * math.sqrt(2) / math.log(130 / 90)
    assert found.mass_exponent.std == pytest.approx((own**-2 + 0.2**-2) ** -0.5, rel=0.04)
    assert found.mass_exponent.value == pytest.approx(-0.5, abs=0.01)


@synthetic
def test_families_hold_their_truth_and_pooling_comes_nearer():
    """Thirty families of six gliders, one sortie each: 180 intervals, and as many of the residual turn."""
    rng = np.random.default_rng(11)
    inside = residual = total = 0
    pooled_error, alone_error = [], []
    for seed in range(30):
        middle, spread = rng.normal(math.log(3.0), 0.2), abs(rng.normal(0.0, 0.35))
        shared = 0.02 * rng.standard_normal()
        truth, specs = [], []
        for wing in WINGS:
            coefficient = math.exp(middle + spread * rng.standard_normal())
            noise = rng.uniform(0.08, 0.35)
            specs.append({**wing, "coefficient": coefficient, "spread": noise, "ballast_error": shared})
            truth.append(coefficient)
        found = compare_gliders(facts_of(rng, specs), draws=2000, seed=seed)
        assert found.pooled
        for glider in found.gliders:
            place = next(i for i, spec in enumerate(specs) if spec["glider"] == glider.name)
            spec = specs[place]
            true = response(truth[place], spec["mass"], spec["area"], spec["span"], 1.15)
            turn = glider.turn_per_moment
            inside += turn.low95 <= true <= turn.high95
            full = glider.residual_turn["full"]
            residual += full.low95 <= true * 0.42 * 7.6**2 <= full.high95
            total += 1
            if glider.turn_alone.known:
                pooled_error.append(math.log(turn.value / true))
                alone_error.append(math.log(glider.turn_alone.value / true))
    low, high = binom.ppf([0.005, 0.995], total, 0.95) / total
    assert low <= inside / total <= high
    assert low <= residual / total <= high
    assert np.std(pooled_error) < 0.95 * np.std(alone_error)


@synthetic
def test_equal_gliders_are_seldom_called_different_and_unequal_ones_mostly():
    rng = np.random.default_rng(5)
    false = hit = 0
    for seed in range(40):
        same = facts_of(rng, [{**wing, "spread": 0.1} for wing in WINGS[:3]])
        false += any(
            p.significant for p in compare_gliders(same, draws=2000, seed=seed).pairs if p.what == "idle"
        )
        far = facts_of(rng, [{**WINGS[0], "coefficient": 2.0}, {**WINGS[2], "coefficient": 4.0}])
        found = compare_gliders(far, draws=2000, seed=seed)
        hit += pair_of(found, "turn_per_moment", "school wing 28", "fast wing 20").significant
    assert false <= binom.ppf(0.995, 40, 0.05)
    assert hit > 36


@synthetic
def test_a_glider_without_ballast_is_expected_from_the_family_only():
    rng = np.random.default_rng(6)
    specs = [*WINGS[:5], {**WINGS[5], "ballast_holds": 0}]
    old = next(g for g in compare_gliders(facts_of(rng, specs)).gliders if g.name == "old wing 30")
    assert not old.turn_per_moment.known and "no ballast" in old.turn_per_moment.reason
    true = response(2.9, 105.0, 30.0, 11.0, 1.15)
    assert old.turn_expected.low95 < true < old.turn_expected.high95
    three = compare_gliders(facts_of(rng, [*WINGS[:2], {**WINGS[5], "ballast_holds": 0}]))
    assert not three.pooled and all(not g.turn_expected.known for g in three.gliders)
    assert any("too few for a family" in word for word in three.words)


@synthetic
def test_ballast_drowned_in_gusts_is_said_and_leans_on_the_family():
    rng = np.random.default_rng(7)
    specs = [*WINGS[:4], {**WINGS[4], "spread": 1.5, "coefficient": 2.0}]
    glider = next(g for g in compare_gliders(facts_of(rng, specs)).gliders if g.name == "tandem wing 40")
    assert not glider.turn_alone.known and "from nothing" in glider.turn_alone.reason
    assert glider.turn_per_moment.known and glider.own_share < 0.3
    alone = compare_gliders(facts_of(rng, [specs[-1]]))
    assert not alone.gliders[0].turn_per_moment.known


@synthetic
def test_trend_over_gliders_only_where_they_support_it():
    rng = np.random.default_rng(8)
    found = compare_gliders(facts_of(rng, WINGS))
    assert found.trend is not None and found.trend.band.shape == (3, 41)
    assert np.all(found.trend.band[1] < found.trend.band[0])
    assert compare_gliders(facts_of(rng, WINGS[:5])).trend is None


@synthetic
def test_scatter_between_sorties_of_one_glider_widens():
    rng = np.random.default_rng(9)
    specs = [{"coefficient": c, "spread": 0.02, "exact": True} for c in (2.0, 3.0, 4.0)]
    found = compare_gliders(facts_of(rng, specs))
    assert any("widened" in word for word in found.words)
    turn = found.gliders[0].turn_per_moment
    assert turn.std / turn.value > 0.1


@synthetic
def test_words_answer_the_four_questions():
    rng = np.random.default_rng(10)
    specs = [*WINGS[:3], {**WINGS[3], "coefficient": 6.0}, {**WINGS[4], "highest": 180.0}]
    found = compare_gliders(facts_of(rng, specs), matters=math.radians(0.6))
    text = " ".join(found.answer)
    for words in (
        "beginner's wing, school wing 28",
        "advanced wing, fast wing 20",
        "large wing, tandem wing 40",
        "overloaded wing, tandem wing 40",
        "certified to 180 kg",
        "Pairs of gliders",
    ):
        assert words in text
    assert found.cautions
    slalom = next(g for g in found.gliders if g.name == "slalom wing 17")
    assert slalom.residual_turn["full"].low95 > math.radians(0.6) and "slalom wing 17" in found.answer[0]


@synthetic
def test_sheets_without_class_are_told_by_aspect_ratio():
    rng = np.random.default_rng(10)
    bare = [{**wing, "wing_class": None} for wing in WINGS[:4]]
    text = " ".join(compare_gliders(facts_of(rng, bare)).answer)
    assert "lowest aspect ratio" in text and "highest aspect ratio" in text
    assert "highest_mass_kg is not stated" in text


@synthetic
def test_same_input_same_figures_and_strict_json():
    rng = np.random.default_rng(12)
    facts = facts_of(rng, WINGS)
    first, second = (compare_gliders(facts, draws=2000).to_json() for _ in range(2))
    assert json.dumps(first, allow_nan=False) == json.dumps(second, allow_nan=False)


@synthetic
def test_no_sortie_is_refused():
    with pytest.raises(EstimateError, match="no sortie"):
        compare_gliders([])


@synthetic
def test_files_folders_and_lists_are_found_and_copies_count_once(tmp_path):
    rng = np.random.default_rng(13)
    for name in ("a", "b"):
        (tmp_path / name / "deep").mkdir(parents=True)
        text = json.dumps(document(rng, glider=f"wing {name}"))
        (tmp_path / name / "deep" / "results.json").write_text(text)
    (tmp_path / "copy.json").write_text((tmp_path / "a/deep/results.json").read_text())
    (tmp_path / "list.txt").write_text("# two\na  # folder\nb/deep/results.json\ncopy.json\n\n")
    facts, words = read_facts([tmp_path / "list.txt", tmp_path / "a" / "deep" / "results.json"])
    assert [item.glider for item in facts] == ["wing a", "wing b"]
    assert len(words) == 1 and "counts once" in words[0]


def broken(**changes):
    out = document(np.random.default_rng(1))
    for path, value in changes.items():
        target = out
        *parents, last = path.split("__")
        for parent in parents:
            target = target[int(parent)] if parent.isdigit() else target[parent]
        target[last] = value
    return out


@synthetic
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"schema": "flightproc-rig/1"}, "flightproc-results/1"),
        ({"glider": ""}, "glider"),
        ({"loading": None}, "run `flightproc report` again"),
        ({"loading__flat_area_m2": -1}, "flat_area_m2"),
        ({"loading__all_up_mass_kg": 106.0}, "value, std, low95"),
        ({"holds": {}}, "a list of objects"),
        ({"holds__0__kind": "loop"}, "holds[0]"),
        ({"holds__0__airspeed_m_s": {"value": "fast"}}, "a number or null"),
        ({"calibration__turn_coefficient": 3}, "turn_coefficient"),
    ],
)
def test_faults_of_a_document_are_told(changes, words):
    with pytest.raises(ResultsError) as caught:
        sortie_facts(broken(**changes), "x.json")
    assert words in str(caught.value) and "x.json" in str(caught.value)


@synthetic
def test_all_faults_of_all_files_come_together(tmp_path):
    (tmp_path / "a.json").write_text("{")
    (tmp_path / "b.json").write_text(json.dumps(broken(glider="", aircraft=None)))
    (tmp_path / "empty.txt").write_text("# nothing\n")
    (tmp_path / "bare").mkdir()
    names = ("a.json", "b.json", "empty.txt", "bare", "missing")
    with pytest.raises(ResultsError) as caught:
        read_facts([tmp_path / name for name in names])
    assert len(caught.value.faults) == 6
    assert all(name in str(caught.value) for name in names)


@synthetic
def test_missing_airspeed_and_density_are_told():
    bare = document(np.random.default_rng(1))
    for hold in bare["holds"]:
        for key in ("airspeed_m_s", "density_kg_m3"):
            hold[key] = {"value": None, "std": None, "low95": None, "high95": None, "reason": "none"}
    facts = sortie_facts(bare, "x")
    assert facts.density == 1.2
    assert facts.trim_speed.value == bare["loading"]["sheet_trim_speed_m_s"]
    assert facts.trim_speed.std == pytest.approx(0.08 * facts.trim_speed.value)
    assert len(facts.words) == 2
