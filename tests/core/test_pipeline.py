"""The pipeline: what a sample holds, where it ends, what silence does. Numbers are hand-worked.

The round rig: 5 m swath, 100 L/ha at 2 m/s and 6 L/min (200 kPa), tolerance 10 %. Uncertainties (k = 1) are
the defaults: flowmeter 2 %, calibration 2.5 %, pressure 2 %, swath 1 %, speed bias 0.5 %.
"""

import dataclasses
from math import sqrt
from typing import Any

import pytest
from helpers import ALL_XDR, Run, clock, gga, make_rig, rmc, sentence
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.gnss import LIVE_RUN
from rigmon.core.pipeline import Pipeline
from rigmon.model import (
    AdcCount,
    Anchor,
    Basis,
    Flag,
    NmeaLine,
    Note,
    Output,
    PulseCount,
    Reading,
    Sample,
    Source,
    SourceFault,
    SwitchState,
    Tick,
)

WELL: dict[str, Any] = {"flow_l_min": 6.0, "pressure_kpa": 200.0, "boom": 1}
XDR_FLOW = {"flow": {"source": "xdr"}}
XDR_PRESSURE = {"pressure": {"source": "xdr"}}
XDR_SWITCH = {"boom_switch": {"source": "xdr"}}
XDR_BOTH = {**XDR_FLOW, **XDR_PRESSURE}


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


def steady(
    seconds: float = 10.0, speed: float = 2.0, sections: dict[str, Any] | None = None, **sensors: Any
) -> Run:
    run = Run(make_rig(**(ALL_XDR if sections is None else sections)))
    run.drive(0.0, seconds, speed, **sensors)
    return run


# -- rate, area, volume --------------------------------------------------------------------------------


# rate = 600 x 6 L/min / (7.2 km/h x 5 m) = 100 L/ha. In 0.2 s: 0.4 m, 2 m2, 6 / 60 x 0.2 = 0.02 L.
def test_a_sample_by_hand() -> None:
    sample = steady(**WELL).samples[-1]
    assert sample.dt_ns == pytest.approx(ns(0.2), abs=1)
    assert sample.speed_m_s == pytest.approx(2.0, abs=1e-6)
    assert (sample.flow_l_min, sample.pressure_kpa) == pytest.approx((6.0, 200.0), abs=1e-6)
    assert (sample.boom_on, sample.basis, sample.flags) == (1, Basis.FLOWMETER, 0)
    assert sample.rate_l_ha == pytest.approx(100.0, rel=1e-6)
    assert sample.distance_m == pytest.approx(0.4, rel=1e-6)
    assert sample.area_m2 == pytest.approx(2.0, rel=1e-6)
    assert sample.volume_l == pytest.approx(0.02, rel=1e-6)
    assert (sample.lat_deg, sample.lon_deg) == pytest.approx((48.1173, 11.516667), abs=1e-6)
    assert sample.track_deg == pytest.approx(84.4)


# 100 x 6.6 / 6 / (2.2 / 2) = 100; 100 x 4.8 / 6 / (1.6 / 2) = 100; 100 x 9 / 6 / (2.5 / 2) = 120
@pytest.mark.parametrize(("speed", "flow", "rate"), [(2.2, 6.6, 100.0), (1.6, 4.8, 100.0), (2.5, 9.0, 120.0)])
def test_the_rate_at_other_speeds_and_flows(speed: float, flow: float, rate: float) -> None:
    sample = steady(speed=speed, **{**WELL, "flow_l_min": flow}).samples[-1]
    assert sample.rate_l_ha == pytest.approx(rate, rel=1e-6)


# Over 60 s at 2 m/s with 6 L/min on: 120 m, 600 m2, 6 L. The first sample has no speed before it.
def test_sums_over_samples() -> None:
    run = steady(60.2, **WELL)
    samples = run.samples[1:]
    assert sum(s.dt_ns for s in samples) == pytest.approx(ns(60.0), abs=ns(0.21))
    seconds = sum(s.dt_ns for s in samples) / 1e9
    assert sum(s.distance_m or 0 for s in samples) == pytest.approx(2 * seconds, rel=1e-6)
    assert sum(s.area_m2 or 0 for s in samples) == pytest.approx(10 * seconds, rel=1e-6)
    assert sum(s.volume_l or 0 for s in samples) == pytest.approx(seconds / 10, rel=1e-6)


def test_samples_join_without_gap_or_overlap() -> None:
    run = steady(20.0, **WELL)
    run.silence(25.0)
    run.drive(25.0, 30.0, 2.0, **WELL)
    run.finish(31.0)
    end = 0
    for sample in run.samples:
        assert sample.t_ns - sample.dt_ns == end
        assert sample.dt_ns > 0
        end = sample.t_ns
    assert end == ns(31.0)


