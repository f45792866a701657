"""The sample's sortie, simulated once."""

from __future__ import annotations

import pytest

from flightproc.simulate import SimulatedSortie, simulate_sortie


@pytest.fixture(scope="session")
def sample() -> SimulatedSortie:
    return simulate_sortie(28)
