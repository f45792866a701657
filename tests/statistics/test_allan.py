"""The Allan deviation: what it refuses, how certain it is."""

import numpy as np
import pytest

from flightproc.statistics.allan import AllanCurve, allan_slope, flicker_floor, overlapping_allan


@pytest.mark.analytic
@pytest.mark.parametrize(
    ("values", "factors", "words"),
    [
        ([1.0, 2.0], None, "at least three samples"),
        ([1.0, np.nan, 2.0, 3.0], None, "samples are missing"),
        ([1.0, 2.0, 3.0, 4.0], [3], "factors from 1 to 2"),
        ([1.0, 2.0, 3.0, 4.0], [0, 1], "factors from 1 to 2"),
    ],
)
def test_what_cannot_be_worked_out_is_refused(values, factors, words):
    with pytest.raises(ValueError, match=words):
        overlapping_allan(values, 10.0, factors)


@pytest.mark.analytic
def test_a_constant_has_none_and_an_offset_adds_none():
    assert np.all(overlapping_allan(np.full(50, 9.81), 10.0).deviation < 1e-14)
    rng = np.random.default_rng(1)
    x = rng.standard_normal(2000)
    plain, moved = (overlapping_allan(x + offset, 10.0) for offset in (0.0, 1e6))
    np.testing.assert_allclose(moved.deviation, plain.deviation, rtol=1e-6)


@pytest.mark.analytic
def test_at_reads_between_and_not_beyond():
    curve = overlapping_allan(np.arange(1000.0), 10.0)
    assert curve.at(1.37) == pytest.approx(13.7 / np.sqrt(2.0))
    assert np.isnan(curve.at(1e3)) and np.isnan(curve.at(1e-3))
    with pytest.raises(ValueError, match="fewer than two"):
        allan_slope(curve, 500.0, 600.0)


@pytest.mark.analytic
def test_bias_instability_is_the_least_that_is_known_well():
    tau = np.array([1.0, 2.0, 4.0, 8.0])
    curve = AllanCurve(tau, np.array([3.0, 2.0, 1.5, 0.5]), np.array([0.1, 0.1, 0.1, 0.4]), 100)
    assert flicker_floor(curve) == pytest.approx(1.5 / np.sqrt(2.0 * np.log(2.0) / np.pi))


@pytest.mark.synthetic
def test_its_standard_uncertainty_is_the_scatter_of_white_noise():
    rng = np.random.default_rng(7)
    curves = [overlapping_allan(rng.standard_normal(400), 10.0, [1, 4, 16, 64]) for _ in range(400)]
    scatter = np.std([c.deviation for c in curves], axis=0, ddof=1)
    told = np.mean([c.std for c in curves], axis=0)
    np.testing.assert_allclose(told, scatter, rtol=0.15)
