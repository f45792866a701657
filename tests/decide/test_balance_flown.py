"""A change sized on the sample sortie, built into the simulated frame, and flown again."""

from __future__ import annotations

from pathlib import Path

import pytest

import flightproc as fp
from flightproc.channels import GRAVITY
from flightproc.decide import balance_frame, flown_from_results
from flightproc.sheets.balance import BalanceSheet, HangOffsetEntry, Phase
from flightproc.sheets.load import BalanceSheets
from flightproc.simulate import simulate_sortie

pytestmark = pytest.mark.synthetic

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "school-wing-28" / "sortie.toml"


def steady_turns(truth):
    """Steady hands-off turn by planned rpm [deg/s], 0 for glides, from the simulator's truth."""
    found = {}
    for hold in truth["planned_holds"]:
        if hold["kind"] in ("power", "glide"):
            rpm = round(hold["rpm"], -2) if hold["kind"] == "power" else 0.0
            found.setdefault(rpm, []).append(hold["steady_turn_deg_s"])
    return {rpm: sum(values) / len(values) for rpm, values in found.items()}


def test_what_is_built_turns_as_was_foretold():
    flown = flown_from_results(fp.analyse(SAMPLE).to_json())
    sheet = BalanceSheet(
        hang_offset=HangOffsetEntry(tolerance_m=0.0),
        phases=(
            Phase(name="idle", weight=0.2),
            *(Phase(name=f"{rpm:.0f}", rpm=rpm, weight=0.2) for rpm in flown.rpm),
        ),
    )
    found = balance_frame(flown, BalanceSheets(sheet, ()))
    offset = found.option("hang_offset").change.hang_offset
    assert offset > 0.01

    before = steady_turns(simulate_sortie(28).truth)
    built = simulate_sortie(
        28, compensation="hang_offset", compensation_moment=offset * flown.hung_mass * GRAVITY
    )
    after = steady_turns(built.truth)
    for key, truth in (("now", before), ("hang_offset", after)):
        for phase, result in zip(found.phases, found.option(key).phases[0], strict=True):
            turn = result.turn.degrees()
            rpm = 0.0 if phase.rpm is None else round(phase.rpm, -2)
            assert turn.low95 is not None and turn.high95 is not None
            assert turn.low95 <= truth[rpm] <= turn.high95, (key, phase.name)
    powered = [rpm for rpm in after if rpm]
    assert sum(after[rpm] ** 2 for rpm in powered) < 0.5 * sum(before[rpm] ** 2 for rpm in powered)
