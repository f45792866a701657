"""Shells complete commands, options and files by the scripts that the program prints."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from flightproc.cli import main
from flightproc.cli.app import COMMANDS
from flightproc.cli.completion import SHELLS

pytestmark = pytest.mark.synthetic


@pytest.fixture(scope="module")
def scripts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("completion")
    for shell in SHELLS:
        with pytest.MonkeyPatch.context() as patch, (folder / shell).open("w") as file:
            patch.setattr("sys.stdout", file)
            assert main(["--show-completion", shell]) == 0
    return folder


def run(shell: str, text: str, folder: Path) -> str:
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed")
    bare = {"bash": ["--norc", "--noprofile"], "zsh": ["-f"], "fish": ["--no-config"]}[shell]
    done = subprocess.run(
        [program, *bare, "-c", text],
        cwd=folder,
        env={"PATH": os.environ["PATH"], "HOME": str(folder), "TERM": "dumb"},
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


@pytest.mark.parametrize("shell", SHELLS)
def test_script_is_sound(shell: str, scripts: Path, tmp_path: Path) -> None:
    check = {"bash": "bash -n", "zsh": "zsh -n", "fish": "fish --no-execute"}[shell]
    run(shell, f"{check} {scripts / shell}", tmp_path)


def bash(line: str, scripts: Path, folder: Path) -> list[str]:
    """Return what bash offers for the last word of a line."""
    words = line.split(" ")
    text = (
        f"source {scripts / 'bash'}; COMP_WORDS=({' '.join(repr(w) for w in words)}); "
        f"COMP_CWORD={len(words) - 1}; _flightproc; printf '%s\\n' \"${{COMPREPLY[@]}}\""
    )
    return run("bash", text, folder).split("\n")[:-1]


def test_bash_completes_commands_options_and_files(scripts: Path, tmp_path: Path) -> None:
    (tmp_path / "sortie.toml").touch()
    (tmp_path / "my logs").mkdir()
    assert bash("flightproc ", scripts, tmp_path) == list(COMMANDS) or set(
        bash("flightproc ", scripts, tmp_path)
    ) == set(COMMANDS)
    assert bash("flightproc rep", scripts, tmp_path) == ["report"]
    assert bash("flightproc report so", scripts, tmp_path) == ["sortie.toml"]
    assert bash("flightproc report my", scripts, tmp_path) == ["my logs"]
    assert bash("flightproc report --pd", scripts, tmp_path) == ["--pdf"]
    assert bash("flightproc report -o so", scripts, tmp_path) == ["sortie.toml"]
    assert bash("flightproc report sortie.toml --q", scripts, tmp_path) == ["--quiet"]
    assert bash("flightproc logbook ex", scripts, tmp_path) == ["export"]
    assert bash("flightproc logbook export --sk", scripts, tmp_path) == ["--skip-damaged"]
    assert bash("flightproc --v", scripts, tmp_path) == ["--version"]


def test_bash_takes_the_script_by_eval(scripts: Path, tmp_path: Path) -> None:
    assert "_flightproc" in run("bash", f'eval "$(cat {scripts / "bash"})"; complete -p flightproc', tmp_path)


def test_fish_completes_commands_options_and_files(scripts: Path, tmp_path: Path) -> None:
    (tmp_path / "sortie.toml").touch()

    def offered(line: str) -> list[str]:
        out = run("fish", f"source {scripts / 'fish'}; complete -C '{line}'", tmp_path)
        return [row.split("\t")[0] for row in out.splitlines()]

    assert set(COMMANDS) <= set(offered("flightproc "))
    assert offered("flightproc rep") == ["report"]
    assert offered("flightproc report so") == ["sortie.toml"]
    assert offered("flightproc report --pd") == ["--pdf"]
    assert offered("flightproc logbook ex") == ["export"]
    assert offered("flightproc logbook export --sk") == ["--skip-damaged"]


def test_zsh_completes_commands_and_options(scripts: Path, tmp_path: Path) -> None:
    # the completion system wants a terminal; what it is told is caught instead
    def offered(line: str) -> list[str]:
        words = line.split(" ")
        text = (
            "compdef() { :; }; _files() { print -r -- FILES; }; "
            "_describe() { local name=${@[-1]}; print -rl -- ${(P)name}; }; "
            f"source {scripts / 'zsh'}; words=({' '.join(repr(w) for w in words)}); CURRENT={len(words)}; "
            "PREFIX=$words[CURRENT]; _flightproc"
        )
        return [row.split(":")[0] for row in run("zsh", text, tmp_path).splitlines()]

    assert set(offered("flightproc ")) == set(COMMANDS)
    assert "--pdf" in offered("flightproc report -")
    assert offered("flightproc report so") == ["FILES"]
    assert offered("flightproc report -o so") == ["FILES"]
    assert "export" in offered("flightproc logbook ")
    assert "--skip-damaged" in offered("flightproc logbook export --")


def test_an_unknown_shell_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--show-completion", "tcsh"]) == 2
    assert "bash, zsh, fish" in capsys.readouterr().err
