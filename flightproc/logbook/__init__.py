"""The logbook: every sortie with its logs, sheets and results, kept so that nothing confirmed is ever lost.

:class:`Logbook` is the way in. The database says what belongs together; logs, sheets and results are kept
once, under the SHA-256 of their content.
"""

from .archive import export_archive, import_archive
from .book import Logbook
from .check import check_logbook
from .gather import gather
from .model import Added, Entry, Equipment, ResultView, RevisionView, SortieRow, SortieView
from .place import default_folder, find_place
from .restore import repeat_result, restore_files, restore_inputs

__all__ = [
    "Added",
    "Entry",
    "Equipment",
    "Logbook",
    "ResultView",
    "RevisionView",
    "SortieRow",
    "SortieView",
    "check_logbook",
    "default_folder",
    "export_archive",
    "find_place",
    "gather",
    "import_archive",
    "repeat_result",
    "restore_files",
    "restore_inputs",
]
