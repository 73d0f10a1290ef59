"""Flow from stated values, volumes and pulse counts. Numbers are hand-worked, the sums beside them."""

import pytest
from helpers import make_rig
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.flow import FlowMeter
from rigmon.model import PulseCount


def meter(pulses_per_l: float = 450.0, **keys: object) -> FlowMeter:
    """Maximum 200 L/min, stale after 2 s, as the defaults have it."""
    return FlowMeter(make_rig(flow={"source": "gpio", "pin": 17, "pulses_per_l": pulses_per_l, **keys}).flow)


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


class Wheel:
    """A turning flowmeter: pulses at given times, counted whenever it is asked."""

    def __init__(self, pulses_s: list[float]) -> None:
        self.pulses_s = sorted(pulses_s)

    def count(self, t_s: float, lost: int = 0) -> PulseCount:
        seen = [p for p in self.pulses_s if p <= t_s + 1e-9]
        return PulseCount(len(seen) - lost, ns(seen[-1]) if seen else None, lost)


def test_nothing_is_known_at_first() -> None:
    flow = meter()
    assert (flow.t_ns, flow.flow_l_min, flow.implausible, flow.reset) == (None, None, False, False)


# -- stated flows --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stated", "expected", "implausible"),
    [(0.0, 0.0, False), (9.0, 9.0, False), (200.0, 200.0, False), (200.1, None, True), (-0.1, None, True)],
)
def test_a_stated_flow(stated: float, expected: float | None, implausible: bool) -> None:
    flow = meter()
    flow.set_flow(5, stated)
    assert (flow.t_ns, flow.flow_l_min, flow.implausible) == (5, expected, implausible)


def test_a_good_flow_ends_an_implausible_one() -> None:
    flow = meter()
    flow.set_flow(1, 1e9)
    flow.set_flow(2, 6.0)
    assert (flow.flow_l_min, flow.implausible) == (6.0, False)


# -- volumes -------------------------------------------------------------------------------------------


# 0.1 L each 0.2 s = 30 L/min
def test_flow_is_the_rise_of_a_volume() -> None:
    flow = meter()
    flow.set_volume(ns(1.0), 1000.0)
    assert flow.flow_l_min is None  # one volume says nothing of the flow
    for k in range(1, 20):
        flow.set_volume(ns(1.0 + 0.2 * k), 1000.0 + 0.1 * k)
        assert flow.flow_l_min == pytest.approx(30.0)


# Over the last 0.8 s: after a step from 30 to 0 L/min at 2 s it is 3/4, 1/2, 1/4, 0 of it
def test_a_volume_is_differenced_over_a_window() -> None:
    flow = meter()
    for k in range(11):
        flow.set_volume(ns(0.2 * k), 0.1 * k)
    seen = []
    for k in range(11, 15):
        flow.set_volume(ns(0.2 * k), 1.0)
        seen.append(flow.flow_l_min)
    assert seen == pytest.approx([22.5, 15.0, 7.5, 0.0])


# One volume a second: 0.5 L, then 0.2 L a second are 30, then 12 L/min, at once
def test_slow_volumes_are_differenced_from_one_to_the_next() -> None:
    flow = meter()
    seen = []
    for second, volume in enumerate([0.0, 0.5, 1.0, 1.2, 1.4]):
        flow.set_volume(ns(second), volume)
        seen.append(flow.flow_l_min)
    assert seen == [None, *(pytest.approx(v) for v in (30.0, 30.0, 12.0, 12.0))]


# A recording without times between its fixes: five volumes a second with the stamp of the fix before them.
# 0.5 L a second = 30 L/min
def test_several_volumes_with_one_stamp_do_not_change_the_flow() -> None:
    flow = meter()
    for second in range(5):
        for part in range(5):
            flow.set_volume(ns(second), 0.5 * second + 0.1 * part)
            if second:
                assert flow.flow_l_min == pytest.approx(30.0)


def test_a_volume_that_goes_back_is_a_reset_and_the_flow_unknown_until_the_next() -> None:
    flow = meter()
    flow.set_volume(ns(1.0), 1000.0)
    flow.set_volume(ns(1.2), 1000.1)
    flow.set_volume(ns(1.4), 0.05)
    assert (flow.reset, flow.flow_l_min) == (True, None)
    flow.set_volume(ns(1.6), 0.15)
    assert (flow.reset, flow.flow_l_min) == (False, pytest.approx(30.0))


