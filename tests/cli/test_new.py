"""``flightproc new``."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from flightproc.cli import main

pytestmark = pytest.mark.synthetic

NAMES = ["aircraft.toml", "glider.toml", "rig.toml", "sortie.toml"]


def test_writes_a_set_and_says_what_comes_next(tmp_path, capsys):
    folder = tmp_path / "my sortie"
    assert main(["new", str(folder)]) == 0
    out = capsys.readouterr().out
    assert sorted(os.listdir(folder)) == NAMES
    assert all(name in out for name in NAMES)
    assert "flightproc logs" in out and f"flightproc report '{folder}/sortie.toml' -o report" in out
    assert "FILL IN" in out


def test_refuses_to_overwrite(tmp_path, capsys):
    assert main(["new", str(tmp_path)]) == 0
    (tmp_path / "sortie.toml").write_text("mine")
    os.remove(tmp_path / "rig.toml")
    capsys.readouterr()
    assert main(["new", str(tmp_path)]) == 2
    err = capsys.readouterr().err
    assert "sortie.toml" in err and "Traceback" not in err
    assert (tmp_path / "sortie.toml").read_text() == "mine"
    assert not (tmp_path / "rig.toml").exists()


def test_a_folder_that_cannot_be_written(tmp_path, capsys):
    (tmp_path / "file").write_text("x")
    assert main(["new", str(tmp_path / "file")]) == 2
    assert "a file stands where" in capsys.readouterr().err
    assert main(["new", ""]) == 2
    assert "no name" in capsys.readouterr().err
    assert main(["new"]) == 2


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_permission(tmp_path, capsys):
    tmp_path.chmod(0o500)
    assert main(["new", str(tmp_path / "x")]) == 2
    assert "Permission denied" in capsys.readouterr().err


def test_help_is_cheap():
    code = (
        "import sys; from flightproc.cli import main; main(['new', '--help']); "
        "assert 'flightproc.sheets.fields' not in sys.modules, 'the models were imported'"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "FOLDER" in done.stdout
