"""Control charts: sequential tests that tell a lasting small change from noise. Pure and deterministic.

They are fed one number a time, most often residuals in standard deviations, and say whether the process is
still where it was. Limits belong to independent, normal numbers: for autocorrelated ones put a `Whitener` in
front, or the false alarms are many times those of the tables. Limits for a wanted false-alarm rate come from
`rigmon.core.design`; average run lengths are checked in `rigmon.analysis.arl`.

Sources: E. S. Page, Continuous inspection schemes, Biometrika 41 (1954) 100-115; S. W. Roberts, Control chart
tests based on geometric moving averages, Technometrics 1 (1959) 239-250; J. M. Lucas and R. B. Crosier, Fast
initial response for CUSUM quality-control schemes, Technometrics 24 (1982) 199-205; G. Lorden, Procedures for
reacting to a change in distribution, Annals of Mathematical Statistics 42 (1971) 1897-1908; D. C. Montgomery,
Introduction to Statistical Quality Control, chapter on cumulative sum and EWMA charts.
"""

from collections import deque
from math import sqrt


class Cusum:
    """One-sided tabular CUSUM for a rise (Page 1954): S = max(0, S + z - k), a signal when S > h.

    `k`, the reference value, is half of the change that matters; `h` the decision limit; both in the unit of
    what `update` is fed. `head_start` is where S begins and begins again after `reset`: h/2 answers
    sooner where the process is off from the start (fast initial response, Lucas and Crosier 1982). For a fall
    feed it -z. Raises ValueError for k < 0, h <= 0 or a head start outside [0, h].
    """

    __slots__ = ("_head_start", "h", "k", "since", "total")

    def __init__(self, k: float, h: float, head_start: float = 0.0) -> None:
        if k < 0 or h <= 0:
            raise ValueError(f"k = {k} must not be below 0, and h = {h} must be above 0")
        if not 0 <= head_start <= h:
            raise ValueError(f"head_start = {head_start} must be from 0 to h = {h}")
        self.k, self.h = k, h
        self._head_start = head_start
        self.total = head_start
        self.since = 0  #: numbers since the sum last stood at zero: Page's estimate of when the change began

    def update(self, z: float) -> bool:
        """Take the next number; True while the sum is above the limit."""
        total = self.total + (z - self.k)
        if total > 0:
            self.total = total
            self.since += 1
        else:
            self.total = 0.0
            self.since = 0
        return self.total > self.h

    @property
    def mean(self) -> float:
        """Estimate of the mean since the change began: k + S/n (Montgomery); 0 where the sum is zero."""
        return self.k + self.total / self.since if self.since else 0.0

    def reset(self) -> None:
        """Begin again."""
        self.total = self._head_start
        self.since = 0


class TwoSidedCusum:
    """Two one-sided CUSUMs, for a rise and for a fall (Page 1954; Montgomery).

    `update` returns 1 on a rise, -1 on a fall, 0 while neither shows. Where both show, it is the one whose
    sum is larger. Arguments as for `Cusum`.
    """

    __slots__ = ("high", "low")

    def __init__(self, k: float, h: float, head_start: float = 0.0) -> None:
        self.high = Cusum(k, h, head_start)
        self.low = Cusum(k, h, head_start)

    def update(self, z: float) -> int:
        """Take the next number, its deviation from where the process should be."""
        up, down = self.high.update(z), self.low.update(-z)
        if up and (not down or self.high.total >= self.low.total):
            return 1
        return -1 if down else 0

    def reset(self) -> None:
        """Begin again on both sides."""
        self.high.reset()
        self.low.reset()


