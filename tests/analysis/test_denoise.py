"""Noise told from motion: distributions close to the truth, sums untouched, nothing invented."""

from collections.abc import Sequence

import numpy as np
import pytest

from rigmon.analysis.denoise import LEAST_S, denoise
from rigmon.analysis.frames import Columns, columns_from_samples
from rigmon.model import Sample

STEP_S = 0.2
#: invented: 1.5 m/s, the rig of the other tests
SPEED_M_S = 1.5
#: metres per degree of latitude at 45 degrees north on WGS84, NIMA TR8350.2 series (from memory)
METRES_PER_DEGREE = 111_131.8


def columns(
    speed: Sequence[float],
    seen: Sequence[float] | None = None,
    flow: Sequence[float] | None = None,
) -> Columns:
    """A straight run north: measured speeds, the speeds that the positions show, flow in L/s."""
    north_m = np.cumsum(np.array(speed if seen is None else seen) * STEP_S)
    step_ns = round(STEP_S * 1e9)
    samples = []
    for k, v in enumerate(speed):
        lat = None if seen is None else 45 + float(north_m[k]) / METRES_PER_DEGREE
        volume = (0.15 if flow is None else flow[k]) * STEP_S
        samples.append(
            Sample(
                (k + 1) * step_ns, step_ns, lat, None if lat is None else 7.0, None, v, 0.02, 9.0, None, 1,
                None, None, 1, v * STEP_S, v * STEP_S * 6, volume, 0,
            )
        )  # fmt: skip
    return columns_from_samples(samples)


def motion(rng: np.random.Generator, n: int, sd: float) -> np.ndarray:
    """Wander of a driver: a smoothed random walk about the mean, with the standard deviation asked for."""
    steps = rng.normal(size=n + 400)
    smooth = np.convolve(steps, np.exp(-np.arange(200) * STEP_S / 6.0), "same")
    smooth = np.convolve(smooth, np.ones(5) / 5, "same")[200 : n + 200]
    return SPEED_M_S + sd * (smooth - smooth.mean()) / smooth.std()


def lingering(rng: np.random.Generator, n: int, sd: float) -> np.ndarray:
    """First-order autoregressive noise that lingers for 2 s."""
    keep = np.exp(-STEP_S / 2.0)
    noise = np.empty(n)
    noise[0] = rng.normal() * sd
    for k in range(1, n):
        noise[k] = keep * noise[k - 1] + rng.normal() * sd * np.sqrt(1 - keep * keep)
    return noise


def everywhere(c: Columns) -> np.ndarray:
    return np.ones(len(c), dtype=bool)


def test_lingering_noise_is_told_from_motion_by_the_positions() -> None:
    rng = np.random.default_rng(5)
    n = 9000  # 30 min
    true = motion(rng, n, 0.10)
    c = columns(true + lingering(rng, n, 0.06), seen=true + lingering(rng, n, 0.06))
    result = denoise(c, everywhere(c))
    # hand-worked: two equal witnesses, so 0.06^2 / 2 = 0.0018 of noise is left in their average, and
    # 0.10^2 / (0.10^2 + 0.0018) = 0.847 of its variance is motion
    assert result.motion_share == pytest.approx(0.847, abs=0.06)
    assert np.std(result.speed_m_s) == pytest.approx(0.10, rel=0.05)
    assert np.std(c.speed_m_s) == pytest.approx(0.1166, rel=0.05)  # hand-worked: sqrt(0.0136)
    assert np.std(result.speed_m_s - true) < 0.75 * np.std(c.speed_m_s - true)  # 1 / sqrt(2) = 0.71


def test_the_better_witness_weighs_more() -> None:
    rng = np.random.default_rng(11)
    n = 9000
    true = motion(rng, n, 0.10)
    for noise, noise_seen in ((0.06, 0.0), (0.01, 0.12)):
        c = columns(true + lingering(rng, n, noise), seen=true + lingering(rng, n, noise_seen))
        error = denoise(c, everywhere(c)).speed_m_s - true
        assert np.std(error) < 0.03


def test_motion_alone_stays_as_it_is() -> None:
    rng = np.random.default_rng(6)
    true = motion(rng, 6000, 0.15)
    c = columns(true, seen=true)
    result = denoise(c, everywhere(c))
    assert result.motion_share == pytest.approx(1.0, abs=0.01)
    assert np.abs(result.speed_m_s - true).max() < 0.05  # only smoothed over a second


def test_what_the_averaging_takes_of_the_motion_is_given_back() -> None:
    # hand-worked: a wave of period T averaged over W = 1 s keeps sin(pi W/T) / (pi W/T) of its height: 0.984
    # at 10 s
    n = 9000
    wave = SPEED_M_S + 0.2 * np.sin(2 * np.pi * np.arange(n) * STEP_S / 10)
    c = columns(wave, seen=wave)
    speed = denoise(c, everywhere(c)).speed_m_s[500:-500]
    assert np.std(speed) == pytest.approx(0.2 / np.sqrt(2), rel=0.004)


def test_a_slow_stretch_is_not_taken_for_noise() -> None:
    rng = np.random.default_rng(7)
    n = 9000
    true = motion(rng, n, 0.05)
    true[3000:3600] -= 0.5  # two minutes
    c = columns(true + lingering(rng, n, 0.06), seen=true)
    result = denoise(c, everywhere(c))
    inside = result.speed_m_s[3025:3575]
    assert inside.mean() == pytest.approx(true[3025:3575].mean(), abs=0.03)
    assert (result.speed_m_s[:2900] > SPEED_M_S - 0.25).all()


@pytest.mark.parametrize("seconds", [1, 20, LEAST_S - 1])
def test_a_short_run_is_only_smoothed(seconds: float) -> None:
    rng = np.random.default_rng(8)
    n = round(seconds / STEP_S)
    true = motion(rng, n, 0.1) if n > 10 else np.full(n, SPEED_M_S)
    c = columns(true + lingering(rng, n, 0.06), seen=true)
    assert denoise(c, everywhere(c)).motion_share == 1.0


def test_without_positions_nothing_is_drawn_in() -> None:
    rng = np.random.default_rng(9)
    c = columns(motion(rng, 6000, 0.1) + lingering(rng, 6000, 0.06))
    assert denoise(c, everywhere(c)).motion_share == 1.0


def test_steps_of_flow_stay_where_they_are_and_noise_is_averaged() -> None:
    rng = np.random.default_rng(10)
    n = 1000
    level = np.where(np.arange(n) < 500, 0.15, 0.12)  # a step of 20 %
    c = columns(np.full(n, SPEED_M_S), flow=level * (1 + 0.01 * rng.normal(size=n)))
    flow = denoise(c, everywhere(c)).flow_l_s
    error = flow / level - 1
    assert np.abs(error[[499, 500]]).max() < 0.04
    # hand-worked: five samples to a second, 1 % / sqrt(5) = 0.45 %
    assert np.std(error[10:490]) == pytest.approx(0.0045, rel=0.25)


def test_outside_the_mask_nothing_is_said() -> None:
    c = columns(np.full(50, SPEED_M_S))
    mask = everywhere(c)
    mask[20:30] = False
    result = denoise(c, mask)
    assert np.isnan(result.speed_m_s[20:30]).all()
    assert np.isnan(result.flow_l_s[20:30]).all()
    assert not np.isnan(result.speed_m_s[mask]).any()
    nothing = denoise(c, ~everywhere(c))
    assert np.isnan(nothing.speed_m_s).all()
