"""Figure of a check of the instruments: Allan deviation of gyro and accelerometer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from ...channels import GRAVITY
from ...statistics.allan import AllanCurve
from .style import MUTED, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["draw_allan"]

_LOOKS = (("#0b4a7d", "-"), ("#c2513a", "--"), ("#14806a", "-."))
_NAMES = {
    "roll_rate": "roll rate",
    "pitch_rate": "pitch rate",
    "yaw_rate": "yaw rate",
    "specific_force_x": "forward",
    "specific_force_y": "right",
    "specific_force_z": "down",
}


def draw_allan(curves: Mapping[str, AllanCurve]) -> Figure | None:
    """Draw the Allan deviations, gyro on the left, accelerometer on the right.

    Parameters
    ----------
    curves : mapping of str to AllanCurve
        By channel.

    Returns
    -------
    Figure or None
        None where there is no curve.
    """
    groups = [
        ([n for n in curves if n.endswith("_rate")], "Gyro: deg/s", math.degrees(1.0)),
        (
            [n for n in curves if n.startswith("specific")],
            "Accelerometer, as a tilt: deg",
            math.degrees(1.0) / GRAVITY,
        ),
    ]
    groups = [group for group in groups if group[0]]
    if not groups:
        return None
    from matplotlib.ticker import FuncFormatter, NullFormatter

    figure = new_figure(3.6)
    panels = figure.subplots(1, len(groups), squeeze=False)[0]
    figure.subplots_adjust(left=0.09, right=0.98, bottom=0.16, top=0.88, wspace=0.24)
    for axes, (names, label, factor) in zip(panels, groups, strict=True):
        for name, (colour, line) in zip(names, _LOOKS, strict=False):
            curve = curves[name]
            use = curve.deviation > 0.0
            tau, value, std = curve.tau[use], factor * curve.deviation[use], factor * curve.std[use]
            axes.loglog(tau, value, line, color=colour, label=_NAMES.get(name, name))
            low = np.maximum(value - std, 0.1 * value)
            axes.fill_between(tau, low, value + std, color=colour, alpha=0.12, linewidth=0)
        first = curves[names[0]]
        use = first.deviation > 0.0
        if use.any():
            tau = first.tau[use]
            top = factor * first.deviation[use][0]
            axes.loglog(tau, top * np.sqrt(tau[0] / tau), ":", color=MUTED, label="white noise, slope -1/2")
        axes.set_xlabel("averaging time [s]")
        axes.set_ylabel("Allan deviation")
        axes.set_title(label)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
            axis.set_minor_formatter(NullFormatter())
        axes.legend()
    return figure
