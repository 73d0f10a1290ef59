"""Faults of the plumbing along a run: what the liquid does, which nozzles, and what the truth says of it.

The round rig: 12 nozzles, 12 L/min at 300 kPa, 200 L/ha at 2 m/s; passes of 200 m. Each nozzle gives 1 L/min.
"""

import re
from math import exp, sqrt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written import fields, still_driver

from rigmon.simulate import Event, Scenario, Simulation, parse_event, record, simulate
from rigmon.simulate.boom import Trace
from rigmon.simulate.faults import change_of, plant_of, touched_nozzles
from rigmon.simulate.hydraulics import Condition, balance


def run(*events: Event, **parameters: object) -> Simulation:
    return simulate(still_driver(**({"passes": 1, "pass_length_m": 200.0, "events": events} | parameters)))


def at(trace: Trace, t_s: float) -> tuple[float, float, float]:
    """Flow through the nozzles, flow through the meter, pressure."""
    cell = int(trace.cell_at(np.array([t_s]))[0])
    return (
        float(trace.cell_flow_l_min[cell]),
        float(trace.cell_metered_l_min[cell]),
        float(trace.cell_pressure_kpa[cell]),
    )


FAULTS = (
    Event("nozzles_plugged", 40, 30, 1),
    Event("nozzles_plugged", 40, 30, 3, share=0.5),
    Event("tip_missing", 40, 30, 1),
    Event("nozzles_worn", 40, 30, 0.15, 0.0),
    Event("leak", 40, 30, 0.2),
    Event("hose_off", 40, 30),
    Event("strainer_plugging", 40, 30, 0.88, 0.0),
    Event("pump_weak", 40, 30, 0.4),
    Event("relief_leaking", 40, 30, 0.6),
    Event("pressure_loss", 40, 30, 0.3),
    Event("flow_loss", 40, 30, 0.3),
)


@pytest.mark.parametrize("event", FAULTS, ids=lambda event: f"{event.kind}-{event.size:g}")
def test_the_truth_says_what_the_liquid_did(event: Event) -> None:
    """Changes as stated against the trace; before and after it all is well; area: 30 s x 2 m/s x 5 m."""
    simulation = run(event)
    before, during, after = (at(simulation.trace, t) for t in (39.9, 60.0, 80.0))
    assert before == after == (12.0, 12.0, 300.0)
    (told,) = simulation.truth["events"]
    true = told["true"]
    assert 100 * (during[0] / 12 - 1) == pytest.approx(true["applied_pct"], abs=1e-6)
    assert 100 * (during[1] / 12 - 1) == pytest.approx(true["flow_pct"], abs=1e-6)
    assert 100 * (during[2] / 300 - 1) == pytest.approx(true["pressure_pct"], abs=1e-6)
    c = during[1] / 12 / sqrt(during[2] / 300) - 1
    assert 100 * c == pytest.approx(true["coefficient_pct"], abs=1e-6)
    assert told["read"] == {name: true[name] for name in told["read"]}
    assert told["area_m2"] == pytest.approx(300.0)
    shown = next(f for ms, f in fields(simulation, "XDR") if ms == 60_000)
    assert float(shown[6]) * 60 == pytest.approx(during[1], abs=0.001)
    assert float(shown[2]) * 100 == pytest.approx(during[2], abs=0.01)


def test_a_plugged_nozzle_leaves_its_strip_bare_and_the_others_a_little_more() -> None:
    """Nozzle 3 plugged for the whole pass of 100 s. C falls by 1/12; the others' dose is 200 L/ha x
    sqrt(P/300), with P of the plumbing's balance at 11/12, by which the valve rises."""
    simulation = run(Event("nozzles_plugged", 0, 1e5, nozzles=(3,)))
    truth = simulation.truth
    doses = [one["mean_l_ha"] for one in truth["nozzles"]]
    assert doses[2] == 0.0
    kpa = balance(plant_of(simulation.scenario), Condition.of(nozzles=11 / 12)).boom_kpa[0]
    others = doses[:2] + doses[3:]
    assert others == pytest.approx([200 * sqrt(kpa / 300)] * 11, rel=1e-6)
    assert 200 < others[0] < 204
    (told,) = truth["events"]
    assert told["nozzles"] == [3]
    assert told["true"]["coefficient_pct"] == pytest.approx(-100 / 12)
    assert truth["applied"]["volume_l"] == pytest.approx(sum(others) / 1e4 * 200 * 5 / 12, rel=1e-6)


