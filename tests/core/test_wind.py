"""The wind over the ground from the apparent wind, and its means, against sums done another way.

Angles and speeds are invented; each expected number has its sum beside it.
"""

import cmath
import math
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.trig import bearing_deg
from rigmon.core.wind import Averager, over_ground, turned


# apparent m/s, angle from the bow, own speed -> true m/s, angle from the bow. All hand-worked.
@pytest.mark.parametrize(
    ("apparent", "angle", "own", "true", "true_angle"),
    [
        (2.0, 0.0, 2.0, 0.0, None),  # calm: all that is felt is one's own driving
        (5.0, 0.0, 2.0, 3.0, 0.0),  # head wind: 5 - 2
        (3.0, 180.0, 2.0, 5.0, 180.0),  # tail wind: 3 + 2
        (0.0, 0.0, 2.0, 2.0, 180.0),  # nothing felt: the wind comes along from behind
        # ahead 5 cos - 3 = 0, right 4: cos = 3/5, sin = 4/5, angle 53.130102 deg: a pure cross wind of 4
        (5.0, 53.13010235415598, 3.0, 4.0, 90.0),
        # ahead 0 - 3, right 4: 5 m/s, 90 + asin(3/5) = 126.869898 deg
        (4.0, 90.0, 3.0, 5.0, 126.86989764584402),
        (4.0, 270.0, 3.0, 5.0, 360 - 126.86989764584402),  # and from the left
        (4.0, 33.0, 0.0, 4.0, 33.0),  # at rest it is what is felt
    ],
)
def test_hand_worked_triangles(
    apparent: float, angle: float, own: float, true: float, true_angle: float | None
) -> None:
    speed, ahead, right = over_ground(apparent, angle, own)
    assert speed == pytest.approx(true, abs=1e-12)
    if true_angle is not None:
        assert bearing_deg(ahead, right) == pytest.approx(true_angle, abs=1e-9)


@given(true=st.floats(0, 30), true_from=st.floats(0, 360), own=st.floats(0, 10), course=st.floats(0, 360))
def test_any_wind_is_found_again(true: float, true_from: float, own: float, course: float) -> None:
    """Complex numbers, the other way round: what a rig feels is the wind and its own driving together."""
    wind = cmath.rect(true, math.radians(true_from))  # real part north, imaginary part east; where from
    felt = (wind + cmath.rect(own, math.radians(course))) / cmath.rect(1, math.radians(course))
    speed, ahead, right = over_ground(abs(felt), math.degrees(cmath.phase(felt)), own)
    assert speed == pytest.approx(true, abs=1e-9)
    assert complex(*turned(ahead, right, course)) == pytest.approx(wind, abs=1e-9)


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


def test_a_steady_wind_has_its_own_speed_as_every_mean() -> None:
    averager = Averager()
    for second in range(700):
        averager.add(ns(second), 4.0, (0.0, 4.0))
    means = averager.means(ns(699))
    assert means == (4.0, 90.0, 4.0, 90.0, 4.0, 600.0)


# hand-worked: a minute of 2 m/s, then a minute of 6: (60 x 2 + 60 x 6) / 120 = 4; ten minutes later only 6
def test_short_windows_are_used_until_there_is_enough_and_said() -> None:
    averager = Averager()
    for second in range(120):
        averager.add(ns(second), 2.0 if second < 60 else 6.0, None)
        if second == 9:
            assert averager.means(ns(9)).span_s == 9.0
    means = averager.means(ns(119))
    assert (means.short_m_s, means.long_m_s, means.span_s) == (4.0, 4.0, 119.0)
    for second in range(120, 800):
        averager.add(ns(second), 6.0, None)
    means = averager.means(ns(799))
    assert (means.short_m_s, means.long_m_s, means.gust_m_s, means.span_s) == (6.0, 6.0, 6.0, 600.0)


# hand-worked: one reading of 10 among 4 makes (4 + 4 + 10) / 3 = 6 at most; three of 10 in a row make 10
def test_a_gust_is_the_highest_mean_of_three_seconds() -> None:
    averager = Averager()
    for second, speed in enumerate([4, 4, 4, 4, 10, 4, 4, 4]):
        averager.add(ns(second), float(speed), None)
    assert averager.means(ns(7)).gust_m_s == pytest.approx(6.0, abs=1e-12)
    for second, speed in enumerate([10, 10, 10, 4], 8):
        averager.add(ns(second), float(speed), None)
    assert averager.means(ns(11)).gust_m_s == pytest.approx(10.0, abs=1e-12)
    for second in range(12, 611):
        averager.add(ns(second), 4.0, None)
    assert averager.means(ns(610)).gust_m_s > 4.0
    for second in range(611, 625):
        averager.add(ns(second), 4.0, None)
    assert averager.means(ns(624)).gust_m_s == pytest.approx(4.0, abs=1e-12)  # ten minutes later it is over


def test_before_three_seconds_there_is_no_gust() -> None:
    averager = Averager()
    for second in range(3):
        averager.add(ns(second), 5.0, None)
    assert averager.means(ns(2)).gust_m_s is None


# hand-worked: as often from north as from east, 3 m/s: scalar mean 3, direction 45; opposite: none at all
def test_speed_is_the_scalar_mean_and_direction_the_vector_mean() -> None:
    averager = Averager()
    for second in range(10):
        averager.add(ns(second), 3.0, (3.0, 0.0) if second % 2 else (0.0, 3.0))
    means = averager.means(ns(9))
    assert (means.short_m_s, means.short_from_deg) == (3.0, pytest.approx(45.0))
    averager.clear()
    for second in range(10):
        averager.add(ns(second), 3.0, (3.0, 0.0) if second % 2 else (-3.0, 0.0))
    assert averager.means(ns(9))[:2] == (3.0, None)


# across north: 350 and 10 degrees are 0 together, not 180
def test_directions_about_north() -> None:
    averager = Averager()
    for second in range(10):
        at = math.radians(350 if second % 2 else 10)
        averager.add(ns(second), 2.0, (2 * math.cos(at), 2 * math.sin(at)))
    off = averager.means(ns(9)).short_from_deg
    assert off is not None
    assert min(off, 360 - off) < 1e-3


@given(
    steps=st.lists(
        st.tuples(st.sampled_from([0.1, 0.25, 1.0, 2.5, 40.0]), st.floats(0, 40), st.floats(0, 360)),
        min_size=1,
        max_size=150,
    )
)
def test_running_means_are_those_of_all_readings_in_the_window(
    steps: list[tuple[float, float, float]],
) -> None:
    averager, t, kept = Averager(), 0.0, []
    for dt, speed, angle in steps:
        t = round(t + dt, 2)
        at = math.radians(angle)
        vector = (speed * math.cos(at), speed * math.sin(at))
        averager.add(ns(t), speed, vector)
        kept.append((t, speed, vector))
    means = averager.means(ns(t))
    for span, mean in ((120, means.short_m_s), (600, means.long_m_s)):
        inside = [speed for at, speed, _ in kept if int(at) > int(t) - span]
        assert mean == pytest.approx(fmean(inside), abs=1e-6)
    gusts = [
        fmean(other for when, other, _ in kept if ns(at) - ns(3) < ns(when) <= ns(at))
        for at, _, _ in kept
        if ns(at) - ns(kept[0][0]) >= ns(3) and int(at) > int(t) - 600
    ]
    assert means.gust_m_s == (pytest.approx(max(gusts), abs=1e-6) if gusts else None)
