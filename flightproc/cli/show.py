"""What every command shares for the terminal: streams that take any text, the error line, JSON."""

from __future__ import annotations

import codecs
import os
import sys

__all__ = ["open_streams", "print_error", "print_json"]

_PLAIN = str.maketrans(
    {
        "±": "+-",
        "°": " deg",
        "²": "^2",
        "³": "^3",
        "·": "*",
        "×": "x",
        "−": "-",
        "–": "-",
        "─": "-",
        "…": "...",
        "≤": "<=",
        "≥": ">=",
        "χ": "chi",
        "α": "alpha",
        "Δ": "Delta",
        "ρ": "rho",
        "σ": "sigma",
    }
)
"""Letters and signs to what stands for them where a terminal has none of its own."""


def _plain(error: UnicodeError) -> tuple[str, int]:
    """Replace what an encoding lacks by what reads alike, else by a question mark."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end].translate(_PLAIN)
    return "".join(letter if letter.isascii() else "?" for letter in lacking), error.end


def _escaped(error: UnicodeError) -> tuple[str, int]:
    """Replace what an encoding lacks as JSON writes it in strings, the only place where it can stand."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    units = error.object[error.start : error.end].encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[i]:02x}{units[i + 1]:02x}" for i in range(0, len(units), 2)), error.end


codecs.register_error("flightproc-plain", _plain)
codecs.register_error("flightproc-json", _escaped)


def open_streams() -> None:
    """Make standard output and error take any text, whatever the locale, and be there even where closed."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 - for the whole run
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="flightproc-plain")


def print_error(text: str) -> None:
    """Print one error to standard error, without markup, wrapped by the terminal only."""
    print(f"flightproc: error: {text}", file=sys.stderr)


def print_json(text: str) -> None:
    """Print a JSON document, which stays one whatever the encoding of standard output."""
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    sys.stdout.write(text.encode(encoding, "flightproc-json").decode(encoding))
