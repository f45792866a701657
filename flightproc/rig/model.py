"""What the reduction of a rig day gives."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..display import Card, displayed
from ..quantity import Quantity
from .swing import SwingMean

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RigCurve", "RigPoint", "TorqueFit"]

_NOT_WORKED_OUT = Quantity.unknown("", "it was not worked out")


@displayed
@dataclass(frozen=True)
class RigPoint:
    """One throttle setting on the rig.

    Attributes
    ----------
    rpm : float
        Engine speed [1/min].
    torque : Quantity
        Torque reaction, positive magnitude [N m], with its budget.
    power : Quantity
        Shaft power [W].
    thrust : Quantity
        Static thrust [N], unknown where it was not measured.
    figure_of_merit : Quantity
        Ideal static power of that thrust over shaft power, unknown without thrust.
    thrust_ceiling : Quantity
        Largest thrust this torque can pay for, (2 rho A P^2)^(1/3) [N].
    torque_coefficient : Quantity
        C_Q = Q / (rho n_p^2 D^5).
    sum_change : Quantity
        Sum of both scales less their sum without thrust [kg] (the leak); unknown for other kinds of rig.
    rpm_std : float
        Standard uncertainty of the engine speed [1/min].
    power_coefficient, thrust_coefficient : Quantity
        C_P = 2 pi C_Q and C_T = T / (rho n_p^2 D^4).
    tip_mach, reynolds : Quantity
        Tip Mach number, and Reynolds number at 0.75 R, at rest.
    dof : float
        Effective degrees of freedom of the torque's uncertainty.
    trace : SwingMean or None
        The series behind the reading, in the unit of the rig's signal (`Scale`).

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> rig.points[0]
    RigPoint(4600 rpm, torque 13.69 ± 0.40 N m)
    """

    rpm: float
    torque: Quantity
    power: Quantity
    thrust: Quantity
    figure_of_merit: Quantity
    thrust_ceiling: Quantity
    torque_coefficient: Quantity
    sum_change: Quantity
    rpm_std: float = 0.0
    power_coefficient: Quantity = _NOT_WORKED_OUT
    thrust_coefficient: Quantity = _NOT_WORKED_OUT
    tip_mach: Quantity = _NOT_WORKED_OUT
    reynolds: Quantity = _NOT_WORKED_OUT
    dof: float = math.inf
    trace: SwingMean | None = None

    def _card(self) -> Card:
        facts = tuple(
            (name.replace("_", " "), value.text(interval=True))
            for name, value in vars(self).items()
            if isinstance(value, Quantity) and value.known
        )
        return Card(f"{self.rpm:.0f} rpm, torque {self.torque}", facts, line=True)


@displayed
@dataclass(frozen=True)
class TorqueFit:
    """One fitted torque curve.

    Attributes
    ----------
    name : str
        ``square`` (k n^2), ``power`` (k n^p) or ``quadratic`` (a + b n + c n^2), n = engine rpm / 1000.
    coefficients : ndarray, shape (p,)
        In the order written above.
    covariance : ndarray, shape (p, p)
        Of the coefficients, scaled by reduced chi^2 where that exceeds one.
    chi2 : float
        Weighted sum of squared residuals.
    dof : int
        Points less coefficients.
    aicc : float or None
        Corrected Akaike criterion; None where there are too few points for it.
    words : str
        What the fit can and cannot support.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> [fit.name for fit in rig.fits], rig.chosen.dof
    (['square', 'power', 'quadratic'], 4)
    """

    name: str
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    chi2: float
    dof: int
    aicc: float | None
    words: str = ""


@displayed
@dataclass(frozen=True)
class RigCurve:
    """The static torque curve of one rig day.

    Attributes
    ----------
    points : tuple of RigPoint
        In order of rpm.
    fits : tuple of TorqueFit
        All that could be made.
    chosen : TorqueFit
        The one used for comparison.
    density : float
        Air density on the day [kg/m^3].
    density_std : float
        Its standard uncertainty [kg/m^3].
    warnings : tuple of str
        Degrees of freedom, thrust leak, impossible power.
    gear_ratio : float or None
        Engine revolutions per propeller revolution on the rig.
    diameter : float or None
        Propeller diameter on the rig [m].
    name, kind, rig : str
        Name of the day, kind of rig, name of the rig itself; empty where they are not known.
    date : datetime.date or None
        Of the day.
    own_std : ndarray, shape (n,)
        The part of each torque's standard uncertainty that no other point shares [N m].
    common : ndarray, shape (m, n)
        Signed errors of one standard deviation that the points share, one row a source [N m].
    scale_std : float
        Relative standard uncertainty of the factor common to all points: spacing or arm, sensitivity.
    sense : int
        1 where the reaction rolls the unit right, -1 left, 0 where the rig does not tell.

    Examples
    --------
    >>> import flightproc as fp
    >>> rig = fp.reduce_rig(fp.load_rig("sample_logs/school-wing-28/rig.toml"))
    >>> rig
    RigCurve: two-point rig, training frame A, two point, 2026-05-14, 5 readings
      curve        square: chi^2 0.333 with 4 degrees of freedom, the points allow it; largest miss -1…
      air density  1.189 ± 0.007 kg/m^3
      rpm   torque            power          thrust         figure of merit
      4600  13.69 ± 0.40 N m  2356 ± 70 W    205.0 ± 8.0 N  0.712 ± 0.047
      5200  17.42 ± 0.58 N m  3388 ± 113 W   259.0 ± 8.0 N  0.703 ± 0.040
      6000  23.01 ± 0.60 N m  5164 ± 135 W   353.0 ± 8.0 N  0.734 ± 0.032
      6800  29.91 ± 0.80 N m  7606 ± 203 W   437.0 ± 8.0 N  0.687 ± 0.026
      7600  37.7 ± 1.0 N m    10725 ± 291 W  547.0 ± 8.0 N  0.682 ± 0.024
    >>> torque, std = rig.torque([5500.0])
    >>> float(torque[0].round(1)), float(std[0].round(1))
    (19.5, 0.3)
    """

    points: tuple[RigPoint, ...]
    fits: tuple[TorqueFit, ...]
    chosen: TorqueFit
    density: float
    density_std: float
    warnings: tuple[str, ...] = ()
    gear_ratio: float | None = None
    diameter: float | None = None
    name: str = ""
    kind: str = ""
    rig: str = ""
    date: dt.date | None = None
    own_std: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    common: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 0)))
    scale_std: float = 0.0
    sense: int = 0

    def torque(
        self, rpm: NDArray[np.float64] | float, density: float | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the static torque and its standard uncertainty.

        Parameters
        ----------
        rpm : array_like, shape (n,)
            Engine speed [1/min].
        density : float, optional
            Air density to carry the curve to [kg/m^3]; that of the rig day where it is not given.

        Returns
        -------
        torque, std : ndarray, shape (n,)
            [N m]; the band includes model choice outside the measured range.
        """
        from .fits import predict_torque

        return predict_torque(self, rpm, density)

    def frame(self, rpm: NDArray[np.float64] | None = None, *, density: float | None = None) -> pd.DataFrame:
        """Return the readings as a table, or the fitted curve at stated engine speeds.

        Parameters
        ----------
        rpm : array_like, shape (n,), optional
            Engine speeds [1/min]; the readings are given where there are none.
        density : float, optional
            Air density to carry the curve to [kg/m^3].

        Returns
        -------
        DataFrame
            One row per reading or engine speed; of each quantity the value, ``_std``, ``_low95`` and
            ``_high95``, units in ``attrs["units"]``.

        Examples
        --------
        >>> import flightproc as fp
        >>> rig = fp.analyse("sample_logs/school-wing-28/sortie.toml").rig
        >>> curve = rig.frame([5000.0, 6000.0])
        >>> list(curve)
        ['rpm', 'torque', 'torque_std', 'torque_low95', 'torque_high95']
        """
        from ..frames import frame_of

        if rpm is None:
            return frame_of(self.points, index="reading", units={"rpm": "1/min", "rpm_std": "1/min"})
        speeds = np.asarray(rpm, dtype=float)
        torque, std = self.torque(speeds, density)
        rows = [
            _CurvePoint(float(n), Quantity.of(q, s, "N m"))
            for n, q, s in zip(speeds, torque, std, strict=True)
        ]
        return frame_of(rows, index="point", units={"rpm": "1/min"})

    def _card(self) -> Card:
        named = [
            part for part in (self.name, self.kind.replace("_", " "), self.date and f"{self.date}") if part
        ]
        title = ", ".join([*named, f"{len(self.points)} readings"])
        facts = [
            ("curve", f"{self.chosen.name}: {self.chosen.words}" if self.chosen.words else self.chosen.name),
            ("air density", f"{self.density:.3f} ± {self.density_std:.3f} kg/m^3"),
        ]
        if self.warnings:
            facts.append(("warnings", f"{len(self.warnings)}"))
        rows = tuple(
            (
                f"{point.rpm:.0f}",
                point.torque.text(),
                point.power.text() if point.power.known else "",
                point.thrust.text() if point.thrust.known else "",
                point.figure_of_merit.text() if point.figure_of_merit.known else "",
            )
            for point in self.points
        )
        return Card(title, tuple(facts), ("rpm", "torque", "power", "thrust", "figure of merit"), rows)


@dataclass(frozen=True)
class _CurvePoint:
    rpm: float
    torque: Quantity
