"""Families: each member from seed and place alone, drawn from the stated laws, told in truth and sheets."""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import asdict, replace
from math import exp, log
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flightproc.errors import FlightprocError
from flightproc.simulate import family_member, simulate_family, simulate_sortie, write_sortie
from flightproc.simulate.family import (
    COLUMNS,
    GUST_BANDS,
    Member,
    draw_member,
    family_csv,
    family_row,
    gust_band,
)
from flightproc.simulate.ground_day import roll_inertia
from flightproc.simulate.parameters import CALIBRATIONS
from flightproc.simulate.scenario import Segment
from flightproc.simulate.wing import roll_turn_coefficient

pytestmark = pytest.mark.synthetic

COUNT = 600


@pytest.fixture(scope="module")
def drawn() -> list[Member]:
    return [draw_member(11, index) for index in range(COUNT)]


def values(drawn: list[Member], name: str) -> np.ndarray:
    return np.array([getattr(member.parameters, name) for member in drawn])


def near_share(count: int, share: float, total: int = COUNT) -> bool:
    """Return whether a count lies within three and a half standard deviations of a share."""
    return abs(count - share * total) < 3.5 * (total * share * (1 - share)) ** 0.5


def test_a_member_depends_on_seed_and_place_alone(short_card: tuple[Segment, ...]) -> None:
    members = list(simulate_family(3, 40, card=short_card))
    alone = family_member(40, 2, card=short_card)
    assert alone.truth == members[2].truth
    assert np.array_equal(alone.unit.force, members[2].unit.force)
    assert len({member.seed for member in members}) == 3
    assert draw_member(40, 2).parameters != draw_member(41, 1).parameters
    assert draw_member(40, 2, 1).parameters != draw_member(40, 2).parameters
    family = members[2].truth["family"]
    assert family["seed"] == 40 and family["index"] == 2 and family["aircraft_redrawn"] == 0


def test_overrides_hold_for_all_and_what_is_bad_is_told(short_card: tuple[Segment, ...]) -> None:
    member = family_member(40, 1, card=short_card, gust_level=0.0, calibration="prior")
    assert member.parameters.gust_level == 0.0 and member.truth["family"]["gust_band"] == "still"
    assert member.stated.calibration == "prior"
    with pytest.raises(FlightprocError, match="at least one"):
        simulate_family(0, 1)
    with pytest.raises(FlightprocError, match="seed must not"):
        simulate_family(1, -1)
    with pytest.raises(FlightprocError, match="index must not"):
        family_member(1, -1)
    with pytest.raises(FlightprocError, match="no such parameter"):
        family_member(1, 0, gust=1.0)
    with pytest.raises(FlightprocError, match="gust level"):
        family_member(1, 0, gust_level=-1.0)


def test_an_aircraft_that_cannot_fly_the_card_is_drawn_again() -> None:
    # so high that only members with thrust to spare come there in time
    card = (
        Segment("ground still, engine stopped", 0.0, "time", 1.0, kind="ground", on_ground=True),
        Segment("take-off", 7600.0, "above", 100.0, "heading", 0.0, limit=40.0),
    )
    redrawn = []
    for index in range(12):
        try:
            redrawn.append(family_member(4, index, card=card).truth["family"]["aircraft_redrawn"])
        except FlightprocError as error:
            assert "cannot fly the card" in str(error)
    assert redrawn and max(redrawn) > 0


def test_ways_of_calibration_come_in_turn_and_gust_bands_alike(drawn: list[Member]) -> None:
    assert [m.stated.calibration for m in drawn[:5]] == [*CALIBRATIONS, CALIBRATIONS[0]]
    bands = Counter(member.band for member in drawn)
    assert set(bands) == set(GUST_BANDS)
    assert all(near_share(number, 1 / 3) for number in bands.values())
    for member in drawn:
        low, high = GUST_BANDS[member.band]
        assert low <= member.parameters.gust_level <= high
        assert gust_band(member.parameters.gust_level) == member.band


