"""Run tests under the lowest versions that pyproject.toml allows.

``python tests/release/check_lowest.py`` makes a fresh environment with the lowest version of each direct
dependency (of every extra but ``docs``, ``polars`` and ``test``) and runs the sample sortie and the tests of
readers, sheets, rig and command line in it; words after ``--`` go to pytest instead of those. It needs a
package index. The tools of the tests come in their newest versions, and so do packages that the lowest ones
need: what these call deprecated in each other is let pass, as it is for a user.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
EXTRAS = ("cluster", "parquet", "pdf", "postgresql", "web")
TOOLS = ("pytest", "pytest-xdist", "hypothesis", "httpx", "pymavlink", "pynmea2", "aerofiles", "ambiance")
MORE_TOOLS = ("dynbem", "fluids", "pypdf", "pypdfium2", "statsmodels")
PASS = ("-W", "default::DeprecationWarning", "-W", "default::PendingDeprecationWarning")
FEW = (
    "tests/test_sample_sortie.py",
    "tests/readers/test_conformance.py",
    "tests/readers/test_ulog.py",
    "tests/readers/test_gpx.py",
    "tests/sheets/test_load.py",
    "tests/rig/test_reduce.py",
    "tests/rig/test_kinds.py",
    "tests/report/test_output.py",
    "tests/cli/test_help.py",
    "tests/cli/test_logs.py",
    "tests/cli/test_report.py",
    "tests/cli/test_rig.py",
    "tests/cli/test_simulate.py",
)
"""What is run where nothing else is asked for."""


def run(*words: str | Path, **more: str) -> None:
    """Run a program that has to succeed."""
    subprocess.run([str(word) for word in words], cwd=ROOT, env={**os.environ, **more}, check=True)


def direct() -> set[str]:
    """Return the names of the direct dependencies that are held to their lowest versions."""
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = [
        *data["dependencies"],
        *(line for extra in EXTRAS for line in data["optional-dependencies"][extra]),
    ]
    return {re.split(r"[\[<>=!~; ]", line)[0].lower().replace("_", "-") for line in lines}


def main(asked: list[str]) -> int:
    """Make the environment and run the tests."""
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="flightproc-lowest-") as name:
        folder = Path(name)
        venv.create(folder / "tools", with_pip=True)
        run(folder / "tools/bin/python", "-m", "pip", "install", "-q", "uv")
        uv, python = folder / "tools/bin/uv", folder / "lowest/bin/python"
        run(uv, "venv", "-q", "--python", sys.executable, folder / "lowest")
        found = folder / "found.txt"
        extras = [word for extra in EXTRAS for word in ("--extra", extra)]
        resolve = ("pip", "compile", "-q", "--no-annotate", "--no-header", "--resolution", "lowest-direct")
        run(uv, *resolve, "pyproject.toml", *extras, "--python", python, "-o", found)
        lines = [line.replace("[binary]", "") for line in found.read_text(encoding="utf-8").splitlines()]
        held = [line for line in lines if line.split("==")[0] in direct()]
        print("lowest:", *held, flush=True)
        (folder / "held.txt").write_text("\n".join(held) + "\n", encoding="utf-8")
        tools = (*TOOLS, *MORE_TOOLS) if asked else TOOLS
        package = f"flightproc[{','.join(EXTRAS)}] @ {ROOT.as_uri()}"
        run(uv, "pip", "install", "-q", "-p", python, "-c", folder / "held.txt", package, *tools)
        print(f"installed ({time.monotonic() - begun:.0f} s)", flush=True)
        call = (
            python,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:cacheprovider",
            *PASS,
            *(asked or ("-n", "auto", *FEW)),
        )
        threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "Agg"}
        done = subprocess.run(
            [str(word) for word in call], cwd=ROOT, env={**os.environ, **threads}, check=False
        )
        print(f"done ({time.monotonic() - begun:.0f} s)")
        return done.returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[2:] if sys.argv[1:2] == ["--"] else sys.argv[1:]))
