"""Each figure: drawn or lacking with a reason, units on its axes, the same file each time."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from flightproc.holds.model import HoldKind
from flightproc.quantity import Quantity
from flightproc.report.chapters import CHAPTERS
from flightproc.report.figures import (
    STYLE,
    Missing,
    Picture,
    decimate,
    inline_svg,
    png_bytes,
    svg_text,
)
from flightproc.report.figures.histories import merge_stretches, place_labels
from flightproc.report.figures.style import KINDS
from flightproc.report.figures.track import local_metres
from flightproc.results import Results

pytestmark = pytest.mark.synthetic

Make = Callable[[str], Results]
DRAWN = {chapter.key: chapter.draw for chapter in CHAPTERS if chapter.draw is not None}
VARIANTS = ["full", "no_rig", "no_gps", "all_unknown", "empty", "right_turning"]
UNITS = {
    "track": ["East [m]", "North [m]", "1 km", "wind 2.8 m/s", "318°"],
    "histories": ["[1/min]", "[m/s]", "[deg/s]", "[deg]", "[m]", "[min]", "too short", "pilot input"],
    "moment": ["Engine speed [1/min]", "torque reaction [N m]", "95 %"],
    "ratio": ["Advance ratio", "static torque [1]", "ratio 1", "blade model"],
    "blade": ["Angle of attack [deg]", "r / R [1]", "at rest", "by geometry alone"],
    "inflow": ("[1]", "[deg]", "[1/min]"),
    "fit": ["Hang roll [deg]", "Time [s]", "Frequency [Hz]", "Lag [s]", "Innovation [std]", "measured"],
    "calibration": ["Roll moment L, positive right side down [N m]", "Hang roll η [deg]"],
    "budget": [
        "Share of the variance [%]",
        "1/min",
        "Roll moment",
        "Residual",
        "Torque ratio",
        "air density",
    ],
    "data": ["east [m/s]", "north [m/s]"],
}


@pytest.fixture(autouse=True)
def style() -> Iterator[None]:
    import matplotlib

    with matplotlib.rc_context(STYLE):
        yield


def words(svg: str) -> str:
    """Return the text of an SVG."""
    return " ".join(re.findall(r"<t(?:ext|span)[^>]*>([^<]*)<", svg)).replace("\N{MINUS SIGN}", "-")


@pytest.mark.parametrize("key", DRAWN)
@pytest.mark.parametrize("variant", VARIANTS)
def test_drawn_or_lacking_with_a_reason(variant: str, key: str, make_results: Make) -> None:
    found = DRAWN[key](make_results(variant))
    if isinstance(found, Missing):
        assert len(found.words) > 20
        assert found.words.endswith(".")
        assert variant not in ("full", "right_turning")
    else:
        assert found.alt and found.caption
        assert "nan" not in found.alt.lower().split()
        assert not re.search(r"\bnan\b", words(svg_text(found.figure)), re.IGNORECASE)


@pytest.mark.parametrize("key", DRAWN)
def test_units_stand_on_the_axes(key: str, make_results: Make) -> None:
    found = DRAWN[key](make_results("full"))
    assert isinstance(found, Picture)
    text = words(svg_text(found.figure))
    for unit in UNITS[key]:
        assert unit in text


def texts_shown(figure: Any) -> list[Any]:
    """Return every text that is drawn, tick labels beyond the ends of their axis left out."""
    out = list(figure.texts)
    for legend in figure.legends:
        out += legend.get_texts()
    for axes in figure.axes:
        if not axes.axison:
            out += axes.texts
            continue
        out += [*axes.texts, axes.title, axes.xaxis.label, axes.yaxis.label]
        if axes.get_legend() is not None:
            out += axes.get_legend().get_texts()
        for axis, limits in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
            spots, labels = axis.get_ticklocs(), axis.get_ticklabels()
            if len(spots) == len(labels):  # labels that are switched off are not in the list
                pairs = zip(spots, labels, strict=True)
                out += [label for spot, label in pairs if min(limits) <= spot <= max(limits)]
    return [text for text in out if text.get_visible() and text.get_text()]


@pytest.mark.parametrize("key", DRAWN)
def test_nothing_is_clipped(key: str, make_results: Make) -> None:
    """Every text lies inside the figure."""
    found = DRAWN[key](make_results("full"))
    assert isinstance(found, Picture)
    found.figure.canvas.draw()
    frame = found.figure.bbox
    shown = texts_shown(found.figure)
    assert len(shown) > 10
    for text in shown:
        box = text.get_window_extent()
        assert box.x0 >= -0.5 and box.x1 <= frame.x1 + 0.5, text.get_text()
        assert box.y0 >= -0.5 and box.y1 <= frame.y1 + 0.5, text.get_text()


def test_same_file_each_time(make_results: Make) -> None:
    for key in ("moment", "histories"):
        first, second = (DRAWN[key](make_results("full")) for _ in range(2))
        assert isinstance(first, Picture) and isinstance(second, Picture)
        assert svg_text(first.figure) == svg_text(second.figure)
        assert png_bytes(first.figure).startswith(b"\x89PNG")


def test_every_dot_is_drawn(make_results: Make) -> None:
    full = make_results("full")
    assert full.trace is not None and full.trace.fit is not None
    found = DRAWN["fit"](full)
    assert isinstance(found, Picture)
    drawn = re.findall(r'<path d="([^"]*)"[^>]*stroke-linecap: round', svg_text(found.figure))
    assert max(path.count("M") for path in drawn) == full.trace.fit.time.size
    image = png_bytes(found.figure)
    found.figure.axes[1].patches[0].remove()
    assert len(image) > len(png_bytes(found.figure)) + 1000


def test_moment_is_drawn_along_the_reaction(make_results: Make) -> None:
    """A propeller turning right gives negative moments, drawn as positive magnitudes all the same."""
    alts = []
    for variant in ("full", "right_turning"):
        found = DRAWN["moment"](make_results(variant))
        assert isinstance(found, Picture)
        assert found.figure.axes[0].get_ylim()[0] == 0.0
        alts.append(found.alt)
    assert alts[0] == alts[1]


def test_calibration_without_ballast_says_so(make_results: Make) -> None:
    full = make_results("full")
    lone = tuple(hold for hold in full.holds if hold.kind is not HoldKind.BALLAST)
    found = DRAWN["calibration"](replace(full, holds=lone))
    assert isinstance(found, Picture)
    assert "ballast glides with known values" in found.caption


def test_point_without_interval_is_drawn_without_bar(make_results: Make) -> None:
    full = make_results("full")
    rows = tuple(
        replace(row, torque_ratio=Quantity.of(0.9, None), roll_moment=Quantity.of(9.0, None, "N m"))
        for row in full.comparison
    )
    for key in ("ratio", "moment"):
        assert isinstance(DRAWN[key](replace(full, comparison=rows)), Picture)


def test_many_holds_and_stretches_do_not_crowd(make_results: Make) -> None:
    full = make_results("full")
    holds = tuple(replace(full.holds[i % 17], start=20.0 + 12.0 * i, end=30.0 + 12.0 * i) for i in range(150))
    rejected = tuple(
        replace(full.rejected[i % 5], start=20.0 + 3.0 * i, end=22.0 + 3.0 * i) for i in range(400)
    )
    found = DRAWN["histories"](replace(full, holds=holds, rejected=rejected))
    assert isinstance(found, Picture)
    assert "lie too close together" in found.caption
    assert len(svg_text(found.figure)) < 3_000_000


def test_decimate_keeps_extremes_and_gaps() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(100_003.0)
    values = rng.normal(size=time.size)
    values[40_000:42_000] = np.nan
    values[77] = 50.0
    values[99_998] = -60.0
    short, thin = decimate(time, values, 2000)
    assert short.size <= 2000
    assert np.all(np.diff(short) >= 0)
    assert np.nanmax(thin) == 50.0 and np.nanmin(thin) == -60.0
    assert np.isnan(thin[(short > 40_200) & (short < 41_800)]).all()
    assert np.array_equal(decimate(time[:900], values[:900], 2000)[1], values[:900])


def test_labels_share_rows() -> None:
    rows = place_labels([0.0, 4.0, 8.0, 12.0], [7.0] * 4, 3)
    assert rows == [0, 1, 2, 0]


def test_track_across_the_date_line() -> None:
    longitude = np.radians([179.99, -179.99, np.nan])
    east, north = local_metres(np.radians([10.0, 10.0, np.nan]), longitude)
    assert np.ptp(east[:2]) == pytest.approx(
        np.radians(0.02) * 6_371_008.8 * np.cos(np.radians(10.0)), rel=1e-9
    )
    assert np.ptp(north[:2]) == 0.0


def test_inline_svg_ids_are_told_apart(make_results: Make) -> None:
    found = DRAWN["moment"](make_results("full"))
    assert isinstance(found, Picture)
    body = inline_svg(svg_text(found.figure), "x", 'say "<b>"')
    assert body.startswith('<svg role="img" aria-label="say &#34;&lt;b&gt;&#34;"')
    assert "http" not in body and "<?xml" not in body
    ids = re.findall(r'\bid="([^"]+)"', body)
    assert ids and all(name.startswith("x-") for name in ids)
    used = set(re.findall(r"url\(#([^)]+)\)", body)) | set(re.findall(r'href="#([^"]+)"', body))
    assert used <= set(ids)


def test_kinds_differ_without_colour() -> None:
    """Markers differ, and so does lightness: a grey print still tells the kinds apart."""
    looks = list(KINDS.values())
    assert len({look.marker for look in looks}) == 3
    grey = sorted(
        0.2126 * int(look.colour[1:3], 16)
        + 0.7152 * int(look.colour[3:5], 16)
        + 0.0722 * int(look.colour[5:], 16)
        for look in looks
    )
    assert min(np.diff(grey)) > 30


def test_stretches_of_one_code_are_drawn_as_one(make_results: Make) -> None:
    first = make_results("full").rejected[0]
    row = [replace(first, start=10.0 * i, end=10.0 * i + 9.0) for i in range(4)]
    other = replace(first, start=41.0, end=50.0, code="turning")
    assert merge_stretches([*reversed(row), other]) == [(0.0, 39.0, first.code), (41.0, 50.0, "turning")]


def test_shares_of_a_budget_are_drawn_side_by_side_in_growing_darkness(make_results: Make) -> None:
    found = DRAWN["budget"](make_results("full"))
    assert isinstance(found, Picture)
    panels = found.figure.axes
    assert [panel.get_title(loc="left") for panel in panels] == [
        "Roll moment",
        "Residual turning moment",
        "Torque ratio",
    ]
    for panel in panels:
        bars = [path.vertices for shown in panel.collections for path in shown.get_paths()]
        drawn = sum(float(np.ptp(bar[:, 0])) for bar in bars if np.ptp(bar[:, 1]) > 0.0)
        assert drawn == pytest.approx(4 * 100.0)  # four settings, each whole
    handles = found.figure.legends[0].get_patches()
    light = [sum(patch.get_facecolor()[:3]) for patch in handles]
    assert len(light) == 4
    assert max(np.diff(light)) < -0.3


def test_no_rig_leaves_the_ratio_out_of_the_budget(make_results: Make) -> None:
    found = DRAWN["budget"](make_results("no_rig"))
    assert isinstance(found, Picture)
    assert [panel.get_title(loc="left") for panel in found.figure.axes] == [
        "Roll moment",
        "Residual turning moment",
    ]