def test_wings_follow_their_laws_and_conditioning_leaves_them(drawn: list[Member]) -> None:
    turn = np.array([roll_turn_coefficient(member.parameters) for member in drawn])
    ratio = -values(drawn, "c_l_beta") / values(drawn, "c_n_beta")
    # cutting the log-normal at 2.5 and 18 takes 2 % of it and leaves 0.37 of its 0.4
    assert exp(np.mean(np.log(turn))) == pytest.approx(7.0, rel=0.05)
    assert np.std(np.log(turn)) == pytest.approx(0.38, abs=0.04)
    assert turn.min() >= 2.5 and turn.max() <= 18.0
    assert log(exp(np.mean(np.log(ratio))) / 3.0) == pytest.approx(0.0, abs=0.06)
    assert ratio.min() > 1.2 and ratio.max() < 7.0
    for name, low, high in (
        ("c_l_beta", -0.2, -0.03),
        ("c_n_beta", 0.015, 0.087),
        ("c_l_p", -0.84, -0.1),
        ("c_n_r", -0.27, -0.06),
        ("c_l_r", -0.1, 0.4),
        ("c_y_beta", -0.62, -0.15),
    ):
        drawn_values = values(drawn, name)
        assert low <= drawn_values.min() and drawn_values.max() <= high
        # most of the published range is used
        assert np.ptp(drawn_values) > 0.75 * (high - low)


def test_frame_and_propeller_follow_their_laws(drawn: list[Member]) -> None:
    riser = values(drawn, "riser_roll_stiffness")
    assert riser.min() > 10.0 and riser.max() < 490.0
    assert np.mean(riser) == pytest.approx(250.0, abs=20.0)
    offset = values(drawn, "thrust_offset")
    assert np.std(offset) == pytest.approx(0.005, rel=0.1) and abs(np.mean(offset)) < 0.0007
    slope = values(drawn, "torque_slope")
    assert slope.min() < -0.25 and slope.max() > 0.35 and np.mean(slope) == pytest.approx(0.05, abs=0.03)
    assert near_share(int(np.sum(values(drawn, "rotation") == "left")), 0.5)
    kinds = Counter(member.parameters.compensation for member in drawn)
    assert near_share(kinds["none"], 0.4)
    assert all(near_share(kinds[kind], 0.2) for kind in ("hang_offset", "thrust_tilt", "slipstream_surface"))
    inertia = [roll_inertia(member.parameters) for member in drawn]
    assert min(inertia) >= 5.0 and max(inertia) <= 11.0


def test_sensors_follow_their_laws(drawn: list[Member]) -> None:
    latency = values(drawn, "gps_latency")
    assert latency.min() >= 0.0 and latency.max() <= 0.4 and np.mean(latency) == pytest.approx(0.2, abs=0.02)
    assert np.max(np.abs(values(drawn, "gps_drift"))) < 20e-6
    assert 90e-6 < np.max(np.abs(values(drawn, "engine_drift"))) < 100e-6
    assert np.std(values(drawn, "accelerometer_temperature")) == pytest.approx(1.5e-3, rel=0.06)
    assert np.std(values(drawn, "gyro_temperature")) == pytest.approx(1e-4, rel=0.06)
    instability = values(drawn, "gyro_instability")
    assert instability.min() >= 2e-5 and instability.max() <= 2e-4
    assert near_share(int(np.sum(values(drawn, "gps_dropouts") == 0)), 0.5)
    kinds = Counter(member.parameters.attitude for member in drawn)
    assert all(near_share(kinds[kind], 1 / 3) for kind in ("levelled", "navigation", "none"))


def test_truth_scatters_about_what_the_sheets_state(drawn: list[Member]) -> None:
    for name in ("hung_mass", "hang_arm", "ballast_mass", "ballast_arm", "compensation_moment"):
        z = [
            (getattr(m.parameters, name) - getattr(m.stated, name)) / getattr(m.stated, f"{name}_std")
            for m in drawn
            if getattr(m.stated, name) is not None
        ]
        assert np.mean(z) == pytest.approx(0.0, abs=3.5 / len(z) ** 0.5), name
        assert np.std(z) == pytest.approx(1.0, abs=3.5 / (2 * len(z)) ** 0.5), name


def test_a_mirrored_member_flies_the_mirrored_moments(short_card: tuple[Segment, ...]) -> None:
    member = draw_member(7, 0)
    signed = ("gravity_offset", "offset_drift", "thrust_offset", "c_l_trim", "c_n_trim")
    still: dict[str, Any] = {"gust_level": 0.0, "thermal_level": 0.0, "pilot_shift": 0.0, "trim_drift": 0.0}
    still |= {"pilot_input_share": 0.0, "attitude": "none"}
    world = replace(member.parameters, rotation="left")
    other = replace(world, rotation="right", **{name: -getattr(world, name) for name in signed})
    stated = replace(member.stated, calibration="prior")
    card = tuple(replace(s, rate=-s.rate if s.steer == "rate" else s.rate) for s in short_card)
    one = simulate_sortie(1, world=world, stated=stated, card=short_card, **still)
    two = simulate_sortie(1, world=other, stated=stated, card=card, **still)
    for a, b in zip(one.planned_holds, two.planned_holds, strict=True):
        assert b["roll_moment_N_m"] == pytest.approx(-a["roll_moment_N_m"], rel=1e-3, abs=1e-6)
        assert b["hang_roll_deg"] == pytest.approx(-a["hang_roll_deg"], abs=0.01)
        assert b["turn_rate_deg_s"] == pytest.approx(-a["turn_rate_deg_s"], abs=0.02)


