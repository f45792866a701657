"""``flightproc new``: a commented set of sheets to fill in."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["command"]


def command(
    folder: Annotated[
        str, typer.Argument(metavar="FOLDER", help="Folder for the sheets; made where it does not exist.")
    ],
    rig: Annotated[
        bool, typer.Option("--rig", help="Write a short rig sheet only, with what it needs and no more.")
    ] = False,
    kind: Annotated[
        str,
        typer.Option(
            "--kind",
            metavar="KIND",
            help="Kind of rig: two_point, lever_arm or torque_transducer (with --rig).",
        ),
    ] = "two_point",
    balance: Annotated[
        bool,
        typer.Option("--balance", help="Write a balance sheet only, for flightproc balance."),
    ] = False,
    plan: Annotated[
        bool,
        typer.Option("--plan", help="Write a plan sheet only, for flightproc plan."),
    ] = False,
) -> None:
    """Write a commented set of sheets (sortie, aircraft, glider, rig) to fill in.

    \b
    Example: sheets for a sortie, and a plan sheet beside them
      flightproc new my-sortie
      flightproc new my-sortie --plan

    Writes sortie.toml, aircraft.toml, glider.toml and rig.toml into FOLDER, or the one sheet asked for.
    Nothing that is there is written over.

    Exit code 0: done; 2: something to mend.
    """  # noqa: D301
    from pathlib import Path

    from ..errors import OutputError
    from ..sheets.template import write_templates
    from ..whole import unbroken

    if not folder.strip():
        raise OutputError("the folder has no name", hint="flightproc new my_sortie")
    with unbroken():
        if rig:
            _rig_only(folder, kind)
        if balance:
            _balance_only(folder)
        if plan:
            _plan_only(folder)
        if rig or balance or plan:
            return
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


def _rig_only(folder: str, kind: str) -> None:
    from ..cautions import CAUTIONS
    from ..sheets.rig_template import write_rig_template

    path = write_rig_template(folder, kind)
    caution = next(text for text in CAUTIONS if "ground rig" in text)
    typer.echo(
        f"Written:\n  {path}\n\nNext:\n"
        '  1. Fill in every "FILL IN" at the rig; add a line for each further engine speed.\n'
        f"  2. See what it says:  flightproc rig {_quoted(str(path))}\n"
        "     Add --aircraft AIRCRAFT.toml, or gear_ratio and diameter_m to the sheet, for power and\n"
        "     coefficients.\n\n"
        f"{caution}"
    )


def _balance_only(folder: str) -> None:
    from ..cautions import CAUTIONS
    from ..sheets.rig_template import write_sheet
    from ..sheets.template import template

    path = write_sheet(folder, "balance", template("balance"))
    caution = next(text for text in CAUTIONS if "move hang" in text)
    typer.echo(
        f"Written:\n  {path}\n\nNext:\n"
        "  1. Take the # away from each change that the frame allows, and write its limits down.\n"
        f"  2. See what balances:  flightproc balance results.json --sheet {_quoted(str(path))}\n\n"
        f"{caution}"
    )


def _plan_only(folder: str) -> None:
    from ..cautions import CAUTIONS
    from ..sheets.rig_template import write_sheet
    from ..sheets.template import template

    path = write_sheet(folder, "plan", template("plan"))
    caution = next(text for text in CAUTIONS if "calm air" in text)
    typer.echo(
        f"Written:\n  {path}\n\nNext:\n"
        '  1. Fill in every "FILL IN"; aircraft, glider and rig sheets are those of an earlier sortie.\n'
        f"  2. See what to fly:  flightproc plan {_quoted(str(path))} --results earlier/report\n\n"
        f"{caution}"
    )


def _quoted(text: str) -> str:
    import shlex

    return shlex.quote(text)
