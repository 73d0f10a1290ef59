"""How much of the spread of speeds and doses is the sensors' noise, and the spread without it.

Noise makes every distribution wider than the truth, and so pushes ground out of tolerance that was in it.
How large it is can be read from the run itself, at short lags: receiver and rig differ in how the speed
may change within a second. The variance of second differences of the speed at several lags (a structure
function, as used to tell noises of clocks and gyros apart) is fitted with three shapes of known form:

fix noise      independent from fix to fix
slow noise     errors that stay alike for about SLOW_NOISE_S: a receiver that smooths its own speeds
driving        slow changes that the rig follows with a lag: a person and a loaded machine do not jump

Each shape is taken through the run's own speed filter first. The two noises give the error that the
filtered speed has; the driving part only keeps real changes from being taken for noise. The correlation
times are assumptions, the amounts come from the run. Slow noise much slower than assumed, driving much
jerkier, or a receiver of less than about 4 fixes a second is told apart less well. A run too short to tell
is left as measured.
"""

from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigmon.analysis.frames import Columns, Floats, Mask
from rigmon.core.speed import SpeedFilter
from rigmon.model import Flag
from rigmon.rig import Rig

#: correlation times: of a receiver's slow noise, of what a driver does, of the rig's answer to it [s]
SLOW_NOISE_S: Final = 2.0
_DRIVER_S: Final = 8.0
_ANSWER_S: Final = 0.5
#: second differences are taken at so many lags of one fix or sample
_LAGS: Final = (1, 2, 3, 4, 5)
#: fewer second differences than this say nothing
_ENOUGH: Final = 300
#: noise is taken out block by block of driving, so that one slow stretch does not hide that of the rest [s]
_BLOCK_S: Final = 60.0
#: from this share of samples with a fix at their end on, all count as such
_MOST: Final = 0.8
#: fixes further apart than this are not joined [s]
_SPAN_S: Final = 2.5
#: median of the square of a standard normal variable (chi-squared with one degree of freedom)
_MEDIAN_SQUARE: Final = 0.454936


def at_fixes(columns: Columns, fixes: int) -> tuple[NDArray[np.intp], bool]:
    """Which samples end at a fix, and whether that is all of them. `fixes`: how many there were in the run.

    Where the receiver is slower than the samples, a fresh position tells. With no fix counted, all are
    taken to do so: nothing tells otherwise.
    """
    known = ~np.isnan(columns.speed_m_s)
    if not fixes or fixes >= _MOST * int(known.sum()):
        return np.flatnonzero(known), True
    return np.flatnonzero(known & columns.position_fresh), False


