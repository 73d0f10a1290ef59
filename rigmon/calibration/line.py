"""A straight line through points by least squares, and what its two parameters are worth.

The textbook's ordinary least squares, as in JCGM 100:2008, H.3 (calibration of a thermometer): y = a + b x,
the scatter about the line s = sqrt(sum of squared residuals / (n - 2)), u(b) = s / sqrt(Sxx), and at any x
u(y) = s sqrt(1/n + (x - mean x)^2 / Sxx).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, sqrt

from rigmon.calibration.budget import mean


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x. `scatter` is None with two points: any line goes through them."""

    intercept: float
    slope: float
    residuals: tuple[float, ...]  #: y - line, in the order of the points
    scatter: float | None  #: standard deviation about the line, n - 2 degrees of freedom
    mean_x: float
    sxx: float  #: sum of squared distances of x from its mean

    @property
    def dof(self) -> int:
        return len(self.residuals) - 2

    def at(self, x: float) -> float:
        return self.intercept + self.slope * x

    def leverage(self, x: float) -> float:
        """u(y) at x in units of the scatter: sqrt(1/n + (x - mean x)^2 / Sxx)."""
        return sqrt(1 / len(self.residuals) + (x - self.mean_x) ** 2 / self.sxx)

    @property
    def slope_u(self) -> float | None:
        """Standard uncertainty of the slope from the scatter."""
        return None if self.scatter is None else self.scatter / sqrt(self.sxx)


def fit_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """Least squares through at least two points that are not all at one x; ValueError otherwise."""
    if len(x) != len(y) or len(x) < 2:
        raise ValueError("a line needs two points or more, each with x and y")
    mean_x, mean_y = mean(x), mean(y)
    sxx = fsum((value - mean_x) ** 2 for value in x)
    if not sxx > 0:
        raise ValueError("the points are all at one x")
    slope = fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / sxx
    residuals = tuple((b - mean_y) - slope * (a - mean_x) for a, b in zip(x, y, strict=True))
    dof = len(x) - 2
    scatter = sqrt(fsum(r * r for r in residuals) / dof) if dof else None
    return Line(mean_y - slope * mean_x, slope, residuals, scatter, mean_x, sxx)
