"""The moment curve of a sortie with what a change of the frame is worked out from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..propeller import CalibratedBlade
from ..propeller.calibrate import draw_scalars
from ..propeller.flight import ratio_model_std
from ..propeller.inflow import WAKE_BOUNDS
from ..quantity import Quantity
from ..results import ComparisonRow, HoldResult, MomentCurve
from ..sheets.aircraft import AircraftSheet

__all__ = ["make_moment_curve"]

_DRAWS = 200


def make_moment_curve(
    rows: Sequence[ComparisonRow],
    draws: NDArray[np.float64],
    holds: Sequence[HoldResult],
    aircraft: AircraftSheet,
    blade: CalibratedBlade | None,
    *,
    thrust_measured: bool,
    seed: int = 1,
) -> MomentCurve | None:
    """Return the moment of each rpm group with the covariance of all, and the thrust there.

    Parameters
    ----------
    rows : sequence of ComparisonRow, length n
        The rpm groups, rising.
    draws : ndarray, shape (draws, n)
        Joint draws of their roll moments [N m].
    holds : sequence of HoldResult
        What ``holds`` of the rows count in.
    aircraft : AircraftSheet
        The unit flown.
    blade : CalibratedBlade or None
        Gives the thrust in flight; unknown without it.
    thrust_measured : bool
        Whether the blade was fitted to thrust of the rig, too.
    seed : int
        Of the draws of the blade.

    Returns
    -------
    MomentCurve or None
        None where there is no group.
    """
    if not rows:
        return None
    rpm = np.array([row.rpm.value or np.nan for row in rows])
    speed = np.array([row.airspeed.value or np.nan for row in rows])
    found = [[holds[i].density.value for i in row.holds] for row in rows]
    density = np.array([float(np.mean([d if d is not None else 1.2 for d in group])) for group in found])
    sound = np.all(np.isfinite(draws), axis=1)
    covariance = np.cov(draws[sound], rowvar=False).reshape(len(rows), len(rows))
    gear = aircraft.engine.gear_ratio
    thrust: tuple[Quantity, ...]
    if blade is None:
        source = ""
        thrust = tuple(Quantity.unknown("N", "no blade was calibrated") for _ in rows)
    else:
        source = "blade model fitted to the rig's torque" + (" and thrust" if thrust_measured else " alone")
        thrust = tuple(
            _thrust(blade, n / gear, v, d, seed) for n, v, d in zip(rpm, speed, density, strict=True)
        )
    fitted = aircraft.compensation
    return MomentCurve(
        rpm=rpm,
        roll_moment=np.array([row.roll_moment.value or np.nan for row in rows]),
        covariance=covariance,
        airspeed=speed,
        density=density,
        thrust=thrust,
        thrust_source=source,
        gear_ratio=gear,
        diameter=aircraft.propeller.diameter_m,
        idle_rpm=aircraft.engine.idle_rpm,
        idle_turns_propeller=aircraft.engine.idle_turns_propeller,
        compensation=fitted.kind,
        hang_offset=fitted.hang_offset_m,
        compensation_moment=fitted.moment_N_m,
        compensation_moment_std=fitted.moment_std_N_m,
        compensation_rpm=fitted.at_rpm,
    )


def _thrust(blade: CalibratedBlade, rpm: float, airspeed: float, density: float, seed: int) -> Quantity:
    """Return the thrust in flight: blade, wake of the pilot and model uncertainty included [N]."""
    random = np.random.default_rng((seed, 9))
    scalars = draw_scalars(blade, _DRAWS, random)
    wake = random.uniform(*WAKE_BOUNDS, _DRAWS)
    run = blade.solve(rpm, (1.0 - wake) * airspeed, density, values=scalars)
    advance = airspeed / (rpm / 60.0 * blade.blade.diameter)
    model = float(ratio_model_std(blade.blade, np.array([advance]))[0])
    return Quantity.from_samples(run.thrust * (1.0 + model * random.standard_normal(_DRAWS)), "N")
