"""On the ground: rig days to torque and torque curves, the power check, tilt test and bifilar pendulum."""

from __future__ import annotations

from .budget import torque_interval, welch_satterthwaite
from .days import DayLevel, DayPair, DaysComparison, between_variance, compare_days, day_name, day_set_up
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
from .ground import GROUND_SCHEMA, GroundTests, ground_document, reduce_ground
from .inertia import RollInertia, amplitude_factor, bifilar_inertia, damping_factor, reduce_inertia
from .model import RigCurve, RigPoint, TorqueFit
from .power import PowerCheck, check_power, figure_of_merit, ideal_power, induced_velocity, thrust_ceiling
from .readings import Reading, read_rig, scale_of
from .reduce import SWING_DIVISORS, reduce_rig, reduce_rig_of, two_point_torque
from .signals import Scale
from .similarity import SimilarityNumbers, similarity_numbers
from .swing import SwingMean, mean_through_swing
from .tilt import TiltTest, reduce_tilt

__all__ = [
    "GROUND_SCHEMA",
    "RIG_SCHEMA",
    "SWING_DIVISORS",
    "DayLevel",
    "DayPair",
    "DaysComparison",
    "GroundTests",
    "PowerCheck",
    "Reading",
    "RigCurve",
    "RigPoint",
    "RollInertia",
    "Scale",
    "SimilarityNumbers",
    "SwingMean",
    "TiltTest",
    "TorqueBand",
    "TorqueFit",
    "amplitude_factor",
    "between_variance",
    "bifilar_inertia",
    "check_power",
    "choose_fit",
    "compare_days",
    "damping_factor",
    "day_name",
    "day_set_up",
    "evaluate_fit",
    "figure_of_merit",
    "fit_probability",
    "fit_torque",
    "ground_document",
    "ideal_power",
    "induced_velocity",
    "mean_through_swing",
    "predict_band",
    "predict_torque",
    "read_rig",
    "reduce_ground",
    "reduce_inertia",
    "reduce_rig",
    "reduce_rig_of",
    "reduce_tilt",
    "rig_document",
    "scale_of",
    "similarity_numbers",
    "thrust_ceiling",
    "torque_interval",
    "two_point_torque",
    "welch_satterthwaite",
]
