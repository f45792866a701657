"""Brakes in holds: what shows is found with its size and time, what does not is kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from flightproc.holds.model import Hold, HoldKind
from flightproc.holds.pilot import PilotInput, find_pilot_inputs
from flightproc.quantity import Quantity
from flightproc.sortie.model import Sortie, Wind

pytestmark = pytest.mark.synthetic

RATE = 10.0
LENGTH, APART = 60.0, 90.0
SETTINGS = (0.0, 5200.0, 0.0, 6000.0, 6800.0, 0.0, 5200.0, 6800.0, 0.0, 6000.0)
SCATTER, LAG = 0.6, 2.0  # of the turn rate [deg/s] and how fast it forgets [s]


def fly(
    brake: Callable[[np.ndarray], np.ndarray] | None = None,
    *,
    which: int = 3,
    seed: int = 1,
    settings: tuple[float, ...] = SETTINGS,
    columns: tuple[str, ...] = ("hang_roll", "turn_rate"),
    by_power: float = 2.0,
) -> tuple[Sortie, list[Hold]]:
    """Return holds in gusts, turning more the more power; `brake` [deg/s] acts through the wing's own lag."""
    rng = np.random.default_rng(seed)
    n = round(APART * len(settings) * RATE)
    time = np.arange(n) / RATE
    keep = np.exp(-1.0 / (LAG * RATE))
    kick = SCATTER * np.sqrt(1.0 - keep**2)
    turn = lfilter([kick], [1.0, -keep], rng.standard_normal(n))
    holds, asked = [], np.zeros(n)
    for i, rpm in enumerate(settings):
        start = APART * i + 20.0
        turn += np.where((time >= APART * i) & (time < APART * (i + 1)), by_power * (rpm / 6800.0) ** 2, 0.0)
        if i == which and brake is not None:
            asked = np.where((time >= APART * i) & (time <= start + LENGTH), brake(time - start), 0.0)
        kind = HoldKind.POWER if rpm else HoldKind.GLIDE
        holds.append(Hold(start, start + LENGTH, kind, True, rpm))
    turn += lfilter([1.0 - keep], [1.0, -keep], asked)
    roll = lfilter([0.1], [1.0, -0.9], 0.01 * rng.standard_normal(n))
    table = pd.DataFrame({"hang_roll": roll, "turn_rate": np.radians(turn)}, index=time)[list(columns)]
    nowhere = Quantity.unknown("m/s", "not flown")
    wind = Wind(nowhere, nowhere, np.full((2, 2), np.nan), "none")
    return Sortie(table, RATE, None, {}, (), wind, 0.1, 0.01, "", "", airborne=((0.0, time[-1]),)), holds


def assert_size(found: PilotInput, turn: float) -> None:
    """Hold the turn found [deg/s] against the true one, within three of its own standard uncertainties."""
    told = np.degrees(found.turn)
    assert abs(told - turn) < 3.0 * abs(told) / found.significance


def test_honest_holds_are_kept() -> None:
    flagged = [find_pilot_inputs(*fly(seed=seed)) for seed in range(16)]
    assert sum(map(len, flagged)) <= 1  # of 160 holds


@pytest.mark.parametrize("turn", [2.0, -2.0])
def test_a_brake_held_throughout_stands_apart(turn: float) -> None:
    found = find_pilot_inputs(*fly(lambda t: np.full_like(t, turn)))
    assert list(found) == [3]
    assert found[3].form == "level"
    assert_size(found[3], turn)
    assert f"{np.degrees(found[3].turn):+.1f} deg/s" in found[3].words


@pytest.mark.parametrize("seed", [3, 8])
def test_a_brake_pulled_halfway_is_found_with_its_time(seed: int) -> None:
    found = find_pilot_inputs(*fly(lambda t: np.where(t > 30.0, 4.0, 0.0), seed=seed))
    assert list(found) == [3] and found[3].form == "change"
    assert found[3].start == pytest.approx(290.0 + 30.0, abs=3.0)
    assert_size(found[3], 4.0)
    assert "changes by" in found[3].words


def test_of_late_brakes_none_is_missed() -> None:
    late = [find_pilot_inputs(*fly(lambda t: np.where(t > 44.0, 4.0, 0.0), seed=seed)) for seed in range(6)]
    assert all(list(found) == [3] for found in late)


def test_a_pulse_is_found_with_its_time_and_size() -> None:
    found = find_pilot_inputs(*fly(lambda t: np.where((t > 25.0) & (t < 31.0), 4.0, 0.0), seed=3))
    assert list(found) == [3] and found[3].form == "pulse"
    assert found[3].start == pytest.approx(290.0 + 25.0, abs=2.0)
    assert found[3].end == pytest.approx(290.0 + 31.0, abs=2.0)
    assert_size(found[3], 4.0)


@pytest.mark.parametrize("columns", [("turn_rate",), ("hang_roll",)])
def test_it_makes_do_with_what_is_logged(columns: tuple[str, ...]) -> None:
    found = find_pilot_inputs(*fly(lambda t: np.full_like(t, 2.0), columns=columns))
    assert list(found) == ([3] if "turn_rate" in columns else [])


def test_notes_and_people_are_trusted() -> None:
    sortie, holds = fly(lambda t: np.full_like(t, 2.0))
    for trusted in (replace(holds[3], hands_off=True), replace(holds[3], origin="sheet")):
        assert not find_pilot_inputs(sortie, [*holds[:3], trusted, *holds[4:]])


def test_powers_own_turn_is_no_brake() -> None:
    """One power hold only: nothing tells a brake from what power does, so it is kept."""
    settings = (0.0, 0.0, 0.0, 6000.0, 0.0, 0.0, 0.0)
    assert not find_pilot_inputs(*fly(settings=settings, by_power=6.0))
    assert not find_pilot_inputs(*fly(lambda t: np.full_like(t, 3.0), settings=settings))


def test_holds_that_all_differ_are_not_judged_by_level() -> None:
    sortie, holds = fly()
    rng = np.random.default_rng(4)
    turn = sortie.channels["turn_rate"].to_numpy().copy()
    for hold in holds:
        inside = (sortie.time >= hold.start - 20.0) & (sortie.time <= hold.end)
        turn[inside] += np.radians(rng.normal(0.0, 3.0))
    sortie.channels["turn_rate"] = turn
    assert not [p for p in find_pilot_inputs(sortie, holds).values() if p.form == "level"]


def test_few_holds_are_kept_as_they_are() -> None:
    sortie, holds = fly(lambda t: np.full_like(t, 3.0))
    assert not find_pilot_inputs(sortie, holds[:4])
    assert not find_pilot_inputs(sortie, [])
