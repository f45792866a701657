"""Draw ``axes.svg``, the drawing of axes and signs: ``python docs/make_axes.py [FILE]``."""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Arc, Circle, FancyArrowPatch, FancyBboxPatch, Polygon

INK = "#22313f"
AXIS = "#1f5fa8"
SIGN = "#b03a2e"
SIZE = "#4d7c2a"
PALE = "#dfe6ec"
MASS = "#e0a030"


def arrow(
    ax: Axes, start: tuple[float, float], end: tuple[float, float], colour: str, both: bool = False
) -> None:
    """Draw a straight arrow."""
    style = "<|-|>" if both else "-|>"
    ax.add_patch(
        FancyArrowPatch(
            start,
            end,
            arrowstyle=style,
            mutation_scale=11,
            lw=1.6,
            color=colour,
            shrinkA=0,
            shrinkB=0,
            zorder=6,
        )
    )


def turn(
    ax: Axes, centre: tuple[float, float], radius: float, start_deg: float, end_deg: float, colour: str
) -> None:
    """Draw a curved arrow from one angle to another (anticlockwise from the page's right)."""
    angles = np.radians(np.linspace(start_deg, end_deg, 60))
    x, y = centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles)
    ax.plot(x[:-3], y[:-3], color=colour, lw=1.8, zorder=6, solid_capstyle="butt")
    arrow(ax, (x[-8], y[-8]), (x[-1], y[-1]), colour)


def write(ax: Axes, x: float, y: float, text: str, colour: str = INK, size: float = 9.0, **more: str) -> None:
    """Write a label on a white ground."""
    ax.text(
        x,
        y,
        text,
        color=colour,
        fontsize=size,
        zorder=8,
        linespacing=1.25,
        ha=more.get("ha", "center"),
        va=more.get("va", "center"),
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2, "alpha": 0.85},
    )


def turned(points: np.ndarray, angle: float, pivot: tuple[float, float]) -> np.ndarray:
    """Turn points, shape (n, 2), clockwise on the page by an angle [rad] about a pivot."""
    c, s = np.cos(angle), np.sin(angle)
    return (points - pivot) @ np.array([[c, -s], [s, c]]) + pivot


def wing(ax: Axes, left: np.ndarray, right: np.ndarray) -> None:
    """Draw the wing from behind, with its lines to the two hang points."""
    for centre, radius, low in (((0, -0.4), 4.55, 32), ((0, -0.4), 4.15, 33)):
        angles = np.radians(np.linspace(low, 180 - low, 80))
        ax.plot(centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles), color=INK, lw=1.4)
    for side, point in ((-1, left), (1, right)):
        for angle in (38, 52, 66, 80):
            x, y = 4.15 * np.cos(np.radians(angle)), -0.4 + 4.15 * np.sin(np.radians(angle))
            ax.plot([point[0], side * x], [point[1], y], color="#9aa7b2", lw=0.7, zorder=1)


def unit_from_behind(ax: Axes, tilt: float = 0.0) -> np.ndarray:
    """Draw the hung unit; return the turned positions of hang points, centre of gravity, hub."""
    pivot = (0.0, 0.3)
    bar = turned(np.array([[-0.62, 0.3], [0.62, 0.3]]), tilt, pivot)
    body = np.array([[-0.62, 0.3], [0.62, 0.3], [0.48, -1.35], [0.28, -2.2], [-0.28, -2.2], [-0.48, -1.35]])
    ax.add_patch(
        Polygon(turned(body, tilt, pivot), closed=True, facecolor=PALE, edgecolor=INK, lw=1.2, zorder=3)
    )
    marks = turned(np.array([[0.0, -0.95], [0.0, -0.75]]), tilt, pivot)
    ax.plot(*bar.T, "o", color=INK, ms=6, zorder=7)
    return np.vstack([bar, marks])


def mass_mark(ax: Axes, place: np.ndarray) -> None:
    """Draw the mark of a centre of gravity."""
    ax.add_patch(Circle(tuple(place), 0.11, facecolor="white", edgecolor=INK, lw=1.2, zorder=7))
    for start in (0, 180):
        angles = np.radians(np.linspace(start, start + 90, 20))
        corner = np.vstack([[place], place + 0.11 * np.c_[np.cos(angles), np.sin(angles)]])
        ax.add_patch(Polygon(corner, facecolor=INK, zorder=7))


