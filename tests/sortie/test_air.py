import numpy as np
import pytest

from flightproc.sortie import air


@pytest.mark.reference
# above 11 km ambiance goes on from a rounded base pressure (22632.0 Pa or so)
@pytest.mark.parametrize(("low", "high", "rel"), [(-1000.0, 11000.0, 1e-6), (11500.0, 15000.0, 2e-6)])
def test_standard_atmosphere_against_ambiance(low, high, rel):
    from ambiance import Atmosphere

    height = np.linspace(low, high, 25)
    ours, theirs = air.standard_atmosphere(height), Atmosphere(height)
    assert ours.temperature == pytest.approx(theirs.temperature, rel=rel)
    assert ours.pressure == pytest.approx(theirs.pressure, rel=rel)
    assert ours.density == pytest.approx(theirs.density, rel=rel)
    assert ours.speed_of_sound == pytest.approx(theirs.speed_of_sound, rel=rel)
    assert ours.viscosity == pytest.approx(theirs.dynamic_viscosity, rel=rel)


@pytest.mark.reference
@pytest.mark.parametrize("height", [0.0, 850.0, 4000.0, 12000.0])
def test_standard_atmosphere_against_fluids(height):
    from fluids.atmosphere import ATMOSPHERE_1976

    theirs = ATMOSPHERE_1976(height)
    ours = air.standard_atmosphere(height)
    assert float(ours.temperature) == pytest.approx(theirs.T, rel=1e-6)
    assert float(ours.pressure) == pytest.approx(theirs.P, rel=2e-5)
    assert float(ours.density) == pytest.approx(theirs.rho, rel=2e-5)


@pytest.mark.analytic
def test_heights_go_there_and_back():
    height = np.array([-500.0, 0.0, 1234.5, 9000.0])
    assert air.geometric_height(air.geopotential_height(height)) == pytest.approx(height, abs=1e-8)
    pressure = air.standard_atmosphere(height).pressure
    assert air.standard_pressure_height(pressure) == pytest.approx(height, abs=1e-6)
    with pytest.raises(ValueError, match="kept from"):
        air.standard_atmosphere(30_000.0)


@pytest.mark.analytic
def test_airspeeds_go_there_and_back():
    assert float(air.true_airspeed(10.0, 1.225 / 4)) == pytest.approx(20.0)
    assert float(air.equivalent_airspeed(air.true_airspeed(11.0, 1.1), 1.1)) == pytest.approx(11.0)


@pytest.mark.analytic
def test_density_takes_the_best_there_is_and_says_which():
    n = 50
    height = np.linspace(300.0, 900.0, n)
    standard = air.standard_atmosphere(height)
    warm = standard.temperature + 10.0
    full = air.density_along(n, pressure=standard.pressure, temperature=warm, height=height)
    assert full.method == "measured"
    assert full.density == pytest.approx(standard.density * standard.temperature / warm, rel=1e-12)
    cold = air.density_along(n, pressure=standard.pressure, height=height)
    assert cold.method == "pressure"
    assert cold.density == pytest.approx(standard.density, rel=1e-12)
    blind = air.density_along(n, pressure=standard.pressure)
    assert blind.density == pytest.approx(standard.density, rel=1e-9)
    only = air.density_along(n, height=height)
    assert (only.method, only.std_ratio) == ("height", 0.03)
    assert only.density == pytest.approx(standard.density, rel=1e-12)
    nothing = air.density_along(n)
    assert nothing.method == "sea_level"
    assert nothing.std_ratio > only.std_ratio > cold.std_ratio > full.std_ratio > 0


@pytest.mark.analytic
def test_stated_ground_air_is_carried_up():
    height = np.array([400.0, 1400.0])
    result = air.density_along(
        2, height=height, ground_pressure=96_611.0, ground_temperature=285.55, ground_height=400.0
    )
    assert result.method == "ground"
    assert result.density == pytest.approx(air.standard_atmosphere(height).density, rel=1e-4)


@pytest.mark.analytic
def test_gaps_in_pressure_are_bridged():
    pressure = np.array([90_000.0, np.nan, 91_000.0, np.nan])
    result = air.density_along(4, pressure=pressure, temperature=np.full(4, 280.0))
    assert result.density == pytest.approx(
        np.array([90_000.0, 90_500.0, 91_000.0, 91_000.0]) / (air.AIR_GAS_CONSTANT * 280.0)
    )
