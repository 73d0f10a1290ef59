"""Pace for a hand boom, and the beat: exact stamps, and a driver that does not drift.

Published figures name their publisher and are walked in steps of our own choice: the published speed is what
counts.
"""

import json
import random
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rigmon import units
from rigmon.calibration.pace import PaceResult, beat, beat_ns, hand_boom_pace
from rigmon.errors import UsageError

MINUTE_NS = 60_000_000_000


def pace(steps: int, distance: str, swath: str, flow: str, rate: str, **more: Any) -> PaceResult:
    return hand_boom_pace(
        steps=steps,
        distance_m=units.parse(distance, "length"),
        swath_m=units.parse(swath, "length"),
        flow_l_min=units.parse(flow, "flow"),
        rate_l_ha=units.parse(rate, "rate"),
        **more,
    )


# -- published ----------------------------------------------------------------------------------------------


# IRRI rice knowledge pages: 2 L/min, 4 m, 100 L/ha takes 120 s per 100 m. In 200 steps: 100 a minute.
def test_36_irri_120_s_per_100_m() -> None:
    result = pace(200, "100 m", "4 m", "2 L/min", "100 L/ha", system="metric")
    assert 100 / result.speed_m_s == pytest.approx(120, abs=0.5)
    assert result.steps_per_min == pytest.approx(100, rel=1e-9)


# Montrose County (Colorado): 1.58 gpm over 12 ft at 88 ft/min (1 mph) is 65.17 gal/ac. In steps of 12 in: 88.
def test_3_montrose_88_feet_a_minute() -> None:
    result = pace(100, "100 ft", "12 ft", "1.58 gpm", "65.17 gal/ac")
    assert result.steps_per_min == pytest.approx(88, abs=88 * 0.005 / 65.17 * 1.02)


# NC State Extension, Christmas-tree worksheet: 57 ft in 17 s, 7.5 oz in it from a 6-ft band is 7.5 gal/ac.
def test_32_north_carolina_57_ft_in_17_s() -> None:
    ounces_per_min = 7.5 * 60 / 17
    result = pace(24, "57 ft", "6 ft", f"{ounces_per_min} oz/min", "7.5 gal/ac")
    # 24 steps in 17 s are 84.7 a minute; the rate is printed to 0.05 in 7.5, the course to the foot
    assert result.steps_per_min == pytest.approx(24 * 60 / 17, rel=0.05 / 7.5 + 0.5 / 57)


# Core pesticide manual ch. 11, as in a study sheet: double speed, half the rate
def test_43_core_manual_half_the_rate_takes_double_the_pace() -> None:
    slow, fast = (pace(40, "100 ft", "6 ft", "0.5 gpm", rate) for rate in ("20 gal/ac", "10 gal/ac"))
    assert fast.steps_per_min == pytest.approx(2 * slow.steps_per_min, rel=1e-12)


# -- the result ---------------------------------------------------------------------------------------------


def test_hand_worked() -> None:
    """40 steps over 100 ft are 30 in each; 495 x 0.8 / (20 x 6) = 3.3 mph = 290.4 ft/min = 116.16 steps."""
    result = pace(40, "100 ft", "6 ft", "0.8 gal/min", "20 gal/ac")
    assert units.convert(result.step_m, "length", "in") == pytest.approx(30)
    assert units.convert(result.speed_m_s, "speed", "mph") == pytest.approx(3.3)
    assert result.steps_per_min == pytest.approx(116.16)
    assert result.steps_low_per_min == pytest.approx(116.16 / 1.1)
    assert result.steps_high_per_min == pytest.approx(116.16 / 0.9)
    assert result.seconds_per_step == pytest.approx(60 / 116.16)
    assert result.findings == ()


def test_text_in_both_systems() -> None:
    us, metric = (
        " ".join(pace(40, "100 ft", "6 ft", "0.8 gal/min", "20 gal/ac", system=system).lines())
        for system in ("us", "metric")
    )
    for words in (
        "Walk 116 steps a minute",
        "0.52 s",
        "105.6 to 129.1 steps",
        "20.0 gal/ac",
        "30.0 in",
        "3.30 mph",
    ):
        assert words in us
    for words in ("187 L/ha", "76.2 cm", "5.31 km/h"):
        assert words in metric


@pytest.mark.parametrize(
    ("flow", "code", "words"),
    [
        # hand-worked: 116.16 steps at 0.8 gal/min, so 0.4132 gal/min for 60, 0.9642 for 140; 0.3 gal/min are
        # 43.56 steps, 20 x 43.56 / 60 = 14.5 gal/ac; 1.2 are 174.2, 20 x 174.24 / 140 = 24.9
        (
            "0.3 gal/min",
            "pace_too_slow",
            ["44 steps", "0.413 gal/min", "higher pressure", "less, 14.5 gal/ac"],
        ),
        (
            "1.2 gal/min",
            "pace_too_fast",
            ["174 steps", "0.964 gal/min", "lower pressure", "more, 24.9 gal/ac"],
        ),
    ],
)
def test_an_impossible_pace_says_what_to_change(flow: str, code: str, words: list[str]) -> None:
    (finding,) = pace(40, "100 ft", "6 ft", flow, "20 gal/ac").findings
    assert (finding.code, finding.severity) == (code, "do")
    assert all(word in finding.text for word in words)


