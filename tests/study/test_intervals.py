"""Intervals against published values."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon.study.intervals import quantile, rate, share


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        # Newcombe, Statistics in Medicine 17 (1998) 857, Table I, method 3 (Wilson)
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        # hand-worked for all of n: n / (n + z^2) = 200 / (200 + 3.8415)
        (200, 200, 0.98115, 1.0),
    ],
)
def test_wilsons_interval(k: int, n: int, low: float, high: float) -> None:
    found = share(k, n)
    assert found is not None
    assert found.value == k / n
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.parametrize(
    ("k", "low", "high"),
    [
        # Garwood, Biometrika 28 (1936) 437, the table of 95 % limits (as in Pearson and Hartley, table 40)
        (0, 0.0, 3.69),
        (1, 0.0253, 5.57),
        (2, 0.242, 7.22),
        (3, 0.619, 8.77),
        (5, 1.62, 11.67),
        (10, 4.80, 18.39),
        (20, 12.22, 30.89),
        (50, 37.11, 65.92),
    ],
)
def test_garwoods_interval(k: int, low: float, high: float) -> None:
    found = rate(k, 1.0)
    assert found is not None
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-3)
    in_ten = rate(k, 10.0)
    assert in_ten is not None
    assert in_ten == pytest.approx((k / 10, found.low / 10, found.high / 10))


def test_none_in_a_hundred_hours() -> None:
    """Hand-worked: -ln(0.025) / 100."""
    found = rate(0, 100.0)
    assert found is not None
    assert found == pytest.approx((0.0, 0.0, 0.0368888), abs=1e-7)


@pytest.mark.parametrize(
    ("n", "p", "low", "high"),
    [
        # the sign test's interval of the median: Conover, Practical Nonparametric Statistics; from memory
        (6, 0.5, 1, 6),
        (10, 0.5, 2, 9),
        (20, 0.5, 6, 15),
        (25, 0.5, 8, 18),
    ],
)
def test_a_quantile_by_order_statistics(n: int, p: float, low: float, high: float) -> None:
    found = quantile([float(i) for i in range(n, 0, -1)], p)
    assert found is not None
    assert (found.low, found.high) == (low, high)


def test_the_most_of_72_is_above_the_95_th_percentile() -> None:
    """Hand-worked: all of 71 are below it with 0.95^71 = 0.0262, all of 72 with 0.0249."""
    numbers = [float(i) for i in range(72)]
    of_71, of_72 = quantile(numbers[:71], 0.95), quantile(numbers, 0.95)
    assert of_71 is not None
    assert of_72 is not None
    assert (of_71.high, of_72.high) == (inf, 71.0)


def test_what_was_not_found_in_time_takes_longer_than_any() -> None:
    found = quantile([1.0] * 90 + [inf] * 10, 0.95)
    assert found is not None
    assert found.value == inf
    middle = quantile([1.0] * 90 + [inf] * 10, 0.5)
    assert middle == (1.0, 1.0, 1.0)


def test_of_nothing_nothing_is_known() -> None:
    assert share(0, 0) is None
    assert rate(0, 0.0) is None
    assert quantile([], 0.5) is None


@given(st.integers(1, 300), st.data())
def test_estimates_lie_in_their_intervals(n: int, data: st.DataObject) -> None:
    k = data.draw(st.integers(0, n))
    p = data.draw(st.floats(0.01, 0.99))
    for found in (share(k, n), rate(k, float(n)), quantile([float(i) for i in range(n)], p)):
        assert found is not None
        assert 0 <= found.low <= found.value + 1e-12
        assert found.value <= found.high + 1e-12
