"""From the stages' objects to the parts of a result."""

from __future__ import annotations

import math
import os
import platform
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from .. import __version__
from ..holds.model import Hold, HoldKind
from ..moment.calibrate import Priors, Wing
from ..moment.observe import Observations
from ..moment.response import measure_turn_coefficient
from ..moment.solve import MomentSolution
from ..quantity import Quantity
from ..readers import Recording
from ..sheets import Sheets
from ..sortie.model import Sortie
from .parts import Calibration, HoldResult, InputFile, Provenance

__all__ = ["make_calibration", "make_hold_result", "make_provenance"]


_NOT_LOGGED = {
    "hang_roll": "no specific force was logged on the hung unit",
    "turn_rate": "no body rates were logged on the hung unit",
}


def _why(sortie: Sortie, name: str) -> str:
    """Return why the sortie lacks a channel, or nothing where it has it."""
    return "" if sortie.column(name) is not None else _NOT_LOGGED[name]


def make_hold_result(
    i: int, hold: Hold, observed: Observations, solution: MomentSolution, sortie: Sortie
) -> HoldResult:
    """Return what the hold at index ``i`` gives."""
    std = observed.noise.std()
    guessed = not np.isfinite(observed.airspeed[i]) or "trim speed" in sortie.sources.get("airspeed", "")
    speed_reason = "not measured: the glider's trim speed was used" if guessed else ""
    density = observed.density[i]
    bank = (
        Quantity.of(
            observed.bank[i] - (solution.hang_zero.value or 0.0),
            math.hypot(observed.bank_std[i], solution.hang_zero.std or 0.0),
            "rad",
        )
        if np.isfinite(observed.bank[i])
        else Quantity.unknown("rad", sortie.bank_source or "no bank in this hold")
    )
    ballast = (
        Quantity.of(hold.ballast_moment, hold.ballast_moment_std, "N m")
        if hold.ballast_moment != 0.0
        else Quantity.unknown("N m", "no ballast was carried")
    )
    return HoldResult(
        start=hold.start,
        end=hold.end,
        kind=hold.kind,
        straight=hold.straight,
        origin=hold.origin,
        hands_off=hold.hands_off,
        rpm=Quantity.of(observed.rpm[i], observed.rpm_std[i], "1/min"),
        airspeed=Quantity.of(solution.airspeed[i], solution.airspeed_std[i], "m/s", reason=speed_reason),
        density=Quantity.of(density, density * sortie.density_std_ratio, "kg/m^3"),
        turn_rate=Quantity.of(observed.turn_rate[i], std[i, 1], "rad/s", reason=_why(sortie, "turn_rate")),
        bank=bank,
        hang_roll=Quantity.of(observed.hang_roll[i], std[i, 0], "rad", reason=_why(sortie, "hang_roll")),
        roll_moment=solution.roll_moment[i],
        excess_turn=solution.excess_turn[i],
        yaw_moment=solution.yaw_moment[i],
        residual_turning_moment=solution.residual[i],
        ballast_moment=ballast,
    )


def make_calibration(
    holds: Sequence[Hold],
    observed: Observations,
    solution: MomentSolution,
    priors: Priors,
    wing: Wing,
) -> Calibration:
    """Return what turned the sortie's angles into moments."""
    noise = observed.noise
    minute = noise.mean_std(60.0)
    words = list(solution.words)
    if solution.dof >= 1:
        words.append(
            f"glides and ballast glides agree with the model: chi2 {solution.chi2:.1f} at {solution.dof} "
            "degrees "
            "of freedom"
            if solution.widening == 1.0
            else f"widened by {solution.widening:.2f}"
        )
    return Calibration(
        method=solution.method,
        hang_stiffness=solution.stiffness,
        hang_stiffness_prior=Quantity.of(priors.stiffness, priors.stiffness_std, "N m/rad"),
        hang_zero=solution.hang_zero,
        zero_drift=solution.hang_drift,
        turn_coefficient=solution.turn_coefficient,
        turn_zero=solution.turn_zero,
        noise_hang_roll_60s=float(minute[0]),
        noise_turn_rate_60s=float(minute[1]),
        noise_words=(
            f"vector autoregression of order {noise.order} at {1 / noise.period:.0f} Hz over all holds, "
            "slowest "
            f"time constant {noise.slowest_time_constant():.1f} s; largest lag-1 correlation of its "
            "innovations "
            f"{noise.residual_correlation:.2f}"
        ),
        ballast_holds=sum(h.kind is HoldKind.BALLAST for h in holds),
        glide_holds=sum(h.kind is HoldKind.GLIDE for h in holds),
        words=tuple(words),
        agreement=observed.agreement,
        turn_coefficient_prior=Quantity.of(priors.turn_coefficient, priors.turn_coefficient_std),
        turn_coefficient_measured=measure_turn_coefficient(
            observed,
            holds,
            wing,
            solution.airspeed,
            walk=solution.turn_walk,
            drift=priors.turn_zero_drift,
            widening=solution.widening,
        ),
    )


def make_provenance(sheets: Sheets, recordings: Mapping[str, Recording], settling: float) -> Provenance:
    """Return where a result comes from; ``settling`` is the settling time used [s]."""
    from importlib.metadata import version

    from ..readers.registry import file_digest
    from ..sheets.inputs import input_paths

    inputs = []
    for path in sheets.sheet_files.values():
        digest, size = file_digest(path)
        inputs.append(InputFile(path.name, "sheet", digest, size))
    roles = {entry.name: entry.role for entry in sheets.sortie.logs}
    for name, recording in recordings.items():
        inputs.append(
            InputFile(os.path.basename(recording.path), roles[name], recording.sha256, recording.size)
        )
    tables = {item.path: item for item in input_paths(sheets) if item.role == "table"}
    for path in tables:
        if path.is_file():  # a rig day whose table is not there was left out, and that was told
            inputs.append(InputFile(path.name, "table", *file_digest(path)))
    settings: dict[str, Any] = {name: value for name, value in vars(sheets.sortie.settings).items()}
    settings["settling_s"] = settling
    return Provenance(
        version=__version__,
        created_utc=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        python=platform.python_version(),
        packages={
            name: version(name) for name in ("numpy", "scipy", "pandas", "pyulog", "gpxpy", "matplotlib")
        },
        inputs=tuple(inputs),
        settings=settings,
        steps=(
            "read the sheets and logs",
            "aligned the clocks",
            "found wind, airspeed, attitude and density",
            "searched for holds",
            "estimated the level of each hold with one noise model",
            "solved all holds together for moments, zeros and calibration",
            "estimated the torque ratio from the whole sortie",
            "set the moments against rig and blade",
        ),
    )
