from types import SimpleNamespace

import numpy as np
import pytest

from flightproc.errors import SortieError
from flightproc.readers.recording import Recording
from flightproc.sortie.assemble import assemble_sortie

pytestmark = pytest.mark.synthetic

MOUNT = tuple(np.radians([1.5, -3.0, 2.0]))
LEGS = (
    (6800, 0),
    (0, 95),
    (5200, 190),
    (7600, 270),
    (0, 20),
    (6800, 180),
    (5200, 300),
    (7600, 90),
    (0, 200),
    (6000, 330),
    (0, 110),
)


@pytest.fixture(scope="module")
def whole(flights):
    flight = flights.fly(21, legs=LEGS, gust=0.2)
    logs, truth = flights.log(flight, mount=MOUNT, attitude="levelled", utc=(None, 1.7e9, None))
    told = []
    sortie = assemble_sortie(flights.sheets(), logs, lambda words, part: told.append((words, part)))
    return SimpleNamespace(flight=flight, logs=logs, truth=truth, sortie=sortie, told=told)


def on_grid(whole, name):
    return np.interp(whole.sortie.time, whole.truth.time, getattr(whole.truth, name))


def steady(whole):
    """Samples in straight flight, well after any change."""
    turn, rpm = on_grid(whole, "turn_rate"), on_grid(whole, "rpm")
    calm = (np.abs(turn) < 0.01) & (np.abs(np.gradient(rpm)) < 0.5) & (on_grid(whole, "flying") == 1)
    return np.convolve(calm, np.ones(101), mode="same") >= 101


def test_clocks(whole):
    offsets = {clock.log: clock for clock in whole.sortie.clock_offsets}
    assert offsets["unit"].method == "reference"
    assert offsets["engine"].method == "vibration"
    assert offsets["engine"].offset.value == pytest.approx(-25.6, abs=0.1)
    assert offsets["gps"].method == "acceleration"
    assert "rates of climb of the two logs" in offsets["gps"].words
    assert offsets["gps"].offset.value == pytest.approx(17.3, abs=3 * offsets["gps"].offset.std)
    assert whole.sortie.start_utc == pytest.approx(1.7e9 - offsets["gps"].offset.value)


def test_wind_and_airspeed(whole):
    wind = whole.sortie.wind
    assert wind.method == "gps_circle"
    assert wind.north.value == pytest.approx(3.0, abs=0.3)
    assert wind.east.value == pytest.approx(-2.0, abs=0.3)
    assert wind.covariance.shape == (2, 2)
    error = (whole.sortie.column("airspeed") - on_grid(whole, "speed"))[steady(whole)]
    assert np.max(np.abs(error)) < 0.3
    assert 0.02 < whole.sortie.airspeed_std < 0.3


def test_turn_rate_and_bank(whole):
    calm, turning = steady(whole), np.abs(on_grid(whole, "turn_rate")) > 0.15
    error = whole.sortie.column("turn_rate") - on_grid(whole, "turn_rate")
    assert abs(np.degrees(np.mean(error[calm]))) < 0.05
    assert abs(np.degrees(np.mean(error[turning]))) < 0.5
    bank = whole.sortie.column("bank") - on_grid(whole, "bank")
    level = np.mean(bank[calm])
    assert abs(np.degrees(np.mean(bank[turning]) - level)) < 1.0
    assert "levelled on the accelerometer" in whole.sortie.bank_source


def test_hang_roll_follows_power_whatever_the_mount(whole):
    calm = steady(whole)
    error = np.degrees(whole.sortie.column("hang_roll") - on_grid(whole, "hang"))
    rpm = on_grid(whole, "rpm")
    power, glide = calm & (rpm > 5000), calm & (rpm < 100)
    change = np.degrees(np.ptp([np.mean(whole.sortie.column("pitch")[mask]) for mask in (power, glide)]))
    shift = np.mean(error[power]) - np.mean(error[glide])
    assert abs(shift) < 0.05 + 3 * whole.sortie.mount_yaw_std * change
    assert abs(shift) < 0.15


def test_density_and_phases(whole):
    calm = steady(whole)
    assert whole.sortie.column("density")[calm] == pytest.approx(on_grid(whole, "density")[calm], rel=0.005)
    assert len(whole.sortie.airborne) == 1
    start, end = whole.sortie.airborne[0]
    assert start == pytest.approx(44.0, abs=4.0)
    assert end == pytest.approx(40.0 + whole.flight.time[-1] - 4.0, abs=4.0)
    assert whole.sortie.ground_still[0][0] < 2.0


def test_every_column_has_a_source_and_progress_was_told(whole):
    assert set(whole.sortie.channels.columns) == set(whole.sortie.sources)
    assert whole.sortie.sources["rpm"].startswith("engine: raw.rpm")
    assert whole.sortie.channels.index.name == "time"
    assert [part for _, part in whole.told] == sorted(part for _, part in whole.told)
    assert whole.told[-1][1] == 1.0


