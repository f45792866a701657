"""The search over a few members of the simulated family: files written, read, assembled and searched."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flightproc.holds.model import BallastWindow, Hold, SearchSettings
from flightproc.holds.search import find_holds
from flightproc.readers import read_log
from flightproc.sheets import load_sortie
from flightproc.simulate import family_member, write_sortie
from flightproc.sortie.assemble import assemble_sortie

pytestmark = pytest.mark.synthetic

SEED, MEMBERS = 6000, (0, 1, 2, 3)
SETTLING = 12.0

Searched = list[tuple[dict[str, Any], tuple[Hold, ...]]]


@pytest.fixture(scope="session")
def searched(tmp_path_factory: pytest.TempPathFactory) -> Searched:
    """Return truth and holds found of each member."""
    out = []
    for index in MEMBERS:
        sortie = family_member(SEED, index)
        folder = tmp_path_factory.mktemp("family") / "sortie"
        write_sortie(sortie, folder)
        sheets = load_sortie(Path(folder) / "sortie.toml")
        recordings = {}
        for entry in sheets.sortie.logs:
            columns = {name: vars(column) for name, column in entry.columns.items()}
            recordings[entry.name] = read_log(sheets.files[entry.name], columns=columns or None)
        flown = assemble_sortie(sheets, recordings)
        legs = [(leg, leg.bounds(flown.start_utc)) for leg in sheets.sortie.ballast]
        ballast = [BallastWindow(*b, leg.moment, leg.moment_std) for leg, b in legs if b is not None]
        search = find_holds(flown, SearchSettings(settling=SETTLING), ballast=ballast)
        out.append((sortie.truth, search.holds))
    return out


def test_planned_holds_are_found(searched: Searched) -> None:
    shares = []
    for truth, holds in searched:
        for plan in truth["planned_holds"]:
            if plan["pilot_input"]:
                continue
            covered = [min(h.end, plan["end_s"]) - max(h.start, plan["start_s"]) for h in holds]
            best = int(np.argmax(covered))
            share = covered[best] / (plan["end_s"] - plan["start_s"])
            shares.append(share if str(holds[best].kind) == plan["kind"] else 0.0)
    assert len(shares) > 50
    assert np.mean(np.array(shares) >= 0.9) >= 0.95


def test_what_is_found_was_planned(searched: Searched) -> None:
    found, false = 0, 0
    for truth, holds in searched:
        for hold in holds:
            spans = [(p["settling_start_s"], p["end_s"]) for p in truth["planned_holds"]]
            inside = max(min(hold.end, end) - max(hold.start, start) for start, end in spans)
            found += 1
            false += inside < 0.5 * hold.duration
    assert false <= 1 and found > 50


def test_bounds_are_within_two_seconds(searched: Searched) -> None:
    off = []
    for truth, holds in searched:
        for plan in truth["planned_holds"]:
            for hold in holds:
                if min(hold.end, plan["end_s"]) - max(hold.start, plan["start_s"]) > 30.0:
                    off += [hold.start - SETTLING - plan["settling_start_s"], hold.end - plan["end_s"]]
    assert np.median(np.abs(off)) < 2.0
    assert np.quantile(np.abs(off), 0.9) < 5.0
