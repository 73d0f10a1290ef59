"""The flow coefficient: blocks from boom-on time, settling and lag measured where the boom switches on."""

import dataclasses
import random
from collections.abc import Callable
from math import exp, sqrt

import pytest
from helpers import make_rig

from rigmon.core.coefficient import Block, BoomOn, Coefficient, by_catch_test, by_earlier_run, measured

STEP_S = 0.2
Signal = Callable[[float], float]


def lagged(end: float, tau_s: float, dead_s: float = 0.0) -> Signal:
    """The response of a first-order sensor to a step from nothing at zero."""
    return lambda t: end * (1 - exp(-(t - dead_s) / tau_s)) if t > dead_s else 1e-9


def work(
    boom: BoomOn, flow: Signal, pressure: Signal, *, passes: int = 1, pass_s: float = 40.0, noise: float = 0.0
) -> list[Block]:
    """Passes with the boom on; in between it is off for some time."""
    rng = random.Random(4)
    blocks, t_ns = [], 0
    for _ in range(passes):
        boom.off()
        for n in range(1, round(pass_s / STEP_S) + 1):
            t_ns += round(STEP_S * 1e9)
            q, p = (x(STEP_S * n) * (1 + noise * rng.gauss(0, 1)) for x in (flow, pressure))
            block = boom.take(t_ns, round(STEP_S * 1e9), q, p, seen_off=True)
            blocks += [block] if block else []
        t_ns += 10_000_000_000
    return blocks


def test_blocks_by_hand() -> None:
    """10 s on, 2 s waited out (the sample that ends at 2 s is the last of them): 40 samples of 0.2 s make 8
    blocks. C = 9 / sqrt(225) = 0.6."""
    blocks = work(BoomOn(2.0), lambda _: 9.0, lambda _: 225.0, pass_s=10.0)
    assert [block.t_ns for block in blocks] == [round(n * 1e9) for n in range(3, 11)]
    assert {block[1:4] for block in blocks} == {(9.0, 225.0, 0.6)}
    assert [block.follows for block in blocks] == [False] + [True] * 7
    assert blocks[0].flow_roughness == blocks[0].pressure_roughness == 0.0


def test_what_is_waited_out_never_shows() -> None:
    """Flow is at its end at once, the pressure with 0.6 s: unsettled C would be far too high."""
    blocks = work(BoomOn(), lambda _: 9.0, lagged(225.0, 0.6), passes=4)
    assert all(block.coefficient == pytest.approx(0.6, rel=0.003) for block in blocks)
    assert len(blocks) > 4 * 34


def test_a_boom_that_was_on_from_the_start_is_no_rise() -> None:
    boom = BoomOn()
    for n in range(1, 60):
        boom.take(n * 200_000_000, 200_000_000, 9.0, 225.0, seen_off=False)
    assert boom.lag_ns == 0
    assert boom.settling_ns == 4_000_000_000


@pytest.mark.parametrize(
    ("tau_s", "waited_s"),
    # within 3 % after 3.5 tau: exp(-3.5) = 0.03; the mean of a second is later by half of it; 1 s to be sure
    [(0.05, 1.6), (0.6, 3.9), (1.2, 5.9)],
)
def test_settling_is_measured(tau_s: float, waited_s: float) -> None:
    boom = BoomOn()
    work(boom, lagged(9.0, tau_s), lagged(225.0, 0.05), passes=4)
    assert boom.settling_ns / 1e9 == pytest.approx(waited_s, abs=0.7)
    fixed = BoomOn(2.5)
    work(fixed, lagged(9.0, tau_s), lagged(225.0, 0.05), passes=4)
    assert fixed.settling_ns == 2_500_000_000


