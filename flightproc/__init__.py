"""flightproc: from in-flight logs and a rig sheet to the turning moment in the air, with its uncertainty."""

from __future__ import annotations

__version__ = "0.1.0"
