"""Which cause a change of the boom's coefficient has: a table of evidence, and how many nozzles it would be.

See `rigmon.core.evidence` for how the evidence is weighed.
"""

from collections.abc import Callable
from typing import Final, NamedTuple

from rigmon.core.design import exponential

#: the flow's part of the change of C. Of a plugged nozzle nine tenths where a valve holds the pressure, of a
#: leak from a third (a pump without reserve) to nine tenths, nothing where the transducer errs
_PLUG_PART: Final = 0.45
_LEAK_PART: Final = 0.22
#: nearer to a limit than so many standard uncertainties, and the flow's part is doubtful
_DOUBT_SD: Final = 1.0


class Evidence(NamedTuple):
    """What is known of a change of C. Changes are shares of what was before: -0.083 is a fall by 8.3 %."""

    change: float  #: of C
    flow_change: float
    pressure_change: float
    sharp: bool  #: within seconds, not over minutes
    unsteady: bool  #: the meter's reading jumps, the pressure's does not
    rest_shift: float  #: of the pressure with the boom off, as a share of the pressure with it on; 0 unknown
    matters: float  #: the smallest change that matters

    @property
    def flow_part(self) -> float:
        """The flow's part of the change of C; the rest is the pressure's, with half of its own change."""
        return self.flow_change / self.change

    @property
    def rest_explains(self) -> bool:
        """The pressure reads as much more or less with the boom off as it does with it on."""
        shift = self.rest_shift
        return abs(shift) > self.matters and 0.5 < self.pressure_change / shift < 2


class Cause(NamedTuple):
    code: str
    holds: Callable[[Evidence], bool]


#: the first row that holds names the cause of a change of C
CAUSES: Final = (
    Cause("pressure_drift", lambda e: e.rest_explains),
    Cause("flowmeter_unsteady", lambda e: e.unsteady),
    # nozzles: less flow through fewer of them, at the same or more pressure
    Cause("nozzles_plugged", lambda e: e.change < 0 and e.sharp and e.flow_part > _PLUG_PART),
    # more flow through the same nozzles: it goes elsewhere; where a hose is off, the pressure is off too
    Cause(
        "boom_leak",
        lambda e: e.change > 0 and e.sharp and (e.flow_part > _LEAK_PART or e.flow_change > 2 * e.matters),
    ),
    # as much flow at less pressure
    Cause("pressure_drift", lambda e: e.sharp),
    # slowly, and only one of the two moved
    Cause("flowmeter_drift", lambda e: e.flow_part > 0.5),
    Cause("pressure_drift", lambda _: True),
)


def doubtful(change: float, flow_change: float, flow_u: float, *, sharp: bool) -> bool:
    """Whether flow or pressure has changed is not told yet: the limit lies within a standard uncertainty."""
    limit = 0.5 if not sharp else (_PLUG_PART if change < 0 else _LEAK_PART)
    return abs(flow_change - limit * change) < _DOUBT_SD * flow_u


def cause_of(evidence: Evidence) -> str:
    """The code of the cause that the evidence speaks for."""
    return next(cause.code for cause in CAUSES if cause.holds(evidence))


def plugged(change: float, u: float, count: int) -> tuple[int, float]:
    """How many of `count` nozzles are plugged when C changed by `change` (-0.083: by 8.3 %), and how sure.

    m plugged change C by -m/count. With every m from 1 to count as likely before, and a normal error of
    standard deviation `u`, the probability of m goes with exp(-((change + m/count) / u)^2 / 2) (Bayes).
    """
    best, best_weight, total = 1, -1.0, 0.0
    nearest = max(1, min(count, int(-change * count + 0.5)))
    offset = (change + nearest / count) / u
    for m in range(1, count + 1):
        z = (change + m / count) / u
        weight = exponential(0.5 * (offset * offset - z * z))  # against the nearest, so that none is lost
        total += weight
        if weight > best_weight:
            best, best_weight = m, weight
    return best, best_weight / total
