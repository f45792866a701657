"""From recordings to a sortie: one time base, and the channels that follow.

``assemble`` puts it together from ``join`` (sources, shared clocks), ``clocking`` (clocks, by ``align``,
``signals``, ``clocks`` and ``refine``), ``gather`` and ``grid`` (channels), ``phases``, ``engine``, ``air``,
``wind`` and ``airspeed``, ``mount``, ``attitude``, ``strapdown`` and ``motion``. Names are
imported when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .assemble import assemble_sortie
    from .model import ClockOffset, Sortie, Wind

__all__ = ["ClockOffset", "Sortie", "Wind", "assemble_sortie"]

_HOMES = {"assemble_sortie": "assemble", "ClockOffset": "model", "Sortie": "model", "Wind": "model"}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_HOMES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
