"""Wind and true airspeed from ground velocity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..channels import GRAVITY
from .circle import CircleFit, fit_wind_circle

__all__ = ["CircleFit", "WindFit", "estimate_wind", "fit_wind_circle"]

Array = NDArray[np.float64]

_BLOCK = 2.0  # [s] length of the averages that are fitted
_HUBER = 2.0  # residuals beyond this many standard deviations count less
_POWER_SPEED_STD = 0.7  # [m/s] change of trim speed from no thrust to the most
_GROUP_SPEED_STD = 0.2  # [m/s] how far the trim speed of a power setting strays from that line
_TREND_SPEED_STD = 0.3  # [m/s] how far it strays over a flight, by fuel
_TURN_FACTOR, _TURN_FACTOR_STD = 0.5, 0.5  # V = V_s (1 + factor (n - 1)); sqrt(n) has 0.5
_LONGEST_MEMORY, _SHORTEST_MEMORY = 60.0, 1.0  # [s] of the gusts
_WORST_WIND_STD = 1.0  # [m/s] beyond which the wind counts as not found
_TREND_CHI2 = 13.8  # 2 degrees of freedom, p = 0.001
_TREND_SMALLEST = 0.25  # [m/s] rms change of wind worth following
_PIECE = 2_048  # blocks multiplied at once: of more, a library may make work for several threads
_GPS_SPEED_STD = 0.05  # [m/s] of a mean


@dataclass(frozen=True)
class WindFit:
    """Wind and trim speeds fitted to a whole sortie.

    Attributes
    ----------
    found : bool
        Whether the headings flown determine the wind.
    mean : ndarray, shape (2,)
        Mean wind (north, east) over the samples used [m/s].
    covariance : ndarray, shape (2, 2)
        Of the mean wind [(m/s)^2], corrected for the memory of the gusts.
    wind_north, wind_east : ndarray, shape (n,)
        Wind along the flight [m/s]; constant unless a change was significant.
    modelled : ndarray, shape (n,)
        Airspeed that the fitted trim speeds give, corrected for density and load factor [m/s].
    group_speed : ndarray, shape (g,)
        Trim speed of each power group [m/s], at the mean density, straight and level.
    airspeed_std : float
        Standard uncertainty of airspeed over the flight [m/s]: by that of the wind along the headings
        flown, or by that of the trim speeds, whichever is larger.
    gust : float
        Standard deviation of the residuals of 2 s averages [m/s].
    memory : float
        Correlation time of the residuals [s].
    turn_factor : float
        c in V = V_s [1 + c (n - 1)], with load factor n; 0.5 is the square-root law.
    blocks : int
        How many 2 s averages were used.
    sectors : int
        How many of twelve 30 degree sectors of air heading hold at least 10 s.
    trend : str
        ``none``, ``time`` or ``height``: what the wind was found to change with.
    words : str
        What was done, with the figures.
    """

    found: bool
    mean: Array
    covariance: Array
    wind_north: Array
    wind_east: Array
    modelled: Array
    group_speed: Array
    airspeed_std: float
    gust: float
    memory: float
    turn_factor: float
    blocks: int
    sectors: int
    trend: str
    words: str


@dataclass(frozen=True)
class _Blocks:
    """Averages over blocks."""

    time: Array
    north: Array
    east: Array
    climb: Array
    turn: Array
    shape: Array
    height: Array
    group: NDArray[np.int64]
    rpm: Array


def estimate_wind(
    time: Array,
    velocity_north: Array,
    velocity_east: Array,
    *,
    use: NDArray[np.bool_],
    climb: Array | None = None,
    density: Array | None = None,
    turn_rate: Array | None = None,
    height: Array | None = None,
    groups: NDArray[np.int64] | None = None,
    rpm: Array | None = None,
    relative_airspeed: Array | None = None,
    expected_speed: float = 11.0,
    expected_speed_std: float = 2.5,
) -> WindFit:
    r"""Estimate the mean wind and the trim speeds of a sortie from ground velocity.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Even time base [s].
    velocity_north, velocity_east : ndarray, shape (n,)
        Ground velocity [m/s]; NaN in gaps.
    use : ndarray of bool, shape (n,)
        Samples in flight.
    climb : ndarray, shape (n,), optional
        Rate of climb [m/s]; 0 where it is not given.
    density : ndarray, shape (n,), optional
        Air density [kg/m^3].
    turn_rate : ndarray, shape (n,), optional
        Turn rate [rad/s], for the load factor; from the air track where it is not given.
    height : ndarray, shape (n,), optional
        Height [m], to test for a change of wind with it.
    groups : ndarray of int, shape (n,), optional
        Power groups, see :func:`flightproc.sortie.engine.power_groups`; each has a trim speed of its own, -1
        is left out.
    rpm : ndarray, shape (n,), optional
        Engine speed [1/min]: trim speeds then lie near a line in its square, as thrust does.
    relative_airspeed : ndarray, shape (n,), optional
        Airspeed by a pitot of unknown scale [m/s]. Given: it replaces the model of trim speed, and
        ``group_speed[0]`` is its scale.
    expected_speed, expected_speed_std : float
        What is known of the trim speed beforehand [m/s]; with headings enough it hardly counts.

    Returns
    -------
    WindFit

    Notes
    -----
    .. math:: |\mathbf v_g - \mathbf W|^2 + \dot h^2 = V^2,\qquad
       V = (V_0 + a\,T_g + d_g + b\,t)\sqrt{\bar\rho/\rho}\,[1 + c\,(n - 1)],\qquad
       n = \sqrt{1 + (V\dot\psi/g)^2}

    fitted to averages over 2 s by iteratively reweighted Gauss-Newton (Huber). Priors: V_0 as expected, a
    0 +/- 0.7 m/s with T_g the square of engine speed over its largest, d_g 0 +/- 0.2 m/s, b 0 +/- 0.3 m/s
    over the flight, c 0.5 +/- 0.5 (brakes used in a turn move it). Residuals are gusts along the flight
    path, a first-order Markov process s^2 exp(-t / tau), with tau and s by restricted likelihood. The
    covariance is :math:`N^{-1}(J^T\Omega J/(s^2f)^2 + P)N^{-1}` with N the normal matrix, P the priors and
    f the inflation by memory; Omega lets gusts keep their direction over ground, or along the path,
    whichever is worse. A linear change of the wind with time, then with height, is kept only where it is
    significant (p < 0.001) and larger than 0.25 m/s rms. The wind counts as found where its largest standard
    uncertainty stays below 1 m/s and the air headings reach into at least four of twelve sectors.

    References
    ----------
    .. [1] P. J. Huber, Robust Statistics, 1981, chapter 7.
    .. [2] D. A. Harville, Journal of the American Statistical Association 72 (1977), 320-338 (restricted
       likelihood).
    """
    n = time.size
    blocks = _block_means(
        time,
        velocity_north,
        velocity_east,
        use,
        climb,
        density,
        turn_rate,
        height,
        groups,
        rpm,
        relative_airspeed,
    )
    pitot = relative_airspeed is not None
    if blocks.time.size < 15:
        return _not_found(n, "less than 30 s of steady flight with ground velocity", blocks.time.size)
    expected = (1.0, 0.3) if pitot else (expected_speed, expected_speed_std)
    fit = _Fit(blocks, pitot=pitot, expected=expected)
    fit.solve()
    trend = "none"
    if fit.worst_std < _WORST_WIND_STD:
        best = fit
        for name, variable in (("time", blocks.time), ("height", blocks.height)):
            span = float(np.ptp(variable))
            if not np.isfinite(span) or span < (300.0 if name == "time" else 80.0):
                continue
            scaled = (variable - float(np.mean(variable))) / span
            trial = _Fit(blocks, pitot=pitot, expected=expected, trend=scaled)
            trial.solve()
            slope, slope_cov = trial.theta[2:4], trial.covariance[2:4, 2:4]
            chi2 = float(slope @ np.linalg.solve(slope_cov, slope))
            rms = float(np.hypot(*slope) * np.std(scaled))
            better = best.trend is None or trial.gust < best.gust
            if chi2 > _TREND_CHI2 and rms > _TREND_SMALLEST and better and trial.worst_std < _WORST_WIND_STD:
                best, trend = trial, name
        fit = best
    wind_n, wind_e = np.full(n, fit.theta[0]), np.full(n, fit.theta[1])
    if trend != "none":
        variable = time if trend == "time" else np.asarray(height, dtype=float)
        base = blocks.time if trend == "time" else blocks.height
        good = np.isfinite(variable)
        filled = np.interp(time, time[good], variable[good])
        scaled = np.clip((filled - float(np.mean(base))) / float(np.ptp(base)), -1.0, 1.0)
        wind_n = wind_n + fit.theta[2] * scaled
        wind_e = wind_e + fit.theta[3] * scaled
    # a short arc in gusts passes for a small circle: hold the speed to what is expected for the count
    pinned = fit
    if not pitot:
        pinned = _Fit(blocks, pitot=False, expected=(expected_speed, 0.1 * expected_speed_std))
        pinned.solve()
    sectors = _sectors(pinned)
    found = fit.worst_std < _WORST_WIND_STD and sectors >= 4
    covariance = fit.covariance[:2, :2]
    direction = fit.direction
    along = np.einsum("ij,jk,ik->i", direction, covariance, direction)
    seen = fit.jacobian[:, fit.start :]
    trim = np.einsum("ij,jk,ik->i", seen, fit.covariance[fit.start :, fit.start :], seen)
    std = float(np.sqrt(max(np.mean(along), np.mean(trim)) + _GPS_SPEED_STD**2))
    words = (
        f"circle fit to {fit.n} averages of {_BLOCK:.0f} s in {sectors} of 12 heading sectors, "
        f"residual {fit.gust:.2f} m/s with a memory of {fit.memory:.0f} s"
    )
    if trend != "none":
        words += f", wind changing with {trend}"
    if not found:
        words += (
            f"; standard uncertainty of the wind up to {fit.worst_std:.1f} m/s: the headings flown do not "
            "determine it"
        )
    return WindFit(
        found=found,
        mean=fit.theta[:2].copy(),
        covariance=covariance.copy(),
        wind_north=wind_n,
        wind_east=wind_e,
        modelled=fit.model(time, density, turn_rate, groups, relative_airspeed),
        group_speed=fit.group_speed,
        airspeed_std=std,
        gust=fit.gust,
        memory=fit.memory,
        turn_factor=fit.turn_factor,
        blocks=fit.n,
        sectors=sectors,
        trend=trend,
        words=words,
    )


def _not_found(n: int, words: str, blocks: int) -> WindFit:
    nothing = np.full(n, np.nan)
    return WindFit(
        found=False,
        mean=np.full(2, np.nan),
        covariance=np.full((2, 2), np.nan),
        wind_north=nothing,
        wind_east=nothing,
        modelled=nothing,
        group_speed=np.full(1, np.nan),
        airspeed_std=float("nan"),
        gust=float("nan"),
        memory=float("nan"),
        turn_factor=float("nan"),
        blocks=blocks,
        sectors=0,
        trend="none",
        words=words,
    )


def _block_means(
    time: Array,
    north: Array,
    east: Array,
    use: NDArray[np.bool_],
    climb: Array | None,
    density: Array | None,
    turn_rate: Array | None,
    height: Array | None,
    groups: NDArray[np.int64] | None,
    rpm: Array | None,
    relative: Array | None,
) -> _Blocks:
    rate = 1.0 / float(np.median(np.diff(time)))
    size = max(1, round(_BLOCK * rate))
    count = time.size // size

    def fold(x: Array) -> Array:
        return np.asarray(x[: count * size].reshape(count, size), dtype=float)

    ones = np.ones(time.size)
    rise = np.zeros(time.size) if climb is None else climb
    shape = ones if density is None else np.sqrt(np.nanmean(np.where(use, density, np.nan)) / density)
    if relative is not None:
        shape = relative
    group = np.zeros(time.size) if groups is None else groups.astype(float)
    columns = [fold(x) for x in (time, north, east, rise, shape, group)]
    ok = np.all([np.isfinite(c).all(axis=1) for c in columns], axis=0)
    ok &= fold(use.astype(float)).all(axis=1)
    ok &= (np.ptp(columns[5], axis=1) == 0) & (columns[5].min(axis=1) >= 0)
    turn = np.full(count, np.nan) if turn_rate is None else np.mean(np.nan_to_num(fold(turn_rate)), axis=1)
    level = np.full(count, np.nan) if height is None else np.mean(fold(height), axis=1)
    t, vn, ve, vz, s, g = (c.mean(axis=1)[ok] for c in columns)
    speed = np.zeros(count) if rpm is None else np.mean(np.nan_to_num(fold(rpm)), axis=1)
    return _Blocks(t, vn, ve, vz, turn[ok], s, level[ok], np.rint(g).astype(np.int64), speed[ok])


class _Fit:
    """The robust Gauss-Newton fit of wind and trim speeds to block means."""

    def __init__(
        self,
        blocks: _Blocks,
        *,
        pitot: bool,
        expected: tuple[float, float],
        trend: Array | None = None,
    ) -> None:
        self.blocks = blocks
        self.pitot = pitot
        self.trend = trend
        self.n = blocks.time.size
        self.labels = np.unique(blocks.group) if not pitot else np.array([0])
        self.slot = (
            np.searchsorted(self.labels, blocks.group) if not pitot else np.zeros(self.n, dtype=np.int64)
        )
        self.start = 2 if trend is None else 4
        many = 0 if pitot or self.labels.size < 2 else self.labels.size
        self.many = many
        # thrust goes with the square of engine speed
        thrust = np.array([float(np.mean(blocks.rpm[blocks.group == label] ** 2)) for label in self.labels])
        self.thrust = thrust / max(float(np.max(thrust)), 1.0) if many else thrust
        # theta: wind n, e (, slopes n, e), V0, d_g..., (power, drift, turn factor)
        self.size = self.start + 1 + many + (0 if pitot else 3)
        prior = np.zeros(self.size)
        self.prior_mean = np.zeros(self.size)
        prior[self.start + 1 : self.start + 1 + many] = _GROUP_SPEED_STD**-2
        self.prior_mean[self.start] = expected[0]
        prior[self.start] = expected[1] ** -2
        if not pitot:
            prior[-3] = _POWER_SPEED_STD**-2
            prior[-2] = _TREND_SPEED_STD**-2
            prior[-1] = _TURN_FACTOR_STD**-2
            self.prior_mean[-1] = _TURN_FACTOR
        self.prior = prior
        self.age = (blocks.time - float(np.mean(blocks.time))) / max(float(np.ptp(blocks.time)), 1.0)
        self.theta = np.zeros(self.size)
        self.covariance = np.full((self.size, self.size), np.inf)
        self.gust = self.memory = float("nan")
        self.direction = np.zeros((self.n, 2))
        self.jacobian = np.zeros((self.n, self.size))
        self.worst_std = float("inf")

    @property
    def turn_factor(self) -> float:
        return float("nan") if self.pitot else float(self.theta[-1])

    @property
    def group_speed(self) -> Array:
        speed = self.theta[self.start]
        if not self.many:
            return np.array([speed])
        own = self.theta[self.start + 1 : self.start + 1 + self.many]
        return np.asarray(speed + own + self.theta[-3] * self.thrust, dtype=float)

    def _turning(self, theta: Array, turn: Array) -> Array:
        """Load factor less one, from the turn rate."""
        return np.asarray(np.sqrt(1.0 + (theta[self.start] * turn / GRAVITY) ** 2) - 1.0, dtype=float)

    def solve(self) -> None:
        """Iterate: linearise, weigh the whitened residuals, step; the memory of the gusts every few steps."""
        b = self.blocks
        self.theta = self.prior_mean.copy()
        try:
            first = fit_wind_circle(b.north, b.east)
        except ValueError:
            first = None
        fastest = float(np.max(np.hypot(b.north, b.east)))
        if first is not None and first.wind_speed < fastest and first.airspeed < 2 * fastest:
            self.theta[:2] = first.north, first.east
        else:
            self.theta[:2] = float(np.mean(b.north)), float(np.mean(b.east))
        self.memory = 6.0
        for round_ in range(60):
            residual, jacobian = self._linearise()
            if round_ in (0, 5, 10, 15):
                self._remember(residual, jacobian)
            weight = self._weights(residual)
            normal, gradient, _ = self._normal(residual, jacobian, weight)
            step = np.linalg.lstsq(normal, gradient, rcond=1e-12)[0]
            size = float(np.max(np.abs(step)))
            self.theta = self.theta + step * min(1.0, 3.0 / max(size, 1e-12))
            if not np.isfinite(self.theta).all() or np.hypot(*self.theta[:2]) > 200.0:
                return
            if size < 1e-7 and round_ > 15:
                break
        residual, jacobian = self._linearise()
        self._remember(residual, jacobian)
        weight = self._weights(residual)
        normal, _, precision = self._normal(residual, jacobian, weight)
        inverse = np.linalg.pinv(normal, hermitian=True)
        pulled = jacobian * (weight * precision)[:, None]
        # gusts that keep their direction along the path, and gusts that keep it over ground: the worse counts
        along = pulled.T @ self._faded(pulled)
        ground = sum(
            (pulled * part).T @ self._faded(pulled * part) for part in np.split(self.direction, 2, axis=1)
        )
        middles = [np.diag(self.prior) + self.gust**2 * middle for middle in (along, ground)]
        spreads = [inverse @ middle @ inverse for middle in middles]
        self.covariance = max(spreads, key=lambda m: float(m[0, 0] + m[1, 1]))
        largest = float(np.linalg.eigvalsh(self.covariance[:2, :2])[-1])
        self.worst_std = float(np.sqrt(largest)) if largest >= 0 and np.isfinite(largest) else float("inf")

    def _faded(self, rows: Array) -> Array:
        """Return rows, shape (n, m), added up with weights that fade with the time between blocks.

        The matrix exp(-|t_i - t_j| / memory) has a tridiagonal inverse (Rybicki and Press, Physical Review
        Letters 74 (1995), 1060-1063).
        """
        from scipy.linalg import solveh_banded

        keep = np.exp(-np.diff(self.blocks.time) / self.memory)
        lost = 1.0 / (1.0 - keep**2)
        band = np.zeros((2, self.n))
        band[1] = 1.0
        band[1, :-1] += keep**2 * lost
        band[1, 1:] += keep**2 * lost
        band[0, 1:] = -keep * lost
        return np.asarray(solveh_banded(band, rows), dtype=float)

    def _normal(self, residual: Array, jacobian: Array, weight: Array) -> tuple[Array, Array, float]:
        """Return the normal matrix and gradient with the priors, and the precision of one block."""
        kept = float(np.exp(-_BLOCK / self.memory))
        precision = (1.0 - kept) / (1.0 + kept) / max(self.gust, 1e-3) ** 2
        normal = jacobian.T @ (weight[:, None] * jacobian) * precision + np.diag(self.prior)
        pull = self.prior * (self.prior_mean - self.theta)
        return normal, jacobian.T @ (weight * residual) * precision + pull, precision

    @staticmethod
    def _weights(white: Array) -> Array:
        size = np.abs(white)
        scale = np.maximum(1.4826 * np.median(size, axis=-1, keepdims=True), 1e-4)
        return np.asarray(np.minimum(1.0, _HUBER * scale / np.maximum(size, 1e-12)), dtype=float)

    def _remember(self, residual: Array, jacobian: Array) -> None:
        """Find memory and size of the gusts by restricted likelihood, averaged over what memory may be."""
        grid = np.geomspace(_SHORTEST_MEMORY, _LONGEST_MEMORY, 13)
        # the part that the block before foretells is taken out of residuals and rows, for each memory
        keep = np.exp(-np.diff(self.blocks.time) / grid[:, None])
        scale = 1.0 / np.sqrt(1.0 - keep**2)
        both = np.column_stack([jacobian, residual]).T
        white = np.repeat(both[None], grid.size, axis=0)
        white[:, :, 1:] = (both[:, 1:] - keep[:, None, :] * both[:, :-1]) * scale[:, None, :]
        weight = self._weights(white[:, -1])
        # all that is needed of the weighted rows are their products
        products = np.zeros((grid.size, both.shape[0], both.shape[0]))
        for start in range(0, self.n, _PIECE):
            part = white[:, :, start : start + _PIECE]
            products += (part * weight[:, None, start : start + _PIECE]) @ np.swapaxes(part, 1, 2)
        size, penalised, lead = self._levels(products)
        logdet = -2.0 * np.sum(np.log(scale), axis=1)
        likelihood = -0.5 * (2.0 * self.n * np.log(size) + logdet + penalised - lead)
        chance = grid * np.exp(likelihood - np.max(likelihood))  # memory evenly likely beforehand
        chance /= chance.sum()
        self.memory = float(chance @ grid)
        self.gust = float(np.sqrt(chance @ size**2))

    def _levels(self, products: Array) -> tuple[Array, Array, Array]:
        """Fit whitened residuals, given by products of rows and residuals with each other, for each memory.

        Returns their scale, the penalised sum and the log determinant of the covariance.
        """
        normal, gradient, square = products[:, :-1, :-1], products[:, :-1, -1], products[:, -1, -1]
        pull = self.prior * (self.prior_mean - self.theta)
        prior = np.diag(self.prior)
        first = np.maximum(square / self.n, 1e-6)
        # axes in which both parts of the normal matrix are diagonal: 1 - c and c of it at the first variance
        whole, axes = np.linalg.eigh(normal / first[:, None, None] + prior)
        kept = whole > 1e-15 * whole[:, -1:]
        axes *= (np.where(kept, whole, np.inf) ** -0.5)[:, None, :]
        known, turned = np.linalg.eigh(np.swapaxes(axes, 1, 2) @ prior @ axes)
        axes = axes @ turned
        seen = 1.0 - known
        along = np.einsum("kij,ki->kj", axes, gradient)
        pulled = np.einsum("kij,i->kj", axes, pull)
        variance = first
        for _ in range(8):
            ratio = (first / variance)[:, None]
            size = 1.0 / (ratio * seen + known)
            step = size * (along / variance[:, None] + pulled)
            total = square - np.sum(step * (2.0 * along - first[:, None] * seen * step), axis=1)
            spent = np.sum(ratio * seen * size, axis=1) - np.sum(~kept, axis=1)
            variance = np.maximum(total / np.maximum(self.n - spent, 1.0), 1e-6)
        off = self.prior_mean - self.theta - np.einsum("kij,kj->ki", axes, step)
        lead = np.sum(np.log(size), axis=1) - np.sum(np.log(np.where(kept, whole, 1.0)), axis=1)
        penalised = total / variance + np.sum(self.prior * off**2, axis=1)
        return np.sqrt(variance), penalised, np.where(kept.all(axis=1), lead, -1e3)

    def _linearise(self) -> tuple[Array, Array]:
        """Return observed less modelled airspeed, and the derivatives of the model less the observation."""
        b, theta = self.blocks, self.theta
        turn = b.turn
        wind_n, wind_e = theta[0], theta[1]
        if self.trend is not None:
            wind_n = wind_n + theta[2] * self.trend
            wind_e = wind_e + theta[3] * self.trend
        air_n, air_e = b.north - wind_n, b.east - wind_e
        observed = np.maximum(np.sqrt(air_n**2 + air_e**2 + b.climb**2), 1e-6)
        self.direction = np.column_stack([air_n, air_e]) / observed[:, None]
        speed = self.group_speed[self.slot] if self.many else np.full(self.n, theta[self.start])
        jacobian = np.zeros((self.n, self.size))
        jacobian[:, :2] = self.direction
        if self.trend is not None:
            jacobian[:, 2:4] = self.direction * self.trend[:, None]
        if self.pitot:
            factor = b.shape
            modelled = speed * factor
        else:
            lost = ~np.isfinite(turn)
            if lost.any():
                turn = np.where(lost, self._track_rate(air_n, air_e), turn)
            load = self._turning(theta, turn)
            bend = 1.0 + theta[-1] * load
            factor = b.shape * bend
            modelled = (speed + theta[-2] * self.age) * factor
            jacobian[:, -2] = self.age * factor
            jacobian[:, -1] = (speed + theta[-2] * self.age) * b.shape * load
        jacobian[:, self.start] = factor
        if self.many:
            jacobian[np.arange(self.n), self.start + 1 + self.slot] = factor
            jacobian[:, -3] = factor * self.thrust[self.slot]
        self.jacobian = jacobian
        return observed - modelled, jacobian

    def _track_rate(self, air_n: Array, air_e: Array) -> Array:
        track = np.unwrap(np.arctan2(air_e, air_n))
        rate = np.gradient(track, self.blocks.time)
        apart = np.gradient(self.blocks.time) > 1.5 * _BLOCK
        return np.where(apart, 0.0, rate)

    def model(
        self,
        time: Array,
        density: Array | None,
        turn_rate: Array | None,
        groups: NDArray[np.int64] | None,
        relative: Array | None,
    ) -> Array:
        """Modelled airspeed at all samples, groups bridged where there is none."""
        if relative is not None:
            return np.asarray(self.theta[self.start] * relative, dtype=float)
        b = self.blocks
        shape = np.ones(time.size)
        if density is not None:
            inside = (time >= b.time[0] - _BLOCK) & (time <= b.time[-1] + _BLOCK)
            shape = np.sqrt(np.nanmean(density[inside]) / density)
        speeds = self.group_speed
        if groups is None or not self.many:
            speed = np.full(time.size, speeds[0])
        else:
            slot = np.searchsorted(self.labels, np.clip(groups, self.labels[0], self.labels[-1]))
            slot = np.clip(slot, 0, self.labels.size - 1)
            known = (groups >= 0) & (self.labels[slot] == groups)
            speed = np.interp(time, time[known], speeds[slot[known]])
        age = np.clip((time - float(np.mean(b.time))) / max(float(np.ptp(b.time)), 1.0), -0.6, 0.6)
        turn = np.zeros(time.size) if turn_rate is None else np.nan_to_num(turn_rate)
        bend = 1.0 + self.theta[-1] * self._turning(self.theta, turn)
        return np.asarray((speed + self.theta[-2] * age) * shape * bend, dtype=float)


def _sectors(fit: _Fit) -> int:
    """Return how many of twelve sectors of air heading hold at least 10 s."""
    heading = np.arctan2(fit.direction[:, 1], fit.direction[:, 0])
    count, _ = np.histogram(heading, np.linspace(-np.pi, np.pi, 13))
    return int(np.sum(count * _BLOCK >= 10.0))
