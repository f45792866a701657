"""Build the distributions, look into them, and run the demo from the wheel in a clean environment.

``python tests/release/check_release.py``; ends with 1 and says why where something is not as it should be.
It needs a package index. Nothing is left behind but what ``--keep FOLDER`` asks for.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tarfile
import tempfile
import time
import venv
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_logs" / "school-wing-28"
NEEDED = ("flightproc/py.typed", "flightproc/report/templates/report.html", "flightproc/web/static/base.css")
STRAY = ("tests/", "sample_logs/", "docs/", "__pycache__", ".pyc", ".png")


class Fault(Exception):
    """Something that is not as it should be."""


def run(*words: str | Path, folder: Path, clean: bool = False) -> str:
    """Run a program and return its output; with ``clean``, with nothing of this environment but the path."""
    keep = {"PATH": os.environ["PATH"], "HOME": str(folder), "LANG": "C.UTF-8"} if clean else dict(os.environ)
    keep |= {"PIP_DISABLE_PIP_VERSION_CHECK": "1", "SOURCE_DATE_EPOCH": "1577836800"}
    done = subprocess.run(
        [str(word) for word in words], cwd=folder, env=keep, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise Fault(f"{' '.join(map(str, words))} ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.stdout


def tracked() -> set[str]:
    """Return the files of the package that git knows, or all of them where there is no git."""
    try:
        names = run("git", "ls-files", "flightproc", folder=ROOT).splitlines()
    except (Fault, FileNotFoundError):
        names = [p.relative_to(ROOT).as_posix() for p in (ROOT / "flightproc").rglob("*") if p.is_file()]
    return {name for name in names if "__pycache__" not in name}


def look_into_wheel(wheel: Path) -> None:
    """Hold what is in a wheel against what belongs there."""
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        metadata = archive.read(next(name for name in names if name.endswith(".dist-info/METADATA"))).decode()
    inside = {name for name in names if name.startswith("flightproc/")}
    rest = {name.split("/")[0].rsplit(".", 1)[-1] for name in names - inside}
    if rest != {"dist-info", "data"}:
        raise Fault(f"{wheel.name} has more at its top than it should: {sorted(rest)}")
    if lacking := (tracked() | set(NEEDED)) - inside:
        raise Fault(f"{wheel.name} lacks {sorted(lacking)}")
    if stray := [name for name in inside if any(word in name for word in STRAY)]:
        raise Fault(f"{wheel.name} holds what does not belong there: {stray[:5]}")
    for shared in ("share/man/man1/flightproc.1", "share/bash-completion/completions/flightproc"):
        if not any(name.endswith(shared) for name in names):
            raise Fault(f"{wheel.name} lacks {shared}")
    for line in (
        "License-Expression: BSD-3-Clause",
        "License-File: LICENSE",
        "Requires-Python: <3.15,>=3.11",
    ):
        if line not in metadata:
            raise Fault(f"the metadata of {wheel.name} lacks {line!r}")


def look_into_sdist(sdist: Path) -> None:
    """Hold what is in a source distribution against what belongs there."""
    with tarfile.open(sdist) as archive:
        names = {name.split("/", 1)[1] for name in archive.getnames() if "/" in name}
    wanted = {"LICENSE", "README.md", "pyproject.toml", "tests/conftest.py", "docs/man/flightproc.1"}
    wanted |= {path.relative_to(ROOT).as_posix() for path in SAMPLE.iterdir()}
    if lacking := wanted - names:
        raise Fault(f"{sdist.name} lacks {sorted(lacking)}")


def build(folder: Path) -> tuple[Path, Path]:
    """Build a source distribution, a wheel from it, and both again; return the first two."""
    venv.create(folder / "builder", with_pip=True)
    python = folder / "builder" / "bin" / "python"
    run(python, "-m", "pip", "install", "-q", "build", "hatchling", folder=folder)

    def once(kind: str, source: Path, out: Path) -> Path:
        run(python, "-m", "build", "-q", "-n", f"--{kind}", "-o", out, source, folder=folder)
        return max(out.iterdir(), key=lambda path: path.stat().st_mtime_ns)

    sdist, direct = (once(kind, ROOT, folder / f"first-{kind}") for kind in ("sdist", "wheel"))
    with tarfile.open(sdist) as archive:
        archive.extractall(folder / "source", filter="data")
    wheel = once("wheel", next((folder / "source").iterdir()), folder / "second-wheel")
    for one, other in ((direct, wheel), (sdist, once("sdist", ROOT, folder / "second-sdist"))):
        if one.read_bytes() != other.read_bytes():
            raise Fault(f"{one.name} came out with other bytes when it was built again")
    look_into_sdist(sdist)
    look_into_wheel(wheel)
    return sdist, wheel


def demo(folder: Path, wheel: Path) -> None:
    """Install the wheel alone and go from nothing to a report, outside of the tree."""
    venv.create(folder / "user", with_pip=True)
    bin_ = folder / "user" / "bin"
    run(bin_ / "python", "-m", "pip", "install", "-q", "--no-compile", wheel, folder=folder, clean=True)
    run(bin_ / "python", "-m", "pip", "check", folder=folder, clean=True)
    place = folder / "elsewhere"
    place.mkdir()
    told = run(bin_ / "flightproc", "--version", folder=place, clean=True).strip()
    name = run(
        bin_ / "python",
        "-c",
        "from importlib.metadata import version; import flightproc; "
        "print(version('flightproc'), flightproc.__version__, flightproc.__file__)",
        folder=place,
        clean=True,
    ).split()
    if not name[2].startswith(str(folder / "user")):
        raise Fault(f"the demo would run {name[2]}, not the wheel")
    run(bin_ / "flightproc", "simulate", "sample", "--seed", "28", folder=place, clean=True)
    for path in sorted(SAMPLE.iterdir()):
        made = (place / "sample" / path.name).read_bytes()
        if made != path.read_bytes():
            # the last place of a sine is the processor's; a sheet has none
            if path.suffix == ".toml" or len(made) != path.stat().st_size:
                raise Fault(f"the wheel makes another {path.name} than sample_logs has")
            print(f"{path.name} differs in the last places from that of sample_logs, on this processor")
    run(bin_ / "flightproc", "report", "sample/sortie.toml", "-o", "demo-out", folder=place, clean=True)
    results = json.loads((place / "demo-out" / "results.json").read_text(encoding="utf-8"))
    page = (place / "demo-out" / "report.html").read_text(encoding="utf-8")
    versions = {told.removeprefix("flightproc "), name[0], name[1], results["provenance"]["version"]}
    if len(versions) != 1:
        raise Fault(f"the version is told in different ways: {sorted(versions)}")
    if f"flightproc {name[0]}" not in page:
        raise Fault("the report does not tell the version")
    if not any(row["torque_ratio"]["value"] for row in results["comparison"]):
        raise Fault("the report of the demo has no ratio")
    for shared in ("man/man1/flightproc-report.1", "bash-completion/completions/flightproc"):
        if not (folder / "user" / "share" / shared).is_file():
            raise Fault(f"the wheel did not install share/{shared}")


def main() -> int:
    """Run the check."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="Copy both distributions there.")
    asked = parser.parse_args()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="flightproc-release-") as name:
        folder = Path(name)
        try:
            files = build(folder)
            print(f"built, twice with equal bytes ({time.monotonic() - begun:.0f} s)")
            demo(folder, files[1])
            print(
                f"wheel alone: sample made anew and set against sample_logs, report written, one version "
                f"({time.monotonic() - begun:.0f} s)"
            )
        except Fault as fault:
            print(f"not fit for release: {fault}", file=sys.stderr)
            return 1
        for path in files:
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            print(f"{path.name}  {path.stat().st_size / 1e6:.2f} MB  sha256 {digest}")
            if asked.keep:
                asked.keep.mkdir(parents=True, exist_ok=True)
                (asked.keep / path.name).write_bytes(path.read_bytes())
    return 0


if __name__ == "__main__":
    sys.exit(main())
