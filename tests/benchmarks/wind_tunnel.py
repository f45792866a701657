"""Ratios in flight against wind-tunnel propellers: ``python tests/benchmarks/wind_tunnel.py``.

    python tests/benchmarks/wind_tunnel.py [--leave-one-out] [--data FOLDER]

Ten propellers of the UIUC Propeller Database (J. B. Brandt, R. W. Deters, G. K. Ananda, O. D. Dantsker, M. S.
Selig, vols. 1-3, University of Illinois at Urbana-Champaign). For each of the upper half of a propeller's
speeds the blade is calibrated on the static C_T and C_P at that speed alone, as on a rig; then the ratios
C_P(J) / C_P(0) and C_T(J) / C_T(0) are predicted for J from 0.05 to 0.35. Nothing else is fitted per
propeller.

The polar, one for all propellers, was chosen with these ten in view. ``--leave-one-out`` tells what that is
worth: eight numbers of the polar are fitted anew to nine propellers at a time, and the tenth is predicted.
Nothing is asserted; the figures are printed as they are.
"""

from __future__ import annotations

import argparse
import math
import os
import re
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from flightproc.propeller import AnalyticPolar, Blade, alpha_at, fit_blade

DENSITY = 1.225
SAME_SPEED = 150.0  # runs closer than this are one speed [1/min]
RANGE = (0.05, 0.35)
STATIC_STD = 0.01  # of static torque and thrust, each, and of the model there


@dataclass(frozen=True)
class Run:
    """One speed: static C_T and C_P there, and rows of J, C_T, C_P, efficiency."""

    rpm: float
    static_ct: float
    static_cp: float
    rows: np.ndarray


@dataclass(frozen=True)
class Propeller:
    """Geometry and the runs of the upper half of the speeds."""

    name: str
    blade: Blade
    runs: tuple[Run, ...]


@dataclass(frozen=True)
class Outcome:
    """Predicted and measured ratios of one propeller, all its runs together."""

    name: str
    advance: np.ndarray
    cp: np.ndarray
    ct: np.ndarray
    measured_cp: np.ndarray
    measured_ct: np.ndarray
    static_cp: np.ndarray
    static_ct: np.ndarray
    alpha_static: float
    scalars: np.ndarray

    def rms(self, which: str = "cp") -> float:
        """Root-mean-square error of the predicted ratio."""
        return _rms(getattr(self, which) - getattr(self, f"measured_{which}"))

    def bias(self, which: str = "cp") -> float:
        """Mean error of the predicted ratio."""
        return float(np.mean(getattr(self, which) - getattr(self, f"measured_{which}")))

    def rms_unchanged(self, which: str = "cp") -> float:
        """The same error for the guess that the ratio is 1."""
        return _rms(1.0 - getattr(self, f"measured_{which}"))


def _rms(x: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(x))))


def load_propellers(folder: Path, *, elements: int = 30) -> list[Propeller]:
    """Read geometry, static and dynamic tables."""
    return [_load(path, elements) for path in sorted(folder.iterdir()) if path.is_dir()]


