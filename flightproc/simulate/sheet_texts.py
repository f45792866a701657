"""Sheets of a simulated sortie, as a pilot would fill them in: stated values, never the true ones."""

from __future__ import annotations

from datetime import date
from math import atan, ceil, degrees, floor, pi
from typing import Any

from .ground_day import (
    ANGLE_STD,
    LINE_LENGTH,
    LINE_LENGTH_STD,
    LINE_SPACING,
    LINE_SPACING_STD,
    SWINGS,
    TIME_STD,
    PendulumNotes,
    TiltNotes,
)
from .parameters import DEFAULTS, Parameters, Stated
from .rig_day import (
    RIG_PRESSURE,
    RIG_TEMPERATURE,
    RPM_STD,
    SCALE_RESOLUTION,
    SCALE_STD,
    SPACING,
    SPACING_STD,
    THRUST_STD,
    RigDay,
)
from .writers import ENGINE_COLUMNS

__all__ = ["aircraft_text", "glider_text", "rig_text", "sortie_text"]

BLADE_RADII = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97)
"""Radii of the blade's stations over the tip radius."""
BLADE_CHORDS = (0.129, 0.148, 0.155, 0.153, 0.146, 0.136, 0.120, 0.098, 0.072)
"""Chords at those radii over the tip radius."""


_NUMBERS = dict(enumerate(("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")))


def _noted(label: str) -> str:
    """Return what the pilot wrote down about a segment; the S-turn and the ramp are left to be found."""
    if label.startswith("circle"):
        return "wind circle, on the brake"
    return "brakes for landing" if label in ("descending turns", "final") else ""


def sortie_text(truth: dict[str, Any], stated: Stated, day: date) -> str:
    """Return sortie.toml.

    Parameters
    ----------
    truth : dict
        Only the times of the ballast legs and of the pilot's notes, and the height of the field, are taken
        from it.
    stated : Stated
        Stated ballast.
    day : date
        Date of the flight.
    """
    level = truth["parameters"]["gust_level"]
    air = "calm" if level <= 0.25 else "breezy" if level <= 0.32 else "gusty"
    kinds = [hold["kind"] for hold in truth["planned_holds"]]
    flown = [
        f"{_NUMBERS.get(kinds.count(kind), kinds.count(kind))} {words}"
        for kind, words in (("power", "power holds"), ("glide", "glides"), ("ballast", "ballast glides"))
        if kind in kinds
    ]
    flown[:1] = [words.capitalize() for words in flown[:1]]
    lines = [
        "# A simulated sortie: frame, wing, field and pilot are invented. The truth is in truth.json.",
        f'title = "School wing {truth["parameters"]["wing_area"]:.0f} on training frame A, {air} morning"',
        f"date = {day.isoformat()}",
        f'pilot_notes = "{air.capitalize()}. {", ".join(flown)}, all hands off."',
        'aircraft = "aircraft.toml"',
        'glider = "glider.toml"',
        'rig = "rig.toml"',
        "",
        "[[logs]]",
        'name = "unit"',
        'file = "unit.ulg"',
        'role = "unit"',
        "",
        "[[logs]]",
        'name = "gps"',
        'file = "gps.gpx"',
        'role = "gps"',
        "",
        "[[logs]]",
        'name = "engine"',
        'file = "engine.csv"',
        'role = "engine"',
        "[logs.columns]",
        f'time = {{ column = "{ENGINE_COLUMNS[0]}", unit = "s" }}',
        f'rpm = {{ column = "{ENGINE_COLUMNS[1]}", unit = "rpm" }}',
        "",
        "[air]",
        f"ground_height_m = {truth['parameters']['field_height']:.0f}",
    ]
    for hold in truth["planned_holds"]:
        if hold["kind"] == "ballast":
            lines += [
                "",
                "[[ballast]]",
                f"mass_kg = {stated.ballast_mass}",
                f"mass_std_kg = {stated.ballast_mass_std}",
                f"arm_m = {stated.ballast_arm}",
                f"arm_std_m = {stated.ballast_arm_std}",
                f'side = "{hold["ballast_side"]}"',
                f"start_s = {ceil(hold['settling_start_s'])}",
                f"end_s = {floor(hold['end_s'])}",
            ]
    for segment in truth["segments"]:
        text = _noted(segment["label"])
        if text:
            lines += [
                "",
                "[[notes]]",
                f"start_s = {floor(segment['start_s'])}",
                f"end_s = {ceil(segment['end_s'])}",
                "hands_off = false",
                f'text = "{text}"',
            ]
    return "\n".join(lines) + "\n"


