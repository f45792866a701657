"""Four sorties simulated to the end, with four wings: the comparison finds their turn per moment again."""

import json
import math
import re

import pytest

from flightproc.analysis import analyse
from flightproc.compare.glider_facts import sortie_facts
from flightproc.compare.gliders import compare_gliders
from flightproc.report import results_json
from flightproc.simulate import Stated, simulate_sortie, write_sortie

pytestmark = pytest.mark.synthetic

FLOWN = (
    ("school wing 28", 1, 28.0, 12.0, 100.0),
    ("touring wing 25", 2, 25.0, 11.6, 100.0),
    ("fast wing 20", 3, 20.0, 10.6, 100.0),
    ("small wing 18", 4, 18.0, 10.0, 95.0),
)


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    facts, truth = [], {}
    for name, seed, area, span, mass in FLOWN:
        stated = Stated(hung_mass=mass)
        sortie = simulate_sortie(seed, stated=stated, wing_area=area, wing_span=span, gust_level=0.15)
        folder = tmp_path_factory.mktemp("sortie")
        write_sortie(sortie, folder)
        sheet = folder / "glider.toml"
        sheet.write_text(re.sub(r'name = ".*"', f'name = "{name}"', sheet.read_text()))
        results = analyse(folder / "sortie.toml")
        facts.append(sortie_facts(json.loads(results_json(results)), name))
        said = sortie.truth["calibration"]
        speed, density = said["reference_airspeed_m_s"], said["reference_density_kg_m3"]
        truth[name] = 4.0 * said["turn_coefficient"] / (density * speed * area * span**2)
    return compare_gliders(facts), truth


def test_each_interval_holds_the_true_turn_per_moment(flown):
    found, truth = flown
    assert found.pooled and len(found.gliders) == 4
    for glider in found.gliders:
        turn = glider.turn_per_moment
        assert turn.low95 < truth[glider.name] < turn.high95
        # with four ballast legs and three others to lean on, within a factor of 2.5 either way
        assert turn.high95 / turn.low95 < 2.5**2


def test_the_order_of_small_and_large_is_found(flown):
    found, _ = flown
    turn = {glider.name: glider.turn_per_moment.value for glider in found.gliders}
    assert turn["small wing 18"] > turn["touring wing 25"] and turn["fast wing 20"] > turn["school wing 28"]


def test_loading_and_trim_speed_come_from_sheets_and_glides(flown):
    found, _ = flown
    loads = [glider.wing_loading for glider in found.gliders]
    assert loads == sorted(loads)
    school = next(glider for glider in found.gliders if glider.name == "school wing 28")
    assert school.wing_loading == pytest.approx(106.5 / 28.0, rel=1e-6)
    assert school.trim_speed.value == pytest.approx(10.45, abs=0.3)
    assert all(math.isfinite(glider.residual_turn["full"].value) for glider in found.gliders)
