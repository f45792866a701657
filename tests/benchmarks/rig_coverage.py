"""How often the intervals of the rig reduction hold the truth: ``python tests/benchmarks/rig_coverage.py``.

Draws rig days from the distributions of the budget, with a leak that is really there, and reduces them.
Prints shares of 95 % intervals that hold the truth, and the spread of z-scores.
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from scipy.special import stdtrit

from flightproc.channels import GRAVITY
from flightproc.rig import mean_through_swing, predict_band, reduce_rig
from flightproc.sheets import RigSheet

SPEEDS = np.array([5000.0, 5800.0, 6600.0, 7400.0, 8200.0])
GEAR, SIZE, SPACING, ARM = 2.8, 1.30, 0.40, 0.50
CQ = 0.0047
PRESSURE, TEMPERATURE = 1.0e5, 290.15
GAS = 287.05287


def truth(rpm, density):
    return CQ * density * (rpm / 60.0 / GEAR) ** 2 * SIZE**5


def one_day(random, kind, leak):
    """Return a sheet and the density that really was."""
    pressure = PRESSURE + 100.0 * random.standard_normal()
    temperature = TEMPERATURE + 1.5 * random.standard_normal()
    density = pressure / (GAS * temperature) * (1.0 + 0.003 * random.standard_normal())
    spacing, arm = SPACING + 0.002 * random.standard_normal(), ARM + 0.002 * random.standard_normal()
    share = random.uniform(-1.0, 1.0)
    rows = []
    for rpm in (0.0, *SPEEDS, 0.0):
        speed = rpm + 25.0 * random.standard_normal() if rpm else 0.0
        torque = float(truth(speed, density))
        half = 0.15 + 0.6 * (rpm / 8200.0) ** 2
        beyond = 0.05 * random.standard_normal(2) if rpm else np.zeros(2)

        def shown(value, off, half=half, step=0.1):
            read = value + random.triangular(-half, 0.0, half) + off
            return round(round(read / step) * step, 6)

        if kind == "two_point":
            dm = 2.0 * torque / (GRAVITY * spacing)
            extra = leak * (rpm / 8200.0) ** 2
            left, right = (
                shown(58.0 + side * 0.5 * (dm + share * extra) + 0.5 * extra, beyond[i])
                for i, side in enumerate((-1.0, 1.0))
            )
            row = {"rpm": rpm, "left_kg": left, "right_kg": right}
            row |= {"left_low_kg": left - half, "left_high_kg": left + half}
            row |= {"right_low_kg": right - half, "right_high_kg": right + half}
        else:
            load = shown(2.0 + torque / arm / GRAVITY, beyond[0])
            row = {"rpm": rpm, "load_kg": load, "load_low_kg": load - half, "load_high_kg": load + half}
        rows.append(row)
    place = {"spacing_m": SPACING} if kind == "two_point" else {"arm_m": ARM}
    air = {"pressure_hPa": PRESSURE / 100.0, "temperature_C": TEMPERATURE - 273.15}
    return RigSheet.model_validate({"kind": kind, "air": air, "readings": rows} | place), density


def rig_days(count, kind, leak, seed):
    random = np.random.default_rng(seed)
    held = {name: 0 for name in ("torque at the speed shown", "C_Q", "curve at mid speed", "coefficient k")}
    tried = dict.fromkeys(held, 0)

    def note(name, value, low, high):
        held[name] += low <= value <= high
        tried[name] += 1

    for _ in range(count):
        sheet, density = one_day(random, kind, leak)
        curve = reduce_rig(sheet, gear_ratio=GEAR, diameter=SIZE)
        for point in curve.points:
            # The interval of the torque is for the speed that really was; the counter's error is in C_Q.
            note("C_Q", CQ, point.torque_coefficient.low95, point.torque_coefficient.high95)
            torque = truth(point.rpm, density)
            std = math.hypot(point.torque.std, 2.0 * 25.0 / point.rpm * torque)
            scale = std / point.torque.std
            note(
                "torque at the speed shown",
                torque,
                point.torque.value - scale * (point.torque.value - point.torque.low95),
                point.torque.value + scale * (point.torque.high95 - point.torque.value),
            )
        band = predict_band(curve, 6600.0)
        note("curve at mid speed", truth(6600.0, density), band.low95[0], band.high95[0])
        square = curve.fits[0]
        k, u = square.coefficients[0], math.sqrt(square.covariance[0, 0])
        note("coefficient k", truth(1000.0, density), k - 1.96 * u, k + 1.96 * u)
    print(f"{kind}, leak {leak:g} kg at full throttle, {count} days")
    for name in held:
        print(f"  {name:28s} {100.0 * held[name] / tried[name]:5.1f} % of {tried[name]}")


def coloured(random, count, correlation, std):
    out = np.zeros(count + 200)
    kicks = random.standard_normal(out.size)
    for i in range(1, out.size):
        out[i] = correlation * out[i - 1] + kicks[i]
    return std * math.sqrt(1.0 - correlation**2) * out[200:]


def swings(count, seed):
    cases = (
        ("noise alone, 30 s", 0.0, 1.0, None, 0.8, 300),
        ("noise alone, slow (correlation 0.95)", 0.0, 1.0, None, 0.95, 300),
        ("swing of 2.1 s, found", 0.6, 2.1, None, 0.8, 300),
        ("swing of 7.3 s, found", 0.6, 7.3, None, 0.8, 300),
        ("swing of 7.3 s, stated", 0.6, 7.3, 7.3, 0.8, 300),
        ("swing of 2.1 s, 12 s long", 0.6, 2.1, None, 0.5, 120),
        ("swing of 5 s, stated, 8 s long", 0.6, 5.0, 5.0, 0.5, 80),
    )
    print(f"mean through a swing, {count} stretches at 10 Hz each")
    for name, amplitude, period, stated, correlation, samples in cases:
        random = np.random.default_rng(seed)
        t = 0.1 * np.arange(samples)
        z, inside, plain = [], 0, []
        for _ in range(count):
            y = 5.0 + coloured(random, samples, correlation, 0.15)
            y += amplitude * np.cos(2.0 * np.pi * t / period + random.uniform(0.0, 2.0 * np.pi))
            found = mean_through_swing(t, y, period=stated)
            inside += abs(found.mean - 5.0) <= stdtrit(found.dof, 0.975) * found.std
            z.append((found.mean - 5.0) / found.std)
            plain.append(y.mean() - 5.0)
        print(
            f"  {name:38s} {100.0 * inside / count:5.1f} %  z spread {np.std(z):.2f}  plain average rms "
            f"{np.std(plain):.4f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=200)
    parser.add_argument("--stretches", type=int, default=200)
    parser.add_argument("--seed", type=int, default=11)
    options = parser.parse_args()
    for kind, leak in (("two_point", 0.0), ("two_point", 3.0), ("lever_arm", 0.0)):
        rig_days(options.days, kind, leak, options.seed)
    swings(options.stretches, options.seed)


if __name__ == "__main__":
    main()
