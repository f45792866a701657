"""Sheets and tables to begin with, beside those of the tests of sheets."""

from __future__ import annotations

__all__ = ["BALANCE", "GROUND", "LEVER", "PLAN", "polar_tables"]

GROUND = """
[tilt_test]
side = ["right", "left"]
angle_deg = [1.637, -1.637]
angle_std_deg = 0.05
ballast_kg = 4.0
arm_m = 0.25
[inertia]
mass_kg = 100.0
line_spacing_m = 0.8
line_length_m = 2.5
swings = 10
times_s = [30.0, 30.1, 29.9]
amplitude_deg = 2.0
[[propeller.stations]]
r_m = 0.2
chord_m = 0.1
beta_deg = 25.0
[[propeller.stations]]
r_m = 0.4
chord_m = 0.09
beta_deg = 14.0
[[propeller.stations]]
r_m = 0.6
chord_m = 0.05
beta_deg = 9.0
"""
LEVER = """\
kind = "lever_arm"
arm_m = 0.5
[air]
density_kg_m3 = 1.2
[[readings]]
rpm = 0
load_N = 0.1
[[readings]]
rpm = 5000
load_N = 30.0
thrust_N = 300.0
[[readings]]
rpm = 7000
load_kg = 6.0
"""
BALANCE = """\
aim = "turn"
draws = 600
[[gliders]]
name = "as flown"
[[gliders]]
sheet = "glider.toml"
hung_mass_kg = 70
[hang_offset]
limit_m = 0.03
[thrust_tilt]
[surface]
[[phases]]
name = "cruise"
rpm = 6000
weight = 2
"""
PLAN = """\
aircraft = "aircraft.toml"
glider = "glider.toml"
rig = "rig.toml"
cruise_torque_N_m = 22.0
rig_std_percent = 1.8
[goal]
difference_percent = 12.0
[holds]
cruise_rpm = 6000.0
other_rpm = [5200.0]
seconds = [60.0, 90.0]
most_legs = 14
[air]
gust_m_s = 0.15
wind_from_deg = 200
[ballast]
masses_kg = [5.0]
arm_m = 0.30
[flight]
level_rpm = 4800.0
fuel_l = 8.0
"""


def polar_tables() -> list[bytes]:
    """Return tables of section coefficients: at one Reynolds number, and at two."""
    rows = (f"{a},{0.3 + 0.1 * a:.2f},{0.01 + 0.0001 * a * a:.4f}\n" for a in range(-10, 16))
    two = (f"{r},{a},{0.3 + 0.1 * a:.2f},0.02\n" for r in (2e5, 8e5) for a in range(-8, 14, 2))
    return [
        ("# a section\nalpha_deg,cl,cd\n" + "".join(rows)).encode(),
        ("reynolds,alpha_deg,cl,cd\n" + "".join(two)).encode(),
    ]
