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
times are assumptions, the amounts come from the run. Slow noise much slower than assumed, or driving much
jerkier, is told apart less well. A run too short to tell is left as measured.
"""

from itertools import combinations
from typing import Final

import numpy as np

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
#: median of the square of a standard normal variable (chi-squared with one degree of freedom)
_MEDIAN_SQUARE: Final = 0.454936


def speed_error_m_s(columns: Columns, moving: Mask, rig: Rig, fix_rate_hz: float) -> float:
    """Standard deviation [m/s] of the error of a sample's mean speed, from the samples in `moving`.

    `fix_rate_hz`: how many speeds a second the receiver gave. 0.0 where the run is too short to tell, or
    shows no noise.
    """
    usable = moving & (columns.flags & int(Flag.SPEED_FROM_POSITION) == 0)
    fresh = columns.position_fresh
    at_fix = np.flatnonzero(fresh if fresh.any() else ~np.isnan(columns.speed_m_s))
    if len(at_fix) < _ENOUGH or fix_rate_hz <= 0:
        return 0.0
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
    shapes, errors = _shapes(rig, every_ns / 1e9 / per_sample, per_sample)
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


def _shapes(rig: Rig, step_s: float, per_sample: int) -> tuple[Floats, Floats]:
    """Variance of second differences at each lag for unit variance of each of the three parts (lags x 3),
    and variance of a sample's mean speed for unit variance of the two noises (2)."""
    response = _filter_response(rig, step_s)
    # a sample's mean speed is that of the speeds at its two ends
    ends = np.zeros(per_sample + 1)
    ends[0] += 0.5
    ends[-1] += 0.5
    mean_response = np.convolve(response, ends)
    lag_s = np.arange(len(mean_response) + 2 * max(_LAGS) * per_sample + 1) * step_s
    fix = np.zeros(len(lag_s))
    fix[0] = 1.0
    slow = np.exp(-lag_s / SLOW_NOISE_S)
    # an Ornstein-Uhlenbeck process behind a first-order lag
    driving = (_DRIVER_S * np.exp(-lag_s / _DRIVER_S) - _ANSWER_S * np.exp(-lag_s / _ANSWER_S)) / (
        _DRIVER_S - _ANSWER_S
    )
    at = np.array(_LAGS) * per_sample
    shapes = []
    for covariance in (fix, slow, driving):
        out = _filtered(covariance, response, 2 * int(at[-1]))
        shapes.append(6 * out[0] - 8 * out[at] + 2 * out[2 * at])
    errors = np.array([_filtered(covariance, mean_response, 0)[0] for covariance in (fix, slow)])
    return np.stack(shapes, axis=1), errors


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