def test_the_inputs_are_left_alone(whole, flights):
    again, _ = flights.log(whole.flight, mount=MOUNT, attitude="levelled", utc=(None, 1.7e9, None))
    for name, recording in whole.logs.items():
        for channel, series in recording.channels.items():
            assert np.array_equal(series[0].values, again[name].channels[channel][0].values)


def without(recording, *channels):
    kept = {k: v for k, v in recording.channels.items() if k not in channels}
    return Recording(recording.path, recording.format, recording.sha256, recording.size, None, kept)


def test_a_navigation_grade_bank_is_taken(flights):
    flight = flights.fly(22, legs=LEGS[:8], gust=0.2)
    logs, _ = flights.log(flight, attitude="navigation")
    sortie = assemble_sortie(flights.sheets(), logs)
    assert "navigation-grade" in sortie.bank_source


def test_the_unit_alone_gives_what_it_can(flights):
    flight = flights.fly(23, legs=LEGS[:6], gust=0.2)
    logs, truth = flights.log(flight)
    sortie = assemble_sortie(flights.sheets(names=("unit",)), {"unit": logs["unit"]})
    assert sortie.wind.method == "none"
    assert sortie.wind.north.value is None
    assert "rpm" not in sortie.channels
    assert len(sortie.airborne) == 1
    text = " ".join(sortie.warnings)
    assert "no ground velocity" in text and "no engine speed" in text and "trim speed" in text
    assert sortie.airspeed_std == pytest.approx(1.0)
    middle = np.median(sortie.column("airspeed")[2000:3000])
    assert middle == pytest.approx(np.median(truth.speed[10000:15000]), abs=1.5)


def test_missing_air_data_is_told_and_replaced(flights):
    flight = flights.fly(24, legs=LEGS[:6], gust=0.2)
    logs, truth = flights.log(flight)
    logs = {**logs, "unit": without(logs["unit"], "pressure", "temperature")}
    sortie = assemble_sortie(flights.sheets(), logs)
    assert sortie.density_std_ratio == pytest.approx(0.03)
    assert "no static pressure" in " ".join(sortie.warnings)
    middle = sortie.time.size // 2
    assert sortie.column("density")[middle] == pytest.approx(
        np.interp(sortie.time[middle], truth.time, truth.density), rel=0.04
    )
    gps = next(clock for clock in sortie.clock_offsets if clock.log == "gps")
    assert gps.method == "acceleration"
    assert gps.offset.value == pytest.approx(17.3, abs=3 * gps.offset.std)
    assert gps.offset.std < 0.15


def test_a_stated_offset_wins_and_is_checked(flights):
    flight = flights.fly(25, legs=LEGS[:6], gust=0.2)
    logs, _ = flights.log(flight)
    sortie = assemble_sortie(flights.sheets(stated={"engine": -20.0, "gps": 17.5}), logs)
    clocks = {clock.log: clock for clock in sortie.clock_offsets}
    assert (clocks["engine"].method, clocks["engine"].offset.value) == ("stated", -20.0)
    assert (clocks["gps"].method, clocks["gps"].offset.value) == ("stated", 17.5)
    told = [w for w in sortie.warnings if "stated clock offset" in w]
    assert len(told) == 1 and told[0].startswith("engine")


def test_utc_counts_where_it_agrees_and_is_overruled_where_not(flights):
    flight = flights.fly(26, legs=LEGS[:6], gust=0.2)
    logs, _ = flights.log(flight, utc=(1.7e9, 1.7e9 + 17.4, None))
    good = assemble_sortie(flights.sheets(), logs)
    gps = next(clock for clock in good.clock_offsets if clock.log == "gps")
    assert gps.method == "utc"
    assert gps.offset.value == pytest.approx(17.3, abs=0.2)
    logs, _ = flights.log(flight, utc=(1.7e9, 1.7e9 + 17.3 + 18.0, None))
    bad = assemble_sortie(flights.sheets(), logs)
    gps = next(clock for clock in bad.clock_offsets if clock.log == "gps")
    assert gps.method in ("acceleration", "climb")  # whichever is surer here
    assert gps.offset.value == pytest.approx(17.3, abs=0.3)
    assert any("leap seconds" in w for w in bad.warnings)


def test_a_log_of_another_day_is_left_out_and_told(flights):
    logs, _ = flights.log(flights.fly(27, legs=LEGS[:6], gust=0.2))
    strange, _ = flights.log(flights.fly(28, legs=((5200, 0), (7600, 120), (0, 300), (6800, 40)), leg=97.0))
    sortie = assemble_sortie(flights.sheets(), {**logs, "engine": strange["engine"]})
    engine = next(clock for clock in sortie.clock_offsets if clock.log == "engine")
    assert engine.offset.value is None
    assert "rpm" not in sortie.channels
    assert any("could not be aligned" in w for w in sortie.warnings)