# A speed that rises by 0.5 m/s2 from 1 m/s for 4 s covers 1 x 4 + 0.5 x 0.5 x 16 = 8 m
def test_distance_under_acceleration() -> None:
    run = Run(make_rig())
    for k in range(101):
        t = 0.2 * k
        run.fix(t, 1.0 if t < 10 else min(3.0, 1.0 + 0.5 * (t - 10)))
    between = [s for s in run.samples if ns(10.0) < s.t_ns <= ns(14.0) + 10]
    assert sum(s.dt_ns for s in between) == ns(4.0)
    assert sum(s.distance_m or 0 for s in between) == pytest.approx(8.0, abs=0.08)


# -- basis of the flow, best first ---------------------------------------------------------------------

# By pressure: 6 x sqrt(128 / 200) = 6 x 0.8 = 4.8 L/min
BASES = [
    (XDR_BOTH, {"flow_l_min": 5.0, "pressure_kpa": 128.0}, Basis.FLOWMETER, 5.0),
    (XDR_BOTH, {"pressure_kpa": 128.0}, Basis.PRESSURE, 4.8),
    (XDR_PRESSURE, {"pressure_kpa": 128.0}, Basis.PRESSURE, 4.8),
    (XDR_BOTH, {"flow_l_min": 500.0, "pressure_kpa": 128.0}, Basis.PRESSURE, 4.8),
    (XDR_BOTH, {"flow_l_min": 500.0, "pressure_kpa": 9000.0}, Basis.CALIBRATION, 6.0),
    (XDR_PRESSURE, {}, Basis.CALIBRATION, 6.0),
    ({}, {}, Basis.CALIBRATION, 6.0),
]


@pytest.mark.parametrize(("sections", "sensors", "basis", "flow"), BASES)
def test_the_flow_rests_on_the_best_there_is(
    sections: dict[str, Any], sensors: dict[str, float], basis: Basis, flow: float
) -> None:
    sample = steady(sections={**sections, **XDR_SWITCH}, boom=1, **sensors).samples[-1]
    assert sample.basis == basis
    assert sample.flow_l_min == pytest.approx(flow, abs=1e-6)
    assert sample.rate_l_ha == pytest.approx(100 * flow / 6, rel=1e-6)


def test_without_calibration_or_meter_there_is_no_flow_and_no_rate() -> None:
    bare = Run(dataclasses.replace(make_rig(**ALL_XDR), calibration=None))
    bare.drive(0.0, 5.0, 2.0, pressure_kpa=200.0, boom=1)
    sample = bare.samples[-1]
    assert (sample.basis, sample.flow_l_min, sample.rate_l_ha, sample.volume_l) == (0, None, None, None)
    assert sample.area_m2 == pytest.approx(2.0, rel=1e-6)


# u = 2 x sqrt(sum of squares), in %, the speed's own share from the sample's deviation:
# flowmeter 2 / 1 / 0.5; pressure sqrt(2.5^2 + (2 / 2)^2) / 1 / 0.5; calibration 2.5 / 1 / 0.5
@pytest.mark.parametrize(
    ("sections", "sensors", "fixed"),
    [
        (XDR_FLOW, {"flow_l_min": 6.0}, 2.0**2 + 1.0**2 + 0.5**2),
        (XDR_PRESSURE, {"pressure_kpa": 200.0}, 2.5**2 + 1.0**2 + 1.0**2 + 0.5**2),
        ({}, {}, 2.5**2 + 1.0**2 + 0.5**2),
    ],
)
def test_the_expanded_uncertainty(sections: dict[str, Any], sensors: dict[str, float], fixed: float) -> None:
    sample = steady(sections={**sections, **XDR_SWITCH}, boom=1, **sensors).samples[-1]
    assert sample.speed_m_s is not None
    assert sample.speed_sd_m_s is not None
    speed_pct = 100 * sample.speed_sd_m_s / sample.speed_m_s
    assert 1.0 < speed_pct < 2.5  # below 0.05 / 2, for it is filtered
    assert sample.rate_u_pct == pytest.approx(2 * sqrt(fixed + speed_pct**2), rel=1e-9)


# -- boom state ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sections", "sensors", "speed", "boom", "flag"),
    [
        # the switch, whatever the rest says
        (ALL_XDR, {**WELL, "boom": 0}, 2.0, 0, 0),
        (ALL_XDR, {**WELL, "flow_l_min": 0.1}, 2.0, 1, 0),
        # inferred: on above 20 % of the target flow of 6 L/min, or of the calibration's 200 kPa
        (XDR_FLOW, {"flow_l_min": 1.3}, 2.0, 1, Flag.BOOM_INFERRED),
        (XDR_FLOW, {"flow_l_min": 1.1}, 2.0, 0, Flag.BOOM_INFERRED),
        (XDR_PRESSURE, {"pressure_kpa": 41.0}, 2.0, 1, Flag.BOOM_INFERRED),
        (XDR_PRESSURE, {"pressure_kpa": 39.0}, 2.0, 0, Flag.BOOM_INFERRED),
        # the flowmeter before the transducer; an implausible one does not count
        (
            XDR_BOTH,
            {"flow_l_min": 0.0, "pressure_kpa": 200.0},
            2.0,
            0,
            Flag.BOOM_INFERRED,
        ),
        (
            XDR_BOTH,
            {"flow_l_min": 900.0, "pressure_kpa": 200.0},
            2.0,
            1,
            Flag.BOOM_INFERRED,
        ),
        # assumed: on from the minimum speed of 0.5 m/s
        ({}, {}, 0.55, 1, Flag.BOOM_ASSUMED),
        ({}, {}, 0.45, 0, Flag.BOOM_ASSUMED),
    ],
)
def test_boom_switched_inferred_or_assumed(
    sections: dict[str, Any], sensors: dict[str, float], speed: float, boom: int, flag: int
) -> None:
    sample = steady(speed=speed, sections=sections, **sensors).samples[-1]
    assert sample.boom_on == boom
    assert sample.flags & (Flag.BOOM_INFERRED | Flag.BOOM_ASSUMED) == flag


