"""The speed filter: its published closed form, simulated noise, and the traps of real receivers."""

import random
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.speed import SpeedFilter


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


def kalata_gains(index: float) -> tuple[float, float]:
    """(alpha, beta) for a tracking index.

    Kalata, P. R. (1984), "The Tracking Index: A Generalized Parameter for alpha-beta and alpha-beta-gamma
    Target Trackers", IEEE Trans. AES-20(2); the formula is from memory, its table below confirms it.
    """
    r = (4 + index - sqrt(8 * index + index * index)) / 4
    alpha = 1 - r * r
    return alpha, 2 * (2 - alpha) - 4 * sqrt(1 - alpha)


# Values of the closed form, also found by solving the discrete Riccati equation.
KALATA = [(0.1, 0.360000, 0.080000), (0.5, 0.628373, 0.304806), (1.0, 0.75, 0.5), (2.0, 0.854102, 0.763932)]


def settled(index: float, step_s: float, noise: float = 0.05) -> tuple[float, float]:
    """The filter's (alpha, beta) after many even steps.

    The index is T^2 w / v, and the filter's jerk noise w is scaled to the step, w^2 = jerk^2 / T: so
    jerk = index v / T^1.5.
    """
    speed = SpeedFilter(noise, index * noise / step_s**1.5)
    for k in range(2000):
        assert speed.update(ns(k * step_s), 3.0)
    alpha, beta_per_s = speed.gains
    return alpha, beta_per_s * step_s


@pytest.mark.parametrize(("index", "alpha", "beta"), KALATA)
def test_the_closed_form_gives_the_published_table(index: float, alpha: float, beta: float) -> None:
    assert kalata_gains(index) == pytest.approx((alpha, beta), abs=5e-7)


@pytest.mark.parametrize("step_s", [0.05, 0.2, 1.0])
@pytest.mark.parametrize(("index", "alpha", "beta"), KALATA)
def test_the_gain_settles_at_the_published_values(
    index: float, alpha: float, beta: float, step_s: float
) -> None:
    assert settled(index, step_s) == pytest.approx((alpha, beta), abs=1e-6)


@given(index=st.floats(0.02, 20.0), step_ms=st.integers(50, 1000), noise=st.floats(0.005, 0.5))
def test_the_gain_settles_at_the_closed_form(index: float, step_ms: int, noise: float) -> None:
    assert settled(index, step_ms / 1000, noise) == pytest.approx(kalata_gains(index), rel=1e-6)


# hand-worked: the first speed is taken as it is, with the noise's variance; acceleration unknown by 0.5 m/s2
def test_the_first_speed_and_what_it_is_worth_later() -> None:
    speed = SpeedFilter(0.05, 0.35)
    assert speed.t_ns is None
    assert speed.update(ns(10), 2.0)
    assert speed.t_ns == ns(10)
    assert speed.at(ns(10)) == (2.0, pytest.approx(0.05))
    # 0.05^2 + 0.4^2 x 0.5^2 + 0.35^2 x 0.4^3 / 4 = 0.0025 + 0.04 + 0.00196 = 0.04446
    assert speed.at(ns(10.4)) == (2.0, pytest.approx(sqrt(0.04446), rel=1e-9))


# hand-worked: p = 0.0025 + 0.25 x 1 + 0.1225 / 4 = 0.283125; gain = p / (p + 0.0025) = 0.991247;
# 2 + 0.991247 x 0.5 = 2.495624
def test_the_second_speed_by_hand() -> None:
    speed = SpeedFilter(0.05, 0.35)
    speed.update(0, 2.0)
    assert speed.update(ns(1), 2.5)
    gain = 0.283125 / 0.285625
    assert speed.at(ns(1)) == (pytest.approx(2 + 0.5 * gain), pytest.approx(0.05 * sqrt(gain)))


