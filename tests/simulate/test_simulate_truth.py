"""The truth: hand-worked runs, closed forms, and its own bookkeeping."""

from dataclasses import replace
from math import exp, log, pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written import fields, round_rig, sources, still_driver

from rigmon.simulate import Event, Scenario, simulate

STEADY = {"passes": 2, "pass_length_m": 200.0}


def test_a_steady_run_is_what_paper_says() -> None:
    """Hand-worked: 2 x 200 m x 5 m = 2000 m2; 400 m / 2 m/s = 200 s; 12 L/min x 200/60 min = 40 L; 40 L on
    0.2 ha = 200 L/ha. Path: 2 x (200 + 2 x 6) m + one semicircle of pi x 2.5 m."""
    truth = simulate(still_driver(**STEADY)).truth
    assert truth["applied"] == pytest.approx(
        {"distance_m": 400.0, "area_m2": 2000.0, "time_s": 200.0, "volume_l": 40.0}, rel=1e-9
    )
    assert truth["rate"] == pytest.approx(
        {
            "mean_l_ha": 200.0,
            "cv_pct": 0.0,
            "p05_l_ha": 200.0,
            "p50_l_ha": 200.0,
            "p95_l_ha": 200.0,
            "in_tolerance_area_pct": 100.0,
            "under_area_pct": 0.0,
            "over_area_pct": 0.0,
        },
        rel=1e-9,
        abs=1e-6,
    )
    assert truth["speed"]["mean_m_s"] == pytest.approx(2.0, rel=1e-9)
    assert truth["speed"]["in_band_time_pct"] == 100.0
    # the rig rolls a little past the end of the last headland as it stops from its creep
    assert truth["run"]["path_m"] == pytest.approx(424 + 2.5 * pi, abs=0.2)
    assert truth["alerts_due"] == []


def test_pressure_loss_takes_flow_by_the_square_root() -> None:
    """Hand-worked: 36 % of the pressure lost leaves sqrt(0.64) = 0.8 of the flow: 160 L/ha, 20 % under. In
    20 s the boom gives 12/60 x 0.2 x 20 = 0.8 L less, on 20 s x 2 m/s = 40 of 400 m = 10 % of the area."""
    simulation = simulate(still_driver(**STEADY, events=(Event("pressure_loss", 30, 20, 0.36),)))
    truth = simulation.truth
    assert truth["applied"]["volume_l"] == pytest.approx(39.2, rel=1e-9)
    assert truth["rate"]["mean_l_ha"] == pytest.approx(196.0, rel=1e-9)
    assert truth["rate"]["under_area_pct"] == pytest.approx(10.0, rel=1e-9)
    assert truth["rate"]["p05_l_ha"] == pytest.approx(160.0, rel=1e-9)
    during = next(f for ms, f in fields(simulation, "XDR") if ms == 40_000)
    assert during[2] == "1.9200"  # bar: 300 kPa x 0.64
    assert during[6] == "0.16000"  # L/s: 12/60 x 0.8


def test_pressure_rises_with_its_time_constant_and_the_first_metres_get_less() -> None:
    """Closed form of a first-order rise, P = P0 (1 - exp(-t/tau)). The flow that is missing until it is up is
    Q x integral of 1 - sqrt(1 - exp(-t/tau)) dt = Q x 2 tau (1 - ln 2), hand-worked with u = sqrt(P/P0)."""
    tau = 0.3
    simulation = simulate(still_driver(**STEADY, pressure_tau_s=tau))
    missing_l = 2 * (12 / 60) * 2 * tau * (1 - log(2))  # two passes
    assert simulation.truth["applied"]["volume_l"] == pytest.approx(40 - missing_l, abs=2e-4)
    trace = simulation.trace
    on = trace.t_s[:-1][trace.boom_on][0]
    for after in (0.1, 0.3, 1.0):
        kpa = np.interp(on + after, trace.t_s, trace.pressure_kpa)
        assert kpa == pytest.approx(300 * (1 - exp(-after / tau)), abs=0.1)
    off = trace.t_s[1:][trace.boom_on & ~np.append(trace.boom_on[1:], False)][0]
    kpa = np.interp(off + tau, trace.t_s, trace.pressure_kpa)
    assert kpa == pytest.approx(300 * exp(-1), abs=0.2)
    assert trace.cell_flow_l_min[~trace.boom_on].max() == 0.0  # nozzles shut at once


