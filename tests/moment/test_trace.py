"""The whole-sortie estimate on simulated sorties: truth recovered, honest budget, reasons to refuse."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from flightproc.holds.model import BallastWindow, HoldKind, HoldSearch, SearchSettings
from flightproc.holds.search import find_holds
from flightproc.moment.calibrate import Frame, Wing, make_priors
from flightproc.moment.trace import trace_sortie
from flightproc.moment.trace_model import SortieTrace
from flightproc.readers import read_log
from flightproc.sheets import load_sortie
from flightproc.simulate import simulate_sortie, write_sortie
from flightproc.sortie.assemble import assemble_sortie
from flightproc.sortie.model import Sortie

pytestmark = pytest.mark.synthetic

Array = NDArray[np.float64]
SLOPE = 0.15


@dataclass(frozen=True)
class Flown:
    """A simulated sortie as the estimator meets it, with the truth beside it."""

    sortie: Sortie
    search: HoldSearch
    ballast: tuple[BallastWindow, ...]
    static: Callable[[Array, Array], tuple[Array, Array]]

    def trace(self, **changes: Any) -> SortieTrace:
        frame = Frame(100.0, 1.0, 0.35, 0.03)
        given: dict[str, Any] = {
            "rig_torque": self.static,
            "reaction_sign": 1,
            "gear_ratio": 2.8,
            "diameter": 1.28,
            "frame": frame,
            "priors": make_priors(frame, Wing(28.0, 12.0, 10.2)),
            "ballast": self.ballast,
            "idle_rpm": 2750.0,
            "mount_yaw_std": self.sortie.mount_yaw_std,
            "density_relative_std": 0.002,
        }
        sortie = changes.pop("sortie", self.sortie)
        holds = changes.pop("holds", self.search.holds)
        return trace_sortie(sortie, holds, **(given | changes))


def fly(folder: Path, seed: int, **overrides: Any) -> Flown:
    simulated = simulate_sortie(seed, torque_slope=SLOPE, **overrides)
    write_sortie(simulated, folder)
    sheets = load_sortie(folder / "sortie.toml")
    logs = {
        entry.name: read_log(
            sheets.files[entry.name], columns={name: vars(c) for name, c in entry.columns.items()} or None
        )
        for entry in sheets.sortie.logs
    }
    sortie = assemble_sortie(sheets, logs)
    ballast = []
    for leg in sheets.sortie.ballast:
        bounds = leg.bounds(sortie.start_utc)
        assert bounds is not None
        ballast.append(BallastWindow(*bounds, moment=leg.moment, moment_std=leg.moment_std))
    pa = simulated.parameters
    scale = pa.torque_coefficient * pa.propeller_diameter**5

    def static(rpm: Array, density: Array) -> tuple[Array, Array]:
        turns = rpm / (60.0 * pa.gear_ratio)
        return scale * density * turns**2, np.full(rpm.size, 0.005)

    return Flown(
        sortie,
        find_holds(sortie, SearchSettings(idle_rpm=2750.0), ballast=ballast),
        tuple(ballast),
        static,
    )


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Flown:
    return fly(tmp_path_factory.mktemp("trace") / "sortie", 41, gust_level=0.15)


@pytest.fixture(scope="module")
def found(flown: Flown) -> SortieTrace:
    return flown.trace()


def test_the_ratio_is_recovered_within_three_percent(found: SortieTrace) -> None:
    assert found.accepted, found.reason
    truth = 1.0 + SLOPE * found.advance_ratio
    assert found.ratio.value is not None and found.ratio.std is not None
    assert found.ratio.std < 0.03
    assert abs(found.ratio.value - truth) < 3 * found.ratio.std
    assert 0.15 < found.advance_ratio < 0.3


def test_the_budget_adds_up_and_names_the_ballast(found: SortieTrace) -> None:
    budget = found.ratio.budget
    assert found.ratio.std == pytest.approx(math.sqrt(sum(part**2 for part in budget.values())))
    assert max(budget, key=lambda name: budget[name]) == "ballast mass and arm"
    assert {"noise of the power holds", "noise of the ballast legs", "yaw of the sensor", "rig"} <= set(
        budget
    )


def test_settings_follow_the_slope_and_share_their_draws(found: SortieTrace) -> None:
    assert [round(item.rpm, -2) for item in found.settings] == [5200.0, 6000.0, 6800.0, 7600.0]
    for item in found.settings:
        assert item.ratio.value == pytest.approx(found.ratio_at(item.advance_ratio).value)
    assert found.draws.shape == (4000, 2)


def test_stiffness_and_swing_are_those_of_the_unit(found: SortieTrace) -> None:
    # hung mass 100 kg, arm 0.35 m, risers 150 N m/rad, inertia 20 kg m^2; mass and arm drawn about these
    assert found.stiffness.value == pytest.approx(493.0, rel=0.2)
    assert found.mode.frequency.value == pytest.approx(4.97, rel=0.12)


def test_innovations_are_near_white(found: SortieTrace) -> None:
    fit = found.fit
    assert fit is not None
    assert np.max(np.abs(fit.autocorrelation)) < 0.1
    assert fit.over_persistence > 0.2
    assert 0.3 < fit.long_run < 3.0
    inside = (fit.spectrum > fit.spectrum_band[0]) & (fit.spectrum < fit.spectrum_band[1])
    assert np.mean(inside) > 0.75
    assert len(fit.words) == 4


def test_the_same_seed_gives_the_same_figures(flown: Flown, found: SortieTrace) -> None:
    again = flown.trace()
    assert again.ratio == found.ratio
    assert again.to_json() == found.to_json()


def test_without_ballast_the_interval_is_that_of_the_risers(flown: Flown, found: SortieTrace) -> None:
    bare = flown.trace(ballast=())
    assert bare.ratio.std is not None and found.ratio.std is not None
    assert bare.ratio.std > 5 * found.ratio.std
    assert max(bare.ratio.budget, key=lambda name: bare.ratio.budget[name]) == "riser stiffness"
    assert any("no ballast" in word for word in bare.words)
    inertia = Frame(100.0, 1.0, 0.35, 0.03, inertia=20.0, inertia_std=0.5)
    helped = flown.trace(ballast=(), frame=inertia)
    assert helped.ratio.std is not None
    assert helped.ratio.std < 0.5 * bare.ratio.std


def test_a_compensation_is_given_back(flown: Flown, found: SortieTrace) -> None:
    @dataclass(frozen=True)
    class Fitted:
        moment: float = 3.0
        moment_std: float = 0.3
        rpm: float = 6000.0
        on_rig: float = 0.0

    given = flown.trace(compensation=Fitted())
    turns = 6000.0 / 60.0 / 2.8
    density = float(np.nanmean(flown.sortie.channels["density"]))
    torque = float(flown.static(np.array([6000.0]), np.array([density]))[0][0])
    assert turns > 0
    assert given.ratio.value is not None and found.ratio.value is not None
    assert given.ratio.value - found.ratio.value == pytest.approx(3.0 / torque, rel=0.08)
    assert given.ratio.budget["compensation"] == pytest.approx(0.3 / torque, rel=0.15)
    cancelled = flown.trace(compensation=Fitted(on_rig=1.0))
    assert cancelled.ratio.budget["compensation"] < 0.2 * given.ratio.budget["compensation"]


def test_no_rig_no_power_no_glide_say_so(flown: Flown) -> None:
    assert flown.trace(rig_torque=None).reason == "no rig sheet was given"
    channels = flown.sortie.channels
    glides = [h for h in flown.search.holds if h.kind is not HoldKind.POWER]
    idle = replace(flown.sortie, channels=channels.assign(rpm=2200.0))
    refused = flown.trace(sortie=idle, holds=glides)
    assert "powered flight" in refused.reason and not refused.accepted
    blind = replace(flown.sortie, channels=channels.drop(columns="turn_rate"))
    assert flown.trace(sortie=blind).reason == "the sortie has no turn rate"
    full = replace(flown.sortie, channels=channels.assign(rpm=6000.0))
    assert "without power" in flown.trace(sortie=full).reason


def test_a_torque_that_changes_in_flight_is_not_averaged(flown: Flown) -> None:
    channels = flown.sortie.channels
    time = flown.sortie.time
    rpm = channels["rpm"].to_numpy()
    late = (time > 0.5 * time[-1]) & (rpm > 3000.0)
    moved = channels["hang_roll"] + np.where(late, math.radians(0.9), 0.0)
    broken = replace(flown.sortie, channels=channels.assign(hang_roll=moved))
    refused = flown.trace(sortie=broken)
    assert not refused.accepted
    assert "standard uncertainties" in refused.reason or "innovations" in refused.reason
    assert refused.ratio.known


def test_an_unknown_mount_is_left_to_the_holds(flown: Flown) -> None:
    refused = flown.trace(mount_yaw_std=math.radians(8.0))
    assert not refused.accepted
    assert "yaw of the sensor" in refused.reason


def test_a_thrust_line_off_centre_does_not_pass_for_torque(found: SortieTrace, tmp_path: Path) -> None:
    # 10 mm at some 600 N; the sortie beside it has an offset of a few millimetres at most
    offset = fly(tmp_path / "offset", 41, gust_level=0.15, thrust_offset=0.010)
    a, b = found.ratio.value, offset.trace().ratio.value
    assert a is not None and b is not None
    assert abs(b / a - 1.0) < 0.03
