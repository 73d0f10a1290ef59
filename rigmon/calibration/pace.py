"""The pace for a boom carried by hand: steps a minute that hold the target rate, and the beat to walk by.

Steps over a measured distance give the length of a step. The target rate, the boom's flow and its swath give
the walking speed (`rigmon.core.rate`); speed over step is the pace.

A beat is a stamp worked out from its number, as an exact quotient of integers: never from the beat before.
So nothing adds up, neither rounding nor the lateness of a wait.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from math import isfinite
from typing import Any, Final

from rigmon.calibration.budget import Budget, Component, rectangular
from rigmon.calibration.instruments import TAPE_U_M
from rigmon.calibration.result import Finding, System, amount, check, significant
from rigmon.core import rate
from rigmon.errors import UsageError

#: steps a minute that people can keep up with a boom in their hands: common practice
SLOWEST_STEPS_PER_MIN: Final = 60.0
FASTEST_STEPS_PER_MIN: Final = 140.0
#: fewer steps than this, and a miscounted one changes the pace by more than a few percent
FEWEST_STEPS: Final = 20
#: a step outside this is no walking step: distance and count do not belong together
SHORTEST_STEP_M: Final = 0.3
LONGEST_STEP_M: Final = 1.2

_COUNT_HALF_STEPS: Final = 0.5
_NS_PER_MIN: Final = 60_000_000_000
_MOST_STEPS_PER_MIN: Final = 1000.0


@dataclass(frozen=True, slots=True)
class PaceResult:
    """Steps a minute for the target rate, and what they rest on. Carried units."""

    steps: int
    distance_m: float
    swath_m: float
    flow_l_min: float
    rate_l_ha: float
    tolerance_pct: float
    step_m: float
    speed_m_s: float  #: the walking speed that holds the rate
    steps_per_min: float
    steps_low_per_min: float  #: the slowest and the fastest pace that keep the rate inside the tolerance
    steps_high_per_min: float
    budget: Budget  #: of steps_per_min
    findings: tuple[Finding, ...]
    system: System

    @property
    def seconds_per_step(self) -> float:
        return 60 / self.steps_per_min

    def lines(self) -> list[str]:
        """What to do, for a reader of the result's unit system."""
        sure = self.budget.expanded_pct or 0.0
        return [
            f"Walk {self.steps_per_min:.0f} steps a minute (+-{significant(sure, 2)} %, k = 2): a step every "
            f"{self.seconds_per_step:.2f} s.",
            f"{self.steps_low_per_min:.1f} to {self.steps_high_per_min:.1f} steps a minute keep "
            f"{amount(self.rate_l_ha, 'rate', self.system)} within {self.tolerance_pct:g} %: "
            "slower overdoses, faster underdoses.",
            f"A step is {_step(self.step_m, self.system)}; "
            f"the walking speed is {amount(self.speed_m_s, 'speed', self.system)}.",
        ]

    def to_json(self) -> dict[str, Any]:
        return {
            "inputs": {
                "steps": self.steps,
                "distance_m": self.distance_m,
                "swath_m": self.swath_m,
                "flow_l_min": self.flow_l_min,
                "rate_l_ha": self.rate_l_ha,
                "tolerance_pct": self.tolerance_pct,
            },
            "result": {
                "step_m": self.step_m,
                "speed_m_s": self.speed_m_s,
                "steps_per_min": self.steps_per_min,
                "steps_low_per_min": self.steps_low_per_min,
                "steps_high_per_min": self.steps_high_per_min,
                "seconds_per_step": self.seconds_per_step,
            },
            "uncertainty": {"steps_per_min": self.budget.to_json()},
            "findings": [finding.to_json() for finding in self.findings],
        }


