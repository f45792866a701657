"""Servers for the tests of the page: a thread of this process for most, a process of its own for others."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytest.importorskip("fastapi", reason="the page is not installed: pip install 'flightproc[web]'")

from flightproc.web import Settings

from .helpers import Page, Running, Server, start_server


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """Return settings of a server that keeps everything in a folder of the test."""
    return Settings(folder=tmp_path / "serve", logbook=str(tmp_path / "book"))


@pytest.fixture
def run_site() -> Iterator[Callable[[Settings], Running]]:
    """Return a function that starts a server in a thread; all are stopped at the end."""
    started: list[Running] = []

    def start(settings: Settings) -> Running:
        started.append(Running(settings))
        return started[-1]

    yield start
    for running in started:
        running.stop()


@pytest.fixture
def site(settings: Settings, run_site: Callable[[Settings], Running]) -> Page:
    """Return a client of a fresh server."""
    return run_site(settings).page()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """Return a server in a process of its own."""
    running = start_server(tmp_path_factory.mktemp("server"))
    yield running
    running.stop()