def test_half_a_nozzle_and_a_missing_tip_show_in_their_strips() -> None:
    """All of one pressure; half plugged 0.5, without its tip 5 times as much (invented)."""
    events = (
        Event("nozzles_plugged", 0, 1e5, nozzles=(1,), share=0.5),
        Event("tip_missing", 0, 1e5, nozzles=(12,)),
        Event("nozzles_worn", 0, 1e5, 0.1, 0.0, (6, 7)),
    )
    doses = [one["mean_l_ha"] for one in run(*events).truth["nozzles"]]
    ratio = [dose / doses[1] for dose in doses]
    assert ratio == pytest.approx([0.5, 1, 1, 1, 1, 1.1, 1.1, 1, 1, 1, 1, 5], rel=1e-6)


def test_a_leak_is_metered_but_not_applied() -> None:
    """Leak of 20 % for 60 s: it passes 0.2 x 12 sqrt(P/300) L/min."""
    simulation = run(Event("leak", 30, 60, 0.2))
    truth, (applied, metered, kpa) = simulation.truth, at(simulation.trace, 60)
    assert metered - applied == pytest.approx(2.4 * sqrt(kpa / 300), rel=1e-9)
    assert truth["liquid"]["leaked_l"] == pytest.approx(metered - applied, rel=1e-6)  # a minute of it
    whole = truth["applied"]["volume_l"] + truth["liquid"]["leaked_l"]
    assert truth["liquid"]["metered_l"] == pytest.approx(whole, rel=1e-9)


def test_a_leak_behind_a_closed_valve_hides_in_the_total() -> None:
    """Valve about to open and a pump like a piston: the total stays within 5 %, the nozzles get less."""
    simulation = run(Event("leak", 40, 30, 0.15), bypass_pct=0.0, pump_shutoff_ratio=8.0)
    true = simulation.truth["events"][0]["true"]
    assert 0 < true["flow_pct"] < 5
    assert true["pressure_pct"] < -15
    assert true["applied_pct"] < -8


def test_the_seed_picks_the_nozzles_and_no_two_events_the_same() -> None:
    plugged = [Event("nozzles_plugged", 10 + k, 60, 3) for k in range(3)]
    events = (*plugged, Event("tip_missing", 12, 9, nozzles=(5,)))
    picked = [touched_nozzles(still_driver(seed=seed, passes=1, events=events)) for seed in (1, 1, 2)]
    assert picked[0] == picked[1] != picked[2]
    for seen in picked:
        every = [n for nozzles in seen for n in nozzles]
        assert len(every) == len(set(every)) == 10
        assert set(every) <= set(range(1, 13))
    later = Event("nozzles_plugged", 30, 5, 12)  # all are free again
    first = Event("nozzles_plugged", 10, 5, 12)
    assert touched_nozzles(still_driver(passes=1, events=(first, later))) == [tuple(range(1, 13))] * 2


def test_a_fault_grows_over_its_ramp_and_then_stands() -> None:
    """Two nozzles plug within 20 s: at the half of it C has fallen by 1/12, in steps of a thousandth."""
    simulation = run(Event("nozzles_plugged", 40, 40, 2, 20.0))
    for t, c in ((45.0, 0.5), (50.0, 1.0), (60.0, 2.0), (75.0, 2.0)):
        applied, _, kpa = at(simulation.trace, t)
        assert applied / 12 / sqrt(kpa / 300) == pytest.approx(1 - c / 12, abs=3e-4)


def test_the_pressure_follows_with_its_lag_and_the_flow_at_once() -> None:
    """At once 11/12 of the flow at the old pressure; then P = P1 + (300 - P1) exp(-t/tau), tau = 2 s."""
    simulation = run(Event("nozzles_plugged", 40, 30, 1), pressure_tau_s=2.0)
    end = balance(plant_of(simulation.scenario), Condition.of(nozzles=11 / 12)).boom_kpa[0]
    applied, _, kpa = at(simulation.trace, 40.001)
    assert applied == pytest.approx(11.0, rel=2e-4)
    assert kpa == pytest.approx(300.0, rel=2e-4)
    _, _, later = at(simulation.trace, 42.0)
    assert later == pytest.approx(end + (300 - end) * exp(-1), abs=0.05)


def test_a_stuck_valve_lets_the_pressure_rise_where_it_would_have_held_it() -> None:
    plugged = Event("nozzles_plugged", 40, 30, 3)
    held, stuck = run(plugged).trace, run(plugged, Event("relief_stuck", 10, 80)).trace
    assert at(stuck, 30) == pytest.approx((12.0, 12.0, 300.0))
    assert at(stuck, 60)[2] > at(held, 60)[2] * 1.03


def test_off_there_is_no_pressure_to_leak() -> None:
    simulation = run(Event("leak", 0, 1e5, 0.5), Event("boom_left_off", 40, 20))
    assert at(simulation.trace, 50) == (0.0, 0.0, 0.0)


