"""Control charts, against printed worked examples and against their definitions worked the slow way."""

from math import isclose, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.charts import Cusum, Ewma, StepGlr, TwoSidedCusum, Whitener

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (CUSUM control charts), worked example: target 325,
# k = 0.3175 and h = 4.1959 in the unit of the data, twenty group means.
NIST_CUSUM = (
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
)
NIST_HIGH = (
    *(0.0, 0.0, 0.0, 0.0, 0.03, 0.0, 0.0, 0.0, 0.0, 0.0),
    *(0.0, 0.0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04),
)
NIST_LOW = (0.0, 0.01, 0.0, 0.33, 0.0, 0.0, 0.56, 0.72, 0.17, 0.25, 0.31, *([0.0] * 9))

# The same, 6.3.2.4 (EWMA control charts), worked example: lambda 0.3, EWMA0 50, s 2.0539, three sigma limits,
# UCL 52.5884 and LCL 47.4115 as printed (52.588431, 47.411569: the handbook cuts off).
NIST_EWMA = (
    *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
)
NIST_AVERAGES = (
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
)

numbers = st.lists(st.floats(-6, 6), min_size=1, max_size=60)


def test_the_cusum_of_nists_example() -> None:
    """To the printed digits, which are rounded from sums that the handbook carries on unrounded."""
    chart = TwoSidedCusum(0.3175, 4.1959)
    signals = []
    for x, high, low in zip(NIST_CUSUM, NIST_HIGH, NIST_LOW, strict=True):
        signals.append(chart.update(x - 325))
        assert chart.high.total == pytest.approx(high, abs=0.0051)
        assert chart.low.total == pytest.approx(low, abs=0.0051)
    # first out at the 14th group, and out from then on
    assert signals == [0] * 13 + [1] * 7


def test_when_and_by_how_much_in_nists_example() -> None:
    """Hand-worked: the sum left zero at group 13, so 8 groups; k + S/n = 0.3175 + 19.04/8 = 2.6975."""
    chart = Cusum(0.3175, 4.1959)
    for x in NIST_CUSUM:
        chart.update(x - 325)
    assert chart.since == 8
    assert chart.mean == pytest.approx(sum(NIST_CUSUM[12:]) / 8 - 325, abs=1e-9)
    assert chart.mean == pytest.approx(2.6975, abs=0.001)


def test_the_ewma_of_nists_example() -> None:
    chart = Ewma(0.3, 3, target=50, sd=2.0539)
    assert 50 + chart.limit == pytest.approx(52.5884, abs=0.0001)
    assert 50 - chart.limit == pytest.approx(47.4115, abs=0.0001)
    for x, printed in zip(NIST_EWMA, NIST_AVERAGES, strict=True):
        assert chart.update(x) == 0
        assert chart.average == pytest.approx(printed, abs=0.0051)


def test_the_exact_limits_widen_to_those_of_the_long_run() -> None:
    """Hand-worked: after the first number E has the standard deviation lam sd = 0.3; after many
    sqrt(0.3 / 1.7) = 0.42008."""
    chart, wide = Ewma(0.3, 2, exact=True), Ewma(0.3, 2)
    limits = []
    for _ in range(60):
        chart.update(0.0)
        limits.append(chart.limit)
    assert limits[0] == pytest.approx(2 * 0.3, rel=1e-12)
    assert limits == sorted(limits)
    assert limits[-1] == pytest.approx(wide.limit, rel=1e-9)
    assert wide.limit == pytest.approx(2 * 0.42008, rel=1e-4)


@pytest.mark.parametrize(("x", "sign"), [(9.0, 1), (-9.0, -1)])
def test_each_side_signals_its_own(x: float, sign: int) -> None:
    cusum, ewma = TwoSidedCusum(0.5, 5.0), Ewma(0.2, 3.0)
    assert [cusum.update(x), ewma.update(x)] == [sign, sign]
    cusum.reset()
    ewma.reset()
    assert [cusum.update(0.1 * sign), ewma.update(0.1 * sign)] == [0, 0]


def test_a_head_start_answers_sooner_and_is_worn_off_by_good_numbers() -> None:
    """Hand-worked, h = 5, k = 0.5, numbers of 1.5: the sum rises by 1; from 2.5 it goes 3.5, 4.5, 5.5,
    from 0 it is above 5 at the sixth."""

    def run_length(head_start: float) -> int:
        chart = Cusum(0.5, 5.0, head_start)
        return next(n for n in range(1, 99) if chart.update(1.5))

    assert (run_length(2.5), run_length(0.0)) == (3, 6)
    chart = Cusum(0.5, 5.0, 2.5)
    for _ in range(5):
        assert not chart.update(0.0)
    assert chart.total == 0.0
    chart.reset()
    assert (chart.total, chart.since) == (2.5, 0)


