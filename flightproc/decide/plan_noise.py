r"""How noisy the holds of the next sortie will be: from earlier sorties, or typical of a gust level.

The typical values come from simulated sorties of the school's card, two of each of six gust levels from 0.05
to 0.40 m/s, through the program's own noise model: ``python tests/benchmarks/plan_noise.py --seeds 2``. The
standard uncertainty of the level that a hold of 60 s tends to follows

.. math:: s^2 = s_0^2 + (a\,\sigma_w)^2

with the gust level ``sigma_w``. What gusts do to hang roll and to turn they do together; the floor of hang
roll, the pilot's fidgeting, is its own.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import Fault
from ..json_read import parse_json

__all__ = ["HoldNoise", "Seen", "carry_noise", "read_seen", "typical_noise"]

SOURCE = "simulated sorties, command `python tests/benchmarks/plan_noise.py --seeds 2`"
"""Where the typical values come from."""

_HANG_FLOOR, _HANG_SLOPE = math.radians(0.0426), math.radians(0.149)  # [rad], [rad per m/s]
_TURN_FLOOR, _TURN_SLOPE = math.radians(0.01), math.radians(1.334)  # [rad/s], [rad/s per m/s]
_LEVEL_OVER_MEAN = 1.045  # a level against a plain mean of the same 60 s, from the same command
_MINUTE = 60.0


@dataclass(frozen=True)
class HoldNoise:
    """Noise of a hold's levels.

    Attributes
    ----------
    hang, turn : float
        Standard uncertainty of the level of hang roll [rad] and turn rate [rad/s] that a 60 s hold tends to.
    correlation : float
        Of the two.
    words : str
        Where it is from.
    """

    hang: float
    turn: float
    correlation: float
    words: str

    def block(self, seconds: float) -> tuple[float, float, float]:
        """Return variance of hang roll, of turn rate, and their covariance, for a hold of this length."""
        share = _MINUTE / seconds
        both = self.correlation * self.hang * self.turn
        return self.hang**2 * share, self.turn**2 * share, both * share


@dataclass(frozen=True)
class Seen:
    """What an earlier sortie tells.

    Attributes
    ----------
    name : str
        Its file.
    hang, turn : float
        Noise of a 60 s mean of hang roll [rad] and turn rate [rad/s].
    stiffness : float or None
        K [N m/rad].
    """

    name: str
    hang: float
    turn: float
    stiffness: float | None


def typical_noise(gust: float) -> HoldNoise:
    """Return what a gust level [m/s] does to holds.

    Examples
    --------
    >>> import math
    >>> noise = typical_noise(0.2)
    >>> round(math.degrees(noise.hang), 3), round(math.degrees(noise.turn), 3)
    (0.052, 0.267)
    """
    hang = math.hypot(_HANG_FLOOR, _HANG_SLOPE * gust)
    turn = math.hypot(_TURN_FLOOR, _TURN_SLOPE * gust)
    together = _HANG_SLOPE * gust / hang * _TURN_SLOPE * gust / turn
    return HoldNoise(hang, turn, together, f"typical of a gust level of {gust:.2f} m/s ({SOURCE})")


def carry_noise(
    hang_mean: float, turn_mean: float, seen_gust: float | None, gust: float, words: str
) -> HoldNoise:
    """Return noise from that of 60 s means seen before, carried to another gust level where it is known.

    Parameters
    ----------
    hang_mean, turn_mean : float
        Standard uncertainty of 60 s means [rad], [rad/s].
    seen_gust : float or None
        Gust level then [m/s]; None takes the noise as it is.
    gust : float
        Gust level to expect [m/s].
    words : str
        Where it is from.
    """
    there, here = typical_noise(gust if seen_gust is None else seen_gust), typical_noise(gust)
    return HoldNoise(
        _LEVEL_OVER_MEAN * hang_mean * here.hang / there.hang,
        _LEVEL_OVER_MEAN * turn_mean * here.turn / there.turn,
        here.correlation,
        words,
    )


def read_seen(paths: Sequence[str | os.PathLike[str]]) -> tuple[list[Seen], list[Fault]]:
    """Read noise and hang stiffness from results.json files, or folders that hold one, with all faults.

    Examples
    --------
    >>> import flightproc as fp
    >>> results = fp.analyse("sample_logs/school-wing-28/sortie.toml")
    >>> from flightproc.report import results_json
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "results.json")
    ...     _ = path.write_text(results_json(results))
    ...     seen, faults = fp.read_seen([path])
    >>> len(seen), faults
    (1, [])
    """
    out, faults = [], []
    for item in paths:
        path = Path(item) / "results.json" if Path(item).is_dir() else Path(item)
        try:
            data = parse_json(path.read_bytes())
        except OSError as error:
            faults.append(Fault(str(path), "", "", "(none)", f"a results.json ({error.strerror})"))
            continue
        except ValueError:
            faults.append(
                Fault(str(path), "", "", "(no JSON)", "a results.json as flightproc report writes it")
            )
            continue
        found = data.get("calibration") if isinstance(data, dict) else None
        table: dict[str, Any] = found if isinstance(found, dict) else {}
        values = []
        for name in ("noise_hang_roll_60s_deg", "noise_turn_rate_60s_deg_s"):
            value = _positive(table.get(name))
            if value is not None:
                values.append(math.radians(value))
            else:
                faults.append(
                    Fault(str(path), "calibration", name, repr(table.get(name))[:60], "a number above 0")
                )
        if len(values) == 2:
            entry = table.get("hang_stiffness_N_m_rad")
            stiffness = _positive(entry.get("value")) if isinstance(entry, dict) else None
            out.append(Seen(str(path), values[0], values[1], stiffness))
    return out, faults


def _positive(value: object) -> float | None:
    """Return a finite number above zero, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) and value > 0.0 else None
