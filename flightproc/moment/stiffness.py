r"""The hang stiffness from several sources at once: ballast, weight and risers, inertia and frequency.

Under power only the ratio of torque to stiffness is seen. Ballast of a known moment gives the response per
moment, :math:`b = (1 + \beta) / K` with :math:`\beta` the relative error of mass and arm; weight and risers
give :math:`K = W + k_r` as priors; a pendulum's inertia with the frequency of the unit's roll gives
:math:`K = I \omega^2`. The posterior of K is worked out on a grid, so that a riser stiffness between bounds
keeps its shape, and drawn from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .calibrate import INERTIA_MODEL, SWING_RISER, Frame, Priors
from .swing_mode import RollMode

__all__ = ["StiffnessPosterior", "combine_stiffness"]

Array = NDArray[np.float64]

_GRID = 1600
_QUANTILES = 240


@dataclass(frozen=True)
class StiffnessPosterior:
    """K after the flight.

    Attributes
    ----------
    draws : ndarray, shape (n,)
        [N m/rad].
    response : ndarray, shape (n,)
        Hang roll per known moment that goes with each draw [rad/(N m)]; NaN without ballast.
    shares : dict of str to float
        Relative standard uncertainty that each source other than the noise of the ballast legs leaves in K.
    ballast_weight : float
        How much of K comes from the ballast, 0 to 1.
    """

    draws: Array
    response: Array
    shares: dict[str, float]
    ballast_weight: float


def combine_stiffness(
    response: float,
    response_std: float,
    *,
    ballast_std: float,
    frame: Frame,
    priors: Priors,
    mode: RollMode | None,
    draws: int,
    rng: np.random.Generator,
) -> StiffnessPosterior:
    """Return draws of K.

    Parameters
    ----------
    response, response_std : float
        Hang roll per known moment, with the standard uncertainty of its noise [rad/(N m)]; NaN without
        ballast.
    ballast_std : float
        Relative standard uncertainty of the ballast's moment.
    frame, priors
        What is known before the flight.
    mode : RollMode or None
        Natural frequency of the unit's roll, used where the frame states an inertia.
    draws : int
        How many.
    rng : numpy.random.Generator
        Source of the draws.
    """
    quantile = (np.arange(_QUANTILES) + 0.5) / _QUANTILES
    if priors.riser_stated:
        from scipy.special import ndtri

        riser = priors.riser[0] * np.exp(priors.riser[1] * ndtri(quantile))
    else:
        riser = priors.riser[0] + (priors.riser[1] - priors.riser[0]) * quantile
    riser = riser * SWING_RISER  # the turn is held here, and with it the wing
    weight_std = max(priors.weight_std, 1e-3 * priors.weight)
    low = max(priors.weight - 6 * weight_std, 0.1 * priors.weight) + float(riser.min())
    high = priors.weight + 6 * weight_std + float(riser.max())
    stiffness = np.linspace(low, high, _GRID)
    width = max(weight_std, 2.0 * (high - low) / _GRID)
    density = np.mean(
        np.exp(-0.5 * ((stiffness[:, None] - riser[None, :] - priors.weight) / width) ** 2), axis=1
    )
    log_density = np.log(np.maximum(density, 1e-300))
    mean = float(np.average(stiffness, weights=density))
    prior_variance = float(np.average((stiffness - mean) ** 2, weights=density)) / mean**2
    information = {"prior": 1.0 / max(prior_variance, 1e-9)}
    inertia_std = None
    if frame.inertia is not None and mode is not None and mode.frequency.value and mode.frequency.std:
        omega = mode.frequency.value
        inertia_std = math.sqrt(
            ((frame.inertia_std or 0.1 * frame.inertia) / frame.inertia) ** 2
            + (2.0 * mode.frequency.std / omega) ** 2
            + INERTIA_MODEL**2
        )
        ratio = np.log(frame.inertia * omega**2 / stiffness)
        log_density = log_density - 0.5 * (ratio / inertia_std) ** 2
        information["inertia"] = 1.0 / inertia_std**2
    ballast = math.isfinite(response) and response > 0.0
    relative = response_std / response if ballast else math.inf
    if ballast:
        spread = np.hypot(response_std, ballast_std / stiffness)
        log_density = log_density - 0.5 * ((response - 1.0 / stiffness) / spread) ** 2 - np.log(spread)
        information["ballast"] = 1.0 / (relative**2 + ballast_std**2)
    weights = np.exp(log_density - log_density.max())
    cumulative = np.cumsum(weights)
    cell = stiffness[1] - stiffness[0]
    drawn = np.interp(rng.random(draws) * cumulative[-1], cumulative, stiffness)
    drawn = drawn - 0.5 * cell
    told = np.full(draws, np.nan)
    if ballast:
        # the response itself, given K: between what K and ballast say and what was measured
        expected, expected_std = 1.0 / drawn, ballast_std / drawn
        gain = expected_std**2 / (expected_std**2 + response_std**2)
        told = expected + gain * (response - expected)
        told = told + np.sqrt(gain) * response_std * rng.standard_normal(draws)
    total = sum(information.values())
    prior_share = information["prior"] / total
    riser_variance = float(np.var(riser)) / mean**2
    weight_variance = (priors.weight_std / mean) ** 2
    both = max(riser_variance + weight_variance, 1e-12)
    prior_part = prior_share * math.sqrt(prior_variance)
    tilt = priors.tilt_share
    shares = {
        "riser stiffness": prior_part * math.sqrt(riser_variance / both),
        "weight and hang arm": prior_part * math.sqrt(weight_variance / both * (1.0 - tilt)),
        "tilt test": prior_part * math.sqrt(weight_variance / both * tilt),
    }
    if inertia_std is not None:
        shares["inertia"] = information["inertia"] / total * inertia_std
    if ballast:
        shares["ballast mass and arm"] = information["ballast"] / total * ballast_std
    return StiffnessPosterior(drawn, told, shares, information.get("ballast", 0.0) / total)
