"""A quantity that should stay where it was: its level and noise are learned, then a change is looked for.

`Monitor` learns mean, variance and first-order autocorrelation from its first numbers, and charts the
one-step residuals of what follows by a two-sided CUSUM designed for the smallest change that matters at a
wanted false-alarm rate. What is learned from some tens of numbers is itself uncertain, and real noise is
neither white nor quite normal, so the chart errs on the quiet side: its standard deviation is never taken
smaller than 1/2.4 of the change that matters (k is then 1.2 standard deviations), the reference value gives
way by what the level may be wrong by, and no number counts for so much that two could raise an alarm: a bump
can do nothing. Where the numbers may wander by themselves the autocorrelation is
taken larger too (`cautious`). What is learned is learned anew each time there are half as many numbers more,
or a quarter, up to sixteen times as many, if no change was found among them.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Final, NamedTuple

from rigmon.core.charts import TwoSidedCusum, Whitener
from rigmon.core.design import quick_limit

#: the reference value, in standard deviations: half of the change that matters, but within these
_K_MOST: Final = 1.2
_K_LEAST: Final = 0.25
#: no residual counts for more than the reference value and this share of the limit (a winsorised CUSUM)
_MOST_SHARE: Final = 0.42
_PHI_MOST: Final = 0.85
_PHI_EVER: Final = 0.97
#: how much the reference value gives way, in standard deviations of the level that was learned, and how much
#: larger the autocorrelation is taken, in its own
_CAUTIOUS: Final = (1.5, 0.5)
_BOLD: Final = (1.0, 0.35)
#: learned anew with so many times as many numbers (cautiously, or not), until there are so many times the
#: first
_AGAIN: Final = (1.5, 1.25)
_UNTIL: Final = 16
#: a level that stays where it is: numbers that linger say less of it, so that learning goes on until they are
#: worth so many independent ones, or for so many times as long; looked at every so many
_WORTH: Final = 12.0
_LONGEST: Final = 3
_LOOK: Final = 5
#: noise so many times smaller than the change that matters may linger as it likes
_NO_MATTER: Final = 20.0
#: numbers that the noise of an earlier run counts for at most; not at all where there is so much more by now
_EARLIER: Final = 120
_ROUGHER: Final = 1.4
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


def _pooled(noise: Noise, earlier: Noise) -> Noise:
    """Both together, about the mean of the newer: earlier numbers count for no more than _EARLIER."""
    n0, n = min(earlier.n, _EARLIER), noise.n
    both = n0 + n
    sd = sqrt((n0 * earlier.sd * earlier.sd + n * noise.sd * noise.sd) / both)
    return Noise(noise.mean, sd, (n0 * earlier.phi + n * noise.phi) / both, both)


def limits(k: float, arl: float) -> tuple[float, float]:
    """Decision limit of a chart, and what a number counts for at most, in standard deviations."""
    h = quick_limit(k, arl)
    return h, k + _MOST_SHARE * h


class Monitor:
    """Feed `update` with the numbers; `state` is 1 while it stands above its level, -1 below, else 0.

    `change` is the smallest change that matters, in the unit of the numbers (times the level if `relative`);
    `arl` how many numbers there may be to a false alarm of one side; `learn` how many are learned from at
    first, at least. `level` is given where it is known, and only the noise is to be learned: what
    that is learned from is charted too. `phi_most`: no larger
    autocorrelation is reckoned with; slow noise is hard to tell from a change. `cautious` False suits numbers
    that stay where they are: the level and noise that were learned are trusted more.
    """

    __slots__ = (
        "_again",
        "_again_after",
        "_arl",
        "_back",
        "_cautious",
        "_change",
        "_chart",
        "_earlier",
        "_from",
        "_gaps",
        "_guard_sd",
        "_learn",
        "_level",
        "_limit",
        "_most",
        "_numbers",
        "_phi_guard_sd",
        "_phi_most",
        "_relative",
        "_scale",
        "_whitener",
        "age",
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
        cautious: bool = True,
    ) -> None:
        self._guard_sd, self._phi_guard_sd = _CAUTIOUS if cautious else _BOLD
        self._phi_most = phi_most
        self._change, self._arl, self._learn = change, arl, learn
        self._cautious = cautious
        self._again_after = _AGAIN[0 if cautious else 1]
        self._again = int(self._again_after * learn)
        self._level, self._relative = level, relative
        self._numbers: list[float] = []
        self._gaps: list[int] = []
        self.noise: Noise | None = None  #: what was learned; None while it is being learned
        self._whitener: Whitener | None = None
        self._chart: TwoSidedCusum | None = None
        self._scale = 1.0
        self._limit = self._most = 0.0
        self._back = 0.0
        self.state = 0
        self._earlier: Noise | None = None
        self._from = 0  # of the numbers that are learned from, those before were charted and judged
        self.age = 0  #: numbers since the change began that `state` tells of, as estimated

    def earlier(self, noise: Noise) -> None:
        """The noise of earlier numbers of this kind counts beside what is learned here; not their mean."""
        self._earlier = noise

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
            self._numbers.append(x)
            if len(self._numbers) >= self._learn and self._enough():
                self._begin()
                self._again = int(self._again_after * len(self._numbers))
            return self.state
        if self._numbers and not self.state:  # until they are learned from anew
            self._numbers.append(x)
            if len(self._numbers) >= self._again and self._calm(chart):
                self._begin()
                self._again = int(self._again_after * len(self._numbers))
                if self._again > _UNTIL * self._learn:
                    self._numbers.clear()
                    self._from = 0
                return self.state
        side = self._charted(whitener, chart, x)
        if self.state == 0:
            if side:
                self._raise(side, chart, x - whitener.mean)
        else:
            self.age += 1
            self._back += _RETURN * (x - whitener.mean - self._back)
            if -self._limit < self._back < self._limit:
                self.state = 0
                self._from = len(self._numbers)
                chart.reset()
        return self.state

    def _charted(self, whitener: Whitener, chart: TwoSidedCusum, x: float) -> int:
        z = whitener.update(x) * self._scale
        most = self._most
        z = most if z > most else (-most if z < -most else z)
        return chart.update(z)

    def _raise(self, side: int, chart: TwoSidedCusum, off: float) -> None:
        self.state = side
        self.age = (chart.high if side > 0 else chart.low).since
        self._back = off

    def _enough(self) -> bool:
        n = len(self._numbers)
        if self._cautious or n >= _LONGEST * self._learn:
            return True
        if (n - self._learn) % _LOOK:
            return False
        noise = noise_of(self._numbers, self._gaps)
        change = self._change * abs(noise.mean) if self._relative else self._change
        if _NO_MATTER * noise.sd < change:
            return True
        return n * (1 - noise.phi) >= _WORTH * (1 + noise.phi)

    @staticmethod
    def _calm(chart: TwoSidedCusum) -> bool:
        """No change may be under way whose beginning would be learned."""
        return max(chart.high.total, chart.low.total) < _CALM * chart.high.h

    def again(self) -> None:
        """Look for the next change, with what was learned."""
        if self._chart is not None:
            self._chart.reset()
        self.state = 0
        self._from = len(self._numbers)

    def restart(self) -> None:
        """Forget the level and learn anew, from the next number on."""
        self._numbers.clear()
        self._gaps.clear()
        self._from = 0
        self._again = int(self._again_after * self._learn)
        self.noise = self._whitener = self._chart = None
        self.state = 0

    def _begin(self) -> None:
        noise = noise_of(self._numbers, self._gaps)
        mean_sd = noise.mean_sd
        if self._earlier is not None and noise.sd < _ROUGHER * self._earlier.sd:
            noise = _pooled(noise, self._earlier)
            mean_sd = noise._replace(n=len(self._numbers)).mean_sd
        guard = self._guard_sd * mean_sd
        if self._level is not None:
            noise, guard = noise._replace(mean=self._level), 0.0
        self.noise = noise
        change = self._change * abs(noise.mean) if self._relative else self._change
        self._limit = _BACK_WITHIN * change
        # of a lasting change so much is left in a residual, and of the noise so much; the estimate of the
        # latter, from n numbers, may be low by its own standard deviation
        phi = noise.phi
        if self._level is None:
            phi = min(phi + self._phi_guard_sd * sqrt((1 - phi * phi) / noise.n), self._phi_most)
        step = change * (1 - phi)
        residual_sd = noise.sd * sqrt(1 - 2 * noise.phi * phi + phi * phi) * (1 + 1 / sqrt(2 * noise.n))
        k = min(max(step / (2 * residual_sd + 1e-300), _K_LEAST), _K_MOST)
        sd = max(residual_sd, step / (2 * k))
        # the whitener speaks in standard deviations of its residuals; the first number after a gap in its own
        variance = max(noise.sd * noise.sd, 1e-18 * (noise.mean * noise.mean + 1), 1e-24)
        self._whitener = Whitener(phi, variance, noise.mean)
        self._scale = sqrt(variance * (1 - phi * phi)) / sd
        guard *= (1 - phi) / sd
        h, self._most = limits(k, self._arl)
        self._chart = TwoSidedCusum(k + guard, h)
        if self._level is not None:
            self._look_back(self._whitener, self._chart)

    def _look_back(self, whitener: Whitener, chart: TwoSidedCusum) -> None:
        """Where the level is given, what the noise was learned from can be charted too."""
        side = 0
        x = whitener.mean
        for i in range(self._from, len(self._numbers)):
            if i in self._gaps:
                whitener.reset()
            x = self._numbers[i]
            side = self._charted(whitener, chart, x)
        if side:
            self._raise(side, chart, x - whitener.mean)
