"""results.json is strict, holds.csv is clear."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from flightproc.report import holds_csv, results_json
from flightproc.report.tables import plain
from flightproc.results import SCHEMA, Results

pytestmark = pytest.mark.synthetic

VARIANTS = ["full", "no_rig", "no_gps", "all_unknown", "empty", "right_turning"]
Make = Callable[[str], Results]


def strict(text: str) -> dict[str, object]:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    loaded = json.loads(text, parse_constant=refuse)
    assert isinstance(loaded, dict)
    return loaded


@pytest.mark.parametrize("variant", VARIANTS)
def test_json_is_strict_and_carries_the_schema(variant: str, make_results: Make) -> None:
    loaded = strict(results_json(make_results(variant)))
    assert loaded["schema"] == SCHEMA == "flightproc-results/1"
    wanted = {"holds", "not_holds", "calibration", "wind", "clock_offsets_s", "comparison", "warnings"}
    assert wanted | {"provenance", "cautions", "time_base"} <= set(loaded)


def test_settings_of_any_kind_become_json(make_results: Make) -> None:
    full = make_results("full")
    odd = {"a": np.float64("nan"), "b": np.arange(2), "c": date(2026, 5, 1), "d": {1: (True, None)}}
    results = replace(full, provenance=replace(full.provenance, settings=odd))
    settings = strict(results_json(results))["provenance"]["settings"]  # type: ignore[index]
    assert settings == {"a": None, "b": [0, 1], "c": "2026-05-01", "d": {"1": [True, None]}}


def test_kind_of_a_hold_is_plain_text(make_results: Make) -> None:
    kind = plain(make_results("full").holds[0].kind)
    assert type(kind) is str
    assert kind == "glide"


def rows_of(results: Results) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(holds_csv(results))))


def test_csv_has_one_row_a_hold_with_its_intervals(make_results: Make) -> None:
    full = make_results("full")
    rows = rows_of(full)
    assert [row["hold"] for row in rows] == [str(n) for n in range(1, 18)]
    power = rows[1]
    assert power["kind"] == "power"
    assert power["start_s"] == f"{full.holds[1].start:.2f}"
    for name in ("roll_moment_N_m", "turn_rate_deg_s", "hang_roll_deg", "yaw_moment_N_m", "bank_deg"):
        low, value, high = (float(power[name + end]) for end in ("_low95", "", "_high95"))
        assert low < value < high
        assert float(power[f"{name}_std"]) > 0
    assert power["hands_off"] == "true"
    assert rows[0]["hands_off"] == ""


def test_csv_leaves_unknown_cells_empty(make_results: Make) -> None:
    for row in rows_of(make_results("all_unknown")):
        assert row["roll_moment_N_m"] == row["roll_moment_N_m_std"] == row["airspeed_m_s_high95"] == ""
        assert row["kind"] in ("power", "glide", "ballast")


def test_csv_rounds_by_the_uncertainty(make_results: Make) -> None:
    full = make_results("full")
    moment = full.holds[1].roll_moment
    cell = rows_of(full)[1]["roll_moment_N_m"]
    assert moment.std is not None and 1.0 < moment.std < 10.0
    assert cell == f"{moment.value:.2f}"


def test_csv_without_holds_still_has_its_head(make_results: Make) -> None:
    head = holds_csv(make_results("empty"))
    assert head.count("\n") == 1
    assert head == holds_csv(make_results("full")).partition("\n")[0] + "\n"
