"""Section tables: what stands in them comes back, and what lies beyond is a flat plate."""

import math

import numpy as np
import pytest

from flightproc.errors import FlightprocError
from flightproc.propeller import (
    AnalyticPolar,
    Blade,
    SectionFlow,
    TablePolar,
    fit_blade,
    library_polar,
    read_polar_table,
    solve_elements,
)

pytestmark = pytest.mark.analytic

ANGLES = np.radians(np.arange(-12.0, 18.1, 1.0))


def flow(chord_to_radius=0.0, reynolds=5e5, mach=0.0):
    return SectionFlow(*(np.array([x]) for x in (chord_to_radius, reynolds, mach)))


def section(reynolds=(1e5, 1e6)):
    rows = []
    for number in reynolds:
        cl, cd = AnalyticPolar().coefficients(ANGLES, flow(reynolds=number))
        rows.append(np.column_stack([ANGLES, np.full(ANGLES.size, number), cl, cd]))
    return np.vstack(rows)


def test_the_table_comes_back():
    rows = section()
    polar = TablePolar.from_rows(*rows.T)
    for number in (1e5, 1e6):
        mine = rows[rows[:, 1] == number]
        cl, cd = polar.coefficients(ANGLES, flow(reynolds=number))
        np.testing.assert_allclose(cl, mine[:, 2], rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(cd, mine[:, 3], rtol=1e-9)


def test_between_reynolds_numbers_it_is_linear_in_the_logarithm_and_held_beyond():
    polar, alpha = TablePolar.from_rows(*section().T), np.radians([14.0])
    low, middle, high = (polar.coefficients(alpha, flow(reynolds=n)) for n in (1e5, math.sqrt(1e11), 1e6))
    for k in (0, 1):
        assert middle[k][0] == pytest.approx(0.5 * (low[k][0] + high[k][0]), rel=2e-3)
        assert polar.coefficients(alpha, flow(reynolds=1e7))[k][0] == pytest.approx(high[k][0], rel=1e-12)


def test_whole_circle_is_continuous_and_a_flat_plate_behind():
    polar = TablePolar.from_rows(*section().T)
    alpha = np.linspace(-math.pi, math.pi, 20_001)
    for c_r in (0.0, 0.4):
        cl, cd = polar.coefficients(alpha, flow(c_r))
        assert np.abs(np.diff(cl)).max() < 12.0 * (alpha[1] - alpha[0])
        assert np.all(cd > 0.0)
        assert cl[0] == pytest.approx(cl[-1], abs=1e-9)
    cl, cd = polar.coefficients(np.radians([90.0, 120.0]), flow())
    np.testing.assert_allclose(cl, 1.75 * np.sin(np.radians([180.0, 240.0])) / 2.0, atol=1e-3)
    np.testing.assert_allclose(cd, 1.75 * np.sin(np.radians([90.0, 120.0])) ** 2, atol=0.02)


def test_scaling_moves_the_largest_lift_and_leaves_the_slope():
    polar = TablePolar.from_rows(*section().T)
    more = polar.scaled(1.5, 1.2)
    alpha = np.radians(np.linspace(-2.0, 25.0, 500))
    before, after = polar.coefficients(alpha, flow()), more.coefficients(alpha, flow())
    assert after[0].max() / before[0].max() == pytest.approx(1.2, rel=1e-3)
    assert after[0][5] == pytest.approx(before[0][5], rel=0.02)
    assert after[1][0] == pytest.approx(1.5 * before[1][0], rel=0.02)


def test_mach_number_steepens_the_lift_and_leaves_its_largest():
    polar = TablePolar.from_rows(*section().T)
    alpha = np.radians(np.linspace(-2.0, 25.0, 500))
    slow, fast = (polar.coefficients(alpha, flow(mach=m))[0] for m in (0.0, 0.6))
    assert fast[5] / slow[5] == pytest.approx(1.25, rel=0.02)
    assert fast.max() == pytest.approx(slow.max(), rel=1e-3)


def test_a_blade_of_the_table_works_like_that_of_the_formula():
    """The table holds the formula's own numbers, so both blades agree but for interpolation and its ends."""
    numbers = np.geomspace(2e5, 3e6, 9)
    angles = np.radians(np.arange(-20.0, 30.1, 0.5))
    plain = AnalyticPolar()
    rows = [
        (a, n, *(x[0] for x in plain.coefficients(np.array([a]), flow(reynolds=n))))
        for n in numbers
        for a in angles
    ]
    table = TablePolar.from_rows(*np.array(rows).T)
    blade = Blade.helical(diameter=1.25, pitch=0.6, blades=2)
    one, two = (solve_elements(blade, p, 2400.0, [0.0, 5.0, 11.0], 1.2) for p in (plain, table))
    assert two.converged.all()
    np.testing.assert_allclose(two.thrust, one.thrust, rtol=5e-3)
    np.testing.assert_allclose(two.torque, one.torque, rtol=5e-3)


def test_calibration_takes_a_table():
    blade = Blade.helical(diameter=1.25, pitch=0.6, blades=2, elements=12)
    polar = TablePolar.from_rows(*section().T)
    run = solve_elements(blade, polar, [2400.0], 0.0, 1.2, speed_of_sound=340.3, pitch_offset=0.02)
    case = fit_blade(blade, [2400.0], run.torque, [0.1], density=1.2, thrust=run.thrust, polar=polar)
    assert case.solve([2400.0], 0.0, 1.2).torque[0] == pytest.approx(run.torque[0], rel=0.02)


def test_file(tmp_path):
    rows = section((5e5,))
    file = tmp_path / "section.csv"
    lines = [f"{math.degrees(a):.3f},{cl:.6f},{cd:.6f}" for a, _, cl, cd in rows]
    file.write_text("# a section\nalpha_deg,cl,cd\n" + "\n".join(lines) + "\n")
    cl, _ = read_polar_table(file).coefficients(ANGLES, flow())
    np.testing.assert_allclose(cl, rows[:, 2], atol=1e-5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "lacks the column alpha_deg"),
        ("alpha_deg,cl\n1,2\n", "lacks the column cd"),
        ("alpha_deg,cl,cd\n1,2\n", "another number of cells"),
        ("alpha_deg,cl,cd\n1,x,0.1\n", "no number"),
        ("alpha_deg,cl,cd\n1,0.1,0.1\n2,0.2,0.1\n", "too few angles"),
        ("alpha_deg,cl,cd\n" + "".join(f"{a},{0.5 + 0.1 * a},0.01\n" for a in range(8)), "rise through zero"),
        ("alpha_deg,cl,cd\n" + "".join(f"{a},{0.1 * a},0\n" for a in range(-4, 8)), "out of range"),
        ("alpha_deg,cl,cd\n" + "".join(f"{a},nan,0.01\n" for a in range(-4, 8)), "gaps"),
    ],
)
def test_bad_files_are_told(tmp_path, text, words):
    file = tmp_path / "section.csv"
    file.write_text(text)
    with pytest.raises(FlightprocError, match=words):
        read_polar_table(file)
    with pytest.raises(FlightprocError, match="cannot be read"):
        read_polar_table(tmp_path / "none.csv")


def test_the_aerofoil_library_is_asked_for_where_it_is_not_installed():
    import importlib.util

    if importlib.util.find_spec("neuralfoil") is None:
        with pytest.raises(FlightprocError, match="not installed"):
            library_polar("naca4412")
        return
    polar = library_polar("naca4412")
    cl, cd = polar.coefficients(np.radians([0.0, 5.0]), flow(reynolds=1e6))
    assert 0.4 < cl[0] < 0.55 and 0.95 < cl[1] < 1.1  # thin-aerofoil theory: 0.46, 1.0
    assert np.all((cd > 0.004) & (cd < 0.012))
