"""What a batch costs for each sortie, and what that means for 100,000 of them.

    python tests/benchmarks/batch_scale.py                 # about 2 min on two cores
    python tests/benchmarks/batch_scale.py --no-large      # without the 80 MB log
    python tests/benchmarks/batch_scale.py --sorties 20 --many 5000

Three things are measured, each by running ``flightproc batch`` as a process:

- sorties of the simulator, each another (6 MB of logs, 25 min), and one of 20 min with an 80 MB log;
- the same command once more, with everything kept;
- what the batch itself costs beside the analyses: many made-up sorties whose "analysis" hands back the
  bundled sortie's results, on this machine, kept, and on a Dask cluster of two local workers.

Processor times are sums over all processes, starts and imports included. ``docs/batch.md`` quotes them.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
SAMPLE = ROOT / "sample_logs" / "school-wing-28"
SCALE = 100_000

sys.path[:0] = [str(HERE), str(ROOT)]


def stand_in(sheets: Any) -> tuple[dict[str, Any], None]:
    """Hand back the bundled sortie's results as those of other sheets and logs."""
    from flightproc.sheets.inputs import input_paths

    document = json.loads((sheets.folder.parents[1] / "results.json").read_bytes())
    document["title"] = sheets.sortie.title
    document["provenance"]["inputs"] = [
        {"sha256": hashlib.sha256(item.path.read_bytes()).hexdigest()} for item in input_paths(sheets)
    ]
    return document, None


@dataclass(frozen=True)
class Cost:
    """What a run took: time [s], processor time of all its processes [s], memory of the largest [MB]."""

    wall: float
    cpu: float
    memory: float


def batch(folder: Path, out: Path, *options: str, made_up: bool = False) -> Cost:
    """Run a batch as a process and return what it took."""
    path = os.pathsep.join((str(HERE), str(ROOT)))
    environment = {**os.environ, "PYTHONPATH": path}
    command = [sys.executable, "-m", "flightproc"]
    if made_up:
        command = [sys.executable, str(HERE / "batch_scale.py"), "--as-program"]
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(
        [*command, "batch", str(folder), "-o", str(out), "--quiet", *options], env=environment
    )
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise SystemExit(f"the batch ended with exit code {done.returncode}")
    cpu = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    return Cost(time.perf_counter() - began, cpu, used.ru_maxrss / 1e3)


def write_made_up(folder: Path, number: int) -> None:
    """Write the bundled sortie's sheets with another title, and a few bytes as logs."""
    folder.mkdir(parents=True)
    for path in SAMPLE.iterdir():
        content = path.read_bytes() if path.suffix == ".toml" else f"{path.name} {number}".encode()
        (folder / path.name).write_bytes(content)
    sheet = folder / "sortie.toml"
    text = sheet.read_text(encoding="utf-8").replace("calm morning", f"sortie {number}")
    sheet.write_text(text, encoding="utf-8")


def size(folder: Path, pattern: str) -> int:
    return sum(path.stat().st_size for path in folder.glob(pattern) if path.is_file())


