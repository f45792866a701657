"""Logbooks to try things on: a folder, a database file, a PostgreSQL server of our own."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from flightproc.logbook import Logbook


def _server_programs() -> Path | None:
    """Return the folder of initdb and pg_ctl, where Debian and others put it."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).parent
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return folders[-1].parent if folders else None


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """Start a PostgreSQL server on a socket in a folder of its own; give the URL of its first database."""
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install 'flightproc[postgresql]'")
    programs = _server_programs()
    if programs is None:
        pytest.skip("no PostgreSQL server is installed here: apt-get install postgresql")
    # not below pytest's own folder, which only its user may enter
    folder = Path(tempfile.mkdtemp(prefix="flightproc-pg-"))
    prefix: list[str] = []
    if os.geteuid() == 0:
        # the server refuses to run as root
        if shutil.which("runuser") is None or not _has_user("postgres"):
            pytest.skip("PostgreSQL does not run as root, and there is no user postgres to run it as")
        prefix = ["runuser", "-u", "postgres", "--"]
        shutil.chown(folder, "postgres")
    data, log = folder / "data", folder / "log"

    def run(name: str, *arguments: str) -> None:
        done = subprocess.run(
            [*prefix, str(programs / name), *arguments],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            cwd="/",
            timeout=120,
        )
        assert done.returncode == 0, done.stderr

    run("initdb", "-D", str(data), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C", "-N")
    # a server that is killed loses nothing without fsync; a power cut is not tried here
    options = (
        f"-c fsync=off -c listen_addresses='' -c unix_socket_directories='{folder}' -c max_connections=60"
    )
    run("pg_ctl", "-D", str(data), "-l", str(log), "-w", "-o", options, "start")
    try:
        yield f"postgresql://postgres@/postgres?host={folder}"
    finally:
        run("pg_ctl", "-D", str(data), "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder)


def _has_user(name: str) -> bool:
    import pwd

    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True


@pytest.fixture
def server_place(server: str, request: pytest.FixtureRequest) -> Iterator[Callable[[], str]]:
    """Make new databases on the server."""
    import psycopg

    made: list[str] = []

    def make() -> str:
        name = f"book{abs(hash((request.node.nodeid, len(made)))) % 10**12}"
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        made.append(name)
        return server.replace("/postgres?", f"/{name}?")

    yield make


@pytest.fixture(params=["folder", "url", "server"])
def new_place(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], str]:
    """Name a new place for a logbook at each call, of each kind there is."""
    kind: str = request.param
    if kind == "server":
        place: Callable[[], str] = request.getfixturevalue("server_place")
        return place
    count = iter(range(100))
    if kind == "folder":
        return lambda: str(tmp_path / f"book {next(count)}")
    return lambda: f"sqlite:///{tmp_path}/book{next(count)}.db"


@pytest.fixture
def book(new_place: Callable[[], str]) -> Iterator[Logbook]:
    """A new logbook, of each kind."""
    with Logbook(new_place()) as made:
        yield made


@pytest.fixture(autouse=True)
def quick_fsync(monkeypatch: pytest.MonkeyPatch) -> None:
    """Spare the waiting for the disk, where it is not what is tested: no test can cut the power."""
    monkeypatch.setattr(os, "fsync", lambda handle: None)
