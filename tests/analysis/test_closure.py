"""Volumes that must agree: hand-worked on the round rig (6 L/min at 200 kPa, 5 m swath)."""

import json
from dataclasses import replace
from math import sqrt
from typing import Any

import pytest
from hand_made import Track, rig, run
from uncertainties import ufloat

from rigmon.analysis.closure import closure
from rigmon.analysis.ground import Ground
from rigmon.model import Basis, Sample
from rigmon.rig import Rig


def closed(track: Track, rig_: Rig | None = None, **more: Any) -> dict[str, Any]:
    result = closure(Ground(run(track, rig_)), **more)
    json.dumps(result, allow_nan=False)
    return result


def at_pressure(track: Track, kpa: float) -> Track:
    track.samples = [Sample._replace(s, pressure_kpa=kpa) for s in track.samples]
    return track


def pair(result: dict[str, Any], first: str, second: str) -> dict[str, Any]:
    (found,) = [d for d in result["differences"] if (d["first"], d["second"]) == (first, second)]
    return found


def test_three_volumes_that_agree() -> None:
    # hand-worked: 10 min x 6 L/min = 60 L; 1200 m x 5 m = 6000 m2, so 60 L filled is 100 L/ha
    result = closed(Track().go(600), refills_l=[40, 25], left_l=5)
    assert (result["metered_l"], result["calculated_l"], result["filled_l"]) == pytest.approx((60, 60, 60))
    assert result["agrees"] is True
    assert pair(result, "metered", "filled")["mean_rate_l_ha"] == pytest.approx(100)
    assert all(one["meaning"] is None for one in result["differences"])


def test_what_may_differ_is_the_uncertainty_of_the_difference() -> None:
    result = closed(Track().go(600, flow=6.3))
    found = pair(result, "metered", "calculated")
    # rig: flowmeter 2 %, calibrated flow 2.5 % (k = 1); no pressure was seen
    a, b = ufloat(63, 63 * 0.02), ufloat(60, 60 * 0.025)
    assert found["difference_pct"] == pytest.approx(5)
    assert found["allowed_pct"] == pytest.approx(200 * (a - b).std_dev / 60, rel=1e-9)
    assert found["agrees"] is True


def test_the_orifice_law_for_the_time_with_pressure() -> None:
    # 50 kPa is a quarter of 200 kPa: half the flow, 30 L
    result = closed(at_pressure(Track().go(600, flow=3.0), 50.0))
    assert result["calculated_l"] == pytest.approx(30)
    # k = 2: 2 x sqrt(2.5^2 + (3 / 2)^2)
    assert result["calculated_u_pct"] == pytest.approx(2 * sqrt(2.5**2 + 1.5**2))


@pytest.mark.parametrize(
    ("flow", "filled", "first", "second", "words"),
    [
        (7.5, None, "metered", "calculated", "worn"),
        (4.5, None, "metered", "calculated", "plugged"),
        (7.5, 60.0, "metered", "filled", "too low"),
        (6.0, 75.0, "metered", "filled", "too high"),
        (6.0, 75.0, "calculated", "filled", "leak"),
        (6.0, 45.0, "calculated", "filled", "plugged"),
    ],
)
def test_what_a_difference_would_mean(
    flow: float, filled: float | None, first: str, second: str, words: str
) -> None:
    result = closed(Track().go(600, flow=flow), refills_l=[filled] if filled else [])
    found = pair(result, first, second)
    assert found["agrees"] is False
    assert words in found["meaning"]
    assert result["agrees"] is False


def test_a_flowmeter_that_was_silent_for_a_while_is_scaled_up_and_for_most_of_the_time_left_out() -> None:
    result = closed(Track().go(480).go(120, basis=Basis.CALIBRATION))
    assert (result["covered_pct"], result["metered_l"]) == pytest.approx((80, 60))
    result = closed(Track().go(120).go(480, basis=Basis.CALIBRATION))
    assert result["metered_l"] is None
    assert result["calculated_l"] == pytest.approx(60)


def test_one_witness_alone_agrees_with_nobody() -> None:
    alone = replace(rig(), flow=replace(rig().flow, source="none"))
    result = closed(Track().go(600, basis=Basis.CALIBRATION), alone)
    assert (result["metered_l"], result["agrees"], result["differences"]) == (None, None, [])
    assert closed(Track())["calculated_l"] is None


def test_the_mean_rate_counts_ground_treated_without_a_receiver() -> None:
    # hand-worked: 120 s at 6 L/min are 12 L, onto 120 s x 2 m/s x 5 m = 1200 m2, a fourth of it estimated
    found = closed(Track().go(60).go(30, gps=False).go(30), refills_l=[12.0])
    for one in found["differences"]:
        assert one["mean_rate_l_ha"] == pytest.approx(100)
