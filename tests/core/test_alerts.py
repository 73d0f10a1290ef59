"""Alerts: the state machine row by row, no chatter inside a deadband, and every code through the pipeline."""

import dataclasses
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest
from helpers import ALL_XDR, WEATHER_ALERTS, Run, make_rig
from hypothesis import given
from hypothesis import strategies as st

from rigmon import config
from rigmon.core.alerts import AlertMachine, State
from rigmon.core.conditions import CONDITIONS, DIAGNOSED, Facts
from rigmon.model import Alert, Flag, Source, SourceFault
from rigmon.rig import AlertRule

N, P, A, R = State.NORMAL, State.PENDING, State.ACTIVE, State.RECOVERING


def rule(
    on_s: float | None = 2.0, off_s: float = 3.0, on_m: float | None = None, deadband: float = 2.0
) -> AlertRule:
    return AlertRule(True, None, deadband, on_s, on_m, off_s)


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


class Machine:
    """An alert machine driven in seconds; its events as '+' (raised) and '-' (cleared)."""

    def __init__(self, rule: AlertRule) -> None:
        self.machine = AlertMachine("speed_fast", rule)
        self.events: list[tuple[str, float]] = []

    def step(self, t_s: float, bad: bool | None, good: bool = False, travelled_m: float = 0.0) -> State:
        alert = self.machine.step(ns(t_s), travelled_m, bad, good, 2.5, 2.2, "m/s")
        if alert:
            assert alert == Alert(ns(t_s), "speed_fast", alert.raised, 2.5, 2.2, "m/s")
            self.events.append(("+" if alert.raised else "-", t_s))
        return self.machine.state


# -- the table -----------------------------------------------------------------------------------------

# state, bad, good, seconds since the state began -> next state, event. On-delay 2 s, off-delay 3 s.
TABLE = [
    (N, False, True, 9.0, N, ""),
    (N, False, False, 9.0, N, ""),
    (N, True, False, 9.0, P, ""),
    (N, None, True, 9.0, N, ""),
    (P, True, False, 1.9, P, ""),
    (P, True, False, 2.0, A, "+"),
    (P, False, False, 1.0, N, ""),
    (P, False, True, 1.0, N, ""),
    (P, None, True, 1.0, N, ""),
    (A, True, False, 9.0, A, ""),
    (A, False, False, 9.0, A, ""),
    (A, False, True, 9.0, R, ""),
    (A, None, True, 9.0, N, "-"),
    (R, False, True, 2.9, R, ""),
    (R, False, True, 3.0, N, "-"),
    (R, False, False, 1.0, A, ""),
    (R, True, False, 1.0, A, ""),
    (R, None, True, 1.0, N, "-"),
]


def brought_to(state: State) -> tuple[Machine, float]:
    """A machine in `state`, and when it came there."""
    machine = Machine(rule())
    if state >= P:
        machine.step(1.0, True)
    if state >= A:
        machine.step(3.0, True)
    if state >= R:
        machine.step(4.0, False, True)
    assert machine.machine.state is state
    machine.events.clear()
    return machine, {N: 0.0, P: 1.0, A: 3.0, R: 4.0}[state]


@pytest.mark.parametrize(("state", "bad", "good", "after_s", "following", "event"), TABLE)
def test_every_row_of_the_table(
    state: State, bad: bool | None, good: bool, after_s: float, following: State, event: str
) -> None:
    machine, since_s = brought_to(state)
    assert machine.step(since_s + after_s, bad, good) is following
    assert [e for e, _ in machine.events] == list(event)


def test_the_table_has_every_state_with_every_finding() -> None:
    findings = {(s, b, g) for s, b, g, *_ in TABLE}
    assert findings >= {(s, b, g) for s in State for b, g in ((True, False), (False, False), (False, True))}
    assert findings >= {(s, None, True) for s in State}


def test_no_delay_raises_and_clears_at_once() -> None:
    machine = Machine(rule(on_s=0.0, off_s=0.0))
    assert machine.step(1.0, True) is A
    assert machine.step(1.1, False, True) is N
    assert machine.events == [("+", 1.0), ("-", 1.1)]


# hand-worked: bad from 10 m on, on-delay 3 m: raised at 13 m, however long it takes
def test_an_on_delay_in_metres_counts_metres() -> None:
    machine = Machine(rule(on_s=None, on_m=3.0))
    machine.step(1.0, True, travelled_m=10.0)
    assert machine.machine.due_ns is None  # standing still, no time will raise it
    assert machine.step(900.0, True, travelled_m=12.9) is P
    assert machine.step(900.1, True, travelled_m=13.0) is A