def test_with_the_boom_off_nothing_is_applied() -> None:
    sample = steady(**{**WELL, "boom": 0}).samples[-1]
    assert (sample.flow_l_min, sample.area_m2, sample.volume_l) == (0.0, 0.0, 0.0)
    assert (sample.rate_l_ha, sample.rate_u_pct, sample.basis) == (None, None, Basis.NONE)
    assert sample.distance_m == pytest.approx(0.4, rel=1e-6)


# The switch goes on at 10.07 s and off at 12.11 s: treated for 2.04 s at 2 m/s = 4.08 m, 20.4 m2, 0.204 L
@pytest.mark.parametrize("wired", [False, True])
def test_a_switch_ends_the_sample_where_it_says(wired: bool) -> None:
    switch = {"source": "gpio", "pin": 27} if wired else {"source": "xdr"}
    run = Run(make_rig(**XDR_FLOW, boom_switch=switch))
    for k in range(100):
        t = 0.2 * k
        on = 10.07 <= t < 12.11
        for edge in (10.07, 12.11):
            if t - 0.2 < edge <= t:
                if wired:
                    run.put(edge, SwitchState(on), Source.BOOM)
                else:
                    # the node tells the flow it has just shut off in the same sentence, before the switch
                    run.xdr(edge, flow_l_min=6.0 if on else 0.0, boom=int(on))
        if wired and k == 0:
            run.put(0.0, SwitchState(False), Source.BOOM)
        run.xdr(t, flow_l_min=6.0 if on else 0.0, boom=None if wired else int(on))
        run.fix(t, 2.0)
    treated = [s for s in run.samples if s.boom_on == 1]
    assert treated[0].t_ns - treated[0].dt_ns == ns(10.07)
    assert treated[-1].t_ns == ns(12.11)
    assert sum(s.dt_ns for s in treated) == ns(2.04)
    assert sum(s.area_m2 or 0 for s in treated) == pytest.approx(20.4, rel=1e-5)
    assert sum(s.volume_l or 0 for s in treated) == pytest.approx(0.204, rel=1e-5)
    assert all(s.rate_l_ha == pytest.approx(100.0, rel=1e-4) for s in treated)


@pytest.mark.parametrize("way", ["wired", "spoken"])
def test_a_switch_turns_stale(way: str) -> None:
    """A wired one too: it is said again each second, so after 5 s its pin cannot be read."""
    if way == "wired":
        run = Run(make_rig(boom_switch={"source": "gpio", "pin": 27}))
        run.put(0.0, SwitchState(True), Source.BOOM)
    else:
        run = Run(make_rig(**XDR_SWITCH))
        run.xdr(0.0, boom=1)
    run.drive(0.2, 60.0, 2.0)
    assert run.samples[0].boom_on == 1
    last = run.samples[-1]
    assert last.boom_on is None
    assert last.flags & Flag.SWITCH_STALE
    # and with the boom unknown, so is what was applied
    assert (last.flow_l_min, last.area_m2, last.volume_l, last.rate_l_ha) == (None, None, None, None)
    assert last.distance_m == pytest.approx(0.4, rel=1e-6)


# -- unknown is None -----------------------------------------------------------------------------------


def test_before_anything_came_all_is_unknown() -> None:
    run = Run(make_rig(**ALL_XDR))
    run.silence(1.1)
    assert run.samples == [
        Sample(
            ns(1.1), ns(1.1), None, None, None, None, None, None, None, None, None, None, 0, None, None, None,
            0,
        )
    ]  # fmt: skip


