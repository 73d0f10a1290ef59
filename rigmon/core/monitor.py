"""A quantity that should stay where it was: its level and noise are learned, then a change is looked for.

`Monitor` learns mean, variance and first-order autocorrelation from its first numbers, and charts the
one-step residuals of what follows by a two-sided CUSUM designed for the smallest change that matters at a
wanted false-alarm rate. What is learned from some tens of numbers is itself uncertain, and real noise is
neither white nor quite normal, so the chart errs on the quiet side: its standard deviation is never taken
smaller than half of the change that matters (k is then one standard deviation), the reference value gives way
by what the level may be wrong by, and no number counts for more than three standard deviations, so one bump
alone can do nothing. Where the level is learned, the autocorrelation is taken larger by half of its own
standard deviation. What is learned is learned anew from four and from sixteen times as many numbers, if no
change was found among them.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Final, NamedTuple

from rigmon.core.charts import TwoSidedCusum, Whitener
from rigmon.core.design import cusum_for

#: reference values to choose from, in standard deviations, the largest that fits: limits are worked out once
_LADDER: Final = (1.0, 0.85, 0.7, 0.6, 0.5, 0.4, 0.32, 0.25)
#: no residual counts for more standard deviations than this (a winsorised CUSUM)
_MOST_SD: Final = 3.0
_PHI_MOST: Final = 0.85
_PHI_EVER: Final = 0.97
#: how much the reference value gives way, in standard deviations of the level that was learned
_GUARD_SD: Final = 1.5
_PHI_GUARD_SD: Final = 0.5
_AGAIN: Final = 4
#: nor while a sum of the chart is above this share of its limit
_CALM: Final = 0.3
#: when the change is gone: smoothed over about five numbers, nearer than this share of it
_RETURN: Final = 0.2
_BACK_WITHIN: Final = 0.4


class Noise(NamedTuple):
    """Mean, standard deviation and lag-one autocorrelation of `n` numbers."""

    mean: float
    sd: float
    phi: float
    n: int

    @property
    def mean_sd(self) -> float:
        """Standard deviation of the mean of AR(1) numbers: sd sqrt((1 + phi) / (1 - phi) / n)."""
        return self.sd * sqrt((1 + self.phi) / (1 - self.phi) / self.n)


def noise_of(numbers: Sequence[float], gaps: Sequence[int] = ()) -> Noise:
    """Noise of two numbers or more. `gaps` are the places whose number does not follow on the one before.

    The autocorrelation is the usual estimate (Yule-Walker) with its bias -(1 + 3 phi) / n added back
    (Kendall, Biometrika 41 (1954) 403), kept within 0 and 0.97: no noise of sensors alternates.
    """
    n = len(numbers)
    centre = 0.0
    for x in numbers:
        centre += x
    centre /= n
    square = product = 0.0
    before: float | None = None
    for i, x in enumerate(numbers):
        off = x - centre
        square += off * off
        if before is not None and i not in gaps:
            product += before * off
        before = off
    if square == 0:
        return Noise(centre, 0.0, 0.0, n)
    phi = product / square
    phi += (1 + 3 * phi) / n
    return Noise(centre, sqrt(square / (n - 1)), min(max(phi, 0.0), _PHI_EVER), n)


class Monitor:
    """Feed `update` with the numbers; `state` is 1 while it stands above its level, -1 below, else 0.

    `change` is the smallest change that matters, in the unit of the numbers (times the level if `relative`);
    `arl` how many numbers there may be to a false alarm of one side; `learn` how many are learned from at
    first. `level` is given where it is known, and only the noise is to be learned. `phi_most`: no larger
    autocorrelation is reckoned with; slow noise is hard to tell from a change.
    """

    __slots__ = (
        "_again",
        "_arl",
        "_back",
        "_change",
        "_chart",
        "_gaps",
        "_learn",
        "_level",
        "_limit",
        "_numbers",
        "_phi_most",
        "_relative",
        "_scale",
        "_whitener",
        "noise",
        "state",
    )

    def __init__(
        self,
        change: float,
        arl: float,
        learn: int,
        *,
        level: float | None = None,
        relative: bool = True,
        phi_most: float = _PHI_MOST,
    ) -> None:
        self._phi_most = phi_most
        self._change, self._arl, self._learn = change, arl, learn
        self._again = _AGAIN * learn
        self._level, self._relative = level, relative
        self._numbers: list[float] = []
        self._gaps: list[int] = []
        self.noise: Noise | None = None  #: what was learned; None while it is being learned
        self._whitener: Whitener | None = None
        self._chart: TwoSidedCusum | None = None
        self._scale = 1.0
        self._limit = 0.0
        self._back = 0.0
        self.state = 0

    def gap(self) -> None:
        """The next number does not follow on the newest."""
        if self._whitener is not None:
            self._whitener.reset()
        if self._numbers:
            self._gaps.append(len(self._numbers))

    def update(self, x: float) -> int:
        """Take the next number. Returns `state`."""
        whitener, chart = self._whitener, self._chart
        if whitener is None or chart is None:
            if not self._numbers:
                # worked out with the first number: neither at the start of the program nor when it matters
                cusum_for(2 * _LADDER[0], self._arl)
            self._numbers.append(x)
            if len(self._numbers) >= self._learn:
                self._begin()
            return 0
        if self._numbers and not self.state:  # until they are learned from anew
            self._numbers.append(x)
            if len(self._numbers) >= self._again and self._calm(chart):
                self._begin()
                if self._again < _AGAIN * _AGAIN * self._learn:
                    self._again *= _AGAIN
                else:
                    self._numbers.clear()
                return 0
        z = whitener.update(x) * self._scale
        z = _MOST_SD if z > _MOST_SD else (-_MOST_SD if z < -_MOST_SD else z)
        side = chart.update(z)
        if self.state == 0:
            if side:
                self.state = side
                self._back = x - whitener.mean
        else:
            self._back += _RETURN * (x - whitener.mean - self._back)
            if -self._limit < self._back < self._limit:
                self.state = 0
                chart.reset()
        return self.state

    @staticmethod
    def _calm(chart: TwoSidedCusum) -> bool:
        """No change may be under way whose beginning would be learned."""
        return max(chart.high.total, chart.low.total) < _CALM * chart.high.h

    def restart(self) -> None:
        """Forget the level and learn anew, from the next number on."""
        self._numbers.clear()
        self._gaps.clear()
        self._again = _AGAIN * self._learn
        self.noise = self._whitener = self._chart = None
        self.state = 0

    def _begin(self) -> None:
        noise = noise_of(self._numbers, self._gaps)
        guard = _GUARD_SD * noise.mean_sd
        if self._level is not None:
            noise, guard = noise._replace(mean=self._level), 0.0
        self.noise = noise
        change = self._change * abs(noise.mean) if self._relative else self._change
        self._limit = _BACK_WITHIN * change
        # of a lasting change so much is left in a residual, and of the noise so much; the estimate of the
        # latter, from n numbers, may be low by its own standard deviation
        phi = noise.phi
        if self._level is None:
            phi = min(phi + _PHI_GUARD_SD * sqrt((1 - phi * phi) / noise.n), self._phi_most)
        step = change * (1 - phi)
        residual_sd = noise.sd * sqrt(1 - 2 * noise.phi * phi + phi * phi) * (1 + 1 / sqrt(2 * noise.n))
        k = _LADDER[-1]
        for k in _LADDER:
            if step >= 2 * k * residual_sd:
                break
        sd = max(residual_sd, step / (2 * k))
        # the whitener speaks in standard deviations of its residuals; the first number after a gap in its own
        variance = max(noise.sd * noise.sd, 1e-18 * (noise.mean * noise.mean + 1), 1e-24)
        self._whitener = Whitener(phi, variance, noise.mean)
        self._scale = sqrt(variance * (1 - phi * phi)) / sd
        guard *= (1 - phi) / sd
        self._chart = TwoSidedCusum(k + guard, cusum_for(2 * k, self._arl).h)
