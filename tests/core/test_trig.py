"""Sine, cosine and bearing against the library's, at the corners and anywhere."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rigmon.core.trig import bearing_deg, cos_sin_deg


# hand-worked: the half and the root of a half and of three quarters
@pytest.mark.parametrize(
    ("angle_deg", "cos", "sin"),
    [
        (0, 1, 0),
        (30, math.sqrt(0.75), 0.5),
        (45, math.sqrt(0.5), math.sqrt(0.5)),
        (90, 0, 1),
        (135, -math.sqrt(0.5), math.sqrt(0.5)),
        (180, -1, 0),
        (210, -math.sqrt(0.75), -0.5),
        (270, 0, -1),
        (315, math.sqrt(0.5), -math.sqrt(0.5)),
        (360, 1, 0),
        (-90, 0, -1),
    ],
)
def test_known_angles(angle_deg: float, cos: float, sin: float) -> None:
    assert cos_sin_deg(angle_deg) == pytest.approx((cos, sin), abs=3e-16)


@given(angle_deg=st.floats(-1e6, 1e6))
def test_any_angle_is_the_librarys(angle_deg: float) -> None:
    rest = math.radians(math.fmod(angle_deg, 360))
    assert cos_sin_deg(angle_deg) == pytest.approx((math.cos(rest), math.sin(rest)), abs=2e-15)


@given(north=st.floats(-1e3, 1e3), east=st.floats(-1e3, 1e3))
@example(north=-1.0, east=-0.0)
@example(north=1.0, east=-1e-300)
def test_any_bearing_is_the_librarys(north: float, east: float) -> None:
    bearing = bearing_deg(north, east)
    if north == 0 and east == 0:
        assert bearing is None
    else:
        assert bearing is not None
        assert 0 <= bearing < 360
        off = bearing - math.degrees(math.atan2(east, north)) % 360
        assert min(abs(off), 360 - abs(off)) < 1e-12