@pytest.mark.parametrize("calibration", CALIBRATIONS)
def test_sheets_hold_what_each_calibration_needs(
    calibration: str, short_card: tuple[Segment, ...], tmp_path: Path
) -> None:
    ballast = (
        Segment("settle ballast right 1", 2200.0, "time", 8.0, ballast=1),
        Segment("hold ballast right 1", 2200.0, "time", 20.0, kind="ballast", ballast=1),
    )
    sortie = family_member(2, 3, card=(*short_card, *ballast), calibration=calibration)
    write_sortie(sortie, tmp_path)
    flown = tomllib.loads((tmp_path / "sortie.toml").read_text(encoding="utf-8"))
    aircraft = tomllib.loads((tmp_path / "aircraft.toml").read_text(encoding="utf-8"))
    assert ("ballast" in flown) == (calibration == "ballast")
    assert ("tilt_test" in aircraft) == (calibration in ("tilt", "inertia"))
    assert ("inertia" in aircraft) == (calibration == "inertia")
    last = sortie.planned_holds[-1]
    if calibration == "ballast":
        assert last["kind"] == "ballast" and abs(last["ballast_moment_N_m"]) > 8.0
    else:
        assert last["kind"] == "glide" and last["label"] == "glide 2"
        assert last["ballast_moment_N_m"] == 0.0 and last["ballast_side"] is None
    assert sortie.truth["stated"]["calibration"] == calibration


def test_pilot_inputs_are_told_in_holds_and_segments_but_not_in_the_sheet(
    short_card: tuple[Segment, ...], tmp_path: Path
) -> None:
    braked = family_member(2, 0, card=short_card, pilot_input_share=1.0)
    plain = family_member(2, 0, card=short_card, pilot_input_share=0.0)
    for sortie, touched in ((braked, True), (plain, False)):
        assert [hold["pilot_input"] for hold in sortie.planned_holds] == [touched, touched]
        held = [s for s in sortie.truth["segments"] if s["label"].startswith("hold")]
        assert [segment["hands_off"] for segment in held] == [not touched, not touched]
    write_sortie(braked, tmp_path / "braked")
    write_sortie(plain, tmp_path / "plain")
    sheets = [tomllib.loads((tmp_path / n / "sortie.toml").read_text("utf-8")) for n in ("braked", "plain")]
    assert sheets[0]["pilot_notes"] == sheets[1]["pilot_notes"]
    assert [note["text"] for note in sheets[0].get("notes", [])] == [
        note["text"] for note in sheets[1].get("notes", [])
    ]


def test_sheets_state_the_compensation_as_made_not_as_it_is(
    short_card: tuple[Segment, ...], tmp_path: Path
) -> None:
    index = next(i for i in range(50) if draw_member(9, i).parameters.compensation == "slipstream_surface")
    sortie = family_member(9, index, card=short_card)
    write_sortie(sortie, tmp_path)
    table = tomllib.loads((tmp_path / "aircraft.toml").read_text(encoding="utf-8"))["compensation"]
    assert table["kind"] == "slipstream_surface"
    assert table["moment_N_m"] == sortie.stated.compensation_moment
    assert table["moment_N_m"] != sortie.parameters.compensation_moment
    assert table["moment_std_N_m"] == pytest.approx(0.15 * table["moment_N_m"], abs=0.05)


def test_the_index_has_a_line_a_member(short_card: tuple[Segment, ...]) -> None:
    sortie = family_member(2, 1, card=short_card)
    row = family_row("sortie-001", sortie)
    head, line = family_csv([row]).splitlines()
    assert head.split(",") == list(COLUMNS) and len(line.split(",")) == len(COLUMNS)
    assert row["calibration"] == "tilt" and row["gust_band"] == sortie.truth["family"]["gust_band"]
    assert float(row["gust_level_m_s"]) == pytest.approx(sortie.parameters.gust_level, rel=1e-4)
    assert set(asdict(sortie.parameters)) == set(sortie.truth["parameters"])
