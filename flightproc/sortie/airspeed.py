"""True airspeed along the flight, from the best there is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..quantity import Quantity
from .air import SEA_LEVEL_DENSITY, true_airspeed
from .attitude import load_factor
from .grid import running_mean
from .model import Wind
from .wind import WindFit, estimate_wind

__all__ = ["AirspeedResult", "Inputs", "resolve_airspeed"]

Array = NDArray[np.float64]

_SMOOTHING = 3.0  # [s]
_TRIM_STD = 1.5  # [m/s] of the trim speed on the glider sheet
_UNMEASURED_STD = 1.0  # [m/s] of the trim speed carried to the flight's density
_PITOT_STD_RATIO = 0.05  # of a pitot that nothing checks
_PITOT_SCALE = (0.7, 1.4)


@dataclass(frozen=True)
class Inputs:
    """What airspeed is worked out from; each array of shape (n,), NaN in gaps.

    Attributes
    ----------
    time : ndarray
        [s].
    rate : float
        Grid rate [Hz].
    use : ndarray of bool
        In flight.
    north, east : ndarray or None
        Ground velocity [m/s].
    climb : ndarray or None
        [m/s].
    height : ndarray or None
        [m].
    density : ndarray
        [kg/m^3].
    turn_rate : ndarray
        [rad/s].
    groups : ndarray of int
        Power groups.
    rpm : ndarray or None
        Engine speed [1/min].
    pitot : ndarray or None
        True airspeed as the log has it [m/s].
    indicated : ndarray or None
        Indicated airspeed as the log has it [m/s].
    trim_speed : float
        Trim speed on the glider sheet [m/s].
    stated_wind : tuple of float or None
        North, east and standard uncertainty [m/s] stated in the sheet.
    """

    time: Array
    rate: float
    use: NDArray[np.bool_]
    north: Array | None
    east: Array | None
    climb: Array | None
    height: Array | None
    density: Array
    turn_rate: Array
    groups: NDArray[np.int64]
    rpm: Array | None
    pitot: Array | None
    indicated: Array | None
    trim_speed: float
    stated_wind: tuple[float, float, float] | None


@dataclass(frozen=True)
class AirspeedResult:
    """Airspeed and wind.

    Attributes
    ----------
    airspeed : ndarray, shape (n,)
        True airspeed [m/s].
    std : float
        Standard uncertainty common to the flight [m/s].
    source : str
        How it was had.
    wind : Wind
        Mean wind.
    fit : WindFit or None
        The fit behind it.
    warnings : tuple of str
        What the user should know.
    """

    airspeed: Array
    std: float
    source: str
    wind: Wind
    fit: WindFit | None
    warnings: tuple[str, ...]


def _no_wind(reason: str) -> Wind:
    unknown = Quantity.unknown("m/s", reason)
    return Wind(unknown, unknown, np.full((2, 2), np.nan), "none", reason)


def _fitted_wind(fit: WindFit) -> Wind:
    std = np.sqrt(np.diag(fit.covariance))
    return Wind(
        Quantity.of(float(fit.mean[0]), float(std[0]), "m/s"),
        Quantity.of(float(fit.mean[1]), float(std[1]), "m/s"),
        fit.covariance,
        "gps_circle",
        fit.words,
    )


def _stated(wind: tuple[float, float, float], words: str) -> Wind:
    north, east, std = wind
    return Wind(
        Quantity.of(north, std, "m/s"), Quantity.of(east, std, "m/s"), np.eye(2) * std**2, "stated", words
    )


def resolve_airspeed(inputs: Inputs) -> AirspeedResult:
    r"""Work out true airspeed and wind.

    Parameters
    ----------
    inputs : Inputs
        Everything that bears on it.

    Returns
    -------
    AirspeedResult

    Notes
    -----
    In order: a sane pitot, scaled by the satellite fit where that was found; ground velocity less the fitted
    wind; ground velocity less a stated wind; the trim speed of the glider sheet. With the fitted wind,
    :math:`|\mathbf v_g-\mathbf W|` holds both changes of airspeed and gusts along the path. A wing goes
    back to its trim speed within seconds, so what stays longer than the smoothing (3 s) is mostly gust: in
    steady flight the airspeed is the fitted trim speed, through changes of power what is seen.
    """
    i = inputs
    warnings: list[str] = []
    fit: WindFit | None = None
    if i.north is not None and i.east is not None and i.use.any():
        fit = estimate_wind(
            i.time,
            i.north,
            i.east,
            use=i.use,
            climb=i.climb,
            density=i.density,
            turn_rate=i.turn_rate,
            height=i.height,
            groups=i.groups,
            rpm=i.rpm,
            expected_speed=i.trim_speed * float(np.sqrt(SEA_LEVEL_DENSITY / np.nanmean(i.density))),
            expected_speed_std=_TRIM_STD,
        )
    if fit is not None and fit.found:
        wind = _fitted_wind(fit)
        if i.stated_wind is not None:
            apart = np.hypot(fit.mean[0] - i.stated_wind[0], fit.mean[1] - i.stated_wind[1])
            if apart > 3.0 * np.hypot(i.stated_wind[2], np.sqrt(np.trace(fit.covariance))):
                warnings.append(
                    f"the stated wind lies {apart:.1f} m/s from the one found; the one found was used"
                )
    elif i.stated_wind is not None:
        reason = fit.words if fit is not None else "no ground velocity"
        wind = _stated(i.stated_wind, f"stated in the sortie sheet ({reason})")
    elif fit is not None:
        wind = _no_wind(fit.words)
        warnings.append(
            f"wind not found: {fit.words}; fly a full circle or three legs 120 degrees apart, or state the "
            "wind in [air] of the sortie sheet"
        )
    else:
        wind = _no_wind("no ground velocity in flight")
    pitot = _pitot(i, fit, warnings)
    if pitot is not None:
        airspeed, std, source = pitot
        return AirspeedResult(airspeed, std, source, wind, fit, tuple(warnings))
    if fit is not None and fit.found and i.north is not None and i.east is not None:
        seen = _over_air(i, fit.wind_north, fit.wind_east)
        airspeed = _steadied(i, fit, seen)
        source = (
            "ground velocity less the fitted wind, and climb; in steady flight its mean at that power, so "
            "that gusts along the path do not pass for airspeed"
        )
        return AirspeedResult(airspeed, fit.airspeed_std, source, wind, fit, tuple(warnings))
    if i.stated_wind is not None and i.north is not None and i.east is not None:
        north, east, std = i.stated_wind
        airspeed = _over_air(i, np.full(i.time.size, north), np.full(i.time.size, east))
        source = "ground velocity less the stated wind, and climb"
        return AirspeedResult(airspeed, std, source, wind, fit, tuple(warnings))
    warnings.append(
        f"airspeed was not measured: the trim speed of the glider sheet was used, with {_UNMEASURED_STD:.1f} "
        "m/s of standard uncertainty; log a satellite receiver with turns in the flight, or a pitot"
    )
    still = i.trim_speed * np.sqrt(SEA_LEVEL_DENSITY / i.density)
    slow = np.nan_to_num(running_mean(i.turn_rate, 2 * round(i.rate) + 1))
    airspeed = still * np.sqrt(load_factor(still, slow))
    return AirspeedResult(
        np.asarray(airspeed, dtype=float),
        _UNMEASURED_STD,
        "trim speed of the glider sheet at the flight's density and load factor",
        wind,
        fit,
        tuple(warnings),
    )


def _over_air(i: Inputs, wind_north: Array, wind_east: Array) -> Array:
    """Airspeed from ground velocity, smoothed over 3 s."""
    if i.north is None or i.east is None:
        return np.full(i.time.size, np.nan)
    rise = np.zeros(i.time.size) if i.climb is None else np.nan_to_num(i.climb)
    size = 2 * (round(_SMOOTHING * i.rate) // 2) + 1
    north, east = i.north - wind_north, i.east - wind_east
    out = running_mean(np.sqrt(north**2 + east**2 + rise**2), size)
    return np.where(np.isfinite(i.north) & np.isfinite(i.east), out, np.nan)


def _steadied(i: Inputs, fit: WindFit, seen: Array) -> Array:
    """Take the fitted trim speed in steady flight, and what is seen on the ground and as power changes."""
    blank = ~i.use | (i.groups < 0)
    weight = running_mean(blank.astype(float), 2 * round(2.0 * i.rate) + 1)
    return np.asarray((1.0 - weight) * fit.modelled + weight * seen, dtype=float)


def _pitot(i: Inputs, fit: WindFit | None, warnings: list[str]) -> tuple[Array, float, str] | None:
    """Return airspeed by the log's pitot, its uncertainty and words; None where there is none to trust."""
    if i.pitot is not None and np.isfinite(i.pitot[i.use]).mean() > 0.8:
        raw, name = i.pitot, "true airspeed"
    elif i.indicated is not None and np.isfinite(i.indicated[i.use]).mean() > 0.8:
        raw, name = true_airspeed(i.indicated, i.density), "indicated airspeed"
    else:
        return None
    flying = raw[i.use & np.isfinite(raw)]
    if flying.size == 0:
        return None
    typical = float(np.median(flying))
    if not 0.4 * i.trim_speed < typical < 2.5 * i.trim_speed or float(np.std(flying)) == 0.0:
        warnings.append(
            f"the logged {name} was not used: its median in flight is {typical:.1f} m/s, the trim speed is "
            f"{i.trim_speed:.1f} m/s"
        )
        return None
    if i.north is not None and i.east is not None:
        ground = np.hypot(i.north, i.east)
        ok = i.use & np.isfinite(ground) & np.isfinite(raw)
        if ok.sum() > 100 and float(np.std(ground[ok])) > 1.0:
            follows = float(np.std(raw[ok] - ground[ok])) < 0.25 * float(np.std(ground[ok]))
            if follows:
                warnings.append(
                    f"the logged {name} only follows the speed over ground as software without a pitot does: "
                    "not used"
                )
                return None
    if fit is None or not fit.found or i.north is None or i.east is None:
        return raw, _PITOT_STD_RATIO * typical, f"logged {name}, its scale not checked"
    scaled = estimate_wind(
        i.time, i.north, i.east, use=i.use, climb=i.climb, relative_airspeed=raw, groups=None
    )
    scale = float(scaled.group_speed[0])
    if not scaled.found or not _PITOT_SCALE[0] <= scale <= _PITOT_SCALE[1] or scaled.gust > 2.0 * fit.gust:
        warnings.append(f"the logged {name} disagrees with ground velocity (scale {scale:.2f}): not used")
        return None
    told = f"logged {name}, times {scale:.3f} from ground velocity and wind"
    return raw * scale, scaled.airspeed_std, told
