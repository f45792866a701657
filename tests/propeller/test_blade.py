"""Blade geometry from tables and from diameter x pitch."""

import math

import numpy as np
import pytest

from flightproc.errors import FlightprocError
from flightproc.propeller import Blade, blade_from_sheet
from flightproc.sheets import AircraftSheet

pytestmark = pytest.mark.analytic

RADIUS = np.array([0.10, 0.25, 0.40, 0.55, 0.65])
CHORD = np.array([0.08, 0.11, 0.10, 0.08, 0.04])
TWIST = np.radians([40.0, 24.0, 16.0, 12.0, 10.0])


def aircraft(**propeller):
    return AircraftSheet.model_validate(
        {
            "name": "school frame",
            "hung_mass_kg": 110.0,
            "all_up_mass_kg": 116.0,
            "hang_span_m": 0.44,
            "hang_arm_m": 0.30,
            "engine": {"gear_ratio": 2.8},
            "propeller": {"diameter_m": 1.30, "blades": 2, "rotation": "left"} | propeller,
        }
    )


def table(**more):
    settings = {"diameter": 1.3, "blades": 2} | more
    return Blade.from_table(RADIUS, CHORD, TWIST, **settings)


def test_elements_fill_the_span():
    blade = table(elements=24)
    assert blade.radius.shape == (24,)
    assert blade.width.sum() == pytest.approx(0.65 - 0.10)
    edges = 0.10 + np.concatenate([[0.0], np.cumsum(blade.width)])
    np.testing.assert_allclose(0.5 * (edges[1:] + edges[:-1]), blade.radius, rtol=1e-12)
    assert blade.width[-1] < blade.width[0]
    assert not blade.twist_assumed


def test_table_values_are_kept():
    blade = table(elements=400)
    np.testing.assert_allclose([blade.chord_at(r / 0.65) for r in RADIUS[1:-1]], CHORD[1:-1], rtol=1e-4)
    np.testing.assert_allclose([blade.twist_at(r / 0.65) for r in RADIUS[1:-1]], TWIST[1:-1], rtol=1e-4)


def test_helix():
    blade = Blade.helical(diameter=1.3, pitch=0.62, blades=2, chord_075=0.09)
    np.testing.assert_allclose(2.0 * math.pi * blade.radius * np.tan(blade.twist), 0.62, rtol=1e-12)
    assert blade.chord_at(0.75) == pytest.approx(0.09, rel=2e-3)
    assert blade.twist_assumed
    assert blade.chord_assumed
    assert "assumed" in blade.words


def test_assumed_chord_is_less_certain():
    given = Blade.helical(diameter=1.3, pitch=0.62, blades=2, chord_075=0.09)
    guessed = Blade.helical(diameter=1.3, pitch=0.62, blades=2)
    assert table().chord_std < given.chord_std < guessed.chord_std
    assert guessed.chord_at(0.75) == pytest.approx(0.11 * 0.65, rel=2e-3)


def test_solidity():
    blade = table(blades=3)
    np.testing.assert_allclose(blade.solidity * 2.0 * math.pi * blade.radius, 3 * blade.chord)


def test_from_sheet():
    helix = blade_from_sheet(aircraft(pitch_m=0.62, chord_075_m=0.09))
    assert helix.twist_assumed
    assert helix.chord_at(0.75) == pytest.approx(0.09, rel=2e-3)
    rows = [
        {"r_m": r, "chord_m": c, "beta_deg": math.degrees(b)}
        for r, c, b in zip(RADIUS, CHORD, TWIST, strict=True)
    ]
    fitted = blade_from_sheet(aircraft(stations=rows))  # five stations: taken by hand, fitted smoothly
    assert not fitted.twist_assumed
    assert "5 measured stations" in fitted.words
    middle = {"r_m": 0.42, "chord_m": 0.1, "beta_deg": 12.0}
    more = sorted([*rows, middle], key=lambda row: row["r_m"])
    stations = blade_from_sheet(aircraft(stations=more))
    assert "6 stations" in stations.words
    assert stations.twist_at(0.42 / stations.tip_radius) == pytest.approx(math.radians(12.0), abs=0.01)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"diameter": 1.2}, "lie on the blade"),
        ({"diameter": -1.0}, "diameter is not positive"),
        ({"blades": 0}, "at least one blade"),
    ],
)
def test_wrong_sizes_are_refused(change, message):
    with pytest.raises(FlightprocError, match=message):
        table(**change)


def test_wrong_tables_are_refused():
    with pytest.raises(FlightprocError, match="two stations"):
        Blade.from_table([0.1], [0.1], [0.3], diameter=1.3, blades=2)
    with pytest.raises(FlightprocError, match="increase"):
        Blade.from_table(RADIUS[::-1], CHORD, TWIST, diameter=1.3, blades=2)
    with pytest.raises(FlightprocError, match="finite"):
        Blade.from_table(RADIUS, CHORD * np.nan, TWIST, diameter=1.3, blades=2)
    with pytest.raises(FlightprocError, match="pitch is not positive"):
        Blade.helical(diameter=1.3, pitch=0.0, blades=2)
