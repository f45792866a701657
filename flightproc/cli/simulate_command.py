"""``flightproc simulate``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["command"]


def command(
    out: Annotated[Path, typer.Argument(help="Folder to write; made if absent.")],
    seed: Annotated[int, typer.Option(help="Seed: the same one gives the same sortie.")] = 28,
    gust_level: Annotated[
        float | None, typer.Option(help="Standard deviation of the gusts in m/s; 0 for still air.")
    ] = None,
    count: Annotated[
        int, typer.Option(help="More than one: a family with drawn wings, units and weather, in subfolders.")
    ] = 1,
    force: Annotated[bool, typer.Option("--force", help="Replace an earlier simulated sortie.")] = False,
) -> None:
    """Write a simulated sortie with its sheets and the truth behind it."""
    from ..simulate import simulate_family, simulate_sortie, write_sortie

    overrides = {} if gust_level is None else {"gust_level": gust_level}
    if count == 1:
        sorties = iter([simulate_sortie(seed, **overrides)])
        folders = [out]
    else:
        sorties = simulate_family(count, seed, **overrides)
        folders = [out / f"sortie-{seed + i:03d}" for i in range(count)]
    for folder, sortie in zip(folders, sorties, strict=False):
        written = write_sortie(sortie, folder, force=force)
        holds = sortie.planned_holds
        size = sum(path.stat().st_size for path in written) / 1e6
        typer.echo(
            f"{folder}: {sortie.truth['duration_s'] / 60:.1f} min, {len(holds)} planned holds, "
            f"seed {sortie.seed}, {size:.1f} MB"
        )
        for path in written:
            typer.echo(f"  {path.name}")
