"""Overlapping Allan deviation against published data, and its slopes.

W. J. Riley, Handbook of Frequency Stability Analysis, NIST Special Publication 1065 (2008), section 12.4: the
nine-point set of NBS Monograph 140 (1974), Annex 8.E (tables 29 and 30), and the 1000-point set of a
prime-modulus generator, n(i+1) = 16807 n(i) mod 2147483647, n(1) = 1234567890 (table 31).
[R, in faithful copies]

IEEE Std 952-1997, Annex C: slopes and coefficients of the five kinds of noise. Slopes [R]; coefficients
sigma = N / sqrt(tau), K sqrt(tau / 3), R tau / sqrt(2), Q sqrt(3) / tau, 0.664 B [M].
"""

import numpy as np
import pytest

from flightproc.statistics.allan import allan_slope, overlapping_allan, white_noise_density

pytestmark = pytest.mark.published

NINE_POINTS = [892, 809, 823, 798, 671, 644, 883, 903, 677]
TABLE_30 = {1: 91.22945, 2: 85.95287}
TABLE_31 = {1: 2.922319e-01, 10: 9.159953e-02, 100: 3.241343e-02}
RATE = 100.0


def test_nine_points():
    curve = overlapping_allan(NINE_POINTS, 1.0, list(TABLE_30))
    np.testing.assert_allclose(curve.deviation, list(TABLE_30.values()), atol=5e-6)


def test_thousand_points():
    n = [1234567890]
    for _ in range(999):
        n.append(16807 * n[-1] % 2147483647)
    values = np.array(n) / 2147483647
    # the handbook's own check of the set: average and standard deviation
    assert np.mean(values) == pytest.approx(4.897745e-01, abs=5e-8)
    assert np.std(values, ddof=1) == pytest.approx(2.884664e-01, abs=5e-8)
    curve = overlapping_allan(values, 1.0, list(TABLE_31))
    np.testing.assert_allclose(curve.deviation, list(TABLE_31.values()), rtol=2e-7, atol=5e-9)


def noise(kind, n=1 << 16):
    """Return samples of one kind of noise with unit coefficient, and the limits [s] of its slope."""
    rng = np.random.default_rng(952)
    white = rng.standard_normal(n)
    if kind == "quantisation":  # the angle has white noise of Q: its derivative is read
        return np.diff(rng.standard_normal(n + 1)) * RATE, (0.02, 2.0)
    if kind == "white":
        return white * np.sqrt(RATE), (0.01, 5.0)
    if kind == "random walk":
        return np.cumsum(white) / np.sqrt(RATE), (0.2, 20.0)
    if kind == "ramp":
        return np.arange(n) / RATE, (0.01, 200.0)
    # bias instability B: density B^2 / (2 pi f), here per Hz and two-sided as the standard has it
    frequency = np.fft.rfftfreq(4 * n, 1.0 / RATE)
    density = np.zeros_like(frequency)
    density[1:] = 1.0 / (2.0 * np.pi * frequency[1:])  # two-sided, B = 1
    spectrum = np.fft.rfft(rng.standard_normal(4 * n)) * np.sqrt(density * RATE)
    return np.fft.irfft(spectrum)[:n], (0.1, 20.0)


SLOPES = {"quantisation": -1.0, "white": -0.5, "flicker": 0.0, "random walk": 0.5, "ramp": 1.0}


@pytest.mark.parametrize(("kind", "slope"), SLOPES.items())
def test_slopes(kind, slope):
    values, (low, high) = noise(kind)
    found = allan_slope(overlapping_allan(values, RATE), low, high)
    # the ramp is exact; the others are one realisation of 11 minutes
    assert found == pytest.approx(slope, abs=1e-9 if kind == "ramp" else 0.05)


COEFFICIENTS = {
    "quantisation": lambda tau: np.sqrt(3.0) / tau,
    "white": lambda tau: 1.0 / np.sqrt(tau),
    "random walk": lambda tau: np.sqrt(tau / 3.0),
    "ramp": lambda tau: tau / np.sqrt(2.0),
    "flicker": lambda tau: 0.664 + 0.0 * tau,
}


@pytest.mark.parametrize(("kind", "law"), COEFFICIENTS.items())
def test_coefficients(kind, law):
    values, (low, high) = noise(kind)
    curve = overlapping_allan(values, RATE)
    use = (curve.tau >= low) & (curve.tau <= high) & (curve.tau >= 10 / RATE)
    ratio = curve.deviation[use] / law(curve.tau[use])
    assert np.max(np.abs(ratio - 1.0)) < (1e-9 if kind == "ramp" else 0.12)


def test_white_noise_by_name():
    assert white_noise_density(overlapping_allan(noise("white")[0], RATE)) == pytest.approx(1.0, rel=0.05)
