"""Queries of the logbook, and how their rows become what is shown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, func, select

from .model import Blob, Entry, EntryFile, EntryResult, Propeller, ResultView, RevisionView, SortieRow
from .tables import (
    aircraft,
    blobs,
    gliders,
    propellers,
    result_files,
    results,
    revision_files,
    revisions,
    rigs,
    sorties,
)

__all__ = ["made_results", "newest_query", "revision_view", "sortie_row"]


def newest_query(since: str | None, until: str | None, only: int | None) -> Any:
    """Return the query for the newest set of each sortie."""
    last = (
        select(
            revisions.c.sortie_id,
            func.max(revisions.c.id).label("last"),
            func.count().label("times"),
        )
        .group_by(revisions.c.sortie_id)
        .subquery()
    )
    query = (
        select(
            revisions.c.sortie_id,
            revisions.c.title,
            revisions.c.date,
            revisions.c.words,
            last.c.times.label("times"),
            sorties.c.added_utc.label("first_utc"),
            aircraft.c.name.label("aircraft"),
            gliders.c.name.label("glider"),
            rigs.c.name.label("rig"),
            propellers.c.diameter_m,
            propellers.c.blades,
            propellers.c.rotation,
            propellers.c.pitch_m,
        )
        .join(last, last.c.last == revisions.c.id)
        .join(sorties, sorties.c.id == revisions.c.sortie_id)
        .join(aircraft, aircraft.c.id == revisions.c.aircraft_id)
        .join(propellers, propellers.c.id == aircraft.c.propeller_id)
        .join(gliders, gliders.c.id == revisions.c.glider_id)
        .outerjoin(rigs, rigs.c.id == revisions.c.rig_id)
    )
    if since is not None:
        query = query.where(revisions.c.date >= since)
    if until is not None:
        query = query.where(revisions.c.date <= until)
    if only is not None:
        query = query.where(revisions.c.sortie_id == only)
    return query


def made_results(connection: Connection, only: int | None) -> dict[int, list[Any]]:
    """Return version, answer and searched words of all results, by sortie, in the order of adding."""
    query = (
        select(revisions.c.sortie_id, results.c.version, results.c.answer, results.c.words)
        .join(revisions, revisions.c.id == results.c.revision_id)
        .order_by(results.c.id)
    )
    if only is not None:
        query = query.where(revisions.c.sortie_id == only)
    found: dict[int, list[Any]] = {}
    for row in connection.execute(query):
        found.setdefault(row.sortie_id, []).append(row)
    return found


def sortie_row(row: Any, made: Sequence[Any]) -> tuple[SortieRow, str]:
    """Return a row of :func:`newest_query` as it is listed, with the words that are searched."""
    newest = made[-1] if made else None
    pitch = "" if row.pitch_m is None else f", pitch {row.pitch_m:g} m"
    found = SortieRow(
        id=row.sortie_id,
        title=row.title,
        date=row.date,
        aircraft=row.aircraft,
        propeller=f"{row.diameter_m:g} m, {row.blades} blades, {row.rotation}-turning{pitch}",
        glider=row.glider,
        rig=row.rig,
        revisions=row.times,
        results=len(made),
        version=None if newest is None else newest.version,
        answer=newest.answer[0] if newest is not None and newest.answer else "",
        added_utc=row.first_utc,
    )
    return found, "\n".join([row.words, *(item.words for item in made)])


def revision_view(connection: Connection, number: int, revision: int) -> RevisionView:
    """Return one set of sheets and logs by its key, with its results."""
    row = connection.execute(
        select(
            revisions,
            aircraft.c.name.label("aircraft"),
            gliders.c.name.label("glider"),
            rigs.c.name.label("rig"),
            *(propellers.c[name] for name in Propeller.model_fields),
            propellers.c.digest.label("propeller_digest"),
        )
        .join(aircraft, aircraft.c.id == revisions.c.aircraft_id)
        .join(propellers, propellers.c.id == aircraft.c.propeller_id)
        .join(gliders, gliders.c.id == revisions.c.glider_id)
        .outerjoin(rigs, rigs.c.id == revisions.c.rig_id)
        .where(revisions.c.id == revision)
    ).one()
    files = connection.execute(
        select(revision_files, blobs.c.size)
        .join(blobs, blobs.c.sha256 == revision_files.c.sha256)
        .where(revision_files.c.revision_id == revision)
        .order_by(revision_files.c.number)
    ).all()
    made = connection.execute(
        select(results, blobs.c.size)
        .join(blobs, blobs.c.sha256 == results.c.sha256)
        .where(results.c.revision_id == revision)
        .order_by(results.c.id)
    ).all()
    kept = {
        result.id: connection.execute(
            select(result_files.c.path, result_files.c.sha256, blobs.c.size)
            .join(blobs, blobs.c.sha256 == result_files.c.sha256)
            .where(result_files.c.result_id == result.id)
            .order_by(result_files.c.path)
        ).all()
        for result in made
    }
    entry = Entry(
        title=row.title,
        date=row.date,
        pilot_notes=row.pilot_notes,
        aircraft=row.aircraft,
        glider=row.glider,
        rig=row.rig,
        propeller=Propeller(
            diameter_m=row.diameter_m,
            blades=row.blades,
            rotation=row.rotation,
            pitch_m=row.pitch_m,
            digest=row.propeller_digest,
        ),
        added_utc=row.added_utc,
        files=tuple(
            EntryFile(role=f.role, name=f.name, path=f.path, sha256=f.sha256, size=f.size) for f in files
        ),
        results=tuple(
            EntryResult(
                sha256=r.sha256,
                size=r.size,
                added_utc=r.added_utc,
                files=tuple(Blob(path=k.path, sha256=k.sha256, size=k.size) for k in kept[r.id]),
            )
            for r in made
        ),
    )
    views = tuple(
        ResultView(
            id=r.id,
            version=r.version,
            created_utc=r.created_utc,
            added_utc=r.added_utc,
            settings=r.settings,
            answer=tuple(r.answer),
            sha256=r.sha256,
            files={k.path: k.sha256 for k in kept[r.id]},
        )
        for r in made
    )
    return RevisionView(number, entry, views)
