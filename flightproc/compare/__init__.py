"""Flight against rig and blade, and the answer in words."""

from .answer import answer_in_words, limits_in_words
from .ratio import Comparison, Compensation, Propulsion, compare_with_rig

__all__ = [
    "Comparison",
    "Compensation",
    "Propulsion",
    "answer_in_words",
    "compare_with_rig",
    "limits_in_words",
]
