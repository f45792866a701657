"""What makes flights hard, one effect at a time, against closed forms."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, radians

import numpy as np
import pytest
from scipy.signal import cont2discrete

from flightproc.channels import GRAVITY
from flightproc.errors import FlightprocError
from flightproc.simulate import simulate_sortie
from flightproc.simulate.flight import SEA_LEVEL_DENSITY, STEP, Flight, air_density, fly, random_walk
from flightproc.simulate.parameters import DEFAULTS, Parameters, override
from flightproc.simulate.scenario import Segment, school_card, with_pilot_inputs
from flightproc.simulate.sensors import true_motion
from flightproc.simulate.steady import steady_truth
from flightproc.simulate.wing import _linear_system, hang_stiffness, modes, steady_response

SPEED, DENSITY = 10.4, 1.17
STILL = replace(
    DEFAULTS,
    gust_level=0.0,
    engine_wander=0.0,
    pilot_shift=0.0,
    gravity_offset=0.0,
    c_l_trim=0.0,
    c_n_trim=0.0,
)
HARD = replace(
    STILL,
    riser_yaw_stiffness=50.0,
    riser_rake=0.2,
    thrust_offset=-0.006,
    canopy_roll_gain=0.15,
    canopy_yaw_gain=0.05,
    turn_with_thrust=0.25,
    torque_curvature=0.2,
    fuel_burn=12.0,
    offset_drift=0.001,
    gravity_offset=0.003,
    c_l_trim=1e-4,
    c_n_trim=-0.4e-4,
    pitch_period=2.2,
)
START = (
    Segment("ground", 0.0, "time", 2.0, on_ground=True),
    Segment("idle", 2200.0, "time", 2.0, on_ground=True),
    Segment("take-off", 7600.0, "above", 120.0, "heading", radians(8.0)),
)


def fly_one(parameters: Parameters, *segments: Segment, seed: int = 1) -> Flight:
    return fly(parameters, (*START, *segments), np.random.default_rng(seed))


def last(flight: Flight, name: str, seconds: float = 10.0) -> float:
    return float(np.mean(flight.columns[name][-round(seconds / STEP) :]))


@pytest.mark.analytic
def test_canopy_gives_the_wing_more_roll_and_yaw_than_the_unit_loses() -> None:
    hung = STILL.hung_mass * GRAVITY * STILL.hang_arm
    for gains, on_wing in (
        ({"canopy_roll_gain": 0.2}, {"wing_roll": 0.2}),
        ({"canopy_yaw_gain": -0.1}, {"wing_yaw": -0.1}),
    ):
        answer = steady_response(override(STILL, gains), SPEED, DENSITY, 20.0)
        passed = 20.0 - hung * answer["hang_roll"]
        assert 2.0 < passed < 10.0
        further = {name: share * passed for name, share in on_wing.items()}
        expected = steady_response(STILL, SPEED, DENSITY, 20.0, **further)
        for name in expected:
            assert answer[name] == pytest.approx(expected[name], rel=1e-9, abs=1e-12)


@pytest.mark.analytic
@pytest.mark.parametrize("gain", [-0.3, 0.3])
def test_thrust_of_four_tenths_of_weight_changes_every_turn_by_the_stated_part(gain: float) -> None:
    # riser moments alone, so that the wing's own coefficient is what is seen
    wing = replace(STILL, turn_with_thrust=gain, riser_roll_stiffness=0.0)
    thrust = 0.4 * wing.mass * GRAVITY
    for moments in ({"wing_roll": 5.0}, {"wing_yaw": 5.0}):
        glide = steady_response(wing, SPEED, DENSITY, 0.0, **moments)["turn_rate"]
        power = steady_response(wing, SPEED, DENSITY, 0.0, thrust=thrust, **moments)["turn_rate"]
        half = steady_response(wing, SPEED, DENSITY, 0.0, thrust=thrust / 2, **moments)["turn_rate"]
        assert power / glide == pytest.approx(1 + gain, rel=1e-9)
        assert half / glide == pytest.approx(1 + gain / 2, rel=1e-9)
    # the wing holds itself: the slowest mode is slower where it turns more
    slow, fast = modes(wing, SPEED, DENSITY)[0].real, modes(wing, SPEED, DENSITY, thrust)[0].real
    assert (fast > slow) == (gain > 0)


@pytest.mark.analytic
def test_torque_has_its_quadratic_term_and_none_with_a_still_propeller() -> None:
    curved = replace(STILL, torque_slope=-0.2, torque_curvature=0.5)
    flight = fly_one(curved, Segment("hold", 6800.0, "time", 40.0))
    turns = 6800.0 / 60.0 / curved.gear_ratio
    advance = last(flight, "airspeed") / (turns * curved.propeller_diameter)
    square = last(flight, "density") * turns**2 * curved.propeller_diameter**5
    factor = 1 - 0.2 * advance + 0.5 * advance**2
    assert last(flight, "torque") == pytest.approx(curved.torque_coefficient * square * factor, rel=1e-4)
    glide = fly_one(curved, Segment("glide", 2200.0, "time", 30.0))
    assert last(glide, "torque") == 0.0


@pytest.mark.analytic
def test_without_a_clutch_the_glide_has_idle_torque() -> None:
    glide = Segment("glide", 2200.0, "time", 40.0)
    turning = fly_one(replace(STILL, idle_turns_propeller=True), glide)
    turns = 2200.0 / 60.0 / STILL.gear_ratio
    advance = last(turning, "airspeed") / (turns * STILL.propeller_diameter)
    square = last(turning, "density") * turns**2 * STILL.propeller_diameter**5
    expected = STILL.torque_coefficient * square * (1 + STILL.torque_slope * advance)
    assert last(turning, "torque") == pytest.approx(expected, rel=1e-4)
    assert 1.0 < expected < 6.0
    assert last(turning, "roll_moment") == pytest.approx(expected, rel=1e-4)
    # a stopped engine turns nothing
    assert turning.columns["torque"][0] == 0.0


@pytest.mark.analytic
def test_fuel_burns_with_the_cube_of_engine_speed_and_lightens_what_hangs() -> None:
    thirsty = replace(STILL, fuel_burn=20.0)
    flight = fly_one(thirsty, Segment("hold", 6000.0, "time", 120.0))
    mass = flight.columns["hung_mass"]
    assert mass[0] == thirsty.hung_mass
    burned = mass[-round(60 / STEP) - 1] - mass[-1]
    assert burned == pytest.approx(20.0 / 60.0 * 0.75**3, rel=1e-3)
    truth = steady_truth(flight, thirsty, flight.time[-1] - 60.0, float(flight.time[-1]))
    assert truth["hung_mass_kg"] == pytest.approx(float(np.mean(mass[-round(60 / STEP) :])), abs=1e-3)
    lighter = replace(thirsty, hung_mass=float(truth["hung_mass_kg"] or 0.0))
    expected = hang_stiffness(lighter, last(flight, "airspeed", 60.0), last(flight, "density", 60.0))
    assert truth["hang_stiffness_N_m_rad"] == pytest.approx(expected, rel=1e-4)
    # 4 kg less of 100 kg hung: stiffness by m g h, trim speed by the root of the mass
    light = fly_one(replace(STILL, hung_mass=96.0), Segment("glide", 2200.0, "time", 30.0))
    heavy = fly_one(STILL, Segment("glide", 2200.0, "time", 30.0))
    assert last(light, "airspeed") / last(heavy, "airspeed") == pytest.approx(1.0, abs=1e-3)  # trim is stated
    half_hour = fly_one(
        replace(STILL, fuel_burn=400.0),
        Segment("climb", 7600.0, "time", 60.0),
        Segment("glide", 2200.0, "time", 30.0),
    )
    left = (last(half_hour, "hung_mass") + STILL.wing_mass) / STILL.mass
    assert left < 0.94
    speed = last(half_hour, "airspeed") * np.sqrt(last(half_hour, "density"))
    before = last(heavy, "airspeed") * np.sqrt(last(heavy, "density"))
    assert speed / before == pytest.approx(np.sqrt(left), rel=2e-3)


@pytest.mark.analytic
def test_the_pilot_settles_and_hang_roll_follows() -> None:
    moved = replace(STILL, offset_drift=0.004)
    flight = fly_one(moved, Segment("hold", 5600.0, "time", 300.0))
    offset = flight.columns["offset_moment"] / (moved.hung_mass * GRAVITY)
    assert np.allclose(offset, 0.004 * (1 - np.exp(-flight.time / 600.0)), atol=1e-9)
    plain = fly_one(STILL, Segment("hold", 5600.0, "time", 300.0))
    lean = true_motion(flight, moved).hang_roll - true_motion(plain, STILL).hang_roll
    stiffness = hang_stiffness(STILL, last(flight, "airspeed"), last(flight, "density"))
    expected = last(flight, "offset_moment") / stiffness
    assert float(np.mean(lean[-500:])) == pytest.approx(expected, rel=0.02)


@pytest.mark.synthetic
def test_trim_walks_at_random_as_far_as_stated() -> None:
    generator = np.random.default_rng(2)
    walks = np.array([random_walk(30_001, 2e-4, generator) for _ in range(400)])
    assert not np.any(walks[:, 0])
    # 600 s, a third of half an hour; 400 draws tell a standard deviation to 3.5 %
    assert np.std(walks[:, -1]) == pytest.approx(2e-4 * np.sqrt(600 / 1800), rel=0.12)
    assert abs(np.mean(walks[:, -1])) < 3 * 2e-4 * np.sqrt(1 / 3 / 400)
    # steps do not know each other
    first, second = walks[:, 15_000], walks[:, -1] - walks[:, 15_000]
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.2
    flight = fly_one(replace(HARD, trim_drift=2e-4), Segment("hold", 6000.0, "time", 20.0))
    assert flight.columns["roll_trim"][0] == HARD.c_l_trim
    assert np.ptp(flight.columns["roll_trim"]) > 1e-6


def _pulled(seconds: float, **brake: float) -> Flight:
    return fly_one(
        STILL, Segment("settle", 2200.0, "time", 10.0), Segment("hold", 2200.0, "time", seconds, **brake)
    )


@pytest.mark.analytic
@pytest.mark.parametrize("turn_deg_s", [2.0, -1.0])
def test_brake_held_turns_at_the_rate_asked_for(turn_deg_s: float) -> None:
    # asked for at the speed of the glide 300 m above the field, to which this one is near
    flight = _pulled(45.0, brake=radians(turn_deg_s))
    assert degrees(last(flight, "turn_rate")) == pytest.approx(turn_deg_s, rel=0.03)
    ratio = last(flight, "pilot_roll_moment") / last(flight, "pilot_yaw_moment")
    assert ratio == pytest.approx(STILL.brake_roll, rel=1e-9)


@pytest.mark.analytic
def test_pulse_is_there_for_its_time_only() -> None:
    flight = _pulled(40.0, brake=radians(2.0), brake_start=10.0, brake_end=15.0)
    pulled = flight.columns["pilot_roll_moment"][-round(40.0 / STEP) :]
    full = 2 * np.pi / 180 / steady_response(STILL, *_cruise(), 0.0, wing_yaw=1.0, wing_roll=0.3)["turn_rate"]
    assert not np.any(pulled[: round(10.0 / STEP)])
    assert pulled.max() == pytest.approx(0.3 * full, rel=1e-3)
    assert np.sum(pulled) * STEP == pytest.approx(0.3 * full * 5.0, rel=1e-2)
    assert abs(pulled[-1]) < 1e-9


def _cruise() -> tuple[float, float]:
    density = air_density(STILL, STILL.field_height + 300.0)[0]
    return STILL.trim_speed * float(np.sqrt(SEA_LEVEL_DENSITY / density)), density


@pytest.mark.synthetic
def test_share_of_holds_with_a_pilot_input_is_as_asked() -> None:
    card = school_card()
    planned = [i for i, segment in enumerate(card) if segment.kind in ("power", "glide", "ballast")]
    assert with_pilot_inputs(card, 0.0, np.random.default_rng(0)) == card
    touched, held, pulses, sides = 0, 0, [], []
    for seed in range(200):
        changed = with_pilot_inputs(card, 0.06, np.random.default_rng(seed))
        for i, segment in enumerate(changed):
            if not segment.brake:
                assert segment == card[i]
                continue
            assert 0.5 <= abs(degrees(segment.brake)) <= 3.0
            if i in planned:
                touched += 1
                sides.append(np.sign(segment.brake))
                if np.isfinite(segment.brake_end):
                    pulses.append(segment.brake_end - segment.brake_start)
                    assert 0 <= segment.brake_start < segment.brake_end <= segment.value
                else:
                    held += 1
            else:
                assert segment.label.startswith("settle") and changed[i + 1].brake == segment.brake
    chances = 200 * len(planned)
    assert touched / chances == pytest.approx(0.06, abs=4 * np.sqrt(0.06 / chances))
    assert held / touched == pytest.approx(0.6, abs=0.15)
    assert min(pulses) >= 3.0 and max(pulses) <= 8.0
    assert abs(np.mean(sides)) < 0.3


@pytest.mark.synthetic
def test_truth_tells_pilot_inputs_and_gusts_of_a_seed_stay() -> None:
    card = (*START, Segment("hold", 2200.0, "time", 30.0, kind="glide"), Segment("on", 6000.0, "time", 20.0))
    touched = replace(DEFAULTS, pilot_input_share=1.0)
    plain = fly(DEFAULTS, card, np.random.default_rng(4))
    pulled = fly(touched, card, np.random.default_rng(4))
    hold, after = pulled.flown[3], pulled.flown[4]
    assert steady_truth(pulled, touched, hold.start, hold.end)["pilot_input"] is True
    assert steady_truth(pulled, touched, after.start, after.end)["pilot_input"] is False
    assert steady_truth(plain, DEFAULTS, hold.start, hold.end)["pilot_input"] is False
    before = slice(0, round(hold.start / STEP))
    assert np.array_equal(plain.columns["turn_rate"][before], pulled.columns["turn_rate"][before])


@pytest.mark.analytic
def test_pitch_swings_with_its_period_and_rests_in_apparent_gravity() -> None:
    swinging = replace(STILL, pitch_period=2.2, pitch_damping=0.1)
    hold = Segment("hold", 6000.0, "time", 60.0)
    flight, lagging = fly_one(swinging, hold), fly_one(STILL, hold)
    expected = swinging.pitch_trim + swinging.pitch_with_thrust * last(flight, "thrust") / (
        swinging.mass * GRAVITY
    )
    assert last(flight, "pitch") == pytest.approx(expected, abs=1e-4)
    assert last(lagging, "pitch") == pytest.approx(expected, abs=1e-4)
    # throttle cut: the swing rings at sqrt(1 - d^2) / 2.2 s about where it comes to rest
    cut = fly_one(swinging, hold, Segment("glide", 2200.0, "time", 40.0))
    pitch = cut.columns["pitch"][-round(40.0 / STEP) :]
    smooth = fly_one(STILL, hold, Segment("glide", 2200.0, "time", 40.0)).columns["pitch"][
        -round(40.0 / STEP) :
    ]
    rest = float(np.mean(pitch[-500:]))
    part = pitch[round(4.0 / STEP) : round(16.0 / STEP)] - rest
    spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size), 1 << 15))
    frequency = np.fft.rfftfreq(1 << 15, STEP)
    band = frequency > 0.3  # above the airspeed's own swing of 0.17 Hz
    assert frequency[band][np.argmax(spectrum[band])] == pytest.approx(np.sqrt(1 - 0.01) / 2.2, rel=0.08)
    assert np.abs(part).max() > 1.5 * np.abs(smooth[round(4.0 / STEP) :] - rest).max()


@pytest.mark.synthetic
def test_gusts_swing_the_unit_in_pitch_against_apparent_gravity() -> None:
    hold = Segment("hold", 6000.0, "time", 200.0)
    seen = {}
    for name, period in (("swing", 2.2), ("lag", 0.0)):
        world = replace(STILL, gust_level=0.3, pitch_period=period)
        force = true_motion(fly_one(world, hold, seed=8), world).force[-round(180.0 / STEP) :]
        felt = np.arctan2(force[:, 0], -force[:, 2])
        power = np.abs(np.fft.rfft((felt - felt.mean()) * np.hanning(felt.size))) ** 2
        frequency = np.fft.rfftfreq(felt.size, STEP)
        seen[name] = [
            float(np.sqrt(np.sum(power[(frequency >= low) & (frequency < high)])))
            for low, high in ((0.0, 0.3), (0.3, 0.6))
        ]
    # at its own 0.45 Hz it rings, below that it follows apparent gravity, which a lag does not
    assert seen["swing"][1] > 1.5 * seen["lag"][1]
    assert seen["swing"][0] < 0.5 * seen["lag"][0]


@pytest.mark.analytic
@pytest.mark.parametrize("rpm", [5200.0, 7400.0])
def test_truth_of_a_hold_is_what_still_air_settles_to(rpm: float) -> None:
    flight = fly_one(HARD, Segment("hold", rpm, "time", 120.0))
    end = float(flight.time[-1])
    truth = steady_truth(flight, HARD, end - 20.0, end)
    turn = degrees(last(flight, "turn_rate", 20.0))
    assert abs(turn) > 0.3
    # the linear equations, and V for its horizontal part: 2 %
    assert truth["steady_turn_deg_s"] == pytest.approx(turn, rel=0.02)
    # its residual moment alone, on a symmetric aircraft, gives that turn
    symmetric = replace(HARD, hung_mass=float(truth["hung_mass_kg"] or 0.0))
    state = (last(flight, "airspeed", 20.0), last(flight, "density", 20.0))
    thrust = last(flight, "thrust", 20.0)
    residual = float(truth["residual_moment_N_m"] or 0.0)
    again = steady_response(symmetric, *state, residual, thrust=thrust)
    assert degrees(again["turn_rate"]) == pytest.approx(float(truth["steady_turn_deg_s"] or 0.0), rel=1e-5)
    # hang roll is all moments over the stiffness, but for what yaw and trim do to it by turning the wing
    moment = sum(last(flight, name, 20.0) for name in ("roll_moment", "ballast_moment", "offset_moment"))
    hang_roll = float(np.mean(true_motion(flight, HARD).hang_roll[-round(20.0 / STEP) :]))
    assert hang_roll * float(truth["hang_stiffness_N_m_rad"] or 0.0) == pytest.approx(moment, rel=0.02)
    assert truth["unit_twist_deg"] == pytest.approx(degrees(last(flight, "unit_twist", 20.0)), rel=1e-3)


@pytest.mark.analytic
def test_excess_turn_is_what_goes_away_with_the_yaw_moment_of_power() -> None:
    hold = Segment("hold", 7000.0, "time", 120.0)
    flight = fly_one(HARD, hold)
    end = float(flight.time[-1])
    truth = steady_truth(flight, HARD, end - 20.0, end)
    # thrust through the centre and the shaft along the path: no yaw moment left but that of pitch
    tilt = -last(flight, "pitch")
    straight = fly_one(replace(HARD, thrust_offset=0.0, shaft_tilt=tilt), hold)
    assert abs(last(straight, "power_yaw_moment")) < 0.02
    difference = degrees(last(flight, "turn_rate", 20.0) - last(straight, "turn_rate", 20.0))
    assert truth["excess_turn_deg_s"] == pytest.approx(difference, rel=0.03)
    without = steady_truth(straight, HARD, end - 20.0, float(straight.time[-1]))
    assert abs(float(without["excess_turn_deg_s"] or 0.0)) < 0.005


@pytest.mark.analytic
def test_truth_without_riser_stiffness_has_no_residual_moment() -> None:
    loose = replace(STILL, riser_roll_stiffness=0.0)
    flight = fly_one(loose, Segment("hold", 6000.0, "time", 30.0))
    truth = steady_truth(flight, loose, float(flight.time[-1]) - 10.0, float(flight.time[-1]))
    assert truth["residual_moment_N_m"] is None
    assert truth["hang_stiffness_N_m_rad"] == pytest.approx(loose.hung_mass * GRAVITY * loose.hang_arm)


@pytest.mark.analytic
@pytest.mark.parametrize("side", [1, -1])
def test_step_of_roll_moment_is_answered_as_the_linear_equations_say(side: int) -> None:
    # ballast hung out in a straight glide, so that speed and lift stay as they are
    world = replace(STILL, riser_yaw_stiffness=40.0, canopy_roll_gain=0.2, canopy_yaw_gain=0.1)
    out = Segment("out", 2200.0, "time", 15.0, ballast=side)
    flight = fly_one(world, Segment("glide", 2200.0, "time", 25.0), out)
    c = flight.columns
    start = c["unit_bank"].size - round(15.0 / STEP)
    a, b = _linear_system(world, last(flight, "airspeed", 15.0), last(flight, "density", 15.0))
    step_a, step_b, *_ = cont2discrete((a, b, np.eye(8), np.zeros((8, 4))), STEP, "zoh")
    state = np.zeros(8)
    states = []
    for moment in c["ballast_moment"][start:].tolist():
        states.append(state)
        state = step_a @ state + step_b[:, 0] * moment
    for i, name in ((2, "turn_rate"), (3, "wing_bank"), (4, "unit_bank")):
        expected, flown = np.array(states)[:, i], c[name][start:]
        assert np.sign(flown[-1]) == side
        assert np.allclose(expected, flown, atol=0.01 * float(np.abs(flown).max()))


@pytest.mark.synthetic
@pytest.mark.parametrize("kind", ["none", "hang_offset", "thrust_tilt", "slipstream_surface"])
def test_every_compensation_flies_with_everything_else_on(kind: str, short_card: tuple[Segment, ...]) -> None:
    size = 0.0 if kind == "none" else 8.0
    world = replace(
        HARD,
        compensation=kind,
        compensation_moment=size,
        compensation_rpm=7000.0,
        gust_level=0.2,
        gust_form="von_karman",
        gust_patchiness=0.3,
        thermal_level=0.2,
        trim_drift=1e-4,
        idle_turns_propeller=True,
    )
    sortie = simulate_sortie(3, world=world, card=short_card)
    assert sortie.truth["parameters"]["compensation"] == kind
    power, glide = sortie.planned_holds
    taken = power["propeller_torque_N_m"] - power["roll_moment_N_m"]
    assert taken == pytest.approx(0.0 if kind in ("none", "hang_offset") else size, rel=0.05, abs=1e-9)
    # a moved hang point is there in the glide too: it is in the residual moment, not in that of power
    plain = replace(world, compensation="none", compensation_moment=0.0)
    without = simulate_sortie(3, world=plain, card=short_card).planned_holds
    assert without[1]["residual_moment_N_m"] - glide["residual_moment_N_m"] == pytest.approx(
        {"hang_offset": size}.get(kind, glide["propeller_torque_N_m"] - glide["roll_moment_N_m"]),
        rel=0.05,
        abs=0.05,
    )
    assert without[0]["residual_moment_N_m"] - power["residual_moment_N_m"] == pytest.approx(size, rel=0.07)
    for hold in sortie.planned_holds:
        fields = ("steady_turn_deg_s", "excess_turn_deg_s", "residual_moment_N_m", "hang_stiffness_N_m_rad")
        assert all(np.isfinite(hold[field]) for field in fields)
        assert hold["pilot_input"] is False
        assert 400.0 < hold["hang_stiffness_N_m_rad"] < 600.0


@pytest.mark.regression
def test_choice_of_gust_form_is_checked() -> None:
    with pytest.raises(FlightprocError, match="gust_form is not allowed"):
        override(DEFAULTS, {"gust_form": "karman"})
