"""Levels of holds from a sortie: means, gaps, and what is missing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from flightproc.errors import EstimateError
from flightproc.holds.model import Hold, HoldKind
from flightproc.moment.observe import observe_holds
from flightproc.quantity import Quantity
from flightproc.sortie.model import Sortie, Wind

pytestmark = pytest.mark.synthetic

LEVELS = (0.01, 0.05, 0.09, 0.03)
HOLDS = [Hold(100.0 * i, 100.0 * i + 60.0, HoldKind.POWER, True, 6000.0) for i in range(len(LEVELS))]


def make_sortie() -> Sortie:
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 400.0, 0.1)
    table = pd.DataFrame(index=pd.Index(time, name="time"))
    level = np.repeat(LEVELS, 1000)
    table["hang_roll"] = level + 0.004 * rng.standard_normal(time.size)
    table["turn_rate"] = 2 * level + 0.01 * rng.standard_normal(time.size)
    table["rpm"] = 6000.0 + 10 * rng.standard_normal(time.size)
    table["airspeed"] = 10.0 + 0.1 * rng.standard_normal(time.size)
    table["density"] = 1.15
    table["load"] = 9.8
    table["specific_force_x"] = 9.8 * np.tan(level)
    nowhere = Quantity.unknown("m/s", "not flown")
    wind = Wind(nowhere, nowhere, np.full((2, 2), np.nan), "none")
    return Sortie(table, 10.0, None, {}, (), wind, 0.1, 0.01, "", "")


def test_levels_are_those_put_in() -> None:
    seen = observe_holds(make_sortie(), HOLDS)
    std = seen.noise.std()
    assert seen.middle.tolist() == [30.0, 130.0, 230.0, 330.0]
    assert seen.density == pytest.approx(1.15) and seen.load == pytest.approx(9.8)
    assert np.all(np.abs(seen.hang_roll - LEVELS) < 4 * std[:, 0])
    assert np.all(np.abs(seen.turn_rate - 2 * np.array(LEVELS)) < 4 * std[:, 1])
    # white noise of 0.004 at 10 Hz over 60 s
    assert std[:, 0] == pytest.approx(0.004 / np.sqrt(600), rel=0.35)
    assert seen.hang_pitch == pytest.approx(LEVELS, abs=1e-6)
    assert seen.airspeed == pytest.approx(10.0, abs=0.03)
    assert np.all(np.isnan(seen.bank))


def test_a_short_gap_is_bridged_and_a_long_one_refused() -> None:
    sortie = make_sortie()
    sortie.channels.loc[120.0:125.0, "hang_roll"] = np.nan
    seen = observe_holds(sortie, HOLDS)
    assert seen.hang_roll[1] == pytest.approx(LEVELS[1], abs=1e-3)
    sortie.channels.loc[100.0:140.0, "hang_roll"] = np.nan
    with pytest.raises(EstimateError, match=r"hang_roll is too sparse.*strike the hold"):
        observe_holds(sortie, HOLDS)


def test_what_is_missing_is_named() -> None:
    sortie = make_sortie()
    with pytest.raises(EstimateError, match="no hold was found"):
        observe_holds(sortie, [])
    del sortie.channels["hang_roll"]
    seen = observe_holds(sortie, HOLDS)
    assert np.all(np.isnan(seen.hang_roll)) and np.all(np.isfinite(seen.turn_rate))
    assert seen.covariance[1::2, 1::2].diagonal().min() > 0.0
    del sortie.channels["turn_rate"]
    with pytest.raises(EstimateError, match="neither hang roll nor turn rate"):
        observe_holds(sortie, HOLDS)


def add_bank(sortie: Sortie, offset: np.ndarray) -> None:
    """Give the unit the bank of its hang roll in the turn it flies, and an error."""
    table = sortie.channels
    lean = np.arctan2(table["airspeed"] * table["turn_rate"], 9.80665)
    noise = 0.002 * np.random.default_rng(9).standard_normal(len(table))
    table["bank"] = table["hang_roll"] + lean + offset + noise


def test_bank_stands_in_for_specific_force() -> None:
    sortie = make_sortie()
    add_bank(sortie, np.full(4000, 0.0))
    plain = observe_holds(sortie, HOLDS)
    del sortie.channels["hang_roll"]
    seen = observe_holds(sortie, HOLDS)
    assert seen.hang_roll == pytest.approx(plain.hang_roll, abs=5e-4)
    assert "bank less that of apparent gravity" in seen.words[0] and not plain.words


def test_bank_and_specific_force_are_set_against_each_other() -> None:
    sortie = make_sortie()
    add_bank(sortie, np.full(4000, 0.01))
    alike = observe_holds(sortie, HOLDS).agreement
    assert alike is not None
    assert alike.offset == pytest.approx(0.01, abs=4 * alike.offset_std)
    assert alike.dof == 3 and alike.chance > 0.01 and "more than" not in alike.words
    add_bank(sortie, np.repeat([0.01, 0.01, 0.03, 0.01], 1000))
    apart = observe_holds(sortie, HOLDS).agreement
    assert apart is not None
    assert apart.chance < 1e-4
    assert "most in the power hold from 200 s" in apart.words


def test_without_bank_nothing_is_compared() -> None:
    assert observe_holds(make_sortie(), HOLDS).agreement is None


def test_an_engine_log_that_drops_out_within_a_hold_is_bridged() -> None:
    sortie = make_sortie()
    sortie.channels.loc[105.0:150.0, "rpm"] = np.nan
    seen = observe_holds(sortie, HOLDS)
    assert seen.rpm[1] == pytest.approx(HOLDS[1].rpm)
    assert seen.rpm_std[1] > 5.0 * seen.rpm_std[0]
