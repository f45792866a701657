"""Sorties from stated truth: a lateral wing with a hung unit, gusts, sensors and loggers.

Nothing here is shared with the estimator: only the error family and standard gravity are imported from the
rest of the program, so that a test against simulated truth tests both sides.
"""

from __future__ import annotations

from .family import family_member, simulate_family
from .parameters import DEFAULTS, Parameters, Stated
from .sortie import FILES, SimulatedSortie, simulate_sortie, write_sortie

__all__ = [
    "DEFAULTS",
    "FILES",
    "Parameters",
    "SimulatedSortie",
    "Stated",
    "family_member",
    "simulate_family",
    "simulate_sortie",
    "write_sortie",
]
