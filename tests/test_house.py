"""The plan of the house: who may import whom, how long a module may be, what is public."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import flightproc

pytestmark = pytest.mark.regression

PACKAGE = Path(flightproc.__file__).parent
ROOT = Path(__file__).parents[1]

FLOORS = (
    ("errors", "channels", "cautions", "display", "json_read", "threads", "whole"),
    ("quantity",),
    ("frames",),
    ("readers", "sheets"),
    ("statistics",),
    ("sortie", "rig"),
    ("holds", "propeller"),
    ("moment",),
    ("results",),
    ("compare",),
    ("from_sheets",),
    ("analysis", "decide"),
    ("together",),
    ("report", "logbook"),
    ("batch",),
    ("web",),
    ("cli",),
    ("__main__", "__init__"),
)
"""Lowest floor first; a room imports only rooms below it, or its own."""

SAME_FLOOR = {("sheets", "readers")}
"""Pairs on one floor that may meet: sheets hold a CSV column's unit against the readers' unit table."""

OUTSIDE = "simulate"
"""Truth for tests: sees the lowest floor only, and only faces see it."""


def rooms() -> dict[str, int]:
    return {room: level for level, floor in enumerate(FLOORS) for room in floor}


def imports(path: Path) -> set[str]:
    """Return the rooms of the package that a module imports, wherever in the module it does."""
    parts = path.relative_to(PACKAGE).parts
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom):
            if node.level:
                base = list(parts[: len(parts) - node.level])
                target = base + (node.module.split(".") if node.module else [])
                names = [target] if target else [[alias.name] for alias in node.names]
                found |= {name[0] for name in names}
            elif node.module and node.module.split(".")[0] == "flightproc":
                found.add(node.module.split(".")[1] if "." in node.module else "__init__")
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.startswith("flightproc."):
                    found.add(alias.name.split(".")[1])
    return found


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_rooms_below_it(path: Path) -> None:
    first = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    levels = rooms()
    if first == OUTSIDE:
        assert imports(path) <= {OUTSIDE, "errors", "channels"}
        return
    assert first in levels, f"{first} has no floor: add it to FLOORS"
    for other in imports(path) - {first}:
        if other == OUTSIDE:
            assert first in ("cli", "__init__"), f"{path.name} imports the simulator"
            continue
        if other == "__version__":
            continue
        allowed = levels[other] < levels[first] or (first, other) in SAME_FLOOR or other == "__init__"
        assert allowed, f"{path.relative_to(PACKAGE)} imports {other}, which lies above or beside it"


def test_every_floor_is_there_and_every_room_has_one() -> None:
    there = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in modules()}
    assert there == {*rooms(), OUTSIDE}


def scripts() -> list[Path]:
    return sorted(path for folder in ("docs", "tests") for path in (ROOT / folder).rglob("*.py"))


def test_no_module_is_longer_than_six_hundred_lines() -> None:
    lengths = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for path in (*modules(), *scripts())
    }
    assert not {name: count for name, count in lengths.items() if count > 600}


def private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__")


def borrowed(path: Path) -> list[str]:
    """Return the private names that a module takes from another, by import or by attribute."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found, known = [], set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            ours = bool(node.level) or (node.module or "").split(".")[0] == "flightproc"
            names = {alias.name: alias.asname or alias.name for alias in node.names}
            found += [name for name in names if private(name) and ours]
            known |= set(names.values()) if ours else set()
        elif isinstance(node, ast.Import):
            known |= {alias.asname for alias in node.names if alias.asname and "flightproc" in alias.name}
    found += [
        f"{node.value.id}.{node.attr}"
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id in known
        and private(node.attr)
    ]
    return found


def test_no_private_name_crosses_a_module() -> None:
    taken = {str(path.relative_to(PACKAGE)): names for path in modules() if (names := borrowed(path))}
    assert not taken


FACES = ("cli", "web", "report", "batch", "logbook")
"""Rooms that show, keep or hand on what others worked out."""

NUMERICS = ("scipy", "numpy.linalg", "numpy.fft")
"""What is needed to work something out, and not to show it."""


def test_no_face_computes() -> None:
    for path in modules():
        if path.relative_to(PACKAGE).parts[0] not in FACES:
            continue
        text = path.read_text(encoding="utf-8")
        taken = {
            name
            for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.Import | ast.ImportFrom)
            for name in (
                [node.module or ""] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names]
            )
        }
        wrong = {name for name in taken if name.startswith(NUMERICS)}
        wrong |= set(re.findall(r"np\.(?:linalg\.(?:solve|lstsq|inv)|fft|polyfit)\b", text))
        wrong |= set(re.findall(r"9\.80665|287\.05", text))
        assert not wrong, f"{path.relative_to(PACKAGE)} works something out: {sorted(wrong)}"


def test_public_names_are_those_promised_and_all_can_be_had() -> None:
    homes = {name for names in flightproc._HOMES.values() for name in names}
    assert set(flightproc.__all__) == homes
    for name in flightproc.__all__:
        assert getattr(flightproc, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = flightproc.nonsense


def test_the_version_is_that_of_the_distribution() -> None:
    from importlib.metadata import version

    assert flightproc.__version__ == version("flightproc")