def mean_speed_m_s(columns: Columns, fixes: int) -> Floats:
    """Mean speed of each sample [m/s]; NaN where unknown.

    Live, a sample between two fixes can only be foretold from the fix before, and a slow receiver's samples
    overshoot. Afterwards both fixes are known: there the speed is taken as linear from one to the other.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = columns.distance_m / columns.dt_s
    at_fix, everywhere = at_fixes(columns, fixes)
    if everywhere or len(at_fix) < 2:
        return mean
    following = np.searchsorted(at_fix, np.arange(len(columns)), side="left")
    inside = (following > 0) & (following < len(at_fix)) & ~np.isnan(mean)
    fix_ns = columns.t_ns[at_fix]
    q = np.clip(following, 1, len(at_fix) - 1)
    several = (at_fix[q] - at_fix[q - 1] > 1) & (fix_ns[q] - fix_ns[q - 1] <= _SPAN_S * 1e9)
    between = inside & several
    speed = columns.speed_m_s[at_fix]
    ends = (np.interp(at_ns[between], fix_ns, speed) for at_ns in (columns.start_ns, columns.t_ns))
    mean[between] = sum(ends) / 2
    return mean


def speed_error_m_s(columns: Columns, moving: Mask, rig: Rig, fixes: int) -> float:
    """Standard deviation [m/s] of the error of `mean_speed_m_s`, from the samples in `moving`.

    `fixes`: how many speeds the receiver gave in the whole run. 0.0 where the run is too short to tell, or
    shows no noise.
    """
    usable = moving & (columns.flags & int(Flag.SPEED_FROM_POSITION) == 0)
    at_fix, everywhere = at_fixes(columns, fixes)
    if not fixes or len(at_fix) < _ENOUGH:
        return 0.0
    fix_rate_hz = fixes / float(columns.dt_s[~np.isnan(columns.speed_m_s)].sum())
    gap_ns = np.diff(columns.t_ns[at_fix])
    every_ns = float(np.median(gap_ns))
    # a link joins two neighbours that are one regular step apart, both usable
    links = (np.abs(gap_ns - every_ns) <= 0.1 * every_ns) & usable[at_fix[1:]] & usable[at_fix[:-1]]
    unbroken = np.concatenate([[0], np.cumsum(links)])
    speed = columns.speed_m_s[at_fix]
    measured = np.empty(len(_LAGS))
    for n, lag in enumerate(_LAGS):
        whole = unbroken[2 * lag :] - unbroken[: -2 * lag] == 2 * lag
        second = (speed[2 * lag :] - 2 * speed[lag:-lag] + speed[: -2 * lag])[whole]
        if len(second) < _ENOUGH:
            return 0.0
        measured[n] = np.median(second * second) / _MEDIAN_SQUARE  # robust: a jump here and there is no noise
    if not (measured > 0).all():
        return 0.0
    per_sample = max(round(every_ns / 1e9 * fix_rate_hz), 1)
    shapes, errors = _shapes(rig, every_ns / 1e9 / per_sample, per_sample, everywhere)
    amounts = _fit(shapes / measured[:, None], np.ones(len(_LAGS)))
    return float(np.sqrt(amounts[:2] @ errors))


def flow_error(flow: Floats, adjacent: Mask) -> float:
    """Relative standard deviation of the noise of one sample's flow, from changes between neighbours.

    `adjacent[k]` tells whether flow[k] and flow[k + 1] are neighbours in time. Real flow changes slowly while
    the boom is on; noise independent from sample to sample gives a change twice its variance.
    """
    flowing = (flow[1:] > 0) & (flow[:-1] > 0) & adjacent
    if int(flowing.sum()) < _ENOUGH:
        return 0.0
    change = np.log(flow[1:][flowing] / flow[:-1][flowing])
    return float(np.sqrt(np.median(change * change) / _MEDIAN_SQUARE / 2))


def without_noise(values: Floats, noise_variance: Floats, weight: Floats, time_s: Floats) -> Floats:
    """`values` drawn together so that the noise's variance is gone from their spread.

    In each block of driving, the deviations from the block's mean are multiplied by sqrt(1 - noise / spread)
    of the variances. The block's mean stays, and the values have the spread of the truth, not that of the
    best guesses, which would be too narrow (Louis 1984, J. American Statistical Association 79(386):393-398).
    """
    block = (np.cumsum(time_s) / _BLOCK_S).astype(np.int64)
    total = np.bincount(block, weight)
    total[total == 0] = 1.0
    mean = (np.bincount(block, weight * values) / total)[block]
    spread = np.bincount(block, weight * (values - mean) ** 2) / total
    noise = np.bincount(block, weight * noise_variance) / total
    kept = np.ones(len(total))
    wide = spread > 0
    kept[wide] = np.sqrt(np.clip(1 - noise[wide] / spread[wide], 0, 1))
    return mean + (values - mean) * kept[block]


def _shapes(rig: Rig, step_s: float, per_sample: int, everywhere: bool) -> tuple[Floats, Floats]:
    """Variance of second differences at each lag for unit variance of each of the three parts (lags x 3),
    and variance of a sample's mean speed for unit variance of the two noises (2).

    `step_s` is the time between fixes, `per_sample` how many of them there are from one used speed to the
    next; `everywhere`: each sample has one at either end, not only now and then.
    """
    response = _filter_response(rig, step_s)
    lag_s = np.arange(len(response) + 2 * max(_LAGS) * per_sample + 1) * step_s
    fix = np.zeros(len(lag_s))
    fix[0] = 1.0
    slow = np.exp(-lag_s / SLOW_NOISE_S)
    # an Ornstein-Uhlenbeck process behind a first-order lag
    driving = (_DRIVER_S * np.exp(-lag_s / _DRIVER_S) - _ANSWER_S * np.exp(-lag_s / _ANSWER_S)) / (
        _DRIVER_S - _ANSWER_S
    )
    at = np.array(_LAGS) * per_sample
    # the mean of a linear course between two values a and b: over the whole of it (a + b) / 2, at one place
    # in it (1 - u) a + u b with u from 0 to 1, whose square averages a2 / 3 + b2 / 3 + a b / 3
    own = 1 / 2 if everywhere else 2 / 3
    shapes, errors = [], []
    for covariance in (fix, slow, driving):
        out = _filtered(covariance, response, 2 * int(at[-1]))
        shapes.append(6 * out[0] - 8 * out[at] + 2 * out[2 * at])
        errors.append(own * out[0] + (1 - own) * out[per_sample])
    return np.stack(shapes, axis=1), np.array(errors[:2])


def _filter_response(rig: Rig, step_s: float) -> Floats:
    """What the settled speed filter makes of a single unit impulse, fix by fix."""
    settle = 400
    memory = 400

    def drive(bump: float) -> Floats:
        speed_filter = SpeedFilter(rig.gps.speed_noise_m_s, rig.speed.jerk_m_s3)
        seen = []
        for k in range(settle + memory):
            t_ns = round(k * step_s * 1e9)
            speed_filter.update(t_ns, 2.0 + (bump if k == settle else 0.0))
            seen.append(speed_filter.at(t_ns)[0])
        return np.array(seen[settle:])

    bump = 1e-3  # far inside the filter's gate
    response = (drive(bump) - drive(0.0)) / bump
    significant = np.flatnonzero(np.abs(response) > 1e-6)
    return response[: significant[-1] + 1]


def _filtered(covariance: Floats, response: Floats, last: int) -> Floats:
    """Autocovariance at lags 0..last of a process with autocovariance `covariance`, after the filter."""
    own = np.correlate(response, response, "full")
    reach = len(response) - 1
    both = np.concatenate([covariance[reach + last : 0 : -1], covariance[: reach + last + 1]])
    return np.convolve(both, own, "valid")[last : 2 * last + 1]


def _fit(shapes: Floats, wanted: Floats) -> Floats:
    """Least squares with no negative amount: the best of all subsets of the few shapes."""
    best: Floats = np.zeros(shapes.shape[1])
    least = float(wanted @ wanted)
    for size in range(1, shapes.shape[1] + 1):
        for some in combinations(range(shapes.shape[1]), size):
            columns = list(some)
            amounts = np.linalg.lstsq(shapes[:, columns], wanted, rcond=None)[0]
            left = wanted - shapes[:, columns] @ amounts
            if (amounts >= 0).all() and float(left @ left) < least:
                least = float(left @ left)
                best = np.zeros(shapes.shape[1])
                best[columns] = amounts
    return best