def test_overspeed_is_a_share_of_the_target_and_ramps_with_bounded_acceleration() -> None:
    simulation = simulate(still_driver(**STEADY, events=(Event("overspeed", 30, 20, 0.25),)))
    trace = simulation.trace
    assert np.interp([29.9, 40.0, 60.0], trace.t_s, trace.speed_m_s) == pytest.approx([2.0, 2.5, 2.0])
    assert np.abs(np.diff(trace.speed_m_s) / trace.dt_s).max() <= 0.5 + 1e-6
    # 25 % too fast is 20 % under the rate. The ramp of 0.5 m/s at 0.5 m/s2 takes 1 s; it is beyond +11.1 %
    # (2.2222 m/s) for 19 s and twice (2.5 - 2.2222)/0.5 = 0.5556 s. Distance there, hand-worked:
    # 19 s x 2.5 + 2 x 0.5556 s x (2.5 + 2.2222)/2 = 50.123 m of 400 m
    assert simulation.truth["rate"]["under_area_pct"] == pytest.approx(100 * 50.123 / 400, abs=0.05)
    assert simulation.truth["applied"]["area_m2"] == pytest.approx(2000.0, rel=1e-9)


def test_the_driver_wanders_as_asked() -> None:
    """The Ornstein-Uhlenbeck process behind a first-order lag T has the autocorrelation
    (tau exp(-t/tau) - T exp(-t/T)) / (tau - T); from memory, checked at t = 0 where it is 1."""
    tau, lag = 4.0, 0.5
    simulation = simulate(
        still_driver(
            passes=1,
            pass_length_m=10000.0,
            wander_sd_m_s=0.2,
            wander_tau_s=tau,
            reaction_s=lag,
            acceleration_m_s2=3.0,
            sensors=(),
            sentences=("RMC",),
            gps_hz=1,
        )
    )
    trace = simulation.trace
    inside = (trace.path_m > 100) & (trace.path_m < 9900)
    v = np.interp(np.arange(60, trace.t_s[inside][-1], 0.1), trace.t_s, trace.speed_m_s)
    # 4 900 s at about 4 s: 600 independent values, standard error 3 %
    assert v.std() == pytest.approx(0.2, rel=0.12)
    assert v.mean() == pytest.approx(2.0, abs=0.04)
    for t in (1.0, 4.0):
        measured = np.corrcoef(v[round(t * 10) :], v[: -round(t * 10)])[0, 1]
        assert measured == pytest.approx((tau * exp(-t / tau) - lag * exp(-t / lag)) / (tau - lag), abs=0.1)


def test_the_driver_never_stops_nor_jumps_between_start_and_end() -> None:
    simulation = simulate(Scenario(passes=2, wander_sd_m_s=1.5, wander_tau_s=2.0, seed=5))
    trace = simulation.trace
    assert np.abs(np.diff(trace.speed_m_s) / trace.dt_s).max() <= 0.5 + 1e-6
    under_way = (trace.path_m > 1) & (trace.path_m < trace.path_m[-1] - 1)
    assert trace.speed_m_s[under_way].min() >= 0.3 - 1e-9
    assert simulation.truth["applied"]["distance_m"] == pytest.approx(200.0, rel=1e-9)


def test_the_rig_stands_at_start_and_end() -> None:
    simulation = simulate(Scenario(passes=1, standstill_s=4.0))
    trace = simulation.trace
    assert trace.speed_m_s[trace.t_s <= 4.0].max() == 0.0
    assert trace.speed_m_s[trace.t_s >= trace.t_s[-1] - 4.0].max() == 0.0


