"""What flowmeter and transducer read beside the truth: drift, air, and noise of several kinds.

The round rig: 12 L/min at 300 kPa, 2 m/s. A pass of 2 km takes 1 000 s: 5 000 readings at 5 Hz.
"""

from math import cos, exp, pi

import numpy as np
import pytest
from written import still_driver

from rigmon.simulate import Event, Scenario, record
from rigmon.simulate.boom import Trace
from rigmon.simulate.meters import flow_l_min, narrow_band, pressure_kpa

LONG = {"passes": 1, "pass_length_m": 2000.0}


def read(*events: Event, **parameters: object) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times [s], flow over 12 L/min and pressure over 300 kPa as read, while the boom is on and steady."""
    scenario: Scenario = still_driver(**({**LONG, "events": events} | parameters))
    trace: Trace = record(scenario).trace
    t = np.arange(0, trace.t_s[-1], 1 / scenario.sensor_hz)
    inside = (t > 15) & (t < min(1000, trace.t_s[-1] - 15))
    flow, kpa = flow_l_min(scenario, trace, t), pressure_kpa(scenario, trace, t)
    return t[inside], flow[inside] / 12, kpa[inside] / 300


def at_lag(x: np.ndarray, steps: int) -> float:
    return float(np.corrcoef(x[steps:], x[:-steps])[0, 1])


def test_noise_that_lingers_has_its_deviation_and_its_time() -> None:
    """exp(-t/tau) for the flow's 2 s and the pressure's 1 s; the white part shows at once only."""
    _, flow, kpa = read(
        flow_correlated_pct=2.0,
        flow_correlated_tau_s=2.0,
        pressure_correlated_pct=1.0,
        pressure_correlated_tau_s=1.0,
        flow_noise_pct=2.0,
    )
    # 1 000 s at about 2 s: 250 independent values, standard error 4 %
    assert flow.std() == pytest.approx(0.02 * 2**0.5, rel=0.1)
    assert kpa.std() == pytest.approx(0.01, rel=0.12)
    assert at_lag(flow, 5) == pytest.approx(0.5 * exp(-1 / 2), abs=0.08)
    assert at_lag(kpa, 5) == pytest.approx(exp(-1), abs=0.1)
    assert abs(at_lag(kpa, 50)) < 0.15


def test_vibration_aliases_into_what_the_sampling_shows() -> None:
    """31.7 Hz at 5 Hz: 31.7 - 6 x 5 = 1.7 Hz (hand-worked). At 200 Hz it would show as it is."""
    _, flow, kpa = read(vibration_pct=1.5, vibration_hz=31.7)
    assert flow.std() == pytest.approx(0.0, abs=1e-12)
    assert kpa.std() == pytest.approx(0.015, rel=0.15)
    power = np.abs(np.fft.rfft(kpa - kpa.mean())) ** 2
    hz = np.fft.rfftfreq(len(kpa), 0.2)
    assert hz[np.argmax(power)] == pytest.approx(1.7, abs=0.2)
    narrow = (hz > 1.2) & (hz < 2.2)
    assert power[narrow].sum() > 0.7 * power.sum()


def test_narrow_band_noise_has_the_autocorrelation_of_its_docstring() -> None:
    t = np.arange(0, 2000, 0.2)
    x = narrow_band(3, "vibration", 0.5, 0.4, t, 0.2)
    assert x.std() == pytest.approx(0.5, rel=0.1)
    for steps in (1, 5, 12):
        expected = exp(-steps * 0.2 / 3) * cos(2 * pi * 0.4 * steps * 0.2)
        assert at_lag(x, steps) == pytest.approx(expected, abs=0.08)


def test_the_pumps_strokes_are_in_both_meters_at_once_by_the_orifice_law() -> None:
    _, flow, kpa = read(pulsation_pct=2.0)
    assert kpa.std() == pytest.approx(0.02, rel=0.15)
    assert flow - 1 == pytest.approx((kpa - 1) / 2, abs=1e-12)


def test_drifts_grow_and_an_offset_is_there_at_rest_too() -> None:
    events = (
        Event("flowmeter_drift", 100, 400, -0.1),
        Event("pressure_drift", 100, 400, 0.2, 100.0),
        Event("pressure_offset", 600, 1e5, 0.05),
    )
    t, flow, kpa = read(*events)

    def when(s: float) -> tuple[float, float]:
        i = int(np.searchsorted(t, s))
        return float(flow[i]), float(kpa[i])

    assert when(99) == (1.0, 1.0)
    assert when(300) == pytest.approx((0.95, 1.2), abs=1e-3)  # half of 400 s; all of 100 s
    assert when(499) == pytest.approx((0.9, 1.2), abs=1e-3)
    assert when(550) == (1.0, 1.0)
    assert when(700) == pytest.approx((1.0, 1.05))
    scenario = still_driver(**LONG, events=events)
    made = record(scenario)
    last = np.array([float(made.trace.t_s[-1]) - 0.1])
    assert pressure_kpa(scenario, made.trace, last)[0] == pytest.approx(0.05 * 300)
    assert flow_l_min(scenario, made.trace, last)[0] == 0.0


def test_air_over_reads_in_bursts_and_leaves_the_pressure_alone() -> None:
    _, before, _ = read()
    t, flow, kpa = read(Event("flowmeter_air", 100, 800, 0.3))
    inside = (t >= 100) & (t < 900)
    assert np.all(flow[~inside] == before[~inside])
    assert kpa.std() == 0.0
    burst = flow[inside] > 1
    behind = flow[inside] < 1
    # 0.6 s of every 3.1 s: 19 %; a quarter of the time between them is behind one: 20 %; +- 3 standard errors
    assert burst.mean() == pytest.approx(0.19, abs=0.06)
    assert behind.mean() == pytest.approx(0.20, abs=0.07)
    assert (flow[inside][burst] - 1).mean() == pytest.approx(0.3, rel=0.35)
    assert flow[inside].mean() > 1.02
    again = read(Event("flowmeter_air", 100, 800, 0.3))[1]
    assert np.all(again == flow)


def test_two_times_of_air_do_not_repeat_each_other() -> None:
    t, flow, _ = read(Event("flowmeter_air", 100, 300, 0.3), Event("flowmeter_air", 500, 300, 0.3))
    first, second = flow[(t >= 100) & (t < 400)], flow[(t >= 500) & (t < 800)]
    assert not np.array_equal(first[:1400], second[:1400])


def test_a_slow_flowmeter_follows_with_its_time_constant() -> None:
    """The boom comes on at once; 1 - exp(-t/tau) of the flow is read t later."""
    scenario = still_driver(passes=1, flow_tau_s=2.0)
    trace = record(scenario).trace
    on_s = float(trace.t_s[:-1][trace.boom_on][0])
    t = np.array([on_s + 1.0, on_s + 2.0, on_s + 20.0])
    assert flow_l_min(scenario, trace, t) == pytest.approx(12 * (1 - np.exp(-(t - on_s) / 2)), rel=1e-3)


def test_other_noise_leaves_the_white_noise_as_it_was() -> None:
    """One stream a purpose: more kinds of noise do not shuffle the ones that were there."""
    short = {"pass_length_m": 100.0}
    plain = read(**short, flow_noise_pct=1.0, pressure_noise_pct=1.0)
    more = read(**short, flow_noise_pct=1.0, pressure_noise_pct=1.0, vibration_pct=1.0, pulsation_pct=1.0)
    without = read(**short, vibration_pct=1.0, pulsation_pct=1.0)
    # (1 + white) (1 + strokes / 2), so white is left by division
    assert more[1] / without[1] == pytest.approx(plain[1], rel=1e-12)
