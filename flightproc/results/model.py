"""Everything one analysis gives, and its JSON form (``flightproc-results/1``)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..display import Card, displayed
from ..holds.model import HoldKind, Rejected
from ..moment.budget import BudgetEntry
from ..moment.trace_model import SortieTrace
from ..propeller.inflow import InflowEstimate
from ..propeller.performance import RatioCurve
from ..rig.model import RigCurve
from ..sheets.loading import Loading
from ..sortie.model import Sortie, Wind
from .parts import BladeAngles, Calibration, ComparisonRow, HoldResult, MomentCurve, Provenance
from .plain import clock_json, finite, iso, rig_json

if TYPE_CHECKING:
    import pandas as pd

    from ..readers.recording import Recording

__all__ = ["SCHEMA", "Results"]

SCHEMA = "flightproc-results/1"
"""Name and version of the JSON form."""


@displayed
@dataclass(frozen=True)
class Results:
    """Everything one analysis gives.

    Attributes
    ----------
    title, aircraft, glider : str
        From the sheets.
    reaction_sign : int
        Sign of the torque reaction's roll moment: +1 for a propeller turning left seen from behind.
    answer : tuple of str
        The answer in words, most important first.
    limits : tuple of str
        What limits it, most important first.
    holds : tuple of HoldResult
        In order of time.
    rejected : tuple of Rejected
        Stretches turned down.
    calibration : Calibration
        Zeros and coefficients.
    comparison : tuple of ComparisonRow
        By rpm group, rising.
    blade : tuple of BladeAngles
        Along the blade, one per rpm group.
    blade_words : tuple of str
        What the blade model assumed and how well it is pinned down.
    rig : RigCurve or None
        The static curve, where a rig sheet was given.
    sortie : Sortie
        The evidence: channels, clocks, wind.
    recordings : mapping of str to Recording
        The logs as read, by name.
    warnings : tuple of str
        What the user should know.
    cautions : tuple of str
        Safety cautions that go with every output.
    provenance : Provenance
        Where it comes from.
    inflow : InflowEstimate or None
        Inflow at the disc and angle of attack from all ratios together.
    ratio_curve : RatioCurve or None
        Torque ratio that the blade expects, against advance ratio.
    loading : Loading or None
        Masses and wing, from the sheets.
    moment_curve : MomentCurve or None
        Roll moment against engine speed with its covariance; None without power holds.
    budget : tuple of BudgetEntry
        What the uncertainty of each result is made of, by result and throttle setting.
    trace : SortieTrace or None
        Torque ratio from the whole sortie, where it was tried.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> results
    Results: School wing 28 on training frame A, calm morning (training frame A, school wing 28)
      holds   8 power, 5 glide, 4 ballast
      answer  Under power the unit is rolled to the right by 18.17 ± 0.75 N m at 5200 rpm, 24.43 ± 0.90…
      rpm   roll moment in flight             over the rig's torque
      5200  18.17 N m (95 %: 16.74 to 19.70)  1.064 (95 %: 0.971 to 1.162)
      5998  24.43 N m (95 %: 22.72 to 26.27)  1.061 (95 %: 0.977 to 1.151)
      6799  29.6 N m (95 %: 27.6 to 31.8)     1.021 (95 %: 0.942 to 1.106)
      7599  37.4 N m (95 %: 35.0 to 40.0)     1.024 (95 %: 0.948 to 1.108)
    """

    title: str
    aircraft: str
    glider: str
    reaction_sign: int
    answer: tuple[str, ...]
    limits: tuple[str, ...]
    holds: tuple[HoldResult, ...]
    rejected: tuple[Rejected, ...]
    calibration: Calibration
    comparison: tuple[ComparisonRow, ...]
    blade: tuple[BladeAngles, ...]
    blade_words: tuple[str, ...]
    rig: RigCurve | None
    sortie: Sortie
    recordings: Mapping[str, Recording]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    provenance: Provenance
    inflow: InflowEstimate | None = None
    ratio_curve: RatioCurve | None = None
    loading: Loading | None = None
    moment_curve: MomentCurve | None = None
    budget: tuple[BudgetEntry, ...] = ()
    trace: SortieTrace | None = None

    @property
    def wind(self) -> Wind:
        """Mean wind of the sortie."""
        return self.sortie.wind

    def to_json(self) -> dict[str, Any]:
        """Return results.json as plain objects (see docs/results-json.md)."""
        start = self.sortie.start_utc
        wind = self.sortie.wind
        return {
            "schema": SCHEMA,
            "title": self.title,
            "aircraft": self.aircraft,
            "glider": self.glider,
            "reaction_sign": self.reaction_sign,
            "loading": None if self.loading is None else self.loading.to_json(),
            "time_base": {
                "start_utc": None if start is None else iso(start),
                "end_s": float(self.sortie.time[-1]),
                "rate_hz": self.sortie.rate,
                "reason": "" if start is not None else "no log of the sortie carries UTC",
            },
            "answer": list(self.answer),
            "limits": list(self.limits),
            "holds": [hold.to_json() for hold in self.holds],
            "not_holds": [
                {"start_s": item.start, "end_s": item.end, "reason": item.code, "words": item.words}
                for item in self.rejected
            ],
            "calibration": self.calibration.to_json(),
            "wind": {
                "north_m_s": wind.north.to_json(),
                "east_m_s": wind.east.to_json(),
                "speed_m_s": finite(wind.speed),
                "from_deg": finite(math.degrees(wind.direction_from)),
                "covariance_m2_s2": [[finite(x) for x in row] for row in wind.covariance.tolist()],
                "method": wind.method,
                "remarks": wind.words,
            },
            "airspeed_common_std_m_s": finite(self.sortie.airspeed_std),
            "bank_source": self.sortie.bank_source,
            "clock_offsets_s": {item.log: clock_json(item) for item in self.sortie.clock_offsets},
            "comparison": [row.to_json() for row in self.comparison],
            "moment_curve": None if self.moment_curve is None else self.moment_curve.to_json(),
            "budget": [entry.to_json() for entry in self.budget],
            "trace": None if self.trace is None else self.trace.to_json(),
            "blade": [angles.to_json() for angles in self.blade],
            "blade_remarks": list(self.blade_words),
            "inflow": None if self.inflow is None else self.inflow.to_json(),
            "ratio_curve": None if self.ratio_curve is None else self.ratio_curve.to_json(),
            "rig": None if self.rig is None else rig_json(self.rig),
            "warnings": list(self.warnings),
            "cautions": list(self.cautions),
            "provenance": self.provenance.to_json(),
        }

    def holds_table(self) -> pd.DataFrame:
        """Return the holds as a table, one row each, units in the column names (holds.csv)."""
        import pandas as pd

        return pd.DataFrame(self.holds_rows())

    def holds_rows(self) -> list[dict[str, Any]]:
        """Return the rows of :meth:`holds_table`."""
        rows = []
        for number, hold in enumerate(self.holds, start=1):
            row: dict[str, Any] = {"hold": number}
            for key, entry in hold.to_json().items():
                if isinstance(entry, dict):
                    row[key] = entry["value"]
                    row[f"{key}_std"] = entry["std"]
                    row[f"{key}_low95"] = entry["low95"]
                    row[f"{key}_high95"] = entry["high95"]
                else:
                    row[key] = entry
            rows.append(row)
        return rows

    def frame(self, what: str = "holds") -> pd.DataFrame:
        """Return a part of the results as a table in SI units and radians.

        Parameters
        ----------
        what : {"holds", "comparison", "budget"}
            One row per hold; one per throttle setting, set against rig and blade; or one per result and
            source of uncertainty, with its share of the variance.

        Returns
        -------
        DataFrame
            Of each quantity the value, ``_std``, ``_low95`` and ``_high95``; NaN where it is unknown. Units
            stand in ``attrs["units"]``. For the units of the trade, see :meth:`holds_table`.

        Raises
        ------
        ValueError
            For another word.

        Examples
        --------
        >>> import flightproc as fp
        >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
        >>> holds = results.frame()
        >>> holds[holds.kind == "power"].roll_moment.round(0).tolist()[:2]
        [25.0, 37.0]
        >>> list(results.frame("comparison").filter(like="torque_ratio"))
        ['torque_ratio', 'torque_ratio_std', 'torque_ratio_low95', 'torque_ratio_high95']
        """
        from ..frames import frame_of

        if what == "holds":
            return frame_of(self.holds, index="hold", units={"start": "s", "end": "s"})
        if what == "comparison":
            return frame_of(self.comparison, index="setting")
        if what == "budget":
            import pandas as pd

            rows = [
                {
                    "result": entry.result,
                    "rpm": entry.rpm,
                    "source": row.source,
                    "contribution": row.contribution,
                    "share": row.share,
                }
                for entry in self.budget
                for row in entry.budget.rows
            ]
            return pd.DataFrame(rows, columns=["result", "rpm", "source", "contribution", "share"])
        raise ValueError(f'there is no table {what!r}: "holds", "comparison" or "budget"')

    def _card(self) -> Card:
        counts = [(sum(h.kind is kind for h in self.holds), kind.value) for kind in HoldKind]
        holds = ", ".join(f"{n} {kind}" for n, kind in counts if n) or "none"
        facts = [("holds", holds), *(("answer", words) for words in self.answer[:1])]
        if self.warnings:
            facts.append(("warnings", f"{len(self.warnings)}, in .warnings"))
        rows = tuple(
            (
                f"{row.rpm.value or 0.0:.0f}",
                row.roll_moment.text(interval=True),
                row.torque_ratio.text(interval=True) if row.torque_ratio.known else "",
            )
            for row in self.comparison
        )
        heads = ("rpm", "roll moment in flight", "over the rig's torque")
        return Card(f"{self.title} ({self.aircraft}, {self.glider})", tuple(facts), heads, rows)
