"""What a recording amounts to: rates, gaps, missing values, and what a moment estimate still lacks."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from .recording import Series

__all__ = ["NEEDS", "Need", "SeriesSummary", "lacking", "summarise"]

_GAP = 5.0  # median steps without a value that count as a gap


@dataclass(frozen=True)
class SeriesSummary:
    """One series in numbers.

    Attributes
    ----------
    samples : int
        Number of samples, missing ones included.
    rate_hz : float
        Median rate [Hz]; NaN below two samples.
    start, end : float
        First and last time with a value [s].
    gaps : int
        Stretches between two values that are longer than five median steps.
    longest_gap : float
        Longest of them [s]; 0 where there is none.
    missing : float
        Share of samples that are missing, 0 to 1.
    """

    samples: int
    rate_hz: float
    start: float
    end: float
    gaps: int
    longest_gap: float
    missing: float


def summarise(series: Series) -> SeriesSummary:
    """Return rate, span, gaps and missing share of a series.

    Examples
    --------
    >>> time = np.array([0.0, 1.0, 2.0, 3.0, 60.0, 61.0])
    >>> values = np.array([0.0, 1.0, np.nan, 1.0, 1.0, 1.0])
    >>> s = summarise(Series("rpm", time, values, "rpm"))
    >>> s.gaps, s.longest_gap, round(s.missing, 2)
    (1, 57.0, 0.17)
    """
    valid = np.isfinite(series.values)
    time = series.time[valid]
    nan = float("nan")
    if not time.size:
        return SeriesSummary(series.time.size, series.rate_hz, nan, nan, 0, 0.0, 1.0)
    steps = np.diff(time)
    limit = _GAP * float(np.median(np.diff(series.time))) if series.time.size > 1 else np.inf
    long = steps[steps > limit]
    return SeriesSummary(
        samples=series.time.size,
        rate_hz=series.rate_hz,
        start=float(time[0]),
        end=float(time[-1]),
        gaps=long.size,
        longest_gap=float(long.max()) if long.size else 0.0,
        missing=1.0 - time.size / series.time.size,
    )


@dataclass(frozen=True)
class Need:
    """Something the moment estimate needs or is better for.

    Attributes
    ----------
    name : str
        In a pilot's words.
    ways : tuple of tuple of str
        Sets of channels, each of which will do.
    required : bool
        Whether there is no moment without it.
    how : str
        How to get it.
    """

    name: str
    ways: tuple[tuple[str, ...], ...]
    required: bool
    how: str

    def met_by(self, channels: Collection[str]) -> bool:
        """Whether the channels hold one of the ways."""
        return any(all(channel in channels for channel in way) for way in self.ways)


NEEDS: tuple[Need, ...] = (
    Need(
        "hang roll",
        (("specific_force_y", "specific_force_z"),),
        True,
        "fix an accelerometer firmly to the hung unit and log all three axes at 20 Hz or more",
    ),
    Need(
        "turn rate",
        (("roll_rate", "pitch_rate", "yaw_rate"),),
        True,
        "log the gyro of the same sensor, all three axes",
    ),
    Need(
        "engine speed",
        (("rpm",), ("propeller_rpm",)),
        True,
        "log rpm from the ignition lead, the ECU or a propeller sensor, in a log of its own if need be",
    ),
    Need(
        "ground velocity",
        (("velocity_north", "velocity_east"), ("ground_speed", "track")),
        True,
        "carry any GPS logger at 1 Hz or faster and export GPX: wind and airspeed come from it",
    ),
    Need(
        "true airspeed",
        (("true_airspeed",), ("indicated_airspeed",)),
        False,
        "a pitot tube clear of the propeller; without one, airspeed comes from GPS and the wind",
    ),
    Need(
        "bank and pitch",
        (("bank", "pitch"),),
        False,
        "log the attitude of a GPS-aided sensor; it checks hang roll and mount",
    ),
    Need(
        "air density",
        (("pressure", "temperature"),),
        False,
        "log static pressure and outside air temperature, or state both for the field in the sheet",
    ),
)
"""What the moment estimate needs, the required first."""


def lacking(channels: Collection[str]) -> list[Need]:
    """Return the needs that these channels do not meet.

    Examples
    --------
    >>> [need.name for need in lacking(["rpm"]) if need.required]
    ['hang roll', 'turn rate', 'ground velocity']
    """
    return [need for need in NEEDS if not need.met_by(channels)]
