"""Learning a level and its noise, and finding a change: on simulated noise, with fixed seeds."""

import random
from math import sqrt

import pytest

from rigmon.core.design import cusum_for
from rigmon.core.monitor import Monitor, Noise, noise_of

ARL = 36_000.0


def ar1(n: int, sd: float, phi: float, seed: int, mean: float = 100.0) -> list[float]:
    rng = random.Random(seed)
    x = rng.gauss(0, sd)
    out = []
    for _ in range(n):
        out.append(mean + x)
        x = phi * x + sd * sqrt(1 - phi * phi) * rng.gauss(0, 1)
    return out


def monitor(change: float = 0.04) -> Monitor:
    return Monitor(change, ARL, 30)


def test_the_noise_of_numbers_by_hand() -> None:
    """1, 2, 4, 1: mean 2, squares 1 + 0 + 4 + 1 = 6, sd sqrt(6/3); products (-1)(0) + (0)(2) + (2)(-1) = -2,
    phi -1/3, corrected -1/3 + (1 - 1)/4, and not below 0. With a gap before the last: 0/6 + 1/4 = 0.25."""
    assert noise_of([1, 2, 4, 1]) == (2.0, sqrt(2), 0.0, 4)
    assert noise_of([1, 2, 4, 1], gaps=[3]) == (2.0, sqrt(2), 0.25, 4)
    assert noise_of([3.0] * 5) == (3.0, 0.0, 0.0, 5)
    assert noise_of([1, 2, 4, 1], gaps=[3]).mean_sd == pytest.approx(sqrt(2) * sqrt(1.25 / 0.75 / 4))


@pytest.mark.parametrize("phi", [0.0, 0.5])
def test_the_noise_of_long_series_is_that_they_were_made_with(phi: float) -> None:
    found = noise_of(ar1(20_000, 2.0, phi, seed=1))
    assert (found.mean, found.sd, found.phi) == pytest.approx((100.0, 2.0, phi), abs=0.1)


@pytest.mark.parametrize("cautious", [True, False])
@pytest.mark.parametrize("phi", [0.0, 0.6])
@pytest.mark.parametrize("sd", [0.2, 0.9, 1.5])
def test_steady_noise_raises_no_more_than_the_chart_is_designed_for(
    sd: float, phi: float, cautious: bool
) -> None:
    """4 x 4500 numbers at 36 000 to a false alarm of each side: one is expected, where the noise is not far
    below what matters. Of a Poisson number with mean 1, more than 3 comes in 2 of 100."""
    alarms = 0
    for seed in range(4):
        one = Monitor(0.04, ARL, 30, cautious=cautious)
        before = 0
        for x in ar1(4500, sd, phi, seed):
            state = one.update(x)
            alarms += state != 0 and before == 0
            before = state
    assert alarms <= (0 if sd < 0.5 else 3)


# a step of 8.3 % is one nozzle of twelve, of 5.6 % one of eighteen
@pytest.mark.parametrize(("step", "sd", "phi", "within"), [
    *((-8.3, 0.9, 0.0, 6), (8.3, 0.9, 0.0, 6), (-5.6, 0.9, 0.0, 12)),
    *((-8.3, 1.2, 0.5, 35), (-5.6, 0.7, 0.3, 30)),
])  # fmt: skip
def test_a_step_is_found_soon_and_its_end_too(step: float, sd: float, phi: float, within: int) -> None:
    for seed in range(20):
        one = monitor()
        noise = ar1(240, sd, phi, seed)
        states = [one.update(x + (step if 100 <= n < 170 else 0)) for n, x in enumerate(noise)]
        first = next(n for n, state in enumerate(states) if state)
        assert 100 < first <= 100 + within
        assert states[first] == (1 if step > 0 else -1)
        assert states[169] == states[first]
        assert states[190:] == [0] * 50


def test_one_bump_alone_is_no_change_however_large() -> None:
    for bump in (-90.0, 900.0):
        one = monitor()
        noise = ar1(300, 0.9, 0.0, seed=5)
        noise[150] += bump
        assert not any(one.update(x) for x in noise)


def test_a_slow_drift_is_found_before_it_is_twice_the_change_that_matters() -> None:
    one = monitor()
    for n, x in enumerate(ar1(1500, 0.9, 0.0, seed=6)):
        if one.update(x - 0.02 * max(n - 200, 0)):
            break
    assert 200 < n < 200 + 8 / 0.02
    assert one.state == -1


def test_noise_larger_than_the_change_still_gives_no_false_alarm_in_hours() -> None:
    one = monitor(0.01)
    assert not any(one.update(x) for x in ar1(7200, 2.0, 0.3, seed=8))


def test_a_number_after_a_gap_and_a_new_start() -> None:
    one = monitor()
    for x in ar1(40, 1.0, 0.7, seed=9):
        one.gap()  # each stands alone: no autocorrelation can be seen
        one.update(x)
    assert one.noise is not None
    assert one.noise.phi < 0.1
    one.restart()
    assert not one.state
    assert [one.update(50.0) for _ in range(60)] == [0] * 60
    assert [one.update(53.0) for _ in range(20)][-1] == 1


def test_a_level_that_is_given_is_not_learned() -> None:
    one = Monitor(0.05, ARL, 12, level=0.0, relative=False)
    states = [one.update(x) for x in ar1(60, 0.01, 0.0, seed=3, mean=0.05)]
    assert states[:11] == [0] * 11
    assert states[11:] == [1] * 49  # what the noise was learned from is charted too


def test_a_given_level_looks_back_no_further_than_its_last_alarm() -> None:
    """What raised an alarm that is over is not found again when the noise is learned anew."""
    one = Monitor(0.05, ARL, 12, level=0.0, relative=False)
    noise = ar1(200, 0.01, 0.0, seed=4, mean=0.0)
    away = [x + 0.1 if i < 12 else x for i, x in enumerate(noise)]
    states = [one.update(x) for x in away]
    assert states[11] == 1
    assert states[40:] == [0] * 160


def test_noise_that_lingers_is_learned_from_longer() -> None:
    """Worth twelve independent ones: n (1 - phi) / (1 + phi) = 12 takes 108 at phi = 0.8, and 90 is the end.

    What little was seen of it may look like less, so the middle one of some counts.
    """

    def learned(phi: float) -> int:
        counts = []
        for seed in range(9):
            one = Monitor(0.04, ARL, 30, cautious=False)
            numbers = iter(ar1(200, 1.0, phi, seed=seed))
            while one.noise is None:
                one.update(next(numbers))
            counts.append(one.noise.n)
        assert max(counts) <= 90
        return sorted(counts)[4]

    assert learned(0.0) == 30
    assert learned(0.8) > 50


def test_noise_from_before_that_is_less_by_far_is_not_believed() -> None:
    rough = ar1(30, 1.0, 0.0, seed=6)
    told, alone = monitor(), monitor()
    told.earlier(Noise(0.0, 0.1, 0.0, 100))
    for x in rough:
        told.update(x)
        alone.update(x)
    assert told.noise == alone.noise is not None


def test_the_chart_is_as_designed() -> None:
    """k is half of the change: quiet noise leaves it at one of its own standard deviations."""
    made = cusum_for(2.0, ARL)
    assert (made.k, round(made.arl_well)) == (1.0, 36_000)
    assert made.arl_changed < 6
