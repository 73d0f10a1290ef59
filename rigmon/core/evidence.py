"""The newest blocks, weighed: when a change of the coefficient began, how large it is, and who took part.

For every block that it may have begun with: how much of the scatter a step would explain since then,
S1^2 / n, and how much a ramp, S2^2 / (sum of i^2). It is a ramp if that is clearly better.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Final, NamedTuple

from rigmon.core.coefficient import Block
from rigmon.core.monitor import Noise

#: of the blocks so many before and after are compared: few where it came at once, for the pressure wanders
_NEAR: Final = 6
_FAR: Final = 40
_FEWEST: Final = 5
#: a step may have begun with one of the newest, a ramp began before
_CONFIRM: Final = 3
#: twice the log-likelihood by which a ramp must be better than a step
_CLEARLY: Final = 9.0
#: blocks after a sharp change that are averaged
_MOST_LATER: Final = 60
#: below this the uncertainty of a change is not believed
_U_LEAST: Final = 0.002


class Weighed(NamedTuple):
    """Changes are shares of what was before."""

    change: float  #: of C
    u: float  #: standard uncertainty of it
    flow_change: float
    pressure_change: float
    pressure_kpa: float  #: what it is now
    sharp: bool  #: within seconds, not over minutes
    since_ns: int
    later: list[Block]  #: those that were taken for after the change


def weigh(ring: Sequence[Block], noise: Noise, flow_level: float, pressure_level: float) -> Weighed:
    """`noise` is what was learned of C; the levels stand in where too little is known of before."""
    level = noise.mean
    blocks = list(ring)
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
        if ramp > ramp_best and n > 2 * _CONFIRM:
            ramp_best, ramp_length = ramp, n
    scatter = noise.sd / level
    sharp = ramp_best < step_best + _CLEARLY * scatter * scatter
    length = step_length if sharp else ramp_length
    begin = len(blocks) - length
    far = _NEAR if sharp else _FAR
    earlier = blocks[max(begin - far, 0) : begin]
    later = blocks[begin + 1 :] if length > _CONFIRM else blocks[begin:]
    later = later[-far // 2 :] if not sharp else later[:_MOST_LATER]
    flow0, pressure0 = means(earlier) if len(earlier) >= _FEWEST else (flow_level, pressure_level)
    flow1, pressure1 = means(later)
    change = 0.0
    for block in later:
        change += block.coefficient / level - 1
    change /= len(later)
    long_run = (1 + noise.phi) / (1 - noise.phi)
    mean = noise.mean_sd / level
    u = sqrt(_U_LEAST * _U_LEAST + scatter * scatter * long_run / len(later) + mean * mean)
    return Weighed(
        change or 1e-9, u, flow1 / flow0 - 1, pressure1 / pressure0 - 1, pressure1, sharp,
        blocks[begin].t_ns, later,
    )  # fmt: skip


def means(blocks: Sequence[Block]) -> tuple[float, float]:
    """Mean flow, and the pressure whose root is the mean root."""
    flow = root = 0.0
    for block in blocks:
        flow += block.flow_l_min
        root += sqrt(block.pressure_kpa)
    n = len(blocks)
    return flow / n, (root / n) * (root / n)
