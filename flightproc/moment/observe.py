"""What each hold observes: the levels its channels tend to, with one noise model for the sortie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from ..display import displayed
from ..errors import EstimateError
from ..holds.model import Hold
from ..sortie.model import Sortie
from ..statistics.autoregression import LevelFit, fit_levels

__all__ = ["Agreement", "Observations", "observe_holds"]

Array = NDArray[np.float64]

_PERIOD = 1.0  # averaging period of the records that the noise model sees [s]
_BRIDGED_RPM = 0.005  # relative uncertainty of an engine speed that a gap hides for most of a hold
_UNLIKELY = 0.01  # chance below which a disagreement of bank and hang roll is told


@displayed
@dataclass(frozen=True)
class Agreement:
    """Whether bank and specific force tell the same hang roll.

    A unit's bank less that of apparent gravity, atan(V psi_dot / g), is its hang roll by another sensor.
    Their
    difference should be one constant (mount and sensor bias) over all holds.

    Attributes
    ----------
    offset, offset_std : float
        Mean difference, bank less specific force [rad].
    difference, std : ndarray, shape (k,)
        Of each hold [rad]; NaN where bank or airspeed is missing.
    chi2, dof : float, int
        Of the differences about their mean.
    chance : float
        Chance of a larger chi2.
    words : str
        The outcome in a sentence.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> found = results.calibration.agreement
    >>> found.difference.size, found.dof
    (17, 16)
    """

    offset: float
    offset_std: float
    difference: Array
    std: Array
    chi2: float
    dof: int
    chance: float
    words: str


@displayed
@dataclass(frozen=True)
class Observations:
    """Levels of every hold.

    Attributes
    ----------
    middle : ndarray, shape (k,)
        Middle of each hold [s].
    hang_roll, turn_rate : ndarray, shape (k,)
        Levels [rad], [rad/s]; NaN throughout where the sortie has no such channel.
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
    agreement : Agreement or None
        Of bank and specific force; None where there is no bank or no specific force.
    words : tuple of str
        What stands in for what is missing.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> prepared.observed.rpm[:3].round(-1)
    array([2200., 6000., 7600.])
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
    agreement: Agreement | None = None
    words: tuple[str, ...] = ()


def observe_holds(sortie: Sortie, holds: Sequence[Hold], *, seed: int = 1) -> Observations:
    """Return the level of each channel in each hold.

    Parameters
    ----------
    sortie : Sortie
        Needs ``hang_roll`` or ``turn_rate``; what else is missing gives NaN. Without ``hang_roll``, ``bank``
        less the bank of apparent gravity stands in for it.
    holds : sequence of Hold
        At least one.
    seed : int
        Seed of the noise model's simulation.

    Raises
    ------
    EstimateError
        When there is no hold, or neither of the two channels.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> observed = fp.observe_holds(prepared.sortie, prepared.search.holds)
    >>> observed.hang_roll.size
    17
    """
    if not holds:
        raise EstimateError(
            "no hold was found",
            where="sortie",
            hint="fly steady straight stretches of 60 s at one throttle setting, hands off, or add the holds "
            "by hand in the sortie sheet",
        )
    words: list[str] = []
    by_bank = _hang_by_bank(sortie)
    channels = {"hang_roll": sortie.column("hang_roll"), "turn_rate": sortie.column("turn_rate")}
    if channels["hang_roll"] is None and by_bank is not None:
        channels["hang_roll"] = by_bank
        words.append(
            "no specific force was logged: hang roll is the unit's bank less that of apparent gravity, by "
            "airspeed "
            "and turn rate"
        )
    there = [name for name, column in channels.items() if column is not None]
    if not there:
        raise EstimateError(
            "the sortie has neither hang roll nor turn rate",
            where="sortie",
            hint="log body rates and specific force on the hung unit",
        )
    columns = [column for column in channels.values() if column is not None]
    records = [_records(sortie, hold, columns, there) for hold in holds]
    main = _padded(fit_levels(records, _PERIOD, seed=seed), [name in there for name in channels])
    airspeed, airspeed_std = _single(sortie, holds, "airspeed", seed)
    bank, bank_std = _single(sortie, holds, "bank", seed)
    rpm, rpm_std = _single(sortie, holds, "rpm", seed)
    # an engine log that drops out within a hold: the search has bridged it from both sides
    bridged = ~np.isfinite(rpm) & np.isfinite([h.rpm for h in holds])
    rpm = np.where(bridged, [h.rpm for h in holds], rpm)
    rpm_std = np.where(bridged, _BRIDGED_RPM * rpm, rpm_std)
    load = _means(sortie, holds, "load")
    forward = _means(sortie, holds, "specific_force_x")
    agreement = None
    if sortie.column("hang_roll") is not None and by_bank is not None:
        agreement = _agree(sortie, holds, by_bank, seed)
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
        agreement=agreement,
        words=tuple(words),
    )


