"""How sure a count, a rate or a quantile is: intervals from the standard library alone.

`share` is Wilson's score interval (Brown, Cai, DasGupta, Statistical Science 16 (2001) 101, recommend it);
`rate` is the exact one of a Poisson count (Garwood, Biometrika 28 (1936) 437); `quantile` takes order
statistics, whatever the distribution (David, Nagaraja, Order Statistics, 3rd ed., 7.1).
"""

from collections.abc import Callable, Sequence
from math import ceil, exp, inf, lgamma, log, log1p, sqrt
from statistics import NormalDist
from typing import Final, NamedTuple

LEVEL: Final = 0.95
_TAIL: Final = (1 - LEVEL) / 2
_Z: Final = NormalDist().inv_cdf(1 - _TAIL)


class Interval(NamedTuple):
    """An estimate and its two-sided 95 % interval. `inf`: not reached by the numbers that there are."""

    value: float
    low: float
    high: float


def share(k: int, n: int) -> Interval | None:
    """k of n as a share, 0 to 1, by Wilson. None of nothing."""
    if n == 0:
        return None
    p, zz = k / n, _Z * _Z
    middle = (p + zz / (2 * n)) / (1 + zz / n)
    half = _Z * sqrt(p * (1 - p) / n + zz / (4 * n * n)) / (1 + zz / n)
    # at the ends the closed form is exact but for the last digit
    return Interval(p, 0.0 if k == 0 else middle - half, 1.0 if k == n else middle + half)


def rate(k: int, amount: float) -> Interval | None:
    """k events in an amount (hours, say) as events per one of it, by Garwood. None of nothing."""
    if amount <= 0:
        return None
    # low: that mean of which k or more have a chance of 2.5 %; high: k or fewer
    low = 0.0 if k == 0 else _solve(lambda mean: 1 - _poisson_cdf(k - 1, mean) - _TAIL, 0.0, float(k))
    high = _solve(lambda mean: _TAIL - _poisson_cdf(k, mean), float(k), k + 10 + 10 * sqrt(k))
    return Interval(k / amount, low / amount, high / amount)


def quantile(numbers: Sequence[float], p: float) -> Interval | None:
    """The p-quantile (0 < p < 1) of the numbers' distribution; `inf` stands for what took longer than
    anybody waited. None of nothing.

    The estimate is the ceil(p n)-th of n. The interval goes from the l-th to the u-th, the narrowest with no
    more than 2.5 % beyond either: P(B < l) and P(B >= u), B binomial (n, p). Where there are too few numbers
    for such an l or u, the end is 0 or inf.
    """
    n = len(numbers)
    if n == 0:
        return None
    x = sorted(numbers)
    low, high = 0.0, inf
    below = 0.0  # P(B < rank)
    for rank in range(1, n + 1):
        below += _binomial_pmf(rank - 1, n, p)
        if below <= _TAIL:
            low = x[rank - 1]
        if 1 - below <= _TAIL:
            high = x[rank - 1]
            break
    return Interval(x[max(ceil(p * n - 1e-9), 1) - 1], low, high)


def _poisson_cdf(k: int, mean: float) -> float:
    if mean == 0:
        return 1.0
    return min(sum(exp(i * log(mean) - mean - lgamma(i + 1)) for i in range(k + 1)), 1.0)


def _binomial_pmf(k: int, n: int, p: float) -> float:
    return exp(lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1) + k * log(p) + (n - k) * log1p(-p))


def _solve(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a function that rises crosses zero, by bisection."""
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if rising(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
