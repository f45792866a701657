"""The recipes of DEVELOPERS.md, followed to the letter in a copy of the tree, do what they promise."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.regression

ROOT = Path(__file__).resolve().parents[1]
GIVEN = Path(__file__).with_name("recipes")
SAMPLE = ROOT / "sample_logs" / "school-wing-28"
COPIED = (
    "pyproject.toml",
    "flightproc",
    "docs",
    "tests/conftest.py",
    "tests/readers/conftest.py",
    "tests/readers/test_conformance.py",
    "tests/readers/test_formats_page.py",
)

WRITER = '''
def as_field_log(flight: Flight) -> bytes:
    """The flight as a field log."""
    ms = np.round(flight.time * 1e3).astype(int)
    columns = (flight.latitude, flight.longitude, flight.height, flight.north, flight.east, flight.rpm)
    rows = zip(ms, *columns, strict=True)
    return b"FIELDLOG" + struct.pack("<d", flight.utc) + b"".join(struct.pack("<I6d", *row) for row in rows)


'''

SIGNAL = '''
class Steelyard:
    """A weight slid along a beam until it is level; the signal is how far [m]."""

    def scale(self, sheet: RigSheet) -> Scale:
        """Return the scale: torque is the weight times how far it was slid."""
        weight = _needed(sheet.weight_kg, "weight_kg", sheet)
        return Scale("m", GRAVITY * weight, 0.001, "arm", 0.001, 0.001 / _UNIFORM, 0.0)

    def shown(self, reading: RigReading) -> Shown:
        """Return how far the weight was slid."""
        return Shown(reading.slid_m or 0.0, ())

    def series(self, table: Table, entry: RigSeries) -> tuple[Array, Array | None]:
        """Return nothing: nobody slides a weight ten times a second."""
        raise RigError("a steelyard has no series", where=table.path)


'''
KIND = """    "steelyard": RigKind(
        meaning="a weight slid along a beam",
        shown=("slid_m",),
        columns=(),
        units=(),
        reads="how far the weight was slid [m]",
        swing="",
        needs="weight_kg",
        measured="the weight, such as 5",
    ),
