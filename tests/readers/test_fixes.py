"""Velocity from a long track, taken in blocks, is that of the whole track."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.readers import fixes
from flightproc.readers.geodesy import velocity_from_positions

pytestmark = pytest.mark.analytic


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 14, 15, 50])
def test_blocks_leave_no_seam(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(size)
    time = np.cumsum(rng.uniform(0.5, 1.5, size))
    latitude = 0.8 + 1e-6 * np.cumsum(rng.normal(size=size))
    longitude = np.pi - 1e-6 + 1e-6 * np.cumsum(rng.normal(size=size))
    longitude = (longitude + np.pi) % (2 * np.pi) - np.pi  # across the date line
    height = rng.uniform(0.0, 900.0, size)
    monkeypatch.setattr(fixes, "_BLOCK", 7)
    got = fixes.derive_velocity(time, latitude, longitude, height)
    whole = velocity_from_positions(time, latitude, longitude, height)
    for a, b in zip(got, whole, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-9, atol=1e-7)  # one bit of longitude is 3e-9 m
