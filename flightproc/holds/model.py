"""What a hold is, and what a stretch that was turned down keeps of itself."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from ..display import Card, displayed, time_text

if TYPE_CHECKING:
    import pandas as pd

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
    """Kind of a hold.

    Examples
    --------
    >>> [str(kind) for kind in HoldKind]
    ['power', 'glide', 'ballast']
    """

    POWER = "power"
    GLIDE = "glide"
    BALLAST = "ballast"


@displayed
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

    Examples
    --------
    >>> hold = Hold(248.0, 309.7, HoldKind.GLIDE, straight=True, rpm=2197.0)
    >>> hold
    Hold(start=248, end=309.7, kind=glide, straight=True, rpm=2197)
    >>> round(hold.duration, 1)
    61.7
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

    Examples
    --------
    >>> Rejected(146.0, 228.5, "turning", "it turns at 12 deg/s")
    Rejected(start=146.0, end=228.5, code='turning', words='it turns at 12 deg/s')
    """

    start: float
    end: float
    code: str
    words: str


@displayed
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

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> prepared.search
    HoldSearch: 17 holds: 8 power, 5 glide, 4 ballast
      settling     12.0 s
      turned down  21 turning, 16 too_short, 2 on_ground, 1 agitated
      hold  min:s           kind     rpm
      0     4:08 to 5:10    glide    2197
      1     5:47 to 6:48    power    5997
      2     7:20 to 8:21    power    7599
      3     8:56 to 9:58    glide    2196
      4     10:32 to 11:34  power    6803
      5     12:08 to 13:09  ballast  2197    +14.7 N m of ballast
      6     13:45 to 14:46  ballast  2198    -14.7 N m of ballast
      … 10 more
    """

    holds: tuple[Hold, ...]
    rejected: tuple[Rejected, ...]
    settling: float

    def frame(self, *, rejected: bool = False) -> pd.DataFrame:
        """Return the holds, or the stretches that were turned down, as a table, one row each.

        Parameters
        ----------
        rejected : bool
            Whether to give what was turned down instead: its bounds, reason code and words.

        Examples
        --------
        >>> search = HoldSearch((Hold(100.0, 160.0, HoldKind.POWER, True, 5200.0),), (), 12.0)
        >>> search.frame()[["start", "end", "kind", "rpm"]]
              start    end   kind     rpm
        hold
        0     100.0  160.0  power  5200.0
        """
        from ..frames import frame_of

        units = {
            "start": "s",
            "end": "s",
            "rpm": "1/min",
            "ballast_moment": "N m",
            "ballast_moment_std": "N m",
        }
        if rejected:
            return frame_of(self.rejected, index="stretch", units=units)
        return frame_of(self.holds, index="hold", units=units)

    def _card(self) -> Card:
        counts = [(sum(h.kind is kind for h in self.holds), kind.value) for kind in HoldKind]
        title = f"{len(self.holds)} holds: " + ", ".join(f"{n} {kind}" for n, kind in counts if n)
        codes = {code: sum(r.code == code for r in self.rejected) for code in {r.code for r in self.rejected}}
        down = ", ".join(
            f"{n} {code}" for code, n in sorted(codes.items(), key=lambda item: (-item[1], item[0]))
        )
        facts = (("settling", f"{self.settling:.1f} s"), ("turned down", down or "nothing"))
        rows = tuple(
            (
                str(number),
                f"{time_text(h.start)} to {time_text(h.end)}",
                h.kind.value,
                f"{h.rpm:.0f}",
                "" if h.straight else "turning",
                f"{h.ballast_moment:+.1f} N m of ballast" if h.ballast_moment else "",
            )
            for number, h in enumerate(self.holds)
        )
        return Card(title.rstrip(": "), facts, ("hold", "min:s", "kind", "rpm", "", ""), rows)


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

    Examples
    --------
    >>> BallastWindow(716.0, 790.0, moment=14.7, moment_std=0.3)
    BallastWindow(start=716.0, end=790.0, moment=14.7, moment_std=0.3)
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

    Examples
    --------
    >>> PilotWindow(600.0, 660.0, hands_off=True)
    PilotWindow(start=600.0, end=660.0, hands_off=True)
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

    Examples
    --------
    >>> HoldChange("strike", 440.0, 501.0, reason="a thermal")
    HoldChange(action='strike', start=440.0, end=501.0, new_start=None, new_end=None,
               kind=None, reason='a thermal')
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

    Examples
    --------
    >>> SearchSettings(minimum=30.0)
    SearchSettings(straight_limit=0.0698, minimum=30.0, settling=12.0, idle_rpm=None)
    """

    straight_limit: float = 0.0698
    minimum: float = 20.0
    settling: float = 12.0
    idle_rpm: float | None = None
