"""``flightproc serve``."""

from __future__ import annotations

import builtins
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from flightproc.cli import main
from flightproc.web.place import usual_folder

pytestmark = pytest.mark.regression


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "flightproc", "serve", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_a_port_in_use_is_told(tmp_path: Path) -> None:
    pytest.importorskip("fastapi")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = run("--port", str(taken.getsockname()[1]), "--folder", str(tmp_path / "a"))
    assert done.returncode == 2
    assert "cannot be used" in done.stderr and "--port" in done.stderr and "Traceback" not in done.stderr
    assert "serves on" not in done.stdout


def test_a_folder_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    pytest.importorskip("fastapi")
    (tmp_path / "file").write_text("")
    done = run("--folder", str(tmp_path / "file"))
    assert done.returncode == 2 and "--folder" in done.stderr and "Traceback" not in done.stderr


def test_without_the_extra_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = builtins.__import__

    def without(name: str, *more: object, **named: object) -> object:
        if name == "uvicorn":
            raise ModuleNotFoundError("No module named 'uvicorn'", name="uvicorn")
        return whole(name, *more, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", without)
    assert main(["serve"]) == 2
    assert "pip install 'flightproc[web]'" in capsys.readouterr().err


def test_the_usual_folder_can_be_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("FLIGHTPROC_SERVE", str(tmp_path / "x"))
    assert usual_folder() == tmp_path / "x"
    monkeypatch.delenv("FLIGHTPROC_SERVE")
    assert usual_folder().parts[-2:] == ("flightproc", "serve")


def test_help_loads_no_server(tmp_path: Path) -> None:
    code = (
        "import sys; from flightproc.cli import main; main(['serve', '--help'])\n"
        "sys.exit(any(name in sys.modules for name in ('fastapi', 'uvicorn', 'plotly')))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60).returncode == 0
