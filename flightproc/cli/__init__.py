"""The command line: parse, call a stage, show. No physics here."""

from __future__ import annotations

__all__ = ["main", "program"]

_BROKEN_OFF = 130  # as a shell tells of a program that Ctrl+C has ended
_BROKEN_PIPE = 141  # as a shell tells of a program whose reader has gone


def main(argv: list[str] | None = None) -> int:
    """Run the command line and return the exit code (0 done, 2 bad input, usage or output, 130 Ctrl+C).

    Parameters
    ----------
    argv : list of str, optional
        Arguments without the program's name; those of the process where not given.
    """
    import sys

    code = 0
    try:
        try:
            code = _run(argv)
        finally:
            if sys.stdout is not None:
                sys.stdout.flush()
    except KeyboardInterrupt:
        code = _BROKEN_OFF
    except BrokenPipeError:
        _drop_output()
        return _BROKEN_PIPE
    except OSError as error:
        from .show import print_error

        _drop_output()
        print_error(_reason(error))
        return 2
    return _tell_broken_off() if code == _BROKEN_OFF else code


def program() -> int:
    """Run the command line as the process that it is called as, and return its exit code."""
    import _thread
    import signal
    import sys
    import threading
    from typing import Any

    from ..threads import keep_to_one_thread

    came: list[int] = []

    def stop(number: int, frame: Any) -> None:
        came.append(number)
        raise KeyboardInterrupt

    def dropped(told: Any) -> None:
        if came and isinstance(told.exc_value, KeyboardInterrupt):
            # it came where no error can leave, such as a finaliser: once more, when that is over
            threading.Timer(0.02, _thread.interrupt_main).start()
        else:
            sys.__unraisablehook__(told)

    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # not where it is to be ignored
        signal.signal(signal.SIGINT, stop)
        sys.unraisablehook = dropped
    keep_to_one_thread()
    try:
        code = main()
    except BaseException:
        # Ctrl+C may come out of a library as another error, where a class was just being made
        if not came:
            raise
        code = _tell_broken_off()
    # all is done and told: Ctrl+C while the interpreter clears up would only make it look otherwise
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    return code


def _tell_broken_off() -> int:
    import sys

    print("flightproc: ended by Ctrl+C; nothing is left half written", file=sys.stderr)
    return _BROKEN_OFF


def _run(argv: list[str] | None) -> int:
    from ..errors import FlightprocError
    from .show import open_streams, print_error

    open_streams()
    try:
        from .app import build_app

        build_app()(args=argv, prog_name="flightproc")
    except FlightprocError as error:
        print_error(str(error))
        return 2
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else 0
    return 0


def _reason(error: OSError) -> str:
    """Return in words why the system refused something that no stage has words for."""
    import errno
    import os

    what = error.strerror or str(error)
    if error.filename:
        return f"{what} ({error.filename})"
    if error.errno in (errno.ENOSPC, errno.EIO, errno.EFBIG):
        return f"cannot print: {what}. Try: free space, or another place for the output"
    try:
        os.getcwd()
    except FileNotFoundError:
        return "the folder that you are in is gone. Try: cd to one that exists"
    return what


def _drop_output() -> None:
    """Let what is still to be printed go, since nobody can have it."""
    import os
    import sys

    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError, AttributeError):  # a stream that is none of the system's
        return