def wander(seed: int, step_s: float, noise: float, jerk: float, count: int) -> list[tuple[float, float]]:
    """(true, measured) speeds of the filter's own model: white jerk, constant over a step, white noise.

    The true speed starts so high that it never comes near zero, where the estimate is held.
    """
    rng = random.Random(seed)
    speed, accel = 1e5, 0.0
    pairs = []
    for _ in range(count):
        pairs.append((speed, speed + rng.gauss(0, noise)))
        w = rng.gauss(0, jerk / sqrt(step_s))
        speed += accel * step_s + w * step_s * step_s / 2
        accel += w * step_s
    return pairs


def rms_ratio(pairs: list[tuple[float, float]], step_s: float, noise: float, jerk: float) -> float:
    """Root mean square of error over stated standard deviation, after settling in."""
    speed = SpeedFilter(noise, jerk)
    total = 0.0
    for k, (true, measured) in enumerate(pairs):
        speed.update(ns(k * step_s), measured)
        if k >= 100:
            estimate, sd = speed.at(ns(k * step_s))
            total += ((estimate - true) / sd) ** 2
    return sqrt(total / (len(pairs) - 100))


@pytest.mark.parametrize("step_s", [0.05, 0.1, 0.2, 1.0])
def test_the_stated_deviation_is_honest_where_the_model_holds(step_s: float) -> None:
    pairs = wander(11, step_s, 0.05, 0.35, 8000)
    assert rms_ratio(pairs, step_s, 0.05, 0.35) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("step_s", [0.1, 0.2])
def test_at_a_steady_speed_white_noise_is_smoothed_and_never_understated(step_s: float) -> None:
    """A steady rig has no jerk, so the stated deviation, which allows for it, is on the safe side."""
    rng = random.Random(12)
    pairs = [(3.0, 3.0 + rng.gauss(0, 0.05)) for _ in range(8000)]
    assert 0.6 < rms_ratio(pairs, step_s, 0.05, 0.35) <= 1.0
    speed = SpeedFilter(0.05, 0.35)
    errors = []
    for k, (true, measured) in enumerate(pairs):
        speed.update(ns(k * step_s), measured)
        errors.append(speed.at(ns(k * step_s))[0] - true)
    assert sqrt(sum(e * e for e in errors) / len(errors)) < 0.04
    assert abs(sum(errors) / len(errors)) < 0.002


@pytest.mark.parametrize("step_s", [0.05, 0.2, 1.0])
def test_no_lag_on_a_ramp(step_s: float) -> None:
    """An alpha-beta filter follows a steady acceleration without lag (common practice)."""
    speed = SpeedFilter(0.05, 0.35)
    for k in range(400):
        t = k * step_s
        assert speed.update(ns(t), 1.0 + 0.4 * t)
    assert speed.at(ns(t))[0] == pytest.approx(1.0 + 0.4 * t, abs=1e-9)
    # and on for half a step in between, up to a quarter of a second
    on_s = min(step_s / 2, 0.25)
    assert speed.at(ns(t + on_s))[0] == pytest.approx(1.0 + 0.4 * (t + on_s), abs=1e-9)


def steady(at_m_s: float = 3.0, seconds: float = 10.0, step_s: float = 0.2) -> SpeedFilter:
    speed = SpeedFilter(0.05, 0.35)
    for k in range(round(seconds / step_s)):
        speed.update(ns(k * step_s), at_m_s)
    return speed


def test_a_spike_is_refused_and_leaves_no_trace() -> None:
    speed, twin = steady(), steady()
    assert not speed.update(ns(10.0), 16.4)
    assert speed.t_ns == ns(9.8)
    assert speed.at(ns(10.0)) == twin.at(ns(10.0))
    assert speed.update(ns(10.2), 3.0)
    assert speed.at(ns(10.2))[0] == pytest.approx(3.0)


def test_a_spike_that_persists_is_believed_the_fourth_time() -> None:
    speed = steady()
    taken = [speed.update(ns(10.0 + 0.2 * k), 9.0) for k in range(4)]
    assert taken == [False, False, False, True]
    assert speed.at(ns(10.6)) == (9.0, pytest.approx(0.05))


