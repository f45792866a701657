"""The steps that the search for the solution takes at all sizes of wander at once."""

import numpy as np
import pytest

from flightproc.moment.posterior import _least_squares

pytestmark = pytest.mark.reference


def test_stacked_least_squares_against_one_at_a_time():
    """Columns of unlike size, as rates and angles are."""
    random = np.random.default_rng(2)
    design = random.normal(size=(6, 30, 5)) * np.array([1.0, 1e6, 1e-4, 1.0, 1e3])
    values = random.normal(size=(6, 30))
    found = _least_squares(design, values)
    for each, a, b in zip(found, design, values, strict=True):
        size = np.linalg.norm(a, axis=0)
        np.testing.assert_allclose(
            each * size, np.linalg.lstsq(a / size, b, rcond=None)[0], rtol=1e-10, atol=1e-12
        )