def test_a_slow_wander_of_the_pressure_is_true_and_takes_the_flow_along() -> None:
    wander = {"pressure_wander_pct": 2.0, "pressure_wander_tau_s": 5.0}
    trace = record(still_driver(passes=1, pass_length_m=2000.0, gps_hz=1, sensors=(), **wander)).trace
    kpa = np.interp(np.arange(20, 990, 0.5), trace.t_s, trace.pressure_kpa)
    # 970 s at about 5 s: 100 independent values, standard error 7 %
    assert kpa.std() / 300 == pytest.approx(0.02, rel=0.25)
    assert np.corrcoef(kpa[10:], kpa[:-10])[0, 1] == pytest.approx(exp(-1), abs=0.15)
    on = trace.boom_on
    flow = 12 * np.sqrt(trace.cell_pressure_kpa[on] / 300)
    assert trace.cell_flow_l_min[on] == pytest.approx(flow, rel=1e-9)


@pytest.mark.parametrize(
    ("event", "codes"),
    [
        (Event("nozzles_plugged", 40, 20, 4), ["rate_low"]),
        (Event("tip_missing", 40, 20, 1), ["rate_high"]),
        (Event("pump_weak", 40, 20, 0.6), ["pressure_loss", "rate_low"]),
        # the meter shows more than the nozzles give, or nobody knows what it shows
        (Event("leak", 40, 20, 0.5), []),
        (Event("flowmeter_drift", 40, 20, -0.3, 0.0), []),
        (Event("pressure_offset", 40, 20, -0.5), []),
        (Event("speed_creep", 40, 20, 0.07, 5.0), []),  # inside the band
        (Event("speed_frozen", 40, 20), []),
    ],
)
def test_alerts_are_due_where_the_meters_can_show_the_truth(event: Event, codes: list[str]) -> None:
    due = simulate(still_driver(passes=1, pass_length_m=150.0, events=(event,))).truth["alerts_due"]
    assert sorted({alert["code"] for alert in due}) == codes


def test_the_stretch_under_plugged_nozzles_is_by_flow_and_by_a_weak_pump_by_pressure() -> None:
    stretches = run(Event("nozzles_plugged", 30, 20, 3), Event("pump_weak", 70, 20, 0.5)).truth["stretches"]
    assert [(one["kind"], one["cause"]) for one in stretches] == [("under", "flow"), ("under", "pressure")]


@given(
    kinds=st.lists(st.sampled_from([event.kind for event in FAULTS]), min_size=1, max_size=4),
    start_s=st.lists(st.floats(0, 40), min_size=4, max_size=4),
    size=st.lists(st.floats(0.01, 1), min_size=4, max_size=4),
    ramp_s=st.sampled_from([None, 0.0, 7.0]),
    bypass_pct=st.sampled_from([0.0, 25.0, 100.0]),
)
@settings(max_examples=25, deadline=None)
def test_whatever_goes_wrong_together_the_books_balance(
    kinds: list[str], start_s: list[float], size: list[float], ramp_s: float | None, bypass_pct: float
) -> None:
    """Volume = sum over nozzles of dose x strip, metered = applied + leaked, and nothing is below zero."""
    events = [
        Event(
            kind,
            start,
            15.0,
            None if kind in ("nozzles_plugged", "tip_missing", "hose_off") else much,
            ramp_s if kind not in ("tip_missing", "hose_off", "pressure_loss", "flow_loss") else None,
        )
        for kind, start, much in zip(kinds, start_s, size, strict=False)
    ]
    simulation = run(*events, pass_length_m=60.0, bypass_pct=bypass_pct, pressure_tau_s=0.3)
    truth, trace = simulation.truth, simulation.trace
    strips = [(one["mean_l_ha"] or 0.0) * truth["applied"]["area_m2"] / 12 / 1e4 for one in truth["nozzles"]]
    assert sum(strips) == pytest.approx(truth["applied"]["volume_l"], rel=1e-6, abs=1e-9)
    whole = truth["applied"]["volume_l"] + truth["liquid"]["leaked_l"]
    assert truth["liquid"]["metered_l"] == pytest.approx(whole, rel=1e-6, abs=1e-9)
    for values in (trace.cell_flow_l_min, trace.cell_metered_l_min, trace.cell_pressure_kpa):
        assert np.all(np.isfinite(values))
        assert values.min() >= 0.0


def test_the_readmes_table_says_what_the_faults_do() -> None:
    """On the demo rig; its figures are the model's own, rounded."""
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+,2min,[^`]+)`( `--bypass 0`)? \| (.+) \|$", readme, re.MULTILINE)
    assert len(rows) == 9
    for text, shut, cells in rows:
        scenario = Scenario(events=(parse_event(text),), bypass_pct=0.0 if shut else 25.0)
        change = change_of(scenario, scenario.events[0], touched_nozzles(scenario)[0])
        stated = (change.coefficient, change.pressure, change.flow, change.applied)
        assert cells == " | ".join(f"{100 * part:+.1f} %" for part in stated)
