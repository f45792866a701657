"""The cautions that the report prints and the docs page explains."""

from __future__ import annotations

__all__ = ["CAUTIONS", "GROUND_CAUTIONS"]

CAUTIONS: tuple[str, ...] = (
    "The makers' limits, local rules and a qualified instructor come first; nothing here overrules them.",
    "The numbers are estimates. Read each with its interval, and change nothing on the aircraft because "
    "of one figure alone.",
    "Fly test holds in calm air, with height in hand over open ground, with a reserve parachute and a "
    "landing place within gliding range.",
    "Keep ballast small, lash it so that it can neither swing nor fall, and stay within the masses that "
    "the frame and the glider are certified for.",
    "Never take an unknown frame without compensation to full power in flight: raise the power in small "
    "steps, and stop at the first turn that takes effort to hold.",
    "A thrust line off centre can twist the unit under its risers, and with risers that resist little "
    "the twist can run away within seconds. Close the throttle when the unit begins to turn under the "
    "wing.",
    "All-up mass, ballast included, stays within the weight range for which the glider is certified.",
    "Do not go beyond the frame maker's limits of mass, power and propeller, and do not move hang "
    "points or thrust line without the maker's word.",
    "On the ground rig: a guard around the propeller, the frame tied down, nobody in the plane of the "
    "propeller or behind it, eye and ear protection, and the kill switch in hand.",
    "Fasten loggers, wires and ballast so that none of them can ever meet the propeller, and check them "
    "before each start.",
    "Look out first: settings and loggers are for the ground, and a hold is broken off for traffic, "
    "terrain or doubt.",
)
"""One sentence or two each, in the order in which they are printed."""

GROUND_CAUTIONS: tuple[str, ...] = (
    "The makers' limits, local rules and a qualified instructor come first. The engine stays off and cold, "
    "the plug lead off, fuel and batteries secured.",
    "Beam, strops, bar and shackles are rated for people or for lifting, each for at least five times what "
    "hangs on it; no knots, no straps from a hardware shop, no beam of unknown strength.",
    "Hang low: feet or frame a hand's breadth above a mat, and a second, slack strop that takes the load "
    "where the first fails. Nobody under what hangs.",
    "Never alone: one helper steadies and lowers, one reads. A pilot who hangs has a way down at once, and "
    "hangs for minutes only, seat straps carrying the weight.",
    "For the pendulum a dummy of the pilot's mass, lashed tight, hangs in the pilot's place: a person stays "
    "off two lines with the harness turned on end.",
    "Load up slowly, look at every knot and shackle, and stop at the first creak, slip or swing that grows.",
    "Tie the ballast on twice; stand clear of where it would fall.",
)
"""Of the tilt test and the pendulum on the ground."""
