"""What a user of the library meets: names with examples, short reprs as text and HTML, tables."""

from __future__ import annotations

import dataclasses
import html
import inspect
import subprocess
import sys
from collections.abc import Iterator, Mapping
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import flightproc as fp
from flightproc.display import Card, brief, displayed
from flightproc.frames import frame_of

pytestmark = pytest.mark.synthetic

ROOT = Path(__file__).parents[1]
SORTIE = ROOT / "sample_logs" / "school-wing-28" / "sortie.toml"
ROOMS = (
    *("readers", "sheets", "sortie", "rig", "holds", "propeller", "moment", "results", "compare"),
    *("decide", "report", "logbook", "simulate", "web"),
)
MOST_CHARACTERS, MOST_LINES, WIDEST = 1200, 13, 220
PLAIN = {"float", "int", "str", "bool", "None", "Path", "HoldKind", "NetworkSettings", "Limits"}


def public_things() -> Iterator[tuple[str, Any]]:
    """Yield every public class and function once, by the name it goes under."""
    seen: set[int] = set()
    for module in (fp, *(import_module(f"flightproc.{room}") for room in ROOMS)):
        for name in module.__all__:
            thing = getattr(module, name)
            if (inspect.isclass(thing) or inspect.isfunction(thing)) and id(thing) not in seen:
                seen.add(id(thing))
                yield f"{module.__name__}.{name}", thing


@pytest.fixture(scope="module")
def results() -> fp.Results:
    return fp.analyse(SORTIE)


def test_every_public_name_has_an_example() -> None:
    lacking = [name for name, thing in public_things() if ">>> " not in (inspect.getdoc(thing) or "")]
    assert lacking == []


def test_every_public_name_is_had_by_its_stage_and_listed() -> None:
    space: dict[str, Any] = {}
    exec("from flightproc import *", space)
    assert set(fp.__all__) <= set(space) and set(fp.__all__) <= set(dir(fp))
    assert len(set(fp.__all__)) == len(fp.__all__)


def test_import_brings_nothing_heavy() -> None:
    code = "import sys, flightproc; print([n for n in ('numpy', 'pandas', 'scipy') if n in sys.modules])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert said.stdout.strip() == "[]"


def test_types_are_shipped() -> None:
    assert (Path(fp.__file__).parent / "py.typed").is_file()


# Reprs ----------------------------------------------------------------------------------------------------


def _own_repr(kind: type) -> bool:
    """Return whether a class, or one it inherits from, says itself how it is shown."""
    return any(
        "__repr__" in vars(base)
        and not vars(base)["__repr__"].__qualname__.startswith(f"{base.__name__}.__create")
        and "<locals>" not in vars(base)["__repr__"].__qualname__
        for base in kind.__mro__[:-1]
    )


def test_no_public_dataclass_spreads_arrays_or_lists_over_the_screen() -> None:
    spreading = []
    for name, kind in public_things():
        if not (inspect.isclass(kind) and dataclasses.is_dataclass(kind)) or name.startswith(
            "flightproc.web"
        ):
            continue
        words = {w for f in dataclasses.fields(kind) for w in str(f.type).replace("|", " ").split()}
        if not words <= PLAIN and not _own_repr(kind):
            spreading.append(f"{name}: {sorted(words - PLAIN)}")
    assert spreading == []


def walk(thing: Any, seen: dict[int, Any]) -> None:
    """Collect every dataclass that can be reached from an object."""
    if id(thing) in seen or isinstance(thing, (str, bytes, float, int, np.ndarray, pd.DataFrame)):
        return
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        seen[id(thing)] = thing
        for field in dataclasses.fields(thing):
            walk(getattr(thing, field.name), seen)
    elif isinstance(thing, Mapping):
        for value in thing.values():
            walk(value, seen)
    elif isinstance(thing, (tuple, list)):
        for value in thing:
            walk(value, seen)


