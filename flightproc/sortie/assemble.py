"""From sheets and recordings to a sortie: every channel on one time base."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import NDArray

from ..channels import CHANNELS, GRAVITY
from ..errors import SortieError
from ..readers.recording import Recording
from .air import density_along, standard_pressure_height
from .airspeed import AirspeedResult, Inputs, resolve_airspeed
from .align import Aligned
from .clocking import align_all, refine_all
from .engine import engine_speed, power_groups
from .engine_rpm import with_sound_rpm, with_vibration_rpm
from .gather import Gathered, OnGrid, gather_channels
from .grid import running_mean, to_grid
from .join import check_specific_force, clock_groups, prefer_sources, united
from .model import ChannelTable, Sortie
from .motion import Motion, MountSheet, resolve_motion
from .phases import airborne_stretches, mask_of, still_stretches
from .refine import Felt
from .signals import LogSignals
from .strapdown import strapdown_attitude

if TYPE_CHECKING:
    import pandas as pd

    from ..sheets import Sheets

__all__ = ["assemble_sortie"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

_RATES = ("roll_rate", "pitch_rate", "yaw_rate")
_FORCES = ("specific_force_x", "specific_force_y", "specific_force_z")
_REALIGN = 0.02  # [s] change of a clock offset that is worth another pass
_WORKED_OUT = ("turn_rate", "hang_roll", "load", "density", "airspeed")


def assemble_sortie(
    sheets: Sheets, recordings: Mapping[str, Recording], progress: Progress | None = None
) -> Sortie:
    """Bring all logs of a sortie to one time base and work out the channels that follow.

    Parameters
    ----------
    sheets : Sheets
        Sheets of the sortie.
    recordings : mapping of str to Recording
        What each log holds, by the log's name in the sortie sheet.
    progress : callable, optional
        Called with words and the part done, from 0 to 1.

    Returns
    -------
    Sortie

    Raises
    ------
    SortieError
        If the unit's log is not among the recordings, or holds no body rates.

    Notes
    -----
    Order: clocks, grid, phases, density, attitude without airspeed, wind and airspeed, clocks once more with
    the air track, attitude with airspeed, sensor yaw, gyro bias against the air track, bank. What is
    missing is told in ``warnings`` with what it costs and how to get it.

    Examples
    --------
    >>> import flightproc as fp
    >>> sheets = fp.load_sortie("sample_logs/school-wing-28/sortie.toml")
    >>> sortie = fp.assemble_sortie(sheets, fp.read_recordings(sheets))
    >>> [offset.method for offset in sortie.clock_offsets]
    ['reference', 'acceleration', 'vibration']
    """
    report = progress or (lambda words, part: None)
    entries = {entry.name: entry for entry in sheets.sortie.logs}
    unit_name = next((name for name, entry in entries.items() if entry.role == "unit"), None)
    if unit_name is None or unit_name not in recordings:
        raise SortieError(
            "the log of the hung unit is missing",
            found=sorted(recordings),
            allowed="one log with the role 'unit'",
            hint='name the log of the unit\'s inertial sensor in [[logs]] with role = "unit"',
        )
    entries = {name: entry for name, entry in entries.items() if name in recordings}
    recordings = {name: prefer_sources(entry, recordings[name]) for name, entry in entries.items()}
    heard, engine_words = with_sound_rpm(entries, recordings, sheets.aircraft)
    recordings = dict(heard)
    groups = clock_groups(entries, recordings)
    clocks = {root: LogSignals(united(members, recordings)) for root, members in groups.items()}
    unit = clocks[unit_name].recording
    missing = [name for name in (*_RATES, *_FORCES) if unit.get(name) is None]
    if any(name in _RATES for name in missing):
        raise SortieError(
            f"the unit's log lacks {', '.join(missing)}",
            where=unit.path,
            allowed="body rates and specific force about and along all three axes",
            hint=(
                "log the inertial sensor of the unit itself (run: flightproc logs FILE); where it writes a "
                "file for each sensor, name all of them in [[logs]], with same_clock_as"
            ),
        )
    check_specific_force(unit)
    rate = float(sheets.sortie.settings.grid_hz)
    start, end = recordings[unit_name].span
    count = int(np.floor((end - start) * rate)) + 1
    if count < 10 * rate:
        raise SortieError(
            "the unit's log is too short",
            where=unit.path,
            found=f"{end - start:.1f} s",
            allowed="at least 10 s",
        )
    grid = np.arange(count) / rate
    body = tuple(groups[unit_name])
    on_grid = OnGrid(grid)

    def gather(clock: Mapping[str, Aligned]) -> _Passes:
        gathered = gather_channels(entries, recordings, clock, grid, body=body, placed=on_grid)
        passes = _Passes(sheets, grid, rate, gathered)
        passes.first()
        return passes

    report("aligning clocks", 0.1)
    aligned = align_all(entries, groups, clocks, unit_name, start)
    placed = {name: recordings[name] for name in entries if aligned[name].found is not None}
    felt, more_words = with_vibration_rpm(unit_name, unit, placed, sheets.aircraft)
    recordings = {**recordings, **felt}
    engine_words += more_words
    report("bringing channels to one time base, wind and airspeed", 0.4)
    passes = gather(aligned)
    if passes.speed.fit is not None and passes.speed.fit.found:
        report("clocks once more, with the wind", 0.6)
        passes.turning()
        wind = (float(passes.speed.fit.mean[0]), float(passes.speed.fit.mean[1]))
        again = refine_all(entries, groups, clocks, unit_name, start, aligned, wind, passes.felt)
        if any(_moved(aligned[name], again[name]) for name in again):
            passes = gather(again)
        aligned = again
    report("attitude and turn rate", 0.8)
    passes.second()
    _same_way_round(passes)
    passes.warnings = [*engine_words, *passes.warnings]
    report("sortie assembled", 1.0)
    return _sortie(passes, aligned, recordings, unit_name)


def _moved(before: Aligned, after: Aligned) -> bool:
    if before.found is None or after.found is None:
        return before.found is not after.found
    return abs(after.found.at(0.0) - before.found.at(0.0)) > _REALIGN


def _same_way_round(passes: _Passes) -> None:
    """Refuse a sensor whose gyros turn against the track."""
    track = passes._air_track()
    if track is None:
        return
    good = passes.use & np.isfinite(track)
    if good.sum() < 60 * passes.rate:
        return
    index = np.arange(track.size)
    angle = np.interp(index, index[good], np.unwrap(track[good]))
    size = 2 * round(2 * passes.rate) + 1
    seen = running_mean(np.gradient(angle) * passes.rate, size)
    told = running_mean(passes.motion.attitude.turn_rate, size)
    good &= np.isfinite(seen) & np.isfinite(told)
    if np.std(seen[good]) < np.radians(2.0):
        return
    agreement = float(np.corrcoef(seen[good], told[good])[0, 1])
    if agreement < -0.5:
        raise SortieError(
            "the gyros turn one way and the track the other",
            found=f"a correlation of {agreement:.2f}",
            allowed="near 1",
            hint=(
                "some loggers write the accelerometer or the gyros with the other sign: level and at rest, "
                "the force along z (down) is -9.8 m/s^2. State sign = -1 for the three columns"
            ),
        )


class _Passes:
    """What is worked out on the grid, in two passes: without airspeed, then with it."""

    def __init__(self, sheets: Sheets, grid: Array, rate: float, gathered: Gathered) -> None:
        self.sheets = sheets
        self.grid = grid
        self.rate = rate
        self.gathered = gathered
        self.columns = gathered.columns
        self.sources = gathered.sources
        self.warnings: list[str] = list(gathered.warnings)
        self.weighed = all(name in self.columns for name in _FORCES)
        if not self.weighed:
            # a hung unit feels apparent gravity along its own hang line, to a few degrees: good enough for
            # the turn rate, which is all that is made of it
            for name, value in zip(_FORCES, (0.0, 0.0, -GRAVITY), strict=True):
                self.columns[name] = np.full(grid.size, value)
                self.sources[name] = "assumed along the hang line"
        self.speed: AirspeedResult
        self.motion: Motion
        self.moved_with: AirspeedResult | None = None

    def first(self) -> None:
        """Phases, density, rpm, climb, motion without airspeed, then airspeed."""
        c, rate = self.columns, self.rate
        self.raw_rates = (c[_RATES[0]], c[_RATES[1]], c[_RATES[2]])
        self.raw_forces = (c[_FORCES[0]], c[_FORCES[1]], c[_FORCES[2]])
        self._climb()
        level = c.get("height")
        if level is None and "pressure" in c:
            level = standard_pressure_height(c["pressure"])
        self.still = still_stretches(self.raw_rates, self.raw_forces, c.get("ground_speed"), rate, level)
        self.airborne, self.phase_words = airborne_stretches(
            self.grid.size,
            rate,
            ground_speed=c.get("ground_speed"),
            height=level,
            rates=self.raw_rates,
            still=self.still,
        )
        self.use = mask_of(self.airborne, self.grid)
        air = self.sheets.sortie.air
        hectopascal = air.ground_pressure_hPa if air is not None else None
        celsius = air.ground_temperature_C if air is not None else None
        self.density = density_along(
            self.grid.size,
            pressure=c.get("pressure"),
            temperature=c.get("temperature"),
            height=c.get("height"),
            ground_pressure=hectopascal * 100.0 if hectopascal is not None else None,
            ground_temperature=celsius + 273.15 if celsius is not None else None,
            ground_height=air.ground_height_m if air is not None else None,
        )
        rpm, words = engine_speed(
            c.get("rpm"), c.get("propeller_rpm"), self.sheets.aircraft.engine.gear_ratio
        )
        if rpm is not None:
            c["rpm"] = rpm
            if words and "rpm" not in self.sources:
                self.sources["rpm"] = f"{self.sources['propeller_rpm']}, {words}"
            elif words:
                self.warnings.append(words)
        self.groups = power_groups(rpm, rate, self.grid.size)
        self.motion = self._motion(None)
        self.speed = resolve_airspeed(self._inputs())

    def turning(self) -> None:
        """Motion with airspeed, unless it stands already."""
        if self.moved_with is not self.speed:
            self.motion = self._motion(self.speed.airspeed)
            self.moved_with = self.speed

    def second(self) -> None:
        """Motion with airspeed, airspeed with that turn rate, and motion once more."""
        self.turning()
        self.speed = resolve_airspeed(self._inputs())
        self.turning()

    def _climb(self) -> None:
        """Rate of climb: as measured, else from pressure, else from height; smoothed where worked out."""
        c = self.columns
        if "climb" in c and not self.gathered.derived.get("climb", False):
            return
        size = 2 * round(1.5 * self.rate) + 1
        for name in ("pressure", "height"):
            if name not in c:
                continue
            level = standard_pressure_height(c[name]) if name == "pressure" else c[name]
            slow = running_mean(running_mean(level, size), size)
            c["climb"] = np.where(np.isfinite(level), np.gradient(slow) * self.rate, np.nan)
            self.sources["climb"] = f"rate of change of {name} over 3 s ({self.sources[name]})"
            return

    def _motion(self, airspeed: Array | None) -> Motion:
        sensor = self.sheets.aircraft.sensor
        c = self.columns
        return resolve_motion(
            self.raw_rates,
            self.raw_forces,
            rate=self.rate,
            still=mask_of(self.still, self.grid),
            use=self.use,
            steady=self.use & (self.groups >= 0),
            mount=MountSheet(sensor.mount_roll_deg, sensor.mount_pitch_deg, sensor.mount_yaw_deg),
            airspeed=airspeed,
            track=self._air_track() if airspeed is not None else None,
            logged=(c.get("bank"), c.get("pitch")),
            velocity=(c["velocity_north"], c["velocity_east"]) if "velocity_north" in c else None,
            swing=self.motion.swing if airspeed is not None else None,
        )

    def felt(self, time: Array, north: Array, east: Array) -> Felt:
        """Acceleration that the unit felt, with attitude held by a log's ground velocity."""
        a, wind = self.motion.attitude, self.speed.wind
        north, east = to_grid(time, north, self.grid)[0], to_grid(time, east, self.grid)[0]
        found = strapdown_attitude(
            self.motion.rates,
            self.motion.forces,
            (a.bank, a.pitch, a.turn_rate),
            (north, east),
            np.arctan2(east - (wind.east.value or 0.0), north - (wind.north.value or 0.0)),
            rate=self.rate,
        )
        return Felt(self.grid, found.acceleration_north, found.acceleration_east, found.heading)

    def _air_track(self) -> Array | None:
        c = self.columns
        if "velocity_north" not in c:
            return None
        north, east = c["velocity_north"], c["velocity_east"]
        wind = self.speed.wind
        if wind.north.value is not None and wind.east.value is not None:
            north, east = north - wind.north.value, east - wind.east.value
        return np.asarray(np.arctan2(east, north), dtype=float)

    def _inputs(self) -> Inputs:
        c = self.columns
        air = self.sheets.sortie.air
        stated = None
        if air is not None and air.wind_speed_m_s is not None and air.wind_from_deg is not None:
            azimuth = np.radians(air.wind_from_deg)
            stated = (
                float(-air.wind_speed_m_s * np.cos(azimuth)),
                float(-air.wind_speed_m_s * np.sin(azimuth)),
                float(air.wind_std_m_s),
            )
        return Inputs(
            time=self.grid,
            rate=self.rate,
            use=self.use,
            north=c.get("velocity_north"),
            east=c.get("velocity_east"),
            climb=c.get("climb"),
            height=c.get("height"),
            density=self.density.density,
            turn_rate=self.motion.attitude.turn_rate,
            groups=self.groups,
            rpm=c.get("rpm"),
            pitot=c.get("true_airspeed"),
            indicated=c.get("indicated_airspeed"),
            trim_speed=self.sheets.glider.trim_speed_m_s,
            stated_wind=stated,
        )

    def lacks(self) -> list[str]:
        """Say what is missing, what it costs and how to get it."""
        c = self.columns
        told = []
        if not self.weighed:
            told.append(
                "no specific force in the unit's log: hang roll and bank are unknown, the sensor is taken to "
                "sit square in the unit, and the turn alone tells of the moment; log the accelerometer too"
            )
        if "velocity_north" not in c:
            told.append(
                "no ground velocity: neither wind nor airspeed can be found from the flight; add a GPS log"
            )
        if "rpm" not in c:
            told.append(
                "no engine speed: power holds can be neither told apart nor compared with the rig; add an "
                "engine log"
            )
        if "pressure" not in c:
            told.append(
                f"no static pressure: density is from {self.density.words} "
                f"({100 * self.density.std_ratio:.0f} % standard uncertainty); log a barometer"
            )
        elif "temperature" not in c:
            told.append(
                f"no outside air temperature: density uses {self.density.words} "
                f"({100 * self.density.std_ratio:.1f} % standard uncertainty)"
            )
        if not self.airborne:
            told.append(f"no flight was found in the unit's log (by {self.phase_words})")
        if not self.still:
            told.append(
                "the unit never stood still in the log, so the gyro bias "
                + (
                    "was taken from the flight"
                    if self.motion.strapdown is not None
                    else "about the vertical was taken from the track, the others as 0"
                    if "velocity_north" in c
                    else "was taken as 0"
                )
                + "; log 20 s of standing still before take-off"
            )
        return told


