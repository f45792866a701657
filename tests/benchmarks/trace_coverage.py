"""How honest and how tight is the whole-sortie torque ratio? Simulated sorties, files included.

    python tests/benchmarks/trace_coverage.py [--sorties 40] [--seed 0] [--jobs 2] [--gust 0.15] [--family]
                                               [--arm-std 0.005] [--mass-std 0.05]

Without ``--family`` the sample's aircraft flies the school's card with four 60 s ballast legs in air of the
given gust level, its true values drawn anew for each seed. With ``--family`` the members of the family are
flown, in all ways of calibration. Each sortie is written, read and analysed as a user would; the ratio is
compared with the simulated torque over the static torque at the same advance ratio. What the holds give for
one setting stands beside it. Nothing is asserted; the figures are printed as they are.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

OWN = ("rig", "density")  # what the sheets and sensors say of themselves, not this estimate's


@dataclass
class Score:
    """What one sortie scored."""

    seed: int
    kind: str = ""
    z: float = float("nan")
    inside95: bool = False
    inside68: bool = False
    error: float = float("nan")
    std: float = float("nan")
    own_std: float = float("nan")
    holds_error: float = float("nan")
    holds_std: float = float("nan")
    accepted: bool = False
    seconds: float = float("nan")
    used: float = float("nan")
    words: str = ""


@dataclass
class Timer:
    """CPU time of the whole-sortie estimate within an analysis."""

    seconds: list[float] = field(default_factory=list)


def run(seed: int, gust: float, family: bool, arm_std: float, mass_std: float) -> Score:
    """Simulate, write, analyse and score one sortie."""
    import flightproc.analysis as analysis
    from flightproc.errors import FlightprocError
    from flightproc.simulate import Stated, simulate_sortie, write_sortie
    from flightproc.simulate.family import family_member

    timer = Timer()
    plain = analysis.trace_sortie

    def timed(*args: object, **kwargs: object) -> object:
        begun = time.process_time()
        out = plain(*args, **kwargs)  # type: ignore[arg-type]
        timer.seconds.append(time.process_time() - begun)
        return out

    score = Score(seed)
    try:
        if family:
            sortie = family_member(77, seed)
        else:
            stated = Stated(ballast_arm_std=arm_std, ballast_mass_std=mass_std)
            sortie = simulate_sortie(seed, gust_level=gust, stated=stated)
    except FlightprocError as error:
        score.words = str(error)
        return score
    score.kind = str(sortie.truth["stated"].get("calibration", "ballast"))
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "sortie"
        write_sortie(sortie, folder)
        truth = json.loads((folder / "truth.json").read_text())
        analysis.trace_sortie = timed  # type: ignore[assignment]
        try:
            results = analysis.analyse(folder / "sortie.toml")
        except FlightprocError as error:
            score.words = str(error)
            return score
        finally:
            analysis.trace_sortie = plain
    trace = results.trace
    assert trace is not None
    score.words = trace.reason
    if trace.ratio.value is None or trace.ratio.std is None:
        return score
    power = [hold for hold in truth["planned_holds"] if hold["torque_ratio"]]
    line = np.polyfit([h["advance_ratio"] for h in power], [h["torque_ratio"] for h in power], 1)
    true = float(np.polyval(line, trace.advance_ratio))
    q = trace.ratio
    score.accepted = trace.accepted
    score.error = q.value / true - 1.0
    score.std = q.std / true
    score.own_std = float(np.sqrt(q.std**2 - sum(q.budget.get(name, 0.0) ** 2 for name in OWN))) / true
    score.z = (q.value - true) / q.std
    score.inside95 = bool(q.low95 <= true <= q.high95)
    low, high = np.quantile(trace.draws[:, 0], [0.16, 0.84])
    score.inside68 = bool(low <= true <= high)
    score.seconds = timer.seconds[-1]
    score.used = trace.share_used
    rows = [row for row in results.comparison if row.torque_ratio.value is not None]
    if rows:
        # the middle setting stands for cruise
        row = rows[len(rows) // 2]
        there = float(np.polyval(line, row.advance_ratio.value or trace.advance_ratio))
        score.holds_error = (row.torque_ratio.value or np.nan) / there - 1.0
        score.holds_std = (row.torque_ratio.std or np.nan) / there
    return score


def tell(name: str, scores: list[Score]) -> None:
    """Print one group."""
    if not scores:
        return
    z = np.array([s.z for s in scores])
    error = np.array([s.error for s in scores])
    std, own = np.array([s.std for s in scores]), np.array([s.own_std for s in scores])
    held = np.array([s.holds_std for s in scores])
    print(f"{name} ({len(scores)} sorties)")
    print(f"  z-score                 mean {z.mean():+.2f}, spread {z.std():.2f} (1.00 is honest)")
    print(
        f"  inside the interval     {100 * np.mean([s.inside95 for s in scores]):.1f} % of 95 %, "
        f"{100 * np.mean([s.inside68 for s in scores]):.1f} % of 68 %"
    )
    print(
        f"  standard uncertainty    {100 * std.mean():.2f} % mean, {100 * own.mean():.2f} % without rig and "
        f"density; rms error {100 * np.sqrt(np.mean(error**2)):.2f} %, bias {100 * error.mean():+.2f} %"
    )
    print(
        f"  the holds, one setting  {100 * np.nanmean(held):.2f} % mean standard uncertainty; rms error "
        f"{100 * np.sqrt(np.nanmean([s.holds_error**2 for s in scores])):.2f} %"
    )


def main() -> None:
    """Run the sorties and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sorties", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--gust", type=float, default=0.15)
    parser.add_argument("--family", action="store_true")
    parser.add_argument("--arm-std", type=float, default=0.005)
    parser.add_argument("--mass-std", type=float, default=0.05)
    options = parser.parse_args()
    one = partial(
        run,
        gust=options.gust,
        family=options.family,
        arm_std=options.arm_std,
        mass_std=options.mass_std,
    )
    with ProcessPoolExecutor(options.jobs) as pool:
        scores = list(pool.map(one, range(options.seed, options.seed + options.sorties)))
    known = [s for s in scores if np.isfinite(s.z)]
    used = [s for s in known if s.accepted]
    for s in scores:
        if s.words:
            print(f"{s.seed}: {s.words}")
    title = "family" if options.family else f"gusts of {options.gust:.2f} m/s"
    tell(f"{title}, accepted", used)
    for kind in sorted({s.kind for s in used}):
        if options.family:
            tell(f"  by {kind}", [s for s in used if s.kind == kind])
    print(f"accepted                  {len(used)} of {len(known)} estimates, {len(scores)} sorties")
    if known:
        print(
            f"flight used               {100 * np.mean([s.used for s in known]):.0f} % of the time in the air"
        )
        print(
            f"estimate                  {np.median([s.seconds for s in known]):.2f} s of CPU a sortie, median"
        )


if __name__ == "__main__":
    main()
