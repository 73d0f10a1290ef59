"""Stretches worth acting on: rank, cause, missed ground; and all of them found on simulated runs."""

import json
from random import Random
from typing import Any

import pytest
from driven import driven
from hand_made import DEGREE_M, SWATH_M, Track, run

from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import Ground
from rigmon.analysis.passes import find_passes
from rigmon.analysis.path import path_of
from rigmon.analysis.score import score_of
from rigmon.analysis.stretches import ranked_stretches
from rigmon.model import Sample
from rigmon.simulate import Event, Scenario


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


def test_a_boom_that_comes_on_late_or_goes_off_early_has_missed_ground_beside_a_treated_pass() -> None:
    def there_and_back(late_s: int, early_s: int) -> list[dict[str, Any]]:
        track = Track().go(60).go(10, boom=0)
        # back beside it: 120 m west on a line 5 m to the north
        back = Track(track.t_ns).go(late_s, boom=0).go(60 - late_s - early_s).go(early_s, boom=0)
        back.go(4, boom=0)
        turned = [
            sample._replace(
                lon_deg=(120 - sample.lon_deg * DEGREE_M) / DEGREE_M if sample.lon_deg is not None else None,
                lat_deg=SWATH_M / DEGREE_M,
                track_deg=270.0,
            )
            for sample in back.samples
        ]
        return ranked(run([*track.samples, *turned]))

    # hand-worked: 10 s x 2 m/s x 5 m = 100 m2
    (one,) = there_and_back(10, 0)
    assert (one["kind"], one["cause"]) == ("missed", "boom_left_off")
    assert (one["area_m2"], one["start_s"]) == (pytest.approx(100, abs=11), pytest.approx(70, abs=1.1))
    # early: the neighbour began there
    (one,) = there_and_back(0, 10)
    assert (one["area_m2"], one["end_s"]) == (pytest.approx(100, abs=11), pytest.approx(130, abs=1.1))
    # no more than ends differ on a slanting edge: 4 s x 2 m/s = 8 m, less than two swaths
    assert there_and_back(4, 4) == []


def test_a_speed_that_stands_while_positions_move_on_is_the_receivers_fault() -> None:
    track = Track().go(30).go(10).go(30)
    for n in range(30, 40):
        track.samples[n] = track.samples[n]._replace(speed_m_s=0.0, distance_m=0.0, area_m2=0.0)
    (one,) = ranked(run(track))
    assert (one["kind"], one["cause"]) == ("over", "gps_unknown")
    assert "positions moved on" in one["why"]


# -- simulated runs ----------------------------------------------------------------------------------------

SIZES = {"underspeed": 0.3, "overspeed": 0.3, "pressure_loss": 0.45, "flow_loss": 0.25}
KINDS = (*SIZES, "boom_left_off", "boom_left_on", "gps_dropout", "void_fix")
#: white noise; and noise that lingers for 2 s, of a receiver that is 0.4 s late
RECEIVERS: tuple[dict[str, float], ...] = (
    {"white_noise_m_s": 0.04},
    {"white_noise_m_s": 0.04, "correlated_noise_m_s": 0.06, "correlated_tau_s": 2.0, "latency_s": 0.4},
)


def faults(seed: int) -> tuple[Event, ...]:
    """A fault every minute or two."""
    random = Random(seed)
    events, at = [], 40.0
    while at < 1000:
        kind = random.choice(KINDS)
        # passes of 150 m at 1.56 m/s last 96 s, turns about 20 s: a shorter one may fall into a pass
        long = random.uniform(30, 60) if kind == "boom_left_on" else random.uniform(8, 30)
        events.append(Event(kind, round(at, 1), round(long, 1), SIZES.get(kind)))
        at += long + random.uniform(40, 110)
    return tuple(events)


@pytest.mark.parametrize("receiver", RECEIVERS, ids=["white", "correlated"])
def test_nearly_every_stretch_is_found_and_hardly_any_invented(receiver: dict[str, float]) -> None:
    """Precision and recall, by count and by time, and the causes, against the simulator's own truth."""
    found_count = true_count = matched = right_cause = 0
    said_s = true_s = both_s = 0.0
    for seed in range(1, 5):
        truth, data = driven(
            Scenario(
                seed=seed, passes=10, pass_length_m=150, wander_sd_m_s=0.03, events=faults(seed),
                **receiver,  # type: ignore[arg-type]
            )
        )  # fmt: skip
        found = ranked(data)
        pairs = [(one, true) for one in found for true in truth["stretches"] if overlap_s(one, true) > 0]
        found_count, true_count = found_count + len(found), true_count + len(truth["stretches"])
        matched += len(pairs)
        right_cause += sum(one["cause"] == true["cause"] for one, true in pairs)
        said_s += sum(one["end_s"] - one["start_s"] for one in found)
        true_s += sum(true["end_s"] - true["start_s"] for true in truth["stretches"])
        both_s += sum(overlap_s(one, true) for one, true in pairs)
    assert true_count > 30
    assert matched / found_count > 0.95
    assert matched / true_count > 0.95
    assert both_s / said_s > 0.95
    assert both_s / true_s > 0.95
    assert right_cause / matched > 0.95


def overlap_s(one: dict[str, Any], true: dict[str, Any]) -> float:
    """Time that two stretches of one kind share [s]."""
    if one["kind"] != true["kind"]:
        return 0.0
    return max(min(one["end_s"], true["end_s"]) - max(one["start_s"], true["start_s"]), 0.0)


@pytest.mark.parametrize("position_noise_m", [0.5, 1.5])
def test_turns_and_headlands_are_not_missed_ground(position_noise_m: float) -> None:
    _, data = driven(
        Scenario(seed=2, passes=8, pass_length_m=60, headland_m=8, position_noise_m=position_noise_m)
    )
    assert [one for one in ranked(data) if one["kind"] == "missed"] == []
