"""Break commands off by Ctrl+C at random moments and print what was left half done: it must be nothing.

``python tests/benchmarks/break_off.py --times 20`` runs each command so many times into a folder that is not
there yet, and so many times into one that holds an earlier output.
"""

from __future__ import annotations

import argparse
import importlib.util
import random
import shutil
import sys
import tempfile
import time
from pathlib import Path


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--seed", type=int, default=8)
    parser.add_argument("--only", nargs="*", help="commands; all if not given")
    options = parser.parse_args()
    spec = importlib.util.spec_from_file_location(
        "breaking", Path(__file__).resolve().parents[1] / "sturdy" / "breaking.py"
    )
    assert spec is not None and spec.loader is not None
    breaking = importlib.util.module_from_spec(spec)
    sys.modules["breaking"] = breaking
    spec.loader.exec_module(breaking)
    draw = random.Random(options.seed)
    total = 0
    print("command    runs  broken off  faults")
    with tempfile.TemporaryDirectory(prefix="flightproc-break-") as name:
        place = Path(name)
        calls, out = breaking.calls(place), place / "out"
        breaking.break_off(calls["report"], place, None)
        shutil.copy(out / "results.json", place / "results.json")
        for command in options.only or calls:
            shutil.rmtree(out, ignore_errors=True)
            begun = time.monotonic()
            breaking.break_off(calls[command], place, None)
            lasts, earlier = time.monotonic() - begun, breaking.content(out)
            kept = place / "earlier"
            shutil.rmtree(kept, ignore_errors=True)
            shutil.copytree(out, kept)
            wrong, broken = [], 0
            for number in range(2 * options.times):
                shutil.rmtree(out, ignore_errors=True)
                if number % 2 and command != "new":
                    shutil.copytree(kept, out)
                before = breaking.content(out)
                ended = breaking.break_off(calls[command], place, draw.uniform(0.0, 1.1 * lasts))
                broken += ended.code == 130
                wrong += breaking.faults(ended, before, breaking.content(out), set(earlier))
                strange = [p.name for p in place.iterdir() if p.name.startswith(".")]
                wrong += [f"left {path} beside the folder" for path in strange]
                for path in strange:
                    shutil.rmtree(place / path, ignore_errors=True)
            total += len(wrong)
            print(f"{command:<9}{2 * options.times:>6}{broken:>12}{len(wrong):>8}", flush=True)
            for text in sorted(set(wrong))[:8]:
                print(f"    {text}")
    return 1 if total else 0


if __name__ == "__main__":
    sys.exit(main())
