"""Where a logbook is: a folder of this user, another folder, or the URL of a database."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

from ..errors import LogbookError

__all__ = ["Place", "default_folder", "find_place"]

VARIABLE = "FLIGHTPROC_LOGBOOK"
"""Environment variable that names the logbook: a folder or a URL."""

_FILE = "logbook.sqlite"


@dataclass(frozen=True)
class Place:
    """Where a logbook is.

    Attributes
    ----------
    url : str
        URL of the database, as SQLAlchemy takes it.
    shown : str
        The same for messages, without a password.
    database : Path or None
        The database file; None on a server.
    files : Path or None
        Folder of the logs and sheets; None where they are kept in the database.
    """

    url: str
    shown: str
    database: Path | None
    files: Path | None


def default_folder() -> Path:
    """Return the folder of the logbook where nothing is said: the platform's place for a user's data.

    Examples
    --------
    >>> default_folder().name
    'logbook'
    """
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or "")
        if not base.is_absolute():
            base = home / ".local" / "share"
    return base / "flightproc" / "logbook"


def find_place(said: str | os.PathLike[str] | None = None) -> Place:
    """Return where the logbook is.

    Parameters
    ----------
    said : str or path, optional
        A folder, or a URL such as ``sqlite:///flights.sqlite`` or ``postgresql://user@host/flights``; where
        not given, the environment variable ``FLIGHTPROC_LOGBOOK``, and then :func:`default_folder`.

    Returns
    -------
    Place

    Raises
    ------
    LogbookError
        For a URL of another kind of database, and where the driver for it is not installed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     place = find_place(folder)
    >>> type(place).__name__
    'Place'
    """
    text = os.fspath(said) if said is not None else os.environ.get(VARIABLE, "")
    if "://" not in text:
        return _embedded(Path(text).expanduser() / _FILE if text else default_folder() / _FILE)
    from sqlalchemy.engine import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        url = make_url(text)
        kind = url.get_backend_name()
    except (ArgumentError, ValueError) as error:
        raise LogbookError(
            "this is not the URL of a database",
            allowed="sqlite:///FILE or postgresql://USER@HOST/DATABASE",
        ) from error
    if kind == "sqlite":
        if not url.database or url.database == ":memory:" or url.database.startswith("file:"):
            raise LogbookError("a logbook needs a file", where=text, allowed="sqlite:///FILE")
        return _embedded(Path(url.database))
    if kind != "postgresql":
        raise LogbookError(
            "a logbook cannot be kept there",
            found=kind,
            allowed="a folder, sqlite:///FILE or postgresql://USER@HOST/DATABASE",
        )
    try:
        import psycopg  # noqa: F401
    except ImportError as error:
        raise LogbookError(
            "the driver for PostgreSQL is missing", hint="pip install 'flightproc[postgresql]'"
        ) from error
    url = url.set(drivername="postgresql+psycopg")
    shown = url.set(drivername="postgresql").render_as_string(hide_password=True)
    return Place(url.render_as_string(hide_password=False), shown, None, None)


def _embedded(database: Path) -> Place:
    from sqlalchemy.engine import URL

    database = database.absolute()
    url = URL.create("sqlite", database=str(database)).render_as_string()
    return Place(url, str(database), database, database.with_name(f"{database.stem}-files"))
