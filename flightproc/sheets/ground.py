"""Ground tests of the hung unit in the aircraft sheet: the tilt test and the bifilar pendulum."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from .fields import Field, Finding, Sheet, rule

__all__ = ["InertiaEntry", "TiltTestEntry"]


class TiltTestEntry(Sheet):
    """Ground tilt test: the unit hangs with its pilot, engine off, and ballast is hung out to either side.

    The ballast rides along otherwise, where it counts in the hung mass; in the test it is only moved. The
    hang points hang from the two ends of a stiff bar that hangs from one point at its middle: two parallel
    straps from a beam would hold the unit upright.

    Examples
    --------
    >>> from flightproc.sheets import TiltTestEntry
    >>> TiltTestEntry(side=("right", "left", "right", "left"),
    ...     angle_deg=(1.7, -1.3, 1.6, -1.4),
    ...     ballast_kg=4.0,
    ...     arm_m=0.25,
    ... ).ballast_kg
    4.0
    """

    side: Annotated[
        tuple[Literal["left", "right"], ...],
        Field(
            "for each reading the side the ballast hangs on, as the pilot sees it",
            kind="texts",
            choices=("left", "right"),
            how="left and right in turn, twice each at least",
            example=["right", "left", "right", "left"],
        ),
    ]
    angle_deg: Annotated[
        tuple[float, ...],
        Field(
            "roll of the unit in each reading, positive right side down",
            "deg",
            -45,
            45,
            kind="numbers",
            how="inclinometer across the frame, or the unit's own sensor; wait until it hangs still",
            typical="1 to 5 either way",
            example=[1.7, -1.3, 1.6, -1.4],
        ),
    ]
    angle_std_deg: Annotated[
        float,
        Field("standard uncertainty of one reading of the angle", "deg", 0.001, 5, typical="0.1 to 0.3"),
    ] = 0.2
    zero_deg: Annotated[
        tuple[float, ...],
        Field(
            "roll of the unit with the ballast in its usual place, one or more readings",
            "deg",
            -45,
            45,
            kind="numbers",
            how="before and after",
            example=[0.1, 0.2],
        ),
    ] = ()
    ballast_kg: Annotated[
        float,
        Field(
            "mass hung out; it rides along otherwise",
            "kg",
            0.1,
            50,
            how="a kitchen or luggage scale",
            example=4.0,
        ),
    ]
    ballast_std_kg: Annotated[float, Field("standard uncertainty of ballast_kg", "kg", 0, 5)] = 0.05
    arm_m: Annotated[
        float,
        Field(
            "how far the ballast is moved sideways, at right angles to the unit's centre plane",
            "m",
            0.02,
            2,
            how="tape measure, from the centre plane to the ballast's centre",
            typical="0.2 to 0.5",
            example=0.25,
        ),
    ]
    arm_std_m: Annotated[float, Field("standard uncertainty of arm_m", "m", 0, 0.5)] = 0.005
    drop_m: Annotated[
        float,
        Field(
            "how much lower than in its usual place the ballast lies when it is hung out",
            "m",
            -2,
            2,
            how="tape measure",
            typical="0 to 0.3",
        ),
    ] = 0.0
    drop_std_m: Annotated[float, Field("standard uncertainty of drop_m", "m", 0, 1)] = 0.03
    pivot_height_m: Annotated[
        float,
        Field(
            "how far the point that the bar hangs from lies above the line through its two ends",
            "m",
            -0.2,
            3,
            how="tape measure; at the bar, not at the beam",
            typical="0 to 0.02",
        ),
    ] = 0.0
    pivot_height_std_m: Annotated[float, Field("standard uncertainty of pivot_height_m", "m", 0, 0.5)] = 0.005

    @rule(
        "side", "angle_deg", words="`side` and `angle_deg` are as long as each other, with both sides in them"
    )
    def _check_lengths(self: Any) -> Iterator[Finding]:
        if len(self.side) != len(self.angle_deg):
            yield (
                "angle_deg",
                f"one angle for each entry of side: there are {len(self.angle_deg)} angles and "
                f"{len(self.side)} sides",
            )
        elif set(self.side) != {"left", "right"}:
            yield "side", "readings with the ballast on the left and on the right, at least one of each"

    @rule(
        "side",
        "angle_deg",
        words="ballast on the right tilts the unit further right than ballast on the left",
    )
    def _check_sense(self: Any) -> Iterator[Finding]:
        pairs = list(zip(self.side, self.angle_deg, strict=False))
        right = [angle for side, angle in pairs if side == "right"]
        left = [angle for side, angle in pairs if side == "left"]
        if right and left and not sum(right) / len(right) > sum(left) / len(left):
            yield (
                "angle_deg",
                "larger with the ballast on the right than on the left: angles are positive right side down",
            )


class InertiaEntry(Sheet):
    """Bifilar pendulum: the unit hangs on two parallel lines, its roll axis upright, and swings about it.

    Engine off, fuel as flown, and a dummy in the pilot's place rather than the pilot.

    Examples
    --------
    >>> from flightproc.sheets import InertiaEntry
    >>> InertiaEntry(mass_kg=118.0,
    ...     line_spacing_m=0.8,
    ...     line_length_m=2.5,
    ...     swings=10,
    ...     times_s=(29.6, 29.4, 29.7),
    ...     amplitude_deg=10.0,
    ... ).swings
    10
    """

    mass_kg: Annotated[
        float,
        Field("all that hangs on the two lines", "kg", 1, 400, how="weigh it as it hangs", example=118.0),
    ]
    mass_std_kg: Annotated[float, Field("standard uncertainty of mass_kg", "kg", 0, 20)] = 0.5
    line_spacing_m: Annotated[
        float,
        Field(
            "distance between the two lines, the same above and below, the centre of gravity half-way",
            "m",
            0.1,
            5,
            how="tape measure, under load",
            typical="0.5 to 1.5",
            example=0.8,
        ),
    ]
    line_spacing_std_m: Annotated[float, Field("standard uncertainty of line_spacing_m", "m", 0, 0.5)] = 0.003
    line_length_m: Annotated[
        float,
        Field(
            "length of the lines between their points of turning",
            "m",
            0.2,
            20,
            how="tape measure, under load",
            typical="2 to 4",
            example=2.5,
        ),
    ]
    line_length_std_m: Annotated[float, Field("standard uncertainty of line_length_m", "m", 0, 1)] = 0.005
    swings: Annotated[
        int,
        Field(
            "full swings, there and back, in each timing",
            kind="whole",
            low=1,
            high=1000,
            typical="10 to 20",
            example=10,
        ),
    ]
    times_s: Annotated[
        tuple[float, ...],
        Field(
            "time of that many swings, one for each timing",
            "s",
            0.2,
            10000,
            kind="numbers",
            how="stopwatch; start and stop as the unit passes the middle",
            example=[29.6, 29.4, 29.7],
        ),
    ]
    time_std_s: Annotated[
        float | None,
        Field(
            "standard uncertainty of one timing; left out, 0.2 s, or from four timings on their scatter",
            "s",
            0.001,
            10,
            how="your reaction time at both ends",
            typical="0.1 to 0.3",
            example=0.2,
        ),
    ] = None
    amplitude_deg: Annotated[
        float,
        Field(
            "mean amplitude of the swings, from the middle to one side",
            "deg",
            0.1,
            90,
            how="a mark on the floor; the middle between first and last",
            typical="5 to 15",
            example=10.0,
        ),
    ]
    amplitude_std_deg: Annotated[
        float | None,
        Field("standard uncertainty of amplitude_deg; left out, a quarter of it", "deg", 0, 45, example=2.0),
    ] = None
    damping: Annotated[
        float | None,
        Field(
            "an amplitude over that one full swing later",
            "",
            1,
            5,
            how="first over last amplitude, to the power 1 / swings",
            typical="1.00 to 1.05",
            example=1.02,
        ),
    ] = None

    @rule(
        "line_spacing_m",
        "line_length_m",
        "amplitude_deg",
        words="the lines are long enough for the amplitude",
    )
    def _check_reach(self: Any) -> Iterator[Finding]:
        reach = self.line_spacing_m * math.sin(math.radians(self.amplitude_deg) / 2.0)
        if not reach < 0.9 * self.line_length_m:
            yield "line_length_m", f"longer: with this amplitude the ends swing out by {reach:.2f} m"

    @rule("times_s", words="`times_s` holds at least one timing")
    def _check_times(self: Any) -> Iterator[Finding]:
        if not len(self.times_s):
            yield "times_s", "at least one timing; three or more are better"
