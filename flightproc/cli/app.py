"""The list of commands. A new command is one module with ``command``, or ``group``, and one line here."""

from __future__ import annotations

from importlib import import_module
from typing import Annotated

import typer

__all__ = ["build_app"]

COMMANDS = {
    "new": "new_command",
    "logs": "logs_command",
    "report": "report_command",
    "rig": "rig_command",
    "ground": "ground_command",
    "blade": "blade_command",
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


def build_app() -> typer.Typer:
    """Return the command-line application with every command registered."""
    app = typer.Typer(
        name="flightproc",
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        help="From in-flight logs and a rig sheet to the turning moment in the air, with its uncertainty.",
    )

    @app.callback()
    def root(
        version: Annotated[
            bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
        ] = False,
    ) -> None:
        """From in-flight logs and a rig sheet to the turning moment in the air, with its uncertainty."""

    for name, module in COMMANDS.items():
        found = import_module(f".{module}", __package__)
        if hasattr(found, "group"):
            app.add_typer(found.group, name=name)
        else:
            app.command(name)(found.command)
    return app
