"""Partial pooling against the coaching study of eight schools.

Data: D. B. Rubin, "Estimation in parallel randomized experiments", Journal of Educational Statistics 6 (1981)
377-401; as in A. Gelman et al., "Bayesian Data Analysis", 3rd ed., CRC Press 2013, section 5.5, table 5.2.

Posterior (flat priors of mean and spread): printed output of a general-purpose Bayesian sampler run on that
data, 4 chains of 5000 draws kept, in a public introduction to it dated 6 January 2018; mean, standard error
of the mean, standard deviation, 2.5 %, 50 % and 97.5 % quantiles, number of effective draws. Read [R].
"""

import math

import numpy as np
import pytest

from flightproc.statistics.hierarchy import pool_groups

pytestmark = pytest.mark.published

EFFECT = (28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0)
STD = (15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0)
SCHOOLS = (
    (11.32, 0.07, 8.25, -2.04, 10.19, 31.17, 12989),
    (7.87, 0.04, 6.21, -4.41, 7.83, 20.50, 20000),
    (6.14, 0.06, 7.68, -11.14, 6.71, 20.25, 17666),
    (7.66, 0.05, 6.46, -5.23, 7.65, 20.78, 20000),
    (5.15, 0.04, 6.36, -8.80, 5.66, 16.35, 20000),
    (6.21, 0.05, 6.64, -8.44, 6.51, 18.77, 20000),
    (10.61, 0.05, 6.75, -1.25, 10.04, 25.78, 20000),
    (8.45, 0.06, 7.91, -7.29, 8.20, 25.51, 16545),
)
MEAN = (7.95, 0.05, 5.06, -1.73, 7.84, 18.32, 9000)
SPREAD = (6.49, 0.07, 5.56, 0.22, 5.13, 20.48, 7301)


@pytest.fixture(scope="module")
def found():
    return pool_groups(EFFECT, np.square(STD), range(8), draws=100_000)


def agree(value, draws, published):
    """Hold mean, spread and quantiles against the sampler's, within three of its own standard errors."""
    mean, error, std, low, median, high, effective = published
    assert value == pytest.approx(mean, abs=3.0 * (error + 0.005))
    # the standard error of a sample's standard deviation, doubled for tails heavier than normal
    assert np.std(draws) == pytest.approx(std, rel=3.0 * 2.0 / math.sqrt(2.0 * effective))
    for share, quantile in ((0.025, low), (0.5, median), (0.975, high)):
        width = 0.01 * std  # density near the quantile, by finite difference
        density = np.mean(np.abs(draws - quantile) < 10 * width) / (20 * width)
        step = math.sqrt(share * (1.0 - share) / effective) / density
        assert np.quantile(draws, share) == pytest.approx(quantile, abs=4.0 * step + 0.005)


@pytest.mark.parametrize("school", range(8))
def test_each_school(found, school):
    agree(found.mean[school], found.draws[:, school], SCHOOLS[school])


def test_mean_and_spread_of_the_family(found):
    agree(found.coefficients[0], found.coefficient_draws[:, 0], MEAN)
    agree(found.spread, found.spread_draws, SPREAD)


def test_schools_draw_together_in_order_of_what_they_know_little(found):
    gap = np.array(EFFECT) - found.mean
    assert np.all(np.sign(gap) == np.sign(np.array(EFFECT) - found.coefficients[0]))
    assert np.all(found.std < STD)
