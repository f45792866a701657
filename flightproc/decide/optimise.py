"""The change that makes turn or moment smallest within its limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..sheets.balance import BalanceSheet, SurfaceEntry
from .cases import Case, Change, Response
from .slipstream import lift_slope

__all__ = ["MEANS", "Goal", "best_change", "make_goal"]

Array = NDArray[np.float64]

MEANS = ("hang_offset", "thrust_tilt", "thrust_offset", "surface")
"""What may be changed, by the names of the balance sheet's tables."""


@dataclass(frozen=True)
class Goal:
    """What is made small, as a function of a change.

    Attributes
    ----------
    square, slope, constant : ndarray, shape (g, 4, 4), (g, 4), (g,)
        For each case the mean square over phases and draws, ``a' S a + 2 s a + c`` in the actions a
        [(rad/s)^2], or [(N m)^2] where the aim is the moment.
    weight : ndarray, shape (g,)
        Of the cases.
    worst : bool
        Whether the worst case counts, else the weighted mean.
    price : float
        Per share of thrust lost, as a share of the goal without a change.
    pressure : float
        Weighted mean of the stream's dynamic pressure over thrust, powered phases alone [1/m^2].
    zero_lift, lift_slope, induced : float
        Drag coefficient of the surfaces without lift; their lift slope [1/rad]; 1 / (pi e A).
    """

    square: Array
    slope: Array
    constant: Array
    weight: Array
    worst: bool
    price: float
    pressure: float
    zero_lift: float
    lift_slope: float
    induced: float

    def each(self, actions: Array) -> Array:
        """Return the mean square of each case."""
        return np.asarray(
            np.einsum("i,gij,j->g", actions, self.square, actions)
            + 2.0 * self.slope @ actions
            + self.constant
        )

    def mean_square(self, actions: Array) -> float:
        """Return the mean square that counts: of the weighted mean, or of the worst case."""
        found = self.each(actions)
        if self.worst:
            return float(np.max(found[self.weight > 0.0]))
        return float(self.weight @ found)

    def loss(self, change: Change) -> float:
        """Return the share of thrust lost, over the powered phases."""
        lift = self.lift_slope * change.surface_angle
        drag = change.surface_area * (self.zero_lift + self.induced * lift**2)
        return self.pressure * drag + 1.0 - math.cos(change.thrust_tilt)

    def __call__(self, change: Change) -> float:
        """Return the goal: 1 where nothing is changed."""
        now = float(np.max(self.constant[self.weight > 0.0]) if self.worst else self.weight @ self.constant)
        return self.mean_square(change.actions) / max(now, 1e-30) + self.price * self.loss(change)


def make_goal(
    sheet: BalanceSheet,
    cases: Sequence[Case],
    weights: Sequence[float],
    responses: Sequence[Sequence[Response]],
) -> Goal:
    """Return the goal of a balance sheet.

    Parameters
    ----------
    sheet : BalanceSheet
        Its aim, price and surfaces.
    cases : sequence of Case, length g
        Gliders and loadings.
    weights : sequence of float, length p
        Of the phases; need not add up to 1.
    responses : sequence of sequence of Response
        By case, then by phase.
    """
    share = np.asarray(weights, dtype=float) / float(np.sum(weights))
    size = len(cases)
    square, slope, constant = np.zeros((size, 4, 4)), np.zeros((size, 4)), np.zeros(size)
    weight = np.array([case.weight for case in cases])
    pressure = powered = 0.0
    for g, answers in enumerate(responses):
        for part, answer in zip(share, answers, strict=True):
            per = answer.turn_per if sheet.aim == "turn" else answer.moment_per
            base = answer.turn if sheet.aim == "turn" else answer.moment
            square[g] += part * (per @ per.T) / base.size
            slope[g] += part * (per @ base) / base.size
            constant[g] += part * float(np.mean(base**2))
            if np.any(answer.thrust > 0.0):
                ratio = float(np.mean(answer.pressure) / np.mean(answer.thrust))
                pressure += weight[g] * part * ratio
                powered += weight[g] * part
    surface = sheet.surface or SurfaceEntry()
    return Goal(
        square,
        slope,
        constant,
        weight,
        sheet.over == "worst",
        sheet.thrust_price,
        pressure / powered if powered else 0.0,
        surface.zero_lift_drag,
        lift_slope(surface.section_slope_per_rad, surface.aspect_ratio, surface.span_efficiency),
        1.0 / (math.pi * surface.span_efficiency * surface.aspect_ratio),
    )


