"""Do the intervals hold the truth? A family of simulated sorties through the whole program, files included.

    python tests/benchmarks/coverage.py [--sorties 400] [--seed 1000] [--jobs 2] [--keep FILE]

Each member of the family (docs/simulator.md says what is drawn) is simulated with its own truth, written to
disk as logs and sheets, analysed as a user would, and compared with that truth: roll moment, residual turning
moment and torque ratio (share inside the 95 % and 68 % intervals, z-scores, stated against actual error),
overall and by gust band and way of calibration; holds (recall, precision, bounds); wind, airspeed, clocks.
Holds in which the simulated pilot used a brake count for the hold search alone. Nothing is asserted; the
figures are printed as they are. With --keep each sortie's score goes to a file, one JSON object per line, and
sorties that are there already are not run again.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

FOUND = 0.9  # share of a planned hold that must be covered for it to count as found
FALSE = 0.5  # share of a found hold that must lie in a planned one, settling included, for it not to be false
CRUISE = 6000.0  # engine speed of the hold that stands for its sortie [1/min]

Score = dict[str, Any]
Row = dict[str, Any]


def run(task: tuple[int, int, dict[str, Any]]) -> Score:
    """Simulate, write, analyse and score one member."""
    from flightproc.analysis import analyse
    from flightproc.errors import FlightprocError
    from flightproc.simulate import family_member, write_sortie

    seed, index, overrides = task
    sortie = family_member(seed, index, **overrides)
    parameters = sortie.parameters
    score: Score = {
        "index": index,
        "gust": parameters.gust_level,
        "mode": sortie.stated.calibration,
        "compensation": parameters.compensation,
        "error": "",
    }
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "sortie"
        write_sortie(sortie, folder)
        truth = json.loads((folder / "truth.json").read_text())
        begun = time.perf_counter()
        cpu = time.process_time()
        try:
            results = analyse(folder / "sortie.toml")
        except FlightprocError as error:
            score["error"] = str(error)
            return score
        score["seconds"] = time.perf_counter() - begun
        score["cpu"] = time.process_time() - cpu
    score |= _score_holds(results, truth)
    score |= _score_moments(results, truth)
    score |= _score_trace(results, truth)
    wind, true = results.wind, truth["wind"]
    if wind.north.value is not None and wind.east.value is not None:
        score["wind"] = float(
            np.hypot(wind.north.value - true["north_m_s"], wind.east.value - true["east_m_s"])
        )
    late = {"gps": parameters.gps_latency}  # a fix is stamped late, which no clock tells apart from an offset
    score["clocks"] = [
        item.offset.value - truth["clock_offsets_s"][item.log] + late.get(item.log, 0.0)
        for item in results.sortie.clock_offsets
        if item.method != "reference"
        and item.offset.value is not None
        and item.log in truth["clock_offsets_s"]
    ]
    return score


def _interval(quantity: Any, true: float) -> Row:
    """Return one comparison.

    ``z`` is the normal score of the truth in the stated law, positive where the value is too large: linear
    between value (0), 68 % bound (1) and 95 % bound (1.96), and on with the last slope. For a normal law that
    is (value - true) / std; skewed laws are scored fairly.
    """
    if quantity.value is None or not quantity.std or quantity.low68 is None:
        return {}
    over = true < quantity.value
    near, far = (quantity.low68, quantity.low95) if over else (quantity.high68, quantity.high95)
    inner, outer = max(abs(near - quantity.value), 1e-12), max(abs(far - near), 1e-12)
    gap = abs(true - quantity.value)
    score = gap / inner if gap <= inner else 1.0 + 0.96 * (gap - inner) / outer
    return {
        "value": quantity.value,
        "std": quantity.std,
        "true": true,
        "in95": bool(quantity.low95 <= true <= quantity.high95),
        "in68": bool(quantity.low68 <= true <= quantity.high68),
        "z": score if over else -score,
    }


def _matches(results: Any, truth: dict[str, Any]) -> list[tuple[Row, Any, float]]:
    """Return for each planned hold the found one that covers most of it, and the share covered."""
    out = []
    for plan in truth["planned_holds"]:
        covered = [min(h.end, plan["end_s"]) - max(h.start, plan["start_s"]) for h in results.holds]
        best = int(np.argmax(covered)) if covered else -1
        share = max(covered[best], 0.0) / (plan["end_s"] - plan["start_s"]) if covered else 0.0
        out.append((plan, best if covered else None, share))
    return out


def _score_holds(results: Any, truth: dict[str, Any]) -> Score:
    overlap, bounds, airspeed, braked = [], [], [], []
    for plan, best, share in _matches(results, truth):
        same = best is not None and str(results.holds[best].kind) == plan["kind"]
        if plan.get("pilot_input"):
            braked.append(bool(same and share > 0.5))
            continue
        overlap.append(share if same else 0.0)
        if same and share > 0.5:
            hold = results.holds[best]
            # the search leaves its settling time out after the change, the plan its own
            settling = results.provenance.settings["settling_s"]
            bounds += [hold.start - settling - plan["settling_start_s"], hold.end - plan["end_s"]]
            if hold.airspeed.value is not None:
                airspeed.append(hold.airspeed.value - plan["airspeed_m_s"])
    false = []
    for hold in results.holds:
        shares = [
            (min(hold.end, p["end_s"]) - max(hold.start, p["settling_start_s"])) / (hold.end - hold.start)
            for p in truth["planned_holds"]
        ]
        if max(shares) < FALSE:
            false.append([hold.start, hold.end])
    return {
        "overlap": overlap,
        "bounds": bounds,
        "airspeed": airspeed,
        "braked_taken": braked,
        "false": false,
        "found": len(results.holds),
    }


def _score_moments(results: Any, truth: dict[str, Any]) -> Score:
    sense = results.reaction_sign
    roll, residual = [], []
    by_hold = {}
    for plan, best, share in _matches(results, truth):
        if best is None or share < 0.5 or plan.get("pilot_input"):
            continue
        hold = results.holds[best]
        if str(hold.kind) != plan["kind"]:
            continue
        by_hold[best] = plan
        row = {"rpm": plan["rpm"], "kind": plan["kind"], "start": plan["start_s"]}
        if plan["kind"] == "power":
            found = _interval(hold.roll_moment, plan["roll_moment_N_m"])
            if found:
                found["z"] *= sense
                roll.append(row | found)
        found = _interval(hold.residual_turning_moment, plan["residual_moment_N_m"])
        if found:
            found["z"] *= float(np.sign(plan["residual_moment_N_m"])) or 1.0
            residual.append(row | found)
    ratio = []
    for item in results.comparison:
        plans = [by_hold[i] for i in item.holds if i in by_hold]
        if len(plans) == len(item.holds):
            found = _interval(item.torque_ratio, float(np.mean([p["torque_ratio"] for p in plans])))
            if found:
                ratio.append({"rpm": item.rpm.value} | found)
    stiffness = _interval(results.calibration.hang_stiffness, truth["calibration"]["hang_stiffness_N_m_rad"])
    return {"roll": roll, "residual": residual, "ratio": ratio, "K": [stiffness] if stiffness else []}


def _score_trace(results: Any, truth: dict[str, Any]) -> Score:
    """Score the whole-sortie ratio at each setting, where it was accepted."""
    trace = getattr(results, "trace", None)
    if trace is None:
        return {"trace": [], "trace_accepted": False, "trace_reason": "not made"}
    rows = []
    for item in trace.settings if trace.accepted else ():
        same = [
            p["torque_ratio"]
            for p in truth["planned_holds"]
            if p["kind"] == "power" and abs(p["rpm"] - item.rpm) < 0.02 * item.rpm
        ]
        found = _interval(item.ratio, float(np.mean(same))) if same else {}
        if found:
            rows.append({"rpm": item.rpm} | found)
    return {"trace": rows, "trace_accepted": bool(trace.accepted), "trace_reason": trace.reason}


# ------------------------------------------------------------------------------------------------ printing


def band(count: int, share: float) -> tuple[float, float]:
    """Return the 99 % binomial band of a share over ``count`` independent trials."""
    from scipy.stats import binom

    low, high = binom.ppf([0.005, 0.995], count, share)
    return float(low) / count, float(high) / count


def one_each(scores: Sequence[Score], name: str) -> list[Row]:
    """Return one comparison per sortie: that of the setting nearest cruise, so that they are independent."""
    out = []
    for score in scores:
        rows = [r for r in score[name] if r.get("kind", "power") == "power"]
        if rows:
            out.append(min(rows, key=lambda r: abs(r.get("rpm", CRUISE) - CRUISE)))
    return out


def line(name: str, rows: Sequence[Row]) -> str:
    """Return one line of the table."""
    z = np.array([r["z"] for r in rows])
    error = np.array([r["value"] - r["true"] for r in rows])
    std = np.array([r["std"] for r in rows])
    i95, i68 = (100 * float(np.mean([r[k] for r in rows])) for k in ("in95", "in68"))
    actual = float(np.sqrt(np.mean(error**2)))
    told = float(np.sqrt(np.mean(std**2)))
    return (
        f"{name:<22}{len(rows):6d}  {i95:5.1f} %  {i68:5.1f} %  z {z.mean():+.2f} ± {z.std():.2f}  "
        f"std told {told:.3g}, error {actual:.3g}, told/actual {told / actual:.2f}"
    )


def report(scores: Sequence[Score]) -> None:
    """Print all figures."""
    done = [s for s in scores if not s["error"]]
    print(f"sorties {len(done)} analysed, {len(scores) - len(done)} ended with an error")
    for s in scores:
        if s["error"]:
            print(f"  {s['index']}: {s['error']}")
    print(f"{'':<22}{'n':>6}  in 95 %  in 68 %  z-score")
    for name in ("roll", "residual", "ratio", "trace", "K"):
        rows = [r for s in done for r in s.get(name, [])]
        if rows:
            print(line(name, rows))
            means = [float(np.mean([r["z"] for r in s[name]])) for s in done if s.get(name)]
            print(f"{'':<22}sortie means of z: {np.mean(means):+.2f} ± {np.std(means):.2f}")
    groups: list[tuple[str, Callable[[Score], bool]]] = [
        ("calm 0.10-0.20", lambda s: s["gust"] < 0.20),
        ("light 0.20-0.30", lambda s: 0.20 <= s["gust"] < 0.30),
        ("gusty 0.30-0.40", lambda s: s["gust"] >= 0.30),
    ]
    for mode in ("ballast", "tilt", "inertia", "prior"):
        groups.append((mode, lambda s, mode=mode: s["mode"] == mode))  # type: ignore[misc]
    print("one hold per sortie, that nearest cruise, against the 99 % binomial band")
    for name in ("roll", "residual", "ratio", "trace"):
        for label, wanted in groups:
            rows = one_each([s for s in done if wanted(s) and s.get(name)], name)
            if not rows:
                continue
            words = []
            for key, share in (("in95", 0.95), ("in68", 0.6827)):
                low, high = band(len(rows), share)
                seen = float(np.mean([r[key] for r in rows]))
                mark = "" if low <= seen <= high else "  OUTSIDE"
                words.append(f"{100 * seen:5.1f} % ({100 * low:.0f} to {100 * high:.0f}){mark}")
            z = [r["z"] for r in rows]
            relative = [r["std"] / abs(r["true"]) for r in rows]
            print(
                f"  {name:<9}{label:<17}{len(rows):4d}  {words[0]:<26}{words[1]:<34}z {np.mean(z):+.2f} ± "
                f"{np.std(z):.2f}  relative std {100 * np.median(relative):.1f} %"
            )
    refused = [s.get("trace_reason", "") for s in done if not s.get("trace_accepted")]
    print(f"whole-sortie estimate accepted in {len(done) - len(refused)} of {len(done)} sorties")
    for reason in sorted(set(refused)):
        print(f"  refused {refused.count(reason)} times: {reason}")
    overlap = np.array([x for s in done for x in s["overlap"]])
    found, false = sum(s["found"] for s in done), sum(len(s["false"]) for s in done)
    bounds = np.abs([x for s in done for x in s["bounds"]])
    braked = [x for s in done for x in s["braked_taken"]]
    print(
        f"holds      recall {100 * np.mean(overlap >= FOUND):.1f} % (at least {FOUND:.0%} overlap, right "
        f"kind), "
        f"precision {100 * (1 - false / max(found, 1)):.1f} % ({false} false of {found}), bounds median "
        f"{np.median(bounds):.2f} s, 95 % within {np.quantile(bounds, 0.95):.1f} s"
    )
    if braked:
        print(f"           with a brake pulled: {sum(braked)} of {len(braked)} taken for a hold all the same")
    airspeed = np.array([x for s in done for x in s["airspeed"]])
    clocks = np.abs([x for s in done for x in s["clocks"]])
    wind = np.array([s.get("wind", np.nan) for s in done])
    print(f"wind       error median {np.nanmedian(wind):.2f}, worst {np.nanmax(wind):.2f} m/s")
    print(f"airspeed   bias {airspeed.mean():+.2f}, spread {airspeed.std():.2f} m/s")
    print(f"clocks     error median {np.median(clocks):.3f}, worst {clocks.max():.3f} s")
    seconds, cpu = [s["seconds"] for s in done], [s["cpu"] for s in done]
    print(f"analysis   {np.median(seconds):.1f} s a sortie in the median, {np.median(cpu):.1f} s of CPU")


def main() -> None:
    """Run the sorties and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sorties", type=int, default=400)
    parser.add_argument("--first", type=int, default=0, help="index of the first member")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="file of scores, one JSON object per line")
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="override a parameter"
    )
    options = parser.parse_args()
    overrides = {k: json.loads(v) for k, v in (item.split("=", 1) for item in options.set)}
    kept: dict[int, Score] = {}
    if options.keep and options.keep.exists():
        kept = {s["index"]: s for s in map(json.loads, options.keep.read_text().splitlines())}
    wanted = range(options.first, options.first + options.sorties)
    tasks = [(options.seed, i, overrides) for i in wanted if i not in kept]
    with ProcessPoolExecutor(options.jobs) as pool:
        for score in pool.map(run, tasks):
            kept[score["index"]] = score
            if options.keep:
                with options.keep.open("a") as file:
                    file.write(json.dumps(score) + "\n")
    report([kept[i] for i in wanted])


if __name__ == "__main__":
    main()
