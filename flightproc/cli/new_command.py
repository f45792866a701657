"""``flightproc new``: a commented set of sheets to fill in."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["command"]


def command(
    folder: Annotated[
        str, typer.Argument(metavar="FOLDER", help="Folder for the sheets; made where it does not exist.")
    ],
) -> None:
    """Write a commented set of sheets (sortie, aircraft, glider, rig) to fill in."""
    from pathlib import Path

    from ..errors import OutputError
    from ..sheets.template import write_templates

    if not folder.strip():
        raise OutputError("the folder has no name", hint="flightproc new my_sortie")
    written = write_templates(folder)
    sortie = Path(folder) / "sortie.toml"
    typer.echo("Written:")
    for path in written:
        typer.echo(f"  {path}")
    typer.echo(
        "\nNext:\n"
        f"  1. Put the logs into {folder} and see what they hold:  flightproc logs FILE...\n"
        '  2. Fill in every "FILL IN"; the comments say how each figure is measured.\n'
        "     No rig day? Take the rig line out of sortie.toml.\n"
        f"  3. Make the report:  flightproc report {_quoted(str(sortie))} -o report\n"
        "     It names every fault of the sheets at once; mend them and run it again.\n"
        "\nEstimates do not replace the makers' limits, local rules or a qualified instructor."
    )


def _quoted(text: str) -> str:
    import shlex

    return shlex.quote(text)
