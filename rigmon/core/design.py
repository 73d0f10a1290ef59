"""Limits of a CUSUM from what a person can say: false alarms per hour, and the smallest change that matters.

The average run length (ARL) of a one-sided CUSUM of independent standard normal numbers whose mean is `shift`
solves Page's integral equation

    L(s) = 1 + L(0) F(k - shift - s) + integral from 0 to h of L(x) f(x + k - shift - s) dx

(f, F: normal density and distribution; Page 1954; van Dobben de Bruyn, Cumulative Sum Tests, 1968). It is
solved by Gauss-Legendre quadrature at its own nodes (Nystroem), which is right to many digits with some tens
of nodes. The first guess of the inverse is Siegmund's approximation (Sequential Analysis, 1985).

Only + - * / are used, here too: the limits decide when an alert comes, so they must be the same to
the bit on every machine. `rigmon.analysis.arl` works out the same by other ways, and the tests compare them.
"""

from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple

#: 1 / sqrt(2 pi)
_DENSITY_0: Final = 0.3989422804014327
_PI: Final = 3.141592653589793
#: a CUSUM's run lengths are as if its limit lay this much further off (Siegmund 1985)
_OVERSHOOT: Final = 1.166
#: run lengths that can be asked for
_SHORTEST: Final = 2.0
_LONGEST: Final = 1e9


class Design(NamedTuple):
    """A one-sided CUSUM in standard deviations, and what it does."""

    k: float
    h: float
    arl_well: float  #: numbers to a false alarm, on average
    arl_changed: float  #: numbers to the alarm when the mean is off by the smallest change that matters


@lru_cache(maxsize=64)
def cusum_for(change_sd: float, arl_well: float) -> Design:
    """The one-sided CUSUM with a wanted ARL when all is well, quickest for a change of `change_sd`.

    The reference value is half of the change (Lorden 1971, Moustakides 1986: no test is quicker for the same
    ARL). Raises ValueError for a change not in (0, 20] or an ARL not in [2, 1e9].
    """
    if not 0 < change_sd <= 20:
        raise ValueError(f"change_sd = {change_sd} must be above 0 and at most 20")
    k = change_sd / 2
    h = cusum_limit(k, arl_well)
    return Design(k, h, cusum_arl(k, h), cusum_arl(k, h, change_sd))


def cusum_limit(k: float, arl: float) -> float:
    """The decision limit h at which a one-sided CUSUM's ARL is `arl` when all is well; at least 0.05.

    Raises ValueError for an ARL not in [2, 1e9] or k not in (0, 10].
    """
    if not _SHORTEST <= arl <= _LONGEST:
        raise ValueError(f"arl = {arl} must be from {_SHORTEST} to {_LONGEST:g}")
    if not 0 < k <= 10:
        raise ValueError(f"k = {k} must be above 0 and at most 10")
    low = 0.05
    if cusum_arl(k, low) >= arl:
        return low  # with so large a reference value the first number decides
    goal = _log(arl)
    h = max(_siegmund_limit(k, arl), 0.1)
    low_off, high = _log(cusum_arl(k, low)) - goal, 0.0
    for _ in range(40):
        off = _log(cusum_arl(k, h)) - goal
        if -1e-7 < off < 1e-7:
            break
        if off < 0:
            low, low_off = h, off
        else:
            high = h
        # log ARL rises nearly in a line with h: its slope is 2 k far out, steeper near zero
        step = (
            h - off / (2 * k)
            if high == 0.0 or h > 2
            else low - low_off * (h - low) / (off - low_off + 1e-300)
        )
        h = step if low < step and (high == 0.0 or step < high) else (low + (high or 2 * h)) / 2
    return h


def cusum_arl(k: float, h: float, shift: float = 0.0, start: float = 0.0) -> float:
    """ARL of a one-sided CUSUM (k, h) that begins at `start`, from 0 to h, of numbers with mean `shift`.

    Independent and normal with standard deviation 1. Right to better than 1e-5 of it for h up to 40.
    """
    n = 10 + int(2.2 * h)
    nodes, weights = gauss_legendre(n)
    half = 0.5 * h
    x = [0.0, *(half * (1 + node) for node in nodes)]
    w = [half * weight for weight in weights]
    a = k - shift
    rows = []
    for i, s in enumerate(x):
        row = [-normal_cdf(a - s)]
        row += [-weight * normal_density(xj + a - s) for weight, xj in zip(w, x[1:], strict=True)]
        row[i] += 1.0
        row.append(1.0)
        rows.append(row)
    length = _solve(rows)
    if start == 0.0:
        return length[0]
    total = 1 + length[0] * normal_cdf(a - start)
    for weight, xj, value in zip(w, x[1:], length[1:], strict=True):
        total += weight * value * normal_density(xj + a - start)
    return total


def siegmund_arl(k: float, h: float, shift: float = 0.0) -> float:
    """Siegmund's approximation: (exp(-2 D b) + 2 D b - 1) / (2 D^2), D = shift - k, b = h + 1.166.

    Montgomery gives it, with b^2 for D = 0; within a few % for ARLs of use and k up to 1.
    """
    drift, b = shift - k, h + _OVERSHOOT
    if -1e-9 < drift < 1e-9:
        return b * b
    return (exponential(-2 * drift * b) + 2 * drift * b - 1) / (2 * drift * drift)


