"""Torque curves through rig points: three laws, what the points support, and the band between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..display import displayed
from ..errors import RigError
from ..statistics.fit import fit_curve
from .model import RigCurve, TorqueFit

__all__ = [
    "TorqueBand",
    "choose_fit",
    "evaluate_fit",
    "fit_gradient",
    "fit_probability",
    "fit_torque",
    "predict_band",
    "predict_torque",
]

Array = NDArray[np.float64]

_COVERAGE_95 = 1.959963984540054
REFUSED = 0.01
"""Probability of a worse chi^2 below which a fit is refused."""

_WORTH = 4.0  # fall of chi^2 (or twice that of AICc) that buys one more coefficient


def fit_torque(
    rpm: ArrayLike,
    torque: ArrayLike,
    std: ArrayLike,
    *,
    rpm_std: ArrayLike = 0.0,
    common: ArrayLike | None = None,
    scale_std: float = 0.0,
) -> tuple[TorqueFit, ...]:
    """Fit k n^2, k n^p and a + b n + c n^2 with n = rpm / 1000.

    Parameters
    ----------
    rpm, torque : array_like, shape (n,)
        Engine speed [1/min], above zero, and torque [N m].
    std : array_like, shape (n,)
        Standard uncertainty of the torque, the part independent between points [N m].
    rpm_std : array_like, shape (n,)
        Standard uncertainty of the engine speed [1/min].
    common : array_like, shape (m, n), optional
        Signed errors of one standard deviation that shift all points together, one row a source [N m].
    scale_std : float
        Relative standard uncertainty of a factor common to all points (spacing).

    Returns
    -------
    tuple of TorqueFit
        Those that have no more coefficients than there are different engine speeds.

    Raises
    ------
    RigError
        Without a point, or with an uncertainty that is not above zero.

    Notes
    -----
    Weights and chi^2 use the variance u^2 + (dQ/dn)^2 u_n^2 + the squares of the common errors (effective
    variance [1]_, with the slope of the power law for all three, so that their chi^2 compare). The common
    errors do not enter as correlations there, since a large common error would let the curve leave the
    points [2]_; they act with full correlation on the covariance of the coefficients, A V A^T with A the
    estimator and V the whole covariance of the points. AICc = chi^2 + 2 p + 2 p (p + 1) / (n - p - 1)
    [3]_. The covariance is multiplied by chi^2 / dof where that exceeds one.

    References
    ----------
    .. [1] J. Orear, Least squares when both variables have uncertainties, American Journal of Physics 50,
       1982, 912-916.
    .. [2] G. D'Agostini, On the use of the covariance matrix to fit correlated data, Nuclear Instruments and
       Methods A 346, 1994, 306-311.
    .. [3] K. P. Burnham, D. R. Anderson, Model Selection and Multimodel Inference, 2nd ed., 2002, ch. 2.

    Examples
    --------
    >>> fits = fit_torque([5500, 6500, 8450], [8.38, 14.35, 26.83], [0.42, 0.72, 1.34])
    >>> [(fit.name, fit.dof) for fit in fits]
    [('square', 2), ('power', 1), ('quadratic', 0)]
    >>> round(float(fits[1].coefficients[1]), 2)
    2.68
    """
    n = np.atleast_1d(np.asarray(rpm, dtype=float)) / 1000.0
    q = np.atleast_1d(np.asarray(torque, dtype=float))
    u = np.broadcast_to(np.asarray(std, dtype=float), q.shape)
    un = np.broadcast_to(np.asarray(rpm_std, dtype=float), q.shape) / 1000.0
    if not n.size or n.shape != q.shape:
        raise RigError("there is no rig point to fit", found=n.size, allowed="one or more")
    if not np.all(np.isfinite(n) & np.isfinite(q) & (n > 0.0)):
        raise RigError("rig points must be finite, at engine speeds above 0", found=(n * 1000.0).tolist())
    rows = np.zeros((0, n.size)) if common is None else np.atleast_2d(np.asarray(common, dtype=float))
    speeds = np.unique(n).size

    k, p = _rough_power(n, q)
    for _ in range(3):
        slope = k * p * n ** (p - 1.0)
        own = u**2 + (slope * un) ** 2
        if not np.all(np.isfinite(own) & (own > 0.0)):
            raise RigError(
                "a rig point has no uncertainty",
                found=np.sqrt(own).tolist(),
                allowed="above 0 N m",
                hint="give the swing, the resolution or the calibration of the scales",
            )
        weight = 1.0 / np.sqrt(own + np.sum(rows**2, axis=0))
        if speeds < 2 or not np.any(un):
            break
        (k, p), _ = _fit_power(n, q, weight)
    # V of the weighted points: unit but for the common errors, which the diagonal holds already.
    shared = rows * weight
    whole = np.diag(own * weight**2) + shared.T @ shared
    square, full = n[:, None] ** 2, n[:, None] ** np.arange(3.0)
    fits = [_linear_fit("square", square, n, q, weight, whole, scale_std)]
    if speeds >= 2:
        (k, p), jacobian = _fit_power(n, q, weight)
        fits.append(_finish("power", np.array([k, p]), jacobian, n, q, weight, whole, scale_std))
    if speeds >= 3:
        fits.append(_linear_fit("quadratic", full, n, q, weight, whole, scale_std))
    return tuple(fits)


def _rough_power(n: Array, q: Array) -> tuple[float, float]:
    """Start of the power law from logarithms, kept within reason."""
    good = q > 0.0
    if np.unique(n[good]).size < 2:
        return float(np.sum(q * n**2) / np.sum(n**4)), 2.0
    x, y = np.log(n[good]), np.log(q[good])
    p = float(np.clip(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2), 0.5, 6.0))
    return float(np.sum(q * n**p) / np.sum(n ** (2.0 * p))), p


def _fit_power(n: Array, q: Array, weight: Array) -> tuple[tuple[float, float], Array]:
    """Return k and p of the power law, and the derivatives of the weighted torques by them."""
    # k refers to the middle of the points while fitting: then k and p hardly correlate.
    middle = math.exp(float(np.mean(np.log(n))))
    k, p = _rough_power(n, q)

    def slope(log: Array, x: Array) -> Array:
        power = np.exp(x[1] * log)
        return np.column_stack([power, x[0] * power * log])

    try:
        fit = fit_curve(
            lambda log, x: x[0] * np.exp(x[1] * log),
            np.log(n / middle),
            q,
            [k * middle**p, p],
            std=1.0 / weight,
            derivatives=slope,
        )
    except ValueError:  # no torque at all leaves the exponent open: the rough one stays
        pass
    else:
        p = float(fit.parameters[1])
        k = float(fit.parameters[0]) * middle ** (-p)
    power = weight * n**p
    return (k, p), np.column_stack([power, k * power * np.log(n)])


def _linear_fit(
    name: str, design: Array, n: Array, q: Array, weight: Array, whole: Array, scale_std: float
) -> TorqueFit:
    x = design * weight[:, None]
    size = np.linalg.norm(x, axis=0)
    coefficients = np.linalg.lstsq(x / size, weight * q, rcond=None)[0] / size
    return _finish(name, coefficients, x, n, q, weight, whole, scale_std)


def _finish(
    name: str,
    coefficients: Array,
    jacobian: Array,
    n: Array,
    q: Array,
    weight: Array,
    whole: Array,
    scale_std: float,
) -> TorqueFit:
    """Make the fit with its covariance; ``whole`` is the covariance of the weighted points."""
    size = np.linalg.norm(jacobian, axis=0)
    size[size == 0.0] = 1.0
    estimator = np.linalg.pinv(jacobian / size) / size[:, None]
    covariance = estimator @ whole @ estimator.T
    chi2 = float(np.sum((weight * (evaluate_fit(name, coefficients, n * 1000.0) - q)) ** 2))
    p = coefficients.size
    dof, spare = q.size - p, q.size - p - 1
    if dof > 0:
        covariance = covariance * max(chi2 / dof, 1.0)
    factor = np.array([coefficients[0], 0.0]) if name == "power" else coefficients
    covariance = covariance + scale_std**2 * np.outer(factor, factor)
    aicc = chi2 + 2.0 * p + 2.0 * p * (p + 1.0) / spare if spare > 0 else None
    words = _fit_words(name, coefficients, covariance, chi2, dof, n, q)
    return TorqueFit(name, coefficients, covariance, chi2, dof, aicc, words)


def _fit_words(
    name: str, coefficients: Array, covariance: Array, chi2: float, dof: int, n: Array, q: Array
) -> str:
    if dof <= 0:
        return "as many coefficients as points: it passes through them whatever they are and confirms nothing"
    off = (evaluate_fit(name, coefficients, n * 1000.0) - q) / np.where(q == 0.0, np.nan, np.abs(q))
    worst = int(np.nanargmax(np.abs(off))) if np.any(np.isfinite(off)) else 0
    chance = _chance(chi2, dof)
    verdict = "the points refuse it" if chance < REFUSED else "the points allow it"
    head = f"exponent {coefficients[1]:.2f} ± {math.sqrt(covariance[1, 1]):.2f}; " if name == "power" else ""
    return (
        f"{head}chi^2 {chi2:.3g} with {dof} degree{'s' if dof > 1 else ''} of freedom, {verdict}; "
        f"largest miss {100 * off[worst]:+.0f} % at {1000 * n[worst]:.0f} rpm"
    )


def _chance(chi2: float, dof: int) -> float:
    """Return the probability of a worse chi^2."""
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi2)) if dof > 0 else 1.0


def fit_probability(fit: TorqueFit) -> float | None:
    """Return the chance of a worse chi^2 if the law held; None without a degree of freedom.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> round(fit_probability(rig.chosen), 3)
    0.988
    """
    return _chance(fit.chi2, fit.dof) if fit.dof > 0 else None


def choose_fit(fits: Sequence[TorqueFit]) -> tuple[TorqueFit, tuple[str, ...]]:
    """Choose the curve for comparison and say why.

    Parameters
    ----------
    fits : sequence of TorqueFit
        As from `fit_torque`.

    Returns
    -------
    chosen : TorqueFit
        The square law, which theory expects at one airspeed, unless the points refuse it or one more
        coefficient lowers chi^2 by more than 4 (and AICc, where there is one for both).
    words : tuple of str
        The choice in words, with a warning where a curve has no degree of freedom left.

    Raises
    ------
    RigError
        Without a fit.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> choose_fit(rig.fits)[0].name
    'square'
    """
    if not fits:
        raise RigError("there is no torque curve to choose from")
    checked = [fit for fit in fits if fit.dof > 0]
    words: list[str] = []
    if not checked:
        chosen = fits[0]
        words.append(f"no torque curve could be checked: {chosen.dof} degrees of freedom are left")
    else:
        chosen = checked[0]
        for fit in checked[1:]:
            gain = chosen.chi2 - fit.chi2
            price = _WORTH * (fit.coefficients.size - chosen.coefficients.size)
            better = fit.aicc is None or chosen.aicc is None or fit.aicc < chosen.aicc
            if gain > price and better:
                chosen = fit
        if _chance(chosen.chi2, chosen.dof) < REFUSED:
            words.append(
                f"no curve with a degree of freedom left fits the rig points within their uncertainties "
                f"(chi^2 {chosen.chi2:.3g} for {chosen.dof}); the uncertainty of the curve was widened"
            )
        if chosen.name != "square":
            square = next((fit for fit in fits if fit.name == "square"), None)
            if square is not None:
                words.append(
                    f"the rig points do not follow the square law that a constant torque coefficient gives "
                    f"({square.words}); used: {_LAW[chosen.name]} ({chosen.words})"
                )
    bare = [_LAW[fit.name] for fit in fits if fit.dof <= 0]
    if bare:
        count = fits[0].dof + fits[0].coefficients.size
        verb = "have" if len(bare) > 1 else "has"
        words.append(
            f"{' and '.join(bare)} through {count} points {verb} no degree of freedom left: "
            "the agreement is by construction and confirms nothing. Measure at more engine speeds"
        )
    return chosen, tuple(words)


_LAW = {"square": "k n^2", "power": "k n^p", "quadratic": "a + b n + c n^2"}


def evaluate_fit(name: str, coefficients: Array, rpm: ArrayLike) -> Array:
    """Return the torque of a fitted law.

    Parameters
    ----------
    name : str
        As in `TorqueFit`.
    coefficients : ndarray, shape (p,)
        In the order of `TorqueFit`.
    rpm : array_like, shape (n,)
        Engine speed [1/min].

    Returns
    -------
    ndarray, shape (n,)
        [N m].

    Examples
    --------
    >>> import numpy as np
    >>> evaluate_fit("square", np.array([0.65]), [5000.0, 6000.0])
    array([16.25, 23.4 ])
    """
    n = np.asarray(rpm, dtype=float) / 1000.0
    if name == "square":
        out: Array = coefficients[0] * n**2
    elif name == "power":
        out = coefficients[0] * np.maximum(n, 0.0) ** coefficients[1]
    elif name == "quadratic":
        out = coefficients[0] + coefficients[1] * n + coefficients[2] * n**2
    else:
        raise RigError("unknown torque law", found=name, allowed=", ".join(_LAW))
    return out


def fit_gradient(fit: TorqueFit, rpm: ArrayLike) -> Array:
    """Return the derivatives of the torque by the coefficients, shape (n, p).

    Parameters
    ----------
    fit : TorqueFit
        Of any law.
    rpm : array_like, shape (n,)
        Engine speed [1/min].
    """
    n = np.atleast_1d(np.asarray(rpm, dtype=float)) / 1000.0
    if fit.name == "square":
        return n[:, None] ** 2
    if fit.name == "power":
        power = np.maximum(n, 1e-12) ** fit.coefficients[1]
        return np.column_stack([power, fit.coefficients[0] * power * np.log(np.maximum(n, 1e-12))])
    return n[:, None] ** np.arange(3.0)


@displayed
@dataclass(frozen=True)
class TorqueBand:
    """A torque curve with its uncertainty.

    Attributes
    ----------
    torque, std : ndarray, shape (n,)
        [N m].
    low95, high95 : ndarray, shape (n,)
        95 % interval [N m], not below zero.
    model_std : ndarray, shape (n,)
        The part of ``std`` that comes from not knowing which law holds [N m].
    outside : ndarray of bool, shape (n,)
        Whether the engine speed lies outside the measured range.
    words : str
        Says what was extrapolated; empty where nothing was.

    Examples
    --------
    >>> from flightproc.rig import predict_band
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> predict_band(rig, [5500.0]).outside
    array([False])
    """

    torque: Array
    std: Array
    low95: Array
    high95: Array
    model_std: Array
    outside: NDArray[np.bool_]
    words: str


def predict_band(
    curve: RigCurve, rpm: ArrayLike, density: float | None = None, *, density_std: float = 0.0
) -> TorqueBand:
    """Return the static torque with everything that makes it uncertain.

    Parameters
    ----------
    curve : RigCurve
        Of a rig day.
    rpm : array_like, shape (n,)
        Engine speed [1/min]; zero gives zero torque.
    density : float, optional
        Air density to carry the curve to [kg/m^3]; that of the rig day where it is not given.
    density_std : float
        Its standard uncertainty [kg/m^3].

    Returns
    -------
    TorqueBand

    Notes
    -----
    Torque is proportional to density. The variance is that of the coefficients, of the density ratio, and the
    mean square distance of the other laws the points allow from the chosen one. Outside the measured range a
    square law through the end of the chosen curve joins these laws; below the lowest point (idle) every law
    is held between zero and its value there.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> band = predict_band(rig, [5500.0])
    >>> band.low95.round(1), band.high95.round(1)
    (array([18.9]), array([20.2]))
    """
    speed = np.atleast_1d(np.asarray(rpm, dtype=float))
    measured = np.array([point.rpm for point in curve.points])
    low, high = float(measured.min()), float(measured.max())
    outside = ((speed < low) | (speed > high)) & (speed > 0.0)
    # A hair outside the range, as a hold's mean is, is no extrapolation.
    outside &= (speed < low * 0.995) | (speed > high * 1.005)
    turning = speed > 0.0

    def law(fit: TorqueFit) -> Array:
        value = evaluate_fit(fit.name, fit.coefficients, np.where(turning, speed, low))
        end = float(evaluate_fit(fit.name, fit.coefficients, low))
        held = np.where(speed < low, np.clip(value, 0.0, max(end, 0.0)), np.maximum(value, 0.0))
        return np.where(turning, held, 0.0)

    chosen = curve.chosen
    torque = law(chosen)
    others = [
        law(fit)
        for fit in curve.fits
        if fit.name != chosen.name and (fit.dof == 0 or _chance(fit.chi2, fit.dof) >= REFUSED)
    ]
    ends = evaluate_fit(chosen.name, chosen.coefficients, np.array([low, high]))
    end, place = np.where(speed < low, ends[0], ends[1]), np.where(speed < low, low, high)
    through_end = np.where(outside, end * (speed / place) ** 2, torque)
    total = sum(((other - torque) ** 2 for other in others), (through_end - torque) ** 2)
    model = total / np.maximum(len(others) + outside, 1)
    gradient = fit_gradient(chosen, np.where(turning, speed, low))
    variance = np.einsum("ij,jk,ik->i", gradient, chosen.covariance, gradient) + model
    variance = np.where(turning, np.maximum(variance, 0.0), 0.0)
    model = np.where(turning, model, 0.0)
    if density is not None:
        ratio = density / curve.density
        relative = math.hypot(curve.density_std / curve.density, density_std / density)
        variance = ratio**2 * (variance + (relative * torque) ** 2)
        torque, model = ratio * torque, ratio**2 * model
    std = np.sqrt(variance)
    return TorqueBand(
        torque=torque,
        std=std,
        low95=np.maximum(torque - _COVERAGE_95 * std, 0.0),
        high95=torque + _COVERAGE_95 * std,
        model_std=np.sqrt(model),
        outside=outside,
        words=_outside_words(speed[outside], low, high),
    )


def _outside_words(speed: Array, low: float, high: float) -> str:
    if not speed.size:
        return ""
    least, most = f"{speed.min():.0f}", f"{speed.max():.0f}"
    span = least if least == most else f"{least} to {most}"
    return f"the rig was run from {low:.0f} to {high:.0f} rpm; the torque at {span} rpm is extrapolated"


def predict_torque(curve: RigCurve, rpm: ArrayLike, density: float | None = None) -> tuple[Array, Array]:
    """Return torque and standard uncertainty of a rig curve; see `predict_band`.

    Parameters
    ----------
    curve, rpm, density
        As in `predict_band`.

    Returns
    -------
    torque, std : ndarray, shape (n,)
        [N m].

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> torque, std = predict_torque(rig, [5500.0], density=1.1)
    >>> torque.round(1)
    array([18.1])
    """
    band = predict_band(curve, rpm, density)
    return band.torque, band.std
