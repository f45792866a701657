"""Does a planned sortie reach the precision it was planned for? Simulated sorties fly the planned card.

    python tests/benchmarks/plan_precision.py [--sorties 100] [--seed 3000] [--gust 0.15] [--jobs 2]
        [--difference 11.5] [--family] [--keep FILE]

A plan is made as a user would make it, from sheets, for a stated gust level. Its legs are then flown in the
simulator, each time with its own truth drawn around the sheets and its own sensors and rig day, written as
logs and sheets, and analysed.
Compared are, for the torque ratio at cruise: the planned standard uncertainty, that
which the analysis states (median), and the actual error (rms). Nothing is asserted.

Without --family all sorties are of one wing and one world, drawn around its sheets. With --family wing,
risers, sensors and drift are drawn as widely as the estimator's priors are (docs/simulator.md), so that the
actual error is one of all sources.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

SHEET = """
aircraft = "aircraft.toml"
glider = "glider.toml"
rig = "rig.toml"
[goal]
difference_percent = {difference}
[holds]
cruise_rpm = 6000.0
other_rpm = [5200.0, 6800.0]
seconds = {seconds}
[air]
gust_m_s = {gust}
density_kg_m3 = 1.16
[ballast]
masses_kg = [5.0]
arm_m = 0.30
[flight]
level_rpm = 4800.0
"""
WIND_FROM = 328.0  # of the simulated world's wind [deg]
IDLE = 2200.0


def make_plan(folder: Path, gust: float, difference: float, seconds: str = "[60.0, 90.0]") -> Any:
    """Plan a sortie from the sheets of a simulated one."""
    from flightproc.decide.plan import plan_sortie
    from flightproc.sheets import load_plan
    from flightproc.simulate import simulate_sortie, write_sortie

    write_sortie(simulate_sortie(7), folder)
    text = SHEET.format(gust=gust, difference=difference, seconds=seconds)
    (folder / "plan.toml").write_text(text)
    return plan_sortie(load_plan(folder / "plan.toml"))


def card_of(plan: Any) -> tuple[Any, ...]:
    """Return the plan's legs as the simulator flies them."""
    from flightproc.simulate.scenario import Segment, weaving_climb

    law = plan.law
    card = [
        Segment("ground still, engine stopped", 0.0, "time", 60.0, kind="ground", on_ground=True),
        Segment("ground idle", IDLE, "time", 12.0, on_ground=True),
        Segment("run-up", 5500.0, "time", 6.0, on_ground=True),
        Segment("ground idle", IDLE, "time", 6.0, on_ground=True),
        Segment("take-off", 7200.0, "above", 15.0, "heading", math.radians(8.0), limit=60.0),
    ]
    last, count = law.climb_rpm, {"power": 0, "glide": 0, "ballast": 0}
    for leg in plan.chosen.flight.legs:
        rpm = leg.rpm or IDLE
        if leg.kind == "climb":
            card.append(weaving_climb(leg.height_end, 7200.0))
        elif leg.kind == "descent":
            card.append(
                Segment(
                    "descending turns", IDLE, "below", leg.height_end, "rate", math.radians(18.0), limit=400.0
                )
            )
        elif leg.kind == "circles":
            for name, rate in (("left", -12.0), ("right", 12.0)):
                card.append(
                    Segment(f"circle {name}", rpm, "turned", math.radians(365.0), "rate", math.radians(rate))
                )
        elif leg.is_hold:
            count[leg.kind] += 1
            label = f"{leg.kind} {leg.side} {count[leg.kind]}".replace("  ", " ")
            ballast = {"right": 1, "left": -1}.get(leg.side, 0)
            heading = WIND_FROM if leg.heading == "into wind" else (WIND_FROM + 180.0) % 360.0
            floor = 90.0 if leg.rpm else 150.0
            card += [
                Segment(
                    f"turn to {heading:.0f}",
                    last,
                    "heading",
                    math.radians(heading),
                    "heading",
                    math.radians(18.0),
                    ballast=ballast,
                    limit=60.0,
                    floor=floor,
                ),
                Segment(f"settle {label}", rpm, "time", law.settle, ballast=ballast),
                Segment(f"hold {label}", rpm, "time", leg.seconds, kind=leg.kind, ballast=ballast),
            ]
        last = rpm
    card += [
        Segment("descending turns", IDLE, "below", 30.0, "rate", math.radians(18.0), limit=800.0),
        Segment("final", IDLE, "below", 0.0, "heading", math.radians(8.0), limit=90.0),
        Segment("run-out, engine off", 0.0, "time", 8.0, on_ground=True),
        Segment("ground still, engine stopped", 0.0, "time", 15.0, kind="ground", on_ground=True),
    ]
    return tuple(card)