def aircraft_text(parameters: Parameters, stated: Stated, tilt: TiltNotes, pendulum: PendulumNotes) -> str:
    """Return aircraft.toml.

    Parameters
    ----------
    parameters : Parameters
        Engine and propeller data, which are stated without error.
    stated : Stated
        Masses and lengths as measured, the compensation as its maker gives it, which ground tests there are.
    tilt, pendulum : TiltNotes, PendulumNotes
        Their notes.
    """
    pa = parameters
    lines = [
        'name = "training frame A"',
        "# all below the hang points; the ballast rides in the centre when it is not hung out",
        f"hung_mass_kg = {stated.hung_mass}",
        f"hung_mass_std_kg = {stated.hung_mass_std}",
        f"all_up_mass_kg = {stated.hung_mass + stated.wing_mass}",
        f"hang_span_m = {stated.hang_span}",
        f"hang_span_std_m = {stated.hang_span_std}",
        f"hang_arm_m = {stated.hang_arm}",
        f"hang_arm_std_m = {stated.hang_arm_std}",
        "",
        "[engine]",
        f"gear_ratio = {pa.gear_ratio:g}",
        f"idle_rpm = {pa.idle_rpm:.0f}",
        f"idle_turns_propeller = {str(getattr(pa, 'idle_turns_propeller', False)).lower()}",
        "",
        "[propeller]",
        f"diameter_m = {pa.propeller_diameter:g}",
        f"blades = {pa.propeller_blades}",
        f'rotation = "{pa.rotation}"',
        *_stations(pa),
    ]
    if pa.compensation != "none":
        moment, std = stated.compensation_moment, stated.compensation_moment_std
        if moment is None:
            moment = pa.compensation_moment
        lines += [
            "",
            "[compensation]",
            f'kind = "{pa.compensation}"',
            f"moment_N_m = {moment:g}",
            f"moment_std_N_m = {0.2 * abs(moment) if std is None else std:g}",
            f"at_rpm = {pa.compensation_rpm:.0f}",
        ]
    if stated.calibration in ("tilt", "inertia"):
        lines += _tilt_lines(stated, tilt)
    if stated.calibration == "inertia":
        lines += _pendulum_lines(stated, pendulum)
    return "\n".join(lines) + "\n"


def _tilt_lines(stated: Stated, tilt: TiltNotes) -> list[str]:
    """Return the table of the tilt test; its ballast rides in the centre otherwise."""
    sides = ", ".join(f'"{side}"' for side in tilt.side)
    return [
        "",
        "[tilt_test]",
        f"side = [{sides}]",
        f"angle_deg = {list(tilt.angle)}",
        f"zero_deg = {list(tilt.zero)}",
        f"angle_std_deg = {ANGLE_STD}",
        f"ballast_kg = {stated.ballast_mass}",
        f"ballast_std_kg = {stated.ballast_mass_std}",
        f"arm_m = {stated.ballast_arm}",
        f"arm_std_m = {stated.ballast_arm_std}",
    ]


