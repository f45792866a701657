"""Several sorties of one frame, solved together: what they share is known better than from each alone."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .analysis import (
    Prepared,
    Progress,
    calibrated_blade,
    compare_sortie,
    finish_sortie,
    follow_sortie,
    make_sortie_session,
    prepare_sortie,
    read_recordings,
    roll_frequency,
    solve_sortie,
)
from .cautions import CAUTIONS
from .compare.ratio import Comparison, group_by_rpm
from .compare.sorties import Contribution, PooledRatio, pool_ratios, rebase_trace
from .compare.sorties_model import GliderTurn, Together, TogetherSortie
from .compare.sorties_words import answer_together, sharing_words
from .errors import Fault, FlightprocError, SheetError, SortieError
from .moment.calibrate import Frame, Priors, make_priors
from .moment.problem import Session
from .moment.solve import MomentSolution, solve_together
from .moment.trace_model import SortieTrace
from .propeller import CalibratedBlade
from .quantity import Quantity
from .sheets import Sheets
from .sheets.one_frame import load_one_frame

__all__ = ["analyse_together", "combine_prepared"]

Array = NDArray[np.float64]

_SAME_AREA = 0.005  # relative: gliders of one name and this area are one glider


def analyse_together(
    sortie_sheets: Sequence[str | os.PathLike[str]], *, progress: Progress | None = None
) -> Together:
    """Analyse several sorties of one frame together.

    Parameters
    ----------
    sortie_sheets : sequence of path
        The sortie sheets, at least two. Frame and rig must be the same; masses and gliders may differ.
    progress : callable, optional
        Called with what is being done and the share done, 0 to 1.

    Returns
    -------
    Together

    Raises
    ------
    FlightprocError
        A subclass, for anything the user can mend; what is wrong with any of the sorties is told at once.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     fp.analyse_together(["sample_logs/school-wing-28/sortie.toml"])
    ... except fp.FlightprocError as error:
    ...     print(str(error)[:40])
    at least two sorties are needed, found 1
    """
    tell = progress or (lambda words, share: None)
    tell("reading the sheets", 0.0)
    sheets, words = load_one_frame(sortie_sheets)
    return combine_prepared(_prepare(sheets, tell), words=words, progress=tell)


def _prepare(sheets: Sequence[Sheets], tell: Progress) -> list[Prepared]:
    """Read and prepare every sortie; all that fail are told together."""
    prepared: list[Prepared] = []
    failed: list[FlightprocError] = []
    logs: dict[str, str] = {}
    faults: list[Fault] = []
    for number, (one, title) in enumerate(zip(sheets, _labels(sheets), strict=True)):
        place = str(one.sheet_files["sortie"])

        def tell_part(words: str, share: float, number: int = number, title: str = title) -> None:
            tell(f"{title}: {words}", 0.6 * (number + share) / len(sheets))

        try:
            recordings = read_recordings(one, lambda words, share: tell_part(words, 0.4 * share))
            for name, recording in recordings.items():
                if recording.sha256 in logs:
                    allowed = f"a log of its own: it has the bytes of one of {logs[recording.sha256]}"
                    faults.append(Fault(place, "logs", "file", str(one.files[name].name), allowed))
            logs.update({recording.sha256: place for recording in recordings.values()})
            if not faults:
                prepared.append(prepare_sortie(one, recordings, progress=tell_part))
        except FlightprocError as error:
            failed.append(SortieError(str(error), where=place))
    if faults:
        raise SheetError(faults)
    if len(failed) == 1:
        raise failed[0]
    if failed:
        raise SortieError("several sorties cannot be used\n" + "\n".join(f"  {error}" for error in failed))
    return prepared


@dataclass(frozen=True)
class _Solved:
    """One sortie by itself and with all."""

    prepared: Prepared
    alone: MomentSolution
    joint: MomentSolution
    compared_alone: Comparison
    compared: Comparison
    trace_alone: SortieTrace
    trace: SortieTrace
    trace_draws: Array | None


def combine_prepared(
    prepared: Sequence[Prepared], *, words: Sequence[str] = (), progress: Progress | None = None
) -> Together:
    """Solve prepared sorties of one frame together.

    Parameters
    ----------
    prepared : sequence of Prepared
        At least two.
    words : sequence of str
        What to say first.
    progress : callable, optional
        As for :func:`analyse_together`; its share starts at 0.6 here.
    """
    tell = progress or (lambda words, share: None)
    said = list(words)
    labels = _labels([one.sheets for one in prepared])
    reference, frame = _common_frame(prepared, labels, said)
    wings, gliders = _gliders(prepared)
    priors = _common_priors(prepared, frame, said)
    tell("solving all sorties together", 0.6)
    sessions, session_words = [], []
    for one, wing in zip(prepared, wings, strict=True):
        session, own = _session(one, wing)
        # the weight stiffness goes with mass times arm; the solver scales it by the mass alone
        session = replace(session, mass=one.frame.mass * one.frame.hang_arm / frame.hang_arm)
        sessions.append(session)
        session_words.append(own)
    settings = [one.sheets.sortie.settings for one in prepared]
    seed = settings[0].seed
    joint = solve_together(
        sessions,
        frame,
        priors,
        roll_frequency=_frequency(prepared, wings, reference),
        draws=max(item.draws for item in settings),
        seed=seed,
        words=session_words,
    )
    blade = calibrated_blade(prepared[reference])
    solved = []
    for number, (one, solution) in enumerate(zip(prepared, joint, strict=True)):
        tell(f"{labels[number]}: by itself, and with all", 0.65 + 0.33 * number / len(prepared))
        solved.append(_solve_both(one, solution, priors, blade, seed, number))
    tell("putting the sorties together", 0.98)
    sorties = tuple(_sortie(item, blade, label) for item, label in zip(solved, labels, strict=True))
    turns = tuple(_glider(name, area, index, solved) for name, area, index in gliders)
    settings_pooled = _pool_settings(solved)
    overall = _pool_overall(solved, sorties)
    whole = _pool_traces(solved)
    agreement = tuple(
        item.agreement.words
        for item in (whole, overall, *settings_pooled)
        if item is not None and item.agreement is not None
    )
    said += sharing_words(sorties, turns)
    said += [
        f"{label}: its whole-sortie estimate was left out ({item.trace.reason})"
        for item, label in zip(solved, labels, strict=True)
        if item.trace_draws is None and item.prepared.rig is not None
    ]
    said += [word for word in joint[0].words if word not in session_words[0]]
    tell("done", 1.0)
    return Together(
        aircraft=prepared[0].sheets.aircraft.name,
        sorties=sorties,
        gliders=turns,
        stiffness_prior=Quantity.of(priors.stiffness, priors.stiffness_std, "N m/rad"),
        method=joint[0].method,
        settings=settings_pooled,
        overall=overall,
        whole=whole,
        agreement=agreement,
        answer=answer_together(sorties, turns, settings_pooled, overall, whole),
        words=tuple(dict.fromkeys(said)),
        cautions=CAUTIONS,
    )


def _labels(sheets: Sequence[Sheets]) -> list[str]:
    """Return the title of each sortie, with its folder where another has the same."""
    titles = [one.sortie.title for one in sheets]
    return [
        title if titles.count(title) == 1 else f"{title} ({one.folder.resolve().name})"
        for title, one in zip(titles, sheets, strict=True)
    ]


def _session(one: Prepared, wing: int) -> tuple[Session, list[str]]:
    """Return a sortie as the solver takes it; an error says which sortie it is."""
    try:
        return make_sortie_session(one, wing_index=wing)
    except FlightprocError as error:
        raise SortieError(str(error), where=str(one.sheets.sheet_files["sortie"])) from error


def _common_frame(prepared: Sequence[Prepared], labels: Sequence[str], words: list[str]) -> tuple[int, Frame]:
    """Return the sortie whose frame stands for all, one with ground tests where there is one."""
    tested = [
        i
        for i, one in enumerate(prepared)
        if one.frame.weight_stiffness is not None or one.frame.inertia is not None
    ]
    reference = tested[0] if tested else 0
    chosen = prepared[reference].sheets
    for i in tested[1:]:
        other = prepared[i].sheets.aircraft
        same = (other.tilt_test, other.inertia) == (chosen.aircraft.tilt_test, chosen.aircraft.inertia)
        if not same:
            words.append(
                f"the ground tests in the aircraft sheet of {labels[i]} differ from those of "
                f"{labels[reference]} and were left out of the joint solution"
            )
    return reference, prepared[reference].frame


def _gliders(prepared: Sequence[Prepared]) -> tuple[list[int], list[tuple[str, float, list[int]]]]:
    """Return the number of each sortie's glider, and each glider with its sorties."""
    found: list[tuple[str, float, list[int]]] = []
    numbers = []
    for i, one in enumerate(prepared):
        name, area = one.sheets.glider.name, one.sheets.glider.flat_area_m2
        for number, (known, size, index) in enumerate(found):
            if known == name and abs(area / size - 1.0) < _SAME_AREA:
                index.append(i)
                numbers.append(number)
                break
        else:
            numbers.append(len(found))
            found.append((name, area, [i]))
    return numbers, found


