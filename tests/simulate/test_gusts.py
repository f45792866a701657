"""Gusts, patches and thermals against the forms they are made from."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import trapezoid

from flightproc.errors import FlightprocError
from flightproc.simulate.gusts import (
    dryden_spectra,
    make_gusts,
    make_patches,
    make_thermals,
    shape_noise,
    von_karman_spectra,
)

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


@pytest.mark.analytic
def test_von_karman_spectra_integrate_to_the_variance_and_fall_with_five_thirds() -> None:
    frequency = np.concatenate(([0.0], np.geomspace(1e-6, 1e7, 1_000_001)))
    spectra = von_karman_spectra(frequency, LEVEL, LENGTH, SPEED, SPAN)
    for name in ("along", "side", "down"):
        assert trapezoid(spectra[name], frequency) == pytest.approx(LEVEL**2, rel=2e-3)
    high = von_karman_spectra(np.array([10.0, 80.0]), LEVEL, LENGTH, SPEED, SPAN)
    for name in ("along", "side"):
        assert high[name][1] / high[name][0] == pytest.approx(8 ** (-5 / 3), rel=1e-4)
    # across the flow 4/3 of along the flow in the inertial range (isotropic turbulence)
    assert high["side"][0] / high["along"][0] == pytest.approx(4 / 3, rel=1e-4)
    # the same at rest and in roll as the Dryden form
    dryden = dryden_spectra(np.array([0.0, 0.3]), LEVEL, LENGTH, SPEED, SPAN)
    karman = von_karman_spectra(np.array([0.0, 0.3]), LEVEL, LENGTH, SPEED, SPAN)
    assert karman["along"][0] == dryden["along"][0]
    assert karman["side"][0] == dryden["side"][0]
    assert np.array_equal(karman["roll"], dryden["roll"])


@pytest.mark.synthetic
def test_series_of_the_von_karman_form_have_the_level() -> None:
    gusts = make_gusts(1 << 18, 0.1, LEVEL, LENGTH, SPEED, SPAN, np.random.default_rng(12), "von_karman")
    for series in (gusts.along, gusts.side, gusts.down):
        # frequencies above 5 Hz are missing: 2 %
        assert np.std(series) == pytest.approx(LEVEL, rel=0.06)
    with pytest.raises(FlightprocError, match="form of the gusts"):
        make_gusts(100, 0.1, LEVEL, LENGTH, SPEED, SPAN, np.random.default_rng(0), "kolmogorov")


@pytest.mark.synthetic
def test_patches_keep_the_mean_square_and_have_their_spread_and_time() -> None:
    step, time_constant, spread = 0.1, 20.0, 0.4
    factor = make_patches(2_000_000, step, spread, time_constant, np.random.default_rng(3))
    # 200,000 s are 5000 independent stretches: 3 % is four standard deviations
    assert np.mean(factor**2) == pytest.approx(1.0, rel=0.05)
    logarithm = np.log(factor)
    assert np.std(logarithm) == pytest.approx(spread, rel=0.04)
    assert np.mean(logarithm) == pytest.approx(-(spread**2), abs=0.03)
    centred = logarithm - logarithm.mean()
    lag = round(time_constant / step)
    assert np.mean(centred[lag:] * centred[:-lag]) / np.var(centred) == pytest.approx(np.exp(-1), abs=0.04)
    assert np.all(make_patches(500, step, 0.0, time_constant, np.random.default_rng(0)) == 1.0)
    with pytest.raises(FlightprocError, match="patchiness"):
        make_patches(100, step, -0.1, time_constant, np.random.default_rng(0))
    with pytest.raises(FlightprocError, match="patch time"):
        make_patches(100, step, 0.1, 0.0, np.random.default_rng(0))


@pytest.mark.synthetic
def test_thermals_lift_as_much_as_they_sink_and_roll_at_their_edges() -> None:
    level, width, speed, step = 0.5, 80.0, 10.0, 0.1
    down, roll = make_thermals(2_000_000, step, level, width, speed, np.random.default_rng(5))
    # per metre: patches of area A R sqrt(2 pi) every 3 widths; E A^2 = 2 level^2, Gaussian squared R sqrt(pi)
    radius = width / 4
    square = 2 * level**2 * radius * np.sqrt(np.pi) / (3 * width)
    assert np.mean(down**2) == pytest.approx(square, rel=0.06)
    assert abs(np.mean(down)) < 0.01
    # (dw/ds)^2 integrates to sqrt(pi) / (2 R); E tan^2 over +-45 deg is 4 / pi - 1
    gradient = 2 * level**2 * np.sqrt(np.pi) / (2 * radius) / (3 * width) * (4 / np.pi - 1)
    assert np.mean(roll**2) == pytest.approx(gradient, rel=0.12)
    # no roll in the middle of a patch, most of it a radius from there
    deepest = int(np.argmax(np.abs(down)))
    edge = round(radius / speed / step)
    assert abs(roll[deepest]) < 0.5 * np.abs(roll[deepest - 2 * edge : deepest + 2 * edge]).max()
    still = make_thermals(100, step, 0.0, width, speed, np.random.default_rng(0))
    assert not np.any(still[0]) and not np.any(still[1])
    with pytest.raises(FlightprocError, match="thermal level"):
        make_thermals(100, step, -1.0, width, speed, np.random.default_rng(0))
    with pytest.raises(FlightprocError, match="thermal length"):
        make_thermals(100, step, 1.0, 0.0, speed, np.random.default_rng(0))
