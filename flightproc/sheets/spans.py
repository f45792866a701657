"""Stretches of time in a sheet, by seconds of the sortie or by UTC."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Annotated, Any

from .fields import Field, Finding, Sheet, rule

__all__ = ["SECONDS_LIMIT", "Span"]

SECONDS_LIMIT = 172_800.0

_SECONDS = f"0 to {SECONDS_LIMIT:.0f} s"


class Span(Sheet):
    """A stretch given by ``start_s`` and ``end_s``, or by ``start_utc`` and ``end_utc``."""

    start_s: Annotated[
        float | None,
        Field(
            "start, seconds from the first sample of the unit's log",
            "s",
            0,
            SECONDS_LIMIT,
            how="read it off the plot of a first run, or give start_utc instead",
            example=600.0,
        ),
    ] = None
    end_s: Annotated[
        float | None,
        Field(
            "end, seconds from the first sample of the unit's log",
            "s",
            0,
            SECONDS_LIMIT,
            how="as start_s",
            example=660.0,
        ),
    ] = None
    start_utc: Annotated[
        dt.datetime | None,
        Field(
            "start in UTC; in place of start_s",
            kind="time",
            how="from the pilot's watch or a mark in the log",
            example=dt.datetime(2026, 5, 1, 17, 3, 20, tzinfo=dt.UTC),
        ),
    ] = None
    end_utc: Annotated[
        dt.datetime | None,
        Field(
            "end in UTC; in place of end_s",
            kind="time",
            how="as start_utc",
            example=dt.datetime(2026, 5, 1, 17, 4, 20, tzinfo=dt.UTC),
        ),
    ] = None

    @rule(
        "start_s",
        "end_s",
        "start_utc",
        "end_utc",
        words=(
            "either `start_s` and `end_s`, or `start_utc` and `end_utc` (with zone); the end is later "
            "than the start"
        ),
    )
    def _check_span(self: Any) -> Iterator[Finding]:
        seconds = (self.start_s, self.end_s)
        utc = (self.start_utc, self.end_utc)
        has_seconds = any(x is not None for x in seconds)
        has_utc = any(x is not None for x in utc)
        if has_seconds and has_utc:
            field = "start_utc" if self.start_utc is not None else "end_utc"
            yield field, "either start_s and end_s, or start_utc and end_utc, not both"
        elif not has_seconds and not has_utc:
            yield "start_s", "start_s and end_s, or start_utc and end_utc"
        elif has_seconds and None in seconds:
            missing = "start_s" if self.start_s is None else "end_s"
            yield missing, f"start_s and end_s go together; {_SECONDS}"
        elif has_utc and None in utc:
            missing = "start_utc" if self.start_utc is None else "end_utc"
            yield missing, "start_utc and end_utc go together; a date and time with its zone"
        for name, pair in (("end_s", seconds), ("end_utc", utc)):
            if name == "end_utc" and any(t is not None and t.tzinfo is None for t in pair):
                for side, t in zip(("start_utc", "end_utc"), pair, strict=True):
                    if t is not None and t.tzinfo is None:
                        yield side, "a time with its zone: add Z for UTC, or an offset such as +02:00"
            elif pair[0] is not None and pair[1] is not None and not pair[0] < pair[1]:
                yield name, f"later than {name.replace('end', 'start')}"

    def bounds(self, start_utc: float | None) -> tuple[float, float] | None:
        """Return start and end on the sortie's time base.

        Parameters
        ----------
        start_utc : float or None
            UTC at sortie time 0 [POSIX seconds]; None where the logs have no UTC.

        Returns
        -------
        tuple of (float, float) or None
            Start and end [s]; None where the sheet gives UTC and the logs have none.
        """
        if self.start_s is not None and self.end_s is not None:
            return self.start_s, self.end_s
        if start_utc is None or self.start_utc is None or self.end_utc is None:
            return None
        return self.start_utc.timestamp() - start_utc, self.end_utc.timestamp() - start_utc
