"""The hold search on small sorties made by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from flightproc.errors import EstimateError
from flightproc.holds.model import (
    BallastWindow,
    HoldChange,
    HoldKind,
    HoldSearch,
    PilotWindow,
    SearchSettings,
)
from flightproc.holds.search import find_holds
from flightproc.quantity import Quantity
from flightproc.sortie.model import Sortie, Wind

pytestmark = pytest.mark.synthetic

RATE = 10.0


def make_sortie(pieces: list[dict[str, float]], *, seed: int = 1, **more: np.ndarray) -> Sortie:
    """Build a sortie from pieces of ``seconds``, ``rpm``, ``turn`` [deg/s], with trends where asked."""
    rng = np.random.default_rng(seed)
    columns: dict[str, list[np.ndarray]] = {"rpm": [], "turn_rate": [], "airspeed": []}
    for piece in pieces:
        n = round(piece["seconds"] * RATE)
        ramp = np.linspace(0.0, 1.0, n)
        columns["rpm"].append(piece["rpm"] + piece.get("rpm_drift", 0.0) * ramp + rng.normal(0, 15, n))
        swing = piece.get("swing", 0.0) * np.sin(2 * np.pi * np.arange(n) / RATE / 18.0)
        columns["turn_rate"].append(np.radians(piece.get("turn", 0.0) + swing + rng.normal(0, 0.8, n)))
        columns["airspeed"].append(10.8 + piece.get("speed_drift", 0.0) * ramp + rng.normal(0, 0.1, n))
    table = pd.DataFrame({name: np.concatenate(parts) for name, parts in columns.items()})
    table["hang_roll"] = rng.normal(0, 0.01, len(table))
    for name, values in more.items():
        table[name] = values
    table.index = pd.Index(np.arange(len(table)) / RATE, name="time")
    nowhere = Quantity.unknown("m/s", "not flown")
    wind = Wind(nowhere, nowhere, np.full((2, 2), np.nan), "none")
    return Sortie(
        table, RATE, None, {}, (), wind, 0.1, 0.01, "", "", airborne=((0.0, float(table.index[-1])),)
    )


CARD = [
    {"seconds": 40, "rpm": 7000, "turn": 9.0},
    {"seconds": 75, "rpm": 5200, "turn": 0.8},
    {"seconds": 75, "rpm": 6000, "turn": 1.1},
    {"seconds": 75, "rpm": 0, "turn": 0.1},
    {"seconds": 36, "rpm": 6000, "turn": -10.0},
    {"seconds": 75, "rpm": 6800, "turn": 1.6},
    {"seconds": 75, "rpm": 0, "turn": -0.4},
]


def bounds(search: HoldSearch) -> list[tuple[float, float]]:
    return [(h.start, h.end) for h in search.holds]


def codes(search: HoldSearch) -> set[str]:
    return {r.code for r in search.rejected}


def test_the_card_is_found_and_the_turns_are_told() -> None:
    ballast = [BallastWindow(376.0, 451.0, 14.7, 0.3)]
    search = find_holds(make_sortie(CARD), ballast=ballast)
    assert [h.kind for h in search.holds] == [
        HoldKind.POWER,
        HoldKind.POWER,
        HoldKind.GLIDE,
        HoldKind.POWER,
        HoldKind.BALLAST,
    ]
    starts = [40.0, 115.0, 190.0, 301.0, 376.0]
    for hold, start in zip(search.holds, starts, strict=True):
        assert hold.start == pytest.approx(start + search.settling, abs=3.0)
        assert hold.end == pytest.approx(start + 75.0, abs=5.0)  # a turn is seen 5 s smeared
        assert hold.straight
    assert search.holds[-1].ballast_moment == 14.7
    turning = [r for r in search.rejected if r.code == "turning"]
    assert len(turning) == 2
    assert "up to +9." in turning[0].words and "up to -10." in turning[1].words


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        ({"seconds": 25, "rpm": 6400}, "too_short"),
        ({"seconds": 70, "rpm": 6400, "speed_drift": 2.5}, "airspeed_trend"),
        ({"seconds": 80, "rpm": 6400, "swing": 3.8}, "agitated"),
    ],
)
def test_what_is_not_steady_is_turned_down_with_its_reason(fault: dict[str, float], code: str) -> None:
    search = find_holds(make_sortie([*CARD, fault]))
    clean = find_holds(make_sortie(CARD))
    assert len(search.holds) == len(clean.holds)
    start = sum(p["seconds"] for p in CARD)
    found = [r for r in search.rejected if r.end > start + 10]
    assert code in {r.code for r in found}
    assert all(r.words for r in search.rejected)


def test_a_hold_that_becomes_restless_is_turned_down() -> None:
    sortie = make_sortie(CARD)
    rng = np.random.default_rng(9)
    late = (sortie.time > 225.0) & (sortie.time < 262.0)
    sortie.channels.loc[late, "hang_roll"] += 0.08 * rng.standard_normal(int(late.sum()))
    search = find_holds(sortie)
    told = [r for r in search.rejected if r.code == "variance_change"]
    assert len(told) == 1 and "second half" in told[0].words
    assert len(search.holds) == 4


def test_a_slow_throttle_ramp_is_no_hold() -> None:
    search = find_holds(make_sortie([*CARD, {"seconds": 90, "rpm": 5000, "rpm_drift": 2500}]))
    start = sum(p["seconds"] for p in CARD)
    assert not [h for h in search.holds if h.start > start]


def test_notes_of_the_pilot_count() -> None:
    sortie = make_sortie(CARD)
    used = find_holds(sortie, notes=[PilotWindow(60.0, 70.0, False)])
    assert "pilot_input" in codes(used)
    assert len(used.holds) == 4
    told = find_holds(sortie, notes=[PilotWindow(40.0, 120.0, True)])
    assert told.holds[0].hands_off is True and told.holds[1].hands_off is None


def test_a_pulled_brake_is_a_pilot_input() -> None:
    n = round(sum(p["seconds"] for p in CARD) * RATE)
    brake = np.zeros(n)
    brake[800:850] = 0.4
    search = find_holds(make_sortie(CARD, brake_left=brake))
    assert "pilot_input" in codes(search)
    assert len(search.holds) == 4


def test_a_gap_in_the_log_is_told() -> None:
    sortie = make_sortie(CARD)
    sortie.channels.loc[60.0:80.0, "hang_roll"] = np.nan
    search = find_holds(sortie)
    assert "gap" in codes(search)


def test_a_person_can_strike_move_and_add() -> None:
    sortie = make_sortie(CARD)
    changes = [
        HoldChange("strike", 130.0, 180.0, reason="a gust"),
        HoldChange("move", 200.0, 250.0, new_end=245.0),
        HoldChange("add", 10.0, 35.0, kind=HoldKind.POWER),
        HoldChange("strike", 5.0, 8.0),
    ]
    search = find_holds(sortie, changes=changes)
    assert [h.origin for h in search.holds] == ["sheet", "found", "sheet", "found", "found"]
    assert search.holds[2].end == 245.0
    assert not search.holds[0].straight
    struck = [r for r in search.rejected if r.code == "struck"]
    assert len(struck) == 1 and "a gust" in struck[0].words


def test_a_change_that_meets_no_hold_is_told() -> None:
    changes = [HoldChange("strike", 2.0, 8.0), HoldChange("add", 9000.0, 9060.0, kind=HoldKind.GLIDE)]
    search = find_holds(make_sortie(CARD), changes=changes)
    assert len([r for r in search.rejected if r.code == "outside"]) == 2
    assert len(search.holds) == 5


def test_the_settings_are_kept() -> None:
    search = find_holds(make_sortie(CARD), SearchSettings(minimum=65.0, settling=12.0))
    assert not search.holds
    assert "too_short" in codes(search)


def test_without_rpm_there_is_a_clear_error() -> None:
    sortie = make_sortie(CARD)
    del sortie.channels["rpm"]
    with pytest.raises(EstimateError, match=r"without rpm.*engine log"):
        find_holds(sortie)