@pytest.fixture(scope="module")
def everything(results: fp.Results) -> list[Any]:
    """All that an analysis of the sample is made of, and what a balance and a comparison add."""
    sheets = fp.load_sortie(SORTIE)
    flown = fp.flown_from_results(results.to_json())
    blade = fp.calibrate_blade(fp.blade_from_sheet(sheets.aircraft), results.rig, gear_ratio=2.8)  # type: ignore[arg-type]
    found: dict[int, Any] = {}
    roots = [results, sheets, flown, blade, fp.balance_frame(flown), fp.compare_days([results.rig] * 2)]  # type: ignore[list-item]
    for root in roots:
        walk(root, found)
    return list(found.values())


def test_every_object_shows_itself_in_a_few_lines(everything: list[Any]) -> None:
    kinds = {type(thing).__name__ for thing in everything}
    assert {
        "Results",
        "Sortie",
        "Recording",
        "RigCurve",
        "Hold",
        "Quantity",
        "CalibratedBlade",
        "Balance",
    } - kinds == {"Hold"}
    for thing in everything:
        text = repr(thing)
        lines = text.splitlines()
        assert len(text) <= MOST_CHARACTERS and len(lines) <= MOST_LINES, f"{type(thing).__name__}: {text}"
        assert max(map(len, lines)) <= WIDEST