def _common_priors(prepared: Sequence[Prepared], frame: Frame, words: list[str]) -> Priors:
    """Return priors that hold for all gliders."""
    wing = prepared[0].wing
    stated = {(one.wing.turn_coefficient, one.wing.turn_coefficient_std) for one in prepared}
    if len(stated) > 1:
        wing = replace(wing, turn_coefficient=None, turn_coefficient_std=None)
        words.append(
            "the glider sheets do not all state the same turn coefficient: what they state was left out of "
            "the joint solution, and the ballast glides alone speak"
        )
    return make_priors(frame, wing)


def _frequency(prepared: Sequence[Prepared], wings: Sequence[int], reference: int) -> Quantity | None:
    """Return the roll frequency under the first glider at the reference mass, from all that tell it."""
    mass = prepared[reference].frame.mass
    values, weights = [], []
    for one, wing in zip(prepared, wings, strict=True):
        if wing != 0 or abs(one.frame.mass / mass - 1.0) > 0.02:
            continue
        found = roll_frequency(replace(one, frame=prepared[reference].frame))
        if found is not None and found.value is not None and found.std:
            values.append(found.value)
            weights.append(found.std**-2)
    if not values:
        return None
    total = sum(weights)
    mean = sum(v * w for v, w in zip(values, weights, strict=True)) / total
    return Quantity.of(mean, total**-0.5, "rad/s")