def test_what_is_possible_can_be_set() -> None:
    given_: tuple[Any, ...] = (40, "100 ft", "6 ft", "0.8 gal/min", "20 gal/ac")
    assert [f.code for f in pace(*given_, fastest_per_min=110.0).findings] == ["pace_too_fast"]
    assert [f.code for f in pace(*given_, slowest_per_min=120.0).findings] == ["pace_too_slow"]


def test_few_steps_are_said() -> None:
    (finding,) = pace(10, "25 ft", "6 ft", "0.8 gal/min", "20 gal/ac").findings
    assert finding.code == "few_steps"
    assert "5 % of the pace" in finding.text


@given(
    steps=st.integers(20, 200), step=st.floats(0.4, 1.0), swath=st.floats(1, 6), flow=st.floats(0.5, 20),
    rate=st.floats(20, 500), u=st.tuples(*[st.floats(0.01, 10)] * 2), u_m=st.floats(0.001, 1),
)  # fmt: skip
def test_uncertainty_agrees_with_the_package(
    steps: int, step: float, swath: float, flow: float, rate: float, u: tuple[float, float], u_m: float
) -> None:
    result = hand_boom_pace(
        steps=steps, distance_m=steps * step, swath_m=swath, flow_l_min=flow, rate_l_ha=rate,
        flow_u_pct=u[0], swath_u_pct=u[1], distance_u_m=u_m,
    )  # fmt: skip
    n = ufloat(steps, 0.5 / 3**0.5)
    q, w, d = ufloat(flow, flow * u[0] / 100), ufloat(swath, swath * u[1] / 100), ufloat(steps * step, u_m)
    package = q * 1e4 / 60 / (rate * w) * 60 * n / d
    assert result.budget.value == pytest.approx(package.nominal_value, rel=1e-9)
    assert result.budget.combined == pytest.approx(package.std_dev, rel=1e-9)


def test_json_holds_inputs_result_budget_and_findings() -> None:
    data = json.loads(json.dumps(pace(10, "25 ft", "6 ft", "0.8 gpm", "20 gpa").to_json(), allow_nan=False))
    assert set(data) == {"inputs", "result", "uncertainty", "findings"}
    assert data["inputs"]["steps"] == 10
    assert len(data["uncertainty"]["steps_per_min"]["components"]) == 4
    assert data["findings"][0]["code"] == "few_steps"


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"steps": 0}, "steps = 0 must be a whole number"),
        ({"steps": 10.5}, "steps = 10.5 must be a whole number"),
        ({"steps": 5}, "5 steps over 100 ft make a step of 240 in"),
        ({"steps": 400}, "it must be 11.8 in to 47.2 in"),
        ({"distance": "0 ft"}, "distance = 0 m must be above zero"),
        ({"flow": "0 gpm"}, "boom flow = 0 L/min must be above zero"),
        ({"rate": "0 gpa"}, "target rate = 0 L/ha must be above zero"),
        ({"swath": "0 ft"}, "swath = 0 m must be above zero"),
        ({"tolerance_pct": 0.0}, "tolerance = 0 % must be at least 0.1 %"),
        ({"slowest_per_min": 140.0}, "fastest pace = 140 steps/min must be above the slowest, 140"),
    ],
)
def test_refused(changed: dict[str, Any], words: str) -> None:
    given_: dict[str, Any] = {
        "steps": 40, "distance": "100 ft", "swath": "6 ft", "flow": "0.8 gpm", "rate": "20 gpa", **changed
    }  # fmt: skip
    with pytest.raises(UsageError) as error:
        pace(**given_)
    assert words in str(error.value)


# -- the schedule -------------------------------------------------------------------------------------------


def test_stamps_hand_worked() -> None:
    """120 a minute is a beat every 0.5 s; 90 a minute 2/3 s, to the nearest ns."""
    assert [beat_ns(k, 120.0) for k in (0, 1, 2, 120)] == [0, 500_000_000, 1_000_000_000, MINUTE_NS]
    assert [beat_ns(k, 90.0) for k in (1, 2, 3)] == [666_666_667, 1_333_333_333, 2_000_000_000]


@given(k=st.integers(0, 10**9), steps_per_min=st.floats(0.1, 1000))
def test_a_stamp_is_exact_whatever_its_number(k: int, steps_per_min: float) -> None:
    exact = k * MINUTE_NS / Fraction(steps_per_min)
    assert abs(beat_ns(k, steps_per_min) - exact) <= Fraction(1, 2)


