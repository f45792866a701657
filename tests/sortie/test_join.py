"""Several logs of one sortie: whatever the pilot carried, joined, with words on what was done."""

import re
from dataclasses import replace

import numpy as np
import pytest

from flightproc.errors import SortieError
from flightproc.readers import read_log
from flightproc.readers.recording import RawField, Series
from flightproc.sortie.align import align_log
from flightproc.sortie.assemble import assemble_sortie

pytestmark = pytest.mark.synthetic

FIXES = ("velocity_north", "velocity_east")
LEGS = ((6800, 0), (0, 95), (5200, 190), (7600, 270), (0, 20), (6800, 180), (5200, 300), (7600, 90))


@pytest.fixture(scope="module")
def base(flights):
    flight = flights.fly(41, legs=LEGS, gust=0.2)
    logs, truth = flights.log(flight)
    return logs, truth


def cut(flights, log, start, end, *, zero=True, utc=None, keep=None, source="raw"):
    """A part of a log on a clock that starts anew with it."""
    channels = {}
    for name, (series, *_) in log.channels.items():
        if keep is not None and name not in keep:
            continue
        part = (series.time >= start) & (series.time < end)
        channels[name] = (series.time[part] - (start if zero else 0.0), series.values[part])
    made = flights.recording("part", channels, utc)
    named = {
        k: tuple(replace(s, source=f"{source}.{k}") for s in group) for k, group in made.channels.items()
    }
    return replace(made, channels=named)


def sheets_for(flights, roles, **fields):
    sheets = flights.sheets(names=tuple(roles))
    for entry in sheets.sortie.logs:
        entry.role = roles[entry.name]
        for name, value in fields.get(entry.name, {}).items():
            setattr(entry, name, value)
    return sheets


def clocks_of(sortie):
    return {clock.log: clock for clock in sortie.clock_offsets}


def told(sortie):
    return "\n".join(sortie.warnings)


# Several logs of one role ---------------------------------------------------------------------------------


def test_a_logger_restarted_in_flight_is_joined_end_to_end(flights, base):
    logs, _ = base
    first = cut(flights, logs["gps"], 0.0, 260.0)
    second = cut(flights, logs["gps"], 300.0, 9e9)
    roles = {"unit": "unit", "early": "gps", "late": "gps", "engine": "engine"}
    sortie = assemble_sortie(
        sheets_for(flights, roles),
        {"unit": logs["unit"], "early": first, "late": second, "engine": logs["engine"]},
    )
    clocks = clocks_of(sortie)
    assert clocks["early"].offset.value == pytest.approx(17.3, abs=3 * clocks["early"].offset.std)
    assert clocks["late"].offset.value == pytest.approx(317.3, abs=3 * clocks["late"].offset.std)
    north = sortie.column("velocity_north")
    at = sortie.time
    assert np.isfinite(north[(at > 30) & (at < 276)]).all()
    assert np.isfinite(north[(at > 319) & (at < 500)]).all()
    assert np.isnan(north[(at > 280) & (at < 315)]).all()
    assert "late follows early" in told(sortie) and re.search(r"nothing logged for 4[01] s", told(sortie))
    assert "from early" in sortie.sources["velocity_north"] or "from late" in sortie.sources["velocity_north"]
    assert sortie.wind.method == "gps_circle"


def test_of_two_receivers_the_better_is_taken_and_the_other_checks_it(flights, base):
    logs, _ = base
    poor = cut(flights, logs["gps"], 100.0, 9e9, source="poor")
    height, slow = poor.channels["height"][0], slice(None, None, 4)
    every = {
        name: (replace(group[0], time=group[0].time[slow], values=group[0].values[slow]),)
        for name, group in poor.channels.items()
    }
    every["height"] = (Series("height", height.time[slow], height.values[slow] + 40.0, "poor.height"),)
    poor = replace(poor, channels=every)
    roles = {"unit": "unit", "poor": "gps", "good": "gps", "engine": "engine"}
    sortie = assemble_sortie(
        sheets_for(flights, roles),
        {"unit": logs["unit"], "poor": poor, "good": logs["gps"], "engine": logs["engine"]},
    )
    assert sortie.sources["velocity_north"].startswith("good: raw.velocity_north")
    assert "poor agrees" in sortie.sources["velocity_north"]
    assert "poor and good disagree in height: +40" in told(sortie)
    assert "disagree in velocity" not in told(sortie)


