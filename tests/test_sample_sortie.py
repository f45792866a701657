"""The bundled sortie through the whole program, against the truth it was simulated from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flightproc.analysis import analyse
from flightproc.results import SCHEMA, HoldResult, Results

pytestmark = pytest.mark.synthetic

SAMPLE = Path(__file__).parent.parent / "sample_logs" / "school-wing-28"


@pytest.fixture(scope="module")
def results() -> Results:
    return analyse(SAMPLE / "sortie.toml")


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads((SAMPLE / "truth.json").read_text())  # type: ignore[no-any-return]


def covering(results: Results, plan: dict[str, Any]) -> tuple[HoldResult, float]:
    """Return the hold that covers most of a planned one, and the share covered."""
    best = max(results.holds, key=lambda h: min(h.end, plan["end_s"]) - max(h.start, plan["start_s"]))
    shared = min(best.end, plan["end_s"]) - max(best.start, plan["start_s"])
    return best, shared / (plan["end_s"] - plan["start_s"])


def test_every_planned_hold_is_found_and_no_other(results: Results, truth: dict[str, Any]) -> None:
    planned = truth["planned_holds"]
    assert len(results.holds) == len(planned) == 17
    for plan in planned:
        hold, share = covering(results, plan)
        assert share >= 0.9, plan["label"]
        assert str(hold.kind) == plan["kind"]
        assert hold.straight


def test_each_power_hold_holds_the_truth(results: Results, truth: dict[str, Any]) -> None:
    for plan in truth["planned_holds"]:
        moment = covering(results, plan)[0].roll_moment
        if plan["kind"] == "power":
            assert moment.low95 is not None and moment.high95 is not None
            assert moment.low95 <= plan["roll_moment_N_m"] <= moment.high95, plan["label"]
        else:
            assert not moment.known and moment.reason


def test_wind_airspeed_and_clocks(results: Results, truth: dict[str, Any]) -> None:
    wind, told = results.wind, truth["wind"]
    assert wind.north.value is not None and wind.east.value is not None
    assert np.hypot(wind.north.value - told["north_m_s"], wind.east.value - told["east_m_s"]) < 0.3
    for plan in truth["planned_holds"]:
        airspeed = covering(results, plan)[0].airspeed.value
        assert airspeed == pytest.approx(plan["airspeed_m_s"], abs=0.2), plan["label"]
    offsets = {item.log: item.offset for item in results.sortie.clock_offsets}
    assert set(offsets) == {"unit", "gps", "engine"}
    for log, offset in offsets.items():
        assert offset.value == pytest.approx(truth["clock_offsets_s"][log], abs=0.1), log


def test_stiffness_and_torque_ratio(results: Results, truth: dict[str, Any]) -> None:
    stiffness = results.calibration.hang_stiffness
    assert stiffness.low95 is not None and stiffness.high95 is not None
    assert stiffness.low95 <= truth["calibration"]["hang_stiffness_N_m_rad"] <= stiffness.high95
    ratios = [p["torque_ratio"] for p in truth["planned_holds"] if p["torque_ratio"]]
    assert len(results.comparison) == 4
    for row in results.comparison:
        ratio = row.torque_ratio
        assert ratio.low95 is not None and ratio.high95 is not None
        assert ratio.low95 <= np.mean(ratios) <= ratio.high95


def test_the_logged_attitude_is_seen_through(results: Results) -> None:
    # the sample's attitude filter levels on the accelerometer: its bank is near zero in steady turns
    assert "levelled on the accelerometer" in results.sortie.bank_source
    assert "not used" in results.sortie.bank_source


def test_json_is_strict_and_says_what_it_is(results: Results) -> None:
    document = json.loads(json.dumps(results.to_json(), allow_nan=False))
    assert document["schema"] == SCHEMA
    assert document["time_base"]["start_utc"].startswith("2026-05-14T05:40:")
    assert len(document["holds"]) == 17
    assert document["holds"][1]["roll_moment_N_m"].keys() >= {"value", "std", "low95", "high95"}
    assert document["holds"][0]["roll_moment_N_m"]["value"] is None
    assert document["holds"][0]["roll_moment_N_m"]["reason"]
    digests = {item["name"]: item["sha256"] for item in document["provenance"]["inputs"]}
    assert set(digests) >= {"unit.ulg", "gps.gpx", "engine.csv", "sortie.toml", "rig.toml"}


def test_the_same_input_gives_the_same_figures(results: Results) -> None:
    again = analyse(SAMPLE / "sortie.toml").to_json()
    first = results.to_json()
    for document in (again, first):
        document["provenance"].pop("created_utc")
    assert again == first
