"""What a sortie is: every channel on one time base, with how it got there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..display import Card, displayed, time_text
from ..quantity import Quantity

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ChannelTable", "ClockOffset", "Sortie", "Wind"]


_WORKED_OUT = {
    "turn_rate": "rad/s",
    "hang_roll": "rad",
    "load": "m/s^2",
    "density": "kg/m^3",
    "airspeed": "m/s",
}
"""Units of the columns that are no channels of a log."""


@displayed
@dataclass(frozen=True)
class ClockOffset:
    """How one log's clock was brought to the sortie's time base.

    Attributes
    ----------
    log : str
        Name of the log in the sortie sheet.
    offset : Quantity
        What to add to the log's own time to get sortie time [s].
    method : str
        ``reference`` (it is the time base), ``stated``, ``utc``, ``same_clock`` (as another log), or the
        surest of ``acceleration``, ``vibration``, ``engine_speed``, ``climb``, ``track`` and ``turn_rate``;
        ``unknown`` where the log is left out.
    correlation : float or None
        Correlation at the offset, for the methods that search.
    words : str
        What was compared with what, for the report.
    drift : float
        Rate at which the offset grows [s/s], already taken out; 0 unless it was significant. Where it is not
        0, ``offset`` holds in the middle of the common time.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> results.sortie.clock_offsets[1].method
    'acceleration'
    """

    log: str
    offset: Quantity
    method: str
    correlation: float | None = None
    words: str = ""
    drift: float = 0.0


@displayed
@dataclass(frozen=True)
class Wind:
    """Mean wind of the sortie.

    Attributes
    ----------
    north, east : Quantity
        Components of the air's motion over ground [m/s], positive towards north and east.
    covariance : ndarray, shape (2, 2)
        Of (north, east) [(m/s)^2].
    method : str
        ``gps_circle``, ``stated`` or ``none``.
    words : str
        How it was found, or why not.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> print(results.wind.north, "and", results.wind.east)
    -2.079 ± 0.045 m/s and 1.213 ± 0.045 m/s
    """

    north: Quantity
    east: Quantity
    covariance: NDArray[np.float64]
    method: str
    words: str = ""

    @property
    def speed(self) -> float:
        """Wind speed [m/s]; NaN where unknown."""
        if self.north.value is None or self.east.value is None:
            return float("nan")
        return float(np.hypot(self.north.value, self.east.value))

    @property
    def direction_from(self) -> float:
        """Direction the wind blows from [rad], clockwise from north, in [0, 2 pi)."""
        if self.north.value is None or self.east.value is None:
            return float("nan")
        return float(np.arctan2(-self.east.value, -self.north.value) % (2 * np.pi))


@dataclass(frozen=True)
class ChannelTable:
    """Channels on one time base, before they are asked for as a data frame.

    Attributes
    ----------
    time : ndarray, shape (n,)
        Time base [s].
    columns : mapping of str to ndarray, shape (n,)
        Channels by name, SI units; NaN marks gaps.
    """

    time: NDArray[np.float64]
    columns: Mapping[str, NDArray[np.float64]]

    def frame(self) -> pd.DataFrame:
        """Return the channels as a data frame with the index ``time``."""
        import pandas as pd

        return pd.DataFrame(dict(self.columns), index=pd.Index(self.time, name="time"), dtype=float)


def _sealed(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the same array, to be read only."""
    out = values.view()
    out.flags.writeable = False
    return out


class _Channels:
    """The field ``channels``: a data frame, made from a table of arrays when it is first asked for.

    An analysis asks for columns only, and pandas takes a quarter of a second to load.
    """

    def __get__(self, sortie: Sortie | None, owner: type) -> pd.DataFrame:
        if sortie is None:
            raise AttributeError("channels")  # so that the field has no default
        held = vars(sortie)["_channels"]
        if isinstance(held, ChannelTable):
            held = vars(sortie)["_channels"] = held.frame()
        frame: pd.DataFrame = held
        return frame

    def __set__(self, sortie: Sortie, channels: pd.DataFrame | ChannelTable) -> None:
        vars(sortie)["_channels"] = channels