def test_after_a_gps_gap_the_stretch_is_unknown_and_flow_goes_on() -> None:
    run = steady(10.0, **WELL)
    for k in range(50):
        run.xdr(10.0 + 0.2 * k, **WELL)
    run.drive(20.0, 25.0, 2.0, **WELL)
    lost = [s for s in run.samples if s.flags & Flag.GPS_STALE]
    # the last fix came at 9.8 s, so speed is unknown from 11.8 s to the fix at 20 s
    assert lost[0].t_ns - lost[0].dt_ns <= ns(11.8) < lost[0].t_ns
    for sample in lost:
        assert (sample.speed_m_s, sample.speed_sd_m_s, sample.rate_l_ha) == (None, None, None)
        assert (sample.lat_deg, sample.lon_deg, sample.track_deg) == (None, None, None)
        assert (sample.distance_m, sample.area_m2) == (None, None)
        assert sample.volume_l is not None
    first = next(s for s in run.samples if s.t_ns >= ns(20) and s.speed_m_s is not None)
    assert first.distance_m is None  # no speed at its start
    assert run.samples[-1].distance_m == pytest.approx(0.4, rel=1e-6)


def test_stale_sensors_are_unknown() -> None:
    run = steady(10.0, **WELL)
    run.drive(10.0, 15.0, 2.0, boom=1)
    sample = run.samples[-1]
    assert sample.pressure_kpa is None
    assert (sample.basis, sample.flow_l_min) == (Basis.CALIBRATION, 6.0)
    assert sample.flags == Flag.FLOW_STALE | Flag.PRESSURE_STALE


def test_implausible_sensors_are_unknown() -> None:
    sample = steady(flow_l_min=900.0, pressure_kpa=9000.0, boom=1).samples[-1]
    assert sample.pressure_kpa is None
    assert sample.basis == Basis.CALIBRATION
    assert sample.flags == Flag.FLOW_IMPLAUSIBLE | Flag.PRESSURE_IMPLAUSIBLE


# 6 x sqrt(180 / 200) = 5.692 L/min
def test_a_stalled_flowmeter_is_not_believed_where_there_is_pressure() -> None:
    sample = steady(flow_l_min=0.0, pressure_kpa=180.0, boom=1).samples[-1]
    assert sample.flags == Flag.FLOW_IMPLAUSIBLE
    assert (sample.basis, sample.flow_l_min) == (Basis.PRESSURE, pytest.approx(5.692, abs=1e-3))
    # with little pressure a zero is a zero
    sample = steady(flow_l_min=0.0, pressure_kpa=90.0, boom=1).samples[-1]
    assert (sample.flags, sample.basis, sample.flow_l_min) == (0, Basis.FLOWMETER, 0.0)
    assert (sample.rate_l_ha, sample.volume_l) == (0.0, 0.0)


def test_below_the_minimum_speed_no_rate_is_stated() -> None:
    sample = steady(speed=0.4, **WELL).samples[-1]
    assert sample.flags == Flag.BELOW_MIN_SPEED
    assert (sample.rate_l_ha, sample.rate_u_pct) == (None, None)
    assert sample.area_m2 == pytest.approx(0.4, rel=1e-4)  # but the ground is covered: 0.08 m x 5 m
    assert sample.volume_l == pytest.approx(0.02, rel=1e-4)


@pytest.mark.parametrize(("speed", "shown"), [(0.14, 0.0), (0.16, 0.16)])
def test_a_rig_that_stands_still_has_no_speed(speed: float, shown: float) -> None:
    sample = steady(speed=speed, **WELL).samples[-1]
    assert sample.speed_m_s == pytest.approx(shown, abs=1e-6)
    assert (sample.distance_m == 0.0) is (shown == 0.0)


def test_a_receiver_that_reports_exactly_zero_is_marked() -> None:
    assert steady(speed=0.0).samples[-1].flags & Flag.SPEED_HELD_ZERO
    assert not steady(speed=0.02).samples[-1].flags & Flag.SPEED_HELD_ZERO


# -- void, spikes, position speed, wall time -----------------------------------------------------------


def test_void_fixes_give_no_speed_and_are_counted() -> None:
    run = Run(make_rig())
    for k in range(100):
        run.line(0.2 * k, sentence(f"GPRMC,{clock(0.2 * k)},V,,,,,731.98,96.95,300526,,,N"))
        run.line(0.2 * k, sentence("GPVTG,96.95,T,,M,731.98,N,1356.36,K,N"))
    run.finish(20.0)
    assert {s.speed_m_s for s in run.samples} == {None}
    assert all(s.flags & Flag.GPS_VOID for s in run.samples)
    assert all(bool(s.flags & Flag.GPS_STALE) == (s.t_ns > ns(2.0)) for s in run.samples)
    assert run.tallies == {"sentence": 200, "fix_void": 100}


def test_a_refused_speed_is_flagged_and_counted() -> None:
    run = steady(10.0)
    run.fix(10.0, 14.0)
    run.drive(10.2, 12.2, 2.0)
    run.finish(12.0)
    assert run.tallies["refused:speed"] == 1
    flagged = [s.t_ns for s in run.samples if s.flags & Flag.GPS_IMPLAUSIBLE]
    assert flagged[0] == pytest.approx(ns(10.2), abs=1)
    assert max(s.speed_m_s or 0 for s in run.samples) == pytest.approx(2.0, abs=1e-6)


