"""Both ground tests of an aircraft sheet together, and as JSON: ``flightproc-ground/1``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..display import displayed
from ..errors import RigError
from ..quantity import Quantity
from .inertia import RollInertia, reduce_inertia
from .tilt import TiltTest, reduce_tilt

if TYPE_CHECKING:
    from ..sheets import AircraftSheet

__all__ = ["GROUND_SCHEMA", "GroundTests", "ground_document", "reduce_ground"]

GROUND_SCHEMA = "flightproc-ground/1"
_APART = 2.0  # standard uncertainties between the tilt test and the sheet's hang arm at which it is told
_DRAWS = 20_000


@displayed
@dataclass(frozen=True)
class GroundTests:
    """What the ground tests of a sheet give.

    Attributes
    ----------
    name : str
        Of the frame.
    mass, mass_std : float
        Hung mass of the sheet [kg].
    stated_arm : Quantity
        Hang arm as the sheet states it [m].
    tilt : TiltTest or None
        None where the sheet has no tilt test.
    inertia : RollInertia or None
        None where the sheet has no pendulum.
    hang_inertia : Quantity
        Roll inertia about the line of the hang points [kg m^2].
    free_period : Quantity
        Period of rolling under the hang points by the weight alone [s]; stiffer risers shorten it.
    words : tuple of str
        What both together tell.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.sheets import TiltTestEntry
    >>> aircraft = fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml")
    >>> test = TiltTestEntry(
    ...     side=("right", "left", "right", "left"),
    ...     angle_deg=(1.7, -1.3, 1.6, -1.4),
    ...     ballast_kg=4.0,
    ...     arm_m=0.25,
    ... )
    >>> aircraft = aircraft.model_copy(update={"tilt_test": test})
    >>> tests = fp.reduce_ground(aircraft)
    >>> tests.tilt is not None, tests.inertia is not None
    (True, False)
    """

    name: str
    mass: float
    mass_std: float
    stated_arm: Quantity
    tilt: TiltTest | None
    inertia: RollInertia | None
    hang_inertia: Quantity
    free_period: Quantity
    words: tuple[str, ...]


def reduce_ground(aircraft: AircraftSheet) -> GroundTests:
    """Reduce the ground tests of an aircraft sheet.

    Parameters
    ----------
    aircraft : AircraftSheet
        With ``[tilt_test]``, ``[inertia]`` or both.

    Returns
    -------
    GroundTests

    Raises
    ------
    RigError
        Where there is neither, or one cannot be reduced; what is wrong with both is told together.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.sheets import TiltTestEntry
    >>> aircraft = fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml")
    >>> test = TiltTestEntry(
    ...     side=("right", "left", "right", "left"),
    ...     angle_deg=(1.7, -1.3, 1.6, -1.4),
    ...     ballast_kg=4.0,
    ...     arm_m=0.25,
    ... )
    >>> aircraft = aircraft.model_copy(update={"tilt_test": test})
    >>> print(fp.reduce_ground(aircraft).tilt.weight_stiffness)
    374 ± 27 N m/rad
    """
    if aircraft.tilt_test is None and aircraft.inertia is None:
        raise RigError(
            "there is no ground test in the aircraft sheet",
            allowed="a table [tilt_test], a table [inertia], or both",
            hint="flightproc new FOLDER writes an aircraft sheet with both to fill in",
        )
    mass, mass_std = aircraft.hung_mass_kg, aircraft.hung_mass_std_kg
    tilt = swing = None
    failed: list[RigError] = []
    try:
        tilt = None if aircraft.tilt_test is None else reduce_tilt(aircraft.tilt_test, mass, mass_std)
    except RigError as error:
        failed.append(error)
    try:
        swing = None if aircraft.inertia is None else reduce_inertia(aircraft.inertia)
    except RigError as error:
        failed.append(error)
    if len(failed) == 1:
        raise failed[0]
    if failed:
        raise RigError("neither ground test can be reduced:\n" + "\n".join(f"  {e}" for e in failed))
    stated = Quantity.of(aircraft.hang_arm_m, aircraft.hang_arm_std_m, "m")
    arm = stated if tilt is None else tilt.hang_arm
    about = (
        Quantity.unknown("kg m^2", "there is no pendulum in the sheet")
        if swing is None
        else swing.about_hang_points(arm)
    )
    return GroundTests(
        name=aircraft.name,
        mass=mass,
        mass_std=mass_std,
        stated_arm=stated,
        tilt=tilt,
        inertia=swing,
        hang_inertia=about,
        free_period=_free_period(mass, mass_std, arm, swing),
        words=_words(aircraft, tilt, swing, stated),
    )


def _free_period(mass: float, mass_std: float, arm: Quantity, swing: RollInertia | None) -> Quantity:
    """Return 2 pi sqrt((I + m h^2) / (m g h)), drawn, since h stands above and below."""
    from ..channels import GRAVITY

    if swing is None:
        return Quantity.unknown("s", "there is no pendulum in the sheet")
    i, h = swing.inertia, arm
    if i.value is None or h.value is None:
        return Quantity.unknown("s", "inertia or hang arm is unknown")
    normal = np.random.default_rng(1).standard_normal((3, _DRAWS))
    inertia = i.value + (i.std or 0.0) * normal[0]
    arms = h.value + (h.std or 0.0) * normal[1]
    masses = mass + mass_std * normal[2]
    sound = (inertia > 0.0) & (arms > 0.1 * h.value) & (masses > 0.0)
    inertia, arms, masses = inertia[sound], arms[sound], masses[sound]
    draws = 2.0 * math.pi * np.sqrt((inertia + masses * arms**2) / (masses * GRAVITY * arms))
    value = 2.0 * math.pi * math.sqrt((i.value + mass * h.value**2) / (mass * GRAVITY * h.value))
    return Quantity.from_samples(draws, "s", value=value)


def _words(
    aircraft: AircraftSheet, tilt: TiltTest | None, swing: RollInertia | None, stated: Quantity
) -> tuple[str, ...]:
    words = []
    if tilt is not None and tilt.hang_arm.value is not None and stated.value is not None:
        apart = tilt.hang_arm.value - stated.value
        std = math.hypot(tilt.hang_arm.std or 0.0, stated.std or 0.0)
        if abs(apart) > _APART * std:
            words.append(
                f"the hang arm of the tilt test, {tilt.hang_arm.text()}, and that of the sheet, "
                f"{stated.text()}, are {abs(apart) / std:.1f} standard uncertainties apart: measure again, "
                "or correct hang_arm_m and hang_arm_std_m"
            )
        elif (tilt.hang_arm.std or 0.0) > (stated.std or 0.0):
            words.append("the tilt test is less certain than the hang arm that the sheet states")
    if swing is not None:
        off = abs(swing.mass - aircraft.hung_mass_kg)
        if off > 3.0 * math.hypot(swing.mass_std, aircraft.hung_mass_std_kg) and off > 5.0:
            words.append(
                f"the pendulum carried {swing.mass:g} kg, the sheet's hung mass is "
                f"{aircraft.hung_mass_kg:g} kg: the inertia is that of the lighter or heavier unit"
            )
    return tuple(words)


def ground_document(tests: GroundTests) -> dict[str, Any]:
    """Return ground tests as a document.

    Returns
    -------
    dict
        Of plain values, fit for JSON: null where something is not known.

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.sheets import TiltTestEntry
    >>> aircraft = fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml")
    >>> test = TiltTestEntry(
    ...     side=("right", "left", "right", "left"),
    ...     angle_deg=(1.7, -1.3, 1.6, -1.4),
    ...     ballast_kg=4.0,
    ...     arm_m=0.25,
    ... )
    >>> aircraft = aircraft.model_copy(update={"tilt_test": test})
    >>> ground_document(fp.reduce_ground(aircraft))["schema"]
    'flightproc-ground/1'
    """
    return {
        "schema": GROUND_SCHEMA,
        "name": tests.name,
        "hung_mass_kg": Quantity.of(tests.mass, tests.mass_std, "kg").to_json(),
        "stated_hang_arm_m": tests.stated_arm.to_json(),
        "tilt_test": None if tests.tilt is None else _tilt(tests.tilt),
        "inertia": None if tests.inertia is None else _inertia(tests.inertia),
        "hang_inertia_kg_m2": tests.hang_inertia.to_json(),
        "free_period_s": tests.free_period.to_json(),
        "remarks": list(tests.words),
    }


def _with_budget(quantity: Quantity) -> dict[str, Any]:
    return quantity.to_json() | {"budget": dict(quantity.budget)}


def _tilt(tilt: TiltTest) -> dict[str, Any]:
    return {
        "weight_stiffness_N_m_rad": _with_budget(tilt.weight_stiffness),
        "hang_arm_m": _with_budget(tilt.hang_arm),
        "zero_deg": tilt.zero.degrees().to_json(),
        "readings": [
            {"moment_N_m": float(m), "angle_deg": math.degrees(a), "residual_deg": math.degrees(r)}
            for m, a, r in zip(tilt.moment, tilt.angle, tilt.residual, strict=True)
        ],
        "chi2": tilt.chi2,
        "dof": tilt.dof,
        "remarks": list(tilt.words),
    }


def _inertia(swing: RollInertia) -> dict[str, Any]:
    return {
        "inertia_kg_m2": _with_budget(swing.inertia),
        "period_s": swing.period.to_json(),
        "large_angle_factor": swing.large_angle,
        "damping_factor": swing.damping,
        "mass_kg": Quantity.of(swing.mass, swing.mass_std, "kg").to_json(),
        "remarks": list(swing.words),
    }