def best_change(goal: Goal, sheet: BalanceSheet, means: Sequence[str], offset: float = 0.0) -> Change:
    """Return the change that makes the goal smallest.

    Parameters
    ----------
    goal : Goal
        What is made small.
    sheet : BalanceSheet
        The limits.
    means : sequence of str
        Which of `MEANS` may be used; their tables must be there.
    offset : float
        What the hang points are offset already [m]; the limit holds for the sum.

    Notes
    -----
    The mean square is a convex quadratic in the actions; drag makes the rest. A bounded quasi-Newton method
    (L-BFGS-B) runs from several starts; where the worst case counts, its kinks are left to sequential
    quadratic programming (SLSQP) on the least bound that all cases keep.
    """
    from scipy.optimize import Bounds, minimize

    low, high, build = _space(sheet, means, offset)
    span = high - low

    def value(x: Array) -> float:
        return goal(build(low + x * span))

    now = max(goal.mean_square(np.zeros(4)), 1e-30)
    size = low.size
    box = Bounds(np.zeros(size), np.ones(size))
    # nothing changed, as near as the limits allow
    middle = np.clip(np.divide(-low, span, out=np.zeros(size), where=span > 0.0), 0.0, 1.0)
    starts = [middle, *(np.full(size, share) for share in (0.15, 0.85))]
    if "surface" in means:  # the angle either way
        starts += [np.append(np.full(size - 2, 0.5), [share, 0.85]) for share in (0.15, 0.85)]
    best, least = middle, value(middle)
    for start in starts:
        if goal.worst:
            found = _least_bound(goal, build, low, span, start, now)
        else:
            found = np.asarray(
                minimize(value, start, method="L-BFGS-B", bounds=box, options={"ftol": 1e-13, "gtol": 1e-9}).x
            )
        found = np.clip(found, 0.0, 1.0)
        if value(found) < least - 1e-12:
            best, least = found, value(found)
    change = build(low + best * span)
    if abs(change.surface_area * change.surface_angle) < 1e-9:  # surfaces that do nothing are left away
        change = Change(change.hang_offset, change.thrust_offset, change.thrust_tilt)
    return change


def _least_bound(
    goal: Goal, build: Callable[[Array], Change], low: Array, span: Array, start: Array, now: float
) -> Array:
    """Return the minimum of the worst case from one start: least t with every case below t."""
    from scipy.optimize import Bounds, NonlinearConstraint, minimize

    size = start.size
    counted = goal.weight > 0.0

    def cost(z: Array) -> float:
        return float(z[-1]) + goal.price * goal.loss(build(low + z[:-1] * span))

    def room(z: Array) -> Array:
        return float(z[-1]) - goal.each(build(low + z[:-1] * span).actions)[counted] / now

    first = goal.mean_square(build(low + start * span).actions) / now
    bounds = Bounds(np.append(np.zeros(size), 0.0), np.append(np.ones(size), np.inf))
    found = minimize(
        cost,
        np.append(start, first),
        method="SLSQP",
        bounds=bounds,
        constraints=NonlinearConstraint(room, 0.0, np.inf),
        options={"maxiter": 200, "ftol": 1e-10},
    )
    return np.asarray(found.x[:-1])


def _space(
    sheet: BalanceSheet, means: Sequence[str], offset: float
) -> tuple[Array, Array, Callable[[Array], Change]]:
    """Return bounds of the variables and what makes a change of them."""
    low: list[float] = []
    high: list[float] = []
    names: list[str] = []

    def add(name: str, least: float, most: float) -> None:
        names.append(name)
        low.append(least)
        high.append(most)

    if "hang_offset" in means and sheet.hang_offset is not None:
        limit = sheet.hang_offset.limit_m
        add("hang_offset", -limit - offset, limit - offset)
    if "thrust_tilt" in means and sheet.thrust_tilt is not None:
        limit = math.radians(sheet.thrust_tilt.limit_deg)
        add("thrust_tilt", -limit, limit)
    if "thrust_offset" in means and sheet.thrust_offset is not None:
        limit = sheet.thrust_offset.limit_m
        add("thrust_offset", -limit, limit)
    if "surface" in means and sheet.surface is not None:
        limit = math.radians(sheet.surface.angle_limit_deg)
        add("surface_angle", -limit, limit)
        add("surface_area", 0.0, sheet.surface.largest_area_m2)

    def build(x: Array) -> Change:
        return Change(**{name: float(v) for name, v in zip(names, x, strict=True)})

    return np.array(low), np.array(high), build
