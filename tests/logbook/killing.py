"""Kill writers of a logbook at random moments, and see what is left.

Run as a script it is a nursery: it has everything imported, and for each line ``SEED...`` on its standard
input it forks writers, which tell each step on standard output once it is confirmed. So a kill costs
milliseconds, and falls into the work instead of into the start of Python.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).resolve().parent


def write_for_ever(place: str, seed: int) -> None:
    """Add, replace and delete until killed; tell each step."""
    from factory import document, gathered

    from flightproc.logbook import Logbook

    def tell(words: str) -> None:
        os.write(1, f"{os.getpid()} {words}\n".encode())

    rng = random.Random(seed)
    mine: list[tuple[str, int]] = []
    with Logbook(place, timeout=60.0) as book:
        for number in range(10_000):
            found = gathered(seed * 10_000 + number, size=rng.choice((300, 30_000, 400_000)))
            raw = document(found, rng.uniform(5.0, 40.0))
            added = book.add(found, raw, {"report.html": rng.randbytes(2000)})
            mine.append((found.entry.digest, added.sortie))
            tell(f"added {found.entry.digest}")
            if number % 4 == 3:
                digest, sortie = mine.pop(rng.randrange(len(mine)))
                tell(f"deleting {digest}")
                book.delete(sortie)
                tell(f"deleted {digest}")


def nursery(place: str) -> None:
    """Fork writers as asked."""
    import factory  # noqa: F401

    import flightproc.logbook  # noqa: F401

    for line in sys.stdin:
        children = []
        for seed in map(int, line.split()):
            child = os.fork()
            if not child:
                write_for_ever(place, seed)
                os._exit(0)
            children.append(child)
        for child in children:
            os.write(1, f"{child} born\n".encode())
        for child in children:
            os.waitpid(child, 0)
        os.write(1, b"0 end\n")


@dataclass
class Tally:
    """What was seen over all kills.

    Attributes
    ----------
    kills, confirmed : int
        Writers killed; entries that were told as added.
    lost : list of str
        Confirmed entries that were not there afterwards, and deleted ones that were.
    unsound : list of str
        Faults of checks, leftovers aside.
    leftovers, drafts, untold : int
        Kills after which content was there that nothing points to, or half written; entries that were there
        although the writer had not come to telling it.
    """

    kills: int = 0
    confirmed: int = 0
    lost: list[str] = field(default_factory=list)
    unsound: list[str] = field(default_factory=list)
    leftovers: int = 0
    drafts: int = 0
    untold: int = 0


def kill_writers(place: str, rounds: int, seed: int, writers: int = 1) -> Tally:
    """Kill ``writers`` writers at random moments, ``rounds`` times over, and check after each round."""
    from flightproc.logbook import Logbook, check_logbook

    rng = random.Random(seed)
    tally = Tally()
    with Logbook(place) as book:
        there = {entry.digest for entry in book.entries()}
    gone: set[str] = set()
    process = subprocess.Popen(
        [sys.executable, str(HERE / "killing.py"), place],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        bufsize=1,
    )
    assert process.stdin is not None and process.stdout is not None
    try:
        for number in range(rounds):
            seeds = [seed * 1000 + number * writers + k for k in range(writers)]
            process.stdin.write(" ".join(map(str, seeds)) + "\n")
            alive: list[int] = []
            doubtful: set[str] = set()
            killed = 0
            early = rng.random() < 0.2  # while the logbook is being made or opened
            while True:
                pid, what, *rest = process.stdout.readline().split()
                if what == "born":
                    alive.append(int(pid))
                elif what == "added":
                    there.add(rest[0])
                    tally.confirmed += 1
                elif what == "deleting":
                    there.discard(rest[0])
                    doubtful.add(rest[0])
                elif what == "deleted":
                    doubtful.discard(rest[0])
                    gone.add(rest[0])
                elif what == "end":
                    break
                if killed < len(alive) and ((early and what == "born") or what in ("added", "deleted")):
                    time.sleep(rng.uniform(0.0, 0.05 if early else 0.3))
                    os.kill(alive[killed], signal.SIGKILL)
                    killed += 1
            tally.kills += killed
            with Logbook(place) as book:
                checked = check_logbook(book)
                found = {entry.digest for entry in book.entries() if entry.results}
                left = book.place.files
                if left is not None and list(left.glob("drafts/*")):
                    tally.drafts += 1
                    for draft in left.glob("drafts/*"):
                        draft.unlink()
            tally.unsound += [f"{f.code} {f.where}: {f.words}" for f in checked.faults if f.lost]
            tally.leftovers += any(f.code == "orphan" for f in checked.faults)
            tally.lost += [f"{digest} is missing" for digest in there - found]
            tally.lost += [f"{digest} is back" for digest in gone & found]
            tally.untold += len(found - there - doubtful)
            there = found
    finally:
        process.stdin.close()
        process.wait(60)
        process.stdout.close()
    return tally


if __name__ == "__main__":
    sys.path.insert(0, str(HERE))
    nursery(sys.argv[1])
