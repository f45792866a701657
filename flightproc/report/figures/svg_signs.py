"""How things of a drawing look, and the signs that stand for them in a legend."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import svg_marks as marks

__all__ = ["SIZE", "Key", "Sign", "arrow", "bar_key", "fill", "line_key", "marker_look", "patch_key"]

Array = NDArray[np.float64]
Sign = Callable[[float, float, float, float], str]
"""Draws the sign of a legend's entry: x, y of the base line, length, size of the type [pt]."""
Key = tuple[str, Sign]
"""Label of a legend's entry, and its sign."""

SIZE = 9.5
"""Size of the type [pt]."""


def fill(look: dict[str, Any]) -> str:
    """Return fill, edge and transparency of an area as attributes."""
    out = f' fill="{look.get("fc", look.get("color"))}"'
    if "ec" in look and look.get("lw", 1.0):
        out += f' stroke="{look["ec"]}" stroke-width="{look.get("lw", 1.0):g}"'
    return out + (f' opacity="{look["alpha"]:g}"' if look.get("alpha", 1.0) != 1.0 else "")


def marker_look(look: dict[str, Any]) -> str:
    """Return fill and edge of a marker as attributes."""
    colour = look["color"]
    return (
        f' fill="{look.get("mfc", colour)}" stroke="{look.get("mec", colour)}" '
        f'stroke-width="{look.get("mew", 1.0):g}"'
    )


def line_key(look: dict[str, Any], shape: str, size: float) -> Sign:
    """Return what draws a line with a marker in a legend."""

    def draw(x: float, y: float, length: float, type_size: float) -> str:
        middle = y - 0.35 * type_size
        out = ""
        if look.get("ls") not in ("none", "None"):
            out = f'<path d="M{x:.2f} {middle:.2f}h{length:.2f}"{marks.stroke(look, look["color"])}/>\n'
        if shape == ".":
            at = np.array([x + length / 2]), np.array([middle])
            out += marks.dots(*at, 0.5 * size + 1.0, look["color"]) + "/>\n"
        elif shape:
            out += marks.marker(shape, x + length / 2, middle, size, marker_look(look)) + "/>\n"
        return out

    return draw


def bar_key(look: dict[str, Any], shape: str, barred: bool, cap: float) -> Sign:
    """Return what draws a marker with its bar in a legend."""

    def draw(x: float, y: float, length: float, type_size: float) -> str:
        at, middle, half = x + length / 2, y - 0.35 * type_size, 0.5 * type_size
        bar = f"M{at:.2f} {middle - half:.2f}v{2 * half:.2f}"
        out = f'<path d="{bar}"{marks.stroke(look, look["color"])}/>\n' if barred else ""
        if barred and cap:
            ends = "".join(f"M{at - cap:.2f} {middle + end:.2f}h{2 * cap:g}" for end in (-half, half))
            out += f'<path d="{ends}"{marks.stroke({**look, "lw": look["mew"]}, look["color"])}/>\n'
        alpha = f' opacity="{look["alpha"]:g}"' if look.get("alpha", 1.0) != 1.0 else ""
        return out + marks.marker(shape, at, middle, look["ms"], marker_look(look)) + alpha + "/>\n"

    return draw


def patch_key(look: dict[str, Any]) -> Sign:
    """Return what draws a filled box in a legend."""

    def draw(x: float, y: float, length: float, type_size: float) -> str:
        high = 0.7 * type_size
        box = f'<rect x="{x:.2f}" y="{y - high:.2f}" width="{length:.2f}" height="{high:.2f}"'
        hatched = f'{box} fill="url(#hatch)"/>\n' if look.get("hatch") else ""
        return f"{box}{fill(look)}/>\n{hatched}"

    return draw


def arrow(start: tuple[Array, Array], tip: tuple[float, float], look: dict[str, Any]) -> str:
    """Return an arrow with a filled head, both ends drawn back by 2 pt."""
    begin, end = np.array([float(v) for v in start]), np.array(tip)
    way = (end - begin) / max(float(np.hypot(*(end - begin))), 1e-9)
    begin, end = begin + 2.0 * way, end - 2.0 * way
    scale = float(look.get("mutation_scale", SIZE))
    across = np.array([-way[1], way[0]])
    neck = end - 0.4 * scale * way
    head = [end, neck + 0.2 * scale * across, neck - 0.2 * scale * across]
    corners = "L".join(f"{x:.2f} {y:.2f}" for x, y in head)
    shaft = f"M{begin[0]:.2f} {begin[1]:.2f}L{neck[0]:.2f} {neck[1]:.2f}"
    colour = look["color"]
    return (
        f'<path d="{shaft}"{marks.stroke(look, colour)}/>\n'
        f'<path d="M{corners}Z" fill="{colour}" stroke="{colour}" stroke-width="{look["lw"]:g}"/>\n'
    )
