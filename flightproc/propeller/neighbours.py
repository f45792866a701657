"""Where the roots of many operating points lie, guessed from those of a few of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .blade import Blade
from .polar import Polar, point_fields
from .stations import Air, Points, Stations

__all__ = ["guess_roots"]

Array = NDArray[np.float64]

_PER_TERM = 2  # operating points solved for each term of the polynomial
_WORTH = 3  # times as many points there must be for the guess to pay
_FEWEST = 150  # points below which it does not pay whatever the terms
_STEP = 1e-6  # of the unknown, for the slope of the residual
_GOLDEN = 0.5 * (5.0**0.5 - 1.0)


def guess_roots(blade: Blade, polar: Polar, points: Points, air: Air) -> Array | None:
    """Return the unknown of `Stations` and the slope of its residual, roughly.

    Parameters
    ----------
    blade, polar, points, air
        As for `Stations.at`.

    Returns
    -------
    ndarray, shape (2, n_op, n_r), or None
        NaN along elements of which one of the few was not found; None where there are too few points.

    Notes
    -----
    A polynomial of second degree, with the pure cubes, in all that differs between the points: speeds, air,
    pitch, chord and what the polar has of its own for each. It only says where the search begins.
    """
    if points.rpm.size < _FEWEST:
        return None
    basis = _basis(points, polar)
    sample = _PER_TERM * basis.shape[1]
    if points.rpm.size < _WORTH * sample:
        return None
    rows = np.unique((np.arange(1, sample + 1) * _GOLDEN % 1.0 * points.rpm.size).astype(np.intp))
    few = Stations.at(blade, polar, points, air, rows)
    root, found, _ = few.solve()
    known = np.where(found, root, 0.0)
    slope = (few.residual(known + _STEP) - few.residual(known)) / _STEP
    values = np.hstack([known, slope])
    weights, *_ = np.linalg.lstsq(basis[rows], values, rcond=1e-10)
    out: Array = (basis @ weights).reshape(points.rpm.size, 2, -1)
    out[:, :, ~found.all(axis=0)] = np.nan
    guess: Array = np.moveaxis(out, 1, 0)
    return guess


def _basis(points: Points, polar: Polar) -> Array:
    """Return the terms of the polynomial, shape (n_op, terms)."""
    columns = [
        points.airspeed / points.rpm,
        points.rpm,
        points.density,
        points.pitch_offset,
        np.log(points.chord_factor),
    ]
    columns += [np.log(v[:, 0]) if np.all(v > 0.0) else v[:, 0] for v in point_fields(polar).values()]
    spreads = [float(column.std()) for column in columns]
    x = [
        (column - column.mean()) / spread
        for column, spread in zip(columns, spreads, strict=True)
        if spread > 1e-9 * max(float(np.abs(column).max()), 1e-300)
    ]
    terms = [np.ones(points.rpm.size), *x]
    terms += [x[i] * x[j] for i in range(len(x)) for j in range(i + 1)]
    terms += [v**3 for v in x]
    return np.column_stack(terms)
