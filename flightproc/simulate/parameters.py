"""The numbers a simulated sortie is made from, true values and stated ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from ..errors import FlightprocError

__all__ = ["CALIBRATIONS", "DEFAULTS", "Parameters", "Stated", "override"]

CALIBRATIONS = ("ballast", "tilt", "inertia", "prior")
"""What a sortie may have to calibrate with."""


@dataclass(frozen=True)
class Parameters:
    """True values: what the simulated world is.

    Angles are in rad, everything else in SI units, except engine speeds [1/min].
    Axes: x forward, y right, z down; a positive moment rolls or turns right.

    Attributes
    ----------
    hung_mass, wing_mass : float
        Mass below the hang points (pilot, unit, fuel, the ballast carried) and of the wing [kg].
    hang_arm : float
        Depth of the hung mass's centre of gravity below the line through the hang points [m].
    hang_span : float
        Distance between the hang points [m].
    hung_inertia : float
        Roll inertia of the hung mass about the hang line [kg m^2].
    hung_damping : float
        Roll damping between unit and wing [N m s/rad].
    riser_roll_stiffness : float
        Roll moment the risers pass to the wing per angle between unit and wing [N m/rad].
    gravity_offset : float
        Lateral offset of the centre of gravity [m], positive right.
    pilot_shift, pilot_shift_time : float
        Wander of the centre of gravity as the pilot moves: standard deviation [m] and time constant [s].
    imu_depth : float
        Depth of the IMU below the hang line [m].
    wing_area, wing_span : float
        Flat area [m^2] and flat span [m]; the derivatives refer to them.
    wing_roll_inertia, wing_yaw_inertia : float
        Inertias of the whole aircraft about its centre of gravity, apparent mass included [kg m^2].
    c_y_beta, c_l_beta, c_l_p, c_l_r, c_n_beta, c_n_p, c_n_r : float
        Lateral derivatives; rates are made dimensionless with span / (2 airspeed).
    c_l_trim, c_n_trim : float
        Built-in asymmetry of the wing, as moment coefficients.
    trim_speed : float
        Equivalent airspeed of the glide in straight flight [m/s] (true airspeed at 1.225 kg/m^3).
    glide_ratio : float
        Lift over drag.
    speed_with_thrust : float
        Relative change of trim airspeed per thrust over weight.
    speed_frequency, speed_damping : float
        Natural frequency [rad/s] and damping ratio of the airspeed's response.
    pitch_trim, pitch_with_thrust : float
        Pitch of the unit in a glide [rad], and its change per thrust over weight [rad].
    gear_ratio : float
        Engine revolutions per propeller revolution.
    propeller_diameter : float
        [m].
    propeller_blades : int
        Number of blades.
    propeller_pitch : float
        Geometric pitch [m]; written to the sheet, not used in the dynamics.
    rotation : str
        ``left`` or ``right``, turning sense seen from behind.
    torque_coefficient, torque_slope : float
        Static C_Q = Q / (rho n^2 D^5), and s in Q = C_Q rho n^2 D^5 (1 + s J).
    thrust_coefficient, thrust_slope : float
        Static C_T = T / (rho n^2 D^4), and its relative loss per J.
    engine_lag : float
        Time constant of engine speed [s].
    engine_wander : float
        Standard deviation of the wander of engine speed [1/min].
    idle_rpm, clutch_rpm : float
        Idle speed, and the speed above which the clutch begins to turn the propeller [1/min].
    thrust_offset : float
        Lateral offset of the thrust line [m], positive right (turns left).
    shaft_tilt : float
        Upward tilt of the propeller shaft against the unit's x axis [rad].
    compensation : str
        ``none``, ``hang_offset``, ``thrust_tilt`` or ``slipstream_surface``.
    compensation_moment : float
        What the compensation takes off the reaction at `compensation_rpm` in flight [N m].
    compensation_rpm : float
        [1/min].
    wind_north, wind_east : float
        Mean motion of the air over ground [m/s].
    gust_level, gust_length : float
        Standard deviation of each gust component [m/s] and its length scale [m].
    field_height : float
        Height of the field above mean sea level [m].
    ground_pressure, ground_temperature : float
        Air at the field [Pa], [K].
    ballast_mass, ballast_arm : float
        Ballast [kg] and its distance from the centre plane when hung out [m]. Otherwise it rides in the
        centre, so the hung mass is the same throughout.
    latitude, longitude : float
        Place of the invented field [deg].
    mount_roll, mount_pitch, mount_yaw : float
        Rotation from sensor axes to body axes [rad], in the order yaw, pitch, roll as for an attitude.
    gyro_bias, accelerometer_bias : tuple of float
        Constant bias of each sensor axis [rad/s], [m/s^2].
    gyro_noise, accelerometer_noise : float
        Noise of one sample [rad/s], [m/s^2].
    gyro_drift, accelerometer_drift : float
        Change of bias from switch-on to warm, whatever the air does [rad/s], [m/s^2].
    gyro_instability, accelerometer_instability : float
        Standard deviation of a slow first-order Gauss-Markov wander of each axis' bias [rad/s], [m/s^2].
    gyro_instability_time, accelerometer_instability_time : float
        Its time constant [s].
    gyro_temperature, accelerometer_temperature : tuple of float
        Change of each axis' bias with the sensor's temperature [rad/s/K], [m/s^2/K].
    self_heating, case_time : float
        How much warmer than the air the sensor becomes after switch-on [K], and the time constant with
        which it follows both the air and its own heat [s].
    gyro_scale, accelerometer_scale : tuple of float
        Relative scale-factor error of each sensor axis.
    vibration : float
        Amplitude of vibration at 8000 rpm along z [m/s^2]; half of it along x and y.
    vibration_jitter : float
        How far the phase of vibration wanders from one sample to the next [rad]; 0 leaves clean lines.
    attitude : str
        ``levelled`` (on the accelerometer), ``navigation`` or ``none``.
    imu_rate, attitude_rate, baro_rate, gps_rate, engine_rate : float
        Sampling rates [Hz].
    baro_noise : float
        [Pa].
    gps_noise, gps_speed_noise : float
        Standard deviation of slow position error [m] and of one velocity sample [m/s].
    gps_latency : float
        How late a fix is stamped [s].
    gps_dropouts, engine_dropouts : int
        Number of stretches of 5 to 60 s in flight in which that log has nothing.
    gps_offset, engine_offset : float
        What to add to that log's own time to get unit time [s].
    gps_drift, engine_drift : float
        Relative rate error of that log's clock against the unit's (1e-6 = 1 ppm).
    riser_yaw_stiffness : float
        Yaw moment the risers pass to the wing per sine of the unit's twist under them [N m]; 0 holds the unit
        rigidly in yaw.
    unit_yaw_inertia, unit_yaw_damping : float
        Yaw inertia of the hung mass [kg m^2], and yaw damping between unit and wing [N m s/rad].
    riser_rake : float
        How far the risers rake back against the unit per thrust over weight [rad]; the roll moment they pass
        has that share as yaw on the unit. Counts only where the unit can twist.
    canopy_roll_gain, canopy_yaw_gain : float
        Further roll and yaw moment of the wing per roll moment the risers pass, as load differences deform
        the canopy.
    turn_with_thrust : float
        Relative change of the wing's turn coefficients at a thrust of 0.4 weight.
    torque_curvature : float
        c in Q = C_Q rho n^2 D^5 (1 + s J + c J^2).
    idle_turns_propeller : bool
        Whether the propeller turns whenever the engine does: no clutch.
    trim_drift : float
        Standard deviation of the change of `c_l_trim` within half an hour, a random walk.
    offset_drift : float
        Change of `gravity_offset` as the pilot settles, approached with a time constant of 10 min [m].
    fuel_burn : float
        Fuel burned per hour at 8000 rpm [kg/h], with the cube of engine speed; the hung mass falls by it.
    gust_form : str
        ``dryden`` or ``von_karman``.
    gust_patchiness, gust_patch_time : float
        Standard deviation of the logarithm of a slow factor on the gust level, whose mean square is 1, and
        its time constant [s].
    thermal_level, thermal_length : float
        Mean core strength of patches of rising and sinking air [m/s], and their width [m].
    pilot_input_share : float
        Chance of each planned hold that the pilot holds or pulls a brake in it.
    brake_roll : float
        Roll moment of a brake per its yaw moment.
    pitch_period, pitch_damping : float
        Period [s] and damping ratio of the unit's swing in pitch; a period of 0 leaves a lag of 0.8 s that
        knows no acceleration.

    Examples
    --------
    >>> Parameters(hung_mass=110.0)
    Parameters(hung_mass=110.0)
    """

    hung_mass: float = 100.0
    wing_mass: float = 6.5
    hang_arm: float = 0.35
    hang_span: float = 0.45
    hung_inertia: float = 20.0
    hung_damping: float = 28.0
    riser_roll_stiffness: float = 150.0
    gravity_offset: float = 0.002
    pilot_shift: float = 0.0008
    pilot_shift_time: float = 5.0
    imu_depth: float = 0.15
    wing_area: float = 28.0
    wing_span: float = 12.0
    wing_roll_inertia: float = 520.0
    wing_yaw_inertia: float = 190.0
    c_y_beta: float = -0.20
    c_l_beta: float = -0.126
    c_l_p: float = -0.35
    c_l_r: float = 0.138
    c_n_beta: float = 0.042
    c_n_p: float = 0.0
    c_n_r: float = -0.080
    c_l_trim: float = 1.0e-4
    c_n_trim: float = -0.5e-4
    trim_speed: float = 10.2
    glide_ratio: float = 6.5
    speed_with_thrust: float = -0.03
    speed_frequency: float = 1.1
    speed_damping: float = 0.5
    pitch_trim: float = -0.03
    pitch_with_thrust: float = 0.20
    gear_ratio: float = 2.8
    propeller_diameter: float = 1.28
    propeller_blades: int = 2
    propeller_pitch: float = 0.62
    rotation: str = "left"
    torque_coefficient: float = 0.00445
    torque_slope: float = 0.15
    thrust_coefficient: float = 0.0835
    thrust_slope: float = 0.85
    engine_lag: float = 0.8
    engine_wander: float = 12.0
    idle_rpm: float = 2200.0
    clutch_rpm: float = 2800.0
    thrust_offset: float = -0.002
    shaft_tilt: float = -0.04
    compensation: str = "none"
    compensation_moment: float = 0.0
    compensation_rpm: float = 6800.0
    wind_north: float = -2.1
    wind_east: float = 1.3
    gust_level: float = 0.25
    gust_length: float = 150.0
    field_height: float = 300.0
    ground_pressure: float = 98200.0
    ground_temperature: float = 284.15
    ballast_mass: float = 5.0
    ballast_arm: float = 0.30
    latitude: float = 46.0
    longitude: float = -20.0
    mount_roll: float = 0.03
    mount_pitch: float = -0.05
    mount_yaw: float = 0.02
    gyro_bias: tuple[float, float, float] = (0.004, -0.003, 0.002)
    accelerometer_bias: tuple[float, float, float] = (0.03, -0.02, 0.05)
    gyro_noise: float = 0.003
    accelerometer_noise: float = 0.05
    gyro_drift: float = 0.0006
    accelerometer_drift: float = 0.008
    gyro_instability: float = 0.0
    gyro_instability_time: float = 200.0
    accelerometer_instability: float = 0.0
    accelerometer_instability_time: float = 200.0
    gyro_temperature: tuple[float, float, float] = (0.0, 0.0, 0.0)
    accelerometer_temperature: tuple[float, float, float] = (0.0, 0.0, 0.0)
    self_heating: float = 8.0
    case_time: float = 400.0
    gyro_scale: tuple[float, float, float] = (0.0, 0.0, 0.0)
    accelerometer_scale: tuple[float, float, float] = (0.0, 0.0, 0.0)
    vibration: float = 0.8
    vibration_jitter: float = 1.3
    attitude: str = "levelled"
    imu_rate: float = 50.0
    attitude_rate: float = 10.0
    baro_rate: float = 5.0
    gps_rate: float = 2.0
    engine_rate: float = 5.0
    baro_noise: float = 2.0
    gps_noise: float = 1.2
    gps_speed_noise: float = 0.06
    gps_latency: float = 0.0
    gps_dropouts: int = 0
    engine_dropouts: int = 0
    gps_offset: float = 23.4
    engine_offset: float = -41.7
    gps_drift: float = 0.0
    engine_drift: float = 0.0
    riser_yaw_stiffness: float = 0.0
    unit_yaw_inertia: float = 8.0
    unit_yaw_damping: float = 6.0
    riser_rake: float = 0.0
    canopy_roll_gain: float = 0.0
    canopy_yaw_gain: float = 0.0
    turn_with_thrust: float = 0.0
    torque_curvature: float = 0.0
    idle_turns_propeller: bool = False
    trim_drift: float = 0.0
    offset_drift: float = 0.0
    fuel_burn: float = 0.0
    gust_form: str = "dryden"
    gust_patchiness: float = 0.0
    gust_patch_time: float = 60.0
    thermal_level: float = 0.0
    thermal_length: float = 120.0
    pilot_input_share: float = 0.0
    brake_roll: float = 0.3
    pitch_period: float = 0.0
    pitch_damping: float = 0.15

    @property
    def mass(self) -> float:
        """All-up mass [kg]."""
        return self.hung_mass + self.wing_mass

    @property
    def sense(self) -> float:
        """Sign of the torque reaction: +1 for a left-turning propeller (rolls right), else -1."""
        return 1.0 if self.rotation == "left" else -1.0

    def as_dict(self) -> dict[str, Any]:
        """Return the parameters as plain values, for the truth file."""
        return asdict(self)

    def __repr__(self) -> str:
        """Name what differs from the defaults; there are a hundred parameters."""
        changed = [
            f"{item.name}={getattr(self, item.name)!r}"
            for item in fields(self)
            if getattr(self, item.name) != item.default
        ]
        more = f", … {len(changed) - 6} more" if len(changed) > 6 else ""
        return f"Parameters({', '.join(changed[:6])}{more})"


DEFAULTS = Parameters()
"""The world of the sample before its true values are drawn."""


@dataclass(frozen=True)
class Stated:
    """What the sheets say: nominal values and the standard uncertainties the truth is drawn with.

    Attributes
    ----------
    hung_mass, hung_mass_std : float
        [kg].
    wing_mass : float
        [kg].
    hang_span, hang_span_std, hang_arm, hang_arm_std : float
        [m].
    ballast_mass, ballast_mass_std : float
        [kg].
    ballast_arm, ballast_arm_std : float
        [m].
    compensation_moment, compensation_moment_std : float or None
        What the maker gives for the compensation [N m]; None states the true moment, 20 % uncertain.
    calibration : str
        What is there to calibrate with: ``ballast`` (ballast glides), ``tilt`` (a ground tilt test),
        ``inertia`` (a tilt test and a pendulum) or ``prior`` (nothing). Without ballast glides those legs
        are flown as plain glides.

    Examples
    --------
    >>> Stated(hung_mass=110.0).hung_mass_std
    1.0
    """

    hung_mass: float = 100.0
    hung_mass_std: float = 1.0
    wing_mass: float = 6.5
    hang_span: float = 0.45
    hang_span_std: float = 0.01
    hang_arm: float = 0.35
    hang_arm_std: float = 0.03
    ballast_mass: float = 5.0
    ballast_mass_std: float = 0.05
    ballast_arm: float = 0.30
    ballast_arm_std: float = 0.005
    compensation_moment: float | None = None
    compensation_moment_std: float | None = None
    calibration: str = "ballast"

    def __post_init__(self) -> None:
        """Refuse a way of calibration that is not known."""
        if self.calibration not in CALIBRATIONS:
            raise FlightprocError(
                "calibration is not allowed", found=self.calibration, allowed=", ".join(CALIBRATIONS)
            )


_CHOICES = {
    "rotation": ("left", "right"),
    "compensation": ("none", "hang_offset", "thrust_tilt", "slipstream_surface"),
    "attitude": ("levelled", "navigation", "none"),
    "gust_form": ("dryden", "von_karman"),
}


def override(parameters: Parameters, values: Mapping[str, Any]) -> Parameters:
    """Return parameters with some values replaced.

    Parameters
    ----------
    parameters : Parameters
        To start from.
    values : mapping
        Attribute name to new value.

    Raises
    ------
    FlightprocError
        If a name is not known or a choice not allowed.

    Examples
    --------
    >>> override(DEFAULTS, {"rotation": "right"}).sense
    -1.0
    """
    known = {field.name for field in fields(Parameters)}
    for name, value in values.items():
        if name not in known:
            raise FlightprocError(
                "the simulator has no such parameter", found=name, allowed=", ".join(sorted(known))
            )
        if name in _CHOICES and value not in _CHOICES[name]:
            raise FlightprocError(f"{name} is not allowed", found=value, allowed=", ".join(_CHOICES[name]))
    return replace(parameters, **values)
