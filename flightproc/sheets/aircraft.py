"""The aircraft sheet: the hung unit, its engine and its propeller."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from .fields import Field, Finding, Sheet, rule
from .ground import InertiaEntry, TiltTestEntry

__all__ = [
    "AircraftSheet",
    "BladeStation",
    "CompensationEntry",
    "EngineEntry",
    "PropellerEntry",
    "SensorEntry",
]


class EngineEntry(Sheet):
    """Engine and gearbox.

    Examples
    --------
    >>> from flightproc.sheets import EngineEntry
    >>> EngineEntry(gear_ratio=2.8, idle_rpm=2200.0).firing_per_rev
    1.0
    """

    gear_ratio: Annotated[
        float,
        Field(
            "engine revolutions per propeller revolution",
            low=0.5,
            high=6,
            how="data sheet, or count: turn the propeller by hand",
            typical="2.2 to 3.2",
            example=2.8,
        ),
    ]
    idle_rpm: Annotated[
        float | None,
        Field(
            "engine speed at idle",
            "rpm",
            300,
            20000,
            how="rev counter, warm engine",
            typical="1800 to 2500",
            example=2100.0,
        ),
    ] = None
    idle_turns_propeller: Annotated[
        bool, Field("whether the propeller turns at idle (no clutch, or one that drags)", kind="flag")
    ] = False
    firing_per_rev: Annotated[
        float,
        Field(
            "power strokes per crankshaft revolution, to find engine speed from sound or vibration",
            low=0.5,
            high=6,
            how="cylinders, divided by two for a four-stroke; cylinders that fire together count once",
            typical="1 (two-stroke single)",
        ),
    ] = 1.0


class BladeStation(Sheet):
    """One station of the blade.

    Examples
    --------
    >>> from flightproc.sheets import BladeStation
    >>> BladeStation(r_m=0.45, chord_m=0.1, beta_deg=14.0).beta_deg
    14.0
    """

    r_m: Annotated[
        float,
        Field("radius of the station", "m", 0.005, 2, how="ruler, from the propeller's centre", example=0.45),
    ]
    chord_m: Annotated[
        float, Field("chord at the station", "m", 0.003, 0.5, how="calliper or ruler", example=0.10)
    ]
    beta_deg: Annotated[
        float,
        Field(
            "angle of the chord to the plane of rotation",
            "deg",
            -10,
            90,
            how="inclinometer on the flat side, propeller level",
            example=14.0,
        ),
    ]


class PropellerEntry(Sheet):
    """The propeller, by its nominal pitch or by a table of stations.

    Examples
    --------
    >>> from flightproc.sheets import PropellerEntry
    >>> PropellerEntry(diameter_m=1.3, blades=2, rotation="left", pitch_m=0.6).rotation
    'left'
    """

    diameter_m: Annotated[
        float,
        Field("diameter", "m", 0.3, 3.5, how="tape measure, tip to tip", typical="1.1 to 1.4", example=1.30),
    ]
    blades: Annotated[
        int, Field("number of blades", kind="whole", low=1, high=8, typical="2 or 3", example=2)
    ]
    rotation: Annotated[
        Literal["left", "right"],
        Field(
            "turning sense seen from behind: left is anticlockwise, right is clockwise",
            kind="text",
            choices=("left", "right"),
            how="watch the propeller from behind while the starter turns it",
            example="left",
        ),
    ]
    pitch_m: Annotated[
        float | None,
        Field(
            "nominal pitch; in place of stations",
            "m",
            0.05,
            4,
            how="stamped on the blade; inches times 0.0254",
            typical="0.5 to 0.8",
            example=0.62,
        ),
    ] = None
    chord_075_m: Annotated[
        float | None,
        Field(
            "chord at three quarters of the radius, where only the pitch is given",
            "m",
            0.01,
            0.5,
            how="ruler",
            typical="0.07 to 0.13",
            example=0.095,
        ),
    ] = None
    stations: Annotated[
        tuple[BladeStation, ...],
        Field(
            "table of the blade, hub to tip; in place of pitch_m",
            kind="tables",
            words="three or more tables [[propeller.stations]]; a smooth blade is fitted to up to five",
        ),
    ] = ()

    section: Annotated[
        str | None,
        Field(
            "section of the blade: a CSV table (alpha_deg, cl, cd and, at will, reynolds), or a name such as "
            "naca4412, which needs the extra flightproc[polars]; left out, an assumed cambered section",
            kind="text",
            low=1,
            high=200,
            how="a wind-tunnel report or a section program; the file beside this sheet",
            example="section.csv",
        ),
    ] = None

    @property
    def chord_at_075_m(self) -> float | None:
        """Chord at 0.75 R [m], stated or between two stations; None where the sheet does not tell."""
        if self.chord_075_m is not None or not self.stations:
            return self.chord_075_m
        place = 0.375 * self.diameter_m
        stations = sorted(self.stations, key=lambda s: s.r_m)
        right = bisect_left([s.r_m for s in stations], place)
        if not 0 < right < len(stations):
            return None
        low, high = stations[right - 1], stations[right]
        share = (place - low.r_m) / (high.r_m - low.r_m)
        return (1.0 - share) * low.chord_m + share * high.chord_m

    @rule("pitch_m", "stations", words="either `pitch_m`, or at least three `stations`; not both")
    def _check_blade(self: Any) -> Iterator[Finding]:
        count = len(self.stations)
        if self.pitch_m is None and not count:
            yield "pitch_m", "pitch_m (0.05 to 4 m), or a table of [[propeller.stations]]"
        elif self.pitch_m is not None and count:
            yield "pitch_m", "either pitch_m or [[propeller.stations]], not both"
        elif 0 < count < 3:
            yield "stations", f"at least 3 stations from hub to tip; there are {count}"

    @rule("chord_075_m", "stations", words="`chord_075_m` goes with `pitch_m` only")
    def _check_chord(self: Any) -> Iterator[Finding]:
        if self.chord_075_m is not None and len(self.stations):
            yield "chord_075_m", "only with pitch_m; the stations have their own chords"

    @rule("stations.r_m", words="stations run from hub to tip, `r_m` increasing")
    def _check_radii(self: Any) -> Iterator[Finding]:
        for i in range(1, len(self.stations)):
            if not self.stations[i].r_m > self.stations[i - 1].r_m:
                yield (
                    ("stations", i, "r_m"),
                    "larger than that of the station before: list them from hub to tip",
                )

    @rule("stations.r_m", "diameter_m", words="no station lies beyond half the diameter")
    def _check_tip(self: Any) -> Iterator[Finding]:
        tip = self.diameter_m / 2
        for i, station in enumerate(self.stations):
            if station.r_m > tip * 1.001:
                yield ("stations", i, "r_m"), f"no more than half the diameter, {tip:g} m"


class SensorEntry(Sheet):
    """How the sensor sits in the unit: yaw, then pitch, then roll. What is left out is found from the log.

    Examples
    --------
    >>> from flightproc.sheets import SensorEntry
    >>> SensorEntry(mount_roll_deg=1.5).mount_roll_deg
    1.5
    """

    mount_roll_deg: Annotated[
        float | None,
        Field(
            "roll of the sensor in the unit, positive right side down",
            "deg",
            -180,
            180,
            how="inclinometer across the sensor, unit upright",
            example=0.0,
        ),
    ] = None
    mount_pitch_deg: Annotated[
        float | None,
        Field(
            "pitch of the sensor in the unit, positive nose up",
            "deg",
            -90,
            90,
            how="inclinometer along the sensor, unit upright",
            example=5.0,
        ),
    ] = None
    mount_yaw_deg: Annotated[
        float | None,
        Field(
            "yaw of the sensor in the unit, positive nose right",
            "deg",
            -180,
            180,
            how="which way its arrow points: 0 forward, 90 right, 180 back",
            example=90.0,
        ),
    ] = None


class CompensationEntry(Sheet):
    """What the frame does against the torque reaction, where it does anything.

    Examples
    --------
    >>> from flightproc.sheets import CompensationEntry
    >>> CompensationEntry(kind="thrust_tilt", moment_N_m=8.0, at_rpm=6000.0).kind
    'thrust_tilt'
    """

    kind: Annotated[
        Literal["none", "hang_offset", "thrust_tilt", "slipstream_surface"],
        Field(
            "what the frame has: none, hang_offset (hang points moved sideways), thrust_tilt (thrust line "
            "tilted or moved) or slipstream_surface",
            kind="text",
            choices=("none", "hang_offset", "thrust_tilt", "slipstream_surface"),
        ),
    ] = "none"
    hang_offset_m: Annotated[
        float | None,
        Field(
            "how far the middle of the hang points is moved from the centre plane, positive right",
            "m",
            -0.5,
            0.5,
            how="tape measure",
            typical="-0.05 to 0.05",
            example=0.02,
        ),
    ] = None
    moment_N_m: Annotated[
        float | None,
        Field(
            "what it takes off the roll reaction at at_rpm, positive when it opposes the reaction",
            "N m",
            -200,
            200,
            how="maker's figure, or an earlier report",
            example=8.0,
        ),
    ] = None
    moment_std_N_m: Annotated[
        float | None, Field("standard uncertainty of moment_N_m", "N m", 0, 200, example=2.0)
    ] = None
    at_rpm: Annotated[
        float | None, Field("engine speed at which moment_N_m holds", "rpm", 300, 20000, example=7000.0)
    ] = None

    @rule(
        "kind",
        "hang_offset_m",
        "moment_N_m",
        "moment_std_N_m",
        "at_rpm",
        words=(
            'with `kind = "none"` the other fields are left out; `hang_offset` wants `hang_offset_m` or '
            "`moment_N_m`; `hang_offset_m` goes with `hang_offset` only"
        ),
    )
    def _check_kind(self: Any) -> Iterator[Finding]:
        given = [
            n
            for n in ("hang_offset_m", "moment_N_m", "moment_std_N_m", "at_rpm")
            if getattr(self, n) is not None
        ]
        if self.kind == "none" and given:
            yield "kind", f'another kind than "none", or leave out {", ".join(given)}'
        elif self.kind == "hang_offset" and self.hang_offset_m is None and self.moment_N_m is None:
            yield "hang_offset_m", "hang_offset_m or moment_N_m with at_rpm"
        elif self.kind not in ("none", "hang_offset") and self.hang_offset_m is not None:
            yield "hang_offset_m", 'only for kind = "hang_offset"'

    @rule(
        "moment_N_m",
        "moment_std_N_m",
        "at_rpm",
        words="`moment_N_m` and `at_rpm` go together; `moment_std_N_m` only with them",
    )
    def _check_moment(self: Any) -> Iterator[Finding]:
        if self.moment_N_m is not None and self.at_rpm is None:
            yield "at_rpm", "moment_N_m needs the engine speed it holds at; 300 to 20000 rpm"
        for name in ("moment_std_N_m", "at_rpm"):
            if self.moment_N_m is None and getattr(self, name) is not None:
                yield name, "only together with moment_N_m"


class AircraftSheet(Sheet):
    """The paramotor with its pilot, as flown.

    Examples
    --------
    >>> import flightproc as fp
    >>> aircraft = fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml")
    >>> aircraft.name, aircraft.propeller.rotation, aircraft.reaction_sign
    ('training frame A', 'left', 1)
    """

    name: Annotated[str, Field("the frame and engine", kind="text", low=1, high=100, example="frame 3")]
    hung_mass_kg: Annotated[
        float,
        Field(
            "all below the hang points at mid-flight: pilot, unit, fuel, and ballast carried along",
            "kg",
            20,
            400,
            how="weigh the pilot with the unit and ballast on; take half the fuel burnt off",
            typical="90 to 150",
            example=118.0,
        ),
    ]
    hung_mass_std_kg: Annotated[float, Field("standard uncertainty of hung_mass_kg", "kg", 0, 50)] = 1.0
    all_up_mass_kg: Annotated[
        float,
        Field(
            "hung mass and glider",
            "kg",
            22,
            450,
            how="hung_mass_kg plus the glider on a luggage scale",
            typical="95 to 160",
            example=124.0,
        ),
    ]
    hang_span_m: Annotated[
        float,
        Field(
            "distance between the two hang points",
            "m",
            0.15,
            1.5,
            how="tape measure, between the carabiners under load",
            typical="0.38 to 0.50",
            example=0.44,
        ),
    ]
    hang_span_std_m: Annotated[float, Field("standard uncertainty of hang_span_m", "m", 0, 0.3)] = 0.01
    hang_arm_m: Annotated[
        float,
        Field(
            "how far the centre of gravity of the hung mass lies below the hang points",
            "m",
            0.05,
            1.5,
            how="a tilt test, see [tilt_test]; or estimate",
            typical="0.2 to 0.5",
            example=0.35,
        ),
    ]
    hang_arm_std_m: Annotated[float, Field("standard uncertainty of hang_arm_m", "m", 0, 0.5)] = 0.05
    riser_roll_stiffness_N_m_rad: Annotated[
        float | None,
        Field(
            "roll stiffness of the riser geometry, between wing and unit",
            "N m/rad",
            0,
            5000,
            how="a calibrated earlier sortie; left out, a wide prior is used",
            typical="50 to 600",
            example=150.0,
        ),
    ] = None
    riser_roll_stiffness_std_N_m_rad: Annotated[
        float | None,
        Field("standard uncertainty of riser_roll_stiffness_N_m_rad", "N m/rad", 0, 5000, example=60.0),
    ] = None
    engine: Annotated[EngineEntry, Field("engine and gearbox", kind="table", words="a table [engine]")]
    propeller: Annotated[PropellerEntry, Field("propeller", kind="table", words="a table [propeller]")]
    sensor: Annotated[
        SensorEntry, Field("how the unit's sensor is mounted", kind="table", words="a table [sensor]")
    ] = SensorEntry()
    compensation: Annotated[
        CompensationEntry,
        Field("what opposes the torque reaction", kind="table", words="a table [compensation]"),
    ] = CompensationEntry()
    tilt_test: Annotated[
        TiltTestEntry | None,
        Field("a tilt test on the ground", kind="table", words="a table [tilt_test]"),
    ] = None
    inertia: Annotated[
        InertiaEntry | None,
        Field("a bifilar pendulum about the roll axis", kind="table", words="a table [inertia]"),
    ] = None

    @rule("hung_mass_kg", "all_up_mass_kg", words="`all_up_mass_kg` is more than `hung_mass_kg`")
    def _check_mass(self: Any) -> Iterator[Finding]:
        if not self.all_up_mass_kg > self.hung_mass_kg:
            yield (
                "all_up_mass_kg",
                f"more than hung_mass_kg ({self.hung_mass_kg:g} kg): it is the hung mass and the glider",
            )

    @rule(
        "riser_roll_stiffness_N_m_rad",
        "riser_roll_stiffness_std_N_m_rad",
        words="`riser_roll_stiffness_std_N_m_rad` goes with `riser_roll_stiffness_N_m_rad` only",
    )
    def _check_stiffness(self: Any) -> Iterator[Finding]:
        if self.riser_roll_stiffness_N_m_rad is None and self.riser_roll_stiffness_std_N_m_rad is not None:
            yield "riser_roll_stiffness_std_N_m_rad", "only together with riser_roll_stiffness_N_m_rad"

    @property
    def reaction_sign(self) -> int:
        """Sign of the roll reaction: +1 (right) for a propeller turning left, -1 for one turning right."""
        return 1 if self.propeller.rotation == "left" else -1