def fly(task: tuple[int, float, Any, bool]) -> dict[str, Any]:
    """Fly, write and analyse one sortie."""
    from flightproc.analysis import analyse
    from flightproc.errors import FlightprocError
    from flightproc.simulate import simulate_sortie, write_sortie
    from flightproc.simulate.family import family_member

    seed, gust, card, family = task
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "sortie"
        if family:
            simulated = family_member(
                3, seed, gust_level=gust, card=card, calibration="ballast", pilot_input_share=0.0
            )
        else:
            simulated = simulate_sortie(seed, gust_level=gust, card=card)
        write_sortie(simulated, folder)
        try:
            results = analyse(folder / "sortie.toml")
        except FlightprocError as error:
            return {"seed": seed, "error": str(error)}
    row = min(results.comparison, key=lambda r: abs((r.rpm.value or 0.0) - 6000.0))
    ratio = row.torque_ratio
    true = float(
        np.mean(
            [
                h["torque_ratio"]
                for h in simulated.planned_holds
                if h["kind"] == "power" and abs(h["rpm"] - 6000.0) < 100.0
            ]
        )
    )
    return {
        "seed": seed,
        "error": "",
        "std": ratio.std,
        "value": ratio.value,
        "true": true,
        "budget": dict(ratio.budget),
        "found": len(results.holds),
        "hang": results.calibration.noise_hang_roll_60s,
        "turn": results.calibration.noise_turn_rate_60s,
        "K": results.calibration.hang_stiffness.value,
        "torque": row.static_torque.value,
        "rig": row.static_torque.std,
        "minutes": simulated.flight.time[-1] / 60.0,
    }


def own_forecast(plan: Any, row: dict[str, Any]) -> float:
    """Return what the planner says of a sortie whose noise, K and rig it was told."""
    from dataclasses import replace

    from flightproc.decide.plan_forecast import forecast
    from flightproc.decide.plan_noise import carry_noise

    def torque(rpm: float) -> tuple[float, float]:
        scale = (rpm / 6000.0) ** 2
        return row["torque"] * scale, row["rig"] * scale

    gust = plan.sheets.sheet.air.gust_m_s
    noise = carry_noise(row["hang"], row["turn"], None, gust, "its own")
    world = replace(plan.world, noise=noise, stiffness=row["K"], torque=torque)
    return float(forecast(plan.chosen.flight, plan.chosen.design.ballast_mass, world).std)


def report(plan: Any, rows: list[dict[str, Any]]) -> None:
    """Print planned against reached."""
    done = [r for r in rows if not r["error"]]
    for r in rows:
        if r["error"]:
            print(f"  {r['seed']}: {r['error']}")
    planned = plan.chosen.forecast.std
    told = np.array([r["std"] / r["value"] for r in done])
    error = np.array([r["value"] / r["true"] - 1.0 for r in done])
    rms = float(np.sqrt(np.mean(error**2)))
    print(f"sorties {len(done)}, holds planned {plan.chosen.design.legs}, found {[r['found'] for r in done]}")
    print(
        f"flight planned {plan.chosen.flight.minutes:.1f} min, "
        f"flown {np.mean([r['minutes'] for r in done]):.1f}"
    )
    print(f"standard uncertainty of the torque ratio at cruise: planned {100 * planned:.2f} %")
    print(
        f"  told: median {100 * np.median(told):.2f} % ({100 * np.min(told):.2f} to {100 * np.max(told):.2f})"
        f"; planned/told {planned / np.median(told):.3f}"
    )
    print(
        f"  actual error: rms {100 * rms:.2f} % ± {100 * rms / math.sqrt(2 * len(done)):.2f}, mean "
        f"{100 * error.mean():+.2f} %; planned/actual {planned / rms:.3f}"
    )
    if all(r.get("hang") for r in done):
        own = np.array([own_forecast(plan, r) for r in done])
        print(
            f"  planned with the noise, K and rig that each sortie shows: median {100 * np.median(own):.2f} %"
        )
        print(
            f"  that over told {np.median(own / told):.3f} ({np.min(own / told):.2f} to "
            f"{np.max(own / told):.2f}); rms of error over it {np.sqrt(np.mean((error / own) ** 2)):.2f}"
        )
    print("budget, % of the torque: planned, told (median)")
    names = dict.fromkeys([*plan.chosen.forecast.budget, *(n for r in done for n in r["budget"])])
    for name in names:
        mine = np.median([r["budget"].get(name, 0.0) / r["value"] for r in done])
        print(f"  {name:<28}{100 * plan.chosen.forecast.budget.get(name, 0.0):6.2f}{100 * mine:6.2f}")


def main() -> None:
    """Plan, fly, compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sorties", type=int, default=100)
    parser.add_argument("--seed", type=int, default=3000)
    parser.add_argument("--gust", type=float, default=0.15)
    parser.add_argument("--difference", type=float, default=11.5, help="wanted difference, percent")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--family", action="store_true", help="fly members of the family, other wings too")
    parser.add_argument("--keep", type=Path, help="file of outcomes, one JSON object per line")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        plan = make_plan(Path(place) / "sheets", options.gust, options.difference)
    card = card_of(plan)
    kept: dict[int, dict[str, Any]] = {}
    if options.keep and options.keep.exists():
        kept = {r["seed"]: r for r in map(json.loads, options.keep.read_text().splitlines())}
    seeds = range(options.seed, options.seed + options.sorties)
    tasks = [(seed, options.gust, card, options.family) for seed in seeds if seed not in kept]
    with ProcessPoolExecutor(options.jobs) as pool:
        for row in pool.map(fly, tasks):
            kept[row["seed"]] = row
            if options.keep:
                with options.keep.open("a") as file:
                    file.write(json.dumps(row) + "\n")
    report(plan, [kept[seed] for seed in seeds])


if __name__ == "__main__":
    main()
