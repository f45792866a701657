"""Damage uploads at random and send them to a server: it must answer each, stay up, and lose nothing.

::

    python tests/benchmarks/page_hostile.py --uploads 1000 --seed 1
"""

from __future__ import annotations

import argparse
import collections
import importlib.util
import random
import sys
import tempfile
import time
from pathlib import Path
from types import ModuleType

from flightproc.logbook import Logbook, check_logbook

WEB = Path(__file__).resolve().parents[1] / "web"


def load(name: str) -> ModuleType:
    """Return a module of the tests."""
    spec = importlib.util.spec_from_file_location(f"page_{name}", WEB / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def main() -> None:
    """Send, count, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--uploads", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    helpers, hostile = load("helpers"), load("hostile")
    rng, files = random.Random(options.seed), hostile.corpus()
    codes: collections.Counter[int] = collections.Counter()
    states: collections.Counter[str] = collections.Counter()
    unforeseen, slowest = [], 0.0
    with tempfile.TemporaryDirectory() as name:
        server = helpers.start_server(Path(name))
        page = server.page()
        saved = page.upload(*helpers.LOGS, *helpers.SHEETS).json()["id"]
        assert page.wait(saved, seconds=600)["state"] == "done"
        page.call("POST", f"/api/sorties/{saved}/save")
        headers = {"X-CSRF-Token": page.csrf}
        begun = time.monotonic()
        mine: list[str] = []

        def settle(most: int) -> None:
            while len(mine) > most:
                state = page.state(mine[0])
                if state["busy"]:
                    time.sleep(0.1)
                    continue
                states[state["state"]] += 1
                if "not foreseen" in state["words"] or "from outside" in state["words"]:
                    logs = sorted(Path(name).glob(f"serve/jobs/{mine[0]}/runs/*/worker.log"))
                    told = "".join(log.read_text(errors="replace")[-600:] for log in logs)
                    unforeseen.append(f"{state['words']} {[log['name'] for log in state['logs']]}\n{told}")
                page.call("DELETE", f"/api/sorties/{mine.pop(0)}")

        for number in range(options.uploads):
            body, kind = hostile.upload(rng, files)
            while True:
                at = time.monotonic()
                answer = page.client.post(
                    "/api/sorties", content=body, headers={**headers, "Content-Type": kind}
                )
                slowest = max(slowest, time.monotonic() - at)
                if answer.status_code != 429:
                    break
                time.sleep(float(answer.headers["retry-after"]))
            codes[answer.status_code] += 1
            if answer.status_code == 201:
                mine.append(answer.json()["id"])
            settle(20)
            if (number + 1) % 100 == 0:
                print(f"{number + 1} sent after {time.monotonic() - begun:.0f} s", flush=True)
        settle(0)
        at = time.monotonic()
        front = page.client.get("/").status_code
        front_s = time.monotonic() - at
        with Logbook(str(Path(name) / "book")) as book:
            sound = check_logbook(book).sound
        alive = server.process.poll() is None
        server.stop()
        said = (Path(name) / "server.log").read_text()
    print(f"uploads answered: {sum(codes.values())} of {options.uploads}; by status {dict(codes)}")
    print(f"slowest answer {slowest:.2f} s; ends of the tasks {dict(states)}")
    print(f"tasks that ended in a way not foreseen: {len(unforeseen)}")
    for line in unforeseen[:10]:
        print(f"  {line}")
    lines = said.splitlines()
    print(f"errors of the server itself: {said.count('Traceback')}; lines it logged: {len(lines)}")
    print("\n".join(f"  {line}" for line in lines[:10]))
    print(f"server up: {alive}, front page {front} in {front_s:.2f} s, logbook sound: {sound}")


if __name__ == "__main__":
    main()
