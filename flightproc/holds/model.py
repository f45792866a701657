"""What a hold is, and what a stretch that was turned down keeps of itself."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = [
    "BallastWindow",
    "Hold",
    "HoldChange",
    "HoldKind",
    "HoldSearch",
    "PilotWindow",
    "Rejected",
    "SearchSettings",
]


class HoldKind(StrEnum):
    """Kind of a hold."""

    POWER = "power"
    GLIDE = "glide"
    BALLAST = "ballast"


@dataclass(frozen=True)
class Hold:
    """A steady stretch of flight.

    Attributes
    ----------
    start, end : float
        Bounds [s] on the sortie's time base.
    kind : HoldKind
        Power, glide or ballast glide.
    straight : bool
        Whether the mean turn rate is below the straight-flight limit of the search.
    rpm : float
        Mean engine speed [1/min]; 0 with the engine stopped.
    origin : str
        ``found`` by the search, or ``sheet`` where a person set it.
    ballast_moment : float
        Roll moment of the ballast [N m], positive right side down; 0 without ballast.
    ballast_moment_std : float
        Its standard uncertainty [N m].
    hands_off : bool or None
        Whether the pilot's notes say hands off; None where they are silent.
    """

    start: float
    end: float
    kind: HoldKind
    straight: bool
    rpm: float
    origin: str = "found"
    ballast_moment: float = 0.0
    ballast_moment_std: float = 0.0
    hands_off: bool | None = None

    @property
    def duration(self) -> float:
        """Length [s]."""
        return self.end - self.start


@dataclass(frozen=True)
class Rejected:
    """A stretch that was looked at and turned down.

    Attributes
    ----------
    start, end : float
        Bounds [s] on the sortie's time base.
    code : str
        Stable reason code: ``too_short``, ``turning``, ``rpm_unsteady``, ``rpm_trend``, ``airspeed_trend``,
        ``agitated``, ``variance_change``, ``pilot_input``, ``gap``, ``on_ground``, ``struck``, ``outside``.
    words : str
        The reason in words, with the figures.
    """

    start: float
    end: float
    code: str
    words: str


@dataclass(frozen=True)
class HoldSearch:
    """Everything the search looked at.

    Attributes
    ----------
    holds : tuple of Hold
        In order of time.
    rejected : tuple of Rejected
        In order of time.
    settling : float
        Settling time left out at the start of each hold [s].
    """

    holds: tuple[Hold, ...]
    rejected: tuple[Rejected, ...]
    settling: float


@dataclass(frozen=True)
class BallastWindow:
    """A time in which ballast was carried on one side.

    Attributes
    ----------
    start, end : float
        Bounds [s] on the sortie's time base.
    moment : float
        Roll moment at one g [N m], positive right side down.
    moment_std : float
        Its standard uncertainty [N m].
    """

    start: float
    end: float
    moment: float
    moment_std: float


@dataclass(frozen=True)
class PilotWindow:
    """A time about which the pilot left a note.

    Attributes
    ----------
    start, end : float
        Bounds [s] on the sortie's time base.
    hands_off : bool or None
        Whether the pilot kept off the controls; None where the note does not say.
    """

    start: float
    end: float
    hands_off: bool | None


@dataclass(frozen=True)
class HoldChange:
    """A change that a person made to the holds.

    Attributes
    ----------
    action : str
        ``add``, ``strike`` or ``move``.
    start, end : float
        Bounds [s]: of the new hold, or of the one meant (the one that overlaps most).
    new_start, new_end : float or None
        New bounds of a moved hold [s]; None leaves that bound.
    kind : HoldKind or None
        Kind of an added hold; None lets rpm and ballast decide.
    reason : str
        Why, in the person's words.
    """

    action: str
    start: float
    end: float
    new_start: float | None = None
    new_end: float | None = None
    kind: HoldKind | None = None
    reason: str = ""


@dataclass(frozen=True)
class SearchSettings:
    """What the search takes for a hold.

    Attributes
    ----------
    straight_limit : float
        Largest mean turn rate of straight flight [rad/s].
    minimum : float
        Shortest hold after trimming [s].
    settling : float
        Time left out after a throttle change, a turn, or a change of ballast [s].
    idle_rpm : float or None
        Engine speed below which no power reaches the propeller [1/min]; None finds it from the levels flown.
    """

    straight_limit: float = 0.0698
    minimum: float = 20.0
    settling: float = 12.0
    idle_rpm: float | None = None
