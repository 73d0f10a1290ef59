"""Places in metres, courses and turns, on ways whose shape is known."""

from dataclasses import replace
from math import cos, pi, radians, sin

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from rigmon.analysis.frames import Columns, columns_from_samples
from rigmon.analysis.path import Plane, path_of
from rigmon.model import Sample

STEP_S = 0.2
LAT, LON = 45.0, 7.0


def columns(
    east_m: np.ndarray, north_m: np.ndarray, speed_m_s: float, track_deg: np.ndarray | None = None
) -> Columns:
    """A run through places in metres about LAT, LON; without `track_deg` the receiver states no course."""
    samples = []
    step_ns = round(STEP_S * 1e9)
    for k, (e, n) in enumerate(zip(east_m, north_m, strict=True)):
        place = Geodesic.WGS84.Direct(LAT, LON, np.degrees(np.arctan2(e, n)), np.hypot(e, n))
        track = None if track_deg is None else float(track_deg[k]) % 360
        samples.append(
            Sample(
                (k + 1) * step_ns, step_ns, place["lat2"], place["lon2"], track, speed_m_s, 0.02, 9.0, None,
                1, None, None, 1, speed_m_s * STEP_S, speed_m_s * STEP_S * 6, 0.03, 0,
            )
        )  # fmt: skip
    return columns_from_samples(samples)


def circle(
    radius_m: float, speed_m_s: float, turns: float = 1.0, right: bool = True
) -> tuple[np.ndarray, ...]:
    """East, north and course [deg] of a circle driven from its westmost (right turn) place northwards."""
    angle = (
        np.arange(1, round(2 * pi * turns * radius_m / (speed_m_s * STEP_S)) + 1)
        * speed_m_s
        * STEP_S
        / radius_m
    )
    side = 1 if right else -1
    return side * radius_m * (1 - np.cos(angle)), radius_m * np.sin(angle), side * np.degrees(angle)


def test_the_plane_measures_as_geographiclib_does() -> None:
    plane = Plane(LAT, LON)
    for azimuth in range(0, 360, 30):
        there = Geodesic.WGS84.Direct(LAT, LON, azimuth, 700.0)
        east, north = plane.to_metres(np.array([there["lat2"]]), np.array([there["lon2"]]))
        assert east[0] == pytest.approx(700 * sin(radians(azimuth)), abs=1e-4)
        assert north[0] == pytest.approx(700 * cos(radians(azimuth)), abs=1e-4)
        lat, lon = plane.to_degrees(east, north)
        assert (lat[0], lon[0]) == pytest.approx((there["lat2"], there["lon2"]), abs=1e-9)


@pytest.mark.parametrize("radius_m", [3.0, 10.0, 50.0])
@pytest.mark.parametrize("right", [True, False])
@pytest.mark.parametrize("told", [True, False])
def test_a_circle_turns_as_sharply_as_its_radius_says(radius_m: float, right: bool, told: bool) -> None:
    east, north, course = circle(radius_m, 1.5, turns=1.5, right=right)
    c = columns(east, north, 1.5, course if told else None)
    path = path_of(c)
    assert path is not None
    inside = path.curvature_per_m[10:-10]
    assert inside == pytest.approx((1 if right else -1) / radius_m, rel=0.02)
    # a whole number of times round: the course goes on without a jump
    assert np.abs(np.diff(path.course_rad[10:-10])).max() < 0.2


def test_neighbouring_intervals_join_and_lengths_are_true() -> None:
    c = columns(np.arange(100) * 0.3, np.zeros(100), 1.5)
    path = path_of(c)
    assert path is not None
    assert (path.end_east_m[1:-1] == path.start_east_m[2:]).all()
    length = np.hypot(path.end_east_m - path.start_east_m, path.end_north_m - path.start_north_m)[1:]
    assert length == pytest.approx(0.3, abs=1e-5)
    assert path.curvature_per_m[10:-10] == pytest.approx(0.0, abs=1e-3)


def test_the_way_through_a_gap_is_unknown() -> None:
    c = columns(np.arange(100) * 0.3, np.zeros(100), 1.5)
    lat = c.lat_deg.copy()
    lat[40:60] = np.nan  # 4 s
    path = path_of(replace(c, lat_deg=lat))
    assert path is not None
    assert not path.known[41:60].any()
    assert path.known[5:39].all()
    assert path.known[62:].all()


def test_fewer_than_two_places_are_no_way() -> None:
    c = columns(np.zeros(5), np.zeros(5), 0.0)
    assert path_of(c) is None
    assert path_of(columns_from_samples([])) is None


def test_noise_on_a_straight_line_is_not_taken_for_turns_nor_turns_for_noise() -> None:
    """0.04 m/s across the course at 1.5 m/s turns it by 1.5 degrees at random. Regression only: over two
    seconds that would look like turns of 0.011 per metre (1 standard deviation), over eight of 0.0013."""
    speed, rng = 1.5, np.random.default_rng(3)
    straight = np.arange(1, 401) * speed * STEP_S
    turned = np.clip(straight - straight[199], 0, 10 * pi) / 10  # half a circle of radius 10 m, then straight
    heading = np.concatenate((np.zeros(1), turned))
    step = speed * STEP_S
    middle = (heading[1:] + heading[:-1]) / 2
    east, north = np.cumsum(np.sin(middle) * step), np.cumsum(np.cos(middle) * step)
    noisy = np.degrees(heading[1:] + 0.04 / speed * rng.standard_normal(400))
    path = path_of(columns(east, north, speed, noisy))
    assert path is not None
    assert np.std(path.curvature_per_m[10:170]) < 0.004
    inside = slice(230, 280)  # metres 9 to 24 of the 31 m of turn
    assert path.curvature_per_m[inside].mean() == pytest.approx(0.1, rel=0.02)
    assert np.std(path.curvature_per_m[inside]) < 0.01
    # the turn begins within a second of where it does
    assert (np.abs(path.curvature_per_m[5:194]) < 0.03).all()
    assert (path.curvature_per_m[206:295] > 0.05).all()


def test_a_course_between_fixes_a_second_apart_is_that_between() -> None:
    """Hand-worked: samples of 0.2 s, a fix each second on a circle of radius 6 m: in the middle of the k-th
    sample the course is (k + 1/2) x 0.2 s x 1.5 m/s / 6 m. It is repeated until the next fix, and must not be
    believed for so long."""
    east, north, course = circle(6.0, 1.5, turns=2)
    told = columns(east, north, 1.5, course)
    last = np.arange(len(told)) // 5 * 5  # repeated until the next
    slow = replace(
        told, lat_deg=told.lat_deg[last], lon_deg=told.lon_deg[last], track_deg=told.track_deg[last]
    )
    path = path_of(slow)
    assert path is not None
    middle = (np.arange(len(told)) + 0.5) * STEP_S * 1.5 / 6
    assert path.course_rad[10:-10] == pytest.approx(middle[10:-10], abs=0.01)
    assert path.curvature_per_m[10:-10] == pytest.approx(1 / 6, rel=0.03)
