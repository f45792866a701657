"""What the models work out, against figures done by hand."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from pydantic import ValidationError

from flightproc.sheets import (
    AircraftSheet,
    AirEntry,
    BallastLeg,
    EngineEntry,
    GliderSheet,
    LogEntry,
    PilotNote,
    PropellerEntry,
    RigAirEntry,
    RigReading,
    RigSheet,
    SortieSheet,
)

pytestmark = pytest.mark.analytic


def aircraft(rotation: str = "left") -> AircraftSheet:
    return AircraftSheet(
        name="frame 3",
        hung_mass_kg=118,
        all_up_mass_kg=126,
        hang_span_m=0.44,
        hang_arm_m=0.35,
        engine=EngineEntry(gear_ratio=2.8),
        propeller=PropellerEntry(diameter_m=1.3, blades=2, rotation=rotation, pitch_m=0.62),
    )


def rig(**air: float) -> RigSheet:
    readings = [RigReading(rpm=n, left_kg=50, right_kg=50 + n / 500) for n in (0, 5500, 8450)]
    return RigSheet(kind="two_point", spacing_m=0.38, air=RigAirEntry(**air), readings=readings)


def test_ballast_moment_has_the_sign_of_its_side():
    leg = {"mass_kg": 4.0, "arm_m": 0.25, "start_s": 0, "end_s": 60}
    assert BallastLeg(side="right", **leg).moment == pytest.approx(9.80665, abs=1e-12)
    assert BallastLeg(side="left", **leg).moment == pytest.approx(-9.80665, abs=1e-12)


def test_ballast_moment_std_adds_in_quadrature():
    leg = BallastLeg(
        mass_kg=4, mass_std_kg=0.03, arm_m=0.25, arm_std_m=0.0025, side="right", start_s=0, end_s=60
    )
    # relative: 0.0075 of mass and 0.01 of arm make 0.0125
    assert leg.moment_std == pytest.approx(9.80665 * 0.0125, rel=1e-12)


def test_reaction_turns_against_the_propeller():
    assert aircraft("left").reaction_sign == 1
    assert aircraft("right").reaction_sign == -1


def test_wing_loading_and_aspect_ratio():
    wing = GliderSheet(
        name="w",
        flat_area_m2=28,
        projected_area_m2=24,
        flat_span_m=11.2,
        projected_span_m=9,
        line_length_m=7,
        trim_speed_m_s=11,
    )
    assert wing.wing_loading(126) == 4.5
    assert wing.wing_loading(126, projected=True) == 5.25


def test_density_of_the_standard_atmosphere():
    # ISO 2533: 1.225 kg/m3 at 1013.25 hPa and 288.15 K
    assert rig(pressure_hPa=1013.25, temperature_C=15).density == pytest.approx(1.225, abs=5e-5)


def test_density_std_of_pressure_temperature_and_humidity():
    sheet = rig(pressure_hPa=1000, temperature_C=26.85)
    wanted = math.sqrt(0.001**2 + 0.005**2 + 0.003**2)
    assert sheet.density_std / sheet.density == pytest.approx(wanted, rel=1e-9)


def test_stated_density():
    assert rig(density_kg_m3=1.2).density == 1.2
    assert rig(density_kg_m3=1.2).density_std == 0.01
    assert rig(density_kg_m3=1.2, density_std_kg_m3=0.02).density_std == 0.02


def test_bounds_by_seconds_and_by_utc():
    note = PilotNote(start_s=5, end_s=9, text="x")
    assert note.bounds(None) == note.bounds(1e9) == (5.0, 9.0)
    start = dt.datetime(2026, 5, 1, 17, 0, tzinfo=dt.UTC)
    zone = dt.timezone(dt.timedelta(hours=2))
    note = PilotNote(
        start_utc=start + dt.timedelta(seconds=30),
        end_utc=dt.datetime(2026, 5, 1, 19, 1, tzinfo=zone),
        hands_off=True,
    )
    assert note.bounds(start.timestamp()) == (30.0, 60.0)
    assert note.bounds(None) is None


def test_models_made_in_python_hold_the_rules():
    with pytest.raises(ValidationError, match="wind_from_deg"):
        AirEntry(wind_speed_m_s=3)
    with pytest.raises(ValidationError, match="later than start_s"):
        PilotNote(start_s=5, end_s=4, text="x")
    with pytest.raises(ValidationError, match="exactly one log"):
        SortieSheet(title="t", aircraft="a", glider="g", logs=[LogEntry(name="n", file="f", role="gps")])
    with pytest.raises(ValidationError, match="more than hung_mass_kg"):
        AircraftSheet(**{**aircraft().model_dump(), "hung_mass_kg": 140})


def test_lists_are_kept_as_tuples():
    sheet = SortieSheet(title="t", aircraft="a", glider="g", logs=[LogEntry(name="n", file="f", role="unit")])
    assert isinstance(sheet.logs, tuple)
    assert sheet.settings.grid_hz == 10.0
    assert sheet.air is None
