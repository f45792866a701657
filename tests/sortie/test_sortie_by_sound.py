"""A simulated sortie whose engine was not logged, but recorded: the same moment as with the log."""

from __future__ import annotations

import numpy as np
import pytest

from flightproc.analysis import analyse
from flightproc.simulate.scenario import school_card
from flightproc.simulate.sortie import simulate_sortie, write_sortie
from flightproc.simulate.sound import sound_of, wav_bytes

pytestmark = pytest.mark.synthetic

RATE = 2400.0
KEPT = (
    "glide 1",
    "power 6000 a",
    "power 7600 a",
    "glide 2",
    "ballast right 1",
    "ballast left 1",
    "power 6800 a",
)


def short_card():
    """The beginning and the end of the school's card, and seven of its holds with the turn before each."""
    card = school_card()
    first = next(i for i, s in enumerate(card) if "glide 1" in s.label) - 1
    last = next(i for i, s in enumerate(card) if s.label == "descending turns")
    out = list(card[:first])
    for name in KEPT:
        hold = next(i for i, s in enumerate(card) if s.label == f"hold {name}")
        out += card[hold - 2 : hold + 1]
    return tuple(out) + card[last:]


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """Results with the engine's log, with its sound in place of it, and the simulation."""
    folder = tmp_path_factory.mktemp("sortie")
    sortie = simulate_sortie(5, card=short_card())
    write_sortie(sortie, folder)
    sound = sound_of(sortie.flight, sortie.parameters, np.random.default_rng(5), RATE)
    (folder / "sound.wav").write_bytes(wav_bytes(sound, RATE))
    sheet = (folder / "sortie.toml").read_text()
    first, last = sheet.index('[[logs]]\nname = "engine"'), sheet.index("[air]")
    log = '[[logs]]\nname = "sound"\nfile = "sound.wav"\nrole = "other"\n\n'
    (folder / "sound.toml").write_text(sheet[:first] + log + sheet[last:])
    return analyse(folder / "sortie.toml"), analyse(folder / "sound.toml"), sortie


def test_the_source_and_a_warning_say_so(both):
    _, heard, _ = both
    assert heard.sortie.sources["rpm"].startswith("sound: lines in the sound of track 1")
    assert any("found from the sound of sound" in line for line in heard.warnings)


def test_the_clock_of_the_sound_is_found(both):
    _, heard, sortie = both
    clock = next(c for c in heard.sortie.clock_offsets if c.log == "sound")
    assert clock.offset.value == pytest.approx(sortie.parameters.engine_offset, abs=0.3)
    assert abs(clock.offset.value - sortie.parameters.engine_offset) < 3 * clock.offset.std


def test_the_same_holds_rpm_and_moments(both):
    logged, heard, _ = both
    power = [h for h in logged.holds if str(h.kind) == "power"]
    assert len(power) >= 3
    for hold in power:
        twin = max(heard.holds, key=lambda h: min(h.end, hold.end) - max(h.start, hold.start))
        assert min(twin.end, hold.end) - max(twin.start, hold.start) > 0.85 * (hold.end - hold.start)
        assert str(twin.kind) == "power"
        assert twin.rpm.value == pytest.approx(hold.rpm.value, rel=0.005)
        assert hold.roll_moment.low95 < twin.roll_moment.value < hold.roll_moment.high95
        assert twin.roll_moment.low95 < hold.roll_moment.value < twin.roll_moment.high95


def test_the_moments_hold_the_truth(both):
    _, heard, sortie = both
    for plan in sortie.planned_holds:
        if plan["kind"] != "power":
            continue
        hold = max(heard.holds, key=lambda h: min(h.end, plan["end_s"]) - max(h.start, plan["start_s"]))
        assert hold.rpm.value == pytest.approx(plan["rpm"], rel=0.005)
        assert hold.roll_moment.low95 < plan["roll_moment_N_m"] < hold.roll_moment.high95
