"""What the server is told at its start."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Limits", "Settings", "is_loopback"]


def is_loopback(host: str) -> bool:
    """Return whether only this computer can reach a host.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("localhost"), is_loopback("::1"), is_loopback("0.0.0.0")
    (True, True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True)
class Limits:
    """Caps, each there so that no visitor can use up the computer.

    Attributes
    ----------
    file_bytes : int
        Largest file taken in.
    upload_bytes : int
        Largest upload, all its files together.
    upload_files : int
        Most files in one upload.
    sheet_bytes : int
        Largest sheet.
    form_bytes : int
        Largest form or JSON body.
    jobs : int
        Most sorties kept.
    folder_bytes : int
        Most that all jobs together may take on disk.
    free_bytes : int
        What is left free on the disk at the least.
    job_seconds : float
        Longest an analysis may take.
    job_memory_bytes : int
        Most address space of an analysis.
    workers : int
        Analyses at one time.
    waiting : int
        Most jobs that wait for their turn.
    idle_seconds : float
        How long a client may send nothing in the midst of an upload.
    """

    file_bytes: int = 400_000_000
    upload_bytes: int = 800_000_000
    upload_files: int = 40
    sheet_bytes: int = 200_000
    form_bytes: int = 2_000_000
    jobs: int = 5000
    folder_bytes: int = 20_000_000_000
    free_bytes: int = 500_000_000
    job_seconds: float = 300.0
    job_memory_bytes: int = 6_000_000_000
    workers: int = 2
    waiting: int = 200
    idle_seconds: float = 30.0


@dataclass(frozen=True)
class Settings:
    """Where the server listens and keeps its things.

    Attributes
    ----------
    folder : Path
        Folder of the jobs; made where it does not exist.
    host : str
        Address to listen on.
    port : int
        Port to listen on.
    logbook : str
        Address of the logbook; empty for the usual one.
    token : str
        What a visitor has to know; empty where none is asked for.
    names : tuple of str
        Further names under which the server may be called.
    limits : Limits
        Caps.

    Examples
    --------
    >>> from pathlib import Path
    >>> Settings(folder=Path("kept")).port
    8765
    """

    folder: Path
    host: str = "127.0.0.1"
    port: int = 8765
    logbook: str = ""
    token: str = ""
    names: tuple[str, ...] = ()
    limits: Limits = field(default_factory=Limits)
