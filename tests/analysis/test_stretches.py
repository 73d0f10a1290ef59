"""Stretches worth acting on: rank, cause, missed ground; and all of them found on simulated runs."""

import json
from typing import Any

import numpy as np
import pytest
from hand_made import Track, run
from test_score_simulated import drive

from rigmon.analysis.frames import RunData, from_outputs
from rigmon.analysis.ground import Ground, runs
from rigmon.analysis.passes import find_passes
from rigmon.analysis.path import path_of
from rigmon.analysis.score import KEEP_S, MERGE_S, score_of
from rigmon.analysis.stretches import ranked_stretches
from rigmon.model import Sample
from rigmon.simulate import Event, Scenario, Simulation, simulate


def ranked(data: RunData) -> list[dict[str, Any]]:
    ground, path = Ground(data), path_of(data.columns)
    found = ranked_stretches(ground, path, find_passes(ground, path), score_of(data, ground)["stretches"])
    json.dumps(found, allow_nan=False)
    assert [one["rank"] for one in found] == list(range(1, len(found) + 1))
    return found


def test_rank_goes_by_area_times_error() -> None:
    # hand-worked: 20 s at 1.6 m/s: 160 m2, +25 %, 40 m2; 10 s at 1.0 m/s: 50 m2, +100 %, 50 m2
    track = Track().go(30).go(20, speed=1.6).go(30).go(10, speed=1.0).go(30)
    first, second = ranked(run(track))
    assert (first["mean_l_ha"], first["weight_m2"]) == pytest.approx((200, 50), rel=0.05)
    assert (second["mean_l_ha"], second["weight_m2"]) == pytest.approx((125, 40), rel=0.05)
    assert (first["cause"], second["cause"]) == ("speed", "speed")
    assert first["why"] == "slower than the speed that holds the rate"


def test_unknown_ground_follows_behind() -> None:
    found = ranked(
        run(Track().go(30).go(20, gps=False).go(30).go(10, speed=1.5).go(30).go(20, flow=None).go(30))
    )
    assert [one["kind"] for one in found] == ["over", "unknown", "unknown"]
    assert {one["cause"] for one in found[1:]} == {"gps_unknown", "flow_unknown"}
    assert found[1]["weight_m2"] is None


def with_pressure(track: Track, kpa: list[tuple[float, float]]) -> Track:
    """`kpa` says from which second on which pressure is seen."""
    for n, sample in enumerate(track.samples):
        now = [p for from_s, p in kpa if sample.t_ns / 1e9 > from_s][-1]
        track.samples[n] = Sample._replace(sample, pressure_kpa=now)
    return track


def test_a_flow_that_is_off_is_put_down_to_pressure_or_to_itself() -> None:
    # 128 kPa of 200: sqrt(0.64) = 0.8 of the flow
    sag = with_pressure(Track().go(30).go(20, flow=4.8).go(30), [(0, 200), (30, 128), (50, 200)])
    (one,) = ranked(run(sag))
    assert (one["kind"], one["cause"]) == ("under", "pressure")
    plugged = with_pressure(Track().go(30).go(20, flow=4.8).go(30), [(0, 200)])
    (one,) = ranked(run(plugged))
    assert (one["kind"], one["cause"]) == ("under", "flow")


def test_the_larger_part_is_the_cause() -> None:
    # speed 10 % low pulls up, flow 30 % low pulls down and wins
    (one,) = ranked(run(Track().go(30).go(20, speed=1.8, flow=4.2).go(30)))
    assert (one["kind"], one["cause"]) == ("under", "flow")


def test_a_boom_left_on_while_standing() -> None:
    (one,) = ranked(run(Track().go(30).go(10, speed=0.2).go(10, boom=0, speed=0.0)))
    assert (one["kind"], one["cause"]) == ("over", "boom_left_on")


