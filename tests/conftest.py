"""What every test shares: the folder of real logs, and the rule that a test says how it knows the truth."""

from __future__ import annotations

import doctest
import os
from collections.abc import Callable, Iterator
from functools import wraps
from pathlib import Path
from typing import Any

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


STAGES = (
    "load_sortie",
    "read_recordings",
    "prepare_sortie",
    "solve_sortie",
    "calibrated_blade",
    "compare_sortie",
    "analyse",
    "analyse_sheets",
    "simulate_sortie",
)
"""What examples ask for again and again with the same input."""


class Examples:
    """Examples in docstrings run in the root of the project, and each stage of the sample sortie runs once.

    Stages are pure, so an example sees the same whether its input was made for it or for the one before.
    """

    def __init__(self) -> None:
        self.kept: dict[tuple[object, ...], tuple[object, object]] = {}

    def once(self, name: str, stage: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(stage)
        def run(*args: Any, **options: Any) -> Any:
            if options or any(isinstance(a, str) and not a.startswith("sample_logs/") for a in args):
                return stage(*args, **options)
            key = (name, *(a if isinstance(a, str | int) else id(a) for a in args))
            if key not in self.kept:
                self.kept[key] = (args, stage(*args))  # the arguments too, so that no other takes their id
            return self.kept[key][1]

        return run

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Hold figures of the sample to the digits written: other libraries may round the last one up."""
        number = doctest.OPTIONFLAGS_BY_NAME["NUMBER"]
        for item in items:
            if isinstance(item, pytest.DoctestItem) and item.dtest is not None:
                for example in item.dtest.examples:
                    if "sample_logs/" in (item.dtest.docstring or ""):
                        example.options[number] = True

    @pytest.fixture(autouse=True)
    def run_examples_in_the_root(
        self, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
    ) -> Iterator[None]:
        if isinstance(request.node, pytest.DoctestItem):
            import flightproc

            monkeypatch.chdir(ROOT)
            for name in STAGES:
                monkeypatch.setitem(vars(flightproc), name, self.once(name, getattr(flightproc, name)))
        yield


def pytest_configure(config: pytest.Config) -> None:
    """Serve the examples of the package too, which lies beside the tests."""
    config.pluginmanager.register(Examples(), "examples")
