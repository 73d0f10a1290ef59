"""Steady passes found in samples: made by hand, and of a simulated rig whose true speed is known."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rigmon.calibration.course import gps_course
from rigmon.calibration.steady import SteadyLimits, SteadyPass, steady_passes
from rigmon.errors import UsageError
from rigmon.model import Flag, Sample
from rigmon.replay import replay
from rigmon.simulate import Scenario, readings, simulate


class Drive:
    """Writes down the samples of a drive, five a second. Invented; no noise but what is asked for."""

    STEP_NS = 200_000_000

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.t_ns = 0

    def go(
        self,
        seconds: float,
        speed: float | None,
        track: float | None = 90.0,
        *,
        to_speed: float | None = None,
        to_track: float | None = None,
        boom: int | None = 1,
        flags: int = 0,
    ) -> "Drive":
        """So many seconds; speed and track change evenly to the other ones where those are given."""
        count = round(seconds * 1e9) // self.STEP_NS
        for n in range(count):
            part = (n + 1) / count
            v = speed if speed is None or to_speed is None else speed + part * (to_speed - speed)
            way = track if track is None or to_track is None else (track + part * (to_track - track)) % 360
            self.t_ns += self.STEP_NS
            distance = None if v is None else v * self.STEP_NS * 1e-9
            self.samples.append(
                Sample(self.t_ns, self.STEP_NS, 40.0, -40.0, way, v, 0.03, 9.0, 276.0, boom, None, None, 1,
                       distance, None, None, flags)
            )  # fmt: skip
        return self

    def gap(self, seconds: float) -> "Drive":
        self.t_ns += round(seconds * 1e9)
        return self


def test_a_pass_without_its_start_and_stop() -> None:
    drive = Drive().go(5, 0.0).go(3, 0.0, to_speed=1.5).go(40, 1.5).go(3, 1.5, to_speed=0.0).go(5, 0.0)
    (found,) = steady_passes(drive.samples)
    # driven from 8 to 48 s; the ends lie within, by the margin, less what belongs to the ramps
    assert 8.0 <= found.start_s <= 10.4
    assert 45.6 <= found.end_s <= 48.0
    assert found.speed_m_s == pytest.approx(1.5, rel=1e-9)
    assert found.distance_m == pytest.approx(1.5 * found.time_s, rel=1e-9)
    assert found.sd_m_s == pytest.approx(0.0, abs=1e-9)
    assert found.track_deg == pytest.approx(90.0)
    assert found.boom_on is True


def test_out_turn_and_back_without_stopping() -> None:
    drive = Drive().go(40, 1.5, 20.0).go(10, 1.5, 20.0, to_track=200.0, boom=0).go(40, 1.5, 200.0)
    out, back = steady_passes(drive.samples)
    assert (out.track_deg, back.track_deg) == (pytest.approx(20, abs=0.5), pytest.approx(200, abs=0.5))
    assert out.end_s <= 40
    assert back.start_s >= 50


def test_a_pass_across_the_north() -> None:
    drive = Drive()
    for _ in range(20):
        drive.go(1, 1.5, 358.0).go(1, 1.5, 2.0)
    (found,) = steady_passes(drive.samples)
    assert found.track_deg == pytest.approx(0.0, abs=0.1) or found.track_deg == pytest.approx(360.0, abs=0.1)


def test_two_speeds_on_one_track_are_two_passes() -> None:
    first, second = steady_passes(Drive().go(60, 1.3).go(40, 2.0).samples)
    assert (first.speed_m_s, second.speed_m_s) == (pytest.approx(1.3), pytest.approx(2.0))


def test_the_boom_is_no_matter_but_is_told() -> None:
    off = steady_passes(Drive().go(40, 1.5, boom=0).samples)
    changed_on_the_way = steady_passes(Drive().go(20, 1.5, boom=0).go(20, 1.5, boom=1).samples)
    unknown = steady_passes(Drive().go(40, 1.5, boom=None).samples)
    assert [one.boom_on for one in off + changed_on_the_way + unknown] == [False, None, None]


@pytest.mark.parametrize(
    "broken",
    [
        pytest.param(lambda d: d.gap(0.2), id="a sample is missing"),
        pytest.param(lambda d: d.go(0.2, None), id="speed unknown"),
        pytest.param(lambda d: d.go(0.2, 1.5, None), id="track unknown"),
        pytest.param(lambda d: d.go(0.2, 1.5, flags=int(Flag.GPS_STALE)), id="stale"),
        pytest.param(lambda d: d.go(0.2, 1.5, flags=int(Flag.GPS_VOID)), id="void"),
        pytest.param(lambda d: d.go(0.2, 0.0), id="standing"),
    ],
)
def test_what_breaks_a_pass(broken: Any) -> None:
    drive = Drive().go(40, 1.5)
    broken(drive)
    first, second = steady_passes(drive.go(40, 1.5).samples)
    assert first.end_s <= 40.0 < second.start_s


def test_a_moment_off_the_speed_does_not_break_a_pass() -> None:
    (found,) = steady_passes(Drive().go(30, 1.5).go(0.4, 2.6).go(30, 1.5).samples)
    assert found.time_s > 50
    assert len(steady_passes(Drive().go(30, 1.5).go(8, 2.6).go(30, 1.5).samples)) == 2


@pytest.mark.parametrize(
    "drive",
    [
        pytest.param(Drive(), id="nothing"),
        pytest.param(Drive().go(60, 0.0), id="standing"),
        pytest.param(Drive().go(60, 0.3), id="creeping"),
        pytest.param(Drive().go(60, None), id="no speed"),
        pytest.param(Drive().go(15, 1.5), id="too short"),
        pytest.param(Drive().go(120, 1.5, 0.0, to_track=1440.0), id="in circles"),
        pytest.param(Drive().go(60, 0.5, to_speed=12.0), id="ever faster"),
    ],
)
def test_no_pass_where_none_is_steady(drive: Drive) -> None:
    assert steady_passes(drive.samples) == []


# Cornell University boom worksheet: at least 100 ft, 30.48 m. 1.5 m/s for 25 s less two margins is 30.9 m.
def test_the_least_distance_can_be_set() -> None:
    samples = Drive().go(25, 1.5).samples
    assert len(steady_passes(samples)) == 1
    assert steady_passes(samples, SteadyLimits(min_distance_m=35.0)) == []
    assert len(steady_passes(Drive().go(16, 1.5).samples, SteadyLimits(min_distance_m=15.0))) == 1


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ({"min_distance_m": 0.0}, "min_distance_m = 0 m must be above zero"),
        ({"speed_tolerance_pct": 60.0}, "speed_tolerance_pct = 60 % must be"),
        ({"end_margin_s": -1.0}, "end_margin_s = -1 s must be zero or more"),
    ],
)
def test_limits_that_cannot_be_are_refused(limits: dict[str, float], words: str) -> None:
    with pytest.raises(UsageError) as refusal:
        SteadyLimits(**limits)
    assert words in str(refusal.value)


_piece = st.tuples(
    st.floats(0.4, 30.0),
    st.none() | st.floats(0.0, 4.0),
    st.none() | st.floats(0.0, 359.9),
    st.sampled_from([0, int(Flag.GPS_STALE), int(Flag.LATE_INPUT)]),
    st.booleans(),
)


@settings(max_examples=60)
@given(pieces=st.lists(_piece, max_size=10))
def test_whatever_is_driven_passes_are_steady_long_and_apart(pieces: list[Any]) -> None:
    drive = Drive()
    for seconds, speed, track, flags, gap in pieces:
        drive.go(seconds, speed, track, flags=flags)
        if gap:
            drive.gap(1.0)
    limits = SteadyLimits()
    found = steady_passes(drive.samples, limits)
    for before, after in pairwise(found):
        assert before.end_s <= after.start_s + 1e-9
    for one in found:
        assert one.distance_m >= limits.min_distance_m
        assert one.time_s >= limits.min_time_s - 1e-9
        assert one.speed_m_s >= limits.min_speed_m_s
        start_ns, end_ns = one.start_s * 1e9 - 1, one.end_s * 1e9 + 1
        inside = [s for s in drive.samples if start_ns < s.t_ns - s.dt_ns and s.t_ns < end_ns]
        assert sum(s.distance_m or 0.0 for s in inside) == pytest.approx(one.distance_m, rel=1e-9)
        assert all(s.speed_m_s is not None and s.track_deg is not None for s in inside)


# turned as a whole, the drive holds the same passes
@settings(max_examples=30)
@given(turn=st.floats(0.0, 360.0))
def test_the_compass_is_no_matter(turn: float) -> None:
    drive = Drive().go(40, 1.5, 20.0).go(10, 1.5, 20.0, to_track=200.0).go(40, 1.4, 200.0)
    turned = [
        s._replace(track_deg=None if s.track_deg is None else (s.track_deg + turn) % 360)
        for s in drive.samples
    ]
    one, two = steady_passes(drive.samples), steady_passes(turned)
    assert [(p.start_s, p.end_s, p.distance_m) for p in one] == [
        (p.start_s, p.end_s, p.distance_m) for p in two
    ]


# -- a simulated rig with known truth ------------------------------------------------------------------------


def passes_of(**parameters: Any) -> tuple[list[SteadyPass], Any, Any]:
    scenario = Scenario(**parameters)
    simulation = simulate(scenario)
    found = steady_passes(replay(readings(simulation), scenario.rig).samples)
    return found, simulation, scenario


def true_speed(simulation: Any, one: SteadyPass, lag_s: float = 0.0) -> float:
    """Mean speed over the pass, from the path that the simulated rig really went."""
    at = np.interp([one.start_s - lag_s, one.end_s - lag_s], simulation.trace.t_s, simulation.trace.path_m)
    return float(at[1] - at[0]) / one.time_s


# hand-worked: four standard deviations of a pass's mean
@pytest.mark.parametrize(
    ("parameters", "within"),
    [
        # sd of one speed 0.04 m/s over 60 s and more: 0.04 / sqrt(60) = 0.005 m/s at 1 Hz, 0.33 % of 1.56 m/s
        pytest.param({}, 0.01, id="5 Hz"),
        pytest.param({"gps_hz": 1}, 0.013, id="1 Hz"),
        # 0.06 m/s that lasts 2 s: 0.06 x sqrt(2 x 2 / 60) = 0.0155 m/s, 1 %
        pytest.param(
            {"gps_hz": 10, "correlated_noise_m_s": 0.06, "latency_s": 0.4}, 0.04, id="10 Hz, noisy and late"
        ),
    ],
)
def test_each_pass_of_a_simulated_run_is_found_with_its_true_speed(
    parameters: dict[str, Any], within: float
) -> None:
    found, simulation, scenario = passes_of(seed=3, passes=4, wander_sd_m_s=0.04, **parameters)
    assert len(found) == scenario.passes
    heading = scenario.heading_deg
    for n, one in enumerate(found):
        assert one.track_deg == pytest.approx((heading + 180 * (n % 2)) % 360, abs=3)
        assert one.distance_m > 80
        lag_s = parameters.get("latency_s", 0.0)
        assert one.speed_m_s == pytest.approx(true_speed(simulation, one, lag_s), rel=within)


# k = 2 covers about 95 %: of 20 simulated runs at most 4 may lie outside (a chance of 1 in 400 to see more)
def test_the_stated_uncertainty_covers_the_true_speed() -> None:
    outside = 0
    for seed in range(20):
        found, simulation, _ = passes_of(seed=seed, passes=4, pass_length_m=60.0, wander_sd_m_s=0.0, gps_hz=2)
        result = gps_course(found, speed_noise_m_s=0.04, speed_bias_pct=0.5)
        truth = 1 / float(np.mean([1 / true_speed(simulation, one) for one in found]))
        outside += abs(result.speed_m_s - truth) > result.budget.expanded
    assert outside <= 4
