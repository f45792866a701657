"""What every test shares: the folder of real logs, and the rule that a test says how it knows the truth."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

# the same examples each time, so that a red run is the fault of a change; benchmarks fuzz at random
settings.register_profile("steady", derandomize=True, database=None, deadline=None)
settings.load_profile("steady")

ROOT = Path(__file__).resolve().parent.parent
LABELS = ("published", "reference", "analytic", "synthetic", "regression")


@pytest.fixture(scope="session")
def data_folder() -> Path:
    """Folder of real logs, named by FLIGHTPROC_DATA or lying beside the project; skips where it is absent."""
    folder = Path(os.environ.get("FLIGHTPROC_DATA") or ROOT.parent / "shared" / "data")
    if not folder.is_dir():
        pytest.skip(f"no folder of real logs at {folder}: set FLIGHTPROC_DATA to have this test run")
    return folder


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a test that does not carry exactly one of the labels; doctests are free of it."""
    wrong = []
    for item in items:
        if isinstance(item, pytest.DoctestItem):
            continue
        found = sorted({mark.name for mark in item.iter_markers() if mark.name in LABELS})
        if len(found) != 1:
            wrong.append(f"{item.nodeid}: {', '.join(found) or 'none'}")
    if wrong:
        shown = "\n  ".join(wrong[:20])
        raise pytest.UsageError(
            f"{len(wrong)} tests do not carry exactly one of {', '.join(LABELS)}:\n  {shown}"
        )
