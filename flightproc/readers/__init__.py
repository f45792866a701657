"""Readers: one module a format, one registry, one kind of result."""

from .frame import recording_from_frame
from .recording import Damage, RawField, Recording, Series
from .registry import READERS, read_log

__all__ = ["READERS", "Damage", "RawField", "Recording", "Series", "read_log", "recording_from_frame"]
