"""The channel table: every channel's name, unit, sign and meaning.

Inside the program all values are SI with angles in radians; the one exception is ``rpm``, which keeps the
unit of the trade. Axes: x forward, y right, z down. Positive roll: right side down. Positive yaw: nose right.
A positive moment rolls or turns right.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CHANNELS", "GRAVITY", "Channel"]

GRAVITY = 9.80665
"""Standard acceleration of gravity [m/s^2] (ISO 80000-3)."""


@dataclass(frozen=True)
class Channel:
    """One channel.

    Attributes
    ----------
    name : str
        Name used throughout the program.
    unit : str
        SI unit as printed; ``1/min`` for rpm, ``1`` for a fraction.
    meaning : str
        What it is, with its sign.
    low, high : float
        Limits outside which a sample is taken for a fault of the logger.
    angle : bool
        Whether it wraps at a full turn.

    Examples
    --------
    >>> import flightproc as fp
    >>> fp.CHANNELS["bank"]
    Channel(name='bank', unit='rad', meaning='bank angle of the body, positive right side down',
            low=-3.15, high=3.15, angle=True)
    """

    name: str
    unit: str
    meaning: str
    low: float
    high: float
    angle: bool = False


_TABLE = (
    Channel("roll_rate", "rad/s", "body rate about x, positive right side going down", -40.0, 40.0),
    Channel("pitch_rate", "rad/s", "body rate about y, positive nose going up", -40.0, 40.0),
    Channel("yaw_rate", "rad/s", "body rate about z, positive nose going right", -40.0, 40.0),
    Channel("specific_force_x", "m/s^2", "specific force along x (forward); 0 at rest and level", -400, 400),
    Channel("specific_force_y", "m/s^2", "specific force along y (right); 0 at rest and level", -400, 400),
    Channel("specific_force_z", "m/s^2", "specific force along z (down); -9.81 at rest and level", -400, 400),
    Channel("bank", "rad", "bank angle of the body, positive right side down", -3.15, 3.15, True),
    Channel("pitch", "rad", "pitch angle of the body, positive nose up", -1.6, 1.6, False),
    Channel("heading", "rad", "true heading of the body x axis, clockwise from north", -6.3, 6.3, True),
    Channel("rpm", "1/min", "engine speed", 0.0, 30_000.0),
    Channel("propeller_rpm", "1/min", "propeller speed, where it is logged directly", 0.0, 30_000.0),
    Channel("true_airspeed", "m/s", "true airspeed", 0.0, 150.0),
    Channel("indicated_airspeed", "m/s", "indicated (calibrated) airspeed", 0.0, 150.0),
    Channel("latitude", "rad", "geodetic latitude, WGS 84", -1.5708, 1.5708),
    Channel("longitude", "rad", "longitude, WGS 84", -6.3, 6.3, True),
    Channel("height", "m", "height above mean sea level, from satellites", -1_000.0, 20_000.0),
    Channel("velocity_north", "m/s", "ground velocity towards north", -200.0, 200.0),
    Channel("velocity_east", "m/s", "ground velocity towards east", -200.0, 200.0),
    Channel("climb", "m/s", "rate of climb, positive up", -100.0, 100.0),
    Channel("ground_speed", "m/s", "speed over ground", 0.0, 250.0),
    Channel("track", "rad", "track over ground, clockwise from north", -6.3, 6.3, True),
    Channel("pressure", "Pa", "static pressure", 20_000.0, 115_000.0),
    Channel("temperature", "K", "outside air temperature", 180.0, 340.0),
    Channel("throttle", "1", "throttle position, 0 closed to 1 open", -0.05, 1.05),
    Channel("brake_left", "1", "left brake, 0 free to 1 fully pulled", -0.05, 1.05),
    Channel("brake_right", "1", "right brake, 0 free to 1 fully pulled", -0.05, 1.05),
)

CHANNELS: dict[str, Channel] = {channel.name: channel for channel in _TABLE}
"""The channel table by name, in the order in which it is printed."""