# 1e-4 minute of latitude is 0.1853 m here; 11 of them a second is 2.04 m/s
def test_speed_from_positions_is_marked() -> None:
    run = Run(make_rig())
    for k in range(20):
        run.line(k, gga(k, f"4807.{380 + 11 * k:04d},N", "01131.000,E"))
    sample = run.samples[-1]
    assert sample.flags & Flag.SPEED_FROM_POSITION
    assert sample.speed_m_s == pytest.approx(11e-4 / 60 * 111_200, abs=0.01)


def test_wall_time_is_handed_out() -> None:
    run = steady(5.0)
    # 2026-05-30T00:00:00Z is 1 780 099 200 s after 1970 (20 603 days)
    assert run.anchors == [Anchor(ns(0.2), 20_603 * 86_400_000 + 200)]
    run = Run(make_rig())
    for k in range(5):
        run.line(k, gga(k, "4807.038,N", "01131.000,E"))
        run.line(k, sentence(f"GPZDA,{clock(k)},30,05,2026,00,00"))
    assert run.anchors == [Anchor(ns(1), 20_603 * 86_400_000 + 1000)]


def test_a_date_that_cannot_be_is_handed_out_as_unknown() -> None:
    run = Run(make_rig())
    for k in range(5):
        run.line(k, rmc(k, 2.0, date="151294"))  # as recorded from a receiver whose week had rolled over
    assert run.anchors == [Anchor(ns(1), None)]


def test_a_live_run_knows_that_it_is_none_of_2006() -> None:
    for notes, date_known in (([], True), ([LIVE_RUN], False)):
        run = Run(make_rig())
        for note in notes:
            run.put(0, note, Source.HUB)
        for k in range(5):
            run.line(1 + k, rmc(k, 2.0, date="161006"))  # 1024 weeks before 2026-06-01
        assert [anchor.utc_ms is not None for anchor in run.anchors] == [date_known]


def test_a_void_rmc_tells_no_wall_time() -> None:
    run = Run(make_rig())
    for k in range(5):
        run.line(k, rmc(k, None, status="V", mode="N"))
    assert run.anchors == []


# -- where samples end ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate_hz", "sample_s"), [(1, 1.0), (2, 0.5), (4, 0.25), (5, 0.2), (8, 0.25), (10, 0.2), (20, 0.2)]
)
def test_samples_follow_the_fixes(rate_hz: int, sample_s: float) -> None:
    """One per step of 0.2 s, or per fix when fixes are slower."""
    run = steady(20.0)
    run = Run(make_rig())
    run.drive(0.0, 20.0, 2.0, step_s=1 / rate_hz)
    lengths = {round(s.dt_ns / 1e9, 6) for s in run.samples[1:]}
    assert lengths == {sample_s}


# A fix may come an eighth of the step of 0.2 s early, 25 ms, and still end the sample
@pytest.mark.parametrize(("early_s", "ends"), [(0.025, True), (0.026, False)])
def test_a_fix_that_comes_a_little_early_ends_the_sample(early_s: float, ends: bool) -> None:
    run = steady(2.0)
    assert run.samples[-1].t_ns == pytest.approx(ns(1.8), abs=1)
    run.fix(2.0 - early_s, 2.0)
    assert (run.samples[-1].t_ns == ns(2.0 - early_s)) is ends


# A sensor alone waits half a step longer, 0.3 s, so that fixes set the pace where there are any
@pytest.mark.parametrize(("after_s", "ends"), [(0.299, False), (0.301, True)])
def test_a_sensor_leaves_the_sample_to_the_fix(after_s: float, ends: bool) -> None:
    run = steady(2.0, **WELL)
    run.xdr(1.8 + after_s, **WELL)
    assert (run.samples[-1].t_ns == ns(1.8 + after_s)) is ends


def test_between_slow_fixes_sensors_close_samples() -> None:
    run = Run(make_rig(**ALL_XDR))
    for k in range(100):
        run.xdr(0.1 * k, **WELL)
        if k % 10 == 0:
            run.fix(0.1 * k, 2.0)
    assert max(s.dt_ns for s in run.samples[1:]) <= ns(0.4)


def test_lines_of_no_use_close_no_sample() -> None:
    run = Run(make_rig())
    for k in range(10):
        run.line(0.1 * k, sentence("GPGSV,1,1,00"))
        run.line(0.1 * k, b"rubbish")
        run.line(0.1 * k, sentence("GPZDA,000000,,,,00,"))
        run.line(0.1 * k, sentence("YXXDR,C,21.5,C,AIR"))
    assert run.outputs == []


def test_a_note_closes_the_sample_it_falls_in() -> None:
    run = steady(1.0)
    run.put(0.87, Note("filled the tank"), Source.PERSON)
    assert run.samples[-1].t_ns == ns(0.87)


# -- silence and deadlines -----------------------------------------------------------------------------


