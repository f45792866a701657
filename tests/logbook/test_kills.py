"""Writers that are killed lose nothing that was confirmed.

``tests/benchmarks/logbook_kills.py`` does the same 200 times over.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from .killing import kill_writers

pytestmark = [
    pytest.mark.synthetic,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL"),
]


def test_twenty_kills_lose_nothing(tmp_path: Path) -> None:
    tally = kill_writers(str(tmp_path), 12, seed=1)
    both = kill_writers(str(tmp_path / "two"), 4, seed=2, writers=2)
    assert (tally.kills, both.kills) == (12, 8)
    assert tally.confirmed + both.confirmed >= 12
    assert tally.lost + both.lost == []
    assert tally.unsound + both.unsound == []
    assert tally.leftovers + both.leftovers > 0, "some kills must fall between content and commit"


def test_kills_on_a_server_lose_nothing(server_place: Callable[[], str]) -> None:
    tally = kill_writers(server_place(), 3, seed=3, writers=2)
    assert tally.kills == 6 and tally.confirmed >= 1
    assert tally.lost == [] and tally.unsound == []


def test_a_writer_may_die_at_any_step(tmp_path: Path) -> None:
    script = Path(__file__).with_name("stepwise.py")
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path), "9"], capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["unsound"] == [] and told["lost"] == []
    assert set(told["steps"]) == {"making", "adding", "result", "deleting"}
    assert min(told["steps"].values()) >= 15
