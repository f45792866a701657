"""Change points of piecewise constant signals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flightproc.holds.changes import merge_levels, segment_levels


@pytest.mark.analytic
def test_noise_alone_has_no_change() -> None:
    x = np.random.default_rng(0).normal(size=1500)
    assert segment_levels(x, penalty=4 * np.log(1500) * 1.5, min_size=5) == [0, 1500]


@pytest.mark.synthetic
def test_all_steps_are_found_where_they_are() -> None:
    rng = np.random.default_rng(1)
    levels = [5200, 6000, 2000, 6800, 7600, 2000, 5200, 6800]
    x = np.repeat(levels, 90) + rng.normal(0, 25, size=720)
    bounds = segment_levels(x, penalty=12 * 25**2 * np.log(720), min_size=4)
    assert bounds == pytest.approx(np.arange(0, 721, 90), abs=1)


@pytest.mark.analytic
def test_a_split_is_worth_what_the_formula_says() -> None:
    x = np.concatenate([np.zeros(30), np.ones(10)])
    worth = 30 * 10 / 40
    assert segment_levels(x, penalty=worth * 0.999, min_size=2) == [0, 30, 40]
    assert segment_levels(x, penalty=worth * 1.001, min_size=2) == [0, 40]


@pytest.mark.analytic
def test_neighbours_of_one_level_are_joined() -> None:
    x = np.concatenate([np.full(20, 10.0), np.full(20, 10.4), np.full(20, 14.0)])
    assert merge_levels(x, [0, 20, 40, 60], 1.0) == [0, 40, 60]


@pytest.mark.analytic
@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.floats(-1e3, 1e3), min_size=0, max_size=80),
    st.integers(1, 10),
    st.floats(1e-3, 1e3),
)
def test_bounds_are_in_order_and_pieces_long_enough(values: list[float], size: int, penalty: float) -> None:
    bounds = segment_levels(np.array(values), penalty=penalty, min_size=size)
    assert bounds[0] == 0 and bounds[-1] == len(values)
    pieces = np.diff(bounds)
    assert len(bounds) == 2 or pieces.min() >= size
