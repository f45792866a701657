"""What the whole-sortie estimate gives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..display import displayed
from ..quantity import Quantity
from .fit_quality import FitQuality
from .swing_mode import RollMode

__all__ = ["GivenBack", "SettingRatio", "SortieTrace", "no_trace"]

Array = NDArray[np.float64]


class GivenBack(Protocol):
    """What a compensation takes off the reaction, growing with engine speed squared.

    ``moment`` and ``moment_std`` [N m] hold at ``rpm`` [1/min].
    """

    @property
    def moment(self) -> float:
        """Size, positive against the reaction [N m]."""
        ...

    @property
    def moment_std(self) -> float:
        """Its standard uncertainty [N m]."""
        ...

    @property
    def rpm(self) -> float:
        """Engine speed at which it holds [1/min]."""
        ...

    @property
    def on_rig(self) -> float:
        """What it took off on the rig over that in flight, given back in the rig's curve; 0 if not fitted."""
        ...


@displayed
@dataclass(frozen=True)
class SettingRatio:
    """Torque ratio at one throttle setting that was held.

    Attributes
    ----------
    rpm : float
        Engine speed [1/min].
    advance_ratio : float
        J [1].
    ratio : Quantity
        Torque in flight over rig torque [1].
    """

    rpm: float
    advance_ratio: float
    ratio: Quantity


@displayed
@dataclass(frozen=True)
class SortieTrace:
    """What the whole sortie tells of the torque.

    Attributes
    ----------
    ratio : Quantity
        Torque in flight over rig torque at the same engine speed and density, at `advance_ratio` [1].
    advance_ratio : float
        Mean J of the powered flight used, weighted by torque; NaN without airspeed.
    ratio_slope : Quantity
        Change of the ratio per unit of J; mostly prior where J hardly changed.
    settings : tuple of SettingRatio
        At each setting held, rising.
    draws : ndarray, shape (draws, 2)
        Joint draws of ratio and slope.
    stiffness : Quantity
        K at one g with the turn rate held [N m/rad].
    mode : RollMode
        The unit's roll as a pendulum.
    sensor_yaw : Quantity
        Yaw error of the sensor that was left [rad].
    seconds_used, seconds_power : float
        Flight used, and under power [s].
    share_used : float
        Of the time in the air.
    fit : FitQuality or None
        How well the model describes the record; None where none was fitted.
    accepted : bool
        Whether the estimate is to be used.
    reason : str
        Why not; empty where it is accepted.
    words : tuple of str
        What was used and left out.
    """

    ratio: Quantity
    advance_ratio: float
    ratio_slope: Quantity
    settings: tuple[SettingRatio, ...]
    draws: Array
    stiffness: Quantity
    mode: RollMode
    sensor_yaw: Quantity
    seconds_used: float
    seconds_power: float
    share_used: float
    fit: FitQuality | None
    accepted: bool
    reason: str
    words: tuple[str, ...]

    def ratio_at(self, advance_ratio: float) -> Quantity:
        """Return the torque ratio at an advance ratio; unknown where the sortie gave none."""
        if self.ratio.value is None or not self.draws.size:
            return self.ratio
        if not math.isfinite(self.advance_ratio):
            return self.ratio
        step = advance_ratio - self.advance_ratio
        samples = self.draws[:, 0] + step * self.draws[:, 1]
        value = self.ratio.value + step * (self.ratio_slope.value or 0.0)
        return Quantity.from_samples(samples, "", value=value, budget=self.ratio.budget)

    def to_json(self) -> dict[str, Any]:
        """Return the ``trace`` object of results.json."""
        return {
            "accepted": self.accepted,
            "reason": self.reason,
            "torque_ratio": self.ratio.to_json(),
            "budget": [
                {"source": source, "contribution": part} for source, part in self.ratio.budget.items()
            ],
            "advance_ratio": self.advance_ratio if math.isfinite(self.advance_ratio) else None,
            "torque_ratio_slope": self.ratio_slope.to_json(),
            "settings": [
                {
                    "rpm": item.rpm,
                    "advance_ratio": item.advance_ratio if math.isfinite(item.advance_ratio) else None,
                    "torque_ratio": item.ratio.to_json(),
                }
                for item in self.settings
            ],
            "hang_stiffness_N_m_rad": self.stiffness.to_json(),
            "roll_frequency_rad_s": self.mode.frequency.to_json(),
            "roll_damping": self.mode.damping.to_json(),
            "sensor_yaw_deg": self.sensor_yaw.degrees().to_json(),
            "seconds_used": self.seconds_used,
            "seconds_power": self.seconds_power,
            "share_used": self.share_used,
            "fit": None if self.fit is None else self.fit.to_json(),
            "remarks": list(self.words),
        }


def no_trace(reason: str, mode: RollMode | None = None) -> SortieTrace:
    """Return an estimate that says why there is none."""
    unknown = Quantity.unknown("", reason)
    return SortieTrace(
        ratio=unknown,
        advance_ratio=math.nan,
        ratio_slope=unknown,
        settings=(),
        draws=np.zeros((0, 2)),
        stiffness=Quantity.unknown("N m/rad", reason),
        mode=mode or RollMode(Quantity.unknown("rad/s", reason), Quantity.unknown("", reason), reason),
        sensor_yaw=Quantity.unknown("rad", reason),
        seconds_used=0.0,
        seconds_power=0.0,
        share_used=0.0,
        fit=None,
        accepted=False,
        reason=reason,
        words=(),
    )