"""
READINGS = "".join(
    f"[[readings]]\nrpm = {rpm}\nslid_m = {slid}\n" for rpm, slid in ((0, 0.0), (4000, 0.2), (6000, 0.45))
)
RIG = f'kind = "steelyard"\nweight_kg = 5.0\n[air]\ndensity_kg_m3 = 1.2\n{READINGS}'


class House:
    """A copy of the tree that can be changed."""

    def __init__(self, place: Path) -> None:
        self.place = place
        for name in COPIED:
            source, target = ROOT / name, place / name
            target.parent.mkdir(parents=True, exist_ok=True)
            if source.is_dir():
                shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__", "gallery"))
            else:
                shutil.copy(source, target)

    def put(self, name: str, given: str) -> None:
        """Add a file."""
        shutil.copy(GIVEN / given, self.place / name)

    def edit(self, name: str, before: str, text: str) -> None:
        """Put text before something that stands once in a file."""
        path = self.place / name
        old = path.read_text(encoding="utf-8")
        assert old.count(before) == 1, f"{name}: {before!r}"
        path.write_text(old.replace(before, text + before), encoding="utf-8")

    def run(self, *words: str | Path) -> str:
        """Run Python in the copy; return what it prints."""
        done = subprocess.run(
            [sys.executable, *map(str, words)],
            cwd=self.place,
            env={**os.environ, "PYTHONPATH": str(self.place), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            timeout=300,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def text(self, name: str) -> str:
        return (self.place / name).read_text(encoding="utf-8")


def add_log_format(house: House) -> None:
    house.put("flightproc/readers/field_log.py", "field_log.py")
    house.edit("flightproc/readers/registry.py", "from .content import", "from . import field_log\n")
    house.edit(
        "flightproc/readers/registry.py", "    cast(Reader, delimited),\n", "    cast(Reader, field_log),\n"
    )
    house.edit(
        "tests/readers/conftest.py",
        '        "WAV": as_wav(flight),\n',
        '        "Field log": as_field_log(flight),\n',
    )
    house.edit("tests/readers/conftest.py", "def make_samples(", WRITER.lstrip())
    (house.place / "docs/formats/field-log.md").write_text("# Field log\n\nSix channels.\n")
    house.edit("docs/formats/README.md", "| [WAV](wav.md)", "| [Field log](field-log.md) | nothing | rpm |\n")


def add_channel(house: House) -> None:
    house.edit(
        "flightproc/channels.py",
        '    Channel("temperature", "K",',
        '    Channel("exhaust_temperature", "K", "exhaust gas temperature", 200.0, 1500.0),\n',
    )


def add_sheet_field(house: House) -> None:
    house.edit(
        "flightproc/sheets/glider.py",
        "    flat_area_m2: Annotated[",
        "    serial: Annotated[\n"
        '        str, Field("number on the sewn-in label", kind="text", high=40, example="007")\n'
        '    ] = ""\n',
    )


def add_rig_kind(house: House) -> None:
    house.edit("flightproc/sheets/rig_kinds.py", '    "torque_transducer": RigKind(', KIND)
    house.edit(
        "flightproc/sheets/rig.py",
        "    arm_std_m: Annotated[",
        "    weight_kg: Annotated[\n"
        '        float | None, Field("steelyard: the weight", "kg", 0.1, 50, example=5.0)\n'
        "    ] = None\n",
    )
    house.edit(
        "flightproc/sheets/rig.py",
        "    torque_N_m: Annotated[",
        "    slid_m: Annotated[\n"
        '        float | None, _shown("steelyard: how far the weight was slid", "m", 3, "ruler", 0.3)\n'
        "    ] = None\n",
    )
    house.edit("flightproc/rig/signals.py", "def _needed(", SIGNAL.lstrip())
    house.edit("flightproc/rig/signals.py", '    "two_point": TwoPoint(),', '    "steelyard": Steelyard(),\n')


def add_chapter(house: House) -> None:
    house.put("flightproc/report/templates/arrow.html", "wind_chapter.html")
    house.put("flightproc/report/figures/arrow.py", "wind_chapter.py")
    house.edit("flightproc/report/chapters.py", "    Missing,\n", "    arrow,\n")
    house.edit(
        "flightproc/report/chapters.py",
        '    Chapter("holds",',
        '    Chapter("arrow", "The wind as an arrow", arrow.draw),\n',
    )


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """A copy in which every recipe was followed, its made pages made anew."""
    made = House(tmp_path_factory.mktemp("house"))
    for recipe in (add_log_format, add_channel, add_sheet_field, add_rig_kind, add_chapter):
        recipe(made)
    made.run("docs/make_docs.py")
    return made


def test_a_new_log_format_passes_the_conformance_suite_and_is_read(house: House) -> None:
    chosen = "(Field or brings_a_sample or one_reader or agrees or page) and not flipped"
    house.run("-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", chosen, "tests")
    made = house.run(
        "-c",
        "import runpy; m = runpy.run_path('tests/readers/conftest.py');"
        "open('flight.log', 'wb').write(m['make_samples'](m['make_flight']())['Field log'])",
    )
    assert made == ""
    shown = house.run("-m", "flightproc", "logs", "--json", "flight.log")
    assert '"Field log"' in shown and '"velocity_north"' in shown


def test_a_new_channel_stands_in_the_table_and_can_be_read(house: House) -> None:
    assert "`exhaust_temperature`" in house.text("docs/conventions.md")
    (house.place / "egt.csv").write_text("t,egt\n" + "".join(f"{i},{500 + i}\n" for i in range(5)))
    columns = {
        "time": {"column": "t", "unit": "s"},
        "exhaust_temperature": {"column": "egt", "unit": "degC"},
    }
    read = f"from flightproc import read_log; log = read_log('egt.csv', {columns}); "
    read += "print(log.get('exhaust_temperature').values[0])"
    assert float(house.run("-c", read)) == pytest.approx(773.15)


def test_a_new_sheet_field_stands_on_the_page_and_in_the_template(house: House) -> None:
    assert "`serial`" in house.text("docs/sheets.md")
    house.run("-m", "flightproc", "new", "frame")
    assert "serial" in house.text("frame/glider.toml")


def test_a_new_rig_kind_is_asked_for_and_reduced(house: House) -> None:
    assert "steelyard, a weight slid along a beam" in house.text("docs/sheets.md")
    house.run("-m", "flightproc", "new", "day", "--rig", "--kind", "steelyard")
    assert re.search(r'weight_kg = "FILL IN".*\n', house.text("day/rig.toml"))
    (house.place / "rig.toml").write_text(RIG)
    shown = json.loads(house.run("-m", "flightproc", "rig", "rig.toml", "--json"))
    torques = [point["torque_N_m"]["value"] for point in shown["days"][0]["points"]]
    assert torques == pytest.approx([9.80665 * 5.0 * 0.2, 9.80665 * 5.0 * 0.45])


def test_a_new_chapter_stands_in_the_report(house: House) -> None:
    house.run("-m", "flightproc", "report", SAMPLE / "sortie.toml", "-o", "report", "-q")
    page = house.text("report/report.html")
    assert '<section id="arrow"' in page and "Wind of this flight:" in page
    assert '<figure id="figure-arrow">' in page
    assert (house.place / "report" / "figures" / "arrow.svg").exists()
