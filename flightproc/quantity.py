"""A value with its standard uncertainty, its 95 % interval and, where unknown, the reason."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .display import Card, displayed

__all__ = ["Quantity"]

_COVERAGE_95 = 1.959963984540054  # normal distribution, two-sided 95 %
_HIGH_68 = 0.8413447460685429  # normal distribution, one standard deviation


@displayed
@dataclass(frozen=True)
class Quantity:
    """A measured value.

    Attributes
    ----------
    value : float or None
        Best estimate; None where it is unknown, and then ``reason`` says why.
    std : float or None
        Standard uncertainty (one sigma), same unit.
    low95, high95 : float or None
        Bounds of the 95 % coverage interval, same unit.
    unit : str
        Unit as printed, such as ``"N m"``.
    reason : str
        Why the value is unknown or weak; empty when there is nothing to say.
    budget : mapping of str to float
        Contribution of each source to ``std``, same unit (their squares add up, correlations apart).
    low68, high68 : float or None
        Bounds of the 68.3 % coverage interval, same unit.

    Examples
    --------
    >>> moment = Quantity.of(26.83, 1.27, "N m")
    >>> print(moment)
    26.8 ± 1.3 N m
    >>> round(moment.low95, 2), round(moment.high95, 2)
    (24.34, 29.32)
    >>> print(Quantity.unknown("deg", "no bank was logged"))
    unknown (no bank was logged)
    """

    value: float | None
    std: float | None
    low95: float | None
    high95: float | None
    unit: str = ""
    reason: str = ""
    budget: Mapping[str, float] = field(default_factory=dict)
    low68: float | None = None
    high68: float | None = None

    @classmethod
    def of(
        cls,
        value: float,
        std: float | None,
        unit: str = "",
        *,
        dof: float = math.inf,
        reason: str = "",
        budget: Mapping[str, float] | None = None,
    ) -> Quantity:
        """Make a quantity from a value and its standard uncertainty.

        Parameters
        ----------
        value, std : float
            Estimate and standard uncertainty; ``std`` may be None where it is not known.
        unit : str
            Unit as printed.
        dof : float
            Degrees of freedom of ``std``; the interval uses Student's t (JCGM 100:2008, G.3).
        reason, budget
            As the attributes.
        """
        value = float(value)
        if not math.isfinite(value):
            return cls.unknown(unit, reason or "the value is not finite")
        if std is None or not math.isfinite(std):
            return cls(value, None, None, None, unit, reason, dict(budget or {}))
        k, k68 = _COVERAGE_95, 1.0
        if math.isfinite(dof):
            from scipy.special import stdtrit

            k, k68 = (float(stdtrit(max(dof, 1.0), p)) for p in (0.975, _HIGH_68))
        return cls(
            value,
            float(std),
            value - k * std,
            value + k * std,
            unit,
            reason,
            dict(budget or {}),
            value - k68 * std,
            value + k68 * std,
        )

    @classmethod
    def from_samples(
        cls,
        samples: ArrayLike,
        unit: str = "",
        *,
        value: float | None = None,
        reason: str = "",
        budget: Mapping[str, float] | None = None,
        shortest: bool = False,
    ) -> Quantity:
        """Make a quantity from Monte Carlo draws (JCGM 101:2008, 7.6 and 7.7).

        Parameters
        ----------
        samples : array_like, shape (n,)
            Draws; those that are not finite are left out.
        value : float, optional
            Best estimate; the mean of the draws where it is not given.
        reason, budget
            As the attributes.
        shortest : bool
            Whether to give the shortest interval that holds 95 % of the draws; else the one that leaves
            2.5 % on either side. They differ where the draws lie skew.
        """
        draws = np.asarray(samples, dtype=float)
        draws = draws[np.isfinite(draws)]
        if draws.size < 2:
            return cls.unknown(unit, reason or "no finite draw")
        if shortest:
            draws = np.sort(draws)
            low, high = _shortest(draws, 0.95)
            low68, high68 = _shortest(draws, 2.0 * _HIGH_68 - 1.0)
        else:
            low, low68, high68, high = np.quantile(draws, [0.025, 1.0 - _HIGH_68, _HIGH_68, 0.975]).tolist()
        centre = float(np.mean(draws)) if value is None else float(value)
        std = float(np.std(draws, ddof=1))
        return cls(centre, std, low, high, unit, reason, dict(budget or {}), low68, high68)

    @classmethod
    def from_skewed(
        cls,
        samples: ArrayLike,
        unit: str = "",
        *,
        reason: str = "",
        budget: Mapping[str, float] | None = None,
    ) -> Quantity:
        """Make a quantity from draws whose mean and variance may not exist, such as those of a ratio.

        The value is the median, and ``std`` half the 68.3 % interval.

        Parameters
        ----------
        samples, unit, reason, budget
            As for :meth:`from_samples`.

        Examples
        --------
        >>> ratio = Quantity.from_skewed(1.0 / np.linspace(0.0, 1.0, 2001)[1:])
        >>> round(ratio.value, 2), round(ratio.low95, 2), round(ratio.high95)
        (2.0, 1.03, 39)
        """
        out = cls.from_samples(samples, unit, reason=reason, budget=budget)
        if out.low68 is None or out.high68 is None:
            return out
        draws = np.asarray(samples, dtype=float)
        middle = float(np.median(draws[np.isfinite(draws)]))
        return replace(out, value=middle, std=(out.high68 - out.low68) / 2)

    @classmethod
    def unknown(cls, unit: str, reason: str) -> Quantity:
        """Make an unknown quantity; ``reason`` must say why."""
        return cls(None, None, None, None, unit, reason)

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return self.value is not None

    def scaled(self, factor: float, unit: str) -> Quantity:
        """Return the same quantity in another unit (``factor`` may be negative)."""

        def times(x: float | None) -> float | None:
            return None if x is None else x * factor

        low, high = times(self.low95), times(self.high95)
        low68, high68 = times(self.low68), times(self.high68)
        if factor < 0:
            low, high, low68, high68 = high, low, high68, low68
        std = None if self.std is None else self.std * abs(factor)
        budget = {name: part * abs(factor) for name, part in self.budget.items()}
        return replace(
            self,
            value=times(self.value),
            std=std,
            low95=low,
            high95=high,
            unit=unit,
            budget=budget,
            low68=low68,
            high68=high68,
        )

    def degrees(self, unit: str = "deg") -> Quantity:
        """Return an angle or angular rate in degrees."""
        return self.scaled(180.0 / math.pi, unit)

    def to_json(self) -> dict[str, Any]:
        """Return value, std and the bounds of both intervals, with ``"reason"`` where there is one."""
        out: dict[str, Any] = {
            "value": self.value,
            "std": self.std,
            "low95": self.low95,
            "high95": self.high95,
            "low68": self.low68,
            "high68": self.high68,
        }
        if self.reason:
            out["reason"] = self.reason
        return out

    def decimals(self) -> int:
        """Return how many decimals to print: two digits of the standard uncertainty."""
        if self.std is None or self.std <= 0:
            return 2
        return min(6, max(0, 1 - math.floor(math.log10(self.std))))

    def text(self, *, interval: bool = False) -> str:
        """Return the quantity as printed, rounded by its uncertainty."""
        if self.value is None:
            return f"unknown ({self.reason})" if self.reason else "unknown"
        places = self.decimals()
        unit = f" {self.unit}" if self.unit else ""
        if self.std is None:
            return f"{self.value:.{places}f}{unit}"
        if interval and self.low95 is not None and self.high95 is not None:
            return (
                f"{self.value:.{places}f}{unit} (95 %: {self.low95:.{places}f} to {self.high95:.{places}f})"
            )
        return f"{self.value:.{places}f} ± {self.std:.{places}f}{unit}"

    def __str__(self) -> str:
        return self.text()

    def _card(self) -> Card:
        title = self.text()
        if self.value is not None and self.low95 is not None and self.high95 is not None:
            places = self.decimals()
            title += f", 95 %: {self.low95:.{places}f} to {self.high95:.{places}f}"
        parts = sorted(self.budget.items(), key=lambda item: -abs(item[1]))
        rows = tuple((name, f"{part:.3g}") for name, part in parts)
        heads = ("source of uncertainty", f"part [{self.unit}]" if self.unit else "part") if rows else ()
        return Card(title, heads=heads, rows=rows, line=True)


def _shortest(draws: NDArray[np.float64], share: float) -> tuple[float, float]:
    """Return the ends of the shortest interval that holds this share of sorted draws."""
    inside = min(round(share * draws.size), draws.size - 1)
    first = int(np.argmin(draws[inside:] - draws[:-inside]))
    return float(draws[first]), float(draws[first + inside])
