"""Does the interval hold the truth? Simulated sorties through the whole program, files included.

    python tests/benchmarks/coverage.py [--sorties 40] [--seed 1000] [--jobs 2]

Each sortie is simulated with its own truth, written to disk as logs and sheets, analysed as a user would, and
compared: roll moments (z-scores, share inside the 95 % interval, ratio to truth), holds (precision, recall,
overlap), wind, airspeed and clock offsets. Nothing is asserted; the figures are printed as they are.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

FOUND = 0.9  # share of a planned hold that must be covered for it to count as found
FALSE = 0.5  # share of a found hold that must lie in a planned one, settling included, for it not to be false


@dataclass
class Score:
    """What one sortie scored."""

    seed: int
    facts: dict[str, Any]
    z: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    ratio: list[float] = field(default_factory=list)
    relative_std: list[float] = field(default_factory=list)
    overlap: list[float] = field(default_factory=list)
    false: int = 0
    found_holds: int = 0
    wind: float = float("nan")
    airspeed: list[float] = field(default_factory=list)
    clocks: list[float] = field(default_factory=list)
    seconds: float = 0.0
    error: str = ""


def run(seed: int) -> Score:
    """Simulate, write, analyse and score one sortie."""
    from flightproc.analysis import analyse
    from flightproc.errors import FlightprocError
    from flightproc.simulate import simulate_family, write_sortie

    sortie = next(iter(simulate_family(1, seed)))
    parameters = sortie.parameters
    score = Score(
        seed,
        {
            "gust": parameters.gust_level,
            "attitude": parameters.attitude,
            "riser": parameters.riser_roll_stiffness,
        },
    )
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "sortie"
        write_sortie(sortie, folder)
        truth = json.loads((folder / "truth.json").read_text())
        begun = time.perf_counter()
        try:
            results = analyse(folder / "sortie.toml")
        except FlightprocError as error:
            score.error = str(error)
            return score
        score.seconds = time.perf_counter() - begun
    planned = truth["planned_holds"]
    holds = results.holds
    score.found_holds = len(holds)
    for plan in planned:
        covered = [min(h.end, plan["end_s"]) - max(h.start, plan["start_s"]) for h in holds]
        best = int(np.argmax(covered)) if covered else -1
        length = plan["end_s"] - plan["start_s"]
        share = max(covered[best], 0.0) / length if covered else 0.0
        score.overlap.append(share if covered and str(holds[best].kind) == plan["kind"] else 0.0)
        if share < 0.5:
            continue
        hold = holds[best]
        if hold.airspeed.value is not None:
            score.airspeed.append(hold.airspeed.value - plan["airspeed_m_s"])
        moment = hold.roll_moment
        if plan["kind"] != "power" or moment.value is None or not moment.std:
            continue
        size = plan["roll_moment_N_m"]
        score.z.append(float(np.sign(size)) * (moment.value - size) / moment.std)
        score.inside.append(moment.low95 <= size <= moment.high95)
        score.ratio.append(moment.value / size)
        score.relative_std.append(moment.std / abs(size))
    for hold in holds:
        shares = [
            (min(hold.end, p["end_s"]) - max(hold.start, p["settling_start_s"])) / (hold.end - hold.start)
            for p in planned
        ]
        score.false += max(shares) < FALSE
    wind, true = results.wind, truth["wind"]
    if wind.north.value is not None and wind.east.value is not None:
        score.wind = float(np.hypot(wind.north.value - true["north_m_s"], wind.east.value - true["east_m_s"]))
    for item in results.sortie.clock_offsets:
        if item.method != "reference" and item.offset.value is not None:
            score.clocks.append(item.offset.value - truth["clock_offsets_s"][item.log])
    return score


def main() -> None:
    """Run the sorties and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sorties", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--each", action="store_true", help="print a line per sortie")
    options = parser.parse_args()
    with ProcessPoolExecutor(options.jobs) as pool:
        scores = list(pool.map(run, range(options.seed, options.seed + options.sorties)))
    if options.each:
        for s in scores:
            print(
                f"{s.seed} gust {s.facts['gust']:.2f} {s.facts['attitude']:>10} k_r {s.facts['riser']:3.0f}  "
                f"min overlap {min(s.overlap, default=0):.2f} false {s.false} wind {s.wind:.2f} "
                f"clocks {np.round(s.clocks, 2)} z {np.round(s.z, 1)} {s.error}"
            )
    done = [s for s in scores if not s.error]
    z = np.array([x for s in done for x in s.z])
    inside = np.array([x for s in done for x in s.inside])
    ratio = np.array([x for s in done for x in s.ratio])
    overlap = np.array([x for s in done for x in s.overlap])
    recall = float(np.mean(overlap >= FOUND))
    found, false = sum(s.found_holds for s in done), sum(s.false for s in done)
    airspeed = np.array([x for s in done for x in s.airspeed])
    clocks = np.abs([x for s in done for x in s.clocks])
    wind = np.array([s.wind for s in done])
    means = np.array([np.mean(s.z) for s in done if s.z])
    print(f"sorties                     {len(done)} analysed, {len(scores) - len(done)} ended with an error")
    print(f"roll moments                {z.size}")
    print(f"  z-score                   mean {z.mean():+.2f}, spread {z.std():.2f} (1.00 is honest)")
    print(f"  z-score, sortie means     mean {means.mean():+.2f}, spread {means.std():.2f}")
    print(f"  inside the 95 % interval  {100 * inside.mean():.1f} %")
    print(f"  ratio to truth            mean {ratio.mean():.3f}, spread {ratio.std():.3f}")
    told = np.mean([x for s in done for x in s.relative_std])
    print(f"  standard uncertainty      {100 * told:.1f} % of the moment, mean")
    print(
        f"holds                       recall {100 * recall:.1f} % (at least {FOUND:.0%} overlap, right kind)"
    )
    print(
        f"                            precision {100 * (1 - false / found):.1f} % ({false} false of {found})"
    )
    print(f"                            overlap median {np.median(overlap):.2f}, least {overlap.min():.2f}")
    print(
        f"wind                        error median {np.nanmedian(wind):.2f}, worst {np.nanmax(wind):.2f} m/s"
    )
    print(f"airspeed in holds           bias {airspeed.mean():+.2f}, spread {airspeed.std():.2f} m/s")
    print(f"clock offsets               error median {np.median(clocks):.3f}, worst {clocks.max():.3f} s")
    print(f"analysis                    {np.median([s.seconds for s in done]):.1f} s a sortie, median")


if __name__ == "__main__":
    main()
