"""How many threads linear algebra takes: one, where nobody says otherwise.

The matrices of an analysis are small. Several threads take half as much again of the processor for them, and
no less time on the clock.
"""

from __future__ import annotations

import os

__all__ = ["SINGLE", "keep_to_one_thread"]

SINGLE = {
    f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL", "NUMEXPR", "VECLIB_MAXIMUM", "BLIS")
}
"""Environment in which the libraries of linear algebra keep to one thread."""


def keep_to_one_thread() -> None:
    """Let linear algebra keep to one thread, in this process and those it starts.

    What the environment says already stays. It is read when numpy is loaded, so this has to come before.
    """
    for name, value in SINGLE.items():
        os.environ.setdefault(name, value)
