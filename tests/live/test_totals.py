"""Sums of a run: what is counted where, and that unknown is counted as unknown."""

import pytest
from samples import OFF, sample

from rigmon.live.totals import Totals


def _of(*samples: object) -> Totals:
    totals = Totals()
    for one in samples:
        totals.take(one)  # type: ignore[arg-type]
    return totals


def test_three_seconds_at_the_target() -> None:
    totals = _of(*(sample(t) for t in (1, 2, 3)))
    # hand-worked: 3 x 2 m, 3 x 10 m2, 3 x 0.1 L
    assert (totals.distance_m, totals.area_m2, totals.boom_on_s) == (6.0, 30.0, 3.0)
    assert totals.volume_l == pytest.approx(0.3)
    assert totals.applied_l == pytest.approx(0.3)
    assert (totals.unknown_s, totals.unmeasured_s, totals.t_ns) == (0.0, 0.0, 3_000_000_000)


def test_with_the_boom_off_only_the_way_counts() -> None:
    totals = _of(sample(**OFF))
    assert (totals.distance_m, totals.area_m2, totals.volume_l, totals.boom_on_s) == (2.0, 0.0, 0.0, 0.0)


def test_what_went_onto_unknown_ground_left_the_tank_but_is_in_no_dose() -> None:
    totals = _of(sample(area_m2=None, distance_m=None, speed_m_s=None, rate_l_ha=None))
    assert (totals.volume_l, totals.area_m2, totals.unknown_s) == (0.0, 0.0, 1.0)
    assert totals.applied_l == 0.1
    assert totals.unmeasured_s == 0.0


def test_an_unknown_flow_is_unmeasured() -> None:
    totals = _of(sample(volume_l=None, flow_l_min=None, rate_l_ha=None))
    assert (totals.unknown_s, totals.unmeasured_s, totals.applied_l) == (1.0, 1.0, 0.0)


def test_an_unknown_boom_is_unknown_time_and_no_boom_time() -> None:
    totals = _of(sample(boom_on=None, area_m2=None, volume_l=None))
    assert (totals.boom_on_s, totals.unknown_s) == (0.0, 1.0)


def test_they_survive_json() -> None:
    totals = _of(sample(1), sample(2, area_m2=None))
    assert Totals.from_json(totals.to_json()) == totals
