"""The moment: hold levels, priors, and the joint solution of all holds."""

from .calibrate import Frame, Priors, Wing, make_priors
from .observe import Agreement, Observations, observe_holds
from .solve import MomentSolution, solve_moments

__all__ = [
    "Agreement",
    "Frame",
    "MomentSolution",
    "Observations",
    "Priors",
    "Wing",
    "make_priors",
    "observe_holds",
    "solve_moments",
]
