"""Many sorties at once: on the cores of this machine or on a cluster, resumable, whatever happens to one.

Importing this package is cheap; what an analysis needs is imported in the workers.
"""

from .find import FoundSheet, Search, find_sheets
from .run import Batch, BatchStopped, Tick, run_batch
from .schema import COLUMNS, Column
from .store import Store
from .work import Failure, Outcome

__all__ = [
    "COLUMNS",
    "Batch",
    "BatchStopped",
    "Column",
    "Failure",
    "FoundSheet",
    "Outcome",
    "Search",
    "Store",
    "Tick",
    "find_sheets",
    "run_batch",
]
