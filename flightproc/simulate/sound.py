"""What a sound recorder on the pilot hears: engine, propeller and wind."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from .flight import Flight
from .parameters import Parameters

__all__ = ["sound_of", "wav_bytes"]

Array = NDArray[np.float64]


def sound_of(
    flight: Flight, parameters: Parameters, generator: np.random.Generator, rate: float = 8000.0
) -> Array:
    """Return the sound of a flight in full scale; its time 0 is that of the engine's log.

    Parameters
    ----------
    flight : Flight
        Truth.
    parameters : Parameters
        Gear ratio, blades, clutch, and the clock of the engine's log.
    generator : numpy.random.Generator
        Source of noise.
    rate : float
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    A two-stroke single fires once a revolution, each time a little early or late (1 % of a revolution) and
    with its own strength; eight harmonics. The propeller, six harmonics of the blade-pass frequency, turns
    above the clutch's speed. Wind is low-pass noise that grows with the square of airspeed.
    """
    pa, grid, c = parameters, flight.time, flight.columns
    own = np.arange(0.0, grid[-1] + 12.0 - pa.engine_offset, 1.0 / rate)
    unit = pa.engine_offset + own * (1.0 + pa.engine_drift)
    rpm = np.interp(unit, grid, c["rpm"], left=0.0, right=0.0)
    cycles = np.cumsum(rpm) / 60.0 / rate
    running = np.where(rpm > 500.0, 0.12 + 0.88 * (rpm / 8000.0) ** 1.5, 0.0)
    late = 0.01 * generator.standard_normal(int(cycles[-1]) + 3)
    strength = 1.0 + 0.15 * generator.standard_normal(late.size)
    fired = 2.0 * np.pi * (cycles + np.interp(cycles, np.arange(late.size), late))
    loud = running * np.interp(cycles, np.arange(late.size), strength)
    out = np.zeros(own.size)
    for k in range(1, 9):
        out += (
            loud * np.sin(k * fired + generator.uniform(0.0, 2.0 * np.pi)) * generator.uniform(0.4, 1.0) / k
        )
    clutched = np.clip((rpm - pa.clutch_rpm) / 300.0, 0.0, 1.0) * running
    turned = 2.0 * np.pi * cycles * pa.propeller_blades / pa.gear_ratio
    for k in range(1, 7):
        out += (
            clutched
            * np.sin(k * turned + generator.uniform(0.0, 2.0 * np.pi))
            * generator.uniform(0.4, 1.0)
            / k
        )
    airspeed = np.interp(unit, grid, c["airspeed"], left=0.0, right=0.0)
    # of one density per hertz, whatever the rate
    noise = np.sqrt(rate / 8000.0) * generator.standard_normal(own.size)
    size = max(1, round(rate / 900.0))
    wind = np.convolve(noise, np.ones(size) / size, mode="same")
    out += 0.6 * (airspeed / 10.0) ** 2 * wind + 0.05 * np.sqrt(rate / 8000.0) * generator.standard_normal(
        own.size
    )
    return np.asarray(0.8 * out / max(float(np.max(np.abs(out))), 1e-9), dtype=np.float64)


def wav_bytes(sound: Array, rate: float = 8000.0) -> bytes:
    """Return sound as a WAV file, PCM, 16 bit, one track.

    Parameters
    ----------
    sound : ndarray, shape (n,)
        In full scale, -1 to 1.
    rate : float
        Sampling rate [Hz].
    """
    body = np.round(32767.0 * np.clip(sound, -1.0, 1.0)).astype("<i2").tobytes()
    whole = round(rate)
    head = struct.pack("<4sI4s", b"RIFF", 36 + len(body), b"WAVE")
    description = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, whole, 2 * whole, 2, 16)
    return head + description + struct.pack("<4sI", b"data", len(body)) + body
