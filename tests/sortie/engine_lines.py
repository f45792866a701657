"""Sound and vibration of an engine, and of what is none: written for the tests, nothing of the estimator."""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, lfilter, sosfilt

GEAR, BLADES = 2.8, 2
FINE = 200.0  # Hz of the truth


def wander(rng, n, std, memory):
    keep = np.exp(-1 / (memory * FINE))
    return lfilter([np.sqrt(1 - keep * keep)], [1, -keep], rng.standard_normal(n)) * std


def throttle(rng, seconds, levels=(5200, 6000, 6800, 7600), hold=(10.0, 25.0), lag=0.8):
    """Time and engine speed: holds at random settings, a third of them ramps, lagged, wandering by 12 rpm."""
    n = round(seconds * FINE)
    wish, i, now = np.empty(n), 0, float(rng.choice(levels))
    while i < n:
        size = round(rng.uniform(*hold) * FINE)
        then = float(rng.choice(levels))
        wish[i : i + size] = np.linspace(now, then, size)[: n - i] if rng.random() < 0.3 else then
        now, i = then, i + size
    keep = np.exp(-1 / (lag * FINE))
    return np.arange(n) / FINE, lfilter([1 - keep], [1, -keep], wish - wish[0]) + wish[0] + wander(
        rng, n, 12, 2
    )


def lines(rng, time, speed, orders, late):
    """Lines at multiples of the turns; whole multiples fire a little early or late each turn."""
    cycles = np.interp(time, speed[0], np.concatenate([[0.0], np.cumsum(speed[1])[:-1] / FINE / 60]))
    rpm = np.interp(time, *speed)
    jitter = np.interp(
        cycles, np.arange(int(cycles[-1]) + 3), late * rng.standard_normal(int(cycles[-1]) + 3)
    )
    out = np.zeros(time.size)
    for order, size in orders.items():
        turns = cycles + jitter if float(order).is_integer() else cycles
        out += size * (rpm / 8000) ** 1.5 * np.sin(2 * np.pi * order * turns + rng.uniform(0, 2 * np.pi))
    return out


def engine_sound(rng, speed, rate=2000.0, noise=0.3, wind=1.0, gear=GEAR, blades=BLADES, firing=1.0):
    """Sound of an engine with white noise and low wind noise."""
    time = np.arange(round(speed[0][-1] * rate)) / rate
    orders = {k * firing: rng.uniform(0.3, 1.0) / np.sqrt(k) for k in range(1, 8)}
    for k in range(1, 6):
        orders[k * blades / gear] = orders.get(k * blades / gear, 0.0) + rng.uniform(0.3, 1.0) / np.sqrt(k)
    low = sosfilt(butter(1, 60, fs=rate, output="sos"), rng.standard_normal(time.size)) * 4 * wind
    return lines(rng, time, speed, orders, 0.02) + noise * rng.standard_normal(time.size) + low


def felt(rng, speed, rate, noise=0.1, orders=None):
    """Six axes of an inertial sensor: lines folded by its rate, swinging, noise."""
    time = np.arange(round(speed[0][-1] * rate)) / rate
    keep = np.exp(-1 / (0.5 * rate))
    axes = []
    for _ in range(6):
        sizes = orders or {1: 0.8, 2: 0.35, BLADES / GEAR: 0.5}
        here = {order: size * rng.uniform(0.3, 1.0) for order, size in sizes.items()}
        swing = lfilter([np.sqrt(1 - keep * keep)], [1, -keep], 0.5 * rng.standard_normal(time.size))
        axes.append(lines(rng, time, speed, here, 0.01) + noise * rng.standard_normal(time.size) + swing)
    return axes


def blurred(rng, rate, seconds):
    """Vibration whose phase is lost from sample to sample: level without a line."""
    time = np.arange(round(seconds * rate)) / rate
    return [
        sum(
            size * np.sin(2 * np.pi * order * 100 * time + np.cumsum(1.3 * rng.standard_normal(time.size)))
            for order, size in ((1, 0.8), (2, 0.35), (BLADES / GEAR, 0.5))
        )
        + 0.05 * rng.standard_normal(time.size)
        for _ in range(6)
    ]


def voice(rng, seconds, rate=2000.0):
    """Speech: syllables with a gliding pitch and formants, and pauses."""
    out, i = np.zeros(round(seconds * rate)), 0
    base = rng.uniform(90, 220)
    while i < out.size:
        size = round(rng.uniform(0.12, 0.35) * rate)
        ends = base * np.exp([rng.normal(0, 0.12), rng.normal(-0.05, 0.17)])
        pitch = np.linspace(*ends, size)
        turns = 2 * np.pi * np.cumsum(pitch) / rate
        formant = rng.uniform(300, 800)
        sound = sum(
            (np.exp(-(((k * pitch.mean() - formant) / 200) ** 2)) + 0.2 / k) * np.sin(k * turns)
            for k in range(1, 9)
        )
        sound *= np.sqrt(np.hanning(size))
        out[i : i + size] += sound[: out.size - i]
        pause = rng.uniform(0, 0.12) if rng.random() < 0.8 else rng.uniform(0.2, 1.0)
        i += size + round(pause * rate)
    return out + 0.05 * rng.standard_normal(out.size)


def wind(rng, seconds, rate=2000.0):
    """Low noise whose strength changes in gusts."""
    n = round(seconds * rate)
    gusts = np.exp(0.7 * np.interp(np.arange(n) / rate, np.arange(0, seconds + 1, 0.25),
                                   rng.standard_normal(np.arange(0, seconds + 1, 0.25).size)))  # fmt: skip
    return gusts * sosfilt(butter(1, 30, fs=rate, output="sos"), rng.standard_normal(n))


def hum(rng, seconds, rate=2000.0):
    """Mains hum with harmonics."""
    time = np.arange(round(seconds * rate)) / rate
    tones = sum(np.sin(2 * np.pi * 100.0 * k * time + k) / k for k in range(1, 6))
    return tones + 0.2 * rng.standard_normal(time.size)
