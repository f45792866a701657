"""What loggers see in common: changes of direction, vibration, power, climb. For aligning their clocks."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..readers.recording import Recording
from .circle import CircleFit
from .grid import windowed

__all__ = [
    "LogSignals",
    "climb_signal",
    "ground_velocity",
    "rpm_signal",
    "track_change",
    "turn_change",
    "vibration_level",
]

Array = NDArray[np.float64]

_WINDOW = 4.0  # [s] over which a change of direction is taken
_CLIMB_WINDOW = 3.0  # [s] over which a rate of climb is taken
_RATE = 10.0  # [Hz] of the signals
_BIN = 0.2  # [s] of the vibration level


def _gapless(time: Array, values: Array) -> tuple[Array, Array]:
    good = np.isfinite(values) & np.isfinite(time)
    return time[good], values[good]


def _grid(time: Array, rate: float = _RATE) -> Array:
    return np.asarray(time[0] + np.arange(int((time[-1] - time[0]) * rate) + 1) / rate, dtype=float)


def _longest_step(time: Array, grid: Array) -> Array:
    """Return, for each grid time, the spacing of the samples about it [s]."""
    right = np.clip(np.searchsorted(time, grid), 1, time.size - 1)
    return np.asarray(time[right] - time[right - 1], dtype=float)


def turn_change(recording: Recording) -> tuple[Array, Array] | None:
    r"""Return the change of direction over 4 s that the body rates of a log tell.

    Parameters
    ----------
    recording : Recording
        With body rates and specific force; the sensor may sit in any way.

    Returns
    -------
    tuple of ndarray, or None
        Times on the log's own clock [s] and changes [rad], positive nose right; None without body rates.

    Notes
    -----
    The rate about the line along which the sensor hangs, :math:`-\boldsymbol\omega\cdot\mathbf f/|\mathbf f|`
    with the force averaged over 1 s, is integrated.
    """
    series = [recording.get(name) for name in ("roll_rate", "pitch_rate", "yaw_rate")]
    force = [recording.get(f"specific_force_{axis}") for axis in "xyz"]
    yaw = series[2]
    if yaw is None or yaw.time.size < 20:
        return None
    time = yaw.time
    rate = np.nan_to_num(yaw.values)
    if all(s is not None for s in series) and all(s is not None for s in force):
        omega = [
            np.interp(time, *_gapless(s.time, s.values)) for s in series if s is not None and s.time.size > 1
        ]
        pull = []
        for s in force:
            if s is None or s.time.size < 2:
                continue
            t, v = _gapless(s.time, s.values)
            size = max(1, round(1.0 / max(float(np.median(np.diff(t))), 1e-4)))
            pull.append(np.interp(time, t, _smooth(v, size)))
        if len(omega) == 3 and len(pull) == 3:
            size_f = np.maximum(np.sqrt(sum(f * f for f in pull)), 1.0)
            rate = -(omega[0] * pull[0] + omega[1] * pull[1] + omega[2] * pull[2]) / size_f
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time))])
    grid = _grid(time)
    half = 0.5 * _WINDOW
    change = np.interp(grid + half, time, angle) - np.interp(grid - half, time, angle)
    bad = (grid < time[0] + half) | (grid > time[-1] - half) | (_longest_step(time, grid) > 1.0)
    return grid, np.where(bad, np.nan, change)


def _smooth(x: Array, size: int) -> Array:
    if size <= 1 or x.size < size:
        return x
    half = size // 2
    return np.asarray(windowed(x, half) / windowed(np.ones(x.size), half), dtype=float)


def ground_velocity(recording: Recording) -> tuple[Array, Array, Array, str] | None:
    """Return time, north and east ground velocity of a log [s], [m/s], and where they came from.

    Velocity components come first, then speed and track, then differences of positions (over
    the times of the fixes, so that each belongs to the middle of its interval).
    """
    north, east = recording.get("velocity_north"), recording.get("velocity_east")
    if north is not None and east is not None and north.time.size > 1 and east.time.size > 1:
        values = east.values
        if east.time.size != north.time.size or not np.array_equal(east.time, north.time):
            values = np.interp(north.time, *_gapless(east.time, east.values), left=np.nan, right=np.nan)
        return north.time, north.values, values, north.source
    speed, track = recording.get("ground_speed"), recording.get("track")
    if speed is not None and track is not None and speed.time.size > 1 and track.time.size > 1:
        t, v = _gapless(track.time, track.values)
        x, y = np.interp(speed.time, t, np.cos(v)), np.interp(speed.time, t, np.sin(v))
        size = np.maximum(np.hypot(x, y), 1e-9)
        return speed.time, speed.values * x / size, speed.values * y / size, f"{speed.source}, {track.source}"
    lat, lon = recording.get("latitude"), recording.get("longitude")
    if lat is None or lon is None or lat.time.size < 3 or not np.array_equal(lat.time, lon.time):
        return None
    radius = 6_371_000.0
    step = np.diff(lat.time)
    middle = 0.5 * (lat.time[1:] + lat.time[:-1])
    turn = np.angle(np.exp(1j * np.diff(lon.values)))
    v_north = np.diff(lat.values) * radius / step
    v_east = turn * radius * np.cos(0.5 * (lat.values[1:] + lat.values[:-1])) / step
    return middle, v_north, v_east, f"differences of {lat.source}, {lon.source}"


def track_change(
    recording: Recording, wind: CircleFit | tuple[float, float] | None = None
) -> tuple[Array, Array] | None:
    """Return the change of track over 4 s that the ground velocity of a log tells.

    Parameters
    ----------
    recording : Recording
        With ground velocity or positions.
    wind : tuple of float, optional
        Wind (north, east) [m/s] to take off: the change of the air track, which the heading follows more
        closely than it does the track over ground.

    Returns
    -------
    tuple of ndarray, or None
        Times on the log's own clock [s] and changes [rad]; NaN below 2 m/s.
    """
    velocity = ground_velocity(recording)
    if velocity is None:
        return None
    time, north, east, _ = velocity
    if isinstance(wind, CircleFit):
        wind = (wind.north, wind.east)
    if wind is not None:
        north, east = north - wind[0], east - wind[1]
    good = np.isfinite(north) & np.isfinite(east)
    time, north, east = time[good], north[good], east[good]
    if time.size < 20:
        return None
    angle = np.unwrap(np.arctan2(east, north))
    slow = np.hypot(north, east) < 2.0
    grid = _grid(time)
    half = 0.5 * _WINDOW
    change = np.interp(grid + half, time, angle) - np.interp(grid - half, time, angle)
    near = np.interp(grid, time, slow.astype(float))
    ends = np.interp(grid + half, time, slow.astype(float)) + np.interp(grid - half, time, slow.astype(float))
    bad = (grid < time[0] + half) | (grid > time[-1] - half) | (near + ends > 0)
    bad |= _longest_step(time, grid) > 3.0
    bad |= np.abs(change) > np.pi
    return grid, np.where(bad, np.nan, change)


def vibration_level(recording: Recording) -> tuple[Array, Array] | None:
    """Return the vibration level of a log: high-pass root mean square of specific force in 0.2 s bins.

    Parameters
    ----------
    recording : Recording
        With specific force at 20 Hz or more.

    Returns
    -------
    tuple of ndarray, or None
        Times of the bins' centres on the log's own clock [s] and levels [m/s^2].
    """
    power: Array | None = None
    start = late = 0.0
    for axis in "xyz":
        s = recording.get(f"specific_force_{axis}")
        if s is None or s.time.size < 100 or not s.rate_hz >= 20.0:
            return None
        t, v = _gapless(s.time, s.values)
        if power is None:
            start, late = float(t[0]), 0.5 * float(np.median(np.diff(t)))
        # about the running mean of one bin, so that swinging does not count
        rough = v - _smooth(v, max(3, round(_BIN * s.rate_hz)))
        cell = np.floor((t - start) / _BIN + 1e-6).astype(np.int64)
        kept = cell >= 0
        size = int(cell[-1]) + 1
        count = np.bincount(cell[kept], minlength=size)
        square = np.bincount(cell[kept], weights=rough[kept] ** 2, minlength=size)
        level = np.where(count >= 2, square / np.maximum(count, 1), np.nan)
        if power is None:
            power = level
        else:
            common = min(power.size, level.size)
            power = power[:common] + level[:common]
    if power is None or not np.isfinite(power).any():
        return None
    # a bin's samples lie from its start to one period before its end
    centres = start + (np.arange(power.size) + 0.5) * _BIN - late
    return np.asarray(centres, dtype=float), np.asarray(np.sqrt(power), dtype=float)


def rpm_signal(recording: Recording) -> tuple[Array, Array] | None:
    """Return the engine (else propeller) speed of a log at 5 Hz: times [s], values [1/min]."""
    s = recording.get("rpm") or recording.get("propeller_rpm")
    if s is None or s.time.size < 20:
        return None
    t, v = _gapless(s.time, s.values)
    if t.size < 20:
        return None
    grid = _grid(t, 5.0)
    size = max(1, round(_BIN / max(float(np.median(np.diff(t))), 1e-4)))
    values = np.interp(grid, t, _smooth(v, size))
    return grid, np.where(_longest_step(t, grid) > 3.0, np.nan, values)


def climb_signal(recording: Recording, *, measured: bool = False) -> tuple[Array, Array] | None:
    """Return the rate of climb of a log at 10 Hz, from its height, over 3 s.

    Parameters
    ----------
    recording : Recording
        With static pressure, height or climb, taken in this order.
    measured : bool
        Whether to take a logged height before static pressure.

    Returns
    -------
    tuple of ndarray, or None
        Times on the log's own clock [s] and rates of climb [m/s].
    """
    from .air import standard_pressure_height

    names = ("height", "pressure", "climb") if measured else ("pressure", "height", "climb")
    for name in names:
        s = recording.get(name)
        if s is None or s.time.size < 20:
            continue
        t, v = _gapless(s.time, s.values)
        if t.size < 20:
            continue
        level = v
        if name == "pressure":
            level = standard_pressure_height(v)
        elif name == "climb":
            level = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t))])
        if float(np.ptp(level)) == 0.0:
            continue
        grid = _grid(t)
        half = 0.5 * _CLIMB_WINDOW
        climb = (np.interp(grid + half, t, level) - np.interp(grid - half, t, level)) / _CLIMB_WINDOW
        bad = (grid < t[0] + half) | (grid > t[-1] - half) | (_longest_step(t, grid) > 3.0)
        return grid, np.where(bad, np.nan, climb)
    return None


class LogSignals:
    """What a log saw, worked out when it is first asked for: every other log is compared with it.

    Parameters
    ----------
    recording : Recording
        The log.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording

    @cached_property
    def rpm(self) -> tuple[Array, Array] | None:
        """As :func:`rpm_signal`."""
        return rpm_signal(self.recording)

    @cached_property
    def vibration(self) -> tuple[Array, Array] | None:
        """As :func:`vibration_level`."""
        return vibration_level(self.recording)

    @cached_property
    def climb(self) -> tuple[Array, Array] | None:
        """As :func:`climb_signal`."""
        return climb_signal(self.recording)

    @cached_property
    def measured_climb(self) -> tuple[Array, Array] | None:
        """As :func:`climb_signal`, a logged height first."""
        return climb_signal(self.recording, measured=True)

    @cached_property
    def turn(self) -> tuple[Array, Array] | None:
        """As :func:`turn_change`."""
        return turn_change(self.recording)
