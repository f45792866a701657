"""``flightproc simulate``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import OutputError

if TYPE_CHECKING:
    from ..simulate import SimulatedSortie

__all__ = ["command"]

INDEX = "family.csv"


def command(
    out: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder to write; made where it does not exist.")
    ],
    seed: Annotated[
        int, typer.Option(metavar="N", help="Seed: the same one gives the same sortie or family.")
    ] = 28,
    gust_level: Annotated[
        float | None,
        typer.Option(metavar="M/S", help="Standard deviation of the gusts in m/s; 0 for still air."),
    ] = None,
    family: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Write N sorties with drawn wings, units, sensors, pilots and weather, each in a subfolder, "
            f"and an index of them, {INDEX}.",
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace an earlier simulated sortie.")] = False,
) -> None:
    """Write a simulated sortie with its sheets and the truth behind it, or a whole family of them.

    \b
    Example: a sortie in calm air to try the report on, and ten different ones
      flightproc simulate trial --seed 7 --gust-level 0.1
      flightproc report trial/sortie.toml -o trial/report
      flightproc simulate family --family 10 --seed 7

    Writes unit.ulg, gps.gpx and engine.csv, the four sheets and truth.json into FOLDER, or into a folder a
    sortie below it with family.csv. Equal bytes for an equal seed.

    Exit code 0: done; 2: something to mend.
    """  # noqa: D301
    from ..simulate import simulate_family, simulate_sortie, write_sortie
    from ..whole import unbroken

    overrides = {} if gust_level is None else {"gust_level": gust_level}
    if family is None:
        sortie = simulate_sortie(seed, **overrides)
        with unbroken():
            written = write_sortie(sortie, out, force=force)
        typer.echo(_summary(out, sortie, written))
        for path in written:
            typer.echo(f"  {path.name}")
        return
    members = simulate_family(family, seed, **overrides)
    folders = [out / f"sortie-{index:0{max(3, len(str(family - 1)))}d}" for index in range(family)]
    if not force:
        _refuse(out, folders)
    rows = []
    from ..simulate.family import family_csv, family_row

    for number, (folder, sortie) in enumerate(zip(folders, members, strict=True), 1):
        with unbroken():
            written = write_sortie(sortie, folder, force=force)
        rows.append(family_row(folder.name, sortie))
        facts = f"{sortie.stated.calibration}, gusts {sortie.parameters.gust_level:.2f} m/s"
        typer.echo(f"{number}/{family} {_summary(folder, sortie, written)}, {facts}")
        # after each, so that a run broken off leaves an index of what is there
        _write_index(out / INDEX, family_csv(rows))
    typer.echo(f"{out / INDEX}")


def _summary(folder: Path, sortie: SimulatedSortie, written: list[Path]) -> str:
    size = sum(path.stat().st_size for path in written) / 1e6
    return (
        f"{folder}: {sortie.truth['duration_s'] / 60:.1f} min, {len(sortie.planned_holds)} planned holds, "
        f"seed {sortie.seed}, {size:.1f} MB"
    )


def _refuse(out: Path, folders: list[Path]) -> None:
    """Refuse a family where an earlier one is, before the first of it is flown."""
    from ..simulate import FILES

    there = [path for path in (out / INDEX, *(f / name for f in folders for name in FILES)) if path.exists()]
    if there:
        raise OutputError(
            "a family is there already",
            where=str(out),
            found=f"{there[0].relative_to(out)}" + (f" and {len(there) - 1} more" if there[1:] else ""),
            hint="another folder, or --force to replace it",
        )


def _write_index(path: Path, text: str) -> None:
    from ..whole import write_whole

    try:
        write_whole(path, text.encode())
    except OSError as error:
        raise OutputError(
            f"cannot write ({error.strerror})", where=str(path), hint="free space, or another folder"
        ) from error
