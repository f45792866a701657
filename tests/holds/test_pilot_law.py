"""What the other holds predict of each, by one inverse and by leaving each out."""

import numpy as np
import pytest

from flightproc.holds import pilot

pytestmark = pytest.mark.analytic


@pytest.mark.parametrize("kept", [range(12), [i for i in range(12) if i not in (3, 7)]])
def test_prediction_from_the_others_is_that_of_leaving_each_out(kept):
    """One hold alone flew ballast, so that nothing tells what the others predict of it."""
    random = np.random.default_rng(3)
    root = random.normal(size=(12, 12))
    covariance = root @ root.T + np.eye(12)
    design = np.column_stack([np.ones(12), np.linspace(-1.0, 1.0, 12), np.arange(12) == 5])
    turn = random.normal(size=12)
    gap, apart = pilot._deleted(turn, design, covariance, list(kept))
    assert gap[5] == apart[5] == 0.0
    for i in (0, 3, 11):
        others = [j for j in kept if j != i]
        inverse = np.linalg.inv(covariance[np.ix_(others, others)])
        law = np.linalg.inv(design[others].T @ inverse @ design[others])
        best = law @ design[others].T @ inverse @ turn[others]
        share = covariance[i, others] @ inverse
        lever = design[i] - share @ design[others]
        expected = turn[i] - design[i] @ best - share @ (turn[others] - design[others] @ best)
        variance = covariance[i, i] - share @ covariance[others, i] + lever @ law @ lever
        assert gap[i] == pytest.approx(expected, rel=1e-9)
        assert apart[i] == pytest.approx(expected / np.sqrt(variance), rel=1e-9)
