import numpy as np
import pytest

from flightproc.sortie.engine import engine_speed

pytestmark = pytest.mark.analytic


def test_logged_engine_speed_comes_first_and_a_wrong_gear_ratio_is_told():
    rpm = np.linspace(4000.0, 7000.0, 50)
    same, words = engine_speed(rpm, rpm / 2.8, 2.8)
    assert same is rpm and words == ""
    same, words = engine_speed(rpm, rpm / 3.5, 2.8)
    assert same is rpm and "3.50" in words and "2.80" in words


def test_propeller_speed_serves_where_it_is_alone():
    rpm, words = engine_speed(None, np.array([2000.0, np.nan]), 3.0)
    assert rpm[0] == 6000.0 and np.isnan(rpm[1])
    assert "gear ratio 3" in words
    assert engine_speed(None, None, 3.0) == (None, "")
