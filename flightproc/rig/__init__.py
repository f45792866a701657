"""The rig day: readings to torque, torque curves, and the power check."""

from __future__ import annotations

from .fits import TorqueBand, choose_fit, evaluate_fit, fit_torque, predict_band, predict_torque
from .model import RigCurve, RigPoint, TorqueFit
from .power import PowerCheck, check_power, figure_of_merit, ideal_power, induced_velocity, thrust_ceiling
from .reduce import SWING_DIVISORS, reduce_rig, two_point_torque

__all__ = [
    "SWING_DIVISORS",
    "PowerCheck",
    "RigCurve",
    "RigPoint",
    "TorqueBand",
    "TorqueFit",
    "check_power",
    "choose_fit",
    "evaluate_fit",
    "figure_of_merit",
    "fit_torque",
    "ideal_power",
    "induced_velocity",
    "predict_band",
    "predict_torque",
    "reduce_rig",
    "thrust_ceiling",
    "two_point_torque",
]