def test_ground_missed_in_the_middle_of_a_pass() -> None:
    found = ranked(run(Track().go(30).go(8, boom=0).go(30).go(1, boom=0).go(30)))
    # hand-worked: 8 s x 2 m/s x 5 m = 80 m2; 1 s: 2 m, 10 m2
    assert [(one["kind"], one["area_m2"], one["cause"]) for one in found] == [
        ("missed", pytest.approx(80), "boom_left_off"),
        ("missed", pytest.approx(10), "boom_left_off"),
    ]
    assert (found[0]["start_s"], found[0]["end_s"]) == (30, 38)


def test_driving_to_another_place_is_not_missed_ground() -> None:
    assert ranked(run(Track().go(30).go(90, boom=0).go(30))) == []


# -- simulated runs ----------------------------------------------------------------------------------------


#: size chosen so that the dose is far outside the tolerance; kind and cause that must come out
CASES = {
    "underspeed": ("over", "speed", 0.3),
    "overspeed": ("under", "speed", 0.3),
    "pressure_loss": ("under", "pressure", 0.45),
}


def test_nearly_every_stretch_is_found_and_hardly_any_invented() -> None:
    """Precision and recall over many simulated faults, by time: above 0.95."""
    said = true = both = 0.0
    causes = []
    for seed in range(8):
        kinds = list(CASES)
        # passes of 150 m at 1.56 m/s last 96 s, turns about 20 s
        events = tuple(
            Event(kinds[(seed + n) % 3], 30.0 + 230.0 * n + 5 * seed, 20.0, CASES[kinds[(seed + n) % 3]][2])
            for n in range(4)
        )
        scenario = Scenario(
            seed=seed, passes=9, pass_length_m=150, wander_sd_m_s=0.03, sentences=("RMC",), events=events
        )
        simulation = simulate(scenario)
        outputs, count, _ = drive(simulation)
        data = from_outputs(
            scenario.rig, outputs, run_id=None, source="s", ended_cleanly=True, readings=count
        )
        found = [one for one in ranked(data) if one["kind"] in ("over", "under")]
        ground = Ground(data)
        treated_s = (ground.columns.start_ns[ground.treated] / 1e9).tolist()

        def inside(spans: list[tuple[float, float]], seconds: list[float]) -> set[float]:
            return {s for s in seconds if any(a <= s < b for a, b in spans)}

        told = inside([(one["start_s"], one["end_s"]) for one in found], treated_s)
        truth = inside(true_spans(simulation), treated_s)
        said, true, both = said + len(told), true + len(truth), both + len(told & truth)
        for event in events:
            for one in found:
                if event.start_s + 3 < (one["start_s"] + one["end_s"]) / 2 < event.end_s - 3:
                    causes.append((CASES[event.kind][:2]) == (one["kind"], one["cause"]))
    assert both / said > 0.95
    assert both / true > 0.95
    assert len(causes) > 20
    assert sum(causes) / len(causes) > 0.95


def true_spans(simulation: Simulation) -> list[tuple[float, float]]:
    """Where the ground really got too much or too little, with the score's own rules of what is a stretch."""
    trace, target, swath_m = simulation.trace, simulation.scenario.rig.target, simulation.scenario.rig.swath_m
    with np.errstate(divide="ignore", invalid="ignore"):
        dose = trace.cell_flow_l_min / 60 / (trace.cell_speed_m_s * swath_m) * 1e4
    part = target.tolerance_pct / 100
    spans: list[tuple[float, float]] = []
    for off in (dose > target.rate_l_ha * (1 + part), dose < target.rate_l_ha * (1 - part)):
        first, last = runs(off & trace.boom_on)
        mine: list[list[float]] = []
        for start, end in zip(trace.t_s[first], trace.t_s[last + 1], strict=True):
            if mine and start - mine[-1][1] < MERGE_S:
                mine[-1][1] = end
            else:
                mine.append([start, end])
        spans += [(start, end) for start, end in mine if end - start >= KEEP_S]
    return spans
