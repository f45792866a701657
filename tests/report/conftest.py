"""Results made by hand, for every test of the report."""

from __future__ import annotations

import functools
import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from flightproc.results import Results


@functools.cache
def _made(variant: str) -> Results:
    name = "flightproc_report_factory"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("factory.py"))
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    made = sys.modules[name].VARIANTS[variant]()
    assert isinstance(made, Results)
    return made


@pytest.fixture(scope="session")
def make_results() -> Callable[[str], Results]:
    """Return the results of a variant named in ``factory.VARIANTS``, made once."""
    return _made
