import numpy as np
import pytest

from flightproc.sortie.engine import power_groups
from flightproc.sortie.wind import estimate_wind, fit_wind_circle


def fit(flight, **changes):
    n = flight.time.size
    arguments = {
        "use": np.ones(n, dtype=bool),
        "climb": flight.climb,
        "turn_rate": flight.turn_rate,
        "rpm": flight.rpm,
        "groups": power_groups(flight.rpm, 10.0, n),
    } | changes
    return estimate_wind(flight.time, flight.north, flight.east, **arguments)


@pytest.mark.analytic
def test_circle_through_exact_points():
    angle = np.radians([10.0, 50.0, 130.0, 250.0])
    found = fit_wind_circle(11 * np.cos(angle) + 3, 11 * np.sin(angle) - 4, std=0.1)
    assert (found.north, found.east, found.airspeed) == pytest.approx((3.0, -4.0, 11.0), abs=1e-9)
    assert found.wind_speed == pytest.approx(5.0)
    assert np.degrees(found.wind_from) == pytest.approx(np.degrees(np.arctan2(4, -3)) % 360)
    assert np.all(np.linalg.eigvalsh(found.covariance) > 0)


@pytest.mark.analytic
def test_circle_refuses_too_little():
    with pytest.raises(ValueError, match="at least three"):
        fit_wind_circle([1.0, 2.0], [0.0, 1.0])
    with pytest.raises(ValueError, match="on one line"):
        fit_wind_circle([1.0, 2.0, 3.0], [2.0, 4.0, 6.0])


@pytest.mark.synthetic
def test_circle_covariance_covers():
    rng = np.random.default_rng(11)
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    z = []
    for _ in range(400):
        noise = 0.3 * rng.standard_normal((2, angle.size))
        found = fit_wind_circle(10 * np.cos(angle) + 2 + noise[0], 10 * np.sin(angle) - 1 + noise[1])
        z.append((np.array([found.north - 2, found.east + 1])) / np.sqrt(np.diag(found.covariance)[:2]))
    assert np.std(z, axis=0) == pytest.approx(np.ones(2), abs=4 / np.sqrt(2 * 400) + 0.05)
    assert np.all(np.abs(np.mean(z, axis=0)) < 4 / np.sqrt(400))


@pytest.mark.analytic
def test_without_gusts_the_wind_comes_out_exactly(flights):
    flight = flights.fly(0, gust=0.0)
    found = fit(flight)
    assert found.found
    assert found.mean == pytest.approx(np.array(flight.wind), abs=0.02)
    assert found.modelled[300:500] == pytest.approx(flight.speed[300:500], abs=0.03)


@pytest.mark.synthetic
def test_wind_in_gusts_is_unbiased_and_its_interval_holds(flights):
    """Gusts of 0.35 m/s with memories of 6 s: errors within the stated uncertainty, not beyond it."""
    errors, z = [], []
    for seed in range(16):
        flight = flights.fly(seed)
        found = fit(flight)
        assert found.found, found.words
        error = found.mean - flight.wind
        errors.append(error)
        z.append(error / np.sqrt(np.diag(found.covariance)))
    spread = np.sqrt(np.mean(np.square(z), axis=0))
    assert np.all(spread < 1.3)
    assert np.all(spread > 0.3)
    assert np.max(np.abs(errors)) < 0.3
    assert np.all(np.abs(np.mean(errors, axis=0)) < 4 * np.std(errors, axis=0) / np.sqrt(16))


@pytest.mark.synthetic
def test_brakes_that_slow_the_turns_do_not_bend_the_wind(flights):
    flight = flights.fly(3, turn_law=-0.5, gust=0.1)
    found = fit(flight)
    assert found.mean == pytest.approx(np.array(flight.wind), abs=0.12)
    assert found.turn_factor < 0.2


@pytest.mark.synthetic
def test_a_narrow_fan_of_headings_is_refused(flights):
    for seed in range(5):
        flight = flights.fly(seed, legs=((6800, 0), (0, 20), (6800, 350), (5200, 10)))
        found = fit(flight)
        assert not found.found
        assert "do not determine it" in found.words


@pytest.mark.synthetic
def test_a_strong_change_of_wind_is_followed(flights):
    flight = flights.fly(5, drift=(4.0, -2.0), gust=0.2)
    found = fit(flight)
    assert found.trend == "time"
    part = np.linspace(-0.5, 0.5, flight.time.size)
    assert found.wind_north == pytest.approx(flight.wind[0] + 4.0 * part, abs=0.6)
    assert found.wind_east == pytest.approx(flight.wind[1] - 2.0 * part, abs=0.6)
    assert found.mean == pytest.approx(np.array(flight.wind), abs=0.3)


