"""The driver's hold: figures worked out by hand on the round rig (target 2 m/s, 100 L/ha, 6 L/min, 5 m)."""

import json
from dataclasses import replace
from importlib import resources
from typing import Any

import numpy as np
import pytest
from driven import driven
from hand_made import Track, rig, run

from rigmon import config
from rigmon.analysis.ground import Ground
from rigmon.analysis.hold import hold
from rigmon.analysis.passes import find_passes
from rigmon.analysis.path import path_of
from rigmon.rig import Rig
from rigmon.simulate import Scenario, simulate


def held(track: Track, rig_: Rig | None = None) -> dict[str, Any]:
    data = run(track, rig_)
    ground = Ground(data)
    result = hold(ground, find_passes(ground, path_of(data.columns)))
    json.dumps(result, allow_nan=False)
    return result


def test_each_metre_counts_alike() -> None:
    # hand-worked: 20 m at 2.0 (0 %), 16 m at 1.6 and 24 m at 2.4 (20 % off): 40 x 20 / 60 = 13.33 %
    # in the band 1.818 to 2.222: the 20 m of 60 m
    result = held(Track().go(10).go(10, speed=1.6).go(10, speed=2.4))
    assert result["hold_pct"] == pytest.approx(13.333, abs=0.2)  # the second about each change is smoothed
    assert result["in_band_pct"] == pytest.approx(100 / 3, abs=4)
    assert sum(part["share_pct"] for part in result["histogram"]) == pytest.approx(100)


def test_a_sagging_pressure_is_not_laid_at_the_drivers_door() -> None:
    # 4.8 L/min is 80 % of the flow, so 1.6 m/s holds the rate
    assert held(Track().go(60, speed=1.6, flow=4.8))["hold_pct"] == pytest.approx(0, abs=1e-9)
    assert held(Track().go(60, speed=2.0, flow=4.8))["hold_pct"] == pytest.approx(25)


def test_neither_tolerance_nor_swath_nor_length_moves_the_figure() -> None:
    track = Track().go(60, speed=1.9)
    figure = held(track)["hold_pct"]
    assert figure == pytest.approx(5)
    other = replace(rig(), target=replace(rig().target, tolerance_pct=3))
    assert held(track, other)["hold_pct"] == figure
    assert held(Track().go(300, speed=1.9))["hold_pct"] == pytest.approx(figure)


def test_passes_are_ranked_and_their_drift_told() -> None:
    track = Track().go(30).go(10, boom=0).go(30, speed=1.8).go(10, boom=0)
    for k in range(60):
        track.go(1, speed=2.0 + 0.001 * k)  # 0.05 % a second is 3 % a minute
    result = held(track)
    assert [one["number"] for one in result["passes"]] == [1, 2, 3]
    assert (result["best_pass"], result["worst_pass"]) == (1, 2)
    assert result["passes"][1]["mean_m_s"] == pytest.approx(1.8)
    assert result["passes"][2]["drift_pct_per_min"] == pytest.approx(3, abs=0.1)
    assert result["passes"][0]["course_deg"] == pytest.approx(90)


def test_excursions_and_how_soon_they_were_over() -> None:
    track = Track().go(20, step=0.2).go(6, speed=1.5, step=0.2).go(20, step=0.2).go(4, speed=2.6, step=0.2)
    result = held(track.go(20, step=0.2).go(10, speed=1.2, step=0.2))["excursions"]
    assert (result["count"], result["returned_count"]) == (3, 2)  # the last was never over
    assert result["longest_s"] == pytest.approx(6, abs=0.8)
    assert result["median_s"] == pytest.approx(5, abs=0.8)


def test_a_bump_is_no_excursion() -> None:
    assert (
        held(Track().go(20, step=0.2).go(0.4, speed=1.5, step=0.2).go(20, step=0.2))["excursions"]["count"]
        == 0
    )


def test_nothing_treated_says_nothing() -> None:
    for track in (Track(), Track().go(30, boom=0), Track().go(30, gps=False)):
        result = held(track)
        assert (result["hold_pct"], result["in_band_pct"], result["best_pass"]) == (None, None, None)
        assert result["histogram"] == []


def test_unknown_flow_takes_the_target_speed() -> None:
    assert held(Track().go(60, speed=1.8, flow=None))["hold_pct"] == pytest.approx(10)


@pytest.mark.parametrize(("gps_hz", "wander_m_s"), [(1, 0.03), (1, 0.12), (10, 0.12)])
def test_a_receiver_alone_tells_the_drivers_hold(gps_hz: int, wander_m_s: float) -> None:
    """Against the simulated motion: white noise of 0.04 m/s, 2.6 % of the speed, hardly shows."""
    gps_only = config.parse(demo_text().replace('source = "xdr"', 'source = "none"'), "demo rig")
    scenario = Scenario(
        rig=gps_only, passes=8, pass_length_m=150, gps_hz=gps_hz, wander_sd_m_s=wander_m_s, seed=3
    )
    trace = simulate(scenario).trace
    _, data = driven(scenario)
    ground = Ground(data)
    found = hold(ground, find_passes(ground, path_of(data.columns)))
    metres = trace.cell_speed_m_s * np.diff(trace.t_s) * trace.boom_on
    off = np.abs(trace.cell_speed_m_s / gps_only.target.speed_m_s - 1)
    assert found["hold_pct"] == pytest.approx(float(100 * (metres * off).sum() / metres.sum()), abs=0.5)
    assert len(found["passes"]) == 8


def demo_text() -> str:
    return (resources.files("rigmon") / "data" / "demo.rig.toml").read_text(encoding="utf-8")