def _pendulum_lines(stated: Stated, pendulum: PendulumNotes) -> list[str]:
    """Return the table of the bifilar pendulum."""
    return [
        "",
        "[inertia]",
        f"mass_kg = {stated.hung_mass}",
        f"mass_std_kg = {stated.hung_mass_std}",
        f"line_spacing_m = {LINE_SPACING}",
        f"line_spacing_std_m = {LINE_SPACING_STD}",
        f"line_length_m = {LINE_LENGTH}",
        f"line_length_std_m = {LINE_LENGTH_STD}",
        f"swings = {SWINGS}",
        f"times_s = {list(pendulum.times)}",
        f"time_std_s = {TIME_STD}",
        f"amplitude_deg = {pendulum.amplitude}",
        f"damping = {pendulum.damping}",
    ]


def _stations(parameters: Parameters) -> list[str]:
    """Return the blade as a person would measure it: a helix of the nominal pitch, to half a degree."""
    lines = []
    for share, chord in zip(BLADE_RADII, BLADE_CHORDS, strict=True):
        radius = share * parameters.propeller_diameter / 2.0
        beta = degrees(atan(parameters.propeller_pitch / (2.0 * pi * radius)))
        lines += [
            "",
            "[[propeller.stations]]",
            f"r_m = {radius:.3f}",
            f"chord_m = {chord * parameters.propeller_diameter / 2.0:.3f}",
            f"beta_deg = {round(2.0 * beta) / 2.0:g}",
        ]
    return lines


def glider_text(parameters: Parameters) -> str:
    """Return glider.toml.

    Parameters
    ----------
    parameters : Parameters
        Area, span and trim speed; projected values and lines in usual proportion.
    """
    pa = parameters
    ratio = pa.wing_area / DEFAULTS.wing_area
    return (
        "\n".join(
            [
                f'name = "school wing {pa.wing_area:.0f}"',
                f"flat_area_m2 = {pa.wing_area:g}",
                f"projected_area_m2 = {0.855 * pa.wing_area:.2f}",
                f"flat_span_m = {pa.wing_span:g}",
                f"projected_span_m = {0.79 * pa.wing_span:.2f}",
                f"line_length_m = {7.3 * ratio**0.5:.2f}",
                f"trim_speed_m_s = {pa.trim_speed:g}",
            ]
        )
        + "\n"
    )


def rig_text(rig: RigDay, parameters: Parameters, day: date) -> str:
    """Return rig.toml.

    Parameters
    ----------
    rig : RigDay
        The readings.
    parameters : Parameters
        Gear ratio and diameter.
    day : date
        Date of the rig day.
    """
    lines = [
        'name = "two-point rig, training frame A"',
        f"date = {day.isoformat()}",
        'kind = "two_point"',
        f"spacing_m = {SPACING}",
        f"spacing_std_m = {SPACING_STD}",
        f"scale_std_kg = {SCALE_STD}",
        f"scale_resolution_kg = {SCALE_RESOLUTION}",
        f"gear_ratio = {parameters.gear_ratio:g}",
        f"diameter_m = {parameters.propeller_diameter:g}",
        *(["compensation_fitted = true"] if parameters.compensation != "none" else []),
        "",
        "[air]",
        f"pressure_hPa = {RIG_PRESSURE / 100:g}",
        f"temperature_C = {RIG_TEMPERATURE - 273.15:.1f}",
    ]
    for reading in rig.readings:
        lines += [
            "",
            "[[readings]]",
            f"rpm = {reading.rpm:.0f}",
            f"left_kg = {reading.left}",
            f"left_low_kg = {reading.left_low}",
            f"left_high_kg = {reading.left_high}",
            f"right_kg = {reading.right}",
            f"right_low_kg = {reading.right_low}",
            f"right_high_kg = {reading.right_high}",
        ]
        if reading.rpm:
            lines += [
                f"rpm_std = {RPM_STD:.0f}",
                f"thrust_N = {reading.thrust:.0f}",
                f"thrust_std_N = {THRUST_STD:.0f}",
            ]
    return "\n".join(lines) + "\n"