def test_refusals_are_counted_in_a_row() -> None:
    speed = steady()
    for k in range(12):
        t = ns(10.0 + 0.2 * k)
        if k % 3 == 2:
            assert speed.update(t, 3.0)
        else:
            assert not speed.update(t, 12.0)


# hand-worked: what a rig can gain is allowed: 4 m/s2 x 0.2 s = 0.8 m/s beside six standard deviations (< 0.5)
def test_a_rig_that_brakes_hard_is_followed() -> None:
    speed = steady()
    assert speed.update(ns(10.0), 3.0 - 0.8)
    assert not steady().update(ns(10.0), 3.0 - 1.4)


def test_after_a_gap_it_starts_afresh() -> None:
    speed = steady()
    assert speed.update(ns(9.8) + ns(5.0) + 1, 0.4)
    assert speed.at(speed.t_ns or 0) == (0.4, pytest.approx(0.05))


def test_in_a_gap_the_estimate_drifts_no_further_than_a_quarter_second_and_its_deviation_grows() -> None:
    speed = SpeedFilter(0.05, 0.35)
    for k in range(50):
        speed.update(ns(k * 0.2), 1.0 + 0.1 * k * 0.2)
    end = 49 * 0.2
    assert speed.at(ns(end + 0.25))[0] == pytest.approx(1.0 + 0.1 * (end + 0.25), abs=1e-6)
    assert speed.at(ns(end + 3))[0] == speed.at(ns(end + 0.25))[0]
    sds = [speed.at(ns(end + dt))[1] for dt in (0, 0.2, 0.5, 1, 2, 3)]
    assert sds == sorted(sds)
    assert sds[-1] > 1.0


def test_between_fixes_a_second_apart_the_end_of_a_ramp_is_not_overshot_by_much() -> None:
    """Hand-worked: 1.6 m/s, then 2.0 a second later. The gains there (Kalata, index 7) are 0.96 and 1.32 / s:
    1.6 + 0.96 x 0.4 = 1.99, and 1.32 x 0.4 = 0.53 m/s2 for a quarter second, 0.13, makes 2.12.
    """
    speed = SpeedFilter(0.05, 0.35)
    for k in range(20):
        speed.update(ns(k), 1.6)
    speed.update(ns(20), 2.0)
    assert speed.at(ns(20))[0] == pytest.approx(1.99, abs=0.005)
    assert max(speed.at(ns(20 + k * 0.2))[0] for k in range(6)) == pytest.approx(2.12, abs=0.005)


def test_a_rig_that_stops_is_not_estimated_to_go_backwards() -> None:
    speed = SpeedFilter(0.05, 0.35)
    for k in range(100):
        speed.update(ns(k * 0.2), max(0.0, 2.0 - 0.5 * k * 0.2))
        for ahead in (0.0, 0.1, 1.0):
            assert speed.at(ns(k * 0.2 + ahead))[0] >= 0
    assert speed.at(ns(99 * 0.2))[0] == pytest.approx(0.0, abs=1e-6)


# hand-worked: two speeds at one moment weigh alike: mean 2.1, deviation 0.05 / sqrt 2
def test_two_speeds_with_one_stamp_are_averaged() -> None:
    speed = SpeedFilter(0.05, 0.35)
    speed.update(ns(1), 2.0)
    assert speed.update(ns(1), 2.2)
    assert speed.at(ns(1)) == (pytest.approx(2.1), pytest.approx(0.05 / sqrt(2)))


# hand-worked: variances 0.01 and 0.04 weigh 4 : 1, (4 x 2 + 2.5) / 5 = 2.1
def test_a_speed_with_its_own_noise_weighs_accordingly() -> None:
    speed = SpeedFilter(0.1, 0.35)
    speed.update(ns(1), 2.0)
    assert speed.update(ns(1), 2.5, 0.2)
    assert speed.at(ns(1))[0] == pytest.approx(2.1)
