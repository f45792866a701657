"""Wind-tunnel propellers of the UIUC Propeller Database.

J. B. Brandt, R. W. Deters, G. K. Ananda, O. D. Dantsker, M. S. Selig, UIUC Propeller Database, vols.
1-3, University of Illinois at Urbana-Champaign. Files read [R] from the data folder: geometry, static
and dynamic tables. Sub-scale, at Reynolds numbers of 5e4 to 1e5, so ratios and trends are compared, not
levels. One polar serves all propellers; per propeller only what a rig fits is fitted, to the static C_T
and C_P alone, at each of the upper half of its speeds. The polar was chosen with these ten in view; what it
does for a propeller left out is printed by tests/benchmarks/wind_tunnel.py --leave-one-out.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

pytestmark = [pytest.mark.published, pytest.mark.needs_data]

STALLED_AT_REST = "apce_17x12"  # pitch / diameter 0.7


@pytest.fixture(scope="module")
def outcomes(data_folder):
    place = Path(__file__).parents[1] / "benchmarks" / "wind_tunnel.py"
    spec = importlib.util.spec_from_file_location("wind_tunnel", place)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    propellers = module.load_propellers(data_folder / "uiuc")
    assert len(propellers) == 10
    return {p.name: module.predict(p) for p in propellers}


def test_static_point_is_met(outcomes):
    for name, out in outcomes.items():
        np.testing.assert_allclose(out.static_cp, 1.0, atol=0.01, err_msg=name)
        np.testing.assert_allclose(out.static_ct, 1.0, atol=0.01, err_msg=name)


def test_power_ratio(outcomes):
    """Median rms at most 4 %, worst 10 %, mean bias within 2 %."""
    errors = [out.rms() for out in outcomes.values()]
    assert np.median(errors) <= 0.04
    assert max(errors) <= 0.10
    assert abs(np.mean([out.bias() for out in outcomes.values()])) <= 0.02


def test_thrust_ratio(outcomes):
    """Median rms at most 5 %, worst 12 %."""
    errors = [out.rms("ct") for out in outcomes.values()]
    assert np.median(errors) <= 0.05
    assert max(errors) <= 0.12


def test_better_than_no_change(outcomes):
    """C_P on at least 7 of 10 propellers, C_T by a factor of two at the median."""
    assert sum(out.rms() < out.rms_unchanged() for out in outcomes.values()) >= 7
    thrust = [out.rms("ct") / out.rms_unchanged("ct") for out in outcomes.values()]
    assert np.median(thrust) < 0.5


def test_thrust_ratio_falls_with_airspeed(outcomes):
    for name, out in outcomes.items():
        if name != STALLED_AT_REST:
            steps = np.diff(out.ct)[np.diff(out.advance) > 0.005]  # J falls from one run to the next
            assert np.all(steps < 0.0), name


@pytest.mark.xfail(reason="the polar holds on to too much drag on this blade once it moves", strict=True)
def test_blade_stalled_at_rest_loses_torque(outcomes):
    """Known shortfall: measured C_P falls to 0.91 of static at the mean, predicted C_P stays near 1."""
    out = outcomes[STALLED_AT_REST]
    assert np.mean(out.measured_cp) < 0.95
    assert np.mean(out.cp) < 0.97


def test_torque_may_rise_in_flight(outcomes):
    """The trap: a propeller whose measured C_P rises with airspeed is not predicted to lose torque."""
    rising = [out for out in outcomes.values() if np.max(out.measured_cp) > 1.03]
    assert len(rising) >= 3
    assert all(np.max(out.cp) > 1.0 for out in rising)
