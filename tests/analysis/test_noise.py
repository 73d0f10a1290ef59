"""Noise told from driving, on speeds made from known parts and passed through the rig's own filter."""

from collections.abc import Callable
from math import exp

import numpy as np
import pytest
from hand_made import SWATH_M, Track, rig, run

from rigmon.analysis.frames import columns_from_samples
from rigmon.analysis.noise import flow_error, mean_speed_m_s, speed_error_m_s, without_noise
from rigmon.analysis.score import score
from rigmon.core.speed import SpeedFilter
from rigmon.model import Sample, Tally

Series = Callable[[np.random.Generator, int, float], np.ndarray]


def white(sd: float) -> Series:
    return lambda random, n, _step: sd * random.standard_normal(n)


def slow(sd: float, tau_s: float, lag_s: float = 0.0) -> Series:
    """First-order autoregressive, and behind a first-order lag where one is given."""

    def make(random: np.random.Generator, n: int, step: float) -> np.ndarray:
        keep, answer = exp(-step / tau_s), exp(-step / lag_s) if lag_s else 0.0
        kicks = sd * (1 - keep * keep) ** 0.5 * random.standard_normal(n)
        x = y = 0.0
        out = np.empty(n)
        for k in range(n):
            x = keep * x + kicks[k]
            y = answer * y + (1 - answer) * x
            out[k] = y
        return out

    return make


def driven(true: np.ndarray, seen: np.ndarray, step: float = 0.2) -> tuple[list[Sample], float]:
    """Samples of a run with these speeds at the fixes, and the error that their mean speeds really have."""
    speed_filter = SpeedFilter(rig().gps.speed_noise_m_s, rig().speed.jerk_m_s3)
    filtered = np.empty(len(seen))
    for k, speed in enumerate(seen.tolist()):
        t_ns = round(k * step * 1e9)
        speed_filter.update(t_ns, speed)
        filtered[k] = speed_filter.at(t_ns)[0]
    samples = Track().go(step * (len(seen) - 1), step=step).samples
    mean = (filtered[1:] + filtered[:-1]) / 2
    for k, sample in enumerate(samples):
        distance = float(mean[k]) * step
        samples[k] = sample._replace(
            speed_m_s=float(filtered[k + 1]), distance_m=distance, area_m2=distance * SWATH_M
        )
    error = mean - (true[1:] + true[:-1]) / 2
    return samples, float(error[50:].std())


@pytest.mark.parametrize("driver_sd", [0.05, 0.2])
@pytest.mark.parametrize("noise", [white(0.04), white(0.1), slow(0.06, 2.0)], ids=["white", "loud", "slow"])
def test_error_of_the_speed_is_found_from_the_run_itself(noise: Series, driver_sd: float) -> None:
    random = np.random.default_rng(7)
    n = 12_000  # 40 min at 5 Hz
    true = 2.0 + slow(driver_sd, 8.0, 0.5)(random, n, 0.2)
    samples, error = driven(true, true + noise(random, n, 0.2))
    columns = columns_from_samples(samples)
    found = speed_error_m_s(columns, np.ones(len(columns), dtype=np.bool_), rig(), n)
    assert found == pytest.approx(error, rel=0.15)


def test_driving_is_not_taken_for_noise() -> None:
    random = np.random.default_rng(8)
    true = 2.0 + slow(0.2, 8.0, 0.5)(random, 12_000, 0.2)
    columns = columns_from_samples(driven(true, true)[0])
    assert speed_error_m_s(columns, np.ones(len(columns), dtype=np.bool_), rig(), 12_000) < 0.015


def test_jumps_and_short_runs_show_no_noise() -> None:
    steps = Track()
    for _ in range(40):
        steps.go(10, speed=2.0, step=0.2).go(10, speed=1.6, step=0.2)
    everywhere = np.ones(len(steps.samples), dtype=np.bool_)
    assert speed_error_m_s(columns_from_samples(steps.samples), everywhere, rig(), len(everywhere)) == 0
    random = np.random.default_rng(9)
    samples, _ = driven(np.full(200, 2.0), 2.0 + white(0.1)(random, 200, 0.2))
    columns = columns_from_samples(samples)
    assert speed_error_m_s(columns, np.ones(len(columns), dtype=np.bool_), rig(), 200) == 0


