"""The marks of a drawing as SVG: paths, markers, text with its size, round ticks.

Coordinates are points (1/72 inch) from the upper left corner, as in SVG.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ASCENT",
    "DESCENT",
    "area_path",
    "dots",
    "line_path",
    "marker",
    "round_ticks",
    "stroke",
    "text_box",
    "text_marks",
    "text_width",
    "tick_words",
]

Array = NDArray[np.float64]

ASCENT, DESCENT = 0.760, 0.240
"""Room above and below the base line of DejaVu Sans [em]."""

_ADVANCES = {
    563: "'", 569: "ijl", 604: "IJ", 651: " ,.·", 690: "/:;\\|", 721: "f", 739: "-", 799: "()[]", 803: "t",
    821: "!₀³²₁₂", 842: "r", 942: '"', 1024: "*_`–°", 1067: "s", 1075: "z", 1087: "?", 1126: "c", 1141: "L",
    1178: "F", 1186: "k", 1212: "vxy", 1235: "P", 1251: "TY", 1253: "o", 1255: "a", 1260: "e", 1294: "E",
    1298: "hnuησ", 1300: "Sbdgpqρ", 1303: "$0123456789{}", 1307: "β", 1343: "K", 1350: "α", 1351: "φ",
    1401: "AVΔ", 1403: "XZ", 1405: "B", 1423: "R", 1430: "C", 1499: "U", 1532: "N", 1540: "H", 1565: "Ω",
    1577: "D", 1587: "G", 1597: "&", 1612: "OQ", 1675: "w", 1716: "#+<=>^~±−×≥≤", 1767: "M", 1946: "%",
    1995: "m", 2025: "W", 2048: "@",
}  # fmt: skip
_ADVANCE = {letter: units / 2048.0 for units, letters in _ADVANCES.items() for letter in letters}
# advance widths of DejaVu Sans [em]; other letters are taken to be 0.62 em wide
_BOLD = 1.13


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Return how wide a line of text is [pt].

    Examples
    --------
    >>> round(text_width("10 m/s", 9.5), 1)
    34.0
    """
    return size * (_BOLD if bold else 1.0) * sum(_ADVANCE.get(letter, 0.62) for letter in text)


def text_box(text: str, size: float, spacing: float = 1.2, bold: bool = False) -> tuple[float, float, float]:
    """Return width and height of a text of one or more lines, and the distance of its lines [pt]."""
    lines = text.split("\n")
    pitch = size * (ASCENT + DESCENT) * (spacing if len(lines) > 1 else 1.0)
    return max(text_width(line, size, bold) for line in lines), pitch * len(lines), pitch


def text_marks(
    text: str,
    x: float,
    y: float,
    *,
    size: float,
    colour: str,
    ha: str = "left",
    va: str = "baseline",
    spacing: float = 1.2,
    bold: bool = False,
    upright: bool = False,
) -> tuple[str, tuple[float, float, float, float]]:
    """Return a text as SVG, one element a line, and the box it fills (left, top, right, bottom).

    Parameters
    ----------
    text : str
        One or more lines.
    x, y : float
        Where it is held [pt].
    size : float
        Size of the type [pt].
    colour : str
        Fill.
    ha, va : str
        ``left``, ``center``, ``right``; ``top``, ``center``, ``center_baseline`` (without
        the descent of the last line), ``bottom``, ``baseline``.
    spacing : float
        Distance of lines over their height.
    bold : bool
        Whether it is bold.
    upright : bool
        Whether it runs upwards, turned by 90 degrees about (x, y).
    """
    lines = text.split("\n")
    width, height, pitch = text_box(text, size, spacing, bold)
    middle = 0.5 * (ASCENT * size + height - pitch)  # half of what stands above the last base line
    top = {"top": 0.0, "center": -height / 2, "center_baseline": -middle, "bottom": -height}.get(
        va, -ASCENT * size
    )
    first = ASCENT * size + 0.5 * (pitch - size * (ASCENT + DESCENT))
    left = {"center": -width / 2, "right": -width}.get(ha, 0.0)
    anchor = {"center": ' text-anchor="middle"', "right": ' text-anchor="end"'}.get(ha, "")
    looks = f' font-size="{size:g}" fill="{colour}"{anchor}' + (' font-weight="bold"' if bold else "")
    marks = []
    for number, line in enumerate(lines):
        base = top + (ASCENT * size if va == "baseline" else first) + number * pitch
        if upright:
            place = f' transform="translate({x + base:.2f} {y:.2f}) rotate(-90)"'
        else:
            place = f' x="{x:.2f}" y="{y + base:.2f}"'
        if line:
            marks.append(f"<text{place}{looks}>{escape(line, quote=False)}</text>\n")
    if upright:
        return "".join(marks), (x + top, y - left - width, x + top + height, y - left)
    return "".join(marks), (x + left, y + top, x + left + width, y + top + height)


