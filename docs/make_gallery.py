"""Draw every figure of the program for the gallery: ``python docs/make_gallery.py``.

The bundled sortie and the seeded data of the tutorials are put through the commands that a user would type.
The figures they write are kept in docs/gallery, as SVG where that is small and as PNG of few colours else.
The page is made from docs/gallery/figures.toml; a test holds it against the page, and against the program.
"""

from __future__ import annotations

import io
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
FOLDER = HERE / "gallery"
LARGEST_SVG = 60_000
"""Bytes from which a drawing is kept as PNG."""

HEAD = """# Gallery

Every figure that the program draws, what draws it, and what to read from it. `python docs/make_gallery.py`
makes them from the bundled sortie and from seeded simulations: frames, wings and fields are invented.
Intervals are 95 % unless the figure says otherwise.
"""


def entries() -> dict[str, Any]:
    """Return the list of the gallery: chapters with their figures."""
    return tomllib.loads((FOLDER / "figures.toml").read_text(encoding="utf-8"))


def gallery_page() -> str:
    """Return the page of the gallery, Markdown."""
    lines = [HEAD]
    for chapter in entries()["chapters"]:
        name = chapter["name"]
        lines += [f"## {chapter['title']}", ""]
        lines += [f"Drawn by `flightproc {name}` ([options](../commands.md#{name})).", ""]
        for figure in chapter["figures"]:
            lines += [f"### {figure['title']}", "", f"![{figure['title']}]({file_of(figure['key'])})", ""]
            lines += [figure["read"].strip(), ""]
    return "\n".join(lines).rstrip() + "\n"


def file_of(key: str) -> str:
    """Return the name of a figure's file in the gallery."""
    names = (f"{key}.svg", f"{key}.png")
    return next((name for name in names if (FOLDER / name).is_file()), names[0])


def small_png(data: bytes) -> bytes:
    """Return a PNG with 128 colours, which figures do not fill, and no wider than a page needs."""
    from PIL import Image

    picture = Image.open(io.BytesIO(data)).convert("RGB")
    if picture.width > 1500:
        picture = picture.resize(
            (1500, round(picture.height * 1500 / picture.width)), Image.Resampling.LANCZOS
        )
    made = io.BytesIO()
    picture.quantize(128, method=Image.Quantize.MEDIANCUT).save(made, "PNG", optimize=True)
    return made.getvalue()


def write_logged_day(folder: Path) -> None:
    """Write a rig day whose scales were logged while the rig swings, with the tutorial's frame B."""
    folder.mkdir(exist_ok=True)
    rng = np.random.default_rng(28)
    head = Path("tutorial/rig-day/may.toml").read_text(encoding="utf-8")
    head = head[head.index("date") : head.index("readings = [")].replace("2026-05-09", "2026-06-13")
    tables = ['name = "frame B, June, scales logged"', head.rstrip(), ""]
    time = np.arange(0.0, 30.0, 0.1)
    settings = {0: 0.0, 4300: 3.75, 5000: 5.0, 5800: 6.6, 6600: 8.5, 7400: 10.8}
    for number, (rpm, shift) in enumerate(settings.items()):
        swing = 0.8 * np.sin(2.0 * np.pi * time / 2.1 + rng.uniform(0.0, 6.0)) * np.exp(-time / 40.0)
        noise = rng.normal(0.0, 0.08, (2, time.size))
        left, right = 59.0 - shift + swing + noise[0], 59.1 + shift - swing + noise[1]
        rows = [f"{t:.1f},{a:.2f},{b:.2f}" for t, a, b in zip(time, left, right, strict=True)]
        name = f"scales-{number}.csv"
        (folder / name).write_text(
            "\n".join(["Time (s),Left (kg),Right (kg)", *rows]) + "\n", encoding="utf-8"
        )
        tables += ["[[series]]", f'file = "{name}"', f"rpm = {rpm}"]
        tables += ['left_column = "Left (kg)"', 'right_column = "Right (kg)"', ""]
    tables += ["[air]", "pressure_hPa = 990", "temperature_C = 21", ""]
    (folder / "logged.toml").write_text("\n".join(tables), encoding="utf-8")


def write_evening() -> None:
    """Write a second sortie of the sample's frame, which takes the rig of the first."""
    folder = Path("tutorial/wing24")
    text = re.sub(r"^rig = .*\n", "", (folder / "sortie.toml").read_text(encoding="utf-8"), flags=re.M)
    (folder / "evening.toml").write_text(text, encoding="utf-8")


def main() -> None:
    """Draw the figures and write the page."""
    sys.path.insert(0, str(HERE))
    from tutorial_parts.engine import workshop

    listed = entries()
    commands = [chapter["command"] for chapter in listed["chapters"]]
    with workshop() as bench:
        write_logged_day(Path("gallery"))
        write_evening()
        for command in (commands[0], *listed["before"], *commands[1:]):
            bench.run(" ".join(command.split()))
        made = {}
        for figure in (figure for chapter in listed["chapters"] for figure in chapter["figures"]):
            svg, png = Path(f"{figure['source']}.svg"), Path(f"{figure['source']}.png")
            if svg.is_file() and svg.stat().st_size <= LARGEST_SVG:
                made[f"{figure['key']}.svg"] = svg.read_bytes()
            else:
                made[f"{figure['key']}.png"] = small_png(png.read_bytes())
    for old in (*FOLDER.glob("*.svg"), *FOLDER.glob("*.png")):
        old.unlink()
    for name, data in made.items():
        (FOLDER / name).write_bytes(data)
    (FOLDER / "README.md").write_text(gallery_page(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