@pytest.mark.synthetic
def test_a_pitot_of_wrong_scale_is_scaled(flights):
    flight = flights.fly(6, gust=0.2)
    found = fit(flight, relative_airspeed=flight.speed / 1.07, groups=None)
    assert found.group_speed[0] == pytest.approx(1.07, abs=0.02)
    assert found.mean == pytest.approx(np.array(flight.wind), abs=0.2)


@pytest.mark.analytic
def test_little_flight_is_not_enough(flights):
    flight = flights.fly(7)
    use = np.zeros(flight.time.size, dtype=bool)
    use[100:300] = True
    found = fit(flight, use=use)
    assert not found.found
    assert "less than 30 s" in found.words


@pytest.mark.analytic
def test_power_groups_follow_the_plateaus():
    rpm = np.repeat([0.0, 6000.0, 7600.0, 6000.0], 400)
    group = power_groups(rpm, 10.0, rpm.size)
    assert [int(group[i]) for i in (200, 600, 1000, 1400)] == [0, 1, 2, 1]
    assert group[405] == -1
    assert np.all(power_groups(None, 10.0, 50) == 0)
    assert np.all(power_groups(np.full(50, np.nan), 10.0, 50) == 0)


def fit_of(n=60, *, straight=False):
    """A fit of wind and trim speed at its first linearisation."""
    from flightproc.sortie.wind import _Blocks, _Fit

    rng = np.random.default_rng(8)
    time = 2.0 * np.cumsum(1 + (rng.random(n) < 0.1) * 20)
    heading = np.zeros(n) if straight else np.linspace(0.0, 9.0, n)
    speed = 10.0 + (0.0 if straight else 0.3) * rng.standard_normal(n)
    zero = np.zeros(n)
    group = (np.arange(n) > n // 2).astype(np.int64)
    blocks = _Blocks(
        time, speed * np.cos(heading), speed * np.sin(heading), zero, zero, zero + 1, zero, group, 5e3 + zero
    )
    fit = _Fit(blocks, pitot=False, expected=(10.0, 2.5))
    fit.theta = fit.prior_mean.copy()
    return fit


@pytest.mark.analytic
@pytest.mark.parametrize("straight", [False, True])
def test_gusts_by_the_same_likelihood_as_step_by_step(straight):
    """With one pseudo-inverse in every step, as written in the method; a straight flight is singular."""
    fit = fit_of(straight=straight)
    residual, jacobian = fit._linearise()
    fit._remember(residual, jacobian)
    grid, prior = np.geomspace(1.0, 60.0, 13), np.diag(fit.prior)
    likelihood, scales = [], []
    for memory in grid:
        keep = np.exp(-np.diff(fit.blocks.time) / memory)
        root = np.sqrt(1.0 - keep**2)
        rows = np.column_stack([jacobian, residual])
        rows[1:] = (rows[1:] - keep[:, None] * rows[:-1]) / root[:, None]
        rows, white = rows[:, :-1], rows[:, -1]
        weight = fit._weights(white)
        normal, gradient = rows.T @ (weight[:, None] * rows), rows.T @ (weight * white)
        variance = max(float(np.sum(weight * white**2)) / fit.n, 1e-6)
        for _ in range(8):
            inverse = np.linalg.pinv(normal / variance + prior, hermitian=True)
            step = inverse @ (gradient / variance + fit.prior * (fit.prior_mean - fit.theta))
            total = float(np.sum(weight * (white - rows @ step) ** 2))
            variance = max(total / max(fit.n - float(np.trace(inverse @ normal)) / variance, 1.0), 1e-6)
        sign, lead = np.linalg.slogdet(inverse)
        penalised = total / variance + float(np.sum(fit.prior * (fit.prior_mean - fit.theta - step) ** 2))
        lead = lead if sign > 0 and lead > -1e2 else -1e3
        logdet = 2.0 * np.sum(np.log(root))
        likelihood.append(-0.5 * (fit.n * np.log(variance) + logdet + penalised - lead))
        scales.append(variance)
    chance = grid * np.exp(np.array(likelihood) - max(likelihood))
    chance /= chance.sum()
    assert fit.memory == pytest.approx(chance @ grid, rel=1e-9)
    assert fit.gust == pytest.approx(np.sqrt(chance @ np.array(scales)), rel=1e-9)


@pytest.mark.analytic
def test_gusts_fade_with_the_time_between_blocks():
    fit = fit_of()
    fit.memory = 7.0
    rows = np.random.default_rng(9).standard_normal((fit.n, 3))
    apart = np.abs(np.subtract.outer(fit.blocks.time, fit.blocks.time))
    assert fit._faded(rows) == pytest.approx(np.exp(-apart / 7.0) @ rows, abs=1e-12)
