"""Engine speed where none was logged: from a log's sound, else from the vibration of the unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..readers.recording import Recording, Series, Waveform
from .ridge import RpmTrack, track_rpm
from .spectrum import even_samples

if TYPE_CHECKING:
    from ..sheets import LogEntry
    from ..sheets.aircraft import AircraftSheet

__all__ = ["logs_engine_speed", "vibration_waveforms", "with_sound_rpm", "with_vibration_rpm"]

Array = NDArray[np.float64]

_AXES = (
    "specific_force_x",
    "specific_force_y",
    "specific_force_z",
    "roll_rate",
    "pitch_rate",
    "yaw_rate",
)
_SLOWEST = 80.0  # [Hz] of an inertial sensor below which the aliases are too many to tell apart
_SAME = 0.005  # relative difference of rates within which axes belong together
_QUIET = 0.4  # of the level at which the engine was heard at its quietest
_QUIET_TIME = 3.0  # [s]
_HEARD_ENOUGH = 20.0  # [s] of engine from which its absence tells something


def logs_engine_speed(recordings: Mapping[str, Recording]) -> bool:
    """Return whether any log holds engine or propeller speed."""
    return any(r.get("rpm") is not None or r.get("propeller_rpm") is not None for r in recordings.values())


def with_sound_rpm(
    entries: Mapping[str, LogEntry], recordings: Mapping[str, Recording], aircraft: AircraftSheet
) -> tuple[Mapping[str, Recording], list[str]]:
    """Give logs that hold sound the engine speed that it tells, where no log has engine speed.

    Parameters
    ----------
    entries : mapping of str to LogEntry
        Logs of the sortie sheet by name.
    recordings : mapping of str to Recording
        What each log holds.
    aircraft : AircraftSheet
        For the gear ratio, blades and firings a revolution.

    Returns
    -------
    recordings : mapping of str to Recording
        The same, or with a derived channel ``rpm``.
    warnings : list of str
        What was found, or why nothing was.
    """
    if logs_engine_speed(recordings):
        return recordings, []
    out, told = dict(recordings), []
    for name in entries:
        waveforms = recordings[name].waveforms
        if not waveforms:
            continue
        track = _track(waveforms, aircraft)
        out[name] = _with_rpm(recordings[name], track, f"lines in the sound of {_listed(waveforms)}")
        told += _words(name, "the sound of", track)
    return out, told


def with_vibration_rpm(
    name: str, felt: Recording, recordings: Mapping[str, Recording], aircraft: AircraftSheet
) -> tuple[Mapping[str, Recording], list[str]]:
    """Give the unit's log the engine speed that its vibration tells, where no log has engine speed.

    Parameters
    ----------
    name : str
        Name of the unit's log.
    felt : Recording
        What its inertial sensor felt, on the unit's clock.
    recordings : mapping of str to Recording
        What each log holds.
    aircraft : AircraftSheet
        As for :func:`with_sound_rpm`.

    Returns
    -------
    recordings, warnings
        As for :func:`with_sound_rpm`.
    """
    if logs_engine_speed(recordings):
        return recordings, []
    waveforms = vibration_waveforms(felt)
    if not waveforms:
        return recordings, [
            f"{name}: the inertial sensor is logged too slowly or unevenly to look for the engine in its "
            f"vibration (at least {_SLOWEST:.0f} Hz, on an even clock)"
        ]
    track = _track(waveforms, aircraft)
    source = f"{waveforms[0].source} and {len(waveforms) - 1} more at {waveforms[0].rate:.0f} Hz"
    out = dict(recordings)
    out[name] = _with_rpm(recordings[name], track, f"lines in the vibration of {source}")
    return out, _words(name, "the vibration in", track)


def vibration_waveforms(recording: Recording) -> list[Waveform]:
    """Return the axes of the inertial sensor as even samples, those of the highest common rate.

    Parameters
    ----------
    recording : Recording
        With specific force or body rates.

    Returns
    -------
    list of Waveform
        Empty where the sensor is logged below 80 Hz or on no even clock.
    """
    found = []
    for channel in _AXES:
        candidates = [s for s in recording.channels.get(channel, ()) if s.rate_hz >= _SLOWEST]
        if candidates:
            best = max(candidates, key=lambda s: s.rate_hz if np.isfinite(s.rate_hz) else 0.0)
            waveform = even_samples(best)
            if waveform is not None:
                found.append(waveform)
    if not found:
        return []
    highest = max(w.rate for w in found)
    return [w for w in found if w.rate >= (1.0 - _SAME) * highest]


def _track(waveforms: Sequence[Waveform], aircraft: AircraftSheet) -> RpmTrack:
    engine, propeller = aircraft.engine, aircraft.propeller
    low = 1200.0 if engine.idle_rpm is None else max(500.0, 0.75 * engine.idle_rpm)
    return track_rpm(waveforms, engine.gear_ratio, propeller.blades, engine.firing_per_rev, low=low)


def quiet_stretches(track: RpmTrack) -> NDArray[np.bool_]:
    """Mark where the engine is not heard and could not have been missed.

    Parameters
    ----------
    track : RpmTrack
        What was followed.

    Returns
    -------
    ndarray of bool, shape (n,)
        Where no line is followed for 3 s or more and the level is below 0.4 of the quietest tenth of what was
        heard of the engine, and no lines were refused. Nowhere where less than 20 s of engine were heard.
    """
    heard = np.isfinite(track.rpm)
    step = float(track.time[1] - track.time[0]) if track.time.size > 1 else 1.0
    if heard.sum() * step < _HEARD_ENOUGH:
        return np.zeros(heard.size, dtype=bool)
    floor = _QUIET * float(np.nanquantile(track.level[heard], 0.1))
    with np.errstate(invalid="ignore"):
        quiet = ~heard & (track.level < floor)
    for stretch in track.stretches:  # lines that were refused are no silence
        quiet &= (track.time < stretch.start) | (track.time > stretch.end)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], quiet, [False]]).astype(int)))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        if (end - first) * step < _QUIET_TIME:
            quiet[first:end] = False
    return quiet


def _with_rpm(recording: Recording, track: RpmTrack, source: str) -> Recording:
    if not track.found:
        return recording
    rpm = np.where(quiet_stretches(track), 0.0, track.rpm)
    series = Series("rpm", track.time, rpm, source, derived=True)
    return replace(recording, channels={**recording.channels, "rpm": (series,)})


def _listed(waveforms: Sequence[Waveform]) -> str:
    return ", ".join(w.source for w in waveforms)


def _words(name: str, what: str, track: RpmTrack) -> list[str]:
    """Say what was found and what was turned down."""
    turned_down = sorted((s for s in track.stretches if s.refused), key=lambda s: s.start - s.end)
    shown = [s for s in turned_down if s.end - s.start >= 5.0][:3]
    told = [f"{s.start:.0f} to {s.end:.0f} s: {s.refused}" for s in shown]
    if not track.found:
        reason = "; ".join(told) if told else "there is no line that an engine leaves"
        return [f"{name}: no engine speed could be found from {what} the log ({reason})"]
    heard = np.isfinite(track.rpm)
    quiet = quiet_stretches(track)
    text = (
        f"no engine speed was logged: it was found from {what} {name}, {100 * heard.mean():.0f} % of the "
        f"time, with a typical standard uncertainty of {np.nanmedian(track.std):.0f} rpm"
    )
    if quiet.any():
        text += (
            f"; {100 * quiet.mean():.0f} % of the time it is quiet there: the engine was taken to stand "
            "still (it may idle)"
        )
    if "vibration" in what:
        text += "; a hold far from where the throttle was (twice the speed, say) is an alias taken for it"
    return [text] + ([f"{name}: engine speed was refused at {'; '.join(told)}"] if told else [])
