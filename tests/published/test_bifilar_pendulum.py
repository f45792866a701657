"""Bifilar pendulum: I = m g d^2 T^2 / (16 pi^2 L) [computed].

Textbook relation (W. Thomson, M. D. Dahleh, Theory of Vibration with Applications; from memory); standard
gravity 9.80665 m/s^2.
"""

import pytest

from flightproc.rig import bifilar_inertia, reduce_inertia
from flightproc.sheets import InertiaEntry

pytestmark = pytest.mark.published

# 25 kg on lines 1.0 m apart and 2.0 m long, 2.4 s a swing
EXPECTED = 4.4713


def test_relation():
    assert bifilar_inertia(25.0, 1.0, 2.0, 2.4) == pytest.approx(EXPECTED, abs=5e-5)


def test_from_the_sheet_with_swings_that_are_small():
    entry = InertiaEntry(
        mass_kg=25.0,
        line_spacing_m=1.0,
        line_length_m=2.0,
        swings=10,
        times_s=(24.0,),
        time_std_s=0.2,
        amplitude_deg=0.1,
    )
    assert reduce_inertia(entry).inertia.value == pytest.approx(EXPECTED, abs=5e-5)
