"""Stretches between changes: where turns end, what gaps in the engine log cost, what stands in for turns."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.errors import EstimateError
from flightproc.holds.model import HoldChange, HoldKind, SearchSettings
from flightproc.holds.propose import propose_stretches, turn_channel
from flightproc.holds.search import find_holds

from .test_search import CARD, RATE, codes, make_sortie

pytestmark = pytest.mark.synthetic

GLIDE, POWER, CRUISE = (
    {"seconds": 75, "rpm": 2200},
    {"seconds": 75, "rpm": 7000},
    {"seconds": 75, "rpm": 5500},
)
ROUND = [GLIDE, POWER, GLIDE, CRUISE, GLIDE, POWER, CRUISE]


def test_a_throttle_change_in_the_tail_of_a_turn_ends_it() -> None:
    """The turn dies away with 6 s while the throttle is set already: settling counts from the throttle."""
    sortie = make_sortie([{**GLIDE, "seconds": 89}, POWER])
    time = sortie.time
    rolling_out = np.interp(time, [74.0, 76.0, 83.0, 89.0], [0.0, 15.0, 15.0, 7.0])
    turn = np.where(time < 89.0, rolling_out, 7.0 * np.exp(-(time - 89.0) / 6.0))
    sortie.channels["turn_rate"] = sortie.channels["turn_rate"] + np.radians(turn)
    stretches = propose_stretches(sortie, SearchSettings(), ()).stretches
    assert stretches[-1][0] == pytest.approx(89.0, abs=1.1)
    # without a throttle change it lasts until the rate is within the limit of 4 deg/s
    sortie.channels.loc[89.0:, "rpm"] = 2200.0
    stretches = propose_stretches(sortie, SearchSettings(), ()).stretches
    assert stretches[-1][0] == pytest.approx(89.0 + 6.0 * np.log(7.0 / 4.0), abs=1.1)


def test_an_engine_that_takes_seconds_to_run_up_changes_once() -> None:
    sortie = make_sortie([GLIDE, POWER])
    time = sortie.time
    late = time >= 75.0
    sortie.channels.loc[late, "rpm"] = 2200.0 + 4800.0 * (1.0 - np.exp(-(time[late] - 75.0) / 1.5))
    stretches = propose_stretches(sortie, SearchSettings(), ()).stretches
    assert len(stretches) == 2
    assert stretches[1][0] == pytest.approx(75.0, abs=2.0)


def gapped(first: float, last: float, force: bool) -> tuple[list[tuple[float, float]], set[str]]:
    """Return the holds found with engine speed missing for a while, and why others are not."""
    sortie = make_sortie(ROUND)
    if force:
        push = np.interp(sortie.channels["rpm"].to_numpy(), [0.0, 2200.0, 7000.0], [0.0, 0.0, 2.5])
        sortie.channels["specific_force_x"] = push + np.random.default_rng(2).normal(0, 0.5, len(push))
    sortie.channels.loc[first:last, "rpm"] = np.nan
    search = find_holds(sortie)
    return [(h.start, h.end) for h in search.holds], codes(search)


def test_a_gap_in_the_engine_log_costs_no_hold_that_stays_at_its_speed() -> None:
    whole, _ = gapped(0.0, -1.0, False)
    assert len(whole) == 7
    found, _ = gapped(100.0, 135.0, False)
    assert np.array(found) == pytest.approx(np.array(whole), abs=1.1)


def test_a_throttle_change_in_a_gap_is_seen_in_the_pitch_of_the_unit() -> None:
    whole, _ = gapped(0.0, -1.0, True)
    found, _ = gapped(140.0, 185.0, True)
    assert np.array(found) == pytest.approx(np.array(whole), abs=2.1)


def test_a_change_told_at_the_edge_of_a_gap_is_placed_there() -> None:
    whole, _ = gapped(0.0, -1.0, False)
    found, _ = gapped(151.0, 180.0, False)
    assert np.array(found) == pytest.approx(np.array(whole), abs=2.1)


def test_a_stretch_without_engine_speed_is_a_gap() -> None:
    found, why = gapped(228.0, 297.0, True)
    assert len(found) == 6 and "gap" in why


def test_what_stands_in_for_turn_rate() -> None:
    sortie = make_sortie(CARD)
    turn = sortie.column("turn_rate")
    assert turn is not None
    course = np.cumsum(turn) / RATE
    del sortie.channels["turn_rate"]
    assert turn_channel(sortie) is None
    sortie.channels["track"] = np.mod(course, 2 * np.pi)
    rebuilt = turn_channel(sortie)
    assert rebuilt is not None
    for first, last in ((100, 300), (600, 1100), (2700, 2950)):
        assert rebuilt[first:last].mean() == pytest.approx(turn[first:last].mean(), abs=np.radians(0.05))
    search = find_holds(sortie)
    assert [h.kind for h in search.holds] == [h.kind for h in find_holds(make_sortie(CARD)).holds]
    sortie.channels["yaw_rate"] = turn
    assert np.array_equal(turn_channel(sortie), turn)  # type: ignore[arg-type]


def test_without_any_turn_the_rest_is_judged() -> None:
    sortie = make_sortie(ROUND)
    del sortie.channels["turn_rate"]
    search = find_holds(sortie)
    assert len(search.holds) == 7
    assert all(hold.straight for hold in search.holds)


def test_without_rpm_holds_can_be_set_by_hand() -> None:
    sortie = make_sortie(ROUND)
    del sortie.channels["rpm"]
    changes = [
        HoldChange("add", 20.0, 70.0, kind=HoldKind.GLIDE),
        HoldChange("add", 95.0, 148.0, kind=HoldKind.POWER),
    ]
    search = find_holds(sortie, changes=changes)
    assert [(h.kind, h.origin) for h in search.holds] == [
        (HoldKind.GLIDE, "sheet"),
        (HoldKind.POWER, "sheet"),
    ]
    assert all(np.isnan(h.rpm) for h in search.holds)
    with pytest.raises(EstimateError, match="kind of a hold set by hand"):
        find_holds(sortie, changes=[HoldChange("add", 20.0, 70.0)])
    with pytest.raises(EstimateError, match=r"without rpm.*engine log"):
        find_holds(sortie, changes=[HoldChange("strike", 20.0, 70.0)])