def hand_boom_pace(
    *,
    steps: int,
    distance_m: float,
    swath_m: float,
    flow_l_min: float,
    rate_l_ha: float,
    tolerance_pct: float = 10.0,
    flow_u_pct: float = 2.5,
    swath_u_pct: float = 1.0,
    distance_u_m: float = TAPE_U_M,
    slowest_per_min: float = SLOWEST_STEPS_PER_MIN,
    fastest_per_min: float = FASTEST_STEPS_PER_MIN,
    system: System = "us",
) -> PaceResult:
    """The pace that holds `rate_l_ha` with a boom of `flow_l_min` (all nozzles) and `swath_m`.

    `steps` counted over `distance_m`, left and right each counting one. `flow_u_pct`, `swath_u_pct` and
    `distance_u_m` are standard uncertainties (k = 1); the count is off by at most half a step. Raises
    UsageError for numbers that cannot be, and for a step that no walker makes.
    """
    if isinstance(steps, bool) or steps != int(steps) or steps < 1:
        raise UsageError(f"steps = {steps} must be a whole number, at least 1: left and right each count one")
    check(distance_m, "distance", "m", high=10_000)
    check(swath_m, "swath", "m", high=100)
    check(flow_l_min, "boom flow", "L/min", high=2000)
    check(rate_l_ha, "target rate", "L/ha", high=100_000)
    check(tolerance_pct, "tolerance", "%", low=0.1, high=50)
    check(flow_u_pct, "standard uncertainty of the boom flow", "%", zero=True, high=50)
    check(swath_u_pct, "standard uncertainty of the swath", "%", zero=True, high=50)
    check(distance_u_m, "standard uncertainty of the distance", "m", zero=True, high=distance_m)
    check(slowest_per_min, "slowest pace", "steps/min", high=_MOST_STEPS_PER_MIN)
    if not slowest_per_min < fastest_per_min <= _MOST_STEPS_PER_MIN:
        raise UsageError(
            f"fastest pace = {fastest_per_min:g} steps/min must be above the slowest, {slowest_per_min:g}, "
            f"and at most {_MOST_STEPS_PER_MIN:g}"
        )
    step_m = distance_m / steps
    if not SHORTEST_STEP_M <= step_m <= LONGEST_STEP_M:
        raise UsageError(
            f"{steps} steps over {amount(distance_m, 'length', system)} make a step of "
            f"{_step(step_m, system)}; it must be {_step(SHORTEST_STEP_M, system)} to "
            f"{_step(LONGEST_STEP_M, system)}: check the distance and its unit, and count every step, left "
            "and right"
        )
    speed_m_s = rate.speed_for_rate_m_s(rate_l_ha, flow_l_min, swath_m)
    pace = 60 * speed_m_s / step_m
    low_m_s, high_m_s = rate.speed_band_m_s(speed_m_s, tolerance_pct)
    # steps/min = 60 x K x flow x steps / (rate x swath x distance): a product of powers, JCGM 100 eq. (12)
    budget = Budget(
        [
            Component("boom flow", "B", flow_l_min * flow_u_pct / 100, "L/min", pace / flow_l_min),
            Component("swath", "B", swath_m * swath_u_pct / 100, "m", -pace / swath_m),
            Component("measured distance", "B", distance_u_m, "m", -pace / distance_m),
            Component(
                "counted steps", "B", rectangular(_COUNT_HALF_STEPS), "steps", pace / steps, note="+-1/2 step"
            ),
        ],
        pace,
        "steps/min",
    )
    result = PaceResult(
        steps=int(steps),
        distance_m=distance_m,
        swath_m=swath_m,
        flow_l_min=flow_l_min,
        rate_l_ha=rate_l_ha,
        tolerance_pct=tolerance_pct,
        step_m=step_m,
        speed_m_s=speed_m_s,
        steps_per_min=pace,
        steps_low_per_min=60 * low_m_s / step_m,
        steps_high_per_min=60 * high_m_s / step_m,
        budget=budget,
        findings=(),
        system=system,
    )
    findings = (*_possible(result, slowest_per_min, fastest_per_min), *_counted(result))
    return replace(result, findings=findings)


