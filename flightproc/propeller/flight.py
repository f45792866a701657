"""A calibrated blade in flight: angle of attack and torque against rest, with their uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..errors import FlightprocError
from ..quantity import Quantity
from .blade import Blade
from .calibrate import CalibratedBlade, draw_scalars
from .elements import ElementSolution

__all__ = ["BladeComparison", "alpha_at", "at_radius", "compare_blade", "geometric_alpha", "ratio_model_std"]

Array = NDArray[np.float64]

_RATIO_STD = 0.05  # of Q(V) / Q(0) from J = 0.1 up: what measured wind-tunnel propellers show
_RATIO_STD_ASSUMED = 0.10  # the same for an assumed helix


def alpha_at(solution: ElementSolution, radius_ratio: float = 0.75) -> Array:
    """Return the angle of attack at one radius.

    Parameters
    ----------
    solution : ElementSolution
        n_op operating points.
    radius_ratio : float
        Radius over tip radius.

    Returns
    -------
    ndarray, shape (n_op,)
        [rad], by linear interpolation between elements.

    Examples
    --------
    >>> import numpy as np
    >>> from flightproc.propeller import Blade, prior_blade
    >>> blade = prior_blade(Blade.helical(diameter=1.25, pitch=0.60, blades=2))
    >>> np.degrees(alpha_at(blade.solve(2143.0, 10.0, 1.2))).round(1)
    array([3.2])
    """
    return at_radius(solution.blade, solution.alpha, radius_ratio)


def at_radius(blade: Blade, values: Array, radius_ratio: float = 0.75) -> Array:
    """Return what is known at each element, shape (n_op, n_r), at one radius, shape (n_op,)."""
    radius = blade.radius
    place = radius_ratio * blade.tip_radius
    if radius.size == 1:
        return values[:, 0].copy()
    right = int(np.clip(np.searchsorted(radius, place), 1, radius.size - 1))
    share = float(np.clip((place - radius[right - 1]) / (radius[right] - radius[right - 1]), 0.0, 1.0))
    mixed: Array = (1.0 - share) * values[:, right - 1] + share * values[:, right]
    return mixed


def geometric_alpha(
    blade: Blade, rpm_propeller: ArrayLike, airspeed: ArrayLike, *, pitch_offset: float = 0.0
) -> Array:
    """Return the angle of attack that leaves all induced flow out.

    Parameters
    ----------
    blade : Blade
        n_r elements.
    rpm_propeller, airspeed : array_like, shape (n_op,)
        [1/min], [m/s].
    pitch_offset : float
        Added to the twist [rad].

    Returns
    -------
    ndarray, shape (n_op, n_r)
        beta - atan(V / (Omega r)) [rad]: too large, and it falls too fast with airspeed, since at rest the
        induced flow is large.

    Examples
    --------
    >>> import numpy as np
    >>> from flightproc.propeller import Blade, prior_blade
    >>> blade = prior_blade(Blade.helical(diameter=1.25, pitch=0.60, blades=2))
    >>> np.degrees(geometric_alpha(blade.blade, 2143.0, [0.0, 10.0]))[:, -1].round(1)
    array([8.8, 4.6])
    """
    rpm, speed = np.broadcast_arrays(
        np.atleast_1d(np.asarray(rpm_propeller, dtype=float)),
        np.atleast_1d(np.asarray(airspeed, dtype=float)),
    )
    rotation = (rpm * (2.0 * math.pi / 60.0))[:, None] * blade.radius[None, :]
    alpha: Array = blade.twist[None, :] + pitch_offset - np.arctan2(speed[:, None], rotation)
    return alpha


@displayed
@dataclass(frozen=True)
class BladeComparison:
    """A calibrated blade at rest and in flight at one propeller speed.

    Attributes
    ----------
    rpm_propeller : float
        [1/min].
    airspeed, advance_ratio : Quantity
        True airspeed [m/s] and J = V / (n D), with the undisturbed airspeed.
    alpha_075_static, alpha_075_flight, alpha_075_naive : Quantity
        Angle of attack at 0.75 R [rad]; ``naive`` leaves the induced flow out.
    alpha_075_change : Quantity
        Flight less static [rad]; better known than either since they share the blade's errors.
    torque_ratio, thrust_ratio : Quantity
        Predicted Q(V) / Q(0) and T(V) / T(0) at the same rpm and density.
    radius_ratio : ndarray, shape (n_r,)
        Radius over tip radius.
    alpha_static, alpha_flight, alpha_naive : ndarray, shape (n_r,)
        Angle of attack along the blade [rad], means over the draws.
    alpha_static_std, alpha_flight_std : ndarray, shape (n_r,)
        Their standard uncertainties [rad].
    words : tuple of str
        Assumptions and limits.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> blade = fp.calibrated_blade(prepared)
    >>> found = fp.compare_blade(blade, rpm_propeller=2143.0, airspeed=10.0, density=1.2)
    >>> print(found.alpha_075_static.degrees())
    6.13 ± 0.44 deg
    >>> print(found.alpha_075_flight.degrees())
    4.10 ± 0.48 deg
    """

    rpm_propeller: float
    airspeed: Quantity
    advance_ratio: Quantity
    alpha_075_static: Quantity
    alpha_075_flight: Quantity
    alpha_075_naive: Quantity
    alpha_075_change: Quantity
    torque_ratio: Quantity
    thrust_ratio: Quantity
    radius_ratio: Array
    alpha_static: Array
    alpha_flight: Array
    alpha_naive: Array
    alpha_static_std: Array
    alpha_flight_std: Array
    words: tuple[str, ...] = ()


def compare_blade(
    calibrated: CalibratedBlade,
    *,
    rpm_propeller: float,
    airspeed: Quantity | float,
    airspeed_std: float = 0.0,
    density: float = 1.225,
    density_std: float = 0.0,
    wake_fraction: tuple[float, float] = (0.0, 0.3),
    draws: int = 400,
    seed: int = 1,
) -> BladeComparison:
    """Carry a calibrated blade into flight by Monte Carlo.

    Parameters
    ----------
    calibrated : CalibratedBlade
        Its posterior is drawn from.
    rpm_propeller : float
        [1/min], the same at rest and in flight.
    airspeed : Quantity or float
        True airspeed [m/s]; a Quantity brings its own standard uncertainty.
    airspeed_std : float
        Standard uncertainty where ``airspeed`` is a number [m/s].
    density, density_std : float
        Air density in flight [kg/m^3].
    wake_fraction : tuple of float
        Bounds of w, uniform between them: the disc behind a pilot sees (1 - w) V.
    draws : int
        Monte Carlo draws.
    seed : int
        Of the generator.

    Returns
    -------
    BladeComparison

    Raises
    ------
    FlightprocError
        Where airspeed is unknown or the bounds of the wake fraction are not within 0 to 1.

    Notes
    -----
    The draws share the blade's scalars at rest and in flight. The predicted ratios also carry a model
    uncertainty of 5 % from J = 0.1 up (10 % for an assumed helix), falling to none at J = 0, where they are 1
    by definition.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> blade = fp.calibrated_blade(prepared)
    >>> print(fp.compare_blade(blade, rpm_propeller=2143.0, airspeed=10.0, density=1.2).torque_ratio)
    0.984 ± 0.057
    """
    if isinstance(airspeed, Quantity):
        if airspeed.value is None:
            raise FlightprocError("the airspeed is unknown", where="blade comparison", found=airspeed.reason)
        speed, speed_std = airspeed.value, airspeed.std or 0.0
    else:
        speed, speed_std = float(airspeed), float(airspeed_std)
    low, high = wake_fraction
    if not 0.0 <= low <= high < 1.0:
        raise FlightprocError(
            "bounds of the wake fraction out of order",
            where="blade comparison",
            found=wake_fraction,
            allowed="0 to 1",
        )
    random = np.random.default_rng(seed)
    scalars = draw_scalars(calibrated, draws, random)
    speeds = np.maximum(random.normal(speed, speed_std, draws), 0.0)
    densities = np.maximum(random.normal(density, density_std, draws), 0.1 * density)
    wakes = random.uniform(low, high, draws)
    rest, air = rest_and_flight(calibrated, rpm_propeller, (1.0 - wakes) * speeds, densities, scalars)
    blade = calibrated.blade
    revolutions = rpm_propeller / 60.0
    advance = speeds / (revolutions * blade.diameter)
    model = 1.0 + ratio_model_std(blade, advance) * random.standard_normal((2, draws))
    naive = geometric_alpha(blade, rpm_propeller, speeds) + scalars[:, :1]
    groups: Mapping[str, Array] = {
        "blade": scalars,
        "airspeed": speeds[:, None],
        "wake": wakes[:, None],
        "density": densities[:, None],
    }

    def quantity(samples: Array, unit: str = "", model_error: Array | None = None) -> Quantity:
        whole = groups if model_error is None else {**groups, "model": model_error[:, None]}
        return Quantity.from_samples(samples, unit, budget=_budget(samples, whole))

    at_rest, in_air = alpha_at(rest), alpha_at(air)
    naive_075 = at_radius(blade, naive)
    return BladeComparison(
        rpm_propeller=float(rpm_propeller),
        airspeed=airspeed if isinstance(airspeed, Quantity) else Quantity.of(speed, speed_std, "m/s"),
        advance_ratio=Quantity.of(
            speed / (revolutions * blade.diameter), speed_std / (revolutions * blade.diameter), ""
        ),
        alpha_075_static=quantity(at_rest, "rad"),
        alpha_075_flight=quantity(in_air, "rad"),
        alpha_075_naive=quantity(naive_075, "rad"),
        alpha_075_change=quantity(in_air - at_rest, "rad"),
        torque_ratio=quantity(air.torque / rest.torque * model[0], "", model[0]),
        thrust_ratio=quantity(air.thrust / rest.thrust * model[1], "", model[1]),
        radius_ratio=blade.radius / blade.tip_radius,
        alpha_static=np.mean(rest.alpha, axis=0),
        alpha_flight=np.mean(air.alpha, axis=0),
        alpha_naive=np.mean(naive, axis=0),
        alpha_static_std=np.std(rest.alpha, axis=0, ddof=1),
        alpha_flight_std=np.std(air.alpha, axis=0, ddof=1),
        words=(
            *calibrated.words,
            f"inflow behind the pilot taken as {1 - high:.2g} to {1 - low:.2g} of the airspeed",
            *_unsolved_words(rest, air),
        ),
    )


def rest_and_flight(
    calibrated: CalibratedBlade,
    rpm_propeller: ArrayLike,
    inflow: Array,
    density: ArrayLike,
    scalars: Array,
) -> tuple[ElementSolution, ElementSolution]:
    """Return the same draws of a blade at rest and in flight, solved in one go.

    Parameters
    ----------
    calibrated : CalibratedBlade
        The blade.
    rpm_propeller, density : array_like, shape (n,) or ()
        [1/min], [kg/m^3].
    inflow : ndarray, shape (n,)
        Axial inflow in flight [m/s].
    scalars : ndarray, shape (n, 4)
        The blade's scalars.
    """
    count = inflow.size
    rpm, rho = (np.broadcast_to(np.asarray(v, dtype=float), (count,)) for v in (rpm_propeller, density))
    run = calibrated.solve(
        np.tile(rpm, 2),
        np.concatenate([np.zeros(count), inflow]),
        np.tile(rho, 2),
        values=np.tile(scalars, (2, 1)),
    )
    return run.points(slice(0, count)), run.points(slice(count, 2 * count))


def ratio_model_std(blade: Blade, advance: ArrayLike) -> Array:
    """Return the relative standard uncertainty of a predicted ratio Q(V) / Q(0) or T(V) / T(0).

    Parameters
    ----------
    blade : Blade
        Whose twist may be an assumption.
    advance : array_like, shape (n,)
        Advance ratio V / (n D).

    Returns
    -------
    ndarray, shape (n,)
        5 % from J = 0.1 up (10 % for an assumed helix), falling to none at J = 0.
    """
    full = _RATIO_STD_ASSUMED if blade.twist_assumed else _RATIO_STD
    std: Array = full * np.minimum(np.asarray(advance, dtype=float) / 0.1, 1.0)
    return std


def _unsolved_words(*runs: ElementSolution) -> tuple[str, ...]:
    lost = np.any([~run.converged.all(axis=0) for run in runs], axis=0)
    if not lost.any():
        return ()
    places = (runs[0].blade.radius / runs[0].blade.tip_radius)[lost]
    return (
        f"no inflow angle was found for elements from {places.min():.2f} to {places.max():.2f} R; "
        "they carry no load",
    )


def _budget(samples: Array, groups: Mapping[str, Array]) -> dict[str, float]:
    """Split the spread of draws by source, from a linear regression on the inputs."""
    columns, owners = [], []
    for name, block in groups.items():
        centred = block - block.mean(axis=0)
        spread = centred.std(axis=0)
        keep = spread > 1e-12 * np.maximum(np.abs(block).max(axis=0), 1e-300)
        columns.append(centred[:, keep] / spread[keep])
        owners += [name] * int(keep.sum())
    if not owners:
        return {}
    design = np.hstack(columns)
    slope, *_ = np.linalg.lstsq(design, samples - samples.mean(), rcond=None)
    parts: dict[str, float] = {}
    for name in groups:
        mine = np.array([owner == name for owner in owners])
        if mine.any():
            parts[name] = float(np.std(design[:, mine] @ slope[mine]))
    return parts