def panel(ax: Axes, title: str) -> None:
    """Set up one panel."""
    ax.set_xlim(-4.5, 4.5)
    ax.set_ylim(-4.6, 4.9)
    ax.set_aspect("equal")
    ax.axis("off")
    ax.set_title(title, color=INK, fontsize=11, fontweight="bold", pad=4)


def geometry(ax: Axes) -> None:
    """Draw the unit from behind, hanging straight: axes, hang points, ballast."""
    panel(ax, "From behind: axes and geometry")
    marks = unit_from_behind(ax)
    wing(ax, marks[0], marks[1])
    mass_mark(ax, marks[2])
    write(ax, -4.0, 1.0, "left", size=10)
    write(ax, 4.0, 1.0, "right", size=10)
    for side in (-0.62, 0.62):
        ax.plot([side, side], [0.42, 1.02], color=SIZE, lw=0.8)
    arrow(ax, (-0.62, 0.9), (0.62, 0.9), SIZE, both=True)
    write(ax, 0.0, 1.22, "hang span", SIZE)
    write(ax, -1.75, 0.42, "hang points", INK)
    arrow(ax, (-1.15, 0.38), (-0.72, 0.32), INK)
    ax.plot([-1.3, -0.15], [-0.95, -0.95], color=SIZE, lw=0.8, zorder=4)
    ax.plot([-1.3, -0.72], [0.3, 0.3], color=SIZE, lw=0.8, zorder=4)
    arrow(ax, (-1.2, 0.3), (-1.2, -0.95), SIZE, both=True)
    write(ax, -2.0, -0.35, "hang arm", SIZE)
    write(ax, -1.75, -1.3, "centre of gravity", INK)
    arrow(ax, (-0.95, -1.22), (-0.13, -1.0), INK)
    arrow(ax, (0, -0.95), (2.75, -0.95), AXIS)
    write(ax, 3.0, -0.95, "y right", AXIS, ha="left")
    arrow(ax, (0, -0.95), (0, -3.1), AXIS)
    write(ax, 0, -3.35, "z down", AXIS)
    ax.plot([1.7, 1.7], [-1.6, -1.35], color=INK, lw=1.0)
    ax.plot([1.7, 0.52], [-1.35, -1.2], color=INK, lw=1.0)
    ax.add_patch(
        FancyBboxPatch((1.45, -2.1), 0.5, 0.5, boxstyle="round,pad=0.02", facecolor=MASS, edgecolor=INK)
    )
    ax.plot([1.7, 1.7], [-2.15, -2.75], color=SIZE, lw=0.8)
    arrow(ax, (0, -2.6), (1.7, -2.6), SIZE, both=True)
    write(ax, 1.05, -2.86, "ballast arm", SIZE)
    write(ax, 2.95, -1.85, "ballast on the\nright: positive", INK)
    turn(ax, (0, 0.3), 2.6, 152, 28, SIGN)
    write(ax, 0, 2.2, "positive roll:\nright side down", SIGN)


def power(ax: Axes) -> None:
    """Draw the unit from behind under power: propeller, reaction, hang roll."""
    panel(ax, "From behind: power on, propeller turning left")
    tilt = np.radians(14)
    marks = unit_from_behind(ax, tilt)
    wing(ax, marks[0], marks[1])
    hub = tuple(marks[3])
    ax.add_patch(Circle(hub, 1.75, facecolor="none", edgecolor="#8796a3", lw=1.0, ls=(0, (4, 3)), zorder=4))
    half = [[0.0, 0.05], [0.5, 0.12], [1.7, 0.06], [1.7, -0.04], [0.5, -0.07], [0.0, -0.05]]
    outline = np.array([*half, *(-np.array(half))])
    blade = turned(outline, np.radians(-28), (0.0, 0.0)) + np.array(hub)
    ax.add_patch(Polygon(blade, closed=True, facecolor="#b9c4cd", edgecolor=INK, lw=0.8, zorder=5))
    ax.add_patch(Circle(hub, 0.1, facecolor=INK, zorder=7))
    turn(ax, hub, 2.05, -52, 52, AXIS)
    write(ax, 3.05, -1.75, "propeller turns\nleft\n(anticlockwise)", AXIS)
    turn(ax, (0, 0.3), 2.6, 152, 28, SIGN)
    write(ax, 0, 2.05, "reaction +Q on the\nunit: rolls right", SIGN)
    ax.plot([0, 0], [0.3, -3.6], color=SIZE, lw=1.0, ls=(0, (5, 3)), zorder=6)
    write(ax, 1.35, -3.62, "apparent gravity", SIZE)
    end = turned(np.array([[0.0, -3.6]]), tilt, (0.0, 0.3))[0]
    ax.plot([0, end[0]], [0.3, end[1]], color=AXIS, lw=1.2, zorder=6)
    write(ax, end[0] - 0.3, end[1] - 0.22, "unit's z axis", AXIS)
    ax.add_patch(Arc((0, 0.3), 6.6, 6.6, theta1=270 - 14, theta2=270, color=SIGN, lw=1.6, zorder=6))
    write(ax, -1.95, -2.55, "hang roll $\\eta$,\npositive here", SIGN)
    arrow(ax, (-1.25, -2.65), (-0.45, -2.92), SIGN)