@given(steps_per_min=st.floats(20, 300))
def test_a_schedule_does_not_drift_in_a_day(steps_per_min: float) -> None:
    """The spacing of beats a day on is that of the first, to the nanosecond of rounding."""
    k = int(steps_per_min * 24 * 60)
    spacing = [beat_ns(n + 1, steps_per_min) - beat_ns(n, steps_per_min) for n in (0, k)]
    assert abs(spacing[1] - spacing[0]) <= 1


@pytest.mark.parametrize("bad", [0.0, -1.0, 1000.5, float("nan"), float("inf")])
def test_a_pace_that_cannot_be_is_refused(bad: float) -> None:
    with pytest.raises(UsageError, match="must be above 0 and at most 1000"):
        beat_ns(1, bad)


def test_beats_count_from_zero() -> None:
    with pytest.raises(ValueError, match="beats count from 0"):
        beat_ns(-1, 100.0)


# -- the driver ---------------------------------------------------------------------------------------------


class Walk:
    """A clock that only waiting and emitting move, and what was given out when."""

    def __init__(self, late: Callable[[], float], emit_ns: int = 0) -> None:
        self.now_ns = 123_456_789_012  # a clock counts from anywhere
        self.start_ns = self.now_ns
        self.given: list[tuple[int, int]] = []  # (number, stamp from the start)
        self.late = late
        self.emit_ns = emit_ns

    def clock(self) -> int:
        return self.now_ns

    def wait(self, seconds: float) -> None:
        self.now_ns += max(1, round((seconds + self.late()) * 1e9))

    def emit(self, k: int) -> None:
        self.given.append((k, self.now_ns - self.start_ns))
        self.now_ns += self.emit_ns

    def walk(self, steps_per_min: float, minutes: float) -> Any:
        end = self.start_ns + round(minutes * MINUTE_NS) + 10_000_000  # time for the last beat to be late
        return beat(steps_per_min, self.emit, self.clock, self.wait, lambda: self.now_ns > end)


@pytest.mark.parametrize("steps_per_min", [60.0, 100.0, 116.16, 140.0])
def test_an_hour_of_jittery_waits_drifts_less_than_a_millisecond(steps_per_min: float) -> None:
    """Each wait ends up to 0.9 ms late; added up that would be about 2 s or more in the hour."""
    random_ = random.Random(7)
    walk = Walk(lambda: random_.uniform(0, 0.9e-3), emit_ns=80_000)
    beats = walk.walk(steps_per_min, 60)
    assert beats.given == len(walk.given) == int(steps_per_min * 60) + 1
    assert beats.skipped == 0
    assert [k for k, _ in walk.given] == list(range(beats.given))
    off = [stamp - k * MINUTE_NS / steps_per_min for k, stamp in walk.given]
    assert max(off) < 1e6
    assert min(off) > -1


def test_the_drift_of_late_waits_is_nothing_even_where_each_is_late_by_more() -> None:
    """Waits up to 8 ms late: a single beat is late by as much, the trend over the hour is under 1 ms."""
    random_ = random.Random(11)
    walk = Walk(lambda: random_.uniform(0, 8e-3))
    walk.walk(100.0, 60)
    off = [stamp - k * MINUTE_NS / 100 for k, stamp in walk.given]
    half = len(off) // 2
    first, second = sum(off[:half]) / half, sum(off[half:]) / (len(off) - half)
    assert abs(second - first) < 1e6
    assert max(off) < 8.01e6


def test_waits_that_end_early_are_waited_out() -> None:
    walk = Walk(lambda: 0.0)
    end = walk.start_ns + MINUTE_NS
    beat(100.0, walk.emit, walk.clock, lambda seconds: walk.wait(seconds / 2), lambda: walk.now_ns > end)
    assert [k for k, _ in walk.given] == list(range(101))
    assert all(0 <= stamp - beat_ns(k, 100.0) < 1000 for k, stamp in walk.given)


def test_a_suspended_process_skips_what_is_over_and_keeps_the_beat() -> None:
    """60 a minute, asleep from 2.3 s to 7.8 s: beats 3 to 6 are over, 7 is late, 8 is on time again."""
    walk = Walk(lambda: 0.0)

    def wait(seconds: float) -> None:
        walk.now_ns += round(seconds * 1e9)
        if walk.now_ns - walk.start_ns == 3 * 10**9:
            walk.now_ns = walk.start_ns + 7_800_000_000

    beats = beat(60.0, walk.emit, walk.clock, wait, lambda: walk.now_ns - walk.start_ns > 9 * 10**9 - 1)
    assert [k for k, _ in walk.given] == [0, 1, 2, 7, 8]
    assert beats.skipped == 4
    assert walk.given[-1] == (8, 8 * 10**9)


def test_a_stop_while_waiting_gives_no_more_beats() -> None:
    walk = Walk(lambda: 0.0)
    stopped: list[bool] = []

    def wait(seconds: float) -> None:
        walk.wait(seconds / 2)
        stopped.append(True)

    assert beat(60.0, walk.emit, walk.clock, wait, lambda: bool(stopped)).given == 1