def test_a_reset_with_the_stamp_of_the_volume_before_is_seen() -> None:
    flow = meter()
    flow.set_volume(ns(1.0), 1000.0)
    flow.set_volume(ns(2.0), 1000.5)
    flow.set_volume(ns(2.0), 0.0)
    assert (flow.reset, flow.flow_l_min) == (True, None)


def test_after_a_silence_the_rise_over_it_is_not_taken_for_the_flow_now() -> None:
    flow = meter()
    flow.set_volume(ns(1.0), 1000.0)
    flow.set_volume(ns(2.0), 1000.5)
    flow.set_volume(ns(5.0), 1000.6)
    assert flow.flow_l_min is None
    flow.set_volume(ns(6.0), 1001.0)  # 0.4 L in 1 s
    assert flow.flow_l_min == pytest.approx(24.0)


def test_a_leaping_volume_is_implausible() -> None:
    flow = meter()
    flow.set_volume(ns(1.0), 10.0)
    flow.set_volume(ns(2.0), 20.0)  # 600 L/min
    assert (flow.flow_l_min, flow.implausible) == (None, True)


# -- pulses --------------------------------------------------------------------------------------------


# 67.5 pulses a second of 450 a litre = 0.15 L/s = 9 L/min. Asked at 10 Hz, six or seven pulses are new each
# time; a plain count over time would swing by 60 / 450 / 0.8 = 0.17 L/min, the pulses' own stamps do not.
def test_flow_from_pulses_does_not_swing_with_the_asking() -> None:
    wheel = Wheel([k / 67.5 for k in range(2000)])
    flow = meter()
    for k in range(1, 100):
        flow.set_pulses(ns(0.1 * k), wheel.count(0.1 * k))
        if k > 1:
            assert flow.flow_l_min == pytest.approx(9.0, rel=1e-6)


# One pulse each 0.7 s of 10 a litre = 60 / 0.7 / 10 = 8.571 L/min; seven asks out of eight bring no new pulse
def test_low_flow_is_timed_from_pulse_to_pulse() -> None:
    wheel = Wheel([0.7 * k for k in range(30)])
    flow = meter(10.0)
    for k in range(15, 200):
        flow.set_pulses(ns(0.1 * k), wheel.count(0.1 * k))
        if k > 20:
            assert flow.flow_l_min == pytest.approx(60 / 0.7 / 10, rel=1e-6)


# After the last of 8.571 L/min's pulses at t = 0: after 1.5 s no more than one pulse over the wait,
# 60 / 1.5 / 10 = 4 L/min; after 2.5 s at rest.
def test_flow_falls_with_the_wait_and_comes_to_rest() -> None:
    wheel = Wheel([-0.7 * k + 3.5 for k in range(6)])
    flow = meter(10.0)
    for t in (2.9, 3.5):
        flow.set_pulses(ns(t), wheel.count(t))
    seen = []
    for wait in (0.0, 0.5, 0.7, 1.0, 1.5, 2.0, 2.51, 9.0):
        flow.set_pulses(ns(3.5 + wait), wheel.count(3.5 + wait))
        seen.append(flow.flow_l_min)
    full = 60 / 0.7 / 10
    assert seen == pytest.approx([full, full, full, 6.0, 4.0, 3.0, 0.0, 0.0])


# The first pulse after a rest of 10 s must not read as one pulse in 10 s, nor the second
def test_after_a_rest_flow_starts_from_the_first_pulse() -> None:
    wheel = Wheel([0.1 * k for k in range(11)] + [11.0 + 0.1 * k for k in range(11)])
    flow = meter(10.0)
    for k in range(1, 111):
        flow.set_pulses(ns(0.1 * k), wheel.count(0.1 * k))
    assert flow.flow_l_min == 0.0  # the pulse at 11.0 s has come
    flow.set_pulses(ns(11.1), wheel.count(11.1))
    assert flow.flow_l_min == pytest.approx(60.0)  # 10 pulses a second of 10 a litre


# 100 pulses a second of 450 a litre: 13.333 L/min; a tenth of them is lost, and known to be
def test_lost_pulses_count_as_pulses() -> None:
    wheel = Wheel([k / 100 for k in range(2000)])
    flow = meter()
    for k in range(1, 150):
        flow.set_pulses(ns(0.1 * k), wheel.count(0.1 * k, lost=k))
    assert flow.flow_l_min == pytest.approx(60 * 100 / 450, rel=1e-6)


