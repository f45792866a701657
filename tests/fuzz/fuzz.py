"""Fuzz readers and sheet parsers, led by the coverage of the package, and keep what was found.

    python tests/fuzz/fuzz.py ULog --seconds 60
    python tests/fuzz/fuzz.py --all --seconds 60         # each target in turn
    python tests/fuzz/fuzz.py --list
    python tests/fuzz/fuzz.py ULog --repeat FILE         # one input again, with its traceback

Needs the extra ``[fuzz]`` (atheris, on Linux and macOS). A finding is: an exception that is no
FlightprocError, a warning, a rule of `rules.py` broken, more than 10 s for one input, or more memory than the
limit. Each kind is kept once, as a file in ``--keep``. Prints for each target the inputs tried, the edges of
the package's code reached at first and at last, and the findings; ends with 1 where there were any.

Every target runs in a process of its own: `--child` is that process.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import json
import os
import random
import re
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))


def _key(error: Exception) -> str:
    """Return what makes two exceptions the same finding: their kind and the last line of the package."""
    frames = [f for f in traceback.extract_tb(error.__traceback__) if "flightproc" in f.filename]
    place = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "outside"
    return f"{type(error).__name__} at {place}"


def child(name: str, keep: Path, corpus: Path, options: list[str]) -> None:
    """Fuzz one target until libFuzzer ends the process."""
    import atheris

    from tests.fuzz.damage import mutate

    seen: set[str] = set()

    def found(kind: str, words: str, data: bytes) -> None:
        if kind not in seen:
            seen.add(kind)
            stem = hashlib.sha256(f"{name} {kind}".encode()).hexdigest()[:12]
            (keep / f"{stem}.input").write_bytes(data)
            (keep / f"{stem}.json").write_text(json.dumps({"target": name, "kind": kind, "words": words}))

    def one(data: bytes) -> None:
        try:
            with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
                warnings.simplefilter("error")
                broken = target.run(data)
        except MemoryError:
            raise
        except Exception as error:  # whatever it is, it is what this script looks for
            found(_key(error), "".join(traceback.format_exception(error))[-3000:], data)
        else:
            if broken:
                found(re.sub(r"[\d.]+", "N", broken), broken, data)

    def mutated(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.random() < 0.5:
            return bytes(atheris.Mutate(data, most))
        return mutate(data, rng, target.kind)[:most]

    with atheris.instrument_imports(include=["flightproc"]):
        from tests.fuzz.targets import TARGETS

        target = TARGETS[name]
        for seed in target.seeds():
            (corpus / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
            one(seed)  # imports what is imported late, so that it is followed too
    atheris.Setup([sys.argv[0], *options, str(corpus)], one, custom_mutator=mutated)
    atheris.Fuzz()


def fuzz(name: str, seconds: float, keep: Path, memory: int, seed: int) -> int:
    """Fuzz one target for a while; print a line on it and return how many findings there are."""
    began, end = time.monotonic(), time.monotonic() + seconds
    runs = first = last = 0
    stopped: list[str] = []
    with tempfile.TemporaryDirectory(prefix="flightproc-corpus-") as folder:
        corpus, artefacts = Path(folder, "corpus"), Path(folder, "artefacts")
        corpus.mkdir()
        artefacts.mkdir()
        words = Path(folder, "words")
        from tests.fuzz.targets import TARGETS, dictionary

        escaped = (re.sub(rb'["\\]', rb"\\\g<0>", word).decode() for word in dictionary(TARGETS[name]))
        words.write_text("".join(f'"{word}"\n' for word in escaped if word.isprintable()))
        while (left := end - time.monotonic()) > 1.0 and len(stopped) < 5:
            options = [
                f"-max_total_time={max(1, round(left))}", "-timeout=10", f"-rss_limit_mb={memory}",
                f"-artifact_prefix={artefacts}/", f"-seed={seed + len(stopped)}", "-max_len=20000",
                "-print_final_stats=1", *([f"-dict={words}"] if words.stat().st_size else []),
            ]  # fmt: skip
            command = [sys.executable, __file__, name, "--child", str(keep), str(corpus), *options]
            done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
            reached = [int(n) for n in re.findall(r"cov: (\d+)", done.stderr)]
            if not reached:
                print(done.stderr[-2000:])
                raise SystemExit(f"{name}: the fuzzer did not begin")
            first, last = first or reached[0], max(last, *reached)
            runs += int((re.findall(r"number_of_executed_units: (\d+)", done.stderr) or ["0"])[-1])
            for file in artefacts.iterdir():
                kind = file.name.split("-")[0]
                stopped.append(kind)
                file.rename(keep / f"{name.replace(' ', '-')}-{file.name}")
            if done.returncode == 0:
                break
            if not any(artefacts.iterdir()) and not stopped:
                raise SystemExit(f"{name}: {done.stderr[-2000:]}")
    kept = [json.loads(file.read_text()) for file in sorted(keep.glob("*.json"))]
    mine = [entry for entry in kept if entry["target"] == name]
    count, took = len(mine) + len(stopped), time.monotonic() - began
    print(f"{name:<24}{runs:>9}{first:>8}{last:>8}{count:>9}{took:>8.0f} s", flush=True)
    for entry in mine:
        print(f"    {entry['kind']}")
    for kind in stopped:
        print(f"    {kind}")
    return count


def main() -> int:
    """Fuzz the targets asked for."""
    if "--child" in sys.argv:
        name, _, keep, corpus, *options = sys.argv[1:]
        child(name, Path(keep), Path(corpus), options)
        return 0
    from tests.fuzz.targets import TARGETS, closed

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("targets", nargs="*", metavar="TARGET", help="names of targets")
    parser.add_argument("--all", action="store_true", help="every target in turn")
    parser.add_argument("--list", action="store_true", help="print the names of the targets")
    parser.add_argument("--seconds", type=float, default=60.0, help="for each target")
    parser.add_argument("--keep", type=Path, default=Path("fuzz-findings"), help="folder for findings")
    parser.add_argument("--memory", type=int, default=1024, help="most memory of a process [MB]")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--repeat", type=Path, help="run one input again, with its traceback")
    options = parser.parse_args()
    names = list(TARGETS) if options.all else options.targets
    wrong = [name for name in names if name not in TARGETS]
    if wrong or options.list or not names:
        print("\n".join(TARGETS))
        return 2 if wrong or not options.list else 0
    if options.repeat is not None:
        warnings.simplefilter("error")
        try:
            print(TARGETS[names[0]].run(options.repeat.read_bytes()) or "no rule is broken")
        finally:
            closed()
        return 0
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    options.keep.mkdir(parents=True, exist_ok=True)
    print(f"{'target':<24}{'inputs':>9}{'edges':>8}{'at last':>8}{'findings':>9}{'time':>10}")
    count = sum(fuzz(name, options.seconds, options.keep, options.memory, options.seed) for name in names)
    return 1 if count else 0


if __name__ == "__main__":
    sys.exit(main())
