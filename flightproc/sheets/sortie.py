"""The sortie sheet: which logs, what was carried, what the pilot did."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from ..channels import GRAVITY
from .fields import Field, Finding, Sheet, rule
from .logs import LogEntry
from .spans import SECONDS_LIMIT, Span

__all__ = [
    "AirEntry",
    "BallastLeg",
    "HoldEdit",
    "PilotNote",
    "Settings",
    "SortieSheet",
]


class AirEntry(Sheet):
    """The air of the day, where it is known from elsewhere.

    Examples
    --------
    >>> from flightproc.sheets import AirEntry
    >>> AirEntry(wind_speed_m_s=2.5, wind_from_deg=330.0).wind_std_m_s
    1.0
    """

    wind_speed_m_s: Annotated[
        float | None,
        Field(
            "mean wind speed at flying height",
            "m/s",
            0,
            40,
            how="only where the logs cannot tell it; a forecast or a tower",
            typical="0 to 6",
            example=2.5,
        ),
    ] = None
    wind_from_deg: Annotated[
        float | None,
        Field(
            "direction the wind blows from, clockwise from true north",
            "deg",
            0,
            360,
            how="as wind_speed_m_s",
            example=240.0,
        ),
    ] = None
    wind_std_m_s: Annotated[float, Field("standard uncertainty of each wind component", "m/s", 0.01, 20)] = (
        1.0
    )
    ground_pressure_hPa: Annotated[
        float | None,
        Field(
            "static pressure at the field, not reduced to sea level",
            "hPa",
            500,
            1080,
            how="a barometer at the field, or the unit's sensor before take-off",
            typical="900 to 1030",
            example=1004.0,
        ),
    ] = None
    ground_temperature_C: Annotated[
        float | None,
        Field(
            "air temperature at the field, in the shade",
            "degC",
            -50,
            55,
            how="a thermometer in the shade",
            example=17.0,
        ),
    ] = None
    ground_height_m: Annotated[
        float | None,
        Field("height of the field above mean sea level", "m", -450, 6000, how="a map", example=120.0),
    ] = None

    @rule("wind_speed_m_s", "wind_from_deg", words="`wind_speed_m_s` and `wind_from_deg` go together")
    def _check_wind(self: Any) -> Iterator[Finding]:
        if (self.wind_speed_m_s is None) != (self.wind_from_deg is None):
            missing = "wind_speed_m_s" if self.wind_speed_m_s is None else "wind_from_deg"
            yield missing, "wind_speed_m_s and wind_from_deg go together"


class BallastLeg(Span):
    """A glide with a known mass at a known lateral arm: what the hang roll is calibrated with.

    The ballast rides along for the whole sortie and is only moved to the side, so the hung mass includes it.

    Examples
    --------
    >>> from flightproc.sheets import BallastLeg
    >>> leg = BallastLeg(mass_kg=5.0, arm_m=0.3, side="right", start_s=716.0, end_s=790.0)
    >>> round(leg.moment, 2)
    14.71
    """

    mass_kg: Annotated[
        float,
        Field("ballast mass", "kg", 0.1, 25, how="a kitchen or luggage scale", typical="2 to 6", example=4.0),
    ]
    mass_std_kg: Annotated[float, Field("standard uncertainty of mass_kg", "kg", 0, 2)] = 0.05
    arm_m: Annotated[
        float,
        Field(
            "lateral distance of the ballast's centre from the unit's centre plane",
            "m",
            0.02,
            2,
            how="tape measure, hanging in the harness",
            typical="0.2 to 0.4",
            example=0.25,
        ),
    ]
    arm_std_m: Annotated[float, Field("standard uncertainty of arm_m", "m", 0, 0.5)] = 0.005
    side: Annotated[
        Literal["left", "right"],
        Field(
            "the side the ballast hangs on, as the pilot sees it",
            kind="text",
            choices=("left", "right"),
            example="right",
        ),
    ]

    @property
    def moment(self) -> float:
        """Roll moment of the ballast [N m], positive right side down: m g y."""
        return (1.0 if self.side == "right" else -1.0) * self.mass_kg * GRAVITY * self.arm_m

    @property
    def moment_std(self) -> float:
        """Standard uncertainty of the moment [N m]."""
        return GRAVITY * math.hypot(self.mass_std_kg * self.arm_m, self.mass_kg * self.arm_std_m)


class PilotNote(Span):
    """What the pilot noted for a stretch of the flight.

    Examples
    --------
    >>> from flightproc.sheets import PilotNote
    >>> PilotNote(start_s=600.0, end_s=660.0, hands_off=True).hands_off
    True
    """

    hands_off: Annotated[
        bool | None,
        Field(
            "whether brakes, weight shift and trim were left alone",
            kind="flag",
            example=True,
        ),
    ] = None
    text: Annotated[
        str,
        Field("anything worth keeping, in your own words", kind="text", example="hands up, looking ahead"),
    ] = ""

    @rule("hands_off", "text", words="a note has `hands_off` or `text`")
    def _check_content(self: Any) -> Iterator[Finding]:
        if self.hands_off is None and not self.text.strip():
            yield "hands_off", "a note needs hands_off or text"


class HoldEdit(Sheet):
    """A hold that a person adds, moves or strikes after looking at a first report.

    Examples
    --------
    >>> from flightproc.sheets import HoldEdit
    >>> HoldEdit(action="strike", start_s=600.0, end_s=660.0, reason="a thermal").action
    'strike'
    """

    action: Annotated[
        Literal["add", "strike", "move"],
        Field(
            "add a hold, strike one the search found, or move its bounds",
            kind="text",
            choices=("add", "strike", "move"),
            example="add",
        ),
    ]
    start_s: Annotated[
        float,
        Field(
            "start of the hold meant; strike and move take the hold that overlaps most",
            "s",
            0,
            SECONDS_LIMIT,
            example=600.0,
        ),
    ]
    end_s: Annotated[float, Field("end of the hold meant", "s", 0, SECONDS_LIMIT, example=660.0)]
    new_start_s: Annotated[
        float | None, Field("new start, for move", "s", 0, SECONDS_LIMIT, example=605.0)
    ] = None
    new_end_s: Annotated[float | None, Field("new end, for move", "s", 0, SECONDS_LIMIT, example=655.0)] = (
        None
    )
    kind: Annotated[
        Literal["power", "glide", "ballast"] | None,
        Field(
            "kind of the hold, for add", kind="text", choices=("power", "glide", "ballast"), example="power"
        ),
    ] = None
    reason: Annotated[str, Field("why; it stands in the report", kind="text", example="gust at the end")] = ""

    @rule("start_s", "end_s", words="`end_s` is later than `start_s`")
    def _check_order(self: Any) -> Iterator[Finding]:
        if not self.start_s < self.end_s:
            yield "end_s", "later than start_s"

    @rule("action", "kind", words="`kind` is given for `add`, and only there")
    def _check_kind(self: Any) -> Iterator[Finding]:
        if self.action == "add" and self.kind is None:
            yield "kind", 'needed for action = "add": one of "power", "glide", "ballast"'
        elif self.action != "add" and self.kind is not None:
            yield "kind", 'only for action = "add"'

    @rule(
        "action",
        "start_s",
        "end_s",
        "new_start_s",
        "new_end_s",
        words=(
            "`new_start_s`, `new_end_s` or both are given for `move`, and only there; the new start "
            "comes before the new end"
        ),
    )
    def _check_move(self: Any) -> Iterator[Finding]:
        new = {name: getattr(self, name) for name in ("new_start_s", "new_end_s")}
        if self.action != "move":
            for name, value in new.items():
                if value is not None:
                    yield name, 'only for action = "move"'
        elif all(value is None for value in new.values()):
            yield "new_start_s", 'needed for action = "move": new_start_s, new_end_s or both'
        else:
            start = self.start_s if self.new_start_s is None else self.new_start_s
            end = self.end_s if self.new_end_s is None else self.new_end_s
            if not start < end:
                field = "new_end_s" if self.new_end_s is not None else "new_start_s"
                yield field, "the new start must come before the new end"


class Settings(Sheet):
    """Settings of the search and the estimate; the defaults suit most sorties.

    Examples
    --------
    >>> from flightproc.sheets import Settings
    >>> Settings(minimum_hold_s=30.0).straight_limit_deg_s
    4.0
    """

    straight_limit_deg_s: Annotated[
        float, Field("mean turn rate up to which a hold counts as straight", "deg/s", 0.1, 45)
    ] = 4.0
    minimum_hold_s: Annotated[float, Field("shortest hold, after settling", "s", 3, 600)] = 20.0
    settling_s: Annotated[
        float | None,
        Field(
            "time left out at the start of each hold; found from the data where it is left out",
            "s",
            0,
            300,
            example=8.0,
        ),
    ] = None
    idle_rpm: Annotated[
        float | None,
        Field(
            "engine speed up to which the engine counts as idling; from the aircraft sheet or the data "
            "otherwise",
            "rpm",
            0,
            20000,
            example=2200.0,
        ),
    ] = None
    draws: Annotated[int, Field("number of Monte Carlo draws", low=200, high=2_000_000, kind="whole")] = 20000
    seed: Annotated[
        int,
        Field("seed of the draws; the same seed gives the same figures", low=0, high=2**32 - 1, kind="whole"),
    ] = 1
    grid_hz: Annotated[float, Field("rate of the common time grid", "Hz", 1, 100)] = 10.0


class SortieSheet(Sheet):
    """One flight: its logs, the sheets that belong to it, and what was done in the air.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> [log.role for log in sheets.sortie.logs], sheets.sortie.settings.draws
    (['unit', 'gps', 'engine'], 20000)
    """

    title: Annotated[
        str, Field("title of the report", kind="text", low=1, high=200, example="Evening sortie, frame 3")
    ]
    date: Annotated[dt.date | None, Field("day of the flight", kind="date", example=dt.date(2026, 5, 1))] = (
        None
    )
    pilot_notes: Annotated[
        str,
        Field(
            "free words of the pilot; they stand in the report",
            kind="text",
            high=20000,
            example="Calm until the last leg.",
        ),
    ] = ""
    aircraft: Annotated[
        str,
        Field(
            "the aircraft sheet, seen from the folder of this sheet",
            kind="file",
            low=1,
            words='a file name in quotes, such as "aircraft.toml"',
            example="aircraft.toml",
        ),
    ]
    glider: Annotated[
        str,
        Field(
            "the glider sheet",
            kind="file",
            low=1,
            words='a file name in quotes, such as "glider.toml"',
            example="glider.toml",
        ),
    ]
    rig: Annotated[
        str | None,
        Field(
            "the rig sheet; take the line out where there was no rig day",
            kind="file",
            low=1,
            words='a file name in quotes, such as "rig.toml"',
            example="rig.toml",
        ),
    ] = None
    logs: Annotated[
        tuple[LogEntry, ...],
        Field("the logs of the flight", kind="tables", low=1, words="one or more tables [[logs]]"),
    ]
    air: Annotated[AirEntry | None, Field("the air of the day", kind="table", words="a table [air]")] = None
    ballast: Annotated[
        tuple[BallastLeg, ...], Field("ballast glides", kind="tables", words="tables [[ballast]]")
    ] = ()
    notes: Annotated[
        tuple[PilotNote, ...], Field("the pilot's notes", kind="tables", words="tables [[notes]]")
    ] = ()
    holds: Annotated[
        tuple[HoldEdit, ...], Field("holds set by hand", kind="tables", words="tables [[holds]]")
    ] = ()
    settings: Annotated[
        Settings, Field("settings of the analysis", kind="table", words="a table [settings]")
    ] = Settings()

    @rule("logs.role", words="exactly one log has the role `unit`")
    def _check_roles(self: Any) -> Iterator[Finding]:
        units = [i for i, log in enumerate(self.logs) if log.role == "unit"]
        if not units:
            yield "logs", 'exactly one log with role = "unit": the inertial sensor that hangs with the pilot'
        for i in units[1:]:
            yield ("logs", i, "role"), 'only one log may have the role "unit"; use "gps", "engine" or "other"'

    @rule("logs.name", words="no two logs have the same name")
    def _check_names(self: Any) -> Iterator[Finding]:
        seen: dict[str, int] = {}
        for i, log in enumerate(self.logs):
            if log.name in seen:
                yield ("logs", i, "name"), f"a name of its own; logs[{seen[log.name] + 1}] has this one"
            seen.setdefault(log.name, i)

    @rule(
        "logs.name",
        "logs.same_clock_as",
        words="`same_clock_as` names another log, one without `same_clock_as`",
    )
    def _check_shared_clocks(self: Any) -> Iterator[Finding]:
        roots = {log.name for log in self.logs if log.same_clock_as is None}
        for i, log in enumerate(self.logs):
            if log.same_clock_as is not None and log.same_clock_as not in roots:
                there = ", ".join(sorted(roots)) or "none"
                yield ("logs", i, "same_clock_as"), f"a log with a clock of its own (there are: {there})"

    @rule(
        "ballast.start_s",
        "ballast.end_s",
        "ballast.start_utc",
        "ballast.end_utc",
        words="ballast legs do not overlap",
    )
    def _check_ballast(self: Any) -> Iterator[Finding]:
        for names in (("start_s", "end_s"), ("start_utc", "end_utc")):
            legs = [(getattr(leg, names[0]), getattr(leg, names[1]), i) for i, leg in enumerate(self.ballast)]
            legs = [(a, b, i) for a, b, i in legs if a is not None and b is not None and _ordered(a, b)]
            for number, (start, end, i) in enumerate(legs):
                for other_start, other_end, j in legs[:number]:
                    if _ordered(start, other_end) and _ordered(other_start, end):
                        yield ("ballast", i, names[0]), f"a leg of its own; it overlaps ballast[{j + 1}]"
                        break


def _ordered(first: Any, second: Any) -> bool:
    """Return whether ``first`` comes before ``second``; False where they cannot be compared."""
    if isinstance(first, dt.datetime) and (first.tzinfo is None) != (second.tzinfo is None):
        return False
    return bool(first < second)
