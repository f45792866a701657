"""The sample sortie, simulated once, and a card of four minutes for what needs no whole sortie."""

from __future__ import annotations

from math import radians

import pytest

from flightproc.simulate import SimulatedSortie, simulate_sortie
from flightproc.simulate.scenario import Segment


@pytest.fixture(scope="session")
def sample() -> SimulatedSortie:
    return simulate_sortie(28)


@pytest.fixture(scope="session")
def short_card() -> tuple[Segment, ...]:
    return (
        Segment("ground still, engine stopped", 0.0, "time", 15.0, kind="ground", on_ground=True),
        Segment("ground idle", 2200.0, "time", 5.0, on_ground=True),
        Segment("take-off", 7600.0, "above", 120.0, "heading", radians(8.0)),
        Segment("circle right", 6000.0, "turned", radians(365.0), "rate", radians(12.0)),
        Segment("settle", 7000.0, "time", 15.0),
        Segment("hold power", 7000.0, "time", 45.0, kind="power"),
        Segment("settle", 2200.0, "time", 15.0),
        Segment("hold glide", 2200.0, "time", 45.0, kind="glide"),
    )
