import numpy as np
import pytest

from flightproc.sortie.grid import running_mean, to_grid

GRID = np.arange(0.0, 20.0, 0.1)

pytestmark = pytest.mark.analytic


def test_fast_series_is_averaged_so_that_vibration_does_not_fold_down():
    t = np.arange(0.0, 20.0, 0.01)
    values, how = to_grid(t, 3.0 + np.sin(2 * np.pi * 40.0 * t), GRID)
    assert values[5:-5] == pytest.approx(np.full(GRID.size - 10, 3.0), abs=1e-9)
    assert how == "averaged from 100 Hz"


def test_averaging_keeps_the_timing():
    t = np.arange(0.0, 20.0, 0.02)
    values, _ = to_grid(t + 0.003, t + 0.003, GRID)
    assert values[2:-2] == pytest.approx(GRID[2:-2], abs=0.011)


def test_slow_series_is_interpolated_and_gaps_stay_gaps():
    t = np.concatenate([np.arange(0.0, 8.0, 1.0), np.arange(13.0, 18.0, 1.0)])
    values, how = to_grid(t, 2.0 * t, GRID)
    inside = (GRID <= 7.0) | ((GRID >= 13.0) & (GRID <= 17.0))
    assert values[inside] == pytest.approx(2.0 * GRID[inside])
    assert np.all(np.isnan(values[(GRID > 7.6) & (GRID < 12.4)]))
    assert np.all(np.isnan(values[GRID > 17.6]))
    assert how == "interpolated from 1 Hz"


def test_a_gap_of_three_periods_is_bridged():
    t = np.array([0.0, 2.0, 4.0, 6.0, 12.0, 14.0, 16.0])
    values, _ = to_grid(t, t, GRID)
    assert values[90] == pytest.approx(9.0)


def test_missing_samples_count_as_gaps():
    t = np.arange(0.0, 20.0, 0.5)
    v = np.where((t > 5) & (t < 9), np.nan, 1.0)
    values, _ = to_grid(t, v, GRID)
    assert np.isnan(values[70])
    assert values[20] == 1.0
    assert np.all(np.isnan(to_grid(t, np.full(t.size, np.nan), GRID)[0]))


def test_angles_are_not_averaged_through_zero():
    t = np.arange(0.0, 20.0, 1.0)
    angle = np.radians(170.0 + 20.0 * t)
    values, _ = to_grid(t, np.angle(np.exp(1j * angle)), GRID, angle=True)
    expected = np.angle(np.exp(1j * np.radians(170.0 + 20.0 * GRID)))
    inside = GRID <= 19.0
    assert np.angle(np.exp(1j * (values - expected)))[inside] == pytest.approx(
        np.zeros(inside.sum()), abs=1e-9
    )


def test_running_mean_of_one_sample_is_the_series():
    x = np.array([1.0, 2.0, 5.0])
    assert running_mean(x, 1) is x
    assert np.all(np.isnan(running_mean(np.full(3, np.nan), 3)))


def test_series_of_one_clock_are_brought_once_and_anew_when_it_moves():
    from flightproc.quantity import Quantity
    from flightproc.sortie.align import Aligned
    from flightproc.sortie.clocks import OffsetFound
    from flightproc.sortie.gather import OnGrid
    from flightproc.sortie.model import ClockOffset

    t = np.arange(0.0, 20.0, 0.02)
    clock = ClockOffset("log", Quantity.of(0.0, 0.0, "s"), "stated", None, "")
    placed = OnGrid(GRID)
    for offset in (0.0, 1.0):
        aligned = Aligned(clock, OffsetFound(offset, 0.0, 1.0, 0.0, 20.0))
        for gap in (False, True):
            values = np.where((t > 5) & (t < 9) & gap, np.nan, np.sin(t))
            ours, how = placed.bring(aligned, t, values)
            theirs, words = to_grid(t + offset, values, GRID)
            assert how == words
            assert ours == pytest.approx(theirs, abs=1e-12, nan_ok=True)
            assert placed.bring(aligned, t, values)[0] is ours
