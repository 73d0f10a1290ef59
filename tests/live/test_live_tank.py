"""The tank: unknown until somebody says, never negative, and honest about what was not measured."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from samples import OFF, PER_DEG_M, sample

from rigmon.live.tank import Tank


def test_nobody_has_said_what_is_in_it() -> None:
    tank = Tank(100.0)
    tank.take(sample())
    assert tank.level_l is None
    assert tank.outlook(sample(), 5.0) == (None, None, None, None)


def test_full_then_what_was_sprayed_is_gone() -> None:
    tank = Tank(100.0)
    tank.refill(None, full=True)
    for t in range(10):
        tank.take(sample(t))
    assert tank.level_l == pytest.approx(99.0)  # hand-worked: 100 - 10 x 0.1 L
    assert not tank.at_most


def test_a_volume_onto_an_unknown_rest_leaves_the_level_unknown() -> None:
    tank = Tank(100.0)
    tank.refill(50.0, full=False)
    assert tank.level_l is None


def test_a_volume_goes_on_top_but_not_over_the_rim() -> None:
    tank = Tank(100.0, level_l=70.0)
    tank.refill(20.0, full=False)
    assert tank.level_l == 90.0
    tank.refill(20.0, full=False)
    assert tank.level_l == 100.0


def test_full_without_a_known_capacity_is_what_was_filled_in() -> None:
    tank = Tank(None)
    tank.refill(None, full=True)
    assert tank.level_l is None
    tank.refill(60.0, full=True)
    assert tank.level_l == 60.0


def test_what_was_not_measured_makes_it_at_most_until_it_is_full_again() -> None:
    tank = Tank(100.0, level_l=100.0)
    tank.take(sample(volume_l=None))
    assert (tank.level_l, tank.at_most) == (100.0, True)
    tank.refill(None, full=True)
    assert not tank.at_most


def test_where_it_runs_out() -> None:
    tank = Tank(100.0, level_l=12.0)
    time_s, distance_m, area_m2, place = tank.outlook(sample(), 5.0)
    # hand-worked: 12 L / 6 L/min = 120 s; x 2 m/s = 240 m; x 5 m = 1200 m2; due north by 240 m
    assert (time_s, distance_m, area_m2) == (120.0, 240.0, 1200.0)
    assert place is not None
    assert place == (pytest.approx(40 + 240 / PER_DEG_M, abs=1e-9), -40.0)


def test_no_place_where_the_rig_will_have_turned_or_its_track_is_unknown() -> None:
    tank = Tank(1000.0, level_l=100.0)  # hand-worked: 1000 s, 2000 m: further than 1 km
    assert tank.outlook(sample(), 5.0).distance_m == 2000.0
    assert tank.outlook(sample(), 5.0).place is None
    tank.level_l = 10.0
    assert tank.outlook(sample(), 5.0).place is not None
    assert tank.outlook(sample(track_deg=None), 5.0).place is None


def test_with_the_boom_off_nothing_is_said_of_the_end() -> None:
    tank = Tank(100.0, level_l=50.0)
    assert tank.outlook(sample(**OFF), 5.0) == (None, None, None, None)


@given(st.lists(st.one_of(st.floats(0, 50), st.none()), max_size=30), st.floats(0, 100))
def test_it_is_never_below_empty_or_above_full(volumes: list[float | None], start_l: float) -> None:
    tank = Tank(100.0, level_l=start_l)
    for volume in volumes:
        tank.take(sample(volume_l=volume))
        assert tank.level_l is not None
        assert 0 <= tank.level_l <= 100


def test_it_survives_json() -> None:
    tank = Tank(100.0, level_l=3.25, at_most=True)
    assert Tank.from_json(tank.to_json()) == tank
