"""What must not matter to the moment of a flight does not, and what must turn or scale it does so exactly.

The sample sortie is changed as a whole (its logs as read, and its sheets) and goes through the real stages
again. Where a tolerance is 1e-6 of the standard uncertainty, nothing but rounding may differ; where it is
larger, the comment says what differs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from flightproc.analysis import Prepared, compare_sortie, prepare_sortie, read_recordings, solve_sortie
from flightproc.moment.solve import MomentSolution
from flightproc.readers import Recording, Series, recording_from_frame
from flightproc.rig import reduce_rig
from flightproc.sheets import SensorEntry, Sheets, load_sortie

pytestmark = pytest.mark.synthetic

SHEET = Path(__file__).parents[1] / "sample_logs" / "school-wing-28" / "sortie.toml"
FEW = settings(max_examples=3, deadline=None)
ROUNDING = 1e-6  # of the standard uncertainty
OTHER_SIDE = {"left": "right", "right": "left"}

Logs = Mapping[str, Recording]
Array = NDArray[np.float64]
Change = Callable[[Series], Series]


@dataclass(frozen=True)
class Flown:
    """What a flight came to."""

    prepared: Prepared
    solution: MomentSolution

    @property
    def moments(self) -> Array:
        """Value and standard uncertainty of each power hold, shape (n, 2) [N m]."""
        return np.array([(q.value, q.std) for q in self.solution.roll_moment if q.known])

    @property
    def spans(self) -> list[tuple[float, float, str]]:
        return [(hold.start, hold.end, hold.kind.value) for hold in self.prepared.search.holds]


def fly(sheets: Sheets, logs: Logs) -> Flown:
    prepared = prepare_sortie(sheets, logs)
    return Flown(prepared, solve_sortie(prepared))


@cache
def sample() -> tuple[Sheets, dict[str, Recording]]:
    sheets = load_sortie(SHEET)
    return sheets, read_recordings(sheets)


@cache
def as_flown() -> Flown:
    return fly(*sample())


def differs(found: Flown, wanted: Flown, factor: float = 1.0) -> float:
    """Return the largest difference of a moment from the one wanted, over its standard uncertainty."""
    mine, other = found.moments, wanted.moments * [factor, abs(factor)]
    assert mine.shape == other.shape and mine.shape[0] == 8
    return float(np.max(np.abs(mine[:, 0] - other[:, 0]) / other[:, 1]))


def with_channels(log: Recording, **changes: Change) -> Recording:
    channels = {
        name: tuple(changes[name](series) for series in group) if name in changes else group
        for name, group in log.channels.items()
    }
    return replace(log, channels=channels)


def with_sortie(sheets: Sheets, **changes: Any) -> Sheets:
    return replace(sheets, sortie=sheets.sortie.model_copy(update=changes))


def with_aircraft(sheets: Sheets, **changes: Any) -> Sheets:
    return replace(sheets, aircraft=sheets.aircraft.model_copy(update=changes))


def later(log: Recording, seconds: float) -> Recording:
    """Return a log whose own clock reads later by some seconds at the same moment."""
    utc = None if log.start_utc is None else log.start_utc - seconds
    return replace(
        log,
        start_utc=utc,
        channels={
            name: tuple(replace(series, time=series.time + seconds) for series in group)
            for name, group in log.channels.items()
        },
    )


def mirrored(sheets: Sheets, logs: Logs) -> tuple[Sheets, dict[str, Recording]]:
    """Return a flight as seen in a mirror that stands north and south, with the rig day and the propeller."""

    def negative(series: Series) -> Series:
        return replace(series, values=-series.values)

    def around(series: Series) -> Series:
        return replace(series, values=-series.values % (2.0 * np.pi))

    turned = dict.fromkeys(
        ("roll_rate", "yaw_rate", "specific_force_y", "bank", "longitude", "velocity_east"), negative
    ) | {"heading": around, "track": around}
    propeller = sheets.aircraft.propeller
    legs = tuple(leg.model_copy(update={"side": OTHER_SIDE[leg.side]}) for leg in sheets.sortie.ballast)
    sheets = with_sortie(with_mirrored_rig(sheets), ballast=legs)
    sheets = with_aircraft(sheets, propeller=propeller.model_copy(update={"rotation": "right"}))
    return sheets, {name: with_channels(log, **turned) for name, log in logs.items()}


def with_mirrored_rig(sheets: Sheets) -> Sheets:
    assert sheets.rig is not None
    readings = []
    for reading in sheets.rig.readings:
        names = [name for name in type(reading).model_fields if name.startswith(("left", "right"))]
        swap = {
            name: getattr(reading, OTHER_SIDE[(s := name.split("_")[0])] + name[len(s) :]) for name in names
        }
        readings.append(reading.model_copy(update=swap))
    return replace(sheets, rig=sheets.rig.model_copy(update={"readings": tuple(readings)}))


def test_a_mirrored_flight_has_the_mirrored_moment() -> None:
    found, wanted = fly(*mirrored(*sample())), as_flown()
    assert found.spans == wanted.spans
    mine, other = found.prepared.observed, wanted.prepared.observed
    np.testing.assert_allclose(mine.rpm, other.rpm, rtol=1e-12)
    for name in ("hang_roll", "turn_rate", "bank"):
        here, there = found.prepared.sortie.channels[name], wanted.prepared.sortie.channels[name]
        np.testing.assert_allclose(here, -there, rtol=0, atol=1e-12)
    # the noise model of the levels corrects its bias by draws, which are not mirrored with the flight
    std = np.sqrt(np.diag(other.covariance)).reshape(-1, 2).T
    assert (np.abs(mine.hang_roll + other.hang_roll) < 0.02 * std[0]).all()
    assert (np.abs(mine.turn_rate + other.turn_rate) < 0.02 * std[1]).all()
    # the draws of the posterior are not mirrored with it: 4000 of them know a moment to about 0.1 of its std
    assert differs(found, wanted, -1.0) < 0.2
    assert (found.moments[:, 0] < 0.0).all() and (wanted.moments[:, 0] > 0.0).all()
    ratios = [compare_sortie(flown.prepared, flown.solution, None) for flown in (found, wanted)]
    for here, there in zip(*(one.rows for one in ratios), strict=True):
        assert here.torque_ratio.value == pytest.approx(
            there.torque_ratio.value, abs=0.2 * there.torque_ratio.std
        )


@FEW
@given(log=st.sampled_from(["unit", "gps", "engine"]), seconds=st.floats(-5000.0, 5000.0))
def test_what_a_clock_shows_does_not_matter(log: str, seconds: float) -> None:
    sheets, logs = sample()
    assert differs(fly(sheets, {**logs, log: later(logs[log], seconds)}), as_flown()) < ROUNDING


def test_the_date_does_not_matter() -> None:
    sheets, logs = sample()
    assert logs["gps"].start_utc is not None
    other_day = replace(logs["gps"], start_utc=logs["gps"].start_utc + 30 * 86_400.0)
    assert differs(fly(sheets, {**logs, "gps": other_day}), as_flown()) < ROUNDING


@cache
def flown_scaled(by: float) -> Flown:
    """Return the flight with every mass, the area and the stated stiffness multiplied."""
    sheets, logs = sample()
    aircraft = sheets.aircraft
    more = with_aircraft(
        sheets,
        riser_roll_stiffness_N_m_rad=150.0 * by,
        riser_roll_stiffness_std_N_m_rad=60.0 * by,
        hung_mass_kg=aircraft.hung_mass_kg * by,
        hung_mass_std_kg=aircraft.hung_mass_std_kg * by,
        all_up_mass_kg=aircraft.all_up_mass_kg * by,
    )
    legs = tuple(
        leg.model_copy(update={"mass_kg": leg.mass_kg * by, "mass_std_kg": leg.mass_std_kg * by})
        for leg in sheets.sortie.ballast
    )
    wing = sheets.glider.model_copy(update={"flat_area_m2": sheets.glider.flat_area_m2 * by})
    return fly(replace(with_sortie(more, ballast=legs), glider=wing), logs)


@FEW
@given(factor=st.floats(0.3, 3.0))
def test_everything_heavier_on_a_larger_wing_scales_moment_and_stiffness(factor: float) -> None:
    found, wanted = flown_scaled(factor), flown_scaled(1.0)
    assert differs(found, wanted, factor) < ROUNDING
    assert found.solution.stiffness.value == pytest.approx(factor * wanted.solution.stiffness.value, rel=1e-9)
    assert found.moments[:, 1] == pytest.approx(factor * wanted.moments[:, 1], rel=1e-6)


def rotation(roll: Array, pitch: Array, yaw: Array) -> Array:
    """Return the matrices from the turned axes to those they were turned from, shape (..., 3, 3)."""
    zero, one = np.zeros_like(roll), np.ones_like(roll)

    def about(angle: Array, rows: Callable[[Array, Array], list[list[Array]]]) -> Array:
        return np.stack([np.stack(row, -1) for row in rows(np.cos(angle), np.sin(angle))], -2)

    return (
        about(yaw, lambda c, s: [[c, -s, zero], [s, c, zero], [zero, zero, one]])
        @ about(pitch, lambda c, s: [[c, zero, s], [zero, one, zero], [-s, zero, c]])
        @ about(roll, lambda c, s: [[one, zero, zero], [zero, c, -s], [zero, s, c]])
    )


def remounted(log: Recording, *angles: float) -> Recording:
    """Return the log of the sensor mounted otherwise: rates, forces and attitude along its turned axes."""
    sensor = rotation(*np.radians(angles))
    new: dict[str, Array] = {}

    def values(*names: str) -> list[Array]:
        found = [log.get(name) for name in names]
        return [series.values for series in found if series is not None]

    for names in (
        ("roll_rate", "pitch_rate", "yaw_rate"),
        ("specific_force_x", "specific_force_y", "specific_force_z"),
    ):
        new |= dict(zip(names, (np.stack(values(*names), -1) @ sensor).T, strict=True))
    attitude = rotation(*values("bank", "pitch", "heading")) @ sensor
    new["bank"] = np.arctan2(attitude[:, 2, 1], attitude[:, 2, 2])
    new["pitch"] = np.arcsin(np.clip(-attitude[:, 2, 0], -1.0, 1.0))
    new["heading"] = np.arctan2(attitude[:, 1, 0], attitude[:, 0, 0]) % (2.0 * np.pi)

    def put(name: str) -> Change:
        return lambda series: replace(series, values=new[name])

    return with_channels(log, **{name: put(name) for name in new})


@cache
def flown_mounted(*angles: float) -> Flown:
    """Return the flight with the sensor mounted otherwise, and its mount told [deg]."""
    sheets, logs = sample()
    mount = dict(zip(("mount_roll_deg", "mount_pitch_deg", "mount_yaw_deg"), angles, strict=True))
    unit = remounted(logs["unit"], *angles)
    return fly(with_aircraft(sheets, sensor=SensorEntry(**mount)), {**logs, "unit": unit})


@FEW
@given(roll=st.integers(-180, 180), pitch=st.integers(-75, 75), yaw=st.integers(-180, 180))
def test_a_sensor_mounted_otherwise_gives_the_same_where_the_mount_is_told(
    roll: int, pitch: int, yaw: int
) -> None:
    found = flown_mounted(float(roll), float(pitch), float(yaw))
    assert differs(found, flown_mounted(0.0, 0.0, 0.0)) < ROUNDING


UNITS = {
    "deg": 180.0 / np.pi, "deg/s": 180.0 / np.pi, "g": 1.0 / 9.80665, "hPa": 0.01, "km/h": 3.6,
    "kn": 3600.0 / 1852.0, "ft": 1.0 / 0.3048, "ft/min": 60.0 / 0.3048, "rev/s": 1.0 / 60.0,
}  # fmt: skip
OTHERWISE = {
    "roll_rate": "deg/s", "pitch_rate": "deg/s", "yaw_rate": "deg/s", "bank": "deg", "pitch": "deg",
    "heading": "deg", "specific_force_x": "g", "specific_force_y": "g", "specific_force_z": "g",
    "pressure": "hPa", "latitude": "deg", "velocity_north": "km/h", "velocity_east": "kn", "climb": "ft/min",
    "height": "ft", "ground_speed": "kn", "track": "deg", "rpm": "rev/s",
}  # fmt: skip


def framed(log: Recording, units: Mapping[str, str]) -> Recording:
    frame: pd.DataFrame = log.frame()
    told = dict(frame.attrs["units"])
    for name in frame.columns.intersection(list(units)):
        frame[name] = frame[name] * UNITS[units[name]]
        told[name] = units[name]
    return recording_from_frame(frame, units=told, start_utc=log.start_utc)


def test_units_of_columns_do_not_matter() -> None:
    sheets, logs = sample()
    found, wanted = (
        fly(sheets, {name: framed(log, units) for name, log in logs.items()}) for units in (OTHERWISE, {})
    )
    assert differs(found, wanted) < ROUNDING


def test_order_and_names_and_channels_that_nothing_uses_do_not_matter() -> None:
    sheets, logs = sample()
    entries = sheets.sortie.logs[::-1]
    sheets = with_sortie(sheets, logs=entries, title="another")
    sheets = replace(sheets, glider=sheets.glider.model_copy(update={"name": "another"}))
    rpm = logs["engine"].get("rpm")
    assert rpm is not None
    throttle = replace(rpm, channel="throttle", source="throttle", values=np.full(rpm.values.size, 0.5))
    engine = replace(logs["engine"], channels={**logs["engine"].channels, "throttle": (throttle,)})
    found = fly(sheets, {entry.name: {**logs, "engine": engine}[entry.name] for entry in entries})
    assert differs(found, as_flown()) == 0.0


def halves(log: Recording, at: float) -> list[Recording]:
    def part(keep: Callable[[Array], NDArray[np.bool_]]) -> Recording:
        return replace(
            log,
            channels={
                name: tuple(
                    replace(s, time=s.time[keep(s.time)], values=s.values[keep(s.time)]) for s in group
                )
                for name, group in log.channels.items()
            },
        )

    return [part(lambda t: t < at), part(lambda t: t >= at)]


@pytest.mark.parametrize("name", ["gps", "engine"])
@pytest.mark.parametrize("same_clock", [True, False])
def test_a_log_in_two_files_gives_the_same(name: str, same_clock: bool) -> None:
    sheets, logs = sample()
    (entry,) = (entry for entry in sheets.sortie.logs if entry.name == name)
    second = entry.model_copy(update={"name": "second", "same_clock_as": name if same_clock else None})
    parts = dict(zip((name, "second"), halves(logs[name], 1000.0), strict=True))
    found = fly(with_sortie(sheets, logs=(*sheets.sortie.logs, second)), {**logs, **parts})
    # each file's clock is found by itself, from half as much
    assert differs(found, as_flown()) < 0.03
    assert any("covers" in words for words in found.prepared.warnings)


def test_a_constant_bias_of_the_gyro_goes_out_with_the_time_on_the_ground() -> None:
    sheets, logs = sample()

    def biased(by: float) -> Change:
        return lambda series: replace(series, values=series.values + by)

    unit = with_channels(
        logs["unit"], roll_rate=biased(-0.003), pitch_rate=biased(0.001), yaw_rate=biased(0.002)
    )
    assert differs(fly(sheets, {**logs, "unit": unit}), as_flown()) < 1e-3


@settings(max_examples=5)
@given(factor=st.floats(0.2, 5.0))
def test_the_ratio_goes_against_the_torque_of_the_rig(factor: float) -> None:
    flown = as_flown()
    rig = flown.prepared.rig
    assert rig is not None and flown.prepared.sheets.rig is not None
    sheet = flown.prepared.sheets.rig
    wider = sheet.model_copy(
        update={"spacing_m": sheet.spacing_m * factor, "spacing_std_m": sheet.spacing_std_m * factor}
    )
    curve = reduce_rig(wider, gear_ratio=2.8, diameter=1.28, reaction_sign=1)
    found, wanted = (
        compare_sortie(replace(flown.prepared, rig=one), flown.solution, None) for one in (curve, rig)
    )
    for here, there in zip(found.rows, wanted.rows, strict=True):
        assert here.torque_ratio.value == pytest.approx(there.torque_ratio.value / factor, rel=1e-9)
        assert here.torque_ratio.std == pytest.approx(there.torque_ratio.std / factor, rel=1e-6)