def _possible(result: PaceResult, slowest: float, fastest: float) -> list[Finding]:
    pace, system = result.steps_per_min, result.system
    if slowest <= pace <= fastest:
        return []
    if pace < slowest:
        word, bound, change, label = "slow", slowest, "a higher pressure or larger nozzles", "less"
    else:
        word, bound, change, label = "fast", fastest, "a lower pressure or smaller nozzles", "more"
    # at a pace within reach, the flow that gives the rate goes with the pace, and the rate against it
    flow_l_min = result.flow_l_min * bound / pace
    rate_l_ha = result.rate_l_ha * pace / bound
    return [
        Finding(
            f"pace_too_{word}",
            "do",
            f"{pace:.0f} steps a minute is too {word} to keep: people walk {slowest:g} to {fastest:g} with a "
            f"hand boom. At {bound:g} steps a minute the rate asks for a boom flow of "
            f"{amount(flow_l_min, 'flow', system)} instead of {amount(result.flow_l_min, 'flow', system)} "
            f"({change}); or keep this boom and spray {label}, {amount(rate_l_ha, 'rate', system)}, if the "
            "label allows it.",
        )
    ]


def _counted(result: PaceResult) -> list[Finding]:
    if result.steps >= FEWEST_STEPS:
        return []
    off_pct = 100 * _COUNT_HALF_STEPS / result.steps
    return [
        Finding(
            "few_steps",
            "mind",
            f"Only {result.steps} steps were counted, so half a step miscounted is {off_pct:.0f} % of the "
            f"pace. Count at least {FEWEST_STEPS} over a longer distance, at the gait of the work.",
        )
    ]


def _step(step_m: float, system: System) -> str:
    return amount(step_m, "length", system, small=True)


def beat_ns(k: int, steps_per_min: float) -> int:
    """Stamp [ns] of beat `k`, counted from beat 0 at 0: k minutes / `steps_per_min`, to the nearest ns.

    Worked in integers from the exact value of the float, so off by at most half a nanosecond whatever `k`.
    Raises ValueError for a negative beat, UsageError for a pace that is not above zero and at most 1000.
    """
    if k < 0:
        raise ValueError(f"k = {k} is negative; beats count from 0")
    return round(k * _period_ns(steps_per_min))


def _period_ns(steps_per_min: float) -> Fraction:
    if not (isfinite(steps_per_min) and 0 < steps_per_min <= _MOST_STEPS_PER_MIN):
        raise UsageError(
            f"pace = {steps_per_min:g} steps/min must be above 0 and at most {_MOST_STEPS_PER_MIN:g}"
        )
    return _NS_PER_MIN / Fraction(steps_per_min)


@dataclass(frozen=True, slots=True)
class Beats:
    """What `beat` did until it was stopped."""

    given: int
    skipped: int  #: beats whose successor was due already when the process woke up


def beat(
    steps_per_min: float,
    emit: Callable[[int], None],
    clock: Callable[[], int],
    wait: Callable[[float], object],
    stop: Callable[[], bool],
) -> Beats:
    """Call `emit(k)` at each beat, the first at once, until `stop()` says True.

    `clock` gives monotonic ns; `wait(seconds)` may return early or late (an event's `wait` does for both:
    stopping and waiting). Each wait is to the beat's own deadline, start + beat_ns(k), so lateness of one
    never moves another. A beat that is over when its turn comes is skipped, not sounded late in a burst.
    """
    period_ns = _period_ns(steps_per_min)
    start_ns = clock()
    k = given = skipped = 0
    while not stop():
        late_ns = clock() - start_ns - beat_ns(k, steps_per_min)
        if late_ns < 0:
            wait(-late_ns / 1e9)
            continue
        behind = int(late_ns / period_ns)
        if behind:
            k += behind
            skipped += behind
            continue
        emit(k)
        given += 1
        k += 1
    return Beats(given, skipped)
