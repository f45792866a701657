"""How well the whole-sortie model fits: an example, innovations, their spectrum and autocorrelation."""

from __future__ import annotations

import numpy as np

from ...holds.model import HoldKind
from ...results import Results
from .style import INK, KINDS, MUTED, PREDICTION, Missing, Picture, dots, new_figure, tidy_ticks

__all__ = ["draw"]


def draw(results: Results) -> Picture | Missing:
    """Draw hang roll against its prediction, and what the innovations say."""
    trace = results.trace
    if trace is None or trace.fit is None:
        reason = "" if trace is None else f" ({trace.reason})"
        return Missing(f"No model of the whole flight was fitted{reason}; the holds stand alone.")
    fit = trace.fit
    power = KINDS[HoldKind.POWER].colour
    figure = new_figure(6.4)
    grid = figure.add_gridspec(2, 3, left=0.075, right=0.985, top=0.93, bottom=0.09, wspace=0.3, hspace=0.38)
    top = figure.add_subplot(grid[0, :])
    top.plot(fit.example_time, np.degrees(fit.example_seen), color=MUTED, lw=1.0, label="measured")
    top.plot(
        fit.example_time,
        np.degrees(fit.example_response),
        color=power,
        lw=3.0,
        alpha=0.45,
        label="answer to torque, ballast and measured rates alone",
    )
    top.plot(
        fit.example_time,
        np.degrees(fit.example_predicted),
        color=PREDICTION,
        lw=1.0,
        ls=(0, (3, 1.5)),
        label=f"predicted {fit.period:.1f} s ahead",
    )
    top.set_xlabel("Time [s]")
    top.set_ylabel("Hang roll [deg]")
    top.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.0)
    tidy_ticks(top)

    first = figure.add_subplot(grid[1, 0])
    dots(first, fit.time, fit.innovations, 2.0, PREDICTION)
    for level in (-1.96, 1.96):
        first.axhline(level, color=INK, lw=0.8, ls=(0, (4, 2)))
    first.set_xlabel("Time [s]")
    first.set_ylabel("Innovation [std]")
    tidy_ticks(first)

    second = figure.add_subplot(grid[1, 1])
    low, high = fit.spectrum_band
    if np.isfinite(fit.spectrum).any():
        second.fill_between(fit.frequency, low, high, color=MUTED, alpha=0.25, lw=0)
        second.plot(fit.frequency, fit.spectrum, color=PREDICTION, lw=1.4)
        second.set_ylim(0.0, max(2.0, 1.1 * float(np.nanmax(fit.spectrum))))
    second.axhline(1.0, color=INK, lw=0.8)
    second.set_xlabel("Frequency [Hz]")
    second.set_ylabel("Spectrum over white noise [1]")
    tidy_ticks(second)

    third = figure.add_subplot(grid[1, 2])
    lags = fit.period * np.arange(1, fit.autocorrelation.size + 1)
    third.vlines(lags, 0.0, fit.autocorrelation, color=PREDICTION, lw=1.8)
    third.axhspan(-fit.autocorrelation_band, fit.autocorrelation_band, color=MUTED, alpha=0.25, lw=0)
    third.axhline(0.0, color=INK, lw=0.8)
    reach = max(0.15, 1.2 * float(np.max(np.abs(fit.autocorrelation))))
    third.set_ylim(-reach, reach)
    third.set_xlabel("Lag [s]")
    third.set_ylabel("Autocorrelation [1]")
    tidy_ticks(third)
    return Picture(
        figure,
        "Hang roll and its prediction over an example stretch; innovations with a largest autocorrelation of "
        f"{float(np.max(np.abs(fit.autocorrelation))):.2f}; {100 * fit.explained:.0f} % of the variance is "
        "predicted one step ahead.",
        "Gaps in the example are turns and throttle or ballast being moved. If the model is right the "
        "innovations are independent: 95 % of them within the dashed lines, their spectrum and "
        "autocorrelation within the grey bands.",
    )
