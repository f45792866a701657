"""A blade over its whole range: coefficients against J, angles along the blade, torque against rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..errors import FlightprocError
from ..quantity import Quantity
from .calibrate import CalibratedBlade, draw_scalars
from .flight import alpha_at, at_radius, geometric_alpha, ratio_model_std
from .inflow import WAKE_BOUNDS

__all__ = ["BladePerformance", "RatioCurve", "SpeedAngles", "blade_performance", "ratio_curve"]

Array = NDArray[np.float64]

SCHEMA = "flightproc-blade/1"
_ADVANCE_MOST = 0.6  # where the curves against J end
_ADVANCE_STEPS = 25


@displayed
@dataclass(frozen=True)
class RatioCurve:
    """Torque and thrust in flight over those at rest, against advance ratio. Bounds are 95 %.

    Attributes
    ----------
    rpm_propeller : float
        [1/min].
    advance_ratio : ndarray, shape (n,)
        J = V / (n D) of the undisturbed airspeed.
    torque_ratio, thrust_ratio : ndarray, shape (3, n)
        Mean, lower and upper bound; blade, wake fraction and model uncertainty included [1].

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> float(results.ratio_curve.advance_ratio.max().round(1))
    0.3
    """

    rpm_propeller: float
    advance_ratio: Array
    torque_ratio: Array
    thrust_ratio: Array

    def to_json(self) -> dict[str, Any]:
        """Return the ``ratio_curve`` object of results.json and blade.json."""
        return {
            "rpm_propeller": self.rpm_propeller,
            "advance_ratio": _rounded(self.advance_ratio, 4),
            "torque_ratio": [_rounded(row, 4) for row in self.torque_ratio],
            "thrust_ratio": [_rounded(row, 4) for row in self.thrust_ratio],
        }


def ratio_curve(
    calibrated: CalibratedBlade,
    *,
    rpm_propeller: float,
    advance: ArrayLike,
    density: float = 1.2,
    wake_bounds: tuple[float, float] = WAKE_BOUNDS,
    draws: int = 200,
    seed: int = 1,
) -> RatioCurve:
    """Return torque and thrust over those at rest against advance ratio, by Monte Carlo.

    Parameters
    ----------
    calibrated : CalibratedBlade
        Its posterior is drawn from.
    rpm_propeller : float
        [1/min].
    advance : array_like, shape (n,)
        Advance ratios.
    density : float
        [kg/m^3].
    wake_bounds : tuple of float
        Of the wake fraction, uniform: the disc sees (1 - w) V.
    draws, seed : int
        Of the Monte Carlo.

    Examples
    --------
    >>> from flightproc.propeller import Blade, prior_blade
    >>> blade = prior_blade(Blade.helical(diameter=1.25, pitch=0.60, blades=2))
    >>> curve = ratio_curve(blade, rpm_propeller=2143.0, advance=[0.0, 0.2], draws=20)
    >>> curve.torque_ratio[0].round(2)
    array([1., 1.])
    """
    random = np.random.default_rng((seed, 7))
    j = np.atleast_1d(np.asarray(advance, dtype=float))
    scalars = draw_scalars(calibrated, draws, random)
    wake = random.uniform(*wake_bounds, draws)
    speeds = (1.0 - wake)[:, None] * (j * rpm_propeller / 60.0 * calibrated.blade.diameter)[None, :]
    rest = calibrated.solve(rpm_propeller, np.zeros(draws), density, values=scalars)
    air = calibrated.solve(rpm_propeller, speeds.ravel(), density, values=np.repeat(scalars, j.size, axis=0))
    model = ratio_model_std(calibrated.blade, j)
    bands = []
    for moving, still in ((air.torque, rest.torque), (air.thrust, rest.thrust)):
        ratio = moving.reshape(draws, j.size) / still[:, None]
        noisy = ratio * (1.0 + model * random.standard_normal((draws, 1)))
        low, high = np.quantile(noisy, [0.025, 0.975], axis=0)
        bands.append(np.vstack([ratio.mean(axis=0), low, high]))
    return RatioCurve(float(rpm_propeller), j, bands[0], bands[1])


@displayed
@dataclass(frozen=True)
class SpeedAngles:
    """Angle of attack along the blade at one airspeed.

    Attributes
    ----------
    airspeed : float
        True airspeed [m/s].
    alpha_075, geometric_075 : Quantity
        At 0.75 R, with the induced flow and by geometry alone [rad].
    alpha : ndarray, shape (3, n_r)
        Mean, lower and upper 95 % bound along the blade [rad].
    geometric : ndarray, shape (n_r,)
        Mean by geometry alone [rad].

    Examples
    --------
    >>> from flightproc.propeller import blade_performance
    >>> from flightproc.propeller import Blade, prior_blade
    >>> blade = prior_blade(Blade.helical(diameter=1.25, pitch=0.60, blades=2))
    >>> found = blade_performance(
    ...     blade, name="bench", gear_ratio=2.8, rpms=(6000.0,), speeds=(10.0,), draws=20
    ... )
    >>> [angles.airspeed for angles in found.angles]
    [0.0, 10.0]
    """

    airspeed: float
    alpha_075: Quantity
    geometric_075: Quantity
    alpha: Array
    geometric: Array

    def to_json(self) -> dict[str, Any]:
        """Return the entry of ``alpha`` in blade.json."""
        return {
            "airspeed_m_s": self.airspeed,
            "alpha_075_deg": self.alpha_075.degrees().to_json(),
            "geometric_075_deg": self.geometric_075.degrees().to_json(),
            "alpha_deg": [_rounded(np.degrees(row), 3) for row in self.alpha],
            "geometric_deg": _rounded(np.degrees(self.geometric), 3),
        }


@displayed
@dataclass(frozen=True)
class BladePerformance:
    """What a blade does, at rest and in flight.

    Attributes
    ----------
    name : str
        Aircraft.
    gear_ratio, diameter, density : float
        [1], [m], [kg/m^3].
    calibrated : CalibratedBlade
        The blade.
    advance_ratio : ndarray, shape (n_j,)
        J of the coefficients, of the flow the disc sees.
    rpm : float
        Engine speed of coefficients and angles [1/min].
    thrust_coefficient, power_coefficient, efficiency : ndarray, shape (3, n_j)
        Mean, lower and upper 95 % bound [1].
    angles : tuple of SpeedAngles
        At rest first, then by airspeed.
    curve : RatioCurve
        Ratios against J, wake fraction included.
    speeds, rpms : ndarray, shape (n_v,), (n_rpm,)
        Airspeeds [m/s] and engine speeds [1/min] of the table of ratios.
    torque_ratio, torque_ratio_std : ndarray, shape (n_rpm, n_v)
        Q(V) / Q(0) at the same rpm and density [1].
    static : tuple of (float, Quantity, Quantity)
        Engine speed [1/min], torque [N m] and thrust [N] at rest.
    words : tuple of str
        What it rests on.

    Examples
    --------
    >>> from flightproc.propeller import blade_performance
    >>> from flightproc.propeller import Blade, prior_blade
    >>> blade = prior_blade(Blade.helical(diameter=1.25, pitch=0.60, blades=2))
    >>> found = blade_performance(
    ...     blade, name="bench", gear_ratio=2.8, rpms=(6000.0,), speeds=(10.0,), draws=20
    ... )
    >>> found.name, found.torque_ratio.shape
    ('bench', (1, 1))
    """

    name: str
    gear_ratio: float
    diameter: float
    density: float
    calibrated: CalibratedBlade
    advance_ratio: Array
    rpm: float
    thrust_coefficient: Array
    power_coefficient: Array
    efficiency: Array
    angles: tuple[SpeedAngles, ...]
    curve: RatioCurve
    speeds: Array
    rpms: Array
    torque_ratio: Array
    torque_ratio_std: Array
    static: tuple[tuple[float, Quantity, Quantity], ...]
    words: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return blade.json as plain objects (see docs/blade-json.md)."""
        case = self.calibrated
        std = np.sqrt(np.diag(case.covariance))
        return {
            "schema": SCHEMA,
            "name": self.name,
            "gear_ratio": self.gear_ratio,
            "diameter_m": self.diameter,
            "density_kg_m3": self.density,
            "blade": {
                "blades": case.blade.blades,
                "radius_m": _rounded(case.blade.radius, 5),
                "chord_m": _rounded(case.blade.chord, 5),
                "beta_deg": _rounded(np.degrees(case.blade.twist), 3),
                "assumed": case.blade.twist_assumed,
            },
            "calibration": {
                "names": list(case.names),
                "values": _rounded(case.values, 6),
                "std": _rounded(std, 6),
                "prior_std": _rounded(case.prior_std, 6),
                "covariance": [_rounded(row, 9) for row in case.covariance],
                "chi2": case.chi2,
                "measurements": case.measurements,
            },
            "rpm": self.rpm,
            "coefficients": {
                "advance_ratio": _rounded(self.advance_ratio, 4),
                "thrust_coefficient": [_rounded(row, 6) for row in self.thrust_coefficient],
                "power_coefficient": [_rounded(row, 6) for row in self.power_coefficient],
                "efficiency": [_rounded(row, 4) for row in self.efficiency],
            },
            "radius_ratio": _rounded(case.blade.radius / case.blade.tip_radius, 4),
            "alpha": [item.to_json() for item in self.angles],
            "ratio_curve": self.curve.to_json(),
            "ratio_table": {
                "rpm": _rounded(self.rpms, 1),
                "airspeed_m_s": _rounded(self.speeds, 3),
                "torque_ratio": [_rounded(row, 4) for row in self.torque_ratio],
                "torque_ratio_std": [_rounded(row, 4) for row in self.torque_ratio_std],
            },
            "static": [
                {"rpm": rpm, "torque_N_m": torque.to_json(), "thrust_N": thrust.to_json()}
                for rpm, torque, thrust in self.static
            ],
            "remarks": list(self.words),
        }


