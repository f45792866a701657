"""Figures written straight to SVG, held against the same figure functions drawn with matplotlib."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from typing import Any

import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.text import Annotation
from matplotlib.textpath import TextToPath
from matplotlib.ticker import MaxNLocator

from flightproc.report.chapters import CHAPTERS
from flightproc.report.figures import STYLE, Picture, drawn_as_svg, svg_text
from flightproc.report.figures.svg_figure import Grid, SvgFigure
from flightproc.report.figures.svg_marks import line_path, round_ticks, text_width
from flightproc.results import Results

pytestmark = pytest.mark.reference

Make = Callable[[str], Results]
DRAWN = {chapter.key: chapter.draw for chapter in CHAPTERS if chapter.draw is not None}
CASES = [(key, "full") for key in DRAWN] + [
    ("histories", "no_gps"),
    ("ratio", "right_turning"),
    ("moment", "no_rig"),
]


@pytest.fixture(autouse=True)
def style() -> Iterator[None]:
    with matplotlib.rc_context(STYLE):
        yield


def both(results: Results, key: str) -> tuple[SvgFigure, Any]:
    """Return a figure as the report draws it, written once, and by matplotlib, drawn once."""
    ours, figure = written(results, key)
    theirs = DRAWN[key](results)
    assert isinstance(theirs, Picture)
    assert (ours.alt, ours.caption) == (theirs.alt, theirs.caption)
    theirs.figure.canvas.draw()
    return figure, theirs.figure


def written(results: Results, key: str) -> tuple[Picture, SvgFigure]:
    """Return a figure as the report draws it, written once."""
    with drawn_as_svg():
        ours = DRAWN[key](results)
    assert isinstance(ours, Picture)
    figure: Any = ours.figure
    assert isinstance(figure, SvgFigure)
    ElementTree.fromstring(figure.svg())
    return ours, figure


def ticks_of(axis: Any, limits: tuple[float, float]) -> tuple[list[float], list[str]]:
    low, high = sorted(limits)
    slack = 1e-9 * (high - low)
    pairs = zip(
        axis.get_ticklocs(), axis.get_major_formatter().format_ticks(axis.get_ticklocs()), strict=True
    )
    kept = [(float(at), word) for at, word in pairs if low - slack <= at <= high + slack]
    return [at for at, _ in kept], [word for _, word in kept]


def words_of(figure: Any) -> set[str]:
    """Return the texts that matplotlib shows, without those at ticks."""
    out = {text.get_text() for text in figure.texts}
    for legend in [*figure.legends, *(a.get_legend() for a in figure.axes if a.get_legend() is not None)]:
        out |= {text.get_text() for text in legend.get_texts()}
    renderer = figure.canvas.get_renderer()
    for axes in figure.axes:
        shown = [text for text in axes.texts if not isinstance(text, Annotation) or text._check_xy(renderer)]
        labels = [*shown, axes.title, axes._left_title]
        labels += [axes.xaxis.label, axes.yaxis.label] if axes.axison else []
        out |= {text.get_text() for text in labels}
    return out - {""}


@pytest.mark.parametrize(("key", "variant"), CASES)
def test_limits_ticks_and_words_are_those_of_matplotlib(key: str, variant: str, make_results: Make) -> None:
    ours, theirs = both(make_results(variant), key)
    assert len(ours.axes) == len(theirs.axes)
    for mine, other in zip(ours.axes, theirs.axes, strict=True):
        assert mine.get_xlim() == pytest.approx(other.get_xlim(), rel=1e-9, abs=1e-12)
        assert mine.get_ylim() == pytest.approx(other.get_ylim(), rel=1e-9, abs=1e-12)
        place = other.get_position().bounds * np.array([ours.width, ours.height] * 2)
        assert mine.box == pytest.approx(place, abs=0.01)
        if not other.axison:
            continue
        for axis, their_axis, limits in (
            (mine.xaxis, other.xaxis, other.get_xlim()),
            (mine.yaxis, other.yaxis, other.get_ylim()),
        ):
            ticks, words = axis.marked()
            expected, named = ticks_of(their_axis, limits)
            assert ticks == pytest.approx(expected, rel=1e-9, abs=1e-12)
            assert words == named
    assert words_of(theirs) <= {words for words, _ in ours.texts}


@pytest.mark.parametrize(("key", "variant"), CASES)
def test_every_text_lies_inside_the_figure(key: str, variant: str, make_results: Make) -> None:
    _, ours = written(make_results(variant), key)
    assert len(ours.texts) > 10
    for words, (left, top, right, bottom) in ours.texts:
        assert left >= -0.5 and right <= ours.width + 0.5, words
        assert top >= -0.5 and bottom <= ours.height + 0.5, words


_PLACED = re.compile(
    r'<text[^>]*?(?: x="([-\d.]+)" y="([-\d.]+)"|translate\(([-\d.]+) ([-\d.]+)\))[^>]*>([^<]+)<'
)


def starts_of(svg: str) -> dict[str, tuple[float, float]]:
    """Return where each text that is held by its left end begins."""
    found = _PLACED.finditer(re.sub(r"<text[^>]*text-anchor[:=]\W*(?:middle|end)[^>]*>[^<]*", "", svg))
    return {m[5]: (float(m[1] or m[3]), float(m[2] or m[4])) for m in found}


@pytest.mark.parametrize("key", ["moment", "fit", "inflow", "budget", "histories", "data"])
def test_legends_stand_where_matplotlib_puts_them(key: str, make_results: Make) -> None:
    ours, theirs = both(make_results("full"), key)
    mine, expected = starts_of(ours.svg()), starts_of(svg_text(theirs))
    legends = [*theirs.legends, *(axes.get_legend() for axes in theirs.axes if axes.get_legend() is not None)]
    labels = [text.get_text() for legend in legends for text in legend.get_texts()]
    assert labels
    for label in labels:
        assert mine[label] == pytest.approx(expected[label], abs=1.5), label


def test_widths_of_text_are_those_of_the_typeface() -> None:
    font = FontProperties(family="DejaVu Sans", size=100.0)
    words = [
        "Engine speed [1/min]",
        "26.8 ± 1.3 N m (95 %)",
        "η = η₀ + L / K",
        "wind 2.8 m/s from 318°",
        "−0.25",
    ]
    words += ["its mass and arm, ballast", "QJXZ#@&+~^_|", "kg/m³"]
    for text in words:
        width, _, _ = TextToPath().get_text_width_height_descent(text, font, ismath=False)
        assert text_width(text, 100.0) == pytest.approx(width, rel=0.02)


def test_round_ticks_are_those_of_matplotlib() -> None:
    rng = np.random.default_rng(5)
    for _ in range(400):
        low = float(rng.normal() * 10.0 ** rng.integers(-2, 4))
        high = low + float(abs(rng.normal()) * 10.0 ** rng.integers(-2, 4)) + 1e-3
        most = int(rng.integers(4, 15))
        expected = MaxNLocator(most, steps=[1, 2, 5, 10]).tick_values(low, high)
        expected = [x for x in expected if low <= x <= high]
        assert round_ticks(low, high, most)[0] == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_cells_are_those_of_matplotlib() -> None:
    figure = Figure(figsize=(9.0, 5.0))
    FigureCanvasAgg(figure)
    given = {"left": 0.08, "right": 0.97, "top": 0.9, "bottom": 0.12, "wspace": 0.3, "hspace": 0.4}
    ratios = {"height_ratios": [1.0, 2.5], "width_ratios": [1.0, 0.5, 2.0]}
    theirs, ours = figure.add_gridspec(2, 3, **given, **ratios), Grid(2, 3, **given, **ratios)
    for place in ((0, 0), (1, 2), (0, slice(None)), (1, slice(1, 3))):
        assert ours[place] == pytest.approx(theirs[place].get_position(figure).bounds, abs=1e-12)


def test_a_gap_breaks_a_line() -> None:
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    y = np.array([0.0, 1.0, np.nan, 3.0, 4.0])
    assert line_path(x, y) == "M0.00 0.00L1.00 1.00M3.00 3.00L4.00 4.00"
    assert line_path(x[1:3], y[1:3]) == ""
