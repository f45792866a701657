"""Campaigns of three short sorties with one frame, solved together, against their truth.

``python tests/benchmarks/together_coverage.py --campaigns 20`` draws frames, flies each once with ballast
legs, once without, and once under another glider, and prints z-scores and standard uncertainties of the
torque ratio, together and alone.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))


def campaign(seed: int) -> dict[str, list[tuple[float, float, float]]]:
    """Return value, standard uncertainty and truth of each kind of ratio."""
    from sorties_factory import frame_world, truth_of, write_one

    from flightproc.compare.sorties import PooledRatio
    from flightproc.together import analyse_together

    world = frame_world(seed)
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        first = write_one(root / "a", world, 10 * seed + 1, title="with ballast")
        like = root / "a"
        second = write_one(root / "b", world, 10 * seed + 2, title="without", ballast=False, like=like)
        third = write_one(
            root / "c", world, 10 * seed + 3, title="other glider", like=like, glider="sport wing 22",
            wing_area=22.0, wing_span=10.6, trim_speed=12.2,
        )  # fmt: skip
        sheets = (first, second, third)
        truth = [[p for p in truth_of(sheet)["planned_holds"] if p["kind"] == "power"] for sheet in sheets]
        found = analyse_together(sheets)
    out: dict[str, list[tuple[float, float, float]]] = {}

    def add(kind: str, value: float | None, std: float | None, true: float) -> None:
        if value is not None and std:
            out.setdefault(kind, []).append((value, std, true))

    def true_of(sortie: int, rpm: float | None) -> float:
        near = [p["torque_ratio"] for p in truth[sortie] if rpm is None or abs(p["rpm"] - rpm) < 0.03 * rpm]
        return float(np.mean(near))

    def pooled(kind: str, item: PooledRatio | None) -> None:
        if item is not None:
            true = sum(part.weight * true_of(part.sortie, item.rpm) for part in item.parts)
            add(kind, item.ratio.value, item.ratio.std, true)

    for setting in found.settings:
        pooled("one setting, all sorties", setting)
    pooled("all holds, all sorties", found.overall)
    pooled("whole flights, all sorties", found.whole)
    for number, item in enumerate(found.sorties):
        true = true_of(number, None)
        word = "no ballast" if number == 1 else "ballast"
        add(f"holds of one, alone, {word}", item.ratio_alone.value, item.ratio_alone.std, true)
        add(f"holds of one, with all, {word}", item.ratio.value, item.ratio.std, true)
    return out


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=100)
    options = parser.parse_args()
    gathered: dict[str, list[tuple[float, float, float]]] = {}
    with ProcessPoolExecutor(options.jobs) as pool:
        for found in pool.map(campaign, range(options.seed, options.seed + options.campaigns)):
            for kind, rows in found.items():
                gathered.setdefault(kind, []).extend(rows)
    print(f"{options.campaigns} campaigns of three sorties, gust level 0.15 m/s, seed {options.seed}")
    print(f"{'':34s} {'n':>4s} {'std':>7s} {'rms error':>9s} {'mean z':>7s} {'rms z':>6s} {'|z|<1.96':>9s}")
    for kind, rows in sorted(gathered.items()):
        value, std, true = np.array(rows).T
        z = (value - true) / std
        error = float(np.sqrt(np.mean((value - true) ** 2)))
        inside = 100.0 * float(np.mean(np.abs(z) < 1.96))
        print(
            f"{kind:34s} {z.size:4d} {std.mean():7.4f} {error:9.4f} {z.mean():7.2f} "
            f"{np.sqrt(np.mean(z**2)):6.2f} {inside:8.0f}%"
        )


if __name__ == "__main__":
    main()
