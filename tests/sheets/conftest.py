"""A sound set of sheets, and a way to spoil it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from flightproc.errors import Fault, SheetError

SORTIE = """\
title = "Evening sortie"
date = 2026-05-01
aircraft = "aircraft.toml"
glider = "glider.toml"
rig = "rig.toml"

[[logs]]
name = "unit"
file = "logs folder/unit é.ulg"
role = "unit"

[[logs]]
name = "engine"
file = "engine.csv"
role = "engine"
clock_offset_s = -12.5
[logs.columns]
time = { column = "t", unit = "s" }
rpm = { column = "Engine RPM", unit = "rpm" }

[air]
wind_speed_m_s = 3
wind_from_deg = 250.0

[[ballast]]
mass_kg = 4.0
arm_m = 0.25
side = "left"
start_s = 600
end_s = 660

[[ballast]]
mass_kg = 4.0
arm_m = 0.25
side = "right"
start_s = 660
end_s = 720

[[notes]]
start_utc = 2026-05-01T17:03:20Z
end_utc = 2026-05-01T19:04:20+02:00
hands_off = true

[[holds]]
action = "strike"
start_s = 100
end_s = 160
reason = "gust"
"""

AIRCRAFT = """\
name = "frame 3"
hung_mass_kg = 118.0
all_up_mass_kg = 124
hang_span_m = 0.44
hang_arm_m = 0.35

[engine]
gear_ratio = 2.8

[propeller]
diameter_m = 1.3
blades = 2
rotation = "left"
pitch_m = 0.62
"""

GLIDER = """\
name = "school wing 28"
flat_area_m2 = 28.0
projected_area_m2 = 23.9
flat_span_m = 11.8
projected_span_m = 9.3
line_length_m = 7.1
trim_speed_m_s = 10.8
"""

RIG = """\
kind = "two_point"
spacing_m = 0.38
[air]
pressure_hPa = 1013.25
temperature_C = 15
[[readings]]
rpm = 0
left_kg = 58.1
right_kg = 58.1
[[readings]]
rpm = 5500
left_kg = 56.6
right_kg = 61.1
left_low_kg = 56.2
left_high_kg = 57.1
[[readings]]
rpm = 8450
left_kg = 53.3
right_kg = 67.7
"""

TEXTS = {"sortie": SORTIE, "aircraft": AIRCRAFT, "glider": GLIDER, "rig": RIG}


def write_set(folder: Path, **texts: str) -> Path:
    """Write a set, some sheets replaced, and return the sortie sheet's path."""
    (folder / "logs folder").mkdir(parents=True, exist_ok=True)
    (folder / "logs folder" / "unit é.ulg").touch()
    (folder / "engine.csv").touch()
    for name, text in {**TEXTS, **texts}.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder / "sortie.toml"


@pytest.fixture
def texts() -> dict[str, str]:
    """Text of each sheet of a sound set."""
    return dict(TEXTS)


@pytest.fixture
def sheet_set(tmp_path: Path) -> Callable[..., Path]:
    """Write a sound set, with some sheets replaced; return the sortie sheet's path."""

    def write(**texts: str) -> Path:
        return write_set(tmp_path / "my sortie ü", **texts)

    return write


@pytest.fixture
def spoil(sheet_set: Callable[..., Path]) -> Callable[..., list[Fault]]:
    """Replace ``old`` by ``new`` in one sheet of a sound set, load it, and return the faults."""
    from flightproc.sheets import load_sortie

    def run(sheet: str, old: str, new: str) -> list[Fault]:
        assert old in TEXTS[sheet]
        path = sheet_set(**{sheet: TEXTS[sheet].replace(old, new, 1)})
        try:
            load_sortie(path)
        except SheetError as error:
            return list(error.faults)
        return []

    return run