def test_gaps_of_one_receiver_are_filled_by_the_other(flights, base):
    logs, _ = base
    whole = logs["gps"]
    holes = {
        k: tuple(replace(s, values=np.where((s.time > 200) & (s.time < 240), np.nan, s.values)) for s in g)
        for k, g in whole.channels.items()
    }
    spare = cut(flights, whole, 150.0, 300.0, source="spare")
    roles = {"unit": "unit", "gps": "gps", "spare": "gps", "engine": "engine"}
    sortie = assemble_sortie(
        sheets_for(flights, roles),
        {**logs, "gps": replace(whole, channels=holes), "spare": spare},
    )
    assert "from spare: spare.velocity_north" in sortie.sources["velocity_north"]
    inside = (sortie.time > 220) & (sortie.time < 255)
    assert np.isfinite(sortie.column("velocity_east")[inside]).all()


# One logger, several files --------------------------------------------------------------------------------


def test_the_files_of_a_phone_share_its_clock(flights, base):
    logs, truth = base
    unit = logs["unit"]
    rates = ("roll_rate", "pitch_rate", "yaw_rate")
    forces = tuple(f"specific_force_{axis}" for axis in "xyz")
    # the accelerometer's file starts 3 s after the gyro's; both count from their own first row and have UTC
    accelerometer = cut(flights, unit, 3.0, 9e9, keep=forces, utc=1.7e9 + 3.0)
    gyro = cut(flights, unit, 0.0, 9e9, keep=rates, utc=1.7e9)
    barometer = cut(flights, unit, 0.0, 9e9, keep=("pressure", "temperature"), utc=1.7e9)
    roles = {"accelerometer": "unit", "gyro": "other", "barometer": "other", "gps": "gps", "engine": "engine"}
    shared = {"same_clock_as": "accelerometer"}
    sheets = sheets_for(flights, roles, gyro=shared, barometer=shared)
    recordings = {
        "accelerometer": accelerometer, "gyro": gyro, "barometer": barometer, "gps": logs["gps"],
        "engine": logs["engine"],
    }  # fmt: skip
    sortie = assemble_sortie(sheets, recordings)
    clocks = clocks_of(sortie)
    assert clocks["gyro"].method == "same_clock"
    assert clocks["gyro"].offset.value == pytest.approx(-3.0, abs=1e-6)
    assert clocks["gps"].offset.value == pytest.approx(14.3, abs=3 * clocks["gps"].offset.std)
    assert clocks["engine"].offset.value == pytest.approx(-28.6, abs=3 * clocks["engine"].offset.std)
    assert sortie.sources["roll_rate"].startswith("gyro: raw.roll_rate")
    error = sortie.column("turn_rate") - np.interp(sortie.time + 3.0, truth.time, truth.turn_rate)
    assert abs(np.degrees(np.mean(error[600:4000]))) < 0.1
    alone = sheets_for(flights, {**roles, "gyro": "other"}, barometer=shared)
    with pytest.raises(SortieError, match=r"lacks roll_rate.*same_clock_as"):
        assemble_sortie(alone, recordings)
    with pytest.raises(SortieError, match="cannot share the clock"):
        assemble_sortie(sheets, {**recordings, "gyro": replace(gyro, start_utc=None)})


def test_files_that_count_from_the_loggers_start_share_its_zero(flights, base):
    logs, _ = base
    slow = cut(flights, logs["gps"], 0.0, 9e9, zero=False, keep=("height",))
    fast = cut(flights, logs["gps"], 40.0, 9e9, zero=False, keep=("velocity_north", "velocity_east"))
    roles = {"unit": "unit", "fixes": "gps", "heights": "gps", "engine": "engine"}
    sortie = assemble_sortie(
        sheets_for(flights, roles, fixes={"same_clock_as": "heights"}),
        {"unit": logs["unit"], "heights": slow, "fixes": fast, "engine": logs["engine"]},
    )
    clocks = clocks_of(sortie)
    assert clocks["heights"].offset.value == pytest.approx(17.3, abs=3 * clocks["heights"].offset.std)
    assert clocks["fixes"].offset.value == clocks["heights"].offset.value
    assert "sideways acceleration" in clocks["heights"].words  # by way of the file of fixes