def test_a_count_that_goes_back_is_a_reset() -> None:
    flow = meter()
    flow.set_pulses(ns(1.0), PulseCount(500, ns(0.99), 0))
    flow.set_pulses(ns(1.1), PulseCount(510, ns(1.09), 0))
    assert flow.flow_l_min == pytest.approx(10 / 450 / 0.1 * 60)
    flow.set_pulses(ns(1.2), PulseCount(3, ns(1.19), 0))
    assert (flow.reset, flow.flow_l_min) == (True, None)
    flow.set_pulses(ns(1.3), PulseCount(12, ns(1.29), 0))
    assert (flow.reset, flow.flow_l_min) == (False, pytest.approx(9 / 450 / 0.1 * 60))


def test_a_source_that_opens_without_a_pulse_is_at_rest_only_when_that_lasts() -> None:
    flow = meter()
    flow.set_pulses(ns(5.0), PulseCount(0, None, 0))
    assert flow.flow_l_min is None
    flow.set_pulses(ns(7.5), PulseCount(0, None, 0))
    assert flow.flow_l_min is None
    flow.set_pulses(ns(7.6), PulseCount(0, None, 0))
    assert flow.flow_l_min == 0.0


def test_a_source_that_opened_again_is_a_reset_even_before_its_first_pulse() -> None:
    flow = meter()
    flow.set_pulses(ns(1.0), PulseCount(500, ns(0.99), 0))
    flow.set_pulses(ns(1.1), PulseCount(510, ns(1.09), 0))
    flow.set_pulses(ns(1.5), PulseCount(0, None, 0))
    assert (flow.reset, flow.flow_l_min) == (True, None)
    flow.set_pulses(ns(1.6), PulseCount(0, None, 0))
    assert (flow.reset, flow.flow_l_min) == (False, None)
    flow.set_pulses(ns(1.7), PulseCount(2, ns(1.69), 0))
    flow.set_pulses(ns(1.8), PulseCount(11, ns(1.79), 0))
    assert flow.flow_l_min == pytest.approx(9 / 450 / 0.1 * 60)


def test_a_pulse_stamp_that_goes_back_starts_afresh() -> None:
    flow = meter()
    flow.set_pulses(ns(1.0), PulseCount(500, ns(0.99), 0))
    flow.set_pulses(ns(1.1), PulseCount(510, ns(0.5), 0))
    flow.set_pulses(ns(1.2), PulseCount(520, ns(0.6), 0))
    assert flow.flow_l_min == pytest.approx(10 / 450 / 0.1 * 60)


def test_a_storm_of_pulses_is_implausible_then_forgotten() -> None:
    flow = meter()
    flow.set_pulses(ns(1.0), PulseCount(0, ns(0.99), 0))
    flow.set_pulses(ns(1.1), PulseCount(100_000, ns(1.09), 0))
    assert (flow.flow_l_min, flow.implausible) == (None, True)
    flow.set_pulses(ns(1.2), PulseCount(100_000, ns(1.09), 0))  # no new pulse: nothing better is known yet
    assert flow.flow_l_min is None
    flow.set_pulses(ns(4.0), PulseCount(100_000, ns(1.09), 0))
    assert (flow.flow_l_min, flow.implausible) == (0.0, False)


@given(rate_hz=st.floats(2.0, 2000.0), ask_s=st.floats(0.05, 0.5), phase=st.floats(0, 1))
def test_any_steady_flow_asked_at_any_pace(rate_hz: float, ask_s: float, phase: float) -> None:
    """Period timing finds a steady flow exactly, from the second pulse on."""
    flow = meter(maximum="300 L/min")
    first: float | None = None
    for k in range(1, 40):
        t = k * ask_s
        pulses = int(t * rate_hz + phase)
        edge = (pulses - phase) / rate_hz
        flow.set_pulses(ns(t), PulseCount(pulses, ns(edge) if pulses else None, 0))
        first = edge if first is None and pulses else first
        if first is not None and edge > first:
            assert flow.flow_l_min == pytest.approx(rate_hz / 450 * 60, rel=1e-4)
