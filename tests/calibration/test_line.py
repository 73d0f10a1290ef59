"""The straight line by least squares, and Student's factor."""

from math import sqrt

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rigmon.calibration.line import fit_line
from rigmon.calibration.student import t95


# hand-worked: x = 0, 1, 2, 3 and y = 1, 3, 5, 8: means 1.5 and 4.25; Sxx = 2.25 + 0.25 + 0.25 + 2.25 = 5;
# Sxy = (-1.5)(-3.25) + (-0.5)(-1.25) + 0.5(0.75) + 1.5(3.75) = 4.875 + 0.625 + 0.375 + 5.625 = 11.5;
# slope 2.3, intercept 4.25 - 3.45 = 0.8; line 0.8, 3.1, 5.4, 7.7; residuals 0.2, -0.1, -0.4, 0.3;
# squares 0.04 + 0.01 + 0.16 + 0.09 = 0.30; scatter sqrt(0.30 / 2) = 0.387298
def test_a_line_worked_by_hand() -> None:
    line = fit_line([0, 1, 2, 3], [1, 3, 5, 8])
    assert line.slope == pytest.approx(2.3)
    assert line.intercept == pytest.approx(0.8)
    assert line.residuals == pytest.approx([0.2, -0.1, -0.4, 0.3])
    assert line.scatter == pytest.approx(0.387298, abs=1e-6)
    assert line.dof == 2
    assert line.slope_u == pytest.approx(sqrt(0.15 / 5))
    assert line.leverage(1.5) == pytest.approx(sqrt(1 / 4))
    assert line.leverage(3) == pytest.approx(sqrt(1 / 4 + 2.25 / 5))
    assert line.at(10) == pytest.approx(23.8)


def test_two_points_leave_no_scatter() -> None:
    line = fit_line([0, 2], [1, 5])
    assert (line.slope, line.intercept, line.scatter, line.slope_u) == (2, 1, None, None)


# JCGM 100:2008, H.3, Table H.6: correction of a thermometer against its reading less 20 C, 11 points;
# published: y1 = -0.1712 C, y2 = 0.00218, s(y1) = 0.0029, s(y2) = 0.00067, s = 0.0035 C; from memory
def test_the_guides_thermometer() -> None:
    reading = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    correction = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = fit_line([t - 20 for t in reading], correction)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.scatter == pytest.approx(0.0035, abs=5e-5)
    assert line.slope_u == pytest.approx(0.00067, abs=5e-6)
    assert line.scatter * line.leverage(0) == pytest.approx(0.0029, abs=5e-5)
    # H.3.4: the correction at 30 C is -0.1494 C with u = 0.0041 C
    assert line.at(10) == pytest.approx(-0.1494, abs=5e-5)
    assert line.scatter * line.leverage(10) == pytest.approx(0.0041, abs=5e-5)


@pytest.mark.parametrize(("x", "y"), [([1], [1]), ([1, 1], [1, 2]), ([1, 2], [1]), ([], [])])
def test_no_line(x: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match=r"two points|one x"):
        fit_line(x, y)


numbers = st.floats(-1e3, 1e3).map(lambda value: round(value, 6))


@given(numbers, numbers, st.lists(numbers, min_size=2, max_size=12, unique=True))
def test_points_on_a_line_give_it_back(intercept: float, slope: float, x: list[float]) -> None:
    assume(max(x) - min(x) > 1)
    line = fit_line(x, [intercept + slope * value for value in x])
    assert line.slope == pytest.approx(slope, abs=1e-7)
    assert line.intercept == pytest.approx(intercept, abs=1e-4)


# printed t tables, p = 95 % (two-sided)
@pytest.mark.parametrize(
    ("dof", "factor"), [(1, 12.71), (2, 4.30), (4, 2.78), (10, 2.23), (22, 2.09), (999, 1.984)]
)
def test_students_factor(dof: int, factor: float) -> None:
    assert t95(dof) == factor


def test_students_factor_needs_a_degree_of_freedom() -> None:
    with pytest.raises(ValueError, match="1 or more"):
        t95(0)
