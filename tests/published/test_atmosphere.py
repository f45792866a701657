"""ISO 2533:1975, Standard Atmosphere, and ICAO Doc 7488/3: tables by geometric height [read]."""

import pytest

from flightproc.sortie.air import standard_atmosphere

pytestmark = pytest.mark.published

# geometric height m, T K, p Pa, rho kg/m3, a m/s, mu Pa s
TABLE = [
    (0.0, 288.15, 101325.0, 1.225, 340.294, 1.7894e-5),
    (1000.0, 281.651, 89876.3, 1.11166, 336.435, 1.7579e-5),
    (2000.0, 275.154, 79501.4, 1.00655, 332.532, 1.7260e-5),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]:.0f} m")
def test_table_by_geometric_height(row):
    height, temperature, pressure, density, sound, viscosity = row
    air = standard_atmosphere(height)
    assert float(air.temperature) == pytest.approx(temperature, abs=0.0006)
    assert float(air.pressure) == pytest.approx(pressure, abs=0.06)
    assert float(air.density) == pytest.approx(density, abs=0.000006)
    assert float(air.speed_of_sound) == pytest.approx(sound, abs=0.0006)
    assert float(air.viscosity) == pytest.approx(viscosity, abs=0.00006e-5)
