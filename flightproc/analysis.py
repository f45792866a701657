"""The whole way: from a sortie sheet to results."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .cautions import CAUTIONS
from .compare.answer import answer_in_words, limits_in_words
from .compare.budgets import explain_results
from .compare.curve import make_moment_curve
from .compare.ratio import Comparison, Compensation, Propulsion, compare_with_rig
from .display import displayed
from .errors import LogError
from .from_sheets import (
    IDLE_RELATIVE_STD,
    compensation_of,
    flown_windows,
    glide_rpm,
    hung_frame,
    idle_moments,
    rig_blade,
    rig_curve,
    search_holds,
    wing_of,
)
from .holds.model import (
    HoldKind,
    HoldSearch,
)
from .moment.calibrate import Frame, Priors, Wing, make_priors
from .moment.observe import Observations
from .moment.problem import Session
from .moment.solve import MomentSolution, make_session, solve_together
from .moment.swing_mode import roll_mode, swing_limits
from .moment.trace import trace_sortie
from .moment.trace_model import SortieTrace
from .propeller import CalibratedBlade
from .quantity import Quantity
from .readers import Recording, read_log
from .results import Results
from .results.make import make_calibration, make_hold_result, make_provenance
from .rig import RigCurve
from .sheets import Sheets, load_sortie
from .sheets.loading import loading_of
from .sortie.assemble import assemble_sortie
from .sortie.model import Sortie

if TYPE_CHECKING:
    pass

__all__ = [
    "Prepared",
    "Progress",
    "analyse",
    "analyse_sheets",
    "calibrated_blade",
    "compare_sortie",
    "finish_sortie",
    "follow_sortie",
    "make_sortie_session",
    "prepare_sortie",
    "read_recordings",
    "roll_frequency",
    "solve_sortie",
]

Progress = Callable[[str, float], None]


def analyse(
    sortie_sheet: str | os.PathLike[str],
    *,
    recordings: Mapping[str, Recording] | None = None,
    progress: Progress | None = None,
) -> Results:
    """Analyse one sortie.

    Parameters
    ----------
    sortie_sheet : path
        The sortie sheet; the other sheets and the logs are found from it.
    recordings : mapping of str to Recording, optional
        Logs that are read already, by their names in the sheet: their files are not opened and need not
        exist. :func:`flightproc.recording_from_frame` makes one of a data frame.
    progress : callable, optional
        Called with what is being done and the share done, 0 to 1.

    Returns
    -------
    Results

    Raises
    ------
    FlightprocError
        A subclass, for anything the user can mend.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> print(results.comparison[0].roll_moment)
    18.17 ± 0.75 N m
    """
    tell = progress or (lambda words, share: None)
    tell("reading the sheets", 0.0)
    given = dict(recordings or {})
    sheets = load_sortie(sortie_sheet, without_files=given)
    logs = read_recordings(sheets, lambda words, share: tell(words, 0.05 + 0.25 * share), given=given)
    return analyse_sheets(sheets, logs, progress=progress)


@displayed
@dataclass(frozen=True)
class Prepared:
    """One sortie as it stands before its holds are solved.

    Attributes
    ----------
    sheets : Sheets
        The sheets.
    recordings : mapping of str to Recording
        The logs as read, by name.
    sortie : Sortie
        Channels on one clock.
    search : HoldSearch
        Holds, and what was turned down.
    observed : Observations
        Levels of the holds.
    compensation : Compensation or None
        What the frame takes off under power.
    rig : RigCurve or None
        The static curve.
    frame : Frame
        The hung unit, ground tests included.
    wing : Wing
        The glider.
    priors : Priors
        What is known before the flight.
    warnings : tuple of str
        What the user should know.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> prepared.search.settling, len(prepared.search.holds)
    (12.0, 17)
    """

    sheets: Sheets
    recordings: Mapping[str, Recording]
    sortie: Sortie
    search: HoldSearch
    observed: Observations
    compensation: Compensation | None
    rig: RigCurve | None
    frame: Frame
    wing: Wing
    priors: Priors
    warnings: tuple[str, ...]


def read_recordings(
    sheets: Sheets, progress: Progress | None = None, *, given: Mapping[str, Recording] | None = None
) -> dict[str, Recording]:
    """Read the logs that a sortie sheet names, but for those in ``given``; the share done runs from 0 to 1.

    Raises
    ------
    LogError
        If a log cannot be read, or one is given that the sheet does not name.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> list(fp.read_recordings(sheets))
    ['unit', 'gps', 'engine']
    """
    tell = progress or (lambda words, share: None)
    given = given or {}
    names = [entry.name for entry in sheets.sortie.logs]
    strange = [name for name in given if name not in names]
    if strange:
        raise LogError(
            "recordings are given for logs that the sortie sheet does not name",
            where=str(sheets.sheet_files.get("sortie", "sheets")),
            found=", ".join(strange),
            allowed=", ".join(names),
        )
    recordings: dict[str, Recording] = {}
    for number, entry in enumerate(sheets.sortie.logs):
        if entry.name in given:
            recordings[entry.name] = given[entry.name]
            continue
        tell(f"reading {entry.file}", number / len(sheets.sortie.logs))
        columns = {name: vars(column) for name, column in entry.columns.items()}
        recordings[entry.name] = read_log(sheets.files[entry.name], columns=columns or None)
    return recordings


def analyse_sheets(
    sheets: Sheets, recordings: Mapping[str, Recording], *, progress: Progress | None = None
) -> Results:
    """Analyse one sortie whose sheets and logs are already read.

    Parameters
    ----------
    sheets : Sheets
        The sheets.
    recordings : mapping of str to Recording
        One per log of the sortie sheet, by name.
    progress : callable, optional
        As for :func:`analyse`.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> results = fp.analyse_sheets(sheets, fp.read_recordings(sheets))
    >>> len(results.holds)
    17
    """
    tell = progress or (lambda words, share: None)
    prepared = prepare_sortie(sheets, recordings, progress=tell)
    tell("solving for the moment", 0.7)
    solution = solve_sortie(prepared)
    tell("following the whole sortie", 0.8)
    trace = follow_sortie(prepared)
    tell("setting it against rig and blade", 0.85)
    blade = calibrated_blade(prepared)
    comparison = compare_sortie(prepared, solution, blade)
    results = finish_sortie(prepared, solution, comparison, trace, blade)
    tell("done", 1.0)
    return results


def prepare_sortie(
    sheets: Sheets, recordings: Mapping[str, Recording], *, progress: Progress | None = None
) -> Prepared:
    """Take a sortie from its logs to the levels of its holds, and reduce the rig.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> prepared.sortie.wind.method, len(prepared.rig.points)
    ('gps_circle', 5)
    """
    tell = progress or (lambda words, share: None)
    tell("aligning clocks, finding wind and attitude", 0.3)
    sortie = assemble_sortie(sheets, recordings)
    tell("finding holds", 0.6)
    warnings = list(sortie.warnings)
    search, observed = search_holds(sheets, sortie, warnings)
    compensation = compensation_of(sheets.aircraft, sheets.rig, warnings)
    rig = rig_curve(sheets, compensation, warnings)
    frame, wing = hung_frame(sheets, warnings), wing_of(sheets)
    return Prepared(
        sheets=sheets,
        recordings=dict(recordings),
        sortie=sortie,
        search=search,
        observed=observed,
        compensation=compensation,
        rig=rig,
        frame=frame,
        wing=wing,
        priors=make_priors(frame, wing),
        warnings=tuple(warnings),
    )


def make_sortie_session(prepared: Prepared, *, wing_index: int = 0) -> tuple[Session, list[str]]:
    """Put a prepared sortie into the form the solver takes, with words on what is missing."""
    sortie = prepared.sortie
    return make_session(
        prepared.observed,
        prepared.search.holds,
        prepared.wing,
        prepared.frame.mass,
        wing_index=wing_index,
        idle_moment=idle_moments(
            prepared.sheets.aircraft, prepared.search.holds, prepared.observed, prepared.rig
        ),
        idle_relative_std=IDLE_RELATIVE_STD,
        airspeed_common_std=_known(sortie.airspeed_std),
        density_relative_std=sortie.density_std_ratio,
        mount_yaw_std=sortie.mount_yaw_std,
    )


def solve_sortie(prepared: Prepared) -> MomentSolution:
    """Solve the holds of one sortie by themselves.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> solution = fp.solve_sortie(prepared)
    >>> print(solution.roll_moment[1])
    24.72 ± 1.00 N m
    """
    session, words = make_sortie_session(prepared)
    settings = prepared.sheets.sortie.settings
    return solve_together(
        [session],
        prepared.frame,
        prepared.priors,
        roll_frequency=roll_frequency(prepared),
        draws=settings.draws,
        seed=settings.seed,
        words=[words],
    )[0]


def calibrated_blade(prepared: Prepared) -> CalibratedBlade | None:
    """Return the blade, calibrated on the rig; None without a rig.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> blade = fp.calibrated_blade(prepared)
    >>> print(blade.pitch_offset.degrees())
    0.72 ± 0.55 deg
    """
    return rig_blade(prepared.sheets, prepared.rig)


def compare_sortie(
    prepared: Prepared,
    solution: MomentSolution,
    blade: CalibratedBlade | None,
    *,
    seed: int | None = None,
    density_stream: int | None = None,
) -> Comparison:
    """Set a sortie's moments against rig and blade; ``seed`` is the sheet's where not given.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> solution = fp.solve_sortie(prepared)
    >>> comparison = fp.compare_sortie(prepared, solution, fp.calibrated_blade(prepared))
    >>> comparison
    Comparison: 4 throttle settings against the rig
      all settings  1.038 (95 %: 0.962 to 1.120)
      rpm   roll moment       rig torque        ratio
      5200  18.17 ± 0.75 N m  17.08 ± 0.31 N m  1.064 (95 %: 0.971 to 1.162)
      5998  24.43 ± 0.90 N m  23.03 ± 0.42 N m  1.061 (95 %: 0.977 to 1.151)
      6799  29.6 ± 1.1 N m    29.03 ± 0.51 N m  1.021 (95 %: 0.942 to 1.106)
      7599  37.4 ± 1.3 N m    36.55 ± 0.70 N m  1.024 (95 %: 0.948 to 1.108)
    """
    aircraft, sortie = prepared.sheets.aircraft, prepared.sortie
    return compare_with_rig(
        prepared.search.holds,
        prepared.observed,
        solution,
        Propulsion(aircraft.engine.gear_ratio, aircraft.propeller.diameter_m, aircraft.reaction_sign),
        prepared.rig,
        blade,
        compensation=prepared.compensation,
        airspeed_common_std=_known(sortie.airspeed_std),
        density_relative_std=sortie.density_std_ratio,
        seed=prepared.sheets.sortie.settings.seed if seed is None else seed,
        density_stream=density_stream,
    )


def finish_sortie(
    prepared: Prepared,
    solution: MomentSolution,
    comparison: Comparison,
    trace: SortieTrace | None,
    blade: CalibratedBlade | None,
) -> Results:
    """Make a sortie's results from what its stages gave.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> solution = fp.solve_sortie(prepared)
    >>> blade = fp.calibrated_blade(prepared)
    >>> comparison = fp.compare_sortie(prepared, solution, blade)
    >>> results = fp.finish_sortie(prepared, solution, comparison, None, blade)
    >>> len(results.comparison)
    4
    """
    sheets, sortie, search, rig = prepared.sheets, prepared.sortie, prepared.search, prepared.rig
    sheet, aircraft, observed = sheets.sortie, sheets.aircraft, prepared.observed
    holds = tuple(
        make_hold_result(i, hold, observed, solution, sortie) for i, hold in enumerate(search.holds)
    )
    calibration = make_calibration(search.holds, observed, solution, prepared.priors, prepared.wing)
    rig_warnings = (
        rig.warnings if rig is not None else ("No rig sheet was given, so nothing is set against rest.",)
    )
    return Results(
        title=sheet.title,
        aircraft=aircraft.name,
        glider=sheets.glider.name,
        reaction_sign=aircraft.reaction_sign,
        answer=answer_in_words(
            comparison.rows, comparison.blade, holds, comparison.overall, comparison.inflow, trace
        ),
        limits=limits_in_words(comparison.rows, holds, calibration, rig_warnings),
        holds=holds,
        rejected=search.rejected,
        calibration=calibration,
        comparison=comparison.rows,
        blade=comparison.blade,
        blade_words=comparison.words,
        rig=rig,
        sortie=sortie,
        recordings=dict(prepared.recordings),
        warnings=prepared.warnings,
        cautions=CAUTIONS,
        provenance=make_provenance(sheets, prepared.recordings, search.settling),
        inflow=comparison.inflow,
        ratio_curve=comparison.curve,
        budget=explain_results(comparison.rows, holds),
        trace=trace,
        loading=loading_of(aircraft, sheets.glider),
        moment_curve=make_moment_curve(
            comparison.rows,
            comparison.moment_draws,
            holds,
            aircraft,
            blade,
            thrust_measured=rig is not None and any(point.thrust.known for point in rig.points),
            seed=sheet.settings.seed,
        ),
    )


def roll_frequency(prepared: Prepared) -> Quantity | None:
    """Return the unit's roll frequency in flight without power, where an inertia makes use of it."""
    frame = prepared.frame
    if frame.inertia is None:
        return None
    still = [(h.start, h.end) for h in prepared.search.holds if h.kind is not HoldKind.POWER]
    return roll_mode(prepared.sortie, still, limits=swing_limits(frame, prepared.priors)).frequency