@displayed
@dataclass(frozen=True)
class Sortie:
    """One flight on one time base.

    Attributes
    ----------
    channels : DataFrame, n rows
        One column per channel, on a uniform grid, SI units; the index ``time`` is in seconds from the
        first sample of the reference log. Columns are those of
        :data:`flightproc.channels.CHANNELS` that the logs support, with the worked-out ones
        ``turn_rate`` [rad/s], ``hang_roll`` [rad], ``load`` (specific force) [m/s^2], ``density``
        [kg/m^3] and ``airspeed`` (best true airspeed) [m/s]. NaN marks gaps.
    rate : float
        Grid rate [Hz].
    start_utc : float or None
        UTC (POSIX seconds) at sortie time 0; None where unknown.
    sources : mapping of str to str
        For each column, which log and raw field it came from and what was done to it.
    clock_offsets : tuple of ClockOffset
        One per log.
    wind : Wind
        Mean wind.
    airspeed_std : float
        Standard uncertainty common to all airspeeds of the sortie [m/s].
    density_std_ratio : float
        Relative standard uncertainty of density.
    bank_source : str
        How bank was had, and whether the log's own attitude was levelled on the accelerometer.
    mount : str
        Sensor mount used, in words.
    ground_still : tuple of (float, float)
        Stretches [s] in which the unit stood still on the ground.
    airborne : tuple of (float, float)
        Stretches [s] in flight.
    warnings : tuple of str
        What the user should know.
    mount_yaw_std : float
        Standard uncertainty of the sensor's yaw in the unit [rad]. A change of pitch by d moves the hang roll
        by about minus d times an error of this yaw, so it counts between glide and power.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> sortie = results.sortie
    >>> round(sortie.time[-1]), sortie.rate, bool(sortie.column("rpm").max() > 7000.0)
    (2143, 10.0, True)
    """

    if TYPE_CHECKING:
        channels: pd.DataFrame
    else:
        channels: _Channels = _Channels()
    rate: float
    start_utc: float | None
    sources: Mapping[str, str]
    clock_offsets: tuple[ClockOffset, ...]
    wind: Wind
    airspeed_std: float
    density_std_ratio: float
    bank_source: str
    mount: str
    ground_still: tuple[tuple[float, float], ...] = ()
    airborne: tuple[tuple[float, float], ...] = ()
    warnings: tuple[str, ...] = field(default_factory=tuple)
    mount_yaw_std: float = 0.0

    @property
    def time(self) -> NDArray[np.float64]:
        """Time base [s], shape (n,)."""
        held = vars(self)["_channels"]
        if isinstance(held, ChannelTable):
            return _sealed(held.time)
        return np.asarray(held.index, dtype=float)

    def column(self, name: str) -> NDArray[np.float64] | None:
        """Return a channel as an array of shape (n,), or None where the sortie lacks it."""
        held = vars(self)["_channels"]
        if isinstance(held, ChannelTable):
            return _sealed(held.columns[name]) if name in held.columns else None
        return held[name].to_numpy(dtype=float) if name in held else None

    def frame(self, start: float | None = None, end: float | None = None) -> pd.DataFrame:
        """Return a copy of the channels, or of a stretch of them.

        Parameters
        ----------
        start, end : float, optional
            Bounds on the sortie's time base [s].

        Returns
        -------
        DataFrame
            As ``channels``, with the unit of each column in ``attrs["units"]``.

        Examples
        --------
        >>> import flightproc as fp
        >>> sortie = fp.analyse("sample_logs/school-wing-28/sortie.toml").sortie
        >>> minute = sortie.frame(300.0, 360.0)
        >>> round(float(minute.index[-1] - minute.index[0])), minute.attrs["units"]["airspeed"]
        (60, 'm/s')
        """
        from ..channels import CHANNELS

        frame = self.channels.loc[start:end].copy()
        known = {name: channel.unit for name, channel in CHANNELS.items()} | _WORKED_OUT
        frame.attrs["units"] = {name: known[name] for name in frame.columns if name in known}
        return frame

    def _card(self) -> Card:
        import datetime as dt

        first, last = (float(self.time[0]), float(self.time[-1])) if len(self.channels) else (0.0, 0.0)
        title = f"{time_text(last - first)} min at {self.rate:g} Hz, {len(self.channels.columns)} channels"
        facts = []
        if self.start_utc is not None:
            begun = dt.datetime.fromtimestamp(self.start_utc, dt.UTC)
            facts.append(("begins", f"{begun:%Y-%m-%d %H:%M:%S} UTC"))
        if self.airborne:
            facts.append(
                ("airborne", ", ".join(f"{time_text(a)} to {time_text(b)}" for a, b in self.airborne))
            )
        facts.append(("wind", _wind_text(self.wind)))
        if np.isfinite(self.airspeed_std):
            facts.append(("airspeed", f"common standard uncertainty {self.airspeed_std:.2f} m/s"))
        facts.append(("mount", self.mount))
        facts.append(("bank", self.bank_source))
        facts += [(f"clock of {item.log}", f"{item.offset} ({item.method})") for item in self.clock_offsets]
        if self.warnings:
            facts.append(("warnings", f"{len(self.warnings)}"))
        facts.append(("channels", ", ".join(str(name) for name in self.channels.columns)))
        return Card(title, tuple(facts))


def _wind_text(wind: Wind) -> str:
    if not np.isfinite(wind.speed):
        return f"unknown ({wind.method})"
    return f"{wind.speed:.1f} m/s from {np.degrees(wind.direction_from):.0f} deg ({wind.method})"
