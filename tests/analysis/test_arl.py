"""Average run lengths against published tables and an independent solver, and our ways among themselves.

"spc": the R package spc 0.6.7 (xcusum.arl, xcusum.ad, xcusum.crit, xewma.arl, xewma.crit), which solves the
integral equation; run once, its numbers copied. They equal the tables in print as far as those go:
Montgomery, Introduction to Statistical Quality Control (CUSUM), and Lucas and Saccucci, Technometrics 32
(1990) 1-12 (EWMA), both quoted from memory.
"""

import math

import numpy as np
import pytest

from rigmon.analysis import arl
from rigmon.core import design

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)

# spc; Montgomery prints 168 74.2 26.6 13.3 8.38 4.75 3.34 2.62 2.19 1.71 and 465 139 38.0 17.0 10.4 5.75
CUSUM = {
    4: (167.68, 74.22, 26.63, 13.29, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    5: (465.44, 139.49, 38.00, 17.05, 10.38, 5.75, 4.01, 3.11, 2.57, 2.01),
}
# spc, one-sided; NIST/SEMATECH e-Handbook 6.3.2.3.1 prints 336 and 930 without shift
CUSUM_ONE_SIDED = {4: (335.37, 77.08, 26.68, 13.29, 8.38), 5: (930.89, 141.69, 38.01, 17.05, 10.38)}
# spc; Lucas and Saccucci (1990), as Montgomery prints them: lambda, limit
EWMA = {
    (0.40, 3.054): (500, 224, 71.2, 28.4, 14.3, 5.87, 3.52, 2.54, 2.02, 1.44),
    (0.25, 2.998): (500, 170, 48.3, 20.1, 11.1, 5.46, 3.61, 2.74, 2.26, 1.73),
    (0.20, 2.962): (500, 150, 41.8, 18.2, 10.5, 5.50, 3.74, 2.88, 2.38, 1.86),
    (0.10, 2.814): (500, 106, 31.3, 15.9, 10.3, 6.08, 4.36, 3.44, 2.87, 2.19),
    (0.05, 2.615): (500, 84.0, 28.8, 16.4, 11.4, 7.11, 5.22, 4.17, 3.50, 2.69),
}


def printed(value: float, digits: int = 3) -> object:
    """Equal to the digits in print: half a unit of the last, and a little for a figure cut off."""
    return pytest.approx(value, abs=0.6 * 10 ** (math.floor(math.log10(value)) - digits + 1))


@pytest.mark.parametrize("h", CUSUM)
@pytest.mark.parametrize("way", [arl.cusum_arl, arl.cusum_arl_chain])
def test_the_two_sided_cusum_table(h: int, way: object) -> None:
    assert callable(way)
    found = [way(0.5, h, shift) for shift in SHIFTS]
    assert found == pytest.approx(CUSUM[h], abs=0.006)
    assert found == pytest.approx(CUSUM[h], rel=0.003)


@pytest.mark.parametrize("h", CUSUM_ONE_SIDED)
def test_the_one_sided_cusum_table_also_by_the_cores_solver(h: int) -> None:
    for shift, value in zip(SHIFTS, CUSUM_ONE_SIDED[h], strict=False):
        for found in (
            arl.cusum_arl(0.5, h, shift, sides=1),
            arl.cusum_arl_chain(0.5, h, shift, sides=1),
            design.cusum_arl(0.5, h, shift),
        ):
            assert found == pytest.approx(value, abs=0.006)
    # NIST's 930 for 930.887 is cut off
    assert arl.cusum_arl(0.5, h, sides=1) == pytest.approx({4: 336, 5: 930}[h], rel=0.002)


@pytest.mark.parametrize("chart", EWMA)
@pytest.mark.parametrize("way", [arl.ewma_arl, arl.ewma_arl_chain])
def test_the_ewma_table(chart: tuple[float, float], way: object) -> None:
    assert callable(way)
    step = 1 if way is arl.ewma_arl else 4  # chains cost more: shifts of 0, 1 and 3
    for shift, value in zip(SHIFTS[::step], EWMA[chart][::step], strict=True):
        assert way(*chart, shift) == printed(value)


def test_the_habit_of_three_sigma_is_wrong_for_an_ewma() -> None:
    """spc: lambda 0.1 with limit 2.703 has 371.9, with limit 3 it has 842."""
    assert arl.ewma_arl(0.1, 2.703) == printed(371.9, 4)
    assert arl.ewma_arl(0.1, 3) == printed(842)


def test_a_chart_without_memory_is_shewharts() -> None:
    """From memory, any textbook: 3 sigma limits have 370.4, with a shift of one sigma 43.89. spc: 370.40."""
    for way in (arl.ewma_arl, arl.ewma_arl_chain):
        assert way(1.0, 3.0) == pytest.approx(370.40, abs=0.006)
        assert way(1.0, 3.0, 1.0) == pytest.approx(43.89, abs=0.006)


@pytest.mark.parametrize(("h", "well", "shifted", "steady"), [(5, 430.4, 6.35, 9.65), (4, 148.7, 5.29, 7.72)])
def test_a_head_start_and_the_steady_state(h: float, well: float, shifted: float, steady: float) -> None:
    """spc: head start h/2, two-sided (Lucas and Crosier 1982 tabulate it); steady state one-sided."""
    assert arl.cusum_arl(0.5, h, head_start=h / 2) == printed(well, 4)
    assert arl.cusum_arl(0.5, h, 1.0, head_start=h / 2) == printed(shifted)
    assert arl.cusum_arl_steady(0.5, h, 1.0) == printed(steady)
    one_sided = arl.cusum_arl(0.5, h, 1.0, sides=1, head_start=h / 2)
    assert design.cusum_arl(0.5, h, 1.0, start=h / 2) == pytest.approx(one_sided, rel=1e-9)


# D. M. Hawkins, J. Quality Technology 25 (1993), in Montgomery, from memory: k and h for an ARL of about 370;
# beside them spc's ARL for these
@pytest.mark.parametrize(
    ("k", "h", "well"),
    [
        *((0.25, 8.01, 370.3), (0.5, 4.77, 368.6), (0.75, 3.34, 370.6)),
        *((1.0, 2.52, 372.8), (1.25, 1.99, 373.5), (1.5, 1.61, 376.3)),
    ],
)
def test_hawkinss_pairs_and_their_inverse(k: float, h: float, well: float) -> None:
    assert arl.cusum_arl(k, h) == printed(well, 4)
    assert arl.cusum_limit(k, 370) == pytest.approx(h, abs=0.011)
    assert arl.reference_value(2 * k) == k


@pytest.mark.parametrize(
    ("well", "h"),
    [(3600, 7.033), (14_400, 8.417), (28_800, 9.110), (36_000, 9.333), (144_000, 10.719)],
)
def test_the_limit_for_a_wanted_false_alarm_rate(well: float, h: float) -> None:
    """spc, k = 0.5, two-sided; a one-sided chart of twice the ARL has the same limit."""
    assert arl.cusum_limit(0.5, well) == pytest.approx(h, abs=0.0006)
    assert design.cusum_limit(0.5, 2 * well) == pytest.approx(h, abs=0.0006)


def test_the_inverse_of_the_ewma_and_long_charts() -> None:
    """spc: 4.096 for lambda 0.2 and 28 800; h = 9: 103, 18.4, 6.7, 4.2 for 0.5, 1, 2, 3 sigma."""
    assert arl.ewma_limit(0.2, 28_800) == pytest.approx(4.096, abs=0.0006)
    assert arl.ewma_arl(0.1, arl.ewma_limit(0.1, 500)) == pytest.approx(500, rel=1e-6)
    assert [arl.cusum_arl(0.5, 9, shift) for shift in (0.5, 1, 2, 3)] == [
        printed(103), printed(18.4), printed(6.7, 2), printed(4.2, 2)
    ]  # fmt: skip


# -- simulation --------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0])
def test_simulation_agrees_within_its_interval(shift: float) -> None:
    """The interval is one of 95 %; with the seed fixed each either holds it or not, for good."""
    cusum = arl.simulate_cusum(0.5, 4, shift, runs=3000, seed=3)
    assert cusum.low < arl.cusum_arl(0.5, 4, shift) < cusum.high
    ewma = arl.simulate_ewma(0.2, 2.5, shift, runs=3000, seed=3)
    assert ewma.low < arl.ewma_arl(0.2, 2.5, shift) < ewma.high
    assert (cusum.high - cusum.low) / cusum.arl < 0.08


def test_simulation_of_one_side_and_of_a_head_start() -> None:
    found = arl.simulate_cusum(0.5, 3, sides=1, head_start=1.5, runs=3000)
    assert found.low < arl.cusum_arl(0.5, 3, sides=1, head_start=1.5) < found.high


# two-sided k = 0.5, h = 5 on AR(1) numbers of variance 1; simulated elsewhere with 4000 runs, +-2 %
@pytest.mark.parametrize(("phi", "well"), [(0.25, 123), (0.5, 51), (0.75, 32), (0.9, 29)])
def test_autocorrelation_destroys_the_tables(phi: float, well: float) -> None:
    found = arl.simulate_cusum(0.5, 5, phi=phi, runs=3000, seed=2)
    assert found.arl == pytest.approx(well, rel=0.06)


# -- the core's solver -------------------------------------------------------------------------------


@pytest.mark.parametrize("k", [0.1, 0.25, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("well", [50.0, 3600.0, 1e6])
def test_the_cores_limits_have_the_arl_they_promise(k: float, well: float) -> None:
    made = design.cusum_for(2 * k, well)
    assert made.arl_well == pytest.approx(well, rel=1e-6)
    for value, shift in ((made.arl_well, 0.0), (made.arl_changed, 2 * k)):
        assert value == pytest.approx(arl.cusum_arl(made.k, made.h, shift, sides=1, nodes=200), rel=1e-5)
        assert value == pytest.approx(
            arl.cusum_arl_chain(made.k, made.h, shift, sides=1, states=80), rel=1e-3
        )


def test_where_the_first_number_decides_the_limit_stays_above_zero() -> None:
    """k = 4 alone has an ARL of some 1 / 3.2e-5 without any limit."""
    made = design.cusum_for(8.0, 100.0)
    assert made.h == 0.05
    assert made.arl_well > 100


@pytest.mark.parametrize(("h", "approximation"), [(4, 169.05), (5, 469.11)])
def test_siegmunds_approximation(h: float, approximation: float) -> None:
    """Hand-worked from the formula with k = 0.5, two-sided is half of one-sided; within 1 % of the truth."""
    assert design.siegmund_arl(0.5, h) / 2 == pytest.approx(approximation, abs=0.006)
    assert design.siegmund_arl(0.5, h) / 2 == pytest.approx(arl.cusum_arl(0.5, h), rel=0.01)
    assert design.siegmund_arl(0.5, h, 0.5) == pytest.approx((h + 1.166) ** 2)


def test_the_cores_own_arithmetic() -> None:
    """Against the standard library's erf and numpy's rule."""
    for n in range(-160, 161):
        x = n / 20
        assert design.normal_cdf(x) == pytest.approx(0.5 * math.erfc(-x / math.sqrt(2)), abs=5e-13)
        density = math.exp(-x * x / 2) / math.sqrt(2 * math.pi)
        assert design.normal_density(x) == pytest.approx(density, rel=1e-13)
    assert (design.normal_cdf(9.0), design.normal_cdf(-9.0)) == (1.0, 0.0)
    for n in (1, 2, 7, 40, 101):
        nodes, weights = design.gauss_legendre(n)
        expected = np.polynomial.legendre.leggauss(n)
        assert nodes == pytest.approx(expected[0].tolist(), abs=1e-14)
        assert weights == pytest.approx(expected[1].tolist(), abs=1e-13)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: design.cusum_limit(0.5, 1.0), "arl = 1.0"),
        (lambda: design.cusum_limit(0.0, 100.0), "k = 0.0"),
        (lambda: design.cusum_for(-1.0, 100.0), "change_sd = -1.0"),
        (lambda: arl.cusum_limit(0.5, 1e10), "arl = 1e"),
        (lambda: arl.ewma_limit(0.2, 1.0), "arl = 1"),
    ],
)
def test_what_cannot_be_designed_is_refused(call: object, words: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.parametrize("k", [0.2, 0.4, 0.7, 1.0, 1.2])
@pytest.mark.parametrize("length", [1000, 2880, 288_000, 10_000_000])
def test_the_limit_in_closed_form_is_that_of_the_integral_equation(k: float, length: int) -> None:
    assert arl.cusum_arl(k, design.quick_limit(k, length), sides=1) == pytest.approx(length, rel=0.02)


@pytest.mark.parametrize(("k", "h"), [(0.5, 4.0), (0.5, 5.0), (1.0, 5.494)])
def test_the_winsorised_chart_without_a_bound_is_the_plain_one(k: float, h: float) -> None:
    for shift in (0.0, 1.0, 2.0):
        plain = arl.cusum_arl(k, h, shift, sides=1)
        assert design.winsorised_arl(k, h, 30.0, shift) == pytest.approx(plain, rel=0.01)


def test_a_bound_makes_a_chart_slower_by_simulation() -> None:
    """k 0.5, h 3, no number above 1.2: 8000 runs each, whose mean is good to 1.1 % (they scatter by the mean
    itself when all is well)."""
    rng = np.random.default_rng(5)
    for shift in (0.0, 1.0):
        total, length = np.zeros(8_000), np.zeros(8_000)
        running = np.ones(8_000, dtype=bool)
        while running.any():
            z = np.minimum(rng.standard_normal(int(running.sum())) + shift, 1.2)
            total[running] = np.maximum(total[running] + z - 0.5, 0)
            length[running] += 1
            running &= total <= 3
        found = design.winsorised_arl(0.5, 3.0, 1.2, shift)
        assert found == pytest.approx(float(length.mean()), rel=0.03)
        assert found > arl.cusum_arl(0.5, 3.0, shift, sides=1)
