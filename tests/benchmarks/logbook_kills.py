"""Kill writers of a logbook at random moments (SIGKILL) and print what was lost: it must be nothing.

``python tests/benchmarks/logbook_kills.py --kills 200`` with one writer at a time, then with two at once.
``--url postgresql://...`` does it on a server.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 20  # kills on one logbook, before a new one is taken


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--url", default=None, help="an empty database on a server")
    options = parser.parse_args()
    path = Path(__file__).resolve().parents[1] / "logbook" / "killing.py"
    spec = importlib.util.spec_from_file_location("killing", path)
    assert spec is not None and spec.loader is not None
    killing = importlib.util.module_from_spec(spec)
    sys.modules["killing"] = killing
    spec.loader.exec_module(killing)
    for writers in (1, 2):
        total = killing.Tally()
        began = time.monotonic()
        while total.kills < options.kills:
            rounds = -(-min(ROUNDS, options.kills - total.kills) // writers)
            with tempfile.TemporaryDirectory() as folder:
                seed = options.seed + 100 * writers + total.kills
                tally = killing.kill_writers(options.url or folder, rounds, seed, writers)
            for name, value in vars(tally).items():
                setattr(total, name, getattr(total, name) + value)
        print(
            f"{writers} writer(s): {total.kills} kills in {time.monotonic() - began:.0f} s, "
            f"{total.confirmed} sorties confirmed, {len(total.lost)} lost, {len(total.unsound)} faults; "
            f"content nothing points to after {total.leftovers} rounds, half-written drafts after "
            f"{total.drafts}; {total.untold} sorties whole but not yet told"
        )
        for words in (*total.lost, *total.unsound):
            print("  ", words)


if __name__ == "__main__":
    main()