def test_in_silence_a_tick_at_the_deadline_closes_a_sample() -> None:
    run = Run(make_rig())
    assert run.pipeline.deadline_ns == ns(1.1)
    run.silence(1.1)
    assert (run.samples[0].t_ns, run.samples[0].dt_ns) == (ns(1.1), ns(1.1))
    assert run.pipeline.deadline_ns == ns(2.0) + 1  # the receiver was given 2 s to speak
    run.silence(2.1)
    # gps_lost is pending now: its on-delay of 1 s ends sooner than the longest sample
    assert run.pipeline.deadline_ns == ns(3.0) + 1


def test_the_deadline_is_the_moment_something_turns_stale() -> None:
    run = Run(make_rig(**ALL_XDR))
    run.xdr(0.0, **WELL)
    run.fix(0.5, 2.0)
    assert run.samples[-1].t_ns == ns(0.5)
    assert run.pipeline.deadline_ns == ns(1.6)  # nothing turns stale before the longest sample is over
    run.silence(1.6)
    assert run.pipeline.deadline_ns == ns(2.0) + 1  # flow and pressure, last heard at 0 s
    run.silence(2.1)
    assert run.samples[-1].flags == Flag.FLOW_STALE | Flag.PRESSURE_STALE
    assert run.samples[-1].speed_m_s is not None
    assert run.pipeline.deadline_ns == ns(2.5) + 1  # the fix of 0.5 s
    run.silence(2.6)
    assert run.samples[-1].flags & Flag.GPS_STALE


def test_a_reading_after_the_deadline_without_a_tick_is_survived() -> None:
    """The drivers put a tick there; a reading that came without one closes the overdue sample itself."""
    pipeline = Pipeline(make_rig())
    outputs = pipeline.feed(Reading(0, ns(60), Source.GPS, NmeaLine(rmc(60, 2.0))))
    samples = [o for o in outputs if isinstance(o, Sample)]
    assert [(s.t_ns, s.dt_ns) for s in samples] == [(ns(60), ns(60))]


_what = st.sampled_from(["fix", "xdr", "off", "void", "junk", "note"])


@given(st.lists(st.tuples(st.floats(0, 3), _what), max_size=40))
def test_no_sample_is_longer_than_the_longest(steps: list[tuple[float, str]]) -> None:
    run = Run(make_rig(**ALL_XDR))
    t = 0.0
    for dt, what in steps:
        t += dt
        if what == "fix":
            run.fix(t, 2.0)
        elif what in ("xdr", "off"):
            run.xdr(t, **{**WELL, "boom": int(what == "xdr")})
        elif what == "void":
            run.line(t, rmc(t, None, status="V"))
        elif what == "junk":
            run.line(t, b"\xff$GPRMC,\x00")
        else:
            run.put(t, Note("x"), Source.PERSON)
        assert run.pipeline.deadline_ns >= ns(t)
    run.finish(t)
    assert all(0 < s.dt_ns <= ns(1.1) for s in run.samples)
    assert sum(s.dt_ns for s in run.samples) == ns(t)
    for s in run.samples:
        # unknown is stale, but for what has not spoken yet and still has time to
        assert (s.speed_m_s is None) >= bool(s.flags & Flag.GPS_STALE)
        assert (s.boom_on is None) >= bool(s.flags & Flag.SWITCH_STALE)
        assert s.speed_m_s is not None or s.flags & Flag.GPS_STALE or s.t_ns <= ns(2.0)
        assert s.boom_on is not None or s.flags & Flag.SWITCH_STALE or s.t_ns <= ns(5.0)
        assert s.rate_l_ha is None or s.boom_on == 1
        assert all(v is None or v == v for v in s)  # noqa: PLR0124 - no NaN


# -- late readings, losses, faults ---------------------------------------------------------------------


def test_a_late_reading_is_taken_and_flagged() -> None:
    run = steady(2.0, **WELL)
    run.xdr(1.2, **{**WELL, "pressure_kpa": 150.0})
    run.fix(2.0, 2.0)
    run.fix(2.2, 2.0)
    flagged = [s for s in run.samples if s.flags & Flag.LATE_INPUT]
    assert [s.t_ns for s in flagged] == [ns(2.0)]
    assert flagged[0].pressure_kpa == pytest.approx(150.0)  # it is the newest there is
    ends = [s.t_ns for s in run.samples]
    assert ends == sorted(ends)


def test_faults_and_losses_are_counted_and_flagged() -> None:
    run = steady(2.0)
    run.put(2.0, SourceFault("overflow", "4 lost", 4), Source.GPS)
    run.put(2.1, SourceFault("closed", "unplugged", 0), Source.NODE)
    run.put(2.1, SourceFault("opened", "", 0), Source.NODE)
    run.drive(2.2, 5.0, 2.0)
    run.finish(5.0)
    assert {k: v for k, v in run.tallies.items() if k.startswith(("fault", "lost"))} == {
        "fault:gps:overflow": 1,
        "fault:node:closed": 1,
        "fault:node:opened": 1,
        "lost": 4,
    }
    flagged = [s.t_ns for s in run.samples if s.flags & Flag.INPUT_LOST]
    assert ns(2.0) < flagged[0] <= ns(2.1)
    assert flagged[-1] < ns(3.0)


