"""The unit's roll as a pendulum: frequency and damping from records whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import expm

from flightproc.moment.calibrate import Frame, Wing, make_priors
from flightproc.moment.swing_mode import roll_mode, swing_limits
from flightproc.quantity import Quantity
from flightproc.sortie.model import Sortie, Wind

OMEGA, ZETA = 5.2, 0.16
STRETCHES = [(5.0 + 100.0 * k, 85.0 + 100.0 * k) for k in range(8)]


def pendulum(seed: int, omega: float = OMEGA, zeta: float = ZETA, length: float = 800.0) -> Sortie:
    """A sortie at 10 Hz whose roll rate is that of a pendulum shaken by gusts of 3 s."""
    rng = np.random.default_rng(seed)
    rates = np.array([[0.0, 1.0, 0.0], [-(omega**2), -2 * zeta * omega, 1.0], [0.0, 0.0, -1.0 / 3.0]])
    step = expm(rates * 0.1)
    state = np.zeros(3)
    count = int(10 * length)
    roll_rate = np.empty(count)
    for t in range(count):
        state = step @ state
        state[1] += 0.02 * rng.standard_normal()
        state[2] += 0.03 * rng.standard_normal()
        roll_rate[t] = state[1] + 0.003 * rng.standard_normal()
    unknown = Quantity.unknown("m/s", "no wind")
    return Sortie(
        channels=pd.DataFrame({"roll_rate": roll_rate}, index=pd.Index(np.arange(count) / 10.0, name="time")),
        rate=10.0,
        start_utc=None,
        sources={},
        clock_offsets=(),
        wind=Wind(unknown, unknown, np.full((2, 2), np.nan), "none"),
        airspeed_std=math.nan,
        density_std_ratio=0.01,
        bank_source="",
        mount="",
    )


@pytest.mark.synthetic
def test_frequency_and_damping_are_recovered_honestly() -> None:
    z, ratio = [], []
    for seed in range(20):
        mode = roll_mode(pendulum(seed), STRETCHES)
        assert mode.frequency.value is not None and mode.frequency.std is not None
        assert mode.damping.value is not None
        z.append((mode.frequency.value - OMEGA) / mode.frequency.std)
        ratio.append(mode.damping.value / ZETA)
    assert abs(np.mean(z)) < 1.0  # the model's own 1 % is part of the standard uncertainty
    assert 0.3 < np.std(z) < 1.3
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.12)


@pytest.mark.synthetic
def test_a_swing_outside_the_limits_is_not_taken() -> None:
    mode = roll_mode(pendulum(3), STRETCHES, limits=(7.0, 9.0))
    assert mode.frequency.value is None or mode.frequency.value > 7.0


@pytest.mark.synthetic
def test_too_short_a_record_says_so() -> None:
    mode = roll_mode(pendulum(4), [(0.0, 60.0)])
    assert not mode.frequency.known
    assert "120 s are needed" in mode.words


@pytest.mark.analytic
def test_limits_follow_stiffness_and_inertia() -> None:
    frame = Frame(100.0, 1.0, 0.35, 0.01, riser_stiffness=150.0, riser_stiffness_std=15.0, inertia=20.0)
    low, high = swing_limits(frame, make_priors(frame, Wing(28.0, 12.0, 10.2)))
    assert low < math.sqrt((343.2 + 150.0) / 20.0) < high
    assert high / low < 1.35