def _points(x: Array, y: Array) -> str:
    """Return points as the data of a path, long ones to 0.1 pt."""
    form = "%.2f %.2f" if x.size <= 400 else "%.1f %.1f"
    return "L".join([form] * x.size) % tuple(np.column_stack([x, y]).ravel().tolist())


def _runs(good: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return begin and end of each stretch that is true throughout."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def line_path(x: Array, y: Array) -> str:
    """Return a line as the data of a path; it is broken where a point is not finite."""
    runs = _runs(np.isfinite(x) & np.isfinite(y))
    return "".join(f"M{_points(x[a:b], y[a:b])}" for a, b in runs if b - a > 1)


def area_path(x: Array, low: Array, high: Array) -> str:
    """Return the area between two lines as the data of a path."""
    runs = _runs(np.isfinite(x) & np.isfinite(low) & np.isfinite(high))
    return "".join(
        f"M{_points(np.concatenate([x[a:b], x[a:b][::-1]]), np.concatenate([low[a:b], high[a:b][::-1]]))}Z"
        for a, b in runs
    )


def stroke(look: dict[str, Any], colour: str) -> str:
    """Return width, dashes, ends and transparency of a line as attributes.

    Parameters
    ----------
    look : dict
        ``lw`` [pt], ``ls`` (``-``, ``--`` or ``(0, (on, off))`` in widths of the line), ``alpha``,
        ``solid_capstyle``.
    colour : str
        Of the line.
    """
    width, dashes = float(look.get("lw", 1.4)), look.get("ls", "-")
    out = f' fill="none" stroke="{colour}" stroke-width="{width:g}"'
    if dashes == "--":
        dashes = (0, (3.7, 1.6))
    if isinstance(dashes, tuple):
        out += ' stroke-dasharray="' + " ".join(f"{part * width:.2f}" for part in dashes[1]) + '"'
    if look.get("solid_capstyle") == "round":
        out += ' stroke-linecap="round"'
    if look.get("alpha", 1.0) != 1.0:
        out += f' opacity="{look["alpha"]:g}"'
    return out


def dots(x: Array, y: Array, size: float, colour: str) -> str:
    """Return points as round dots in one element."""
    good = np.isfinite(x) & np.isfinite(y)
    steps = "".join(
        f"M{px:.1f} {py:.1f}h0" for px, py in zip(x[good].tolist(), y[good].tolist(), strict=True)
    )
    return f'<path d="{steps}" fill="none" stroke="{colour}" stroke-width="{size:g}" stroke-linecap="round"'


_SHAPES: dict[str, tuple[tuple[float, float], ...]] = {
    "s": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
    "D": ((0, -math.sqrt(2)), (math.sqrt(2), 0), (0, math.sqrt(2)), (-math.sqrt(2), 0)),
    "v": ((-1, -1), (1, -1), (0, 1)),
    "^": ((-1, 1), (1, 1), (0, -1)),
}


def marker(shape: str, x: float, y: float, size: float, look: str) -> str:
    """Return one marker of a size [pt] with the look given as attributes, its tag left open."""
    half = 0.5 * size
    if shape == "o":
        return f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{half:.2f}"{look}'
    if shape == "x":
        d = f"M{x - half:.2f} {y - half:.2f}l{size:.2f} {size:.2f}m0 {-size:.2f}l{-size:.2f} {size:.2f}"
        return f'<path d="{d}"{look}'
    corners = "L".join(f"{x + half * a:.2f} {y + half * b:.2f}" for a, b in _SHAPES[shape])
    return f'<path d="M{corners}Z"{look}'


def round_ticks(low: float, high: float, most: int) -> tuple[list[float], float]:
    """Return at most ``most + 1`` round values between two bounds, and their step of 1, 2 or 5 times 10^n.

    Examples
    --------
    >>> round_ticks(0.13, 0.94, 5)
    ([0.2, 0.4, 0.6, 0.8], 0.2)
    """
    low, high = min(low, high), max(low, high)
    if not math.isfinite(high - low) or high <= low:
        return [low], 1.0
    power = math.floor(math.log10((high - low) / most))
    steps = [factor * 10.0 ** (power + k) for k in (-1, 0, 1) for factor in (1, 2, 5)]
    enough = next(i for i, step in enumerate(steps) if step >= (high - low) / most * (1 - 1e-10))
    for step in steps[enough::-1]:
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last > first or step == steps[0]:
            break
    digits = max(0, 2 - math.floor(math.log10(step)))
    return [round(k * step, digits) + 0.0 for k in range(first, last + 1)], step


def tick_words(ticks: Sequence[float], step: float) -> list[str]:
    """Return ticks as words, all with the decimals that their step needs.

    Examples
    --------
    >>> tick_words([-0.5, 0.0, 0.5], 0.5)
    ['−0.5', '0.0', '0.5']
    """
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    return [f"{tick:.{places}f}".replace("-", "\N{MINUS SIGN}") for tick in ticks]
