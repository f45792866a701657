"""Decisions: what to change on a frame, from what was measured."""

from __future__ import annotations

from .balance import Balance, Option, balance_frame
from .cases import Change
from .flown import Flown, flown_from_results, read_flown

__all__ = ["Balance", "Change", "Flown", "Option", "balance_frame", "flown_from_results", "read_flown"]