def test_share_in_tolerance_is_freed_from_noise() -> None:
    # the driver's 0.1 m/s about 2 m/s leaves the share that the true speeds give; without a count of fixes
    # nothing is known of the receiver and the doses stay as measured
    random = np.random.default_rng(10)
    n = 12_000
    true = 2.0 + slow(0.1, 8.0, 0.5)(random, n, 0.2)
    samples, _ = driven(true, true + slow(0.06, 2.0)(random, n, 0.2))
    middle = (true[1:] + true[:-1]) / 2
    dose = 100 * 2.0 / middle
    inside = 100 * middle[(dose >= 90) & (dose <= 110)].sum() / middle.sum()
    rate = score(run([*samples, Tally(1, "fix", n)]))["rate"]
    as_measured = score(run(samples))["rate"]
    assert rate["in_tolerance_area_pct"] == pytest.approx(inside, abs=1.5)
    assert as_measured["in_tolerance_area_pct"] < inside - 2
    assert rate["mean_l_ha"] == as_measured["mean_l_ha"]
    assert rate["cv_pct"] == pytest.approx(100 * dose.std() / dose.mean(), abs=0.3)


def test_without_noise_leaves_mean_and_order_and_the_spread_of_the_truth() -> None:
    random = np.random.default_rng(11)
    n = 3000
    truth = random.normal(5, 0.3, n)
    seen = truth + random.normal(0, 0.4, n)
    ones = np.ones(n)
    found = without_noise(seen, np.full(n, 0.16), ones, np.full(n, 0.01))  # 30 s: one block
    assert found.mean() == pytest.approx(seen.mean())
    # hand-worked: spread 0.3^2 + 0.4^2 = 0.25, less 0.16 leaves 0.09
    assert found.std() == pytest.approx((seen.var() - 0.16) ** 0.5)
    assert (np.argsort(found) == np.argsort(seen)).all()
    assert without_noise(seen, np.full(n, 9.0), ones, np.full(n, 0.01)) == pytest.approx(seen.mean())
    assert without_noise(seen, np.zeros(n), ones, np.full(n, 0.01)) == pytest.approx(seen)


def test_flow_error_is_that_of_one_sample() -> None:
    random = np.random.default_rng(12)
    flow = 6 * (1 + 0.01 * random.standard_normal(4000))
    flow[2000:] *= 0.8  # a step is not noise
    adjacent = np.ones(3999, dtype=np.bool_)
    assert flow_error(flow, adjacent) == pytest.approx(0.01, rel=0.05)
    assert flow_error(np.full(4000, 6.0), adjacent) == 0
    assert flow_error(flow[:50], adjacent[:49]) == 0


def test_samples_between_slow_fixes_take_the_speed_from_one_to_the_other() -> None:
    # hand-worked: fixes of 2.0 m/s at 1 s and 2.4 m/s at 2 s; live, the samples between them held 2.0
    samples = Track().go(2, step=0.25).samples
    here = samples[3].lat_deg, samples[3].lon_deg
    for k in (4, 5, 6):
        samples[k] = samples[k]._replace(lat_deg=here[0], lon_deg=here[1])
    samples[7] = samples[7]._replace(speed_m_s=2.4)
    for k in (0, 1, 2):
        samples[k] = samples[k]._replace(lat_deg=None, lon_deg=None)
    found = mean_speed_m_s(columns_from_samples(samples), 2)
    assert found[4:] == pytest.approx([2.05, 2.15, 2.25, 2.35])
    assert found[:4] == pytest.approx([2.0] * 4)
    assert mean_speed_m_s(columns_from_samples(samples), 8) == pytest.approx([2.0] * 8)