def _padded(fit: LevelFit, there: Sequence[bool]) -> LevelFit:
    """Return a fit of both channels from that of those which are there; levels of the other are NaN."""
    if all(there):
        return fit
    k, m = len(fit.levels), len(there)
    at = np.flatnonzero(there)
    levels = np.full((k, m), np.nan)
    levels[:, at] = fit.levels
    covariance = np.zeros((k * m, k * m))
    spread = (np.arange(k)[:, None] * m + at).ravel()
    covariance[np.ix_(spread, spread)] = fit.covariance
    coefficients = np.zeros((fit.order, m, m))
    coefficients[:, at[:, None], at] = fit.coefficients
    innovation = np.zeros((m, m))
    innovation[np.ix_(at, at)] = fit.innovation
    return replace(
        fit, levels=levels, covariance=covariance, coefficients=coefficients, innovation=innovation
    )


def _hang_by_bank(sortie: Sortie) -> Array | None:
    """Return bank less the bank of apparent gravity [rad], or None where a channel is missing."""
    bank, airspeed, turn = (sortie.column(name) for name in ("bank", "airspeed", "turn_rate"))
    if bank is None or airspeed is None or turn is None:
        return None
    out: Array = bank - np.arctan2(airspeed * turn, GRAVITY)
    return out if np.isfinite(out).any() else None


def _agree(sortie: Sortie, holds: Sequence[Hold], by_bank: Array, seed: int) -> Agreement | None:
    """Test whether bank and specific force differ by one constant over the holds."""
    from scipy.special import chdtrc

    hang_roll = sortie.column("hang_roll")
    assert hang_roll is not None
    gap = by_bank - hang_roll
    usable = [i for i, h in enumerate(holds) if np.isfinite(_part(sortie, h, gap)).mean() > 0.5]
    if len(usable) < 3:
        return None
    fit = fit_levels([_records(sortie, holds[i], [gap], ["bank"]) for i in usable], _PERIOD, seed=seed)
    weight = np.linalg.solve(fit.covariance + 1e-16 * np.eye(len(usable)), np.ones(len(usable)))
    offset = float(weight @ fit.levels[:, 0] / weight.sum())
    rest = fit.levels[:, 0] - offset
    chi2 = float(rest @ np.linalg.solve(fit.covariance + 1e-16 * np.eye(len(usable)), rest))
    dof = len(usable) - 1
    chance = float(chdtrc(dof, chi2))
    difference, std = np.full(len(holds), np.nan), np.full(len(holds), np.nan)
    difference[usable], std[usable] = fit.levels[:, 0], fit.std()[:, 0]
    scatter = np.degrees(float(np.std(rest, ddof=1)))
    worst = int(np.argmax(np.abs(rest) / fit.std()[:, 0]))
    words = (
        f"hang roll by specific force and by bank differ by {np.degrees(offset):+.2f} deg throughout, within "
        f"{scatter:.2f} deg from hold to hold (chi2 {chi2:.0f} at {dof} degrees of freedom)"
    )
    if chance < _UNLIKELY:
        hold = holds[usable[worst]]
        words += (
            f": more than their noise explains, most in the {hold.kind} hold from {hold.start:.0f} s. Mount, "
            "attitude filter or airspeed is off there; the moments rest on specific force"
        )
    return Agreement(offset, float(weight.sum() ** -0.5), difference, std, chi2, dof, chance, words)


def _part(sortie: Sortie, hold: Hold, column: Array) -> Array:
    time = sortie.time
    return column[np.searchsorted(time, hold.start) : np.searchsorted(time, hold.end, side="right")]


def _records(sortie: Sortie, hold: Hold, channels: Sequence[Array], names: Sequence[str]) -> Array:
    """Return averages over one period each, shape (n, m), gaps bridged."""
    block = max(1, round(_PERIOD * sortie.rate))
    columns = []
    for name, channel in zip(names, channels, strict=True):
        values = _part(sortie, hold, channel)
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
    usable = [i for i, h in enumerate(holds) if np.isfinite(_part(sortie, h, column)).mean() > 0.5]
    if not usable:
        return empty, empty
    records = [_records(sortie, holds[i], [column], [name]) for i in usable]
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
        part = _part(sortie, hold, column)
        out.append(float(np.nanmean(part)) if np.isfinite(part).any() else np.nan)
    return np.array(out)
