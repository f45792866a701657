"""How near engine speed from sound and vibration comes: ``python tests/benchmarks/engine_speed.py [SEEDS]``.

Prints, for simulated holds and ramps, the share of time for which a speed is given, its relative error, the
spread of error over stated uncertainty, and the share put on a wrong branch; then how often holds are put on
a wrong branch where lines are of random strength (from full to a twentieth), so that aliases are hardest to
tell apart; then the speeds given on recordings without an engine.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np

from flightproc.readers.recording import Waveform
from flightproc.sortie.ridge import track_rpm

source = Path(__file__).parents[1] / "sortie" / "engine_lines.py"
spec = importlib.util.spec_from_file_location("engine_lines", source)
assert spec is not None and spec.loader is not None
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)

SECONDS = 120.0


def follow(axes, rate):
    waves = [Waveform(f"axis {i}", 0.0, rate, np.asarray(x, dtype=np.float32)) for i, x in enumerate(axes)]
    return track_rpm(waves, make.GEAR, make.BLADES)


def accuracy(words, seeds, record):
    relative, reduced, shares, wrong, kept = [], [], [], 0, 0
    for seed in range(seeds):
        rng = np.random.default_rng(100 + seed)
        speed = make.throttle(rng, SECONDS)
        track = follow(*record(rng, speed))
        truth = np.interp(track.time, *speed)
        slow = np.abs(np.gradient(truth, track.time)) < 300
        good = slow & np.isfinite(track.rpm)
        shares.append(good.sum() / slow.sum())
        error = (track.rpm - truth)[good]
        near = np.abs(error) < 0.03 * truth[good]
        relative.append((error / truth[good])[near])
        reduced.append((error / track.std[good])[near])
        kept += near.size
        wrong += int(np.count_nonzero(~near))
    e, z = np.concatenate(relative), np.concatenate(reduced)
    if not e.size:
        print(f"{words:34s} refused throughout")
        return
    print(
        f"{words:34s} given {100 * np.mean(shares):4.0f} %   rms {100 * np.sqrt(np.mean(e**2)):.3f} %   "
        f"99 % within {100 * np.quantile(np.abs(e), 0.99):.2f} %   "
        f"within 0.5 %: {100 * np.mean(np.abs(e) < 0.005):.2f} %"
        f"   bias {100 * e.mean():+.4f} %   error/std {z.std():.2f}   wrong branch {100 * wrong / kept:.2f} %"
    )


def branches(words, seeds, rate):
    right = wrong = refused = 0
    for seed in range(seeds):
        rng = np.random.default_rng(9000 + seed)
        time = np.arange(0, 30, 1 / make.FINE)
        level = rng.uniform(3000, 8800)
        speed = (time, level + make.wander(rng, time.size, 12, 2))
        passing = make.BLADES / make.GEAR
        size = dict(zip((1, 2, passing, 2 * passing), np.exp(rng.uniform(np.log(0.05), 0, 4)), strict=True))
        track = follow(make.felt(rng, speed, rate, noise=10 ** rng.uniform(-1.3, -0.3), orders=size), rate)
        good = np.isfinite(track.rpm)
        if good.mean() < 0.2:
            refused += 1
        elif abs(np.median(track.rpm[good]) / level - 1) < 0.01:
            right += 1
        else:
            wrong += 1
    print(f"{words:34s} right {right}, refused {refused}, wrong {wrong} of {seeds} holds of 30 s")


def without(words, seeds, record):
    given = total = 0.0
    for seed in range(seeds):
        track = follow(*record(np.random.default_rng(500 + seed)))
        given += np.isfinite(track.rpm).sum() * 0.1
        total += SECONDS
    print(f"{words:34s} {given:.0f} s given in {total:.0f} s")


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    print("Simulated holds and ramps (below 300 rpm/s)")
    for noise, wind in ((0.1, 0.3), (0.3, 1.0), (1.0, 1.0), (1.5, 3.0)):

        def heard(rng, speed, noise=noise, wind=wind):
            return [make.engine_sound(rng, speed, noise=noise, wind=wind)], 2000.0

        accuracy(f"sound, noise {noise}, wind {wind}", seeds, heard)
    for rate in (84.0, 100.0, 125.0, 200.0):
        for noise in (0.1, 0.3):
            accuracy(f"vibration at {rate:.0f} Hz, noise {noise}", seeds,
                     lambda rng, speed, r=rate, n=noise: (make.felt(rng, speed, r, noise=n), r))  # fmt: skip
    print("Lines of random strength")
    for rate in (84.0, 100.0, 125.0, 200.0):
        branches(f"vibration at {rate:.0f} Hz", 6 * seeds, rate)
    print("No engine")
    n = round(SECONDS * 2000)
    without("white noise", seeds, lambda rng: ([rng.standard_normal(n)], 2000.0))
    without("gusty wind", seeds, lambda rng: ([make.wind(rng, SECONDS)], 2000.0))
    without("a voice", 2 * seeds, lambda rng: ([make.voice(rng, SECONDS)], 2000.0))
    without("mains hum", seeds, lambda rng: ([make.hum(rng, SECONDS)], 2000.0))
    for rate in (100.0, 200.0):
        still = (np.arange(round(SECONDS * make.FINE)) / make.FINE, np.zeros(round(SECONDS * make.FINE)))
        without(f"swinging at {rate:.0f} Hz", seeds, lambda rng, s=still, r=rate: (make.felt(rng, s, r), r))
        without(f"vibration without a line, {rate:.0f} Hz", seeds,
                lambda rng, r=rate: (make.blurred(rng, r, SECONDS), r))  # fmt: skip


if __name__ == "__main__":
    main()