def _load(folder: Path, elements: int) -> Propeller:
    name = folder.name
    found = re.search(r"_([\d.]+)x", name)
    assert found is not None
    diameter = float(found.group(1)) * 0.0254
    tip = 0.5 * diameter
    table = np.loadtxt(folder / f"{name}_geom.txt", skiprows=1)
    blade = Blade.from_table(
        table[:, 0] * tip,
        table[:, 1] * tip,
        np.radians(table[:, 2]),
        diameter=diameter,
        blades=2,
        elements=elements,
    )
    static = np.loadtxt(next(folder.glob("*_static_*")), skiprows=1)
    files = {
        path: float(re.findall(r"_(\d+)\.txt$", path.name)[0])
        for path in sorted(folder.glob("*.txt"))
        if "geom" not in path.name and "static" not in path.name
    }
    speeds: list[list[float]] = []
    for rpm in sorted(files.values()):
        if speeds and rpm - speeds[-1][-1] < SAME_SPEED:
            speeds[-1].append(rpm)
        else:
            speeds.append([rpm])
    runs = []
    for group in speeds[len(speeds) // 2 :]:
        rows = np.vstack([np.loadtxt(path, skiprows=1) for path, rpm in files.items() if rpm in group])
        rows = rows[np.argsort(rows[:, 0])]
        rows = rows[(rows[:, 0] >= RANGE[0]) & (rows[:, 0] <= RANGE[1])]
        rpm = float(np.mean(group))
        if len(rows):
            runs.append(Run(rpm, *(float(np.interp(rpm, static[:, 0], static[:, k])) for k in (1, 2)), rows))
    return Propeller(name, blade, tuple(runs))


def predict(propeller: Propeller, polar: AnalyticPolar | None = None) -> Outcome:
    """Calibrate on rest at each speed, and predict the ratios in flight."""
    blade = propeller.blade
    columns: list[tuple[np.ndarray, ...]] = []
    rest: list[tuple[float, float, float]] = []
    scalars = []
    for run in propeller.runs:
        n = run.rpm / 60.0
        thrust = run.static_ct * DENSITY * n**2 * blade.diameter**4
        torque = run.static_cp * DENSITY * n**2 * blade.diameter**5 / (2.0 * math.pi)
        case = fit_blade(
            blade,
            [run.rpm],
            [torque],
            [STATIC_STD * torque],
            density=DENSITY,
            thrust=[thrust],
            thrust_std=[STATIC_STD * thrust],
            model_std=STATIC_STD,
            polar=polar,
        )
        speeds = np.concatenate([[0.0], run.rows[:, 0] * n * blade.diameter])
        out = case.solve(run.rpm, speeds, DENSITY)
        assert out.converged.all()
        cp, ct = out.power_coefficient, out.thrust_coefficient
        columns.append(
            (
                run.rows[:, 0],
                cp[1:] / cp[0],
                ct[1:] / ct[0],
                run.rows[:, 2] / run.static_cp,
                run.rows[:, 1] / run.static_ct,
            )
        )
        rest.append((cp[0] / run.static_cp, ct[0] / run.static_ct, alpha_at(out)[0]))
        scalars.append(case.values)
    joined = [np.concatenate(parts) for parts in zip(*columns, strict=True)]
    static_cp, static_ct, alpha = (np.array(column) for column in zip(*rest, strict=True))
    return Outcome(
        propeller.name, *joined, static_cp, static_ct, float(alpha.max()), np.mean(scalars, axis=0)
    )


NAMES = (
    "lift_slope",
    "zero_lift",
    "max_lift",
    "lift_drag",
    "broadside_drag",
    "stall_width",
    "stall_delay",
    "delay_drag",
)
SPREAD = np.array([0.3, math.radians(1.0), 0.12, 0.006, 0.25, math.radians(4.0), 1.0, 0.3])


def leave_one_out(propellers: list[Propeller]) -> list[Outcome]:
    """Fit the polar to all but one, one Gauss-Newton step from the shipped one, and predict that one.

    Each of the eight numbers is held near the shipped value by a prior of the width in ``SPREAD``.
    """
    shipped = AnalyticPolar()
    start = np.array([float(getattr(shipped, name)) for name in NAMES])

    def polar(step: np.ndarray) -> AnalyticPolar:
        values = start + step * SPREAD
        return replace(shipped, **dict(zip(NAMES, values.tolist(), strict=True)))

    def misfit(step: np.ndarray, propeller: Propeller) -> np.ndarray:
        out = predict(propeller, polar(step))
        share = 1.0 / math.sqrt(out.advance.size)
        return np.concatenate(
            [(out.cp - out.measured_cp) * share / 0.03, (out.ct - out.measured_ct) * share / 0.04]
        )

    zero = np.zeros(len(NAMES))
    size = 0.2
    base = [misfit(zero, p) for p in propellers]
    slope = [
        np.array([(misfit(size * row, p) - r) / size for row in np.eye(len(NAMES))]).T
        for p, r in zip(propellers, base, strict=True)
    ]
    out = []
    for left in range(len(propellers)):
        keep = [i for i in range(len(propellers)) if i != left]
        normal = sum((slope[i].T @ slope[i] for i in keep), np.eye(len(NAMES)))
        step = -np.linalg.solve(normal, sum((slope[i].T @ base[i] for i in keep), zero))
        step *= min(1.0, 1.5 / float(np.abs(step).max()))
        out.append(predict(propellers[left], polar(step)))
    return out


def table(outcomes: list[Outcome]) -> str:
    """Return the outcomes as text."""
    lines = [
        "propeller        alpha 0.75R   rms C_P   of '1'   bias    rms C_T   of '1'   bias   "
        "pitch deg  drag x  cl_max x",
    ]
    for o in outcomes:
        lines.append(
            f"{o.name:16s} {math.degrees(o.alpha_static):8.1f} deg {o.rms():9.3f} {o.rms_unchanged():8.3f} "
            f"{o.bias():+7.3f} {o.rms('ct'):9.3f} {o.rms_unchanged('ct'):8.3f} {o.bias('ct'):+7.3f} "
            f"{math.degrees(o.scalars[0]):+9.1f} {math.exp(o.scalars[1]):8.2f} {math.exp(o.scalars[2]):8.2f}"
        )
    for which, head in (("cp", "C_P"), ("ct", "C_T")):
        errors = np.array([o.rms(which) for o in outcomes])
        unchanged = np.array([o.rms_unchanged(which) for o in outcomes])
        bias = np.mean([o.bias(which) for o in outcomes])
        lines.append(
            f"{head} ratio: median rms {np.median(errors):.3f}, worst {errors.max():.3f}, mean bias "
            f"{bias:+.3f}, median rms of '1' {np.median(unchanged):.3f}, better than '1' on "
            f"{np.sum(errors < unchanged)} "
            f"of {errors.size}"
        )
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--leave-one-out", action="store_true")
    parser.add_argument("--data", type=Path)
    arguments = parser.parse_args()
    data = arguments.data or Path(
        os.environ.get("FLIGHTPROC_DATA", Path(__file__).parents[2].parent / "shared" / "data")
    )
    propellers = load_propellers(data / "uiuc")
    print(table([predict(p) for p in propellers]))
    if arguments.leave_one_out:
        print("\npolar fitted to the other nine:")
        print(table(leave_one_out(load_propellers(data / "uiuc", elements=16))))


if __name__ == "__main__":
    main()
