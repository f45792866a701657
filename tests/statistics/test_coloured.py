"""Regression with coloured noise: values, honest uncertainties, priors, and what the innovations tell."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from flightproc.statistics.coloured import fit_coloured, portmanteau

Array = NDArray[np.float64]
PHI = ((0.8, -0.2), (0.5, 0.3))
TRUE = np.array([1.0, 0.6])


def stretches(rng: np.random.Generator, offset: float = 0.0) -> tuple[list[Array], list[Array], list[int]]:
    """Twelve stretches of two kinds of noise about a level, with a step that differs between stretches."""
    records, designs, kinds = [], [], []
    for number in range(12):
        kind = number % 2
        white = (1.0 + kind) * rng.standard_normal(260)
        noise = lfilter([1.0], [1.0, *(-p for p in PHI[kind])], white)[60:]
        x = np.column_stack([np.ones(200), np.full(200, float(number % 3))])
        records.append(x @ TRUE + noise + offset * rng.standard_normal())
        designs.append(x)
        kinds.append(kind)
    return records, designs, kinds


@pytest.mark.synthetic
def test_uncertainties_are_honest() -> None:
    rng = np.random.default_rng(11)
    z, widened = [], 0
    for _ in range(150):
        fit = fit_coloured(*stretches(rng), orders=(1, 2, 3, 4))
        z.append((fit.coefficients - TRUE) / fit.std)
        widened += fit.widening > 1.0
    spread = np.array(z).std(axis=0)
    assert np.all(np.abs(np.mean(z, axis=0)) < 0.25)
    assert np.all((spread > 0.85) & (spread < 1.15))
    assert widened / 150 < 0.12  # asked for at 5 % by chance


@pytest.mark.synthetic
def test_each_kind_of_noise_has_its_own_model() -> None:
    rng = np.random.default_rng(12)
    fit = fit_coloured(*stretches(rng), orders=(2,))
    for found, true in zip(fit.autoregression, PHI, strict=True):
        assert np.allclose(found, true, atol=0.1)
    assert fit.innovation_std[0] == pytest.approx(1.0, rel=0.1)
    assert fit.innovation_std[1] == pytest.approx(2.0, rel=0.1)
    # at zero frequency: 2 T sigma^2 / |A(1)|^2
    phi = fit.autoregression[0]
    expected = 2 * 0.5 * fit.innovation_std[0] ** 2 / (1 - phi.sum()) ** 2
    assert fit.spectrum([0.0], 0.5)[0] == pytest.approx(expected)


@pytest.mark.synthetic
def test_levels_that_jump_between_stretches_widen_the_uncertainties() -> None:
    fit = fit_coloured(*stretches(np.random.default_rng(13), offset=1.0), orders=(2,))
    assert fit.long_run > 2.0
    assert fit.widening == pytest.approx(np.sqrt(fit.long_run))


@pytest.mark.analytic
def test_a_tight_prior_holds_and_a_wide_one_does_nothing() -> None:
    data = stretches(np.random.default_rng(14))
    free = fit_coloured(*data, orders=(2,))
    wide = fit_coloured(*data, prior_mean=[5.0, 5.0], prior_std=[1e6, np.inf], orders=(2,))
    tight = fit_coloured(*data, prior_mean=[1.5, 0.0], prior_std=[1e-6, np.inf], orders=(2,))
    assert wide.coefficients == pytest.approx(free.coefficients, abs=1e-6)
    assert tight.coefficients[0] == pytest.approx(1.5, abs=1e-5)


@pytest.mark.analytic
def test_too_few_samples_are_refused() -> None:
    with pytest.raises(ValueError, match="too few samples"):
        fit_coloured([np.zeros(20)], [np.ones((20, 2))])


@pytest.mark.synthetic
def test_portmanteau_knows_white_from_coloured() -> None:
    rng = np.random.default_rng(15)
    white = [rng.standard_normal(300) for _ in range(8)]
    r, p = portmanteau(white, 20)
    assert p > 0.01
    assert np.max(np.abs(r)) < 0.1
    coloured = [lfilter([1.0], [1.0, -0.3], e) for e in white]
    r, p = portmanteau(coloured, 20)
    assert p < 1e-6
    assert r[0] == pytest.approx(0.3, abs=0.08)