def summary(out: Path) -> list[dict[str, str]]:
    import csv

    with (out / "summary.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def tables_seconds(out: Path) -> float:
    """Return the processor time that writing the tables of a batch takes [s]."""
    from flightproc.batch import Outcome, Store
    from flightproc.batch.tables import write_tables

    told = json.loads((out / "batch.json").read_text(encoding="utf-8"))["sorties"]
    outcomes = [Outcome(item["sortie"], item["state"], item["key"]) for item in told]
    began = time.process_time()
    write_tables(Store(out), outcomes)
    return time.process_time() - began


@contextmanager
def cluster() -> Iterator[str]:
    """A Dask scheduler and two workers on this machine."""
    from distributed import LocalCluster

    os.environ["PYTHONPATH"] = os.pathsep.join((str(HERE), str(ROOT)))
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0") as made:
        yield made.scheduler_address


def say(label: str, value: str) -> None:
    print(f"  {label:<58}{value:>16}", flush=True)


def measure(base: Path, count: int, many: int, large: bool) -> None:
    """Measure and print."""
    from statistics import median

    import flightproc as fp

    print(f"{os.cpu_count()} cores; load at the start {os.getloadavg()[0]:.1f}\n")
    flights, out = base / "flights", base / "out"
    for number in range(count):
        fp.write_sortie(fp.simulate_sortie(100 + number), flights / f"{number:04}")
    whole = batch(flights, out)
    rows = summary(out)
    own = median(float(row["cpu_s"]) for row in rows)
    memory = max(float(row["memory_MB"]) for row in rows)
    stored = size(out, "store/*/*.gz") / count / 1e3
    minutes = sum(float(row["length_s"]) for row in rows) / 60.0 / count
    logs = sum(float(row["input_MB"]) for row in rows) / count
    print(
        f"{count} sorties of {minutes:.0f} min with {logs:.1f} MB of logs and sheets, analysed (no reports)"
    )
    say("processor time of one analysis, median [s]", f"{own:.2f}")
    say("the same with starts, imports and tables shared out [s]", f"{whole.cpu / count:.2f}")
    say("most memory of a worker [MB]", f"{memory:.0f}")
    say("stored result [kB a sortie]", f"{stored:.0f}")
    kept = batch(flights, out)
    say("once more, all kept: processor time [s a sortie]", f"{kept.cpu / count:.2f}")
    reported = batch(flights / "0000", base / "reported", "--report")
    say("with a report: processor time [s], one sortie, starts included", f"{reported.cpu:.2f}")
    # a table of one is nearly all names of columns
    table = (size(out, "results.*") - size(base / "reported", "results.*")) / max(count - 1, 1) / 1e3
    say("table of all results [kB a sortie]", f"{table:.1f}")
    say("the report [kB a sortie]", f"{size(base / 'reported', 'reports/**/*') / 1e3:.0f}")

    if large:
        from whole_speed import make_sortie

        facts = make_sortie(base / "large" / "a", 20.0)
        batch(base / "large", base / "large-out")
        row = summary(base / "large-out")[0]
        print(f"\none sortie of {facts['minutes']:.0f} min with a log of {facts['unit.ulg']:.0f} MB")
        say("processor time of its analysis [s]", f"{float(row['cpu_s']):.2f}")
        say("most memory of its worker [MB]", f"{float(row['memory_MB']):.0f}")
        say("stored result [kB]", f"{size(base / 'large-out', 'store/*/*.gz') / 1e3:.0f}")

    import gzip

    found = json.loads(gzip.decompress(next(out.glob("store/*/*.gz")).read_bytes()))
    (base / "results.json").write_text(json.dumps(found["results"]))
    for number in range(many):
        write_made_up(base / "many" / f"{number:06}", number)
    first = batch(base / "many", base / "many-out", made_up=True)
    again = batch(base / "many", base / "many-out", made_up=True)
    print(f"\n{many} made-up sorties: what the batch itself takes")
    say("processor time [ms a sortie]", f"{1e3 * first.cpu / many:.1f}")
    say("kept: processor time [ms a sortie]", f"{1e3 * again.cpu / many:.1f}")
    say("most memory of any process [MB]", f"{max(first.memory, again.memory):.0f}")
    say(
        "of that the tables, on one core [ms a sortie]",
        f"{1e3 * tables_seconds(base / 'many-out') / many:.1f}",
    )
    with cluster() as address:
        began = time.perf_counter()
        batch(base / "many", base / "cluster-out", "--scheduler", address, made_up=True)
        wall = time.perf_counter() - began
    say("on a cluster of two workers: time [ms a sortie]", f"{1e3 * wall / many:.1f}")
    say("on two workers of this machine: time [ms a sortie]", f"{1e3 * first.wall / many:.1f}")

    hours = (own + first.cpu / many) * SCALE / 3600.0
    print(f"\n{SCALE:,} sorties like these")
    say("processor time [core hours]", f"{hours:.0f}")
    say("on 64 cores [h]", f"{hours / 64.0:.1f}")
    say("running it again, all kept [core hours]", f"{again.cpu / many * SCALE / 3600.0:.1f}")
    say("stored results [GB]", f"{stored * SCALE / 1e6:.1f}")
    say("table of all results [GB]", f"{table * SCALE / 1e6:.2f}")
    say("logs and sheets to be read [GB]", f"{logs * SCALE / 1e3:.0f}")


def main() -> None:
    """Read the options and measure."""
    if sys.argv[1:2] == ["--as-program"]:
        import flightproc.cli
        from flightproc.batch import run_batch

        assert run_batch.__kwdefaults__ is not None
        run_batch.__kwdefaults__["analyse"] = "batch_scale:stand_in"
        sys.exit(flightproc.cli.main(sys.argv[2:]))
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--sorties", type=int, default=8, help="how many true sorties")
    parser.add_argument("--many", type=int, default=1000, help="how many made-up ones")
    parser.add_argument("--no-large", action="store_true", help="leave the 80 MB log out")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="batch-scale-") as folder:
        measure(Path(folder), options.sorties, options.many, not options.no_large)


if __name__ == "__main__":
    main()