def _sortie(
    passes: _Passes, aligned: Mapping[str, Aligned], recordings: Mapping[str, Recording], unit_name: str
) -> Sortie:
    c, motion, speed = dict(passes.columns), passes.motion, passes.speed
    sources = dict(passes.sources)
    for name, values in zip(_RATES, motion.rates, strict=True):
        c[name] = values
        sources[name] += ", turned to body axes, bias taken off"
    for name, values in zip(_FORCES, motion.forces, strict=True):
        c[name] = values
        sources[name] += ", turned to body axes"
    c["bank"], c["pitch"] = motion.bank, motion.pitch
    sources["bank"] = motion.bank_source
    sources["pitch"] = motion.pitch_source
    c["turn_rate"] = motion.attitude.turn_rate
    sources["turn_rate"] = motion.turn_source
    c["hang_roll"] = motion.attitude.hang_roll
    sources["hang_roll"] = "atan2(-fy, -fz)"
    c["load"] = np.sqrt(sum((f**2 for f in motion.forces), np.zeros(passes.grid.size)))
    sources["load"] = "size of the specific force"
    c["density"] = passes.density.density
    sources["density"] = passes.density.words
    c["airspeed"] = speed.airspeed
    sources["airspeed"] = speed.source
    if not passes.weighed:
        for name in (*_FORCES, "hang_roll", "load", "bank", "pitch"):
            c.pop(name, None)
    order = [name for name in (*CHANNELS, *_WORKED_OUT) if name in c]
    table = ChannelTable(passes.grid, {name: np.asarray(c[name], dtype=float) for name in order})
    warnings: list[str] = []
    start_utc, end = None, float(passes.grid[-1])
    for name, one in aligned.items():
        warnings += one.warnings
        if one.found is None:
            continue
        utc = recordings[name].start_utc
        if utc is not None and (start_utc is None or name == unit_name):
            start_utc = utc - one.found.at(0.0)
        low, high = (float(x) for x in one.times(np.array(recordings[name].span)))
        covered = max(0.0, min(high, end) - max(low, 0.0))
        if name != unit_name and covered < 0.95 * end:
            warnings.append(
                f"{name}: covers {covered:.0f} s of the {end:.0f} s of the unit's log "
                f"({max(low, 0.0):.0f} to {min(high, end):.0f} s); outside, what no other log holds is "
                "missing"
            )
    return Sortie(
        channels=cast("pd.DataFrame", table),  # which it becomes where it is asked for
        rate=passes.rate,
        start_utc=start_utc,
        sources={name: sources[name] for name in order if name in sources},
        clock_offsets=tuple(one.clock for one in aligned.values()),
        wind=speed.wind,
        airspeed_std=speed.std,
        density_std_ratio=passes.density.std_ratio,
        bank_source=motion.bank_source if passes.weighed else "no specific force in the unit's log",
        mount=motion.mount
        if passes.weighed
        else "roll and pitch as in the aircraft sheet, else 0: no specific force to find them by",
        ground_still=passes.still,
        airborne=passes.airborne,
        warnings=tuple(
            dict.fromkeys([*warnings, *passes.warnings, *passes.lacks(), *speed.warnings, *motion.warnings])
        ),
        mount_yaw_std=motion.mount_yaw_std,
    )
