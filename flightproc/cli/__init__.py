"""The command line: parse, call a stage, show. No physics here."""

from __future__ import annotations

__all__ = ["main"]


def main(argv: list[str] | None = None) -> int:
    """Run the command line and return the exit code (0 done, 2 bad input, usage or output).

    Parameters
    ----------
    argv : list of str, optional
        Arguments without the program's name; those of the process where not given.
    """
    from ..errors import FlightprocError
    from .app import build_app
    from .show import print_error

    try:
        build_app()(args=argv, prog_name="flightproc")
    except FlightprocError as error:
        print_error(str(error))
        return 2
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else 0
    return 0
