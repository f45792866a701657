"""How much an autocorrelated average is worth."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["autocovariance", "effective_size", "variance_of_mean"]


def effective_size(n: int, correlation: float, *, exact: bool = True) -> float:
    r"""Return the number of independent samples that a mean over an AR(1) series is worth.

    Parameters
    ----------
    n : int
        Number of samples, at least 1.
    correlation : float
        Correlation of neighbouring samples, above -1 and below 1.
    exact : bool
        Whether to use the finite sum; the asymptotic form otherwise.

    Returns
    -------
    float
        Effective number of samples.

    Raises
    ------
    ValueError
        If ``n`` or ``correlation`` is out of range.

    Notes
    -----
    The variance of the mean of a stationary series is
    :math:`\sigma^2/n\,[1 + 2\sum_{k=1}^{n-1}(1-k/n)\rho_k]`. With :math:`\rho_k = \rho^k` the sum is

    .. math:: \frac{n}{n_\mathrm{eff}} = \frac{1+\rho}{1-\rho} - \frac{2\rho(1-\rho^n)}{n(1-\rho)^2},

    whose first term alone is the asymptotic form.

    References
    ----------
    .. [1] G. E. P. Box, G. M. Jenkins, G. C. Reinsel, Time Series Analysis, 3rd ed., 1994, section 2.1.

    Examples
    --------
    >>> round(effective_size(1000, 0.9), 2), round(effective_size(1000, 0.9, exact=False), 2)
    (53.13, 52.63)
    """
    if n < 1:
        raise ValueError(f"n must be at least 1, found {n}")
    if not -1.0 < correlation < 1.0:
        raise ValueError(f"the correlation must lie between -1 and 1, found {correlation}")
    ratio = (1.0 + correlation) / (1.0 - correlation)
    if exact:
        ratio -= 2.0 * correlation * (1.0 - correlation**n) / (n * (1.0 - correlation) ** 2)
    return float(n / ratio)


def autocovariance(x: ArrayLike, lags: int, *, mean: float | None = None) -> NDArray[np.float64]:
    """Return the sample autocovariance of an evenly sampled series.

    Parameters
    ----------
    x : array_like, shape (n,)
        Series; samples that are not finite are left out pair by pair.
    lags : int
        Largest lag; less than ``n``.
    mean : float, optional
        Known mean (0 for the residuals of a fit); the sample mean where it is not given.

    Returns
    -------
    ndarray, shape (lags + 1,)
        Autocovariance at lags 0 to ``lags``: the sum over the pairs present divided by the number of
        samples present (for a series without gaps, the biased estimator, which is positive definite).
    """
    values = np.asarray(x, dtype=float)
    if not 0 <= lags < values.size:
        raise ValueError(f"lags must lie between 0 and {values.size - 1}, found {lags}")
    good = np.isfinite(values)
    count = int(good.sum())
    if count == 0:
        raise ValueError("the series holds no finite sample")
    centred = np.where(good, values, 0.0)
    centred = np.where(good, centred - (centred.sum() / count if mean is None else mean), 0.0)
    size = 1 << int(2 * values.size - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    sums = np.fft.irfft(spectrum * np.conj(spectrum), size)[: lags + 1]
    return np.asarray(sums / count, dtype=float)


def variance_of_mean(covariance: ArrayLike, n: int) -> float:
    """Return the variance of the mean of ``n`` even samples with a given autocovariance.

    Parameters
    ----------
    covariance : array_like, shape (m,)
        Autocovariance at lags 0, 1, ...; taken as 0 beyond the last.
    n : int
        Number of samples in the mean.

    Returns
    -------
    float
        Variance of the mean, in the square of the series' unit.

    Notes
    -----
    Exact for a known autocovariance. An autocovariance estimated from the very stretch that is averaged
    sums to nearly nothing and makes the mean look far too certain; take it from a model or from more data.

    Examples
    --------
    >>> variance_of_mean([4.0], 16)
    0.25
    """
    gamma = np.asarray(covariance, dtype=float)[:n]
    lag = np.arange(gamma.size)
    weight = np.where(lag == 0, 1.0, 2.0 * (1.0 - lag / n))
    return float(np.sum(weight * gamma) / n)