@pytest.mark.parametrize("kind", ["slow", "failed", "overflow"])
def test_log_trouble_is_flagged_until_it_is_over(kind: str) -> None:
    run = steady(2.0)
    run.put(2.0, SourceFault(kind, "", 0), Source.LOG)
    run.drive(2.2, 8.2, 2.0)
    assert run.samples[-1].flags & Flag.LOG_TROUBLE
    run.put(8.1, SourceFault("resumed", "", 0), Source.LOG)
    run.drive(8.2, 9.2, 2.0)
    assert not run.samples[-1].flags & Flag.LOG_TROUBLE


def test_a_single_refused_row_is_no_lasting_log_trouble() -> None:
    run = steady(2.0)
    run.put(2.0, SourceFault("refused", "1 row", 0), Source.LOG)
    run.drive(2.2, 8.2, 2.0)
    assert not run.samples[-1].flags & Flag.LOG_TROUBLE


# -- wired sensors -------------------------------------------------------------------------------------


# 450 pulses a litre: 45 pulses a second are 0.1 L/s = 6 L/min. 512 of 1024 counts are 500 kPa.
def test_wired_flowmeter_and_transducer() -> None:
    run = Run(
        make_rig(
            flow={"source": "gpio", "pin": 17, "pulses_per_l": 450},
            pressure={"source": "adc"},
            boom_switch={"source": "gpio", "pin": 27},
        )
    )
    for k in range(100):
        t = 0.2 * k
        if k % 5 == 0:  # each second
            run.put(t, SwitchState(True), Source.BOOM)
        run.put(t, PulseCount(9 * k, ns(t), 0), Source.FLOW)
        run.put(t, AdcCount(512, 10, None), Source.PRESSURE)
        run.fix(t, 2.0)
    sample = run.samples[-1]
    assert (sample.flow_l_min, sample.pressure_kpa) == pytest.approx((6.0, 500.0))
    assert sample.rate_l_ha == pytest.approx(100.0, rel=1e-6)
    assert sample.flags == 0


def test_wired_sensors_out_of_order_are_flagged_and_counted() -> None:
    run = Run(make_rig(flow={"source": "gpio", "pin": 17, "pulses_per_l": 450}, pressure={"source": "adc"}))
    run.fix(0.0, 2.0)
    run.put(0.1, PulseCount(900, ns(0.1), 0), Source.FLOW)
    run.put(0.2, PulseCount(3, ns(0.2), 0), Source.FLOW)
    run.put(0.2, AdcCount(3, 10, None), Source.PRESSURE)
    run.fix(0.3, 2.0)
    assert run.samples[-1].flags & Flag.COUNTER_RESET
    assert run.samples[-1].flags & Flag.PRESSURE_IMPLAUSIBLE
    run.put(0.4, PulseCount(99_999, ns(0.4), 0), Source.FLOW)
    run.put(0.4, AdcCount(1000, 10, None), Source.PRESSURE)
    run.put(0.4, AdcCount(1023, 10, None), Source.PRESSURE)
    run.finish(1.0)
    counts = {k: v for k, v in run.tallies.items() if k not in ("sentence", "fix")}
    assert counts == {
        "flow_reset": 1, "refused:flow": 1, "pressure:open": 1, "pressure:short": 1, "pressure:clipped": 1,
    }  # fmt: skip


# 0.02 L each 0.2 s are 6 L/min
def test_flow_from_a_volume_in_sentences() -> None:
    run = Run(make_rig(**XDR_FLOW, **XDR_SWITCH))
    for k in range(50):
        run.line(0.2 * k, sentence(f"YXXDR,V,{(1000 + 0.02 * k) / 1000:.6f},M,FLOW,S,1,,BOOM"))
        run.fix(0.2 * k, 2.0)
    assert run.samples[-1].flow_l_min == pytest.approx(6.0, rel=1e-3)
    run.line(10.0, sentence("YXXDR,V,0.000010,M,FLOW"))
    run.fix(10.0, 2.0)
    assert run.samples[-1].flags & Flag.COUNTER_RESET
    run.finish(10.0)
    assert run.tallies["flow_reset"] == 1


# -- counts --------------------------------------------------------------------------------------------


