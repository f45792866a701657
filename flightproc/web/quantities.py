"""Quantities as the pages show them: value, and under it the 95 % interval."""

from __future__ import annotations

import math

from markupsafe import Markup, escape

from ..quantity import Quantity

__all__ = ["interval", "number", "percent", "span"]


def number(value: float | None, places: int) -> str:
    """Return a number with a true minus sign; a dash for what is unknown.

    Examples
    --------
    >>> number(-3.14159, 2), number(None, 1), number(-0.001, 1)
    ('−3.14', '–', '0.0')
    """
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:.{places}f}"
    if not text.strip("-0."):
        text = text.lstrip("-")
    return text.replace("-", "−")


def span(value: float, low: float, high: float) -> Markup:
    """Return a value with its bounds, rounded by the width of the interval.

    Examples
    --------
    >>> str(span(14.327, 12.81, 15.9))
    '14.3 <span class="ci">[12.8, 15.9]</span>'
    >>> str(span(-7.8451, -7.8451, -7.8451))
    '−7.8'
    """
    if not all(map(math.isfinite, (value, low, high))):
        return Markup("–")
    width = max((high - low) / 4.0, 0.0)
    if width <= 1e-4 * abs(value) or width == 0.0:
        return Markup(escape(number(value, 1 if abs(value) >= 1.0 else 3)))
    places = min(max(1 - math.floor(math.log10(width)), 0), 6)
    if width * 10.0**places >= 50.0 and places:
        places -= 1
    bounds = f"[{number(low, places)}, {number(high, places)}]"
    return Markup('{} <span class="ci">{}</span>').format(number(value, places), bounds)


def interval(quantity: Quantity, factor: float = 1.0) -> Markup:
    """Return a quantity with its interval; what is unknown as a dash that tells the reason.

    Parameters
    ----------
    quantity : Quantity
        What is shown.
    factor : float
        To the unit shown.
    """
    if quantity.value is None:
        return Markup('<span title="{}">–</span>').format(escape(quantity.reason or "unknown"))
    low, high = quantity.low95, quantity.high95
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return Markup(escape(number(quantity.value * factor, 3)))
    return span(quantity.value * factor, *sorted((low * factor, high * factor)))


def percent(share: float) -> str:
    """Return a share in percent.

    Examples
    --------
    >>> percent(0.956), percent(0.9999), percent(0.001)
    ('96 %', '> 99 %', '< 1 %')
    """
    if share > 0.995:
        return "> 99 %"
    return "< 1 %" if share < 0.005 else f"{100.0 * share:.0f} %"