def _solve_both(
    one: Prepared,
    joint: MomentSolution,
    priors: Priors,
    blade: CalibratedBlade | None,
    seed: int,
    number: int,
) -> _Solved:
    """Solve one sortie by itself too, and set both against the rig."""
    alone = solve_sortie(one)
    trace_alone = follow_sortie(one)
    trace, draws = trace_alone, None
    if trace_alone.accepted and trace_alone.ratio.value is not None and trace_alone.stiffness.value:
        trace, draws = rebase_trace(
            trace_alone,
            joint.stiffness,
            joint.stiffness_draws,
            sources=next((item.budget for item in joint.roll_moment if item.budget), None),
            given_back=_given_back(one, trace_alone),
            seed=seed,
            number=number,
        )
    return _Solved(
        prepared=replace(one, priors=priors),
        alone=alone,
        joint=joint,
        compared_alone=compare_sortie(one, alone, None),
        compared=compare_sortie(one, joint, blade, seed=seed, density_stream=number),
        trace_alone=trace_alone,
        trace=trace,
        trace_draws=draws,
    )


def _given_back(one: Prepared, trace: SortieTrace) -> float:
    """Return what the compensation adds to a whole-sortie ratio."""
    rpm = [item.rpm for item in trace.settings]
    if one.compensation is None or one.rig is None or not rpm:
        return 0.0
    density = one.observed.density[np.isfinite(one.observed.density)]
    torque, _ = one.rig.torque(np.array(rpm), float(density.mean()) if density.size else one.rig.density)
    return float(np.mean(one.compensation.moment * (np.array(rpm) / one.compensation.rpm) ** 2 / torque))


def _sortie(item: _Solved, blade: CalibratedBlade | None, label: str) -> TogetherSortie:
    one = item.prepared
    path = one.sheets.sheet_files["sortie"]
    return TogetherSortie(
        source=f"{path.resolve().parent.name}/{path.name}",
        label=label,
        results=finish_sortie(one, item.joint, item.compared, item.trace, blade),
        hung_mass=one.sheets.aircraft.hung_mass_kg,
        stiffness=item.joint.stiffness,
        stiffness_alone=item.alone.stiffness,
        method_alone=item.alone.method,
        ratio=item.compared.overall,
        ratio_alone=item.compared_alone.overall,
        trace_alone=item.trace_alone.ratio,
    )


def _glider(name: str, area: float, index: list[int], solved: Sequence[_Solved]) -> GliderTurn:
    mine = [solved[i] for i in index]
    return GliderTurn(
        name=name,
        area=area,
        sorties=tuple(index),
        turn_coefficient=mine[0].joint.turn_coefficient,
        alone=tuple(item.alone.turn_coefficient for item in mine),
        measured=any(hold.ballast_moment != 0.0 for item in mine for hold in item.prepared.search.holds),
    )


# ---------------------------------------------------------------------------------------------- put together