def test_an_accelerometer_without_gravity_or_in_g_is_refused(flights, base):
    logs, _ = base
    unit = logs["unit"]

    def changed(function):
        channels = {
            k: tuple(replace(s, values=function(k, s.values)) for s in g) if k.startswith("spec") else g
            for k, g in unit.channels.items()
        }
        return {**logs, "unit": replace(unit, channels=channels)}

    with pytest.raises(SortieError, match=r"does not hold gravity.*not the linear acceleration"):
        assemble_sortie(flights.sheets(), changed(lambda k, v: v + 9.8 if k.endswith("z") else v))
    with pytest.raises(SortieError, match=r'in g, not in m/s\^2.*unit = "g"'):
        assemble_sortie(flights.sheets(), changed(lambda k, v: v / 9.80665))
    with pytest.raises(SortieError, match=r"gyros turn one way.*sign = -1"):
        assemble_sortie(flights.sheets(), changed(lambda k, v: -v))


# Which field, which log -----------------------------------------------------------------------------------


def test_the_sheet_forces_a_field_and_an_unknown_one_is_refused(flights, base):
    logs, _ = base
    unit = logs["unit"]
    best = unit.channels["temperature"][0]
    other = replace(best, values=best.values + 2.0, source="probe.temperature")
    unit = replace(
        unit,
        channels={**unit.channels, "temperature": (best, other)},
        fields=(RawField("probe.humidity", 10, 1.0),),
    )
    recordings = {**logs, "unit": unit}
    sheets = flights.sheets()
    sheets.sortie.logs[0].sources = {"temperature": "probe.temperature"}
    sortie = assemble_sortie(sheets, recordings)
    assert sortie.sources["temperature"].startswith("unit: probe.temperature")
    plain = assemble_sortie(flights.sheets(), recordings)
    assert plain.sources["temperature"].startswith("unit: raw.temperature")
    assert np.nanmean(sortie.column("temperature") - plain.column("temperature")) == pytest.approx(2.0)
    sheets.sortie.logs[0].sources = {"temperature": "nonsense"}
    with pytest.raises(SortieError, match=r"does not have.*'nonsense'.*raw.temperature, probe.temperature"):
        assemble_sortie(sheets, recordings)
    sheets.sortie.logs[0].sources = {"temperature": "probe.humidity"}
    with pytest.raises(SortieError, match="does not feed it"):
        assemble_sortie(sheets, recordings)
    sheets.sortie.logs[0].sources = {"rpm": "esc.rpm"}
    with pytest.raises(SortieError, match="this log holds no rpm"):
        assemble_sortie(sheets, recordings)


def test_a_stated_source_comes_before_better_logs(flights, base):
    logs, _ = base
    gps = logs["gps"].channels
    inside = {k: (replace(g[0], time=g[0].time + 17.3, source=f"own.{k}"),) for k, g in gps.items()}
    unit = replace(logs["unit"], channels={**logs["unit"].channels, **inside})
    recordings = {**logs, "unit": unit}
    plain = assemble_sortie(flights.sheets(), recordings)
    assert plain.sources["height"].startswith("gps: raw.height")
    sheets = flights.sheets()
    sheets.sortie.logs[0].sources = {"height": "own.height", "velocity_north": "own.velocity_north"}
    forced = assemble_sortie(sheets, recordings)
    assert forced.sources["height"].startswith("unit: own.height")
    assert forced.sources["velocity_east"].startswith("unit: own.velocity_north")


def test_satellites_inside_the_units_log_need_no_alignment(flights, base):
    logs, _ = base
    gps = logs["gps"].channels
    inside = {k: (replace(g[0], time=g[0].time + 17.3),) for k, g in gps.items()}
    unit = replace(logs["unit"], channels={**logs["unit"].channels, **inside})
    sortie = assemble_sortie(
        sheets_for(flights, {"unit": "unit", "engine": "engine"}), {"unit": unit, "engine": logs["engine"]}
    )
    assert [c.method for c in sortie.clock_offsets] == ["reference", "vibration"]
    assert clocks_of(sortie)["unit"].offset.value == 0.0
    assert sortie.sources["velocity_north"].startswith("unit: raw.velocity_north")
    assert sortie.wind.method == "gps_circle"
    assert "gyros, with the change of ground velocity" in sortie.bank_source