def test_a_boom_that_never_switches_is_on_whenever_the_rig_is_under_way() -> None:
    """On above speed.minimum, 0.5 m/s: 0.5 x 0.5 / (2 x 0.5) = 0.25 m after the start (hand-worked), and as
    much before the end; then the rig creeps and rolls out on up to 0.3 x 0.3 / (2 x 0.5) = 0.09 m."""
    simulation = simulate(still_driver(rig=sources(round_rig()), **STEADY))
    truth, trace = simulation.truth, simulation.trace
    assert np.all((trace.cell_speed_m_s > 0.5) == trace.boom_on)
    assert trace.path_m[np.argmax(trace.boom_on)] == pytest.approx(0.25, abs=1e-6)
    off_m = truth["run"]["path_m"] - truth["applied"]["distance_m"]
    assert 0.5 <= off_m <= 0.59 + 1e-6
    # slow turns at 1.1 m/s get 12/60/(1.1 x 5) = 364 L/ha
    assert trace.cell_flow_l_min[trace.boom_on].min() == pytest.approx(12.0)
    assert truth["rate"]["over_area_pct"] > 1


def test_a_rig_without_catch_test_gives_its_target_at_its_target_speed() -> None:
    rig = replace(round_rig(), calibration=None)
    assert simulate(still_driver(rig=rig, **STEADY)).truth["rate"]["mean_l_ha"] == pytest.approx(200.0)


def test_an_event_that_outlasts_the_run_ends_with_it() -> None:
    simulation = simulate(still_driver(passes=1, events=(Event("pressure_loss", 30, 1e6, 0.5),)))
    (event,) = simulation.truth["events"]
    assert (event["kind"], event["start_s"], event["size"]) == ("pressure_loss", 30, 0.5)
    assert event["end_s"] == simulation.truth["run"]["duration_s"]


@pytest.mark.parametrize(
    ("event", "codes"),
    [
        (Event("overspeed", 40, 10, 0.25), ["speed_fast"]),
        (Event("underspeed", 40, 10, 0.25), ["speed_slow"]),
        (Event("pressure_loss", 40, 10, 0.3), ["pressure_loss", "rate_low"]),
        (Event("gps_dropout", 40, 10), ["gps_lost"]),
        (Event("void_fix", 40, 10), ["gps_lost"]),
        (Event("flow_silent", 40, 10), ["flow_silent"]),
        (Event("pressure_silent", 40, 10), ["pressure_silent"]),
        (Event("switch_silent", 40, 10), ["boom_switch_silent"]),
        (Event("overspeed", 40, 10, 0.08), []),  # inside the band
        (Event("overspeed", 40, 2.0, 0.25), []),  # over too soon
        (Event("gps_dropout", 40, 2.0), []),
        (Event("stuck_zero_speed", 40, 10), []),  # looks like an alert, but nothing is wrong with the rig
        (Event("garbled", 40, 10), []),
    ],
)
def test_a_lasting_fault_makes_its_alert_due_within_its_time(event: Event, codes: list[str]) -> None:
    due = simulate(still_driver(passes=2, pass_length_m=150.0, events=(event,))).truth["alerts_due"]
    assert [alert["code"] for alert in due] == codes
    for alert in due:
        assert event.start_s <= alert["from_s"] <= event.start_s + 1.5
        assert alert["from_s"] < alert["due_by_s"] <= alert["to_s"] <= event.end_s + 1.5


def test_no_alert_is_due_for_what_nobody_can_see() -> None:
    """Too fast, but the receiver is silent; pressure lost, but neither pressure nor flow is sent."""
    hidden = (Event("overspeed", 40, 8, 0.25), Event("gps_dropout", 39, 12))
    truth = simulate(still_driver(passes=2, pass_length_m=150.0, events=hidden)).truth
    assert [alert["code"] for alert in truth["alerts_due"]] == ["gps_lost"]
    assert truth["limit_excursions"]["speed_fast"]["total_s"] == pytest.approx(0.0, abs=0.1)
    unseen = still_driver(passes=1, sensors=("switch",), events=(Event("pressure_loss", 30, 20, 0.5),))
    assert simulate(unseen).truth["alerts_due"] == []


