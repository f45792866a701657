"""Gusts against the Dryden forms they are made from."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import trapezoid

from flightproc.errors import FlightprocError
from flightproc.simulate.gusts import dryden_spectra, make_gusts, shape_noise

LEVEL, LENGTH, SPEED, SPAN = 0.3, 100.0, 10.0, 12.0


@pytest.mark.analytic
def test_spectra_integrate_to_the_variance() -> None:
    frequency = np.concatenate(([0.0], np.geomspace(1e-6, 1e3, 400_001)))
    spectra = dryden_spectra(frequency, LEVEL, LENGTH, SPEED, SPAN)
    for name in ("along", "side", "down"):
        assert trapezoid(spectra[name], frequency) == pytest.approx(LEVEL**2, rel=1e-3)
    # integral of 1 / (1 + (4 b W / pi)^2) over W is pi^2 / (8 b)
    expected = LEVEL**2 / LENGTH * 0.8 * (np.pi * LENGTH / (4 * SPAN)) ** (1 / 3) * np.pi**2 / (8 * SPAN)
    assert trapezoid(spectra["roll"], frequency) == pytest.approx(expected, rel=1e-3)


@pytest.mark.analytic
def test_spectra_at_rest_are_those_of_the_forms() -> None:
    # Phi_u(0) = 2 sigma^2 L / pi, Phi_v(0) = half of it, per rad/m; times 2 pi / V per Hz
    spectra = dryden_spectra(np.array([0.0]), LEVEL, LENGTH, SPEED, SPAN)
    assert spectra["along"][0] == pytest.approx(4 * LEVEL**2 * LENGTH / SPEED)
    assert spectra["side"][0] == pytest.approx(2 * LEVEL**2 * LENGTH / SPEED)


@pytest.mark.synthetic
def test_series_have_the_level_and_the_spectrum() -> None:
    generator = np.random.default_rng(11)
    step, count = 0.1, 1 << 18
    gusts = make_gusts(count, step, LEVEL, LENGTH, SPEED, SPAN, generator)
    for series in (gusts.along, gusts.side, gusts.down):
        assert series.shape == (count,)
        # about 26,000 s of a process with a time scale of 10 s: 3 % is four standard deviations
        assert np.std(series) == pytest.approx(LEVEL, rel=0.05)
    frequency = np.fft.rfftfreq(count, step)
    power = 2 * step / count * np.abs(np.fft.rfft(gusts.side)) ** 2
    expected = dryden_spectra(frequency, LEVEL, LENGTH, SPEED, SPAN)["side"]
    for low, high in ((0.001, 0.01), (0.01, 0.03), (0.03, 0.1), (0.1, 1.0)):
        band = (frequency >= low) & (frequency < high)
        tolerance = 5 / np.sqrt(band.sum())
        assert np.mean(power[band] / expected[band]) == pytest.approx(1.0, abs=tolerance)


@pytest.mark.synthetic
def test_components_are_independent_and_seeded() -> None:
    first = make_gusts(50_000, 0.1, LEVEL, LENGTH, SPEED, SPAN, np.random.default_rng(5))
    again = make_gusts(50_000, 0.1, LEVEL, LENGTH, SPEED, SPAN, np.random.default_rng(5))
    other = make_gusts(50_000, 0.1, LEVEL, LENGTH, SPEED, SPAN, np.random.default_rng(6))
    assert np.array_equal(first.side, again.side)
    assert not np.array_equal(first.side, other.side)
    assert abs(np.corrcoef(first.side, first.along)[0, 1]) < 0.3


@pytest.mark.analytic
def test_white_noise_keeps_its_density() -> None:
    count, step = 1 << 16, 0.5
    series = shape_noise(np.full(count // 2 + 1, 4.0), step, np.random.default_rng(0))
    # one-sided density times the Nyquist frequency
    assert np.var(series) == pytest.approx(4.0 * 0.5 / step, rel=0.03)


@pytest.mark.analytic
def test_still_air_and_bad_numbers() -> None:
    still = make_gusts(100, 0.1, 0.0, LENGTH, SPEED, SPAN, np.random.default_rng(0))
    assert not np.any(still.along) and not np.any(still.roll)
    with pytest.raises(FlightprocError, match="gust level"):
        make_gusts(100, 0.1, -0.1, LENGTH, SPEED, SPAN, np.random.default_rng(0))
    with pytest.raises(FlightprocError, match="gust length"):
        make_gusts(100, 0.1, 0.1, 0.0, SPEED, SPAN, np.random.default_rng(0))
