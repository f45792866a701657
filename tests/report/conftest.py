"""Results made by hand, for every test of the report."""

from __future__ import annotations

import functools
from collections.abc import Callable

import pytest

from flightproc.results import Results

from .factory import VARIANTS


@functools.cache
def _made(variant: str) -> Results:
    return VARIANTS[variant]()


@pytest.fixture(scope="session")
def make_results() -> Callable[[str], Results]:
    """Return the results of a variant named in ``factory.VARIANTS``, made once."""
    return _made
