"""The newest blocks, weighed: when a change of the coefficient began, how large it is, and who took part.

When: for every block that it may have begun with, how much of the scatter a step would explain since then,
S1^2 / n, and how much a ramp, S2^2 / (sum of i^2). It is a ramp if that is clearly better and took its time.

Who: the pressure wanders by itself, and flow and root of the pressure with it. Both see the same wander, so

    v = a Q / C0 + (1 - a) sqrt(P) (1 + c s)        (C0, c: the coefficient before and its change; s: 0 before
                                                     the change, 1 after a step, rising over a ramp)

is the flow in the pressure's root, from both sensors, the noisier with less weight. If the pressure's reading
alone has changed, v goes on as if nothing had happened; if the flow alone has, v changes by c. How much v did
change with s is found by generalised least squares on s and a constant, with first-order autoregressive
errors (Cochrane and Orcutt, J. Am. Statistical Association 44 (1949) 32), and with its standard error.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Final, NamedTuple

from rigmon.core.coefficient import Block
from rigmon.core.monitor import Noise, noise_of

#: a ramp began so many blocks ago, or is as good as a step
_SLOW: Final = 45
#: twice the log-likelihood by which a ramp must be better than a step
_CLEARLY: Final = -1.0
#: blocks after a change that are averaged: of a step at most, of a ramp the newest
_MOST_LATER: Final = 60
_NEWEST: Final = 20
#: with fewer blocks the one that a step began in counts too
_CONFIRM: Final = 3
#: blocks before the change that make the wander's autocorrelation known, and what it is taken for with fewer
_FEWEST: Final = 30
_PHI: Final = 0.9
_PHI_MOST: Final = 0.97
#: below this the uncertainty of a change is not believed
_U_LEAST: Final = 0.002


class Weighed(NamedTuple):
    """Changes are shares of what was before."""

    change: float  #: of C
    u: float  #: standard uncertainty of it
    flow_change: float
    flow_u: float  #: standard uncertainty of that
    pressure_change: float
    pressure_kpa: float  #: what it is now
    sharp: bool  #: within seconds, not over minutes
    since_ns: int
    later: list[Block]  #: those that were taken for after the change


def weigh(ring: Sequence[Block], noise: Noise, flow_weight: float) -> Weighed:
    """`noise` is what was learned of C; `flow_weight` is a, from 0 to 1."""
    level = noise.mean
    blocks = list(ring)
    long_run = (1 + noise.phi) / (1 - noise.phi)
    scatter = noise.sd / level
    step_best = ramp_best = 0.0
    step_length = ramp_length = 1
    total = aged = 0.0
    for j, block in enumerate(reversed(blocks)):
        off = block.coefficient / level - 1
        total += off
        aged += j * off
        n = j + 1
        step = total * total / n
        slope = n * total - aged
        ramp = slope * slope * 6 / (n * (n + 1) * (2 * n + 1))
        if step > step_best:
            step_best, step_length = step, n
        if ramp > ramp_best and n > _SLOW:
            ramp_best, ramp_length = ramp, n
    sharp = ramp_best < step_best + _CLEARLY * scatter * scatter * long_run
    length = step_length if sharp else ramp_length
    begin = len(blocks) - length
    later = blocks[begin + 1 :] if length > _CONFIRM else blocks[begin:]
    later = later[:_MOST_LATER] if sharp else later[-_NEWEST:]
    change = 0.0
    for block in later:
        change += block.coefficient / level - 1
    change = change / len(later) or 1e-9
    mean = noise.mean_sd / level
    u = sqrt(_U_LEAST * _U_LEAST + scatter * scatter * long_run / len(later) + mean * mean)
    flow_change, flow_u = _flow_change(blocks, begin, sharp, level, change, flow_weight)
    flow_u = sqrt(flow_u * flow_u + u * u)
    root = (1 + flow_change) / (1 + change)
    return Weighed(
        change, u, flow_change, flow_u, root * root - 1, means(later)[1], sharp, blocks[begin].t_ns, later
    )


def _flow_change(
    blocks: Sequence[Block], begin: int, sharp: bool, level: float, change: float, flow_weight: float
) -> tuple[float, float]:
    """The flow's part of a change of C, and its standard error: the regression of the module's text."""
    length = len(blocks) - begin
    most = begin + _MOST_LATER if sharp else len(blocks)
    skipped = begin if sharp and length > 1 else -2  # partly before, partly after
    a, b = flow_weight / level, 1 - flow_weight
    before: list[float] = []
    gaps: list[int] = []
    for i in range(begin):
        block = blocks[i]
        if not block.follows:
            gaps.append(i)
        before.append(a * block.flow_l_min + b * sqrt(block.pressure_kpa))
    phi = min(noise_of(before, gaps).phi, _PHI_MOST) if begin >= _FEWEST else _PHI
    keep, first = 1 - phi, sqrt(1 - phi * phi)
    s00 = s01 = s11 = t0 = t1 = yy = 0.0
    n = 0
    y_before = s_before = 0.0
    follows = False
    for i, block in enumerate(blocks[:most]):
        if i == skipped:
            follows = False
            continue
        s = 0.0 if i < begin else (1.0 if sharp else (i - begin + 1) / length)
        y = before[i] if i < begin else a * block.flow_l_min + b * sqrt(block.pressure_kpa) * (1 + change * s)
        if i - 1 == skipped:
            # two blocks lie between: what is left of the error is phi^2
            two = phi * phi
            scale = first / sqrt(1 - two * two)
            z0, z1, z = scale * (1 - two), scale * (s - two * s_before), scale * (y - two * y_before)
        elif follows and block.follows:
            z0, z1, z = keep, s - phi * s_before, y - phi * y_before
        else:
            z0, z1, z = first, first * s, first * y
        s00 += z0 * z0
        s01 += z0 * z1
        s11 += z1 * z1
        t0 += z0 * z
        t1 += z1 * z
        yy += z * z
        n += 1
        y_before, s_before, follows = y, s, True
    det = s00 * s11 - s01 * s01
    if det <= 1e-12 * s00 * s11 or n < _CONFIRM:
        return change, abs(change)  # nothing of before is known: the flow is taken to have changed
    size = (s00 * t1 - s01 * t0) / det
    constant = (s11 * t0 - s01 * t1) / det
    rest = max(yy - constant * t0 - size * t1, 0.0)
    return size / constant, sqrt(rest / (n - 2) * s00 / det) / constant


def means(blocks: Sequence[Block]) -> tuple[float, float]:
    """Mean flow, and the pressure whose root is the mean root."""
    flow = root = 0.0
    for block in blocks:
        flow += block.flow_l_min
        root += sqrt(block.pressure_kpa)
    n = len(blocks)
    return flow / n, (root / n) * (root / n)