# Time -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ours", "theirs", "offset", "method"),
    [
        ("unit", "gps", 17.3, "climb"),
        ("gps", "unit", -17.3, "climb"),
        ("unit", "engine", -25.6, "vibration"),
        ("engine", "unit", 25.6, "vibration"),
        ("gps", "late gps", 60.0, "climb"),
        ("fixes", "late fixes", 60.0, "track"),
        ("engine", "late engine", 60.0, "engine_speed"),
        ("unit", "late unit", 60.0, "turn_rate"),
        ("fixes", "unit", -17.3, "turn_rate"),
    ],
)
def test_any_two_logs_that_saw_the_same_thing(flights, base, ours, theirs, offset, method):
    logs, _ = base
    made = {
        **logs,
        "late gps": cut(flights, logs["gps"], 60.0, 9e9),
        "fixes": cut(flights, logs["gps"], 0.0, 9e9, keep=FIXES),
        "late fixes": cut(flights, logs["gps"], 60.0, 9e9, keep=FIXES),
        "late engine": cut(flights, logs["engine"], 60.0, 9e9),
        "late unit": cut(flights, logs["unit"], 60.0, 9e9),
    }
    entry = flights.sheets().sortie.logs[1]
    found = align_log(entry, made[ours], made[theirs], start=0.0)
    assert found.found is not None, found.warnings
    assert found.clock.method == method
    assert found.found.at(300.0) == pytest.approx(offset, abs=3 * found.found.std)
    assert 0.5 <= found.clock.correlation <= 1.0


def test_climb_tells_of_power_where_nothing_else_does(flights):
    powers = (7600, 7600, 0, 7600, 0, 0, 7600, 7600, 7600)
    legs = tuple((power, course) for power, course in zip(powers, range(0, 900, 100), strict=True))
    logs, _ = flights.log(flights.fly(43, legs=legs, gust=0.2))
    slow = cut(flights, logs["unit"], 0.0, 9e9, keep=("pressure", "yaw_rate"))
    entry = flights.sheets().sortie.logs[1]
    for ours, theirs, offset in ((slow, logs["engine"], -25.6), (logs["engine"], slow, 25.6)):
        found = align_log(entry, ours, theirs, start=0.0)
        assert found.clock.method == "climb"
        assert found.clock.offset.value == pytest.approx(offset, abs=3 * found.clock.offset.std)
        assert found.clock.offset.std >= 1.5


def test_what_agrees_too_weakly_is_refused_with_the_correlation(flights, base):
    logs, _ = base
    rng = np.random.default_rng(5)
    time = np.arange(0.0, 500.0, 0.2)
    noise = 5000.0 + 500.0 * np.convolve(rng.standard_normal(time.size), np.ones(50) / 7, mode="same")
    engine = flights.recording("engine", {"rpm": (time, noise)})
    sortie = assemble_sortie(flights.sheets(), {**logs, "engine": engine})
    assert clocks_of(sortie)["engine"].offset.value is None
    assert "engine: its clock could not be aligned" in told(sortie)
    assert "correlation 0." in told(sortie) and "clock_offset_s" in told(sortie)


def test_a_clock_goes_by_way_of_a_third_log(flights, base):
    logs, _ = base
    engine = logs["engine"].channels["rpm"][0]
    throttle = flights.recording(
        "throttle", {"throttle": (engine.time, np.clip(engine.values / 8000.0, 0, 1))}, 1.7e9 - 42.9
    )
    gps = replace(logs["gps"], start_utc=1.7e9)
    roles = {"unit": "unit", "gps": "gps", "throttle": "other"}
    sortie = assemble_sortie(
        sheets_for(flights, roles), {"unit": logs["unit"], "gps": gps, "throttle": throttle}
    )
    clock = clocks_of(sortie)["throttle"]
    assert clock.words.startswith("by way of gps: UTC of both logs")
    assert clock.offset.value == pytest.approx(-25.6, abs=2 * clock.offset.std)
    assert 0.3 <= clock.offset.std < 0.5