def above(ax: Axes) -> None:
    """Draw the unit from above: axes, yaw, thrust."""
    panel(ax, "From above: heading and yaw")
    ax.add_patch(
        Polygon(
            [
                [-4.1, 0.35],
                [-2.2, 0.95],
                [0, 1.12],
                [2.2, 0.95],
                [4.1, 0.35],
                [3.9, -0.05],
                [2.0, -0.45],
                [0, -0.55],
                [-2.0, -0.45],
                [-3.9, -0.05],
            ],
            closed=True,
            facecolor="#f3f6f8",
            edgecolor="#9aa7b2",
            lw=1.0,
            zorder=1,
        )
    )
    ax.add_patch(
        FancyBboxPatch(
            (-0.42, -0.75),
            0.84,
            1.15,
            boxstyle="round,pad=0.05",
            facecolor=PALE,
            edgecolor=INK,
            lw=1.2,
            zorder=3,
        )
    )
    ax.add_patch(
        FancyBboxPatch(
            (-1.1, -1.08),
            2.2,
            0.1,
            boxstyle="round,pad=0.02",
            facecolor="#b9c4cd",
            edgecolor=INK,
            lw=0.8,
            zorder=3,
        )
    )
    ax.plot([-0.5, 0.5], [0.25, 0.25], "o", color=INK, ms=6, zorder=7)
    mass_mark(ax, np.array([0.0, -0.1]))
    arrow(ax, (0, -0.1), (0, 3.4), AXIS)
    write(ax, 0, 3.7, "x forward", AXIS)
    arrow(ax, (0, -0.1), (2.95, -0.1), AXIS)
    write(ax, 2.2, 0.16, "y right", AXIS)
    write(ax, -1.55, 0.25, "hang points", INK)
    arrow(ax, (-0.98, 0.25), (-0.6, 0.25), INK)
    write(ax, 2.2, -1.03, "propeller", INK)
    arrow(ax, (1.72, -1.03), (1.2, -1.03), INK)
    arrow(ax, (0, -2.6), (0, -1.2), SIZE)
    write(ax, 0, -2.85, "thrust", SIZE)
    turn(ax, (0, -0.1), 2.55, 128, 52, SIGN)
    write(ax, 2.55, 2.55, "positive yaw and\nturn rate: nose right", SIGN, ha="center")
    write(ax, -3.6, 1.35, "left", size=10)
    write(ax, 3.6, 1.35, "right", size=10)
    write(
        ax,
        0,
        -3.75,
        "heading and track count clockwise from north;\nthe wind is named by where it comes from",
        INK,
        8.5,
    )


def draw() -> Figure:
    """Return the figure."""
    figure = Figure(figsize=(13.5, 5.2), dpi=110, facecolor="white")
    FigureCanvasAgg(figure)
    for ax, part in zip(figure.subplots(1, 3), (geometry, power, above), strict=True):
        part(ax)
    figure.subplots_adjust(left=0.01, right=0.99, top=0.93, bottom=0.01, wspace=0.02)
    return figure


def main(path: Path) -> None:
    """Write the drawing; the ending of the name chooses the format."""
    with matplotlib.rc_context({"svg.hashsalt": "axes", "font.family": "DejaVu Sans"}):
        metadata = {"Date": None} if path.suffix == ".svg" else None
        draw().savefig(path, metadata=metadata)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "axes.svg")
