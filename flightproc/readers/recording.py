"""What a log holds once it is read: the recording, on its own clock, raw names kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..display import Card, displayed, time_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Damage", "RawField", "Recording", "Series", "Waveform"]


@displayed
@dataclass(frozen=True)
class Series:
    """One channel of one recording.

    Attributes
    ----------
    channel : str
        Name in :data:`flightproc.channels.CHANNELS`.
    time : ndarray, shape (n,)
        Seconds on the recording's own clock, strictly increasing.
    values : ndarray, shape (n,)
        Values in the channel's unit and sign; NaN where a sample is missing or was turned down.
    source : str
        The raw field or fields it was made from.
    derived : bool
        True where it was worked out from other fields (velocity from positions, say).

    Examples
    --------
    >>> import flightproc as fp
    >>> fp.read_log("sample_logs/school-wing-28/gps.gpx").get("height")
    Series
      channel  'height'
      time     array of 4280: 0 to 2139.5
      values   array of 4280: 296 to 893
      source   'ele'
    """

    channel: str
    time: NDArray[np.float64]
    values: NDArray[np.float64]
    source: str
    derived: bool = False

    @property
    def rate_hz(self) -> float:
        """Median sampling rate [Hz]; NaN below two samples."""
        if self.time.size < 2:
            return float("nan")
        return float(1.0 / np.median(np.diff(self.time)))


@displayed
@dataclass(frozen=True)
class Waveform:
    """A signal in even samples, such as sound: too fast to be a channel.

    Attributes
    ----------
    source : str
        The raw field it was made from.
    start : float
        Time of the first sample on the recording's own clock [s].
    rate : float
        Sampling rate [Hz].
    samples : ndarray of float32, shape (n,)
        In full scale of the recorder (sound) or in SI units; NaN where a sample is missing.
    """

    source: str
    start: float
    rate: float
    samples: NDArray[np.float32]

    @property
    def end(self) -> float:
        """Time of the last sample [s]."""
        return self.start + max(self.samples.size - 1, 0) / self.rate


@dataclass(frozen=True)
class RawField:
    """One field as the log has it.

    Attributes
    ----------
    name : str
        The field's name in the log.
    samples : int
        How many values.
    rate_hz : float
        Median rate [Hz]; NaN where there is no time.
    unit : str
        Unit, where the format or the column map states one.
    feeds : str
        Name of the channel it feeds, or empty.
    note : str
        Why it feeds none, or a guess that wants confirming.

    Examples
    --------
    >>> import flightproc as fp
    >>> field = fp.read_log("sample_logs/school-wing-28/engine.csv").fields[1]
    >>> field.name, field.samples, field.feeds
    ('Engine speed (rev/min)', 10984, 'rpm')
    """

    name: str
    samples: int
    rate_hz: float
    unit: str = ""
    feeds: str = ""
    note: str = ""


@dataclass(frozen=True)
class Damage:
    """Something that was lost or turned down while reading.

    Attributes
    ----------
    code : str
        Short stable word: ``cut``, ``corrupt``, ``bad_value``, ``bad_time``, ``gap``, ``no_time``,
        ``dropout``, ``encoding``.
    where : str
        Byte, line, record or time.
    what : str
        What was found and what was done about it.
    lost : int
        Number of records or values lost, where it can be counted; -1 otherwise.

    Examples
    --------
    >>> Damage("gap", "812.0 s", "no samples for 3.2 s")
    Damage(code='gap', where='812.0 s', what='no samples for 3.2 s', lost=-1)
    """

    code: str
    where: str
    what: str
    lost: int = -1


@displayed
@dataclass(frozen=True)
class Recording:
    """A log, read.

    Attributes
    ----------
    path : str
        File it was read from.
    format : str
        Name of the reader.
    sha256 : str
        SHA-256 of the file's bytes, hexadecimal.
    size : int
        Size of the file [bytes].
    start_utc : float or None
        UTC (POSIX seconds) at which the recording's own clock reads 0; None where the log has no UTC.
    channels : mapping of str to tuple of Series
        For each channel the candidate sources, best first.
    fields : tuple of RawField
        Every field in the log.
    damage : tuple of Damage
        What was lost.
    notes : tuple of str
        Other things worth telling, such as guesses.
    waveforms : tuple of Waveform
        Sound, one per track.

    Examples
    --------
    >>> import flightproc as fp
    >>> engine = fp.read_log("sample_logs/school-wing-28/engine.csv")
    >>> engine
    Recording: engine.csv, CSV, 0.4 MB, 36:37 min
      notes  1
      channel  samples  rate [Hz]  from
      rpm      10984    5          Engine speed (rev/min)
    >>> float(engine.get("rpm").values.max().round(-2))
    8000.0
    """

    path: str
    format: str
    sha256: str
    size: int
    start_utc: float | None
    channels: Mapping[str, tuple[Series, ...]]
    fields: tuple[RawField, ...] = ()
    damage: tuple[Damage, ...] = ()
    notes: tuple[str, ...] = field(default_factory=tuple)
    waveforms: tuple[Waveform, ...] = ()

    def get(self, channel: str) -> Series | None:
        """Return the best source of a channel, or None."""
        candidates = self.channels.get(channel, ())
        return candidates[0] if candidates else None

    @property
    def span(self) -> tuple[float, float]:
        """First and last time of any channel or waveform [s]; (nan, nan) where there is none."""
        ends = [(w.start, w.end) for w in self.waveforms if w.samples.size]
        for group in self.channels.values():
            ends += [(float(s.time[0]), float(s.time[-1])) for s in group if s.time.size]
        if not ends:
            return (float("nan"), float("nan"))
        return (min(first for first, _ in ends), max(last for _, last in ends))

    def frame(self, *channels: str) -> pd.DataFrame:
        """Return channels as a table, each from its best source.

        Parameters
        ----------
        *channels : str
            Names of channels; all that the recording has where none is named.

        Returns
        -------
        DataFrame
            One column per channel in the channel's unit, which stands in ``attrs["units"]``. The index
            ``time`` is the recording's own clock [s] and holds the times of all the channels named; NaN
            stands where a channel has no sample.

        Raises
        ------
        LogError
            If the recording has no such channel.

        Examples
        --------
        >>> import flightproc as fp
        >>> engine = fp.read_log("sample_logs/school-wing-28/engine.csv")
        >>> engine.frame("rpm").head(2)
              rpm
        time
        0.0   0.0
        0.2   0.0
        """
        import pandas as pd

        from ..channels import CHANNELS
        from ..errors import LogError

        absent = [name for name in channels if self.get(name) is None]
        if absent:
            raise LogError(
                "the recording has no channel " + ", ".join(absent),
                where=self.path,
                allowed=", ".join(self.channels) or "none: nothing in it feeds a channel",
            )
        best = {name: self.channels[name][0] for name in channels or self.channels if self.channels[name]}
        columns = [
            pd.Series(one.values, index=pd.Index(one.time, name="time"), name=name)
            for name, one in best.items()
        ]
        frame = (
            pd.concat(columns, axis=1).sort_index()
            if columns
            else pd.DataFrame(index=pd.Index([], name="time"))
        )
        frame.attrs["units"] = {name: CHANNELS[name].unit for name in best}
        return frame

    def _card(self) -> Card:
        import datetime as dt

        first, last = self.span
        name = self.path.replace("\\", "/").rpartition("/")[2]
        size = f"{self.size / 1e6:.1f} MB" if self.size >= 1e5 else f"{self.size} bytes"
        title = f"{name}, {self.format}, {size}"
        if last >= first:
            title += f", {time_text(last - first)} min"
        facts = []
        if self.start_utc is not None and last >= first:
            begun = dt.datetime.fromtimestamp(self.start_utc + first, dt.UTC)
            facts.append(("begins", f"{begun:%Y-%m-%d %H:%M:%S} UTC"))
        if self.damage:
            codes = sorted({item.code for item in self.damage})
            facts.append(("damage", f"{len(self.damage)}: {', '.join(codes)}"))
        if self.notes:
            facts.append(("notes", f"{len(self.notes)}"))
        if self.waveforms:
            facts.append(("waveforms", ", ".join(f"{w.source} at {w.rate:.0f} Hz" for w in self.waveforms)))
        rows = []
        for channel, group in self.channels.items():
            for one in group[:1]:
                rows.append((channel, f"{one.time.size}", f"{one.rate_hz:.3g}", one.source))
        return Card(title, tuple(facts), ("channel", "samples", "rate [Hz]", "from"), tuple(rows))
