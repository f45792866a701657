"""What each hold observes: the levels its channels tend to, with one noise model for the sortie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import EstimateError
from ..holds.model import Hold
from ..sortie.model import Sortie
from ..statistics.autoregression import LevelFit, fit_levels

__all__ = ["Observations", "observe_holds"]

Array = NDArray[np.float64]

_PERIOD = 1.0  # averaging period of the records that the noise model sees [s]


@dataclass(frozen=True)
class Observations:
    """Levels of every hold.

    Attributes
    ----------
    middle : ndarray, shape (k,)
        Middle of each hold [s].
    hang_roll, turn_rate : ndarray, shape (k,)
        Levels [rad], [rad/s].
    covariance : ndarray, shape (2 k, 2 k)
        Of hang roll and turn rate, interleaved hold by hold.
    airspeed, airspeed_std : ndarray, shape (k,)
        True airspeed and the standard uncertainty of its level, without what all holds share [m/s].
    bank, bank_std : ndarray, shape (k,)
        Bank of the unit [rad].
    rpm, rpm_std : ndarray, shape (k,)
        Engine speed [1/min].
    density : ndarray, shape (k,)
        Air density [kg/m^3].
    load : ndarray, shape (k,)
        Mean specific force [m/s^2].
    hang_pitch : ndarray, shape (k,)
        Angle of the unit to apparent gravity about its y axis, positive nose up [rad].
    noise : LevelFit
        The noise model of hang roll and turn rate.
    """

    middle: Array
    hang_roll: Array
    turn_rate: Array
    covariance: Array
    airspeed: Array
    airspeed_std: Array
    bank: Array
    bank_std: Array
    rpm: Array
    rpm_std: Array
    density: Array
    load: Array
    hang_pitch: Array
    noise: LevelFit


def observe_holds(sortie: Sortie, holds: Sequence[Hold], *, seed: int = 1) -> Observations:
    """Return the level of each channel in each hold.

    Parameters
    ----------
    sortie : Sortie
        Needs ``hang_roll``, ``turn_rate``, ``rpm``, ``density`` and ``load``; ``airspeed`` and ``bank`` give
        NaN where they are missing.
    holds : sequence of Hold
        At least one.
    seed : int
        Seed of the noise model's simulation.

    Raises
    ------
    EstimateError
        When there is no hold, or a channel that cannot be done without is missing.
    """
    if not holds:
        raise EstimateError(
            "no hold was found",
            where="sortie",
            hint="fly steady straight stretches of 60 s at one throttle setting, hands off, or add the holds "
            "by hand in the sortie sheet",
        )
    for name in ("hang_roll", "turn_rate"):
        if sortie.column(name) is None:
            raise EstimateError(
                f"the sortie has no {name.replace('_', ' ')}",
                where="sortie",
                hint="log body rates and specific force on the hung unit",
            )
    main = fit_levels([_records(sortie, h, ("hang_roll", "turn_rate")) for h in holds], _PERIOD, seed=seed)
    airspeed, airspeed_std = _single(sortie, holds, "airspeed", seed)
    bank, bank_std = _single(sortie, holds, "bank", seed)
    rpm, rpm_std = _single(sortie, holds, "rpm", seed)
    load = _means(sortie, holds, "load")
    forward = _means(sortie, holds, "specific_force_x")
    return Observations(
        middle=np.array([(h.start + h.end) / 2 for h in holds]),
        hang_roll=main.levels[:, 0],
        turn_rate=main.levels[:, 1],
        covariance=main.covariance,
        airspeed=airspeed,
        airspeed_std=airspeed_std,
        bank=bank,
        bank_std=bank_std,
        rpm=rpm,
        rpm_std=rpm_std,
        density=_means(sortie, holds, "density"),
        load=load,
        hang_pitch=np.arctan2(forward, load),
        noise=main,
    )


def _records(sortie: Sortie, hold: Hold, names: Sequence[str]) -> Array:
    """Return averages over one period each, shape (n, m), gaps bridged."""
    inside = (sortie.time >= hold.start) & (sortie.time <= hold.end)
    block = max(1, round(_PERIOD * sortie.rate))
    columns = []
    for name in names:
        column = sortie.column(name)
        assert column is not None
        values = column[inside]
        good = np.isfinite(values)
        if good.sum() < 0.5 * len(values) or len(values) < 4 * block:
            raise EstimateError(
                f"{name} is too sparse in this hold",
                where=f"hold {hold.start:.0f} to {hold.end:.0f} s",
                hint="strike the hold in the sortie sheet",
            )
        index = np.arange(len(values))
        values = np.interp(index, index[good], values[good])
        n = len(values) // block
        columns.append(values[: n * block].reshape(n, block).mean(axis=1))
    return np.column_stack(columns)


def _single(sortie: Sortie, holds: Sequence[Hold], name: str, seed: int) -> tuple[Array, Array]:
    """Return mean and standard uncertainty of one channel per hold; NaN where it is missing."""
    empty = np.full(len(holds), np.nan)
    column = sortie.column(name)
    if column is None:
        return empty, empty
    usable = []
    for index, hold in enumerate(holds):
        inside = (sortie.time >= hold.start) & (sortie.time <= hold.end)
        if np.isfinite(column[inside]).mean() > 0.5:
            usable.append(index)
    if not usable:
        return empty, empty
    records = [_records(sortie, holds[i], (name,)) for i in usable]
    fit = fit_levels(records, _PERIOD, seed=seed)
    means, stds = empty.copy(), empty.copy()
    means[usable] = [float(r.mean()) for r in records]
    stds[usable] = fit.std()[:, 0]
    return means, stds


def _means(sortie: Sortie, holds: Sequence[Hold], name: str) -> Array:
    column = sortie.column(name)
    if column is None:
        return np.full(len(holds), np.nan)
    out = []
    for hold in holds:
        part = column[(sortie.time >= hold.start) & (sortie.time <= hold.end)]
        out.append(float(np.nanmean(part)) if np.isfinite(part).any() else np.nan)
    return np.array(out)
