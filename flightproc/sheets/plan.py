"""The plan sheet: what the next sortie is to resolve, in what air, with what at hand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from .fields import Field, Finding, Sheet, rule

__all__ = ["PlanAir", "PlanBallast", "PlanFlight", "PlanGoal", "PlanHolds", "PlanNoise", "PlanSheet"]


class PlanGoal(Sheet):
    """What the sortie is to tell apart.

    Examples
    --------
    >>> from flightproc.sheets import PlanGoal
    >>> PlanGoal(difference_percent=5.0).power_percent
    80.0
    """

    difference_percent: Annotated[
        float,
        Field(
            "difference to be told from none, in percent of the propeller torque at cruise",
            "%",
            0.1,
            200,
            typical="5 to 15",
        ),
    ] = 5.0
    significance_percent: Annotated[
        float,
        Field("chance of calling a difference real where there is none (two-sided)", "%", 0.1, 40),
    ] = 5.0
    power_percent: Annotated[
        float, Field("chance of finding the difference where it is there", "%", 50, 99.9)
    ] = 80.0
    against: Annotated[
        Literal["rig", "sortie"],
        Field(
            "what the flight is set against: the rig, or another sortie of the same frame, wing, sensor and "
            "ballast, flown alike (before and after a change), where what both share falls out",
            kind="text",
            choices=("rig", "sortie"),
        ),
    ] = "rig"


class PlanAir(Sheet):
    """The air to expect.

    Examples
    --------
    >>> from flightproc.sheets import PlanAir
    >>> PlanAir(gust_m_s=0.35).gust_m_s
    0.35
    """

    gust_m_s: Annotated[
        float,
        Field(
            "gust level: standard deviation of each wind component over minutes",
            "m/s",
            0.01,
            1.0,
            how="0.1 is glassy air soon after sunrise, 0.2 light bumps, 0.35 thermals under way",
            typical="0.1 to 0.2 in the calm that test holds ask for",
        ),
    ] = 0.15
    density_kg_m3: Annotated[float, Field("air density at flying height", "kg/m3", 0.5, 1.5)] = 1.17
    wind_speed_m_s: Annotated[
        float, Field("wind at flying height", "m/s", 0, 12, how="forecast or balloon")
    ] = 2.0
    wind_from_deg: Annotated[
        float | None,
        Field(
            "direction it blows from, clockwise from north; left out, the card says into wind and downwind",
            "deg",
            0,
            360,
            example=240.0,
        ),
    ] = None


class PlanNoise(Sheet):
    """Noise seen in earlier sorties, where no results.json is given; left out, typical of the gust level.

    Examples
    --------
    >>> from flightproc.sheets import PlanNoise
    >>> PlanNoise(hang_roll_60s_deg=0.06, turn_rate_60s_deg_s=0.25).hang_roll_60s_deg
    0.06
    """

    hang_roll_60s_deg: Annotated[
        float,
        Field(
            "standard uncertainty of a 60 s mean of hang roll",
            "deg",
            0.002,
            3,
            how="noise_hang_roll_60s_deg under calibration in results.json",
            typical="0.03 to 0.15",
            example=0.06,
        ),
    ]
    turn_rate_60s_deg_s: Annotated[
        float,
        Field(
            "standard uncertainty of a 60 s mean of turn rate",
            "deg/s",
            0.005,
            10,
            how="noise_turn_rate_60s_deg_s in the same place",
            example=0.25,
        ),
    ]
    gust_m_s: Annotated[
        float | None,
        Field(
            "gust level it was seen at, to carry it to that of [air]; left out, it is taken as it is",
            "m/s",
            0.01,
            1.0,
            example=0.2,
        ),
    ] = None


class PlanHolds(Sheet):
    """What the search may choose from.

    Examples
    --------
    >>> from flightproc.sheets import PlanHolds
    >>> PlanHolds(cruise_rpm=6000.0).settle_s
    15.0
    """

    cruise_rpm: Annotated[
        float, Field("engine speed at which the difference counts", "rpm", 300, 20000, example=6000.0)
    ]
    other_rpm: Annotated[
        tuple[float, ...],
        Field(
            "further engine speeds to hold, once each",
            "rpm",
            300,
            20000,
            kind="numbers",
            how="within what the frame's maker and the pilot's experience allow, rising in small steps",
            example=[5200.0, 6800.0],
        ),
    ] = ()
    seconds: Annotated[
        tuple[float, ...],
        Field("lengths of a hold to choose from", "s", 25, 300, kind="numbers", typical="45 to 120"),
    ] = (45.0, 60.0, 90.0, 120.0)
    settle_s: Annotated[float, Field("hands off with the throttle set, before each hold", "s", 12, 60)] = 15.0
    most_minutes: Annotated[float, Field("longest flight", "min", 8, 240)] = 60.0
    most_legs: Annotated[
        int, Field("most holds on one card, glides and ballast legs among them", kind="whole", low=4, high=24)
    ] = 20

    @rule("seconds", words="`seconds` has one entry or more")
    def _check_seconds(self: Any) -> Iterator[Finding]:
        if not self.seconds:
            yield "seconds", "one length or more"


class PlanBallast(Sheet):
    """Ballast at hand for ballast legs; without this table none are planned.

    Examples
    --------
    >>> from flightproc.sheets import PlanBallast
    >>> PlanBallast(masses_kg=(3.0, 5.0), arm_m=0.3).most_legs
    8
    """

    masses_kg: Annotated[
        tuple[float, ...],
        Field(
            "masses to choose from, each one that frame, harness and pilot can carry on one side",
            "kg",
            0.5,
            25,
            kind="numbers",
            typical="2 to 6",
            example=[3.0, 5.0],
        ),
    ]
    mass_std_kg: Annotated[float, Field("standard uncertainty of the mass", "kg", 0.0005, 2)] = 0.05
    arm_m: Annotated[
        float,
        Field(
            "lateral distance of the ballast's centre from the unit's centre plane, hung out",
            "m",
            0.02,
            2,
            how="tape measure, hanging in the harness",
            typical="0.2 to 0.4",
            example=0.3,
        ),
    ]
    arm_std_m: Annotated[float, Field("standard uncertainty of arm_m", "m", 0.0005, 0.5)] = 0.005
    most_legs: Annotated[
        int, Field("most ballast legs, half of them on each side", kind="whole", low=2, high=12)
    ] = 8


class PlanFlight(Sheet):
    """How the aircraft climbs, sinks and burns fuel, and between which heights it is to stay.

    Examples
    --------
    >>> from flightproc.sheets import PlanFlight
    >>> PlanFlight(low_m=300.0, high_m=800.0).sink_m_s
    1.5
    """

    low_m: Annotated[float, Field("lower edge of the height band above ground", "m", 60, 3000)] = 150.0
    high_m: Annotated[float, Field("upper edge of the height band above ground", "m", 120, 5000)] = 450.0
    sink_m_s: Annotated[
        float,
        Field(
            "sink in a straight glide, engine idling", "m/s", 0.5, 5, how="an earlier log", typical="1.2 to 2"
        ),
    ] = 1.5
    level_rpm: Annotated[
        float | None,
        Field(
            "engine speed that holds height; left out, four fifths of cruise_rpm",
            "rpm",
            300,
            20000,
            example=4800.0,
        ),
    ] = None
    climb_rpm: Annotated[
        float | None,
        Field(
            "engine speed of climbs; left out, the highest that is held", "rpm", 300, 20000, example=7200.0
        ),
    ] = None
    idle_rpm: Annotated[
        float | None,
        Field(
            "engine speed of glides; left out, that of the aircraft sheet", "rpm", 0, 20000, example=2200.0
        ),
    ] = None
    cruise_fuel_l_h: Annotated[
        float, Field("fuel burned at cruise_rpm", "L/h", 0.3, 30, how="fuel gone on earlier flights")
    ] = 3.5
    fuel_l: Annotated[
        float | None, Field("fuel to start with", "L", 0.5, 60, how="measured into the tank", example=6.0)
    ] = None
    reserve_min: Annotated[
        float, Field("flight at cruise_rpm that the fuel left must allow", "min", 5, 120)
    ] = 30.0

    @rule("low_m", "high_m", words="`high_m` is at least 100 m above `low_m`")
    def _check_band(self: Any) -> Iterator[Finding]:
        if self.high_m < self.low_m + 100.0:
            yield "high_m", "at least 100 m above low_m"


class PlanSheet(Sheet):
    """The next sortie: what it is to resolve, in what air, and what there is to fly it with.

    Examples
    --------
    >>> from flightproc.sheets import PlanHolds, PlanSheet
    >>> sheet = PlanSheet(
    ...     aircraft="aircraft.toml", glider="glider.toml", rig="rig.toml", holds=PlanHolds(cruise_rpm=6000.0)
    ... )
    >>> sheet.goal.difference_percent
    5.0
    """

    title: Annotated[
        str, Field("title of the card", kind="text", low=1, high=60, example="Frame 3, calm morning")
    ] = "Next sortie"
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
            "the rig sheet: how large the torque is, and how well the rig knows it",
            kind="file",
            low=1,
            words='a file name in quotes, such as "rig.toml"',
            example="rig.toml",
        ),
    ] = None
    cruise_torque_N_m: Annotated[
        float | None,
        Field("propeller torque at cruise_rpm, where there is no rig sheet", "N m", 1, 300, example=17.0),
    ] = None
    rig_std_percent: Annotated[
        float, Field("standard uncertainty of the rig's torque, where there is no rig sheet", "%", 0.1, 30)
    ] = 2.0
    sensor_yaw_std_deg: Annotated[
        float,
        Field(
            "how well the sensor's yaw in the unit is known",
            "deg",
            0.05,
            10,
            how="1 where it is measured by hand, or found by rocking the unit on the ground; 3 by eye",
        ),
    ] = 1.0
    goal: Annotated[PlanGoal, Field("what to tell apart", kind="table", words="a table [goal]")] = PlanGoal()
    holds: Annotated[PlanHolds, Field("the holds to choose from", kind="table", words="a table [holds]")]
    air: Annotated[PlanAir, Field("the air to expect", kind="table", words="a table [air]")] = PlanAir()
    ballast: Annotated[
        PlanBallast | None, Field("ballast at hand", kind="table", words="a table [ballast]")
    ] = None
    flight: Annotated[
        PlanFlight, Field("heights, climb and fuel", kind="table", words="a table [flight]")
    ] = PlanFlight()
    noise: Annotated[PlanNoise | None, Field("noise seen before", kind="table", words="a table [noise]")] = (
        None
    )

    @rule("rig", "cruise_torque_N_m", words="`rig` or `cruise_torque_N_m`")
    def _check_torque(self: Any) -> Iterator[Finding]:
        if self.rig is None and self.cruise_torque_N_m is None:
            yield "cruise_torque_N_m", "needed where no rig sheet is named"

    @rule("holds", "flight", words="`level_rpm` lies below `climb_rpm`, or below the highest rpm held")
    def _check_climb(self: Any) -> Iterator[Finding]:
        held = [self.holds.cruise_rpm, *(self.holds.other_rpm or ())]
        climb = self.flight.climb_rpm or max(held)
        level = self.flight.level_rpm or 0.8 * self.holds.cruise_rpm
        if level >= 0.97 * climb:
            yield ("flight", "level_rpm"), f"below the engine speed of climbs, {climb:.0f} rpm"
