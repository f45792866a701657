"""The rig day: readings to torque, torque curves, and the power check."""

from __future__ import annotations

from .budget import torque_interval, welch_satterthwaite
from .days import DayLevel, DayPair, DaysComparison, between_variance, compare_days, day_name
from .document import RIG_SCHEMA, rig_document
from .fits import (
    TorqueBand,
    choose_fit,
    evaluate_fit,
    fit_probability,
    fit_torque,
    predict_band,
    predict_torque,
)
from .model import RigCurve, RigPoint, TorqueFit
from .power import PowerCheck, check_power, figure_of_merit, ideal_power, induced_velocity, thrust_ceiling
from .readings import Reading, Scale, read_rig, scale_of
from .reduce import SWING_DIVISORS, reduce_rig, two_point_torque
from .similarity import SimilarityNumbers, similarity_numbers
from .swing import SwingMean, mean_through_swing

__all__ = [
    "RIG_SCHEMA",
    "SWING_DIVISORS",
    "DayLevel",
    "DayPair",
    "DaysComparison",
    "PowerCheck",
    "Reading",
    "RigCurve",
    "RigPoint",
    "Scale",
    "SimilarityNumbers",
    "SwingMean",
    "TorqueBand",
    "TorqueFit",
    "between_variance",
    "check_power",
    "choose_fit",
    "compare_days",
    "day_name",
    "evaluate_fit",
    "figure_of_merit",
    "fit_probability",
    "fit_torque",
    "ideal_power",
    "induced_velocity",
    "mean_through_swing",
    "predict_band",
    "predict_torque",
    "read_rig",
    "reduce_rig",
    "rig_document",
    "scale_of",
    "similarity_numbers",
    "thrust_ceiling",
    "torque_interval",
    "two_point_torque",
    "welch_satterthwaite",
]
