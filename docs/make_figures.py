"""Draw the figures of README and docs from the sample sortie: ``python docs/make_figures.py``."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

import matplotlib
import numpy as np

import flightproc as fp
from flightproc.report.figures import moment
from flightproc.report.figures.style import MUTED, PREDICTION, STYLE, Picture, new_figure, png_bytes

HERE = Path(__file__).parent
SAMPLE = HERE.parent / "sample_logs" / "school-wing-28" / "sortie.toml"


def wind_tunnel(folder: Path) -> None:
    """Write wind-tunnel.png: C_P ratio of ten propellers, measured and predicted, where the data are."""
    data = Path(os.environ.get("FLIGHTPROC_DATA", HERE.parents[1] / "shared" / "data")) / "uiuc"
    if not data.is_dir():
        print(f"no wind-tunnel data in {data}: wind-tunnel.png is left as it is")
        return
    place = HERE.parent / "tests" / "benchmarks" / "wind_tunnel.py"
    spec = importlib.util.spec_from_file_location("wind_tunnel", place)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    outcomes = [module.predict(p) for p in module.load_propellers(data)]
    figure = new_figure(4.6)
    grid = figure.add_gridspec(2, 5, left=0.06, right=0.99, top=0.88, bottom=0.115, wspace=0.08, hspace=0.25)
    first = None
    for number, found in enumerate(outcomes):
        axes = figure.add_subplot(grid[number // 5, number % 5], sharex=first, sharey=first)
        first = first or axes
        axes.axhline(1.0, color=MUTED, lw=0.8)
        for which, colour, name in (("cp", PREDICTION, "power"), ("ct", "#0b4a7d", "thrust")):
            ends = (np.flatnonzero(np.diff(found.advance) < 0.0) + 1).tolist()  # one line for each speed
            axes.plot(
                found.advance,
                getattr(found, f"measured_{which}"),
                "o",
                ms=2.6,
                color=colour,
                label=f"{name}, measured",
            )
            curve = np.insert(getattr(found, which), ends, np.nan)
            along = np.insert(found.advance, ends, np.nan)
            axes.plot(along, curve, color=colour, lw=1.4, label=f"{name}, predicted")
        axes.set_title(found.name.replace("_", " "), fontsize=9, pad=3)
        axes.set_xlim(0.0, 0.37)
        axes.set_ylim(0.5, 1.15)
        axes.tick_params(labelleft=number % 5 == 0, labelbottom=number >= 5)
        if number == 5:
            axes.set_ylabel("In flight / at rest [1]", y=1.1)
        if number == 7:
            axes.set_xlabel("Advance ratio J [1]")
    assert first is not None
    figure.legend(*first.get_legend_handles_labels(), loc="upper center", ncols=4)
    (folder / "wind-tunnel.png").write_bytes(png_bytes(figure))


def main() -> None:
    """Write the figures of docs/figures."""
    folder = HERE / "figures"
    folder.mkdir(exist_ok=True)
    results = fp.analyse(SAMPLE)
    with matplotlib.rc_context(STYLE):
        drawn = moment.draw(results)
        assert isinstance(drawn, Picture)
        (folder / "moment.png").write_bytes(png_bytes(drawn.figure))
        wind_tunnel(folder)


if __name__ == "__main__":
    main()