def follow_sortie(prepared: Prepared) -> SortieTrace:
    """Estimate the torque ratio from the whole sortie.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> prepared = fp.prepare_sortie(sheets, fp.read_recordings(sheets))
    >>> trace = fp.follow_sortie(prepared)
    >>> print(trace.ratio)
    1.022 ± 0.033
    """
    sheets, sortie, rig = prepared.sheets, prepared.sortie, prepared.rig
    aircraft, settings = sheets.aircraft, sheets.sortie.settings
    ballast, notes = flown_windows(sheets.sortie, sortie, [])

    def rig_torque(
        rpm: NDArray[np.float64], density: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        assert rig is not None
        torque, std = rig.torque(rpm)
        return torque * density / rig.density, std / np.maximum(torque, 1e-9)

    return trace_sortie(
        sortie,
        prepared.search.holds,
        rig_torque=None if rig is None else rig_torque,
        reaction_sign=aircraft.reaction_sign,
        gear_ratio=aircraft.engine.gear_ratio,
        diameter=aircraft.propeller.diameter_m,
        frame=prepared.frame,
        priors=prepared.priors,
        ballast=ballast,
        pilot=notes,
        compensation=prepared.compensation,
        idle_rpm=glide_rpm(sheets),
        idle_turns_propeller=aircraft.engine.idle_turns_propeller,
        mount_yaw_std=sortie.mount_yaw_std,
        density_relative_std=sortie.density_std_ratio,
        seed=settings.seed,
    )


def _known(value: float) -> float:
    return value if math.isfinite(value) else 0.0