def test_a_log_that_covers_a_part_is_told(flights):
    flight = flights.fly(29, legs=LEGS[:8], gust=0.2)
    logs, _ = flights.log(flight)
    engine = logs["engine"].channels["rpm"][0]
    half = engine.time < 380.0
    short = flights.recording("engine", {"rpm": (engine.time[half], engine.values[half])})
    sortie = assemble_sortie(flights.sheets(), {**logs, "engine": short})
    assert any(w.startswith("engine: covers") for w in sortie.warnings)
    assert np.isnan(sortie.column("rpm")[-500])


def test_a_sensor_put_on_backwards_is_noticed(flights):
    flight = flights.fly(30, legs=LEGS, gust=0.2)
    logs, _ = flights.log(flight, mount=(0.0, 0.0, np.pi))
    sortie = assemble_sortie(flights.sheets(), logs)
    assert any("sits turned in the unit" in w for w in sortie.warnings)
    rpm = sortie.column("rpm")
    roll = np.degrees(sortie.column("hang_roll"))
    air = (sortie.time > 60) & (sortie.time < 500)
    assert np.nanmean(roll[air & (rpm > 7000)]) - np.nanmean(roll[air & (rpm < 500)]) == pytest.approx(
        3.0, abs=0.5
    )


def test_stated_mount_is_used(flights):
    flight = flights.fly(31, legs=LEGS[:6], gust=0.2)
    logs, _ = flights.log(flight, mount=tuple(np.radians([30.0, 10.0, 45.0])))
    sortie = assemble_sortie(flights.sheets(mount=(30.0, 10.0, 45.0)), logs)
    assert "as stated" in sortie.mount
    assert sortie.mount_yaw_std == pytest.approx(np.radians(1.0))  # as well as a hand measures it
    air = (sortie.time > 60) & (sortie.time < 300)
    assert np.degrees(np.mean(sortie.column("hang_roll")[air])) == pytest.approx(2.0, abs=1.0)


def test_without_an_inertial_log_there_is_no_sortie(flights):
    logs, _ = flights.log(flights.fly(32, legs=LEGS[:3]))
    with pytest.raises(SortieError, match="log of the hung unit is missing"):
        assemble_sortie(flights.sheets(), {"gps": logs["gps"]})
    with pytest.raises(SortieError, match="lacks yaw_rate"):
        assemble_sortie(flights.sheets(), {**logs, "unit": without(logs["unit"], "yaw_rate")})


def test_stated_wind_serves_where_headings_do_not(flights):
    flight = flights.fly(33, legs=((6800, 0), (0, 15), (6800, 350), (0, 10), (5200, 0)), gust=0.2)
    logs, truth = flights.log(flight)
    air = SimpleNamespace(
        wind_speed_m_s=float(np.hypot(3.0, 2.0)),
        wind_from_deg=float(np.degrees(np.arctan2(2.0, -3.0))),
        wind_std_m_s=0.5,
        ground_pressure_hPa=None,
        ground_temperature_C=None,
        ground_height_m=None,
    )
    stated = assemble_sortie(flights.sheets(air=air), logs)
    assert stated.wind.method == "stated"
    assert stated.airspeed_std == pytest.approx(0.5)
    assert np.nanmean(stated.column("airspeed")[1000:2500]) == pytest.approx(
        np.mean(truth.speed[5000:12500]), abs=0.4
    )
    silent = assemble_sortie(flights.sheets(), logs)
    assert silent.wind.method == "none"
    assert any("wind not found" in w for w in silent.warnings)


def test_pitot_is_preferred_unless_it_is_a_copy_of_ground_speed(flights):
    flight = flights.fly(34, legs=LEGS, gust=0.2)
    logs, truth = flights.log(flight)
    slow = slice(None, None, 10)
    unit = {k: (s[0].time, s[0].values) for k, s in logs["unit"].channels.items()}
    measured = np.where(truth.flying, truth.speed / 1.05, 0.0)
    real = flights.recording("unit", unit | {"true_airspeed": (truth.time[slow], measured[slow])})
    sortie = assemble_sortie(flights.sheets(), {**logs, "unit": real})
    assert sortie.sources["airspeed"].startswith("logged true airspeed, times 1.0")
    middle = sortie.time.size // 2
    expected = np.interp(sortie.time[middle], truth.time, truth.speed)
    assert sortie.column("airspeed")[middle] == pytest.approx(expected, abs=0.3)
    gps = logs["gps"].channels
    ground = np.hypot(gps["velocity_north"][0].values, gps["velocity_east"][0].values)
    copy = flights.recording("unit", unit | {"true_airspeed": (gps["height"][0].time + 17.3, ground)})
    fake = assemble_sortie(flights.sheets(), {**logs, "unit": copy})
    assert any("only follows the speed over ground" in w for w in fake.warnings)
    assert fake.sources["airspeed"].startswith("ground velocity")