class Tags(HTMLParser):
    """Counts opened and closed tags, and keeps the text."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in ("script", "img", "link", "iframe")
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_every_object_shows_itself_as_a_small_table(everything: list[Any]) -> None:
    shown = [thing for thing in everything if hasattr(thing, "_repr_html_")]
    assert len({type(thing) for thing in shown}) > 30
    for thing in shown:
        page = thing._repr_html_()
        assert len(page) < 40_000, type(thing).__name__
        tags = Tags()
        tags.feed(page)
        assert tags.open == [] and type(thing).__name__ in "".join(tags.words)


def test_what_stands_in_a_table_is_escaped() -> None:
    recording = fp.Recording("<b>a&b<i>.csv", "CSV", "0" * 64, 10, None, {})
    page = recording._repr_html_()  # type: ignore[attr-defined]
    assert "<b>a" not in page and html.escape("<b>a&b<i>") in page


def test_text_and_table_are_made_of_one_card() -> None:
    @displayed
    @dataclasses.dataclass(frozen=True)
    class Thing:
        rows: int

        def _card(self) -> Card:
            return Card("a thing", (("colour", "green"),), ("n",), tuple((f"{k}",) for k in range(self.rows)))

    assert repr(Thing(2)).splitlines() == ["Thing: a thing", "  colour  green", "  n", "  0", "  1"]
    assert repr(Thing(100)).splitlines()[-1].strip() == "… 93 more"
    assert Thing(100)._repr_html_().count("<tr") == 1 + 1 + 40  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (None, "None"),
        (float("nan"), "nan"),
        ("x" * 100, "'" + "x" * 58 + "…"),
        (np.array([1.0, np.nan, 3.0] * 5), "array of 15: 1 to 3, 5 missing"),
        (np.zeros((3, 4)), "array of 3 × 4: 0 to 0"),
        (np.full(9, np.nan), "array of 9, 9 missing"),
        (np.array(["a", "b"]), "array of 2"),
        (np.zeros(0), "[]"),
        (pd.DataFrame({"a": [1, 2]}), "table of 2 rows, 1 columns"),
        ([1, 2, 3, 4, 5], "5 × int"),
        ({f"k{i}": () for i in range(9)}, "{k0, k1, k2, k3, k4, k5, … 3 more}"),
        (len, "len"),
        (b"abc", "3 bytes"),
    ],
)
def test_any_value_is_told_in_a_few_characters(value: object, told: str) -> None:
    assert brief(value) == told


def test_a_quantity_shows_value_unit_and_interval() -> None:
    assert repr(fp.Quantity.of(26.83, 1.27, "N m")) == "Quantity(26.8 ± 1.3 N m, 95 %: 24.3 to 29.3)"
    assert repr(fp.Quantity.unknown("deg", "no bank")) == "Quantity(unknown (no bank))"
    assert repr(fp.Quantity.of(2.0, None, "m")) == "Quantity(2.00 m)"


# Tables ---------------------------------------------------------------------------------------------------


def test_results_give_a_row_for_each_hold_in_si(results: fp.Results) -> None:
    frame = results.frame()
    assert frame.index.name == "hold" and len(frame) == len(results.holds)
    for number, hold in enumerate(results.holds):
        assert frame.loc[number, "kind"] == hold.kind.value
        for name in ("turn_rate", "roll_moment", "rpm"):
            quantity = getattr(hold, name)
            parts = (quantity.value, quantity.std, quantity.low95, quantity.high95)
            row = frame.loc[number, [name, f"{name}_std", f"{name}_low95", f"{name}_high95"]]
            np.testing.assert_array_equal(row.to_numpy(dtype=float), np.array(parts, dtype=float))
    assert frame.attrs["units"]["turn_rate"] == "rad/s" and frame.attrs["units"]["start"] == "s"
    # the same figures as in holds.csv, which is in degrees
    told = results.holds_table()
    np.testing.assert_allclose(np.degrees(frame["turn_rate"]), told["turn_rate_deg_s"], rtol=1e-12)


def test_results_give_settings_and_budget(results: fp.Results) -> None:
    settings = results.frame("comparison")
    assert settings["torque_ratio"].tolist() == [row.torque_ratio.value for row in results.comparison]
    budget = results.frame("budget")
    share = budget.groupby(["result", "rpm"])["share"].sum()
    np.testing.assert_allclose(share, 1.0, atol=1e-9)
    with pytest.raises(ValueError, match="there is no table 'nonsense'"):
        results.frame("nonsense")


def test_holds_and_what_was_turned_down_as_tables(results: fp.Results) -> None:
    search = fp.HoldSearch((fp.Hold(0.0, 30.0, fp.HoldKind.POWER, True, 5000.0),), results.rejected, 12.0)
    assert search.frame().loc[0, "kind"] == "power"
    rejected = search.frame(rejected=True)
    assert rejected["code"].tolist() == [item.code for item in results.rejected]


def test_the_rig_as_a_table(results: fp.Results) -> None:
    rig = results.rig
    assert rig is not None
    readings = rig.frame()
    assert readings["torque"].tolist() == [point.torque.value for point in rig.points]
    curve = rig.frame(np.array([5000.0, 6000.0]), density=1.1)
    torque, std = rig.torque(np.array([5000.0, 6000.0]), 1.1)
    np.testing.assert_array_equal(curve["torque"], torque)
    np.testing.assert_array_equal(curve["torque_std"], std)


def test_a_stretch_of_the_sortie_is_a_copy(results: fp.Results) -> None:
    sortie = results.sortie
    part = sortie.frame(100.0, 160.0)
    assert part.index[0] >= 100.0 and part.index[-1] <= 160.0
    part["airspeed"] = 0.0
    assert (sortie.frame(100.0, 160.0)["airspeed"] != 0.0).any()
    assert set(part.attrs["units"]) == set(part.columns)


def test_unknown_is_nan_in_a_table() -> None:
    row = fp.ComparisonRow(*([fp.Quantity.unknown("N", "no reason")] * 9), holds=())
    frame = frame_of([row], index="row")
    assert frame.isna().all(axis=None) and frame.attrs["units"]["roll_moment_std"] == "N"


def test_no_rows_make_an_empty_table() -> None:
    assert len(frame_of([], index="row")) == 0


def test_a_figure_shows_itself_in_a_notebook(results: fp.Results) -> None:
    page = fp.draw_figure(results, "moment")._repr_html_()
    assert "<svg" in page and "figcaption" in page
    with pytest.raises(fp.OutputError, match="no such figure"):
        fp.draw_figure(results, "nonsense")
