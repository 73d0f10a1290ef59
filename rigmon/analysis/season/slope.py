"""A robust slope with an interval that needs no normal distribution: Theil (1950) and Sen (1968).

The slope is the median of the slopes of all pairs of points: up to 29 % of the points may be anything. The
interval is made of order statistics of those slopes by Kendall's distribution of their signs, exact for few
points: P. K. Sen, J. Amer. Statist. Assoc. 63 (1968) 1379-1389; Hollander and Wolfe, Nonparametric
Statistical Methods, section 9.3. It takes the points' deviations from the line for independent.
"""

from dataclasses import dataclass
from math import floor, sqrt
from statistics import NormalDist

import numpy as np

from rigmon.analysis.frames import Floats

#: up to so many points Kendall's distribution is counted out; beyond, it is normal to three digits
_COUNTED = 60


@dataclass(frozen=True, slots=True)
class Slope:
    """Slope, and the line's value at the first and the last point. `low`, `high` None: too few points."""

    slope: float
    low: float | None
    high: float | None
    start: float
    end: float

    @property
    def distinguishable(self) -> bool:
        """The interval leaves zero out."""
        return self.low is not None and self.high is not None and (self.low > 0 or self.high < 0)


def theil_sen(x: Floats, y: Floats, confidence: float) -> Slope | None:
    """The slope of y over x. Points of the same x count as one, their mean. None: all have the same x."""
    at, group = np.unique(x, return_inverse=True)
    if len(at) < 2:
        return None
    value = np.bincount(group, weights=y) / np.bincount(group)
    i, j = np.triu_indices(len(at), 1)
    slopes = np.sort((value[j] - value[i]) / (at[j] - at[i]))
    slope = float(np.median(slopes))
    offset = float(np.median(value - slope * at))
    k = _left_out(len(at), (1 - confidence) / 2)
    low, high = (None, None) if k is None else (float(slopes[k]), float(slopes[len(slopes) - 1 - k]))
    return Slope(slope, low, high, offset + slope * float(at[0]), offset + slope * float(at[-1]))


def _left_out(n: int, tail: float) -> int | None:
    """How many of the ordered slopes lie outside the interval on each side; None: even all are too few."""
    pairs = n * (n - 1) // 2
    if n > _COUNTED:
        spread = sqrt(n * (n - 1) * (2 * n + 5) / 72)
        return floor(pairs / 2 - NormalDist().inv_cdf(1 - tail) * spread) - 1
    # chance of each count of discordant pairs, built up point by point: the m-th brings 0 to m - 1, all alike
    chance = np.ones(1)
    for m in range(2, n + 1):
        chance = np.convolve(chance, np.full(m, 1 / m))
    below = np.flatnonzero(np.cumsum(chance) <= tail)
    # P(T <= k) is within the tail: slopes 1 to k + 1 may go, and the interval begins at the next
    return int(below[-1]) + 1 if len(below) else None
