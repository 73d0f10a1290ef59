"""Creep, frozen and late speed, on a simulated drive: driver, receiver and positions with noise, seeds fixed.

Noise as measured on receivers without static hold: 0.04 m/s white and 0.03 to 0.06 m/s correlated over 2 s;
positions wander by 0.5 m over a minute. The drive is invented: passes of 45 s at 2 m/s, turns at 1.1 m/s.
"""

import random
from collections import deque
from collections.abc import Callable
from math import exp, sqrt
from typing import NamedTuple

import pytest
from helpers import make_rig

from rigmon.core.diagnosis import TESTS
from rigmon.core.speed import SpeedFilter
from rigmon.core.speed_watch import SpeedWatch

TARGET_M_S = 2.0


class Came(NamedTuple):
    """When each came up first [s], and what the watch said of it."""

    creep: tuple[float, float] | None = None
    frozen: tuple[float, float] | None = None
    late: tuple[float, float] | None = None


class Wander:
    """First-order autoregressive noise."""

    def __init__(self, rng: random.Random, sd: float, tau_s: float, step_s: float) -> None:
        self.keep = exp(-step_s / tau_s)
        self.kick = sd * sqrt(1 - self.keep * self.keep)
        self.rng, self.x = rng, 0.0

    def __call__(self) -> float:
        self.x = self.keep * self.x + self.kick * self.rng.gauss(0, 1)
        return self.x


def drive(
    seconds: float,
    *,
    seed: int = 1,
    hz: int = 5,
    wander: float = 0.05,
    correlated: float = 0.03,
    creep: Callable[[float], float] = lambda _t: 0.0,
    lag_s: float = 0.0,
    smoothed_s: float = 0.0,
    frozen: tuple[float, float] = (0.0, 0.0),
    positions: bool = True,
) -> Came:
    rng, step = random.Random(seed), 1 / hz
    driver, receiver = Wander(rng, wander, 8, step), Wander(rng, correlated, 2, step)
    east, north = Wander(rng, 0.5, 60, step), Wander(rng, 0.5, 60, step)
    watch, filtered = SpeedWatch(make_rig(), TESTS), SpeedFilter(0.05, 0.35)
    past: deque[float] = deque(maxlen=round(lag_s * hz) + 1)
    speed = way = smooth = said = before = 0.0
    same, same_since = -1.0, 0
    came: dict[str, tuple[float, float]] = {}
    for k in range(1, round(seconds * hz) + 1):
        t = k * step
        on = t % 55 < 45
        wish = TARGET_M_S * (1 + creep(t)) + driver() if on else 1.1
        speed += max(-0.5 * step, min(0.5 * step, wish - speed))
        way += speed * step
        past.append(speed)
        smooth += (past[0] - smooth) * (1 - exp(-step / smoothed_s) if smoothed_s else 1)
        if not frozen[0] <= t < frozen[1]:
            said = round(abs(smooth + 0.04 * rng.gauss(0, 1) + receiver()) / 0.005) * 0.005
        t_ns = round(t * 1e9)
        if said != same:
            same, same_since = said, t_ns
        filtered.update(t_ns, said)
        now, _ = filtered.at(t_ns)
        lat = 45 + round(north() / 111_132 / 1e-7) * 1e-7 if positions else None
        lon = round((way + east()) / 78_847 / 1e-7) * 1e-7 if positions else None
        watch.take(t_ns, round(step * 1e9), on, 0.5 * (now + before) * step, lat, lon, t_ns, same_since)
        before = now
        for kind, value in (("creep", watch.creep), ("frozen", watch.frozen_m_s), ("late", watch.late_s)):
            if value is not None and kind not in came:
                came[kind] = (t, value)
    return Came(**came)


NOTHING = Came()


@pytest.mark.parametrize(
    ("hz", "wander", "lag_s", "smoothed_s"),
    [(5, 0.05, 0.0, 0.0), (5, 0.1, 0.2, 0.0), (1, 0.05, 0.0, 0.3), (1, 0.1, 0.4, 0.3), (10, 0.2, 0.0, 0.0)],
)
def test_a_healthy_drive_of_an_hour_raises_nothing(
    hz: int, wander: float, lag_s: float, smoothed_s: float
) -> None:
    assert drive(3600, hz=hz, wander=wander, lag_s=lag_s, smoothed_s=smoothed_s, correlated=0.06) == NOTHING


@pytest.mark.parametrize("share", [0.06, -0.06])
def test_a_creep_inside_the_tolerance_is_found_in_minutes(share: float) -> None:
    """The speed creeps away within two minutes and stays 6 % off; the tolerance is 10 %."""
    for seed in range(3):
        came = drive(1000, seed=seed, creep=lambda t: share * min(1.0, max(0.0, (t - 300) / 120)))
        assert came.creep is not None
        assert came.late is came.frozen is None
        t, value = came.creep
        assert 360 < t < 1000
        assert value == pytest.approx(share, abs=0.04)


def test_bumps_of_a_second_are_no_creep() -> None:
    """30 % faster for a second, every twenty seconds."""
    assert drive(1200, creep=lambda t: 0.3 if t % 20 < 1 else 0.0).creep is None


@pytest.mark.parametrize(("hz", "frozen_s"), [(5, 197.0), (1, 197.0)])
def test_a_frozen_speed_is_found_by_the_positions(hz: int, frozen_s: float) -> None:
    """From the middle of a pass into the turn, where the rig is slower by 0.9 m/s."""
    came = drive(240, hz=hz, frozen=(frozen_s, 235.0))
    assert came.frozen is not None
    t, value = came.frozen
    assert 205 < t < 235
    assert value == pytest.approx(-0.6, abs=0.35)
    assert drive(240, hz=hz, frozen=(frozen_s, 235.0), positions=False) == NOTHING


def test_a_frozen_speed_is_found_before_the_next_turn() -> None:
    """The driver's wander adds up to metres while the speed is the same to the last digit."""
    drives = [drive(210, seed=seed, wander=0.2, frozen=(170.0, 210.0)).frozen for seed in range(8)]
    times = sorted(came[0] for came in drives if came is not None)
    assert len(times) == 6  # regression only; chords of eight seconds alone find 4
    assert times[0] > 178  # before eight seconds it is chance


@pytest.mark.parametrize(
    ("hz", "lag_s", "smoothed_s"), [(5, 1.6, 0.0), (5, 0.0, 1.8), (1, 2.0, 0.0), (10, 1.4, 0.3)]
)
def test_a_late_speed_is_found_and_measured(hz: int, lag_s: float, smoothed_s: float) -> None:
    """Dead time and time constant together; the filter of ours adds a little at slow rates."""
    came = drive(900, hz=hz, lag_s=lag_s, smoothed_s=smoothed_s)
    assert came.late is not None
    assert came.late[1] == pytest.approx(lag_s + smoothed_s, abs=0.65)


def test_a_steady_drive_says_nothing_of_lateness() -> None:
    """Without speeding up and slowing down there is only noise, which has no lag."""
    rng = random.Random(5)
    watch = SpeedWatch(make_rig(), TESTS)
    for k in range(1, 18_000):
        t_ns = k * 200_000_000
        watch.take(t_ns, 200_000_000, True, 0.4 + 0.01 * rng.gauss(0, 1), 45.0, k * 5e-6, t_ns, t_ns)
    assert (watch.late_s, watch.frozen_m_s, watch.creep) == (None, None, None)