def test_a_running_delay_says_when_it_ends() -> None:
    machine = Machine(rule())
    assert machine.machine.due_ns is None
    machine.step(1.0, True)
    assert machine.machine.due_ns == ns(3.0)
    machine.step(3.0, True)
    assert machine.machine.due_ns is None
    machine.step(4.0, False, True)
    assert machine.machine.due_ns == ns(7.0)


@given(
    steps=st.lists(
        st.tuples(st.sampled_from([0.2, 0.5, 1.1]), st.sampled_from(["bad", "mid", "good", "off"])),
        max_size=60,
    ),
    on_s=st.sampled_from([0.0, 1.0, 2.0]),
    off_s=st.sampled_from([0.0, 1.0, 3.0]),
)
def test_raised_only_after_its_delay_and_cleared_only_after_its_own(
    steps: list[tuple[float, str]], on_s: float, off_s: float
) -> None:
    machine = Machine(rule(on_s=on_s, off_s=off_s))
    t, found = 0.0, []
    for dt, finding in steps:
        t = round(t + dt, 1)
        found.append((t, finding))
        before = len(machine.events)
        machine.step(t, {"bad": True, "off": None}.get(finding, False), finding in ("good", "off"))
        for event, at in machine.events[before:]:
            assert len(machine.events) == before + 1
            span = [f for s, f in found if s >= at - (on_s if event == "+" else off_s) - 1e-9]
            assert set(span) == {"bad"} if event == "+" else finding == "off" or set(span) == {"good"}
    kinds = [e for e, _ in machine.events]
    assert kinds == ["+", "-"] * (len(kinds) // 2) + ["+"] * (len(kinds) % 2)


# -- conditions with a deadband ------------------------------------------------------------------------


def facts(share: float, kpa: float, speed_is_off: bool) -> Facts:
    facts = Facts()
    facts.boom_on = True
    facts.speed_m_s = 2.0
    facts.flow_l_min = 6.0
    facts.rate_share = share
    facts.rate_l_ha = 100.0 * share
    facts.pressure_kpa = kpa
    facts.speed_deviation, facts.flow_deviation = (1.5, 1.0) if speed_is_off else (1.0, 1.5)
    return facts


# code -> (speed is what is off, the value on the scale of its deadband that is at the limit's edge)
SCALES: dict[str, tuple[bool, float]] = {
    "speed_fast": (True, 87.5),  # hand-worked: 1.25 x the tolerance of 10 %
    "speed_slow": (True, 112.5),
    "rate_low": (False, 90.0),
    "rate_high": (False, 110.0),
    "pressure_loss": (False, 80.0),
}


@given(
    code=st.sampled_from(sorted(SCALES)),
    centre=st.floats(-8, 8),
    wobble=st.lists(st.floats(-1, 1), min_size=10, max_size=80),
    on_s=st.sampled_from([0.0, 0.5]),
    off_s=st.sampled_from([0.0, 0.5]),
)
def test_no_alert_chatters_inside_its_deadband(
    code: str, centre: float, wobble: list[float], on_s: float, off_s: float
) -> None:
    """A value that wobbles by less than the deadband, wherever it does, raises an alert once at most."""
    rig = make_rig(pressure={"source": "xdr"})
    given_rule = dataclasses.replace(rig.alerts[code], on_delay_s=on_s, on_delay_m=None, off_delay_s=off_s)
    speed_is_off, edge = SCALES[code]
    half = 0.49 * given_rule.deadband_pct
    unit, make = CONDITIONS[code]
    judge, machine = make(rig, given_rule), AlertMachine(code, given_rule)
    events = []
    for k, part in enumerate(wobble):
        percent = edge + centre + half * part
        verdict = judge(facts(percent / 100, 2.0 * percent, speed_is_off))
        assert verdict is not None
        event = machine.step(ns(0.2 * k), 0.0, *verdict, unit)
        events += [event] if event else []
    assert len(events) <= 1
    assert all(e.raised for e in events)


@pytest.mark.parametrize("code", sorted(SCALES))
def test_limits_and_deadbands_lie_where_they_should(code: str) -> None:
    """Bad beyond the limit, good when back inside it by the deadband; in between neither."""
    rig = make_rig(pressure={"source": "xdr"})
    speed_is_off, edge = SCALES[code]
    judge = CONDITIONS[code][1](rig, rig.alerts[code])
    inward = 1 if edge < 100 else -1
    deadband = rig.alerts[code].deadband_pct
    if speed_is_off:
        deadband += 2.5  # good is inside the band, whose edge is at 10 %
    for percent, expected in (
        (edge - 0.01 * inward, (True, False)),
        (edge + 0.01 * inward, (False, False)),
        (edge + (deadband - 0.01) * inward, (False, False)),
        (edge + (deadband + 0.01) * inward, (False, True)),
        (100.0, (False, True)),
    ):
        verdict = judge(facts(percent / 100, 2.0 * percent, speed_is_off))
        assert verdict is not None
        assert verdict[:2] == expected, percent


@pytest.mark.parametrize("code", ["speed_fast", "speed_slow", "rate_low", "rate_high"])
def test_what_is_further_off_decides_between_speed_and_rate(code: str) -> None:
    rig = make_rig()
    speed_is_off, edge = SCALES[code]
    judge = CONDITIONS[code][1](rig, rig.alerts[code])
    far = (edge - 20 if edge < 100 else edge + 20) / 100
    mine, other = judge(facts(far, 200, speed_is_off)), judge(facts(far, 200, not speed_is_off))
    assert mine is not None
    assert other is not None
    assert (mine[0], other[0]) == (True, False)


@pytest.mark.parametrize(("code", "speed_m_s"), [("speed_fast", 2.25), ("speed_slow", 1.8)])
def test_a_speed_just_outside_the_band_is_the_lines_and_the_lights_to_tell(
    code: str, speed_m_s: float
) -> None:
    """Hand-worked: at 2.25 m/s the rate is 88.9 %, at 1.8 m/s 111.1 %: off by 1.1 tolerances."""
    run = Run(make_rig(**ALL_XDR))
    run.drive(0.0, 10.0, 2.0, **WELL)
    driving(speed_m_s)(run)
    assert [a for a in run.alerts if a.code == code] == []


def test_where_both_are_as_far_off_the_drift_is_put_down_to_speed() -> None:
    rig = make_rig()
    low = facts(0.7, 200.0, True)
    low.speed_deviation = low.flow_deviation = 1.2
    fast, rate_low = (CONDITIONS[code][1](rig, rig.alerts[code])(low) for code in ("speed_fast", "rate_low"))
    assert fast is not None
    assert rate_low is not None
    assert (fast[0], rate_low[0]) == (True, False)


def test_without_a_calibration_pressure_there_is_no_pressure_loss() -> None:
    rig = dataclasses.replace(make_rig(pressure={"source": "xdr"}), calibration=None)
    judge = CONDITIONS["pressure_loss"][1](rig, rig.alerts["pressure_loss"])
    assert judge(facts(1.0, 1.0, False)) is None


def test_without_a_flow_no_speed_can_be_named() -> None:
    rig = make_rig()
    judge = CONDITIONS["speed_fast"][1](rig, rig.alerts["speed_fast"])
    known = facts(0.7, 200.0, True)
    known.flow_l_min = None
    assert judge(known) == (True, False, 2.0, None)


# -- every code through the pipeline -------------------------------------------------------------------

WELL: dict[str, Any] = {"flow_l_min": 6.0, "pressure_kpa": 200.0, "boom": 1}


class Case(NamedTuple):
    """What to do from 10 s to 20 s of an otherwise steady drive, and what must come of it."""

    trouble: Callable[[Run], None]
    raised_s: float  #: when, within a sample step or so
    cleared_s: float
    value: float | None
    limit: float | None
    unit: str


def driving(speed: float = 2.0, **sensors: Any) -> Callable[[Run], None]:
    readings = {**WELL, **sensors}
    return lambda run: run.drive(10.0, 20.0, speed, **{k: v for k, v in readings.items() if v is not None})


def fault(source: Source, kind: str, lost: int = 0) -> Callable[[Run], None]:
    def trouble(run: Run) -> None:
        run.put(10.0, SourceFault(kind, "", lost), source)
        run.drive(10.0, 20.0, 2.0, **WELL)
        if source is Source.LOG:
            run.put(20.0, SourceFault("resumed", "", 0), source)

    return trouble


def silent(run: Run) -> None:
    """All but the receiver."""
    for k in range(50):
        run.xdr(10.0 + 0.2 * k, **WELL)


# Delays are the defaults. The rig is the round one: 100 L/ha at 2 m/s and 6 L/min, tolerance 10 %; 200 kPa.
# Sums: speed limits at 1.25 tolerances: 6 L/min gives 87.5 L/ha at 2 / 0.875 = 2.2857 m/s, 112.5 L/ha at
# 2 / 1.125 = 1.7778 m/s.
# 4.5 L/min at 2 m/s on 5 m is 75 L/ha, 7.5 L/min 125 L/ha. 20 % below 200 kPa is 160 kPa.
CASES = {
    "speed_fast": Case(driving(2.6), 11.8, 22.0, 2.6, 2.2857, "m/s"),
    "speed_slow": Case(driving(1.6), 11.8, 22.0, 1.6, 1.7778, "m/s"),
    "rate_high": Case(driving(flow_l_min=7.5), 14.0, 22.0, 125.0, 110.0, "L/ha"),
    "rate_low": Case(driving(flow_l_min=4.5), 14.0, 22.0, 75.0, 90.0, "L/ha"),
    "pressure_loss": Case(driving(pressure_kpa=140.0), 11.5, 22.0, 140.0, 160.0, "kPa"),
    "gps_lost": Case(silent, 12.8, 21.0, 3.0, 2.0, "s"),
    "gps_implausible": Case(driving(16.0), 11.0, 22.8, None, None, ""),
    "flow_silent": Case(driving(flow_l_min=None), 12.8, 22.0, 3.0, 2.0, "s"),
    "flow_implausible": Case(driving(flow_l_min=300.0), 12.0, 22.0, None, None, ""),
    "pressure_silent": Case(driving(pressure_kpa=None), 12.8, 22.0, 3.0, 2.0, "s"),
    "pressure_implausible": Case(driving(pressure_kpa=3000.0), 12.0, 22.0, None, None, ""),
    "boom_switch_silent": Case(driving(boom=None), 15.8, 22.0, 6.0, 5.0, "s"),
    "input_lost": Case(fault(Source.GPS, "overflow", lost=3), 10.0, 21.0, None, None, ""),
    "run_log_trouble": Case(fault(Source.LOG, "slow"), 10.0, 25.0, None, None, ""),
}


def test_conditions_rig_file_and_cases_list_the_same_alerts() -> None:
    assert list(CONDITIONS) == list(config.ALERT_CODES)
    # diagnoses and weather have tests of their own
    assert set(CASES) == set(CONDITIONS) - set(DIAGNOSED) - set(WEATHER_ALERTS)


def run_of(code: str, **sections: Any) -> Run:
    run = Run(make_rig(**ALL_XDR, **sections))
    run.drive(0.0, 10.0, 2.0, **WELL)
    CASES[code].trouble(run)
    run.drive(20.0, 30.0, 2.0, **WELL)
    return run


@pytest.mark.parametrize("code", sorted(CASES))
def test_every_alert_is_raised_and_cleared(code: str) -> None:
    case = CASES[code]
    mine = [a for a in run_of(code).alerts if a.code == code]
    assert [a.raised for a in mine] == [True, False]
    assert mine[0].t_ns / 1e9 == pytest.approx(case.raised_s, abs=0.45)
    assert mine[1].t_ns / 1e9 == pytest.approx(case.cleared_s, abs=0.45)
    tolerance = 0.3 if case.unit == "s" else 0.02
    assert mine[0].value == (None if case.value is None else pytest.approx(case.value, abs=tolerance))
    assert mine[0].limit == (None if case.limit is None else pytest.approx(case.limit, abs=1e-3))
    assert {a.unit for a in mine} == {case.unit}


@pytest.mark.parametrize("code", sorted(CASES))
def test_a_disabled_alert_is_silent(code: str) -> None:
    run = run_of(code, **{f"alerts_{code}": {"enabled": False}})
    assert not [a for a in run.alerts if a.code == code]


# What else may rightly be raised beside it: an implausible receiver is soon one without usable fix.
ALSO = {"gps_implausible": {"gps_lost"}}


@pytest.mark.parametrize("code", sorted(CASES))
def test_a_trouble_raises_its_own_alert_only(code: str) -> None:
    assert {a.code for a in run_of(code).alerts} <= {code} | ALSO.get(code, set())


def test_a_steady_drive_raises_nothing() -> None:
    run = Run(make_rig(**ALL_XDR))
    run.drive(0.0, 600.0, 2.0, **WELL)
    assert run.alerts == []


@pytest.mark.parametrize(
    ("speed", "sensors"),
    [
        (3.5, {"flow_l_min": 6.0, "pressure_kpa": 200.0}),
        (1.0, {"flow_l_min": 6.0, "pressure_kpa": 200.0}),
        (2.0, {"flow_l_min": 3.0, "pressure_kpa": 50.0}),
        (2.0, {"flow_l_min": 0.0, "pressure_kpa": 0.0}),
    ],
)
def test_with_the_boom_off_nothing_is_said_of_rate_speed_or_pressure(
    speed: float, sensors: dict[str, float]
) -> None:
    run = Run(make_rig(**ALL_XDR))
    run.drive(0.0, 20.0, speed, boom=0, **sensors)
    assert run.alerts == []
    # and the same with the boom on is not silent
    run = Run(make_rig(**ALL_XDR))
    run.drive(0.0, 20.0, speed, boom=1, **sensors)
    assert run.alerts


def test_an_alert_that_is_up_clears_at_once_when_the_boom_goes_off() -> None:
    run = Run(make_rig(**ALL_XDR))
    run.drive(0.0, 10.0, 2.6, **WELL)
    run.drive(10.0, 12.0, 2.6, **{**WELL, "boom": 0})
    cleared = [a for a in run.alerts if not a.raised]
    assert [a.code for a in cleared] == ["speed_fast"]
    # the boom went off at 10 s, and the sample that starts there ends at 10.2 s
    assert cleared[0].t_ns == pytest.approx(ns(10.2), abs=1)


# hand-worked: from 10 s on 2.6 m/s: 13 m take 5 s
def test_an_on_delay_in_metres_through_the_pipeline() -> None:
    run = run_of("speed_fast", alerts_speed_fast={"on_delay": "13 m"})
    raised = [a for a in run.alerts if a.raised]
    assert [a.code for a in raised] == ["speed_fast"]
    assert raised[0].t_ns / 1e9 == pytest.approx(15.0, abs=0.45)


def test_a_boom_that_is_on_without_any_flow_is_an_under_rate() -> None:
    """A switched boom, no pressure transducer: the meter's zero is all there is, and it must be said."""
    run = Run(make_rig(flow={"source": "xdr"}, boom_switch={"source": "xdr"}))
    run.drive(0.0, 10.0, 2.0, flow_l_min=0.0, boom=1)
    assert [(a.code, a.value) for a in run.alerts] == [("rate_low", 0.0)]


def test_a_boom_that_sprays_while_the_rig_stands_is_too_slow() -> None:
    run = Run(make_rig(**ALL_XDR))
    run.drive(0.0, 10.0, 0.0, **WELL)
    assert [(a.code, a.value) for a in run.alerts] == [("speed_slow", 0.0)]


def test_standing_still_with_no_flow_is_nothing() -> None:
    run = Run(make_rig(flow={"source": "xdr"}, boom_switch={"source": "xdr"}))
    run.drive(0.0, 20.0, 0.0, flow_l_min=0.0, boom=1)
    assert run.alerts == []


def test_a_single_spike_of_speed_raises_nothing() -> None:
    run = Run(make_rig(**ALL_XDR))
    run.drive(0.0, 10.0, 2.0, **WELL)
    run.fix(10.0, 16.0)
    run.drive(10.2, 20.0, 2.0, **WELL)
    assert run.alerts == []
    assert sum(bool(s.flags & Flag.GPS_IMPLAUSIBLE) for s in run.samples) == 4  # 10.2 to 10.8 s


def test_a_loss_is_raised_even_when_nothing_else_comes_for_a_second() -> None:
    run = Run(make_rig())
    run.put(0.01, SourceFault("overflow", "", 5), Source.GPS)
    run.silence(2.0)
    assert "input_lost" in [a.code for a in run.alerts]


def test_gps_lost_is_raised_by_ticks_alone() -> None:
    """Stale at 2 s, on-delay 1 s: raised 3 s after the last fix, to the nanosecond of its tick."""
    run = Run(make_rig())
    run.fix(1.0, 2.0)
    run.silence(10.0)
    assert [(a.code, a.raised, a.t_ns) for a in run.alerts] == [("gps_lost", True, ns(4.0) + 1)]
    assert run.alerts[0].value == pytest.approx(3.0)


def test_a_receiver_that_never_comes_is_gps_lost() -> None:
    run = Run(make_rig())
    run.silence(5.0)
    # it is given the 2 s to speak; then the on-delay of 1 s
    assert [(a.code, a.t_ns) for a in run.alerts] == [("gps_lost", ns(3.0) + 1)]
