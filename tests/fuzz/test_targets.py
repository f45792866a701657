"""Each thing that is fuzzed, on a few damaged inputs; `fuzz.py` goes on from here."""

from __future__ import annotations

import contextlib
import io
import random
from collections.abc import Iterator

import pytest

from .damage import mutate
from .targets import TARGETS, closed

pytestmark = pytest.mark.synthetic

INPUTS = 40


@pytest.fixture(scope="module", autouse=True)
def clean() -> Iterator[None]:
    yield
    closed()


@pytest.mark.parametrize("name", TARGETS)
def test_whatever_it_is_given_it_ends_in_a_result_or_one_clear_error(name: str) -> None:
    target, rng = TARGETS[name], random.Random(sum(name.encode()))
    seeds = target.seeds()
    assert seeds
    inputs = [*seeds, b""]
    inputs += [mutate(rng.choice(seeds), rng, target.kind) for _ in range(INPUTS)]
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        broken = {words for data in inputs if (words := target.run(data))}
    assert not broken
    assert printed.getvalue() == ""
