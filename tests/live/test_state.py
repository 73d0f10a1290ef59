"""What is kept for pages that come later: everything that is up, in bounded room."""

import json

import pytest
from helpers import make_rig
from hypothesis import given
from hypothesis import strategies as st
from samples import sample

from rigmon.live.state import LiveState, from_wire, to_wire
from rigmon.model import Act, Alert, Anchor, Finding, Output, Tally

RIG = make_rig(tank={"volume": "100 L"})
RAISED = Alert(2_000_000_000, "rate_high", True, 120.0, 110.0, "L/ha")
CLEARED = Alert(9_000_000_000, "rate_high", False, 101.0, 110.0, "L/ha")
FOUND = Finding("rate_high", 3, 2, 5.0, 1.0)
SEEN = Act(4_000_000_000, "acknowledge", "rate_high")


def test_a_line_of_outputs_comes_back_as_it_was() -> None:
    outputs: list[Output] = [sample(), RAISED, Anchor(5, 1_780_000_000_000), FOUND, SEEN]
    assert from_wire(json.loads(json.dumps(to_wire(outputs)))) == outputs


def test_what_no_page_shows_is_left_out() -> None:
    assert to_wire([Tally(1, "sentence", 5)]) == []


@given(
    st.builds(
        lambda *floats: sample()._replace(
            speed_m_s=floats[0], flow_l_min=floats[1], pressure_kpa=floats[2], rate_l_ha=floats[3]
        ),
        *[st.one_of(st.none(), st.floats(allow_nan=False, allow_infinity=False))] * 4,
    )
)
def test_numbers_come_back_bit_for_bit(one: Output) -> None:
    assert from_wire(json.loads(json.dumps(to_wire([one])))) == [one]


def test_an_acknowledged_alert_stands_until_it_clears() -> None:
    state = LiveState(RIG)
    state.take([RAISED])
    state.take([SEEN])
    assert (list(state.alerts), state.acknowledged) == (["rate_high"], {"rate_high"})
    state.take([CLEARED])
    assert (state.alerts, state.acknowledged) == ({}, set())


def test_one_that_comes_again_is_unacknowledged() -> None:
    state = LiveState(RIG)
    state.take([RAISED, SEEN, CLEARED, RAISED])
    assert state.acknowledged == set()


def test_acknowledging_what_is_not_up_changes_nothing() -> None:
    state = LiveState(RIG)
    state.take([SEEN])
    assert state.acknowledged == set()


def test_between_runs_nothing_is_added_but_the_tank_is_used() -> None:
    state = LiveState(RIG)
    state.take([Act(1, "refill", "", None, True), sample(1)])
    assert (state.totals.area_m2, state.tank.level_l) == (0.0, pytest.approx(99.9))
    state.begin("a")
    state.take([sample(2)])
    state.end()
    state.take([sample(3)])
    assert (state.totals.area_m2, state.tank.level_l) == (10.0, pytest.approx(99.7))


def test_what_belongs_to_a_run_from_before_it_is_summed_and_not_taken_twice() -> None:
    """Its readings went through the core before: the tank, and what was filled in, saw them then."""
    state = LiveState(RIG)
    fill = Act(1, "refill", "", 50.0, True)
    state.take([fill, sample(100), sample(101)])
    state.begin("a", None, [fill._replace(t_ns=0), sample(1), RAISED, SEEN, sample(2)])
    assert state.totals.area_m2 == 20.0
    assert state.tank.level_l == pytest.approx(99.8)  # 100 L, less 2 x 0.1 L once
    assert (list(state.alerts), state.acknowledged) == (["rate_high"], {"rate_high"})
    state.take([sample(2)])  # the newest is shown to the driver's feedback once more
    assert (state.totals.area_m2, state.tank.level_l) == (20.0, pytest.approx(99.8))


def test_a_finding_goes_with_its_alert() -> None:
    state = LiveState(RIG)
    state.take([RAISED, FOUND])
    assert "rate_high" in state.findings
    state.take([CLEARED])
    assert state.findings == {}


def test_a_refill_fills_the_tank() -> None:
    state = LiveState(RIG)
    state.take([Act(1, "refill", "", None, True), sample()])
    assert state.tank.level_l == pytest.approx(99.9)
    state.take([Act(1, "refill", "", 0.05, False)])
    assert state.tank.level_l == pytest.approx(99.95)


def test_a_new_run_begins_with_no_sums_and_the_same_tank() -> None:
    state = LiveState(RIG)
    state.take([RAISED, Act(1, "refill", "", None, True), sample()])
    state.begin("b", "2026-06-01T14:00:00+00:00")
    assert (state.run, state.totals.area_m2) == ("b", 0.0)
    assert (state.tank.level_l, list(state.alerts)) == (pytest.approx(99.9), ["rate_high"])


def test_another_goes_on_from_it() -> None:
    one, other = LiveState(RIG), LiveState(RIG)
    one.begin("a", "2026-06-01T14:00:00+00:00")
    one.take([sample(1), RAISED, FOUND, SEEN, Anchor(5, 6), Act(1, "refill", "", None, True), sample(2)])
    other.take([Alert(1, "gps_lost", True, None, None, "")])
    other.restore(json.loads(json.dumps(one.to_json())))
    assert other.to_json() == one.to_json()
    assert other.alerts == one.alerts
    assert other.totals.area_m2 == 20.0  # the newest sample is not counted twice: 2 x 10 m2


def test_it_is_no_larger_after_a_day() -> None:
    state = LiveState(RIG)
    state.begin("a")
    for t in range(2000):
        state.take([sample(t), RAISED, CLEARED])
    assert len(json.dumps(state.to_json())) < 2000
