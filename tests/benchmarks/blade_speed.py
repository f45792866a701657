"""How long blade elements take: ``python tests/benchmarks/blade_speed.py``.

30 stations, once and ten times 1,000 operating points at J from 0 to 0.6, beside the time of one pass of the
residual over the same arrays, so that the ratio means the same on another machine.
"""

from __future__ import annotations

import os
import time

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from flightproc.propeller import AnalyticPolar, Blade, SectionFlow, solve_elements


def main() -> None:
    """Print the best of seven, in processor time."""
    blade, polar = Blade.helical(diameter=1.25, pitch=0.6, blades=2, elements=30), AnalyticPolar()
    for points in (1000, 10_000):
        speed = np.linspace(0.0, 0.6, points) * 2400.0 / 60.0 * blade.diameter
        shape = (points, blade.radius.size)
        flow = SectionFlow(np.full(shape, 0.2), np.full(shape, 5e5), np.full(shape, 0.3))
        alpha = np.full(shape, 0.1)
        solve = section = np.inf
        for _ in range(7):
            begun = time.process_time()
            run = solve_elements(blade, polar, 2400.0, speed, 1.2, speed_of_sound=340.3)
            solve = min(solve, time.process_time() - begun)
            begun = time.process_time()
            polar.coefficients(alpha, flow)
            section = min(section, time.process_time() - begun)
        print(
            f"30 x {points}: {solve:.3f} s, {solve / section:.0f} times one look at the polar; "
            f"{int(run.converged.sum())} of {run.converged.size} elements converged"
        )


if __name__ == "__main__":
    main()