def test_a_drift_is_found_and_taken_out(flights):
    flight = flights.fly(42, legs=LEGS * 2, gust=0.1)
    logs, truth = flights.log(flight, drift=8e-4)
    sortie = assemble_sortie(flights.sheets(), logs)
    for name in ("gps", "engine"):
        clock = clocks_of(sortie)[name]
        assert clock.drift == pytest.approx(8e-4, rel=0.3), name
    rpm = np.interp(sortie.time, truth.time, truth.rpm)
    error = sortie.column("rpm") - rpm
    step = np.abs(np.gradient(rpm)) > 30
    assert np.nanmean(np.abs(error[step])) < 0.1 * np.nanmean(np.abs(np.gradient(rpm)[step])) * 10.0
    assert "drifts against the unit's" in told(sortie)


def test_partial_overlap_at_both_ends(flights, base):
    logs, _ = base
    engine = cut(flights, logs["engine"], 120.0, 480.0)
    gps = cut(flights, logs["gps"], 90.0, 9e9)
    sortie = assemble_sortie(flights.sheets(), {**logs, "engine": engine, "gps": gps})
    clocks = clocks_of(sortie)
    assert clocks["engine"].offset.value == pytest.approx(94.4, abs=3 * clocks["engine"].offset.std)
    assert clocks["gps"].offset.value == pytest.approx(107.3, abs=3 * clocks["gps"].offset.std)
    assert "engine: covers 360 s" in told(sortie) and "gps: covers" in told(sortie)
    known = np.isfinite(sortie.column("rpm"))
    assert known.sum() / sortie.rate == pytest.approx(360.0, abs=1.0)


def test_a_recorder_switched_on_in_flight_takes_its_bias_from_the_flight(flights, base):
    logs, truth = base
    unit = cut(flights, logs["unit"], 75.0, 480.0)
    sortie = assemble_sortie(flights.sheets(), {**logs, "unit": unit})
    assert sortie.ground_still == ()
    assert "never stood still" in told(sortie) and "was taken from the flight" in told(sortie)
    assert "s of flight" in sortie.sources["turn_rate"]
    at = sortie.time + 75.0
    calm = (np.abs(np.interp(at, truth.time, truth.turn_rate)) < 0.01) & (at < 470) & (at > 90)
    for name, bias in (("roll_rate", 0.004), ("pitch_rate", -0.003), ("yaw_rate", 0.006)):
        left = np.degrees(np.mean(sortie.column(name)[calm]))
        assert abs(left) < 0.1, name
        assert abs(left) < 0.6 * abs(np.degrees(bias)), name
    error = sortie.column("turn_rate") - np.interp(at, truth.time, truth.turn_rate)
    assert abs(np.degrees(np.mean(error[300:-300]))) < 0.1


def test_midnight_repeated_and_backward_times_in_a_table(flights, base, tmp_path):
    logs, _ = base
    rpm = logs["engine"].channels["rpm"][0]
    stamp = 86_400.0 - 200.0 + rpm.time  # midnight falls into the flight
    rows = []
    for i, (t, v) in enumerate(zip(stamp, rpm.values, strict=True)):
        clock = t % 86_400.0
        text = f"{int(clock // 3600):02d}:{int(clock % 3600 // 60):02d}:{clock % 60:06.3f}"
        rows.append(f"{text},{v:.0f}")
        if i % 400 == 100:
            rows.append(rows[-1])  # repeated
        if i % 400 == 300:
            rows.append(rows[-20])  # backward
    path = tmp_path / "engine.csv"
    path.write_text("Time of day,RPM (rpm)\n" + "\n".join(rows) + "\n")
    columns = {
        "time": {"column": "Time of day", "unit": "s"}, "rpm": {"column": "RPM (rpm)", "unit": "rpm"}
    }  # fmt: skip
    engine = read_log(path, columns)
    assert any(d.code == "bad_time" for d in engine.damage)
    sortie = assemble_sortie(flights.sheets(), {**logs, "engine": engine})
    clock = clocks_of(sortie)["engine"]
    assert clock.offset.value == pytest.approx(-25.6 - 86_200.0, abs=3 * clock.offset.std)
    assert np.isfinite(sortie.column("rpm")[100:4500]).all()