@pytest.mark.parametrize("noise", [0.0, 0.015])
@pytest.mark.parametrize(("dead_s", "tau_s"), [(0.0, 0.5), (0.4, 0.3), (0.8, 0.2)])
def test_the_effective_lag_is_dead_time_and_time_constant(dead_s: float, tau_s: float, noise: float) -> None:
    """Either way round: the flow is late, or the pressure. The other is at its end within a sample. A root
    rises sooner than what is under it: the integral of 1 - sqrt(1 - exp(-t)) is 2 - 2 ln 2 = 0.614."""
    late = BoomOn()
    work(late, lagged(9.0, tau_s, dead_s), lambda _: 225.0, passes=5, noise=noise)
    assert late.lag_ns / 1e9 == pytest.approx(dead_s + tau_s, abs=0.13)  # sampled each 0.2 s
    early = BoomOn()
    work(early, lambda _: 9.0, lagged(225.0, tau_s, dead_s), passes=5, noise=noise)
    assert early.lag_ns / 1e9 == pytest.approx(-(dead_s + 0.614 * tau_s), abs=0.13)


def test_the_sensor_that_is_ahead_is_held_back() -> None:
    """The pressure swings slowly by 20 %, the flow follows 0.8 s later by the orifice law: aligned, C is
    steady; unaligned it would swing by 0.5 x 20 % x 0.8 s x (2 pi / 10 s) = 5 %."""

    def swing(t: float) -> float:
        x = (t / 10) % 1
        return 1 + 0.2 * (1 - abs(4 * x - 2)) * (1 if t > 8 else 0)  # a triangle, steady while it rises

    def flow(t: float) -> float:
        return 9.0 * sqrt(swing(t - 0.8)) if t > 0.8 else 1e-9

    def spread(blocks: list[Block]) -> float:
        c = [block.coefficient for block in blocks]
        return max(c) / min(c) - 1

    boom = BoomOn(4.0)
    before = work(boom, flow, lambda t: 225.0 * swing(t), passes=3)
    assert spread(before) > 0.04
    assert boom.lag_ns == pytest.approx(0.8e9, abs=0.13e9)
    assert spread(work(boom, flow, lambda t: 225.0 * swing(t))) < 0.025


def test_off_drops_what_was_begun() -> None:
    boom = BoomOn(1.5)
    assert work(boom, lambda _: 9.0, lambda _: 225.0, pass_s=2.2, passes=10) == []


def test_roughness_is_the_relative_size_of_the_steps() -> None:
    """Independent noise of 2 % steps by sqrt(2) 2 %: mean square 8e-4; of 0 there is none."""
    blocks = work(BoomOn(), lambda _: 9.0, lambda _: 225.0, pass_s=400.0, noise=0.02)
    for kind in ("flow_roughness", "pressure_roughness"):
        assert sum(getattr(b, kind) for b in blocks) / len(blocks) == pytest.approx(8e-4, rel=0.05)


def test_what_the_catch_test_and_an_earlier_run_make_of_it() -> None:
    """Hand-worked: 6 L/min at 200 kPa: 0.42426; u sqrt(2.5^2 + (2/2)^2) = 2.693 %. An earlier run that ended
    at 5.9 L/min there: 0.41719, half of sqrt(2^2 + (2/2)^2), 1.118 %."""
    rig = make_rig(flow={"source": "xdr"}, pressure={"source": "xdr"})
    catch, earlier = by_catch_test(rig), by_earlier_run(rig, 5.9)
    assert catch is not None
    assert earlier is not None
    assert catch == pytest.approx((0.424264, 2.692582), rel=1e-5)
    assert earlier == pytest.approx((0.417193, 1.118034), rel=1e-5)
    assert catch.flow_l_min(200.0) == pytest.approx(6.0)
    assert measured(rig, 0.42, 0.3) == pytest.approx(Coefficient(0.42, sqrt(4 + 1 + 0.09)))


def test_without_a_calibrated_pressure_nothing_is_expected() -> None:
    rig = make_rig()
    assert rig.calibration is not None
    bare = dataclasses.replace(rig.calibration, pressure_kpa=None)
    for known in (bare, None):
        without = dataclasses.replace(rig, calibration=known)
        assert by_catch_test(without) is None
        assert by_earlier_run(without, 5.9) is None
