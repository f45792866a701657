"""The sample sortie against the truth stored beside it."""

import json
from pathlib import Path

import numpy as np
import pytest

from flightproc.readers import read_log
from flightproc.sheets import load_sortie
from flightproc.sortie.assemble import assemble_sortie

pytestmark = pytest.mark.synthetic

FOLDER = Path(__file__).parents[2] / "sample_logs" / "school-wing-28"


@pytest.fixture(scope="module")
def sample():
    sheets = load_sortie(FOLDER / "sortie.toml")
    logs = {
        entry.name: read_log(sheets.files[entry.name], entry.columns or None) for entry in sheets.sortie.logs
    }
    truth = json.loads((FOLDER / "truth.json").read_text())
    return assemble_sortie(sheets, logs), truth


def means(sortie, truth, name):
    time = sortie.time
    values = sortie.column(name)
    return np.array(
        [
            np.mean(values[(time >= hold["start_s"]) & (time < hold["end_s"])])
            for hold in truth["planned_holds"]
        ]
    )


def told(truth, name):
    return np.array([hold[name] for hold in truth["planned_holds"]])


def test_clock_offsets_within_a_tenth_of_a_second(sample):
    sortie, truth = sample
    for clock in sortie.clock_offsets:
        assert clock.offset.value == pytest.approx(truth["clock_offsets_s"][clock.log], abs=0.1), clock.log
        assert clock.drift == 0.0


def test_wind_within_three_tenths(sample):
    sortie, truth = sample
    assert sortie.wind.method == "gps_circle"
    assert sortie.wind.north.value == pytest.approx(truth["wind"]["north_m_s"], abs=0.3)
    assert sortie.wind.east.value == pytest.approx(truth["wind"]["east_m_s"], abs=0.3)


def test_airspeed_within_two_tenths_in_every_hold(sample):
    sortie, truth = sample
    error = means(sortie, truth, "airspeed") - told(truth, "airspeed_m_s")
    assert np.max(np.abs(error)) < 0.2
    assert np.sqrt(np.mean(error**2)) < 2.0 * sortie.airspeed_std


def test_density_turn_rate_and_hang_roll(sample):
    sortie, truth = sample
    density = means(sortie, truth, "density") / told(truth, "density_kg_m3") - 1.0
    assert np.max(np.abs(density)) < 2.0 * sortie.density_std_ratio
    turn = np.degrees(means(sortie, truth, "turn_rate")) - told(truth, "turn_rate_deg_s")
    assert np.max(np.abs(turn)) < 0.05
    # the sensor's zero is unknown: changes count
    hang = np.degrees(means(sortie, truth, "hang_roll")) - told(truth, "hang_roll_deg")
    assert np.max(np.abs(hang - np.mean(hang))) < 0.12
    bank = np.degrees(means(sortie, truth, "bank")) - told(truth, "bank_deg")
    assert np.max(np.abs(bank - np.mean(bank))) < 0.25


def test_the_levelled_attitude_is_unmasked(sample):
    sortie, _ = sample
    assert "levelled on the accelerometer" in sortie.bank_source
