"""The report: one object in, one folder out. Nothing is computed here that :class:`Results` does not hold."""

from __future__ import annotations

from .render import write_report
from .tables import holds_csv, results_json

__all__ = ["holds_csv", "results_json", "write_report"]
