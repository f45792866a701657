"""Ctrl+C ends a command with 130 and one line, and leaves the old output whole, or the new one, or none."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import threading
import time
from pathlib import Path

import pytest

from flightproc import whole
from flightproc.cli import main, program
from flightproc.report.output import write_folder

from .breaking import break_off, calls, content, faults

pytestmark = pytest.mark.regression

posix = pytest.mark.skipif(os.name != "posix", reason="signals of this kind are POSIX's")
MOMENTS = {"rig": 0.25, "simulate": 0.25, "report": 0.7, "gliders": 0.3, "balance": 0.4, "plan": 0.4}
"""Seconds after which each command is broken off: before it is done, or on a fast machine thereafter."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("breaking")


@pytest.fixture(scope="module")
def commands(place: Path) -> dict[str, list[str]]:
    found = calls(place)
    done = break_off(found["report"], place, None)
    assert done.code == 0, done.err
    shutil.copy(place / "out" / "results.json", place / "results.json")
    (place / "out").rename(place / "earlier")
    return found


@posix
@pytest.mark.parametrize("command", MOMENTS)
def test_a_command_that_is_broken_off(command: str, commands: dict[str, list[str]], place: Path) -> None:
    out = place / "out"
    shutil.rmtree(out, ignore_errors=True)
    if command == "report":
        shutil.copytree(place / "earlier", out)
    before = content(out)
    ended = break_off(commands[command], place, MOMENTS[command])
    whole_names = set(before) if command == "report" or ended.code else set(content(out))
    assert faults(ended, before, content(out), whole_names) == []
    assert ended.code == 130 or set(content(out)) > set()
    assert not [path.name for path in place.iterdir() if path.name.startswith(".")]


@posix
@pytest.mark.parametrize("existing", [True, False])
def test_ctrl_c_at_every_step_of_a_write_waits_for_its_end(
    existing: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = {f"figures/{i}.svg": b"new" for i in range(5)} | {"report.html": b"new"}
    if existing:
        write_folder(tmp_path / "out", dict.fromkeys(files, b"old"))
    steps = []

    def broken(name: str):
        real = getattr(os, name)

        def call(*arguments, **named):
            steps.append(name)
            os.kill(os.getpid(), signal.SIGINT)
            return real(*arguments, **named)

        return call

    for name in ("replace", "mkdir", "rmdir"):
        monkeypatch.setattr(os, name, broken(name))
    with pytest.raises(KeyboardInterrupt):
        write_folder(tmp_path / "out", files)
    monkeypatch.undo()
    assert "replace" in steps
    assert {n: c for n, c in content(tmp_path / "out").items() if not n.endswith("/")} == files
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@posix
def test_new_sheets_are_all_there_or_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.replace

    def broken(*arguments):
        os.kill(os.getpid(), signal.SIGINT)
        return real(*arguments)

    monkeypatch.setattr(os, "replace", broken)
    assert main(["new", str(tmp_path / "sheets")]) == 130
    assert len(list((tmp_path / "sheets").iterdir())) == 4


@posix
def test_unbroken_gives_the_handler_back_and_leaves_other_threads_alone() -> None:
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt), whole.unbroken():
        os.kill(os.getpid(), signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before
    with pytest.raises(ZeroDivisionError), whole.unbroken():
        raise ZeroDivisionError
    assert signal.getsignal(signal.SIGINT) is before
    seen = []

    def aside() -> None:
        with whole.unbroken():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=aside)
    thread.start()
    thread.join()
    assert seen == [before]


def test_the_line_and_the_code(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stop(*arguments, **named):
        raise KeyboardInterrupt

    monkeypatch.setattr("flightproc.sheets.template.write_templates", stop)
    assert main(["new", "anything"]) == 130
    assert capsys.readouterr().err == "flightproc: ended by Ctrl+C; nothing is left half written\n"
    monkeypatch.setattr(sys.modules["flightproc.cli.app"], "build_app", stop)
    assert main(["new", "anything"]) == 130
    assert capsys.readouterr().err == "flightproc: ended by Ctrl+C; nothing is left half written\n"


@posix
def test_ctrl_c_that_a_library_hands_on_as_another_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def making_a_class() -> int:
        try:
            os.kill(os.getpid(), signal.SIGINT)
        except KeyboardInterrupt as error:
            raise RuntimeError("Error calling __set_name__") from error
        return 0

    def failing() -> int:
        raise RuntimeError("a fault of ours")

    class Finalised:
        def __del__(self) -> None:
            os.kill(os.getpid(), signal.SIGINT)
            sum(range(10))

    def clearing_up() -> int:
        Finalised()
        for _ in range(200):
            time.sleep(0.01)
        return 0

    before = signal.getsignal(signal.SIGINT)
    monkeypatch.setattr(sys, "unraisablehook", sys.unraisablehook)
    try:
        for broken in (making_a_class, clearing_up):
            signal.signal(signal.SIGINT, signal.default_int_handler)
            monkeypatch.setattr("flightproc.cli.main", broken)
            assert program() == 130
            assert capsys.readouterr().err == "flightproc: ended by Ctrl+C; nothing is left half written\n"
        signal.signal(signal.SIGINT, signal.default_int_handler)
        monkeypatch.setattr("flightproc.cli.main", failing)
        with pytest.raises(RuntimeError, match="a fault of ours"):
            program()
    finally:
        signal.signal(signal.SIGINT, before)
