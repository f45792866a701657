"""A short rig sheet to type in: what is needed, one line a reading, and nothing else."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from ..errors import OutputError
from .fields import PLACEHOLDER
from .rig_kinds import RIG_KINDS

__all__ = ["rig_template", "write_rig_template", "write_sheet"]

_FILL = f'"{PLACEHOLDER}"'

_HEAD = f"""\
# Rig sheet: static torque on the ground. Fill in every "{PLACEHOLDER}"; numbers stand without quotes.
# DANGER: propeller guarded, nobody in its plane or behind it, eye and ear protection, a kill switch in hand,
# the frame tied so that it cannot move. Whoever steadies the frame takes up torque and spoils the reading.
# Everything else that may stand here (swings, thrust, gear ratio, series from files) is in docs/sheets.md.

"""

_AIR = f"""
[air]
pressure_hPa = {_FILL}    # at the rig, not reduced to sea level
temperature_C = {_FILL}   # in the shade
"""

_SETTINGS = 3


def rig_template(kind: str = "two_point") -> str:
    """Return the text of a short rig sheet to fill in.

    Parameters
    ----------
    kind : str
        ``two_point``, ``lever_arm`` or ``torque_transducer``.

    Raises
    ------
    OutputError
        For another kind.

    Examples
    --------
    >>> rig_template("lever_arm").count("FILL IN") - 1
    11
    """
    if kind not in RIG_KINDS:
        raise OutputError("there is no such kind of rig", found=kind, allowed=", ".join(RIG_KINDS))
    entry = RIG_KINDS[kind]
    head = f'kind = "{kind}"'.ljust(27) + f" # {entry.meaning}\n"
    if entry.needs:
        head += f"{entry.needs} = {_FILL}".ljust(27) + f" # {entry.measured}\n"
    fields = entry.shown[:1] if entry.either else entry.shown
    shown = ", ".join(f"{name} = {_FILL}" for name in fields)
    rows = [
        f"# The readings, one a line: engine speed [1/min], {entry.reads}.",
        "# Watch each for 20 s and write down the middle of the swing. The first and the last are the zeros,",
        "# engine stopped. Add lines: five settings are better than three.",
        "readings = [",
        f"  {{ rpm = 0, {shown} }},",
        *[f"  {{ rpm = {_FILL}, {shown} }}," for _ in range(_SETTINGS)],
        f"  {{ rpm = 0, {shown} }},",
        "]",
    ]
    note = f"# A reading may hold the swing and a thrust too:\n#   {entry.swing}, thrust_N = 320\n"
    return _HEAD + head + "\n" + "\n".join(rows) + "\n" + note + _AIR


def write_rig_template(folder: str | os.PathLike[str], kind: str = "two_point") -> Path:
    """Write ``rig.toml`` into a folder, which is made where it does not exist.

    Parameters
    ----------
    folder : str or path
        Where to.
    kind : str
        As in `rig_template`.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        Where the sheet is already there, the kind is unknown, or the folder cannot be written.
    """
    return write_sheet(folder, "rig", rig_template(kind))


def write_sheet(folder: str | os.PathLike[str], name: str, text: str) -> Path:
    """Write one sheet, ``name.toml``, into a folder, which is made where it does not exist.

    Raises
    ------
    OutputError
        Where the sheet is already there or the folder cannot be written.
    """
    home = Path(folder)
    target = home / f"{name}.toml"
    draft = home / f".{name}.{secrets.token_hex(4)}.part"
    try:
        home.mkdir(parents=True, exist_ok=True)
        if os.path.lexists(target):
            raise OutputError(
                "the sheet exists already and is left as it is",
                where=str(target),
                hint="another folder, or move it away",
            )
        draft.write_text(text, encoding="utf-8", newline="\n")
        os.replace(draft, target)
    except (OSError, ValueError) as error:
        draft_exists = "\0" not in str(draft) and os.path.lexists(draft)
        if draft_exists:
            draft.unlink()
        reason = getattr(error, "strerror", None) or str(error)
        raise OutputError(
            f"the sheet cannot be written ({reason})",
            where=ascii(str(home)),
            hint="a folder that you may write to",
        ) from error
    return target