@dataclass(frozen=True)
class _Entry:
    """One sortie's ratio with its draws."""

    sortie: int
    ratio: Quantity
    alone: Quantity
    advance_ratio: Quantity
    draws: Array


def _pooled(entries: Sequence[_Entry], rpm: float | None, what: str) -> PooledRatio:
    values = [item.ratio.value or 0.0 for item in entries]
    draws = np.column_stack([item.draws for item in entries])
    ratio, weights, shared, agreement = pool_ratios(
        values, draws, [item.ratio.budget for item in entries], what=what
    )
    return PooledRatio(
        rpm=rpm,
        ratio=ratio,
        advance_ratio=_mean_advance([item.advance_ratio for item in entries], weights),
        parts=tuple(
            Contribution(item.sortie, item.ratio, item.alone, item.advance_ratio, float(weight))
            for item, weight in zip(entries, weights, strict=True)
        ),
        shared=shared,
        agreement=agreement,
    )


def _mean_advance(items: Sequence[Quantity], weights: Array) -> Quantity:
    """Return the weighted mean of advance ratios; their errors count as each sortie's own."""
    if any(item.value is None for item in items):
        return Quantity.unknown("", "a sortie has no advance ratio")
    value = float(sum(w * (item.value or 0.0) for item, w in zip(items, weights, strict=True)))
    std = math.hypot(*[w * (item.std or 0.0) for item, w in zip(items, weights, strict=True)])
    return Quantity.of(value, std)


def _pool_settings(solved: Sequence[_Solved]) -> tuple[PooledRatio, ...]:
    """Return the torque ratio of each throttle setting over all sorties that held it."""
    places = [
        (number, row)
        for number, item in enumerate(solved)
        for row, found in enumerate(item.compared.rows)
        if found.torque_ratio.value is not None and found.rpm.value is not None
    ]
    rpm = np.array([solved[number].compared.rows[row].rpm.value or 0.0 for number, row in places])
    out = []
    for group in group_by_rpm(rpm, range(len(places))):
        entries = []
        for place in sorted(group):
            number, row = places[place]
            item = solved[number]
            found = item.compared.rows[row]
            entries.append(
                _Entry(
                    number,
                    found.torque_ratio,
                    item.compared_alone.rows[row].torque_ratio,
                    found.advance_ratio,
                    item.compared.ratio_draws[:, row],
                )
            )
        speed = float(np.mean(rpm[group]))
        out.append(_pooled(entries, speed, f"at {speed:.0f} rpm the sorties"))
    return tuple(out)


def _overall_budget(item: _Solved) -> dict[str, float]:
    """Return the budget of a sortie's overall ratio, from those of its settings."""
    rows = [row.torque_ratio for row in item.compared.rows if row.torque_ratio.value is not None]
    std = item.compared.overall.std or 0.0
    parts: dict[str, float] = {}
    for source in {name for row in rows for name in row.budget}:
        each = np.array([row.budget.get(source, 0.0) for row in rows])
        own = source == "noise of the power holds"
        parts[source] = float(np.sqrt(np.sum(each**2)) if own else np.sum(each)) / len(rows)
    total = math.sqrt(sum(part**2 for part in parts.values()))
    return {name: part * std / total for name, part in parts.items()} if total > 0.0 else {}


def _pool_overall(solved: Sequence[_Solved], sorties: Sequence[TogetherSortie]) -> PooledRatio | None:
    """Return the torque ratio over all settings and sorties, by the holds."""
    entries = []
    for number, (item, sortie) in enumerate(zip(solved, sorties, strict=True)):
        if item.compared.overall.value is None:
            continue
        advance = [row.advance_ratio for row in item.compared.rows]
        entries.append(
            _Entry(
                number,
                replace(item.compared.overall, budget=_overall_budget(item)),
                sortie.ratio_alone,
                _mean_advance(advance, np.full(len(advance), 1.0 / len(advance))),
                item.compared.overall_draws,
            )
        )
    return _pooled(entries, None, "the holds of the sorties") if entries else None


def _pool_traces(solved: Sequence[_Solved]) -> PooledRatio | None:
    """Return the torque ratio by the whole-sortie estimates."""
    entries = [
        _Entry(
            number,
            item.trace.ratio,
            item.trace_alone.ratio,
            Quantity.of(item.trace.advance_ratio, None)
            if math.isfinite(item.trace.advance_ratio)
            else Quantity.unknown("", "no airspeed"),
            item.trace_draws,
        )
        for number, item in enumerate(solved)
        if item.trace_draws is not None
    ]
    return _pooled(entries, None, "the whole flights") if len(entries) > 1 else None
