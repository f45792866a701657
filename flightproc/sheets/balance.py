"""The balance sheet: what may be changed on the frame, for which flying and which gliders."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from .fields import Field, Finding, Sheet, rule

__all__ = [
    "BalanceGlider",
    "BalanceSheet",
    "HangOffsetEntry",
    "Phase",
    "SurfaceEntry",
    "ThrustEntry",
    "ThrustOffsetEntry",
    "ThrustTiltEntry",
]


class Phase(Sheet):
    """One way of flying, with what it counts.

    Examples
    --------
    >>> from flightproc.sheets import Phase
    >>> Phase(name="cruise", rpm=6000.0).weight
    1.0
    """

    name: Annotated[str, Field("name of the phase", kind="text", low=1, high=40, example="cruise")]
    rpm: Annotated[
        float | None,
        Field(
            "engine speed; left out for idle or engine off, the propeller giving no moment",
            "rpm",
            300,
            20000,
            how="the rpm of level flight for cruise, the highest held for climb",
            example=6000.0,
        ),
    ] = None
    weight: Annotated[
        float, Field("what the phase counts beside the others", low=0, high=1000, example=0.6)
    ] = 1.0


class BalanceGlider(Sheet):
    """A glider and its loading; without a sheet it is the glider that was flown.

    Examples
    --------
    >>> from flightproc.sheets import BalanceGlider
    >>> BalanceGlider(name="as flown", hung_mass_kg=115.0).hung_mass_kg
    115.0
    """

    sheet: Annotated[
        str | None,
        Field("its glider sheet; left out, the glider flown", kind="file", low=1, example="glider.toml"),
    ] = None
    name: Annotated[
        str | None,
        Field("name in tables and figures", kind="text", low=1, high=60, example="light pilot"),
    ] = None
    hung_mass_kg: Annotated[
        float | None,
        Field("all below the hang points; left out, as flown", "kg", 20, 400, example=85.0),
    ] = None
    glider_mass_kg: Annotated[
        float | None, Field("mass of the glider itself; left out, as flown", "kg", 0.5, 30, example=6.5)
    ] = None
    weight: Annotated[float, Field("what it counts beside the others", low=0, high=1000, example=1.0)] = 1.0
    bias_deg_s: Annotated[
        float,
        Field(
            "its own turn in a glide on a frame that hangs straight, positive right; not used for the glider "
            "flown, whose turn was measured",
            "deg/s",
            -10,
            10,
        ),
    ] = 0.0
    bias_std_deg_s: Annotated[float, Field("standard uncertainty of bias_deg_s", "deg/s", 0, 10)] = 0.5


class HangOffsetEntry(Sheet):
    """Hang points moved sideways: the same moment at every throttle setting.

    Examples
    --------
    >>> from flightproc.sheets import HangOffsetEntry
    >>> HangOffsetEntry(limit_m=0.03).tolerance_m
    0.0015
    """

    limit_m: Annotated[
        float,
        Field(
            "how far the middle of the hang points may lie from the centre plane, either way",
            "m",
            0.0,
            0.2,
            how="ask the frame's maker; what the harness and risers allow",
            typical="0.02 to 0.04",
        ),
    ] = 0.03
    tolerance_m: Annotated[
        float, Field("standard uncertainty of what is built", "m", 0, 0.05, typical="0.001 to 0.003")
    ] = 0.0015


class ThrustOffsetEntry(Sheet):
    """Thrust line moved sideways: a yaw moment that follows thrust.

    Examples
    --------
    >>> from flightproc.sheets import ThrustOffsetEntry
    >>> ThrustOffsetEntry(limit_m=0.005).tolerance_m
    0.002
    """

    limit_m: Annotated[
        float,
        Field(
            "how far the thrust line may be moved sideways, either way",
            "m",
            0.0,
            0.1,
            how="ask the frame's maker; with risers that resist little twist the unit can run away in yaw",
            typical="0.005 to 0.01",
        ),
    ] = 0.008
    tolerance_m: Annotated[
        float, Field("standard uncertainty of what is built", "m", 0, 0.05, typical="0.001 to 0.003")
    ] = 0.002


class ThrustTiltEntry(Sheet):
    """Thrust line tilted sideways: roll and yaw that follow thrust.

    Examples
    --------
    >>> from flightproc.sheets import ThrustTiltEntry
    >>> ThrustTiltEntry(limit_deg=2.0).tolerance_deg
    0.3
    """

    limit_deg: Annotated[
        float,
        Field("how far the thrust line may be tilted sideways, either way", "deg", 0, 10, typical="2 to 3"),
    ] = 2.5
    tolerance_deg: Annotated[
        float, Field("standard uncertainty of what is built", "deg", 0, 3, typical="0.2 to 0.5")
    ] = 0.3


class SurfaceEntry(Sheet):
    """Surfaces in the slipstream, either side of the shaft, one lifting and one pressing down.

    Examples
    --------
    >>> from flightproc.sheets import SurfaceEntry
    >>> SurfaceEntry(largest_area_m2=0.08).aspect_ratio
    3.0
    """

    largest_area_m2: Annotated[
        float, Field("most area, all surfaces together", "m2", 0.0005, 1.0, typical="0.05 to 0.15")
    ] = 0.1
    area_tolerance: Annotated[
        float, Field("relative standard uncertainty of the area built", low=0, high=0.5)
    ] = 0.03
    aspect_ratio: Annotated[
        float,
        Field("span squared over area, of one surface", low=0.5, high=20, typical="2 to 5"),
    ] = 3.0
    arm_m: Annotated[
        float,
        Field(
            "distance of each surface's middle from the shaft; its lift acts on this arm",
            "m",
            0.05,
            1.2,
            how="near 0.55 of the propeller's radius, where the stream is fast",
            typical="0.3 to 0.4",
        ),
    ] = 0.35
    behind_propeller_m: Annotated[
        float,
        Field(
            "how far behind the disc; negative in front of it",
            "m",
            -1.0,
            2.0,
            how="tape measure; a surface near the disc hums",
            typical="0.1 to 0.4",
        ),
    ] = 0.2
    yaw_arm_m: Annotated[
        float,
        Field(
            "arm of its yaw moment: 0 for a pair left and right of the shaft; for one upright one how far "
            "it lies behind the hang points",
            "m",
            -1.5,
            1.5,
        ),
    ] = 0.0
    angle_limit_deg: Annotated[
        float,
        Field("greatest angle of attack, well below stall", "deg", 0.5, 15, typical="6 to 8"),
    ] = 8.0
    angle_tolerance_deg: Annotated[
        float,
        Field("standard uncertainty of the angle to the stream", "deg", 0, 5, typical="0.5 to 1.5"),
    ] = 1.0
    section_slope_per_rad: Annotated[
        float,
        Field(
            "lift slope of the section; 6.283 by thin-aerofoil theory",
            "1/rad",
            2.0,
            7.0,
            typical="5.5 to 6.2",
        ),
    ] = 5.8
    span_efficiency: Annotated[
        float, Field("Oswald factor of the surface", low=0.3, high=1.0, typical="0.8 to 0.95")
    ] = 0.85
    zero_lift_drag: Annotated[
        float,
        Field(
            "drag coefficient without lift, brackets included", low=0.002, high=0.5, typical="0.01 to 0.03"
        ),
    ] = 0.015
    effectiveness: Annotated[
        float,
        Field(
            "share of the lift so worked out that is really there: the pilot's wake, the hub, the finite "
            "width of the stream",
            low=0.1,
            high=1.2,
            typical="0.7 to 0.9",
        ),
    ] = 0.8
    effectiveness_std: Annotated[float, Field("standard uncertainty of effectiveness", low=0, high=0.5)] = (
        0.15
    )


class ThrustEntry(Sheet):
    """Static thrust from elsewhere, where neither rig nor blade model is to be used.

    Examples
    --------
    >>> from flightproc.sheets import ThrustEntry
    >>> ThrustEntry(static_N=420.0, static_std_N=20.0, at_rpm=6800.0).static_N
    420.0
    """

    static_N: Annotated[float, Field("thrust at rest", "N", 10, 5000, how="a pull scale", example=420.0)]
    static_std_N: Annotated[float, Field("its standard uncertainty", "N", 0, 1000, example=20.0)]
    at_rpm: Annotated[
        float, Field("engine speed at which it was measured", "rpm", 300, 20000, example=6800.0)
    ]


class BalanceSheet(Sheet):
    """What may be changed on the frame, for which flying and which gliders. Everything may be left out.

    Examples
    --------
    >>> from flightproc.sheets import BalanceSheet, HangOffsetEntry
    >>> BalanceSheet(aim="moment", hang_offset=HangOffsetEntry(limit_m=0.03)).turn_limit_deg_s
    1.0
    """

    aim: Annotated[
        Literal["turn", "moment"],
        Field(
            "what is made small: turn, the hands-off turn rate; moment, the roll moment on the unit",
            kind="text",
            choices=("turn", "moment"),
        ),
    ] = "turn"
    over: Annotated[
        Literal["mean", "worst"],
        Field(
            "mean: the weighted mean over the gliders; worst: the glider that fares worst",
            kind="text",
            choices=("mean", "worst"),
        ),
    ] = "mean"
    turn_limit_deg_s: Annotated[
        float,
        Field(
            "hands-off turn rate under which the built frame is to stay in every phase",
            "deg/s",
            0.05,
            20,
            typical="0.5 to 2",
        ),
    ] = 1.0
    thrust_price: Annotated[
        float,
        Field(
            "1 % of thrust lost weighs as much as this many % of today's mean square turn (or moment)",
            low=0,
            high=1000,
            typical="0 to 10",
        ),
    ] = 2.0
    unseen_thrust_offset_m: Annotated[
        float,
        Field(
            "how far off centre the thrust line may lie unseen (standard uncertainty): what a yaw moment of "
            "power is expected to be before the turn in flight speaks",
            "m",
            0.0005,
            0.1,
            how="how well the frame was measured up",
            typical="0.005 to 0.01",
        ),
    ] = 0.008
    yaw_over_roll: Annotated[
        float,
        Field("turn per yaw moment over turn per roll moment", low=0.1, high=50, typical="2 to 5"),
    ] = 3.0
    yaw_over_roll_spread: Annotated[
        float, Field("its relative standard uncertainty (log-normal)", low=0, high=1.5)
    ] = 0.4
    propeller_below_hang_m: Annotated[
        float,
        Field(
            "how far the shaft lies below the hang points, at the propeller; negative above",
            "m",
            -0.5,
            1.0,
            how="hang the unit up with its pilot; tape and level",
            typical="0.1 to 0.4",
        ),
    ] = 0.25
    propeller_behind_hang_m: Annotated[
        float,
        Field(
            "how far the propeller lies behind the hang points",
            "m",
            0.0,
            1.5,
            how="as before",
            typical="0.4 to 0.6",
        ),
    ] = 0.5
    riser_yaw_stiffness_N_m_rad: Annotated[
        float,
        Field(
            "what the risers resist to twist of the unit under the wing",
            "N m/rad",
            5,
            5000,
            how="hang the unit up with its pilot, turn it by a spring scale on a known arm",
            typical="30 to 150",
        ),
    ] = 60.0
    riser_yaw_stiffness_spread: Annotated[
        float, Field("its relative standard uncertainty (log-normal)", low=0, high=1.5)
    ] = 0.5
    draws: Annotated[int, Field("draws of the Monte Carlo", kind="whole", low=500, high=100000)] = 4000
    seed: Annotated[int, Field("seed of the draws", kind="whole", low=0, high=2**31)] = 1
    phases: Annotated[
        tuple[Phase, ...],
        Field(
            "the phases of flight; left out: idle, the middle and the highest engine speed flown, weighted "
            "0.2, 0.6 and 0.2",
            kind="tables",
        ),
    ] = ()
    gliders: Annotated[
        tuple[BalanceGlider, ...],
        Field("gliders and loadings that the frame is to suit; left out: as flown", kind="tables"),
    ] = ()
    hang_offset: Annotated[
        HangOffsetEntry | None,
        Field("the hang points may be moved", kind="table", words="a table [hang_offset]"),
    ] = None
    thrust_tilt: Annotated[
        ThrustTiltEntry | None,
        Field("the thrust line may be tilted", kind="table", words="a table [thrust_tilt]"),
    ] = None
    thrust_offset: Annotated[
        ThrustOffsetEntry | None,
        Field("the thrust line may be moved", kind="table", words="a table [thrust_offset]"),
    ] = None
    surface: Annotated[
        SurfaceEntry | None,
        Field("surfaces may stand in the slipstream", kind="table", words="a table [surface]"),
    ] = None
    thrust: Annotated[
        ThrustEntry | None,
        Field("thrust at rest from elsewhere", kind="table", words="a table [thrust]"),
    ] = None

    @rule(
        "hang_offset",
        "thrust_tilt",
        "thrust_offset",
        "surface",
        words="at least one of `[hang_offset]`, `[thrust_tilt]`, `[thrust_offset]`, `[surface]` is there",
    )
    def _check_means(self: Any) -> Iterator[Finding]:
        if all(
            getattr(self, name) is None for name in ("hang_offset", "thrust_tilt", "thrust_offset", "surface")
        ):
            yield "hang_offset", "at least one of [hang_offset], [thrust_tilt], [thrust_offset], [surface]"

    @rule("phases.name", "phases.weight", words="phases have names of their own, and one weighs something")
    def _check_phases(self: Any) -> Iterator[Finding]:
        names = [phase.name for phase in self.phases]
        for i, name in enumerate(names):
            if name in names[:i]:
                yield ("phases", i, "name"), "a name that no other phase has"
        if names and not any(phase.weight > 0.0 for phase in self.phases):
            yield ("phases", 0, "weight"), "more than 0 for one phase at least"

    @rule("gliders.weight", words="one glider weighs something")
    def _check_gliders(self: Any) -> Iterator[Finding]:
        if self.gliders and not any(glider.weight > 0.0 for glider in self.gliders):
            yield ("gliders", 0, "weight"), "more than 0 for one glider at least"