def test_every_line_is_counted_once_as_a_sentence_or_by_why_it_was_rejected() -> None:
    run = Run(make_rig(**ALL_XDR))
    lines = [
        rmc(1.0, 2.0),
        sentence("GPGSV,1,1,00"),
        b"rubbish",
        rmc(1.0, 2.0)[:-3],
        rmc(1.0, 2.0)[:-1],
        rmc(1.0, 2.0).replace(b"4807", b"4808"),
        sentence("GPRMC,120000,A,4807.038,N,01131.000,E,abc,,300526,,,A"),
        sentence("GPRMC,120000,A,4807.038,N,01131.000,E,1.0,,300526,,,A" + "," * 200),
        b"\\c:1*00\\" + rmc(1.0, 2.0),
    ]
    for raw in lines:
        run.line(1.0, raw)
    run.finish(2.0)
    assert run.tallies == {
        "fix": 1,
        "sentence": 2,
        "rejected:not_nmea": 1,
        "rejected:no_checksum": 1,
        "rejected:malformed": 1,
        "rejected:checksum": 1,
        "rejected:bad_field": 1,
        "rejected:too_long": 1,
        "rejected:tag_checksum": 1,
    }


def test_a_sentence_cut_short_by_a_good_one_is_counted_beside_it() -> None:
    run = Run(make_rig())
    run.line(1.0, b"$GPGGA,1200" + rmc(1.0, 2.0))
    run.line(1.0, b"$\x01\x02$\xff" + rmc(1.0, 2.0))  # '$' in binary is no sentence
    run.finish(2.0)
    assert run.tallies == {"fix": 2, "sentence": 2, "rejected:cut_short": 1}


def test_bad_and_refused_transducer_values_are_counted() -> None:
    run = Run(make_rig(**ALL_XDR))
    run.line(1.0, sentence("YXXDR,P,abc,B,BOOM,R,99,l,FLOW,S,7,,BOOM"))
    run.line(1.0, sentence("YXXDR,P,99,B,BOOM"))
    run.finish(2.0)
    assert run.tallies == {"sentence": 2, "rejected:bad_field": 2, "refused:flow": 1, "refused:pressure": 1}


def test_tallies_come_every_ten_seconds_in_a_fixed_order_and_add_up() -> None:
    run = steady(35.0)
    run.finish(35.0)
    names = [(o.t_ns // ns(1), o.name, o.n) for o in run.outputs if type(o).__name__ == "Tally"]
    assert [name for _, name, _ in names] == ["fix", "sentence"] * 4
    assert [t for t, name, _ in names if name == "fix"] == [10, 20, 30, 35]
    assert run.tallies == {"fix": 175, "sentence": 175}


# -- the end, and again --------------------------------------------------------------------------------


def test_finish_closes_the_last_interval() -> None:
    run = steady(2.0)
    before = len(run.samples)
    run.finish(2.05)
    assert len(run.samples) == before + 1
    assert run.samples[-1].t_ns == ns(2.05)
    # a second end, or one before the newest reading, adds nothing
    assert list(run.pipeline.finish(ns(1.0))) == []


def test_finish_of_a_run_without_readings() -> None:
    assert list(Pipeline(make_rig()).finish(0)) == []


def mixed_run() -> Run:
    run = Run(make_rig(**ALL_XDR))
    run.drive(0.0, 5.0, 2.0, **WELL)
    run.line(5.0, b"\xb5b$\x00")
    run.fix(5.0, 14.0)
    run.xdr(5.1, flow_l_min=4.0, pressure_kpa=120.0, boom=0)
    run.silence(9.0)
    run.put(9.0, SourceFault("overflow", "", 2), Source.NODE)
    run.drive(9.0, 15.0, 2.7, **WELL)
    run.xdr(14.0, boom=1)
    run.finish(15.0)
    return run


def test_the_same_readings_give_the_same_outputs_to_the_bit() -> None:
    run = mixed_run()
    again = Pipeline(make_rig(**ALL_XDR))
    outputs: list[Output] = []
    for reading in run.readings:
        outputs += again.feed(reading)
    outputs += again.finish(ns(15.0))
    assert outputs == run.outputs
    assert any(isinstance(r.payload, Tick) for r in run.readings)


def test_two_runs_at_a_time_do_not_disturb_each_other() -> None:
    run = mixed_run()
    first, second = Pipeline(make_rig(**ALL_XDR)), Pipeline(make_rig(**ALL_XDR))
    outputs: tuple[list[Output], list[Output]] = ([], [])
    for reading in run.readings:
        outputs[0].extend(first.feed(reading))
        outputs[1].extend(second.feed(reading))
    outputs[0].extend(first.finish(ns(15.0)))
    outputs[1].extend(second.finish(ns(15.0)))
    assert outputs[0] == outputs[1] == run.outputs


@given(st.lists(st.binary(max_size=120), max_size=20))
def test_no_content_of_a_reading_raises(lines: list[bytes]) -> None:
    run = Run(make_rig(**ALL_XDR))
    for k, raw in enumerate(lines):
        run.line(0.1 * k, raw)
        run.line(0.1 * k, sentence(raw.replace(b"$", b"").replace(b"*", b"").decode("latin-1")))
    run.finish(10.0)
    counts = run.tallies
    rejected = sum(n for name, n in counts.items() if name.startswith("rejected:"))
    rejected -= counts.get("rejected:cut_short", 0)
    assert counts.get("sentence", 0) + rejected == 2 * len(lines)