def blade_performance(
    calibrated: CalibratedBlade,
    *,
    name: str,
    gear_ratio: float,
    rpms: Sequence[float],
    speeds: Sequence[float] = (8.0, 10.0, 12.0, 14.0),
    density: float = 1.2,
    draws: int = 200,
    seed: int = 1,
) -> BladePerformance:
    """Run a blade over its range.

    Parameters
    ----------
    calibrated : CalibratedBlade
        Fitted to a rig, or `prior_blade`.
    name : str
        Of the aircraft.
    gear_ratio : float
        Engine revolutions per propeller revolution.
    rpms : sequence of float
        Engine speeds of the tables [1/min], increasing; the highest is that of coefficients and angles.
    speeds : sequence of float
        Airspeeds [m/s], above zero and increasing.
    density : float
        [kg/m^3].
    draws, seed : int
        Of the Monte Carlo.

    Returns
    -------
    BladePerformance

    Raises
    ------
    FlightprocError
        Where engine speeds or airspeeds are not above zero and increasing.

    Examples
    --------
    >>> from flightproc.propeller import Blade, prior_blade
    >>> blade = prior_blade(Blade.helical(diameter=1.25, pitch=0.60, blades=2))
    >>> found = blade_performance(
    ...     blade, name="bench", gear_ratio=2.8, rpms=(6000.0,), speeds=(10.0,), draws=20
    ... )
    >>> found.torque_ratio.round(2)
    array([[0.96]])
    """
    for values, what in ((rpms, "engine speeds"), (speeds, "airspeeds")):
        steps = np.diff(np.asarray(values, dtype=float))
        if not len(values) or min(values) <= 0.0 or np.any(steps <= 0.0):
            raise FlightprocError(
                f"{what} must be above zero and increasing", where="blade", found=list(values)
            )
    random = np.random.default_rng((seed, 8))
    blade = calibrated.blade
    scalars = draw_scalars(calibrated, draws, random)
    wake = random.uniform(*WAKE_BOUNDS, draws)
    top = float(rpms[-1])
    turning = top / gear_ratio

    advance = np.linspace(0.0, _ADVANCE_MOST, _ADVANCE_STEPS)
    speed = advance * turning / 60.0 * blade.diameter
    run = calibrated.solve(
        turning, np.tile(speed, draws), density, values=np.repeat(scalars, advance.size, axis=0)
    )
    shape = (draws, advance.size)
    thrust, power = run.thrust_coefficient.reshape(shape), run.power_coefficient.reshape(shape)
    efficiency = np.where((power > 0.0) & (thrust > 0.0), advance * thrust / np.maximum(power, 1e-12), 0.0)

    angles = []
    for v in (0.0, *speeds):
        flown = calibrated.solve(turning, (1.0 - wake) * v, density, values=scalars)
        plain = geometric_alpha(blade, turning, np.full(draws, v)) + scalars[:, :1]
        low, high = np.quantile(flown.alpha, [0.025, 0.975], axis=0)
        angles.append(
            SpeedAngles(
                airspeed=float(v),
                alpha_075=Quantity.from_samples(alpha_at(flown), "rad"),
                geometric_075=Quantity.from_samples(at_radius(blade, plain), "rad"),
                alpha=np.vstack([flown.alpha.mean(axis=0), low, high]),
                geometric=plain.mean(axis=0),
            )
        )
    means, spreads, static = [], [], []
    for n in rpms:
        rest = calibrated.solve(n / gear_ratio, np.zeros(draws), density, values=scalars)
        static.append(
            (
                float(n),
                Quantity.from_samples(rest.torque, "N m"),
                Quantity.from_samples(rest.thrust, "N"),
            )
        )
        row, row_std = [], []
        for v in speeds:
            flown = calibrated.solve(n / gear_ratio, (1.0 - wake) * v, density, values=scalars)
            ratio = flown.torque / rest.torque
            j = v / (n / gear_ratio / 60.0 * blade.diameter)
            model = float(ratio_model_std(blade, np.array([j]))[0])
            row.append(float(ratio.mean()))
            row_std.append(math.hypot(float(ratio.std(ddof=1)), model * float(ratio.mean())))
        means.append(row)
        spreads.append(row_std)
    curve = ratio_curve(
        calibrated,
        rpm_propeller=turning,
        advance=np.linspace(
            0.0, min(_ADVANCE_MOST, 1.3 * _largest(speeds, rpms, gear_ratio, blade.diameter)), 21
        ),
        density=density,
        seed=seed,
    )
    return BladePerformance(
        name=name,
        gear_ratio=gear_ratio,
        diameter=blade.diameter,
        density=density,
        calibrated=calibrated,
        advance_ratio=advance,
        rpm=top,
        thrust_coefficient=_band(thrust),
        power_coefficient=_band(power),
        efficiency=_band(efficiency),
        angles=tuple(angles),
        curve=curve,
        speeds=np.array(speeds, dtype=float),
        rpms=np.array(rpms, dtype=float),
        torque_ratio=np.array(means),
        torque_ratio_std=np.array(spreads),
        static=tuple(static),
        words=(
            *calibrated.words,
            f"inflow behind the pilot taken as {1 - WAKE_BOUNDS[1]:.2g} to {1 - WAKE_BOUNDS[0]:.2g} of the "
            "airspeed in angles and ratios; the coefficients are against the J that the disc sees",
            "ratios carry a model uncertainty of 5 % from J = 0.1 up (10 % for an assumed helix); beyond "
            "J = 0.35 the model was not checked against a wind tunnel",
        ),
    )


def _largest(speeds: Sequence[float], rpms: Sequence[float], gear: float, diameter: float) -> float:
    return max(speeds) / (min(rpms) / gear / 60.0 * diameter)


def _band(samples: Array) -> Array:
    low, high = np.quantile(samples, [0.025, 0.975], axis=0)
    return np.vstack([samples.mean(axis=0), low, high])


def _rounded(values: Array, places: int) -> list[float | None]:
    return [round(float(v), places) if math.isfinite(v) else None for v in values]
