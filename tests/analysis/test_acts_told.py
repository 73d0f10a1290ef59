"""What people did, in the score and in the volumes: hand-worked on the round rig (6 L/min, 2 m/s, 5 m)."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hand_made import DEGREE_M, Track, rig, run
from hypothesis import given
from hypothesis import strategies as st

from rigmon.analysis.acts import Used, acts, used, used_in, words_of
from rigmon.analysis.closure import closure
from rigmon.analysis.ground import Ground
from rigmon.analysis.score import score
from rigmon.analysis.score_text import score_text
from rigmon.analysis.whole import analyse
from rigmon.model import Act, Alert, Anchor
from rigmon.rig import Rig

S = 1_000_000_000
#: a tank of 100 L
TANK: Rig = replace(rig(), tank_l=100.0)


def refill(t_s: float, volume_l: float | None, full: bool = False) -> Act:
    return Act(round(t_s * S), "refill", "", volume_l, full)


# -- time and place ------------------------------------------------------------------------------------


def test_an_act_has_its_time_and_place() -> None:
    outputs = [*Track().go(60).samples, Anchor(0, 1_780_149_802_000), Act(30 * S, "note", "gate\nis open")]
    (one,) = acts(run(outputs))
    # 30 s at 2 m/s east along the equator; the track begins at 0 degrees
    assert (one["kind"], one["t_s"], one["utc_ms"]) == ("note", 30.0, 1_780_149_832_000)
    assert (one["lat_deg"], one["lon_deg"]) == pytest.approx((0, 60 / DEGREE_M), abs=2 / DEGREE_M)
    assert words_of(one, "us") == "note: gate is open"


def test_the_score_tells_of_them_and_of_what_was_acknowledged() -> None:
    up = Alert(10 * S, "gps_lost", True, 1.5, 1.0, "s")
    outputs = [
        *Track().go(60).samples,
        up, Act(12 * S, "acknowledge", "gps_lost"), up._replace(t_ns=20 * S, raised=False),
        up._replace(t_ns=30 * S),
        refill(0, None, True), Act(40 * S, "note", "x" * 200),
    ]  # fmt: skip
    data = run(outputs)
    result = score(data)
    assert [alert["acknowledged_s"] for alert in result["alerts"]] == [12.0, None]
    assert [act["kind"] for act in result["acts"]] == ["acknowledge", "refill", "note"]
    text = score_text(result, data.rig)
    assert (
        "GPS lost: twice, 40.0 s in all, first at 0:00:10 (at 1.5 s, limit 1 s); acknowledged once"
        in " ".join(text.split())
    )
    assert "People     0:00:12  acknowledged: GPS lost" in text
    assert "0:00:00  refill: an unmeasured volume, the tank is full" in text
    assert all(len(line) <= 100 for line in text.splitlines())


def test_many_acts_are_counted_the_refills_and_notes_first() -> None:
    outputs = [*Track().go(60).samples, *(Act(n * S, "acknowledge", "gps_lost") for n in range(9))]
    data = run([*outputs, refill(50, 37.8541)])
    text = score_text(score(data), replace(data.rig, units="us"))
    # 37.8541 L / 3.785411784 L/gal = 10.0 gal
    assert "0:00:50  refill: 10.0 gal" in text
    assert "and 9 more acts" in text


def test_a_run_without_acts_says_nothing_of_people() -> None:
    data = run(Track().go(60))
    assert score(data)["acts"] == []
    assert "People" not in score_text(score(data), data.rig)


# -- what left the tank --------------------------------------------------------------------------------


def test_from_one_full_tank_to_the_next() -> None:
    done = [refill(0, 100, True), refill(300, 20), refill(600, 40, True), refill(900, 30, True)]
    assert used(done, None, None, 10 * S, 1000 * S) == [
        Used(0, 600 * S, 60.0, False), Used(600 * S, 900 * S, 30.0, False),
    ]  # fmt: skip


def test_an_untouched_tank_of_known_size_counts_as_full_at_the_start() -> None:
    done = [refill(600, 60, True)]
    assert used(done, 100.0, None, 10 * S, 1000 * S) == [Used(0, 600 * S, 60.0, True)]
    assert used(done, None, None, 10 * S, 1000 * S) == []  # of what size, nobody said
    assert used([refill(5, 10), *done], 100.0, None, 10 * S, 1000 * S) == []  # it was not full


def test_an_unmeasured_filling_up_ends_what_is_not_known() -> None:
    done = [refill(0, None, True), refill(300, None, True), refill(600, 30, True)]
    assert used(done, None, None, 10 * S, 1000 * S) == [Used(300 * S, 600 * S, 30.0, False)]


def test_what_was_left_closes_the_last_span() -> None:
    # 100 L + 20 L - 70 L
    done = [refill(0, None, True), refill(300, 20)]
    assert used(done, 100.0, 70.0, 10 * S, 1000 * S) == [Used(0, 1000 * S, 50.0, False)]
    assert used([], 100.0, 70.0, 10 * S, 1000 * S) == []


@given(
    st.lists(
        st.builds(refill, st.floats(0, 1000), st.none() | st.floats(0.1, 500), st.booleans()), max_size=8
    ),
    st.none() | st.floats(1, 500),
    st.none() | st.floats(0, 500),
)
def test_spans_never_overlap_and_no_litre_counts_twice(
    done: list[Act], capacity_l: float | None, left_l: float | None
) -> None:
    done = sorted((act for act in done if act.full or act.volume_l is not None), key=lambda act: act.t_ns)
    spans = used(done, capacity_l, left_l, 10 * S, 1000 * S)
    for before, after in pairwise(spans):
        assert before.to_ns <= after.from_ns
    added = sum(act.volume_l or 0.0 for act in done)
    assert sum(span.volume_l for span in spans) <= added + (capacity_l or 0.0) + 1e-6


def closed(outputs: list[Any], rig_: Rig = TANK, left_l: float | None = None, **typed: Any) -> dict[str, Any]:
    data = run(outputs, rig_)
    return closure(Ground(data), used=used_in(data, left_l), left_l=left_l, **typed)


def test_the_refill_method_from_the_log() -> None:
    """10 min x 6 L/min = 60 L until the tank was filled up with 60 L; what came after is no part of it."""
    samples = Track().go(600).go(60, speed=0.0, boom=0).go(600, flow=7.5).samples
    result = closed([*samples, refill(630, 60, True)])
    assert (result["filled_l"], result["filled_from"]) == (60.0, "log")
    assert result["filled_spans"] == [{"from_s": 0.0, "to_s": 630.0, "volume_l": 60.0, "counted_full": True}]
    by = {(one["first"], one["second"]): one for one in result["differences"]}
    assert by["metered", "filled"]["difference_l"] == pytest.approx(0, abs=0.1)
    # 60 L onto 1200 m x 5 m = 6000 m2
    assert by["metered", "filled"]["mean_rate_l_ha"] == pytest.approx(100, rel=1e-3)
    # all of the run: 60 + 75 L by the meter, 120 L by the nozzles
    assert result["metered_l"] == pytest.approx(135, rel=1e-3)
    assert by["metered", "calculated"]["difference_l"] == pytest.approx(15, rel=1e-2)


def test_what_is_typed_wins_over_the_log() -> None:
    outputs = [*Track().go(600).samples, refill(600, 33, True)]
    result = closed(outputs, refills_l=[60.0])
    assert (result["filled_l"], result["filled_from"], result["filled_spans"]) == (60.0, "typed", [])


def test_a_filling_before_the_boom_was_on_is_no_use_of_it() -> None:
    samples = Track().go(60, boom=0).go(600).samples
    result = closed([*samples, refill(0, 80, True), refill(30, 20, True)])
    assert (result["filled_l"], result["filled_from"]) == (None, None)


def test_the_whole_analysis_takes_the_logs_refills() -> None:
    data = run([*Track().go(600).samples, refill(0, None, True)], TANK)
    # 100 L - 40 L left
    assert analyse(data, left_l=40.0).sections["closure"]["filled_l"] == 60.0
    assert analyse(data).sections["closure"]["filled_l"] is None
