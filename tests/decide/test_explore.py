"""A change tried at once says what the balance says, from fewer draws."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flightproc.decide.balance import Balance, balance_frame
from flightproc.decide.cases import Change
from flightproc.decide.explore import Trials, prepare_trials

pytestmark = pytest.mark.reference


@pytest.fixture
def trials(make_flown) -> Trials:
    return prepare_trials(make_flown())


@pytest.fixture
def balance(make_flown) -> Balance:
    return balance_frame(make_flown())


@pytest.mark.parametrize("key", ["now", "hang_offset", "thrust_tilt", "surface"])
def test_a_trial_of_an_option_leaves_what_the_balance_says(
    key: str, trials: Trials, balance: Balance
) -> None:
    option = balance.option(key)
    found = trials.at(option.change).cases[0]
    width = option.curves[0].turn[2] - option.curves[0].turn[1]
    # Fewer draws and no building tolerance: medians within a tenth, bounds within a fifth of the interval.
    assert np.all(np.abs(found.turn[0] - option.curves[0].turn[0]) < 0.1 * width)
    assert np.all(np.abs(found.turn[1:] - option.curves[0].turn[1:]) < 0.2 * width)
    for k, phase in enumerate(option.phases[0]):
        assert found.phase_turn[0, k] == pytest.approx(
            phase.turn.value, abs=0.1 * 4 * (phase.turn.std or 0.0)
        )


def test_no_change_leaves_the_frame_as_it_is(trials: Trials) -> None:
    found = trials.at(Change())
    expected = [np.median(answer.turn) for answer in trials.over_range[0]]
    np.testing.assert_allclose(found.cases[0].turn[0], expected)
    assert not found.cases[0].loss.any()


def test_moment_and_turn_add_up(trials: Trials) -> None:
    moved = trials.at(Change(hang_offset=0.01)).cases[0].moment[0] - trials.at(Change()).cases[0].moment[0]
    assert moved == pytest.approx(-0.01 * trials.cases[0].hung_mass * 9.80665)


def test_chances_are_shares(trials: Trials) -> None:
    found = trials.at(Change(hang_offset=0.02)).cases[0]
    assert 0.0 <= found.chance <= found.chances.min() <= 1.0
    assert found.phase_turn.shape == (3, len(trials.phases))
    assert math.isfinite(trials.at(Change()).root_mean_square)
