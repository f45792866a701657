"""What noise do holds have, by gust level? The source of the planner's typical values.

    python tests/benchmarks/plan_noise.py [--seeds 3] [--first 500] [--jobs 2] [--keep FILE]

Simulated sorties of the school's card at stated gust levels are assembled, searched for holds and observed as
the program does it. Printed are, by gust level, medians of: the standard uncertainty of the level of hang
roll and turn rate, put to a minute; its correlation; the airspeed's own; the sensor's yaw; what settling cost
each hold. Fitted to them are the laws that ``flightproc.decide.plan_noise`` states. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

GUSTS = (0.05, 0.10, 0.15, 0.20, 0.30, 0.40)


def run(task: tuple[int, float]) -> dict[str, Any]:
    """Simulate and observe one sortie."""
    from flightproc.from_sheets import search_holds
    from flightproc.readers import read_log
    from flightproc.sheets import load_sortie
    from flightproc.simulate import simulate_sortie, write_sortie
    from flightproc.sortie import assemble_sortie

    seed, gust = task
    simulated = simulate_sortie(seed, gust_level=gust)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "sortie"
        write_sortie(simulated, folder)
        sheets = load_sortie(folder / "sortie.toml")
        recordings = {}
        for log in sheets.sortie.logs:
            columns = {name: vars(column) for name, column in log.columns.items()}
            recordings[log.name] = read_log(sheets.files[log.name], columns=columns or None)
        sortie = assemble_sortie(sheets, recordings)
        search, observed = search_holds(sheets, sortie, [])
    length = np.array([h.end - h.start for h in search.holds])
    std = observed.noise.std()
    blocks = [observed.covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(len(length))]
    correlation = observed.covariance / np.sqrt(np.outer(*(2 * [np.diag(observed.covariance)])))
    across = correlation[0::2, 0::2][~np.eye(len(length), dtype=bool)]
    return {
        "seed": seed,
        "gust": gust,
        "minute": observed.noise.mean_std(60.0).tolist(),
        "hang": (std[:, 0] * np.sqrt(length / 60.0)).tolist(),
        "turn": (std[:, 1] * np.sqrt(length / 60.0)).tolist(),
        "correlation": [b[0, 1] / np.sqrt(b[0, 0] * b[1, 1]) for b in blocks],
        "across": float(np.mean(across)),
        "length": length.tolist(),
        "kind": [str(h.kind) for h in search.holds],
        "rpm": observed.rpm.tolist(),
        "airspeed": observed.airspeed.tolist(),
        "pitch": observed.hang_pitch.tolist(),
        "load": observed.load.tolist(),
        "airspeed_std": (observed.airspeed_std * np.sqrt(length / 60.0)).tolist(),
        "airspeed_common": sortie.airspeed_std,
        "density_std": sortie.density_std_ratio,
        "mount_yaw": sortie.mount_yaw_std,
        "settling": search.settling,
        "slow": observed.noise.slowest_time_constant(),
        "planned": [
            [p["kind"], p["rpm"], p["thrust_N"], p["climb_m_s"], p["start_s"], p["end_s"]]
            for p in simulated.planned_holds
        ],
        "found": [[h.start, h.end] for h in search.holds],
    }


def main() -> None:
    """Run the sorties and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    tasks = [(options.first + i, gust) for i in range(options.seeds) for gust in GUSTS]
    rows = []
    with ProcessPoolExecutor(options.jobs) as pool:
        for row in pool.map(run, tasks):
            rows.append(row)
            if options.keep:
                with options.keep.open("a") as file:
                    file.write(json.dumps(row) + "\n")
    report(rows)


def report(rows: list[dict[str, Any]]) -> None:
    """Print the table and the laws."""
    print("gust  hang/deg  turn/(deg/s) for 60 s  r(hang,turn)  airspeed own, common  yaw/deg  settling/s")
    hang, turn, gusts = [], [], []
    for gust in sorted({r["gust"] for r in rows}):
        mine = [r for r in rows if r["gust"] == gust]
        for r in mine:
            gusts.append(gust)
            hang.append(float(np.degrees(np.sqrt(np.mean(np.square(r["hang"]))))))
            turn.append(float(np.degrees(np.sqrt(np.mean(np.square(r["turn"]))))))
        print(
            f"{gust:.2f}  {np.mean(hang[-len(mine) :]):.4f}  {np.mean(turn[-len(mine) :]):.4f}  "
            f"(mean_std {np.degrees(np.mean([r['minute'] for r in mine], axis=0)).round(4)})  "
            f"{np.mean([np.mean(r['correlation']) for r in mine]):+.2f} "
            f"across {np.mean([r['across'] for r in mine]):+.3f}  "
            f"{np.mean([np.mean(r['airspeed_std']) for r in mine]):.3f}  "
            f"{np.mean([r['airspeed_common'] for r in mine]):.3f}  "
            f"{np.degrees(np.mean([r['mount_yaw'] for r in mine])):.2f}  "
            f"{np.mean([r['settling'] for r in mine]):.1f}"
        )
    for name, values in (("hang", hang), ("turn", turn)):
        floor, slope = fit_law(np.array(gusts), np.array(values))
        print(f"{name}: std^2 = {floor:.4f}^2 + ({slope:.3f} gust)^2")


def fit_law(gust: np.ndarray, std: np.ndarray) -> tuple[float, float]:
    """Return floor and slope; logarithms are compared, since a sortie tells its noise to a relative error."""
    from scipy.optimize import least_squares

    found = least_squares(
        lambda x: np.log(np.hypot(np.exp(x[0]), np.exp(x[1]) * gust) / std), np.log([0.03, 0.3])
    )
    return float(np.exp(found.x[0])), float(np.exp(found.x[1]))


if __name__ == "__main__":
    main()
