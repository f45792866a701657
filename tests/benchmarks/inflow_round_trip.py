"""Is the truth in the interval? Synthetic flight ratios back to the angle of attack.

    python tests/benchmarks/inflow_round_trip.py [--cases 200] [--seed 1]

Each case draws a blade (pitch offset, drag, largest lift, chord) from its priors, a wake fraction from 0 to
0.3, a rig day with its noise and its common errors, and a flight at three settings with noise in the ratios,
4 % common and 2 % own each, in airspeed, and a 5 % error of the blade model, most of it common. The blade is
calibrated on that rig, the inflow inferred from that flight, and compared with the truth. Nothing is
asserted; the figures are printed.
"""

from __future__ import annotations

import argparse
import math
import os
import time
from dataclasses import dataclass, replace

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from flightproc.propeller import (
    AnalyticPolar,
    Blade,
    CalibratedBlade,
    FlightPoint,
    alpha_at,
    fit_blade,
    infer_inflow,
    solve_elements,
)

RADIUS = np.linspace(0.10, 0.625, 8)
BLADE = Blade.from_table(
    RADIUS,
    np.array([0.06, 0.08, 0.09, 0.088, 0.08, 0.07, 0.055, 0.03]),
    np.arctan2(0.6, 2.0 * math.pi * RADIUS),
    diameter=1.25,
    blades=2,
    elements=14,
)
RPM = np.array([1900.0, 2300.0, 2700.0])
SPEEDS = np.array([10.5, 11.0, 11.5])
STATIC_MODEL, RATIO_MODEL = 0.05, 0.05
COMMON, OWN, SPEED_OWN, SPEED_COMMON = 0.04, 0.02, 0.1, 0.15


@dataclass(frozen=True)
class Truth:
    """A blade and its inflow."""

    scalars: np.ndarray
    wake: float

    def solve(self, rpm, speed, density=1.2):
        """Solve the true blade."""
        polar = AnalyticPolar()
        polar = replace(
            polar,
            drag_factor=math.exp(self.scalars[1]),
            max_lift=polar.max_lift * math.exp(self.scalars[2]),
        )
        return solve_elements(
            BLADE,
            polar,
            rpm,
            speed,
            density,
            pitch_offset=self.scalars[0],
            chord_factor=math.exp(self.scalars[3]),
            speed_of_sound=340.3,
        )


@dataclass(frozen=True)
class Case:
    """One round trip: the angle at 0.75 R in flight at the middle setting."""

    inside: bool
    inside_prior: bool
    z: float
    inside_wake: bool


def draw_truth(random: np.random.Generator) -> Truth:
    """Draw a blade from the priors and a wake fraction."""
    prior = np.array([BLADE.pitch_std, 0.40, 0.15, 0.02])
    return Truth(prior * random.standard_normal(4), float(random.uniform(0.0, 0.3)))


def _rig(truth: Truth, random: np.random.Generator, noise: float) -> CalibratedBlade:
    rest = truth.solve(RPM, 0.0)
    common = np.exp(STATIC_MODEL * noise * random.standard_normal(2))
    torque = rest.torque * common[0] * (1.0 + 0.01 * noise * random.standard_normal(3))
    thrust = rest.thrust * common[1] * (1.0 + 0.02 * noise * random.standard_normal(3))
    return fit_blade(BLADE, RPM, torque, 0.01 * torque, density=1.2, thrust=thrust, thrust_std=0.02 * thrust)


def known_blade() -> CalibratedBlade:
    """Return a blade that is as assumed, calibrated on an exact rig."""
    return _rig(Truth(np.zeros(4), 0.0), np.random.default_rng(0), 0.0)


def run(cases: int, seed: int = 1) -> list[Case]:
    """Run the cases."""
    random = np.random.default_rng(seed)
    out = []
    for number in range(cases):
        truth = draw_truth(random)
        case = _rig(truth, random, 1.0)
        flown = truth.solve(RPM, (1.0 - truth.wake) * SPEEDS, 1.15)
        kappa = flown.torque / truth.solve(RPM, 0.0, 1.15).torque
        own = math.sqrt(0.15) * random.standard_normal(3)
        kappa = kappa * (1.0 + RATIO_MODEL * (math.sqrt(0.85) * random.standard_normal() + own))
        kappa = kappa * (1.0 + COMMON * random.standard_normal() + OWN * random.standard_normal(3))
        covariance = COMMON**2 * np.outer(kappa, kappa) + np.diag((OWN * kappa) ** 2)
        speeds = SPEEDS + SPEED_COMMON * random.standard_normal() + SPEED_OWN * random.standard_normal(3)
        points = [FlightPoint(2.8 * n, n, v, SPEED_OWN, 1.15) for n, v in zip(RPM, speeds, strict=True)]
        found = infer_inflow(
            case, points, kappa, covariance, airspeed_common_std=SPEED_COMMON, draws=400, seed=number
        )
        q, before, true = found.points[1].alpha_075, found.points[1].alpha_075_prior, alpha_at(flown)[1]
        out.append(
            Case(
                bool(q.low95 <= true <= q.high95),
                bool(before.low95 <= true <= before.high95),
                float((true - q.value) / q.std),
                bool(found.wake.low95 <= truth.wake <= found.wake.high95),
            )
        )
    return out


def main() -> None:
    """Print how often the intervals held the truth."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    begun = time.perf_counter()
    cases = run(arguments.cases, arguments.seed)
    z = np.array([c.z for c in cases])
    print(
        f"{len(cases)} cases, {time.perf_counter() - begun:.0f} s: alpha at 0.75 R in flight inside its 95 % "
        f"interval in {100.0 * np.mean([c.inside for c in cases]):.1f} % (before the flight "
        f"{100.0 * np.mean([c.inside_prior for c in cases]):.1f} %), z mean {z.mean():+.2f}, spread "
        f"{z.std(ddof=1):.2f}; wake fraction inside in "
        f"{100.0 * np.mean([c.inside_wake for c in cases]):.1f} %"
    )


if __name__ == "__main__":
    main()
