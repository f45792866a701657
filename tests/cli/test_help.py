"""Every command explains itself with a worked example."""

from __future__ import annotations

import re
from importlib import import_module

import pytest

from flightproc.cli import main
from flightproc.cli.app import COMMANDS

pytestmark = pytest.mark.synthetic


def subcommands():
    for name, module in COMMANDS.items():
        found = import_module(f"flightproc.cli.{module}")
        yield (name,)
        if hasattr(found, "group"):
            yield from ((name, command.name) for command in found.group.registered_commands)


ALL = tuple(subcommands())
RESULTS = tuple(c for c in ALL if c[0] not in ("new", "serve", "simulate") and c != ("logbook",))


@pytest.mark.parametrize("command", ALL, ids=" ".join)
def test_help_has_a_worked_example(command, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert main([*command, "--help"]) == 0
    out = capsys.readouterr().out
    assert "\b" not in out  # the mark that keeps lines apart is not for the reader
    example = re.search(r"^ *Example: .+\n((?:(?: {2,}\S.*)?\n)+)", out, flags=re.M)
    assert example is not None
    assert f"  flightproc {' '.join(command)} " in example[1].replace("\n", " \n")


@pytest.mark.parametrize("command", RESULTS, ids=" ".join)
def test_what_gives_a_result_gives_it_as_json(command, capsys):
    assert main([*command, "--help"]) == 0
    assert "--json" in capsys.readouterr().out