def test_counts_of_sentences_are_those_of_the_recording() -> None:
    simulation = simulate(Scenario(passes=1, sensor_hz=2, events=(Event("gps_dropout", 20, 5),)))
    counts = simulation.truth["input"]
    assert counts["sentences"] == counts["lines"] == len(simulation.lines)
    for kind, n in counts["sentences_by_type"].items():
        assert n == len(fields(simulation, kind))
    assert counts["fixes_valid"] == counts["sentences_by_type"]["RMC"]


@given(
    seed=st.integers(0, 10**6),
    passes=st.integers(1, 3),
    wander=st.floats(0, 0.5),
    tau=st.floats(0, 1),
    loss=st.floats(0.01, 1),
    heard=st.sets(st.sampled_from(["flow", "pressure", "switch"])),
)
@settings(max_examples=20, deadline=None)
def test_the_books_balance(
    seed: int, passes: int, wander: float, tau: float, loss: float, heard: set[str]
) -> None:
    """Regression only: volume over area is the mean rate, and the shares of the area make a whole."""
    truth = simulate(
        Scenario(
            seed=seed,
            passes=passes,
            pass_length_m=30.0,
            sensors=tuple(sorted(heard)),
            wander_sd_m_s=wander,
            pressure_tau_s=tau,
            gps_hz=1,
            sensor_hz=1,
            events=(Event("pressure_loss", 15, 10, loss), Event("underspeed", 20, 5, 0.4)),
        )
    ).truth
    applied, rate = truth["applied"], truth["rate"]
    assert applied["volume_l"] / applied["area_m2"] * 1e4 == pytest.approx(rate["mean_l_ha"], rel=1e-8)
    assert applied["distance_m"] * truth["target"]["swath_m"] == pytest.approx(applied["area_m2"], rel=1e-8)
    assert applied["distance_m"] / applied["time_s"] == pytest.approx(truth["speed"]["mean_m_s"], rel=1e-8)
    shares = (rate["in_tolerance_area_pct"], rate["under_area_pct"], rate["over_area_pct"])
    assert sum(shares) == pytest.approx(100.0, abs=1e-6)
    assert rate["p05_l_ha"] <= rate["p50_l_ha"] <= rate["p95_l_ha"]
    if heard:
        assert applied["distance_m"] == pytest.approx(passes * 30.0, rel=1e-9)


def test_a_creeping_driver_crosses_no_limit_and_ends_beside_the_target() -> None:
    """7 % more over 60 s, from 2 m/s: 2.07 at half of it, 2.14 in the end (hand-worked)."""
    simulation = simulate(still_driver(**STEADY, events=(Event("speed_creep", 20, 70, 0.07, 60.0),)))
    trace = simulation.trace
    assert np.interp([19, 50, 85], trace.t_s, trace.speed_m_s) == pytest.approx([2, 2.07, 2.14], abs=2e-3)
    assert simulation.truth["alerts_due"] == []
    assert simulation.truth["rate"]["in_tolerance_area_pct"] == 100.0
    slower = simulate(still_driver(**STEADY, events=(Event("speed_creep", 20, 70, -0.07, 0.0),))).trace
    assert np.interp(50, slower.t_s, slower.speed_m_s) == pytest.approx(1.86, abs=1e-6)


def test_bumps_last_a_second_go_both_ways_and_make_no_alert_due() -> None:
    """25 % of 2 m/s is 0.5 m/s: at 0.5 m/s2 the rig is up after a second, and back after another."""
    events = (Event("speed_bumps", 20, 600, 0.25),)
    simulation = simulate(still_driver(passes=1, pass_length_m=1400.0, events=events))
    trace = simulation.trace
    inside = (trace.t_s > 15) & (trace.t_s < 690)
    off = np.abs(trace.speed_m_s[inside] - 2.0) > 0.01
    starts = np.flatnonzero(off[1:] & ~off[:-1])
    assert 25 <= len(starts) <= 60  # about one every 15 s in 600 s, neighbours melt into one
    assert trace.speed_m_s[inside].max() > 2.4
    assert trace.speed_m_s[inside].min() < 1.6
    assert trace.speed_m_s[inside & (trace.t_s < 20)] == pytest.approx(2.0)
    assert simulation.truth["alerts_due"] == []