@given(numbers)
def test_a_cusum_is_the_rise_above_its_lowest_point(z: list[float]) -> None:
    """Page's other form: S[n] = C[n] - min(C[0..n]), with C the running sum of z - k."""
    chart = Cusum(0.5, 5.0)
    c = lowest = 0.0
    for number in z:
        chart.update(number)
        c += number - 0.5
        lowest = min(lowest, c)
        assert isclose(chart.total, c - lowest, abs_tol=1e-9)


@given(numbers, st.integers(1, 20))
def test_the_likelihood_ratio_is_the_best_over_all_steps(z: list[float], window: int) -> None:
    """Against every step worked out on its own: the mean's square times its length, halved."""
    test = StepGlr(8.0, window)
    for number in z:
        fired = test.update(number)
    tails = [z[len(z) - j :] for j in range(1, min(len(z), window) + 1)]
    assert test.statistic == pytest.approx(max(sum(t) ** 2 / len(t) / 2 for t in tails), abs=1e-9)
    assert fired == (test.statistic > 8.0)
    if test.length:
        tail = tails[test.length - 1]
        assert test.size == pytest.approx(sum(tail) / len(tail), abs=1e-9)
        assert test.size_sd == pytest.approx(1 / sqrt(len(tail)))


def test_the_likelihood_ratio_finds_time_and_size_of_a_step() -> None:
    """Hand-worked: six of -2 after quiet: g = (6 x 2)^2 / (2 x 6) = 12; seven more quiet ones would be a
    mean of 12/13 only."""
    test = StepGlr(11.9, 30)
    assert not any(test.update(0.0) for _ in range(10))
    fired = [test.update(-2.0) for _ in range(6)]
    assert fired == [False] * 5 + [True]
    assert (test.length, test.size, test.statistic) == (6, -2.0, 12.0)
    test.reset()
    assert (test.size_sd, test.update(0.0)) == (None, False)


def test_steps_that_are_too_short_are_left_out() -> None:
    test = StepGlr(4.0, 10, shortest=3)
    assert not test.update(9.0)
    assert not test.update(0.0)
    assert test.update(0.0)
    assert test.length == 3


@given(numbers, st.floats(-0.95, 0.95), st.floats(0.1, 9.0))
def test_a_whitener_gives_back_the_noise_that_drove_the_process(
    e: list[float], phi: float, variance: float
) -> None:
    sd = sqrt(variance)
    whitener = Whitener(phi, variance, mean=5.0)
    x = sd * e[0]
    assert whitener.update(5.0 + x) == pytest.approx(e[0], abs=1e-6)
    for drive in e[1:]:
        x = phi * x + sd * sqrt(1 - phi * phi) * drive
        assert whitener.update(5.0 + x) == pytest.approx(drive, abs=1e-6)


def test_what_a_whitener_leaves_of_a_step_and_after_a_gap() -> None:
    """Hand-worked: phi 0.6, variance 4: residual sd 1.6, a step of 3 leaves 3 (1 - 0.6) / 1.6 = 0.75, which
    is 3/2 x sqrt(0.4 / 1.6) = 0.75; after a gap 3/2."""
    whitener = Whitener(0.6, 4.0)
    whitener.update(3.0)
    assert whitener.update(3.0) == pytest.approx(0.75)
    assert 1.5 * whitener.gain == pytest.approx(0.75)
    whitener.reset()
    assert whitener.update(3.0) == 1.5


@pytest.mark.parametrize(
    "make",
    [
        lambda: Cusum(-0.1, 5.0),
        lambda: Cusum(0.5, 0.0),
        lambda: Cusum(0.5, 5.0, 5.1),
        lambda: TwoSidedCusum(0.5, 5.0, -1.0),
        lambda: Ewma(0.0, 3.0),
        lambda: Ewma(1.1, 3.0),
        lambda: Ewma(0.2, 0.0),
        lambda: Ewma(0.2, 3.0, sd=0.0),
        lambda: StepGlr(0.0, 10),
        lambda: StepGlr(4.0, 10, shortest=11),
        lambda: Whitener(1.0, 1.0),
        lambda: Whitener(0.5, 0.0),
    ],
)
def test_settings_that_cannot_be_are_refused(make: object) -> None:
    with pytest.raises(ValueError, match="must"):
        make()  # type: ignore[operator]