class Ewma:
    """Exponentially weighted moving average (Roberts 1959): E = lam x + (1 - lam) E.

    A signal when E is further than its limit from `target`. The limit is `limit_sd` standard deviations of E:
    sd sqrt(lam / (2 - lam)), which holds in the long run; with `exact` the smaller one that holds at the n-th
    number, sd sqrt(lam (1 - (1 - lam)^(2n)) / (2 - lam)). Raises ValueError for lam outside (0, 1], or
    limit_sd or sd not above 0.
    """

    __slots__ = ("_decay", "_exact", "_wide", "average", "lam", "target")

    def __init__(
        self, lam: float, limit_sd: float, *, target: float = 0.0, sd: float = 1.0, exact: bool = False
    ) -> None:
        if not 0 < lam <= 1:
            raise ValueError(f"lam = {lam} must be above 0 and at most 1")
        if limit_sd <= 0 or sd <= 0:
            raise ValueError(f"limit_sd = {limit_sd} and sd = {sd} must be above 0")
        self.lam, self.target = lam, target
        self._wide = limit_sd * sd * sqrt(lam / (2 - lam))
        self._exact = exact
        self._decay = 1.0  # (1 - lam)^(2n)
        self.average = target

    @property
    def limit(self) -> float:
        """How far the average may be from the target now."""
        return self._wide * sqrt(1 - self._decay) if self._exact and self._decay < 1 else self._wide

    def update(self, x: float) -> int:
        """Take the next number: 1 above the upper limit, -1 below the lower one, else 0."""
        keep = 1 - self.lam
        self.average = self.lam * x + keep * self.average
        self._decay *= keep * keep
        off = self.average - self.target
        if off > self.limit:
            return 1
        return -1 if off < -self.limit else 0

    def reset(self) -> None:
        """Begin again at the target."""
        self.average = self.target
        self._decay = 1.0


class StepGlr:
    """Generalised likelihood ratio test for a step of unknown size and time in standard normal numbers.

    g = max over j of (z[n] + ... + z[n-j+1])^2 / (2 j), over the newest `window` numbers: twice-maximised
    log-likelihood ratio of "the mean stepped j numbers ago" against "it is zero" (Lorden 1971). `length` is
    the j of that maximum, `size` the mean since: the estimates of when and by how much. `shortest` leaves out
    steps of fewer numbers. A signal when g > `threshold`. Costs `window` additions a number.
    Raises ValueError for threshold <= 0 or not 1 <= shortest <= window.
    """

    __slots__ = ("_numbers", "_shortest", "length", "size", "statistic", "threshold")

    def __init__(self, threshold: float, window: int, shortest: int = 1) -> None:
        if threshold <= 0:
            raise ValueError(f"threshold = {threshold} must be above 0")
        if not 1 <= shortest <= window:
            raise ValueError(f"shortest = {shortest} must be from 1 to window = {window}")
        self.threshold = threshold
        self._numbers: deque[float] = deque(maxlen=window)
        self._shortest = shortest
        self.statistic = 0.0
        self.length = 0
        self.size = 0.0

    def update(self, z: float) -> bool:
        """Take the next number; True when a step shows."""
        self._numbers.append(z)
        best = 0.0
        length = 0
        size = total = 0.0
        for j, number in enumerate(reversed(self._numbers), 1):
            total += number
            if j >= self._shortest and total * total > best * j:
                best, length, size = total * total / j, j, total / j
        self.statistic, self.length, self.size = best / 2, length, size
        return self.statistic > self.threshold

    @property
    def size_sd(self) -> float | None:
        """Standard deviation of `size`: 1 / sqrt(length). None before the first number."""
        return 1 / sqrt(self.length) if self.length else None

    def reset(self) -> None:
        """Forget all numbers."""
        self._numbers.clear()
        self.statistic = self.size = 0.0
        self.length = 0


class Whitener:
    """One-step residuals, in standard deviations, of a first-order autoregressive process.

    x - mean = phi (x' - mean) + e, with x' the number before and e independent of variance
    (1 - phi^2) variance. After a step of d the residuals' mean is d (1 - phi) / sqrt((1 - phi^2) variance),
    less than d / sd for phi > 0: `gain` is that share. The first number, and the first after `reset` (a gap),
    has none before it and is taken in its own standard deviations.
    Raises ValueError for variance <= 0 or not -1 < phi < 1.
    """

    __slots__ = ("_before", "_residual_sd", "_sd", "mean", "phi")

    def __init__(self, phi: float, variance: float, mean: float = 0.0) -> None:
        if not -1 < phi < 1:
            raise ValueError(f"phi = {phi} must be between -1 and 1")
        if variance <= 0:
            raise ValueError(f"variance = {variance} must be above 0")
        self.phi, self.mean = phi, mean
        self._sd = sqrt(variance)
        self._residual_sd = sqrt(variance * (1 - phi * phi))
        self._before: float | None = None

    @property
    def gain(self) -> float:
        """What is left of a lasting step, in standard deviations: sqrt((1 - phi) / (1 + phi))."""
        return sqrt((1 - self.phi) / (1 + self.phi))

    def update(self, x: float) -> float:
        """The next number's residual."""
        off = x - self.mean
        before, self._before = self._before, off
        return off / self._sd if before is None else (off - self.phi * before) / self._residual_sd

    def reset(self) -> None:
        """A gap: the next number has none before it."""
        self._before = None