def quick_limit(k: float, arl: float) -> float:
    """`cusum_limit` in closed form, for k from 0.2 to 1.2 and an ARL from 1000.

    Siegmund's approximation solved for h, with 0.028 k^2 for what it leaves out, fitted to the integral
    equation. The ARL at the limit is right to 2 %. A limit that is needed while sensors are read may not cost
    a tenth of a second.
    """
    wide = _siegmund_limit(k, arl) + _OVERSHOOT
    for _ in range(3):
        wide = _log(2 * k * k * arl + 1 + 2 * k * wide) / (2 * k)
    return wide - _OVERSHOOT + 0.028 * k * k


def winsorised_arl(k: float, h: float, most: float, shift: float = 0.0) -> float:
    """ARL of a one-sided CUSUM (k, h) of normal numbers with mean `shift` that count for `most` at most.

    By the Markov chain of Brook and Evans, Biometrika 59 (1972) 539-549: the sum in 120 cells, right to 1 %.
    """
    n = 120
    width = 2 * h / (2 * n - 1)  # the first cell is half as wide: the sum is often zero
    # numbers that are cut off all make the same step: they are shared by the two cells it leads between
    cut_off = 1 - normal_cdf(most - shift)
    step = (most - k) / width
    whole = int(step)
    part = step - whole

    def below(z: float) -> float:
        return normal_cdf((z if z < most else most) - shift)

    rows = []
    for i in range(n):
        steps = [below((j + 0.5 - i) * width + k) for j in range(n)]
        row = [-steps[0], *(a - b for a, b in pairwise(steps))]
        for j, share in ((i + whole, 1 - part), (i + whole + 1, part)):
            if j < n:
                row[j] -= share * cut_off
        row[i] += 1.0
        row.append(1.0)
        rows.append(row)
    return _solve(rows)[0]


def _siegmund_limit(k: float, arl: float) -> float:
    return _log(2 * k * k * arl + 1) / (2 * k) - _OVERSHOOT


# -- arithmetic that is the same everywhere ----------------------------------------------------------


def normal_density(x: float) -> float:
    """Density of the standard normal distribution."""
    return _DENSITY_0 * exponential(-0.5 * x * x) if -38 < x < 38 else 0.0


def normal_cdf(x: float) -> float:
    """Distribution of the standard normal: Marsaglia's series (J. Statistical Software 11(5), 2004).

    1/2 + f(x) (x + x^3/3 + x^5/(3 5) + ...); absolute error some 1e-13.
    """
    if x > 8.5:
        return 1.0
    if x < -8.5:
        return 0.0
    term = total = x
    square = x * x
    n = 1
    while term > 1e-17 * total if x > 0 else term < 1e-17 * total:
        n += 2
        term *= square / n
        total += term
    return 0.5 + total * normal_density(x)


@lru_cache(maxsize=16)
def gauss_legendre(n: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Nodes in (-1, 1), rising, and weights of the n-point rule, by Newton's method on the polynomial."""
    nodes, weights = [0.0] * n, [0.0] * n
    for i in range((n + 1) // 2):
        x = _cos(_PI * (i + 0.75) / (n + 0.5))
        for _ in range(8):
            before, now = 1.0, x
            for j in range(2, n + 1):
                before, now = now, ((2 * j - 1) * x * now - (j - 1) * before) / j
            slope = n * (x * now - before) / (x * x - 1)
            x -= now / slope
        nodes[n - 1 - i], nodes[i] = x, -x
        weights[n - 1 - i] = weights[i] = 2 / ((1 - x * x) * slope * slope)
    return tuple(nodes), tuple(weights)


#: 1/16!, 1/15!, ... 1/0!
_FACTORIALS: Final = (
    *(1 / 20922789888000, 1 / 1307674368000, 1 / 87178291200, 1 / 6227020800, 1 / 479001600, 1 / 39916800),
    *(1 / 3628800, 1 / 362880, 1 / 40320, 1 / 5040, 1 / 720, 1 / 120, 1 / 24, 1 / 6, 0.5, 1.0, 1.0),
)


def exponential(x: float) -> float:
    """e^x by its series at x / 2^m, squared m times; relative error below 1e-12 for |x| < 700."""
    if x < -745:
        return 0.0
    m = 0
    while x > 1 or x < -1:
        x *= 0.5
        m += 1
    total = 0.0
    for factor in _FACTORIALS:
        total = total * x + factor
    for _ in range(m):
        total *= total
    return total


def _log(x: float) -> float:
    """ln x for x > 0, by Newton's method on e^y after x has been halved into [1, 2)."""
    halvings = 0
    while x >= 2:
        x *= 0.5
        halvings += 1
    while x < 1:
        x *= 2
        halvings -= 1
    y = x - 1
    for _ in range(6):
        y += x / exponential(y) - 1
    return y + halvings * 0.6931471805599453


def _cos(x: float) -> float:
    """cos x for 0 <= x <= pi, roughly: a first guess."""
    square = x * x
    total = term = 1.0
    for n in range(1, 16):
        term *= -square / ((2 * n - 1) * (2 * n))
        total += term
    return total


def _solve(rows: list[list[float]]) -> list[float]:
    """Gaussian elimination with the larger pivot; `rows` are the equations, right side last."""
    n = len(rows)
    for i in range(n):
        pivot = max(range(i, n), key=lambda r: abs(rows[r][i]))
        rows[i], rows[pivot] = rows[pivot], rows[i]
        head = rows[i]
        inverse = 1 / head[i]
        tail = head[i:]
        for r in range(i + 1, n):
            row = rows[r]
            factor = row[i] * inverse
            row[i:] = [value - factor * above for value, above in zip(row[i:], tail, strict=True)]
    x = [0.0] * n
    for i in range(n - 1, -1, -1):
        total = rows[i][n]
        for j in range(i + 1, n):
            total -= rows[i][j] * x[j]
        x[i] = total / rows[i][i]
    return x
