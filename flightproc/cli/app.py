"""The list of commands. A new command is one module with ``command``, or ``group``, and one line here."""

from __future__ import annotations

from importlib import import_module
from typing import Annotated

import typer

from .manual import PagedCommand, PagedGroup

__all__ = ["build_app"]

COMMANDS = {
    "new": "new_command",
    "logs": "logs_command",
    "report": "report_command",
    "rig": "rig_command",
    "ground": "ground_command",
    "blade": "blade_command",
    "batch": "batch_command",
    "together": "together_command",
    "gliders": "gliders_command",
    "balance": "balance_command",
    "plan": "plan_command",
    "logbook": "logbook_command",
    "simulate": "simulate_command",
    "serve": "serve_command",
}
"""Command name to module of this package; each has ``command``, or ``group`` where it has commands itself."""


def _version(value: bool) -> None:
    if value:
        from .. import __version__

        typer.echo(f"flightproc {__version__}")
        raise typer.Exit


def _completion(shell: str | None) -> None:
    if shell is not None:
        from .completion import SHELLS, completion_script

        if shell not in SHELLS:
            raise typer.BadParameter(f"{shell!r} is none of {', '.join(SHELLS)}")
        typer.echo(completion_script(typer.main.get_command(build_app()), shell), nl=False)
        raise typer.Exit


def build_app() -> typer.Typer:
    """Return the command-line application with every command registered."""
    app = typer.Typer(
        name="flightproc",
        cls=PagedGroup,
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )

    @app.callback()
    def root(
        version: Annotated[
            bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
        ] = False,
        completion: Annotated[
            str | None,
            typer.Option(
                "--show-completion",
                metavar="SHELL",
                callback=_completion,
                is_eager=True,
                help="Print what makes a shell complete commands, options and files: bash, zsh or fish.",
            ),
        ] = None,
    ) -> None:
        """From in-flight logs and a rig sheet to the turning moment in the air, with its uncertainty.

        Each command has a page of its own: flightproc COMMAND --help.

        Exit code 0: done; 1: done, with something to look at, where the command says so; 2: something to
        mend, told in one message.

        \b
        Example: a sortie to try it on, its report, and completion in this bash
          flightproc simulate trial
          flightproc report trial/sortie.toml -o trial/report
          eval "$(flightproc --show-completion bash)"
        """  # noqa: D301

    for name, module in COMMANDS.items():
        found = import_module(f".{module}", __package__)
        if hasattr(found, "group"):
            for below in found.group.registered_commands:
                below.cls = PagedCommand
            app.add_typer(found.group, name=name, cls=PagedGroup)
        else:
            app.command(name, cls=PagedCommand)(found.command)
    return app
