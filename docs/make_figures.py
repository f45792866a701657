"""Draw the figures of README and docs from the sample sortie: ``python docs/make_figures.py``."""

from __future__ import annotations

from pathlib import Path

import matplotlib

import flightproc as fp
from flightproc.report.figures import moment
from flightproc.report.figures.style import STYLE, Picture, png_bytes

HERE = Path(__file__).parent
SAMPLE = HERE.parent / "sample_logs" / "school-wing-28" / "sortie.toml"


def main() -> None:
    """Write docs/figures/moment.png."""
    folder = HERE / "figures"
    folder.mkdir(exist_ok=True)
    results = fp.analyse(SAMPLE)
    with matplotlib.rc_context(STYLE):
        drawn = moment.draw(results)
        assert isinstance(drawn, Picture)
        (folder / "moment.png").write_bytes(png_bytes(drawn.figure))


if __name__ == "__main__":
    main()
