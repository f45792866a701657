"""Short simulated sorties of one frame, for tests of several sorties together."""

from __future__ import annotations

import json
from dataclasses import replace
from math import radians
from pathlib import Path
from typing import Any

import numpy as np

from flightproc.simulate import simulate_sortie, write_sortie
from flightproc.simulate.parameters import DEFAULTS, Parameters, Stated
from flightproc.simulate.scenario import Segment
from flightproc.simulate.sortie import draw_truth

IDLE, CRUISE, FULL = 2200.0, 6000.0, 7600.0
OWN = ("mount_roll", "mount_pitch", "mount_yaw", "gyro_bias", "accelerometer_bias", "gravity_offset")
"""What differs from sortie to sortie with one frame: how sensor and pilot sit in it."""


def _leg(kind: str, rpm: float, heading: float, ballast: int = 0) -> list[Segment]:
    return [
        Segment(
            "turn", rpm, "heading", radians(heading), "heading", radians(18.0), ballast=ballast, limit=60.0
        ),
        Segment(f"settle {kind}", rpm, "time", 15.0, ballast=ballast),
        Segment(f"hold {kind} {rpm:.0f} {heading:.0f}", rpm, "time", 60.0, kind=kind, ballast=ballast),
    ]


def short_card(*, ballast: bool) -> tuple[Segment, ...]:
    """Three glides, two settings twice, and two ballast legs where they are wanted."""
    return (
        Segment("ground still, engine stopped", 0.0, "time", 40.0, kind="ground", on_ground=True),
        Segment("ground idle", IDLE, "time", 6.0, on_ground=True),
        Segment("take-off", FULL, "above", 15.0, "heading", radians(8.0), limit=60.0),
        Segment(
            "climb", FULL, "above", 230.0, "weave", radians(9.0), period=14.0, rpm_swing=450.0, limit=400.0
        ),
        Segment("circle left", CRUISE, "turned", radians(365.0), "rate", radians(-12.0), limit=90.0),
        Segment("circle right", CRUISE, "turned", radians(365.0), "rate", radians(12.0), limit=90.0),
        *_leg("glide", IDLE, 200.0),
        *_leg("power", CRUISE, 300.0),
        *_leg("power", FULL, 40.0),
        *(_leg("ballast", IDLE, 150.0, 1) + _leg("ballast", IDLE, 330.0, -1) if ballast else ()),
        *_leg("power", FULL, 120.0),
        *_leg("glide", IDLE, 240.0),
        *_leg("power", CRUISE, 60.0),
        *_leg("glide", IDLE, 180.0),
    )


def frame_world(seed: int) -> Parameters:
    """Return the truth of one frame."""
    return draw_truth(DEFAULTS, Stated(), np.random.default_rng(seed))


def write_one(
    folder: Path,
    world: Parameters,
    seed: int,
    *,
    title: str,
    ballast: bool = True,
    glider: str | None = None,
    like: Path | None = None,
    **changes: Any,
) -> Path:
    """Fly one short sortie with a frame and write it; return its sheet.

    Parameters
    ----------
    folder : Path
        Where to.
    world : Parameters
        The frame; how sensor and pilot sit is drawn anew.
    seed : int
        Of gusts and noise.
    title : str
        Of the sortie sheet.
    ballast : bool
        Whether ballast legs are flown.
    glider : str, optional
        Another name for the glider sheet.
    like : Path, optional
        Folder of a sortie whose rig and aircraft sheet are taken over.
    **changes
        Parameters that differ, such as ``wing_area``.
    """
    own = frame_world(seed + 1000)
    world = replace(world, **{name: getattr(own, name) for name in OWN}, **changes)
    sortie = simulate_sortie(
        seed, world=world, card=short_card(ballast=ballast), gust_level=0.15, attitude="levelled"
    )
    write_sortie(sortie, folder)
    if like is not None:
        for name in ("rig.toml", "aircraft.toml"):
            (folder / name).write_bytes((like / name).read_bytes())
    sheet = folder / "sortie.toml"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    place = next(i for i, line in enumerate(lines) if line.startswith("title"))
    lines[place] = f'title = "{title}"'
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    if glider is not None:
        text = (folder / "glider.toml").read_text(encoding="utf-8").splitlines()
        place = next(i for i, line in enumerate(text) if line.startswith("name"))
        text[place] = f'name = "{glider}"'
        (folder / "glider.toml").write_text("\n".join(text) + "\n", encoding="utf-8")
    return sheet


def truth_of(sheet: Path) -> dict[str, Any]:
    """Return truth.json beside a sheet."""
    out: dict[str, Any] = json.loads((sheet.parent / "truth.json").read_text(encoding="utf-8"))
    return out
