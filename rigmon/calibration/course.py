"""The measured course: ground speed from timed passes, or from the steady passes of a recording.

Speed is one over the mean pace (seconds per metre), which for one course is length / mean time, as extension
worksheets work it (NC State Extension: 16 s and 18 s are 17 s). Where passes went both ways, the mean of the
two directions' means, so that slope and wind weigh nothing however often each way was driven.

Uncertainty, JCGM 100:2008:

    repeatability    Type A: standard deviation of one pass relative to its direction's mean, pooled over
                     both. With fewer than `repeat_dof` degrees of freedom a stated prior stands in (Type B),
                     if it is larger.
    course length    Type B, shared by all passes: it does not average out
    stopwatch        Type B, the reaction at both marks; each pass for itself
    receiver noise   Type B, of a GPS speed averaged over a pass; each pass for itself
    receiver bias    Type B, shared by all passes

Errors of single passes (stopwatch, receiver noise) count as far as the repeats do not show them (4.3.10).
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from math import fsum, sqrt
from typing import Any, Final, Literal, NamedTuple

from rigmon import units
from rigmon.calibration.budget import (
    Budget,
    Component,
    Repeatability,
    mean,
    pooled_sd,
    repeatability,
    root_sum,
)
from rigmon.calibration.course_findings import findings
from rigmon.calibration.instruments import STOPWATCH_U_S, TAPE_U_M
from rigmon.calibration.result import Finding, System, amount, check
from rigmon.calibration.steady import SteadyLimits, SteadyPass, steady_passes
from rigmon.errors import UsageError

__all__ = [
    "Comparison",
    "CourseLimits",
    "CourseResult",
    "Pass",
    "SteadyLimits",
    "SteadyPass",
    "compare",
    "gps_course",
    "measured_course",
    "steady_passes",
]

Direction = Literal["out", "back"]

#: a receiver's speed has one independent error every so often [s]
NOISE_CORRELATION_S: Final = 2.0

_SHORTEST_M: Final = 1.0
_LONGEST_M: Final = 10_000.0
_SHORTEST_S: Final = 1.0
_LONGEST_S: Final = 3600.0
_FASTEST_M_S: Final = 30.0
#: tracks closer than this are one direction; as close to the opposite, the other
_SAME_WAY_DEG: Final = 45.0


@dataclass(frozen=True, slots=True)
class CourseLimits:
    """What is still fine. UsageError for limits that cannot be.

    min_length_m      at least 100 ft: Cornell University boom worksheet
    advised_length_m  200 ft: NC State WQWM-152, and the common timed-course tables
    min_passes        2 runs: Texas extension; University of Kentucky ENTFACT-805
    advised_passes    3: Ontario factsheet (3 passes averaged), NC State WQWM-152 (3 runs or more)
    expanded_pct      +-5 % of the target rate is recommended (USDA/EPA as reported by Ohio State University
                      Extension); a speed less sure than that (k = 2) cannot show it
    The others are judgement: passes of one direction within 5 %; directions within 5 %; and by hand throttle
    on firm ground a pass repeats to about 2 %.
    """

    min_length_m: float = float(100 * units.FOOT_M)
    advised_length_m: float = float(200 * units.FOOT_M)
    min_passes: int = 2
    advised_passes: int = 3
    range_pct: float = 5.0  #: slowest less fastest pass of one direction, % of their mean
    direction_pct: float = 5.0
    expanded_pct: float = 5.0
    repeatability_pct: float = 2.0  #: prior: standard deviation of one pass, beside timing
    repeat_dof: int = 2  #: degrees of freedom from which repeats replace the prior

    def __post_init__(self) -> None:
        check(self.min_length_m, "min_length_m", "m", zero=True, high=_LONGEST_M)
        check(self.advised_length_m, "advised_length_m", "m", zero=True, high=_LONGEST_M)
        for name in ("range_pct", "direction_pct", "expanded_pct", "repeatability_pct"):
            check(getattr(self, name), name, "%", high=1000)
        for name in ("min_passes", "advised_passes", "repeat_dof"):
            if getattr(self, name) < 1:
                raise UsageError(f"{name} = {getattr(self, name)} must be a whole number, 1 or more")


class Pass(NamedTuple):
    """One timed run over the course."""

    time_s: float
    direction: Direction | None = None  #: None: not noted


class PassSpeed(NamedTuple):
    """One pass as it counts."""

    speed_m_s: float
    direction: Direction | None
    distance_m: float
    time_s: float


@dataclass(frozen=True, slots=True)
class CourseResult:
    """A ground speed with its uncertainty. Carried units."""

    source: Literal["stopwatch", "gps"]
    speed_m_s: float
    budget: Budget  #: of speed_m_s
    passes: tuple[PassSpeed, ...]
    out_m_s: float | None  #: mean of each direction; None: no pass that way, or not noted
    back_m_s: float | None
    back_from_out_pct: float | None  #: how much faster back is than out
    repeat_sd_pct: float | None  #: pooled standard deviation of one pass; None without repeats
    repeat_dof: int
    range_pct: float  #: largest difference of passes within one direction, % of their mean
    findings: tuple[Finding, ...]
    limits: CourseLimits
    inputs: dict[str, Any] = field(hash=False)  #: what was given, as JSON has it
    system: System = field(compare=False)

    @property
    def good(self) -> bool:
        """Nothing is to be done before the speed is used."""
        return all(finding.severity == "mind" for finding in self.findings)

    def to_json(self) -> dict[str, Any]:
        """inputs, result, uncertainty and findings, in carried units."""
        return {
            "inputs": {**self.inputs, "limits": asdict(self.limits)},
            "result": {
                "source": self.source,
                "speed_m_s": self.speed_m_s,
                "uncertainty_pct": self.budget.relative_pct,
                "expanded_uncertainty_pct": self.budget.expanded_pct,
                "good": self.good,
                "out_m_s": self.out_m_s,
                "back_m_s": self.back_m_s,
                "back_from_out_pct": self.back_from_out_pct,
                "repeat_sd_pct": self.repeat_sd_pct,
                "repeat_dof": self.repeat_dof,
                "range_pct": self.range_pct,
                "passes": [one._asdict() for one in self.passes],
            },
            "uncertainty": self.budget.to_json(),
            "findings": [finding.to_json() for finding in self.findings],
        }

    def lines(self) -> list[str]:
        """The passes and the speed, for a reader of the result's unit system."""
        told = []
        for number, one in enumerate(self.passes, 1):
            way = f"  {one.direction}" if one.direction else ""
            told.append(
                f"{number:3}  {one.time_s:6.1f} s  {amount(one.speed_m_s, 'speed', self.system)}{way}"
            )
        if self.out_m_s is not None and self.back_m_s is not None and self.back_from_out_pct is not None:
            told.append(
                f"Out {amount(self.out_m_s, 'speed', self.system)}, back "
                f"{amount(self.back_m_s, 'speed', self.system)} ({self.back_from_out_pct:+.1f} %)"
            )
        by = "stopwatch" if self.source == "stopwatch" else "GPS"
        told.append(
            f"Speed by {by}: {amount(self.speed_m_s, 'speed', self.system)} "
            f"+-{self.budget.expanded_pct or 0:.1f} % (k = 2)"
        )
        return told


def measured_course(
    passes: Sequence[Pass],
    *,
    length_m: float,
    length_u_m: float = TAPE_U_M,
    stopwatch_u_s: float = STOPWATCH_U_S,
    limits: CourseLimits | None = None,
    system: System = "us",
) -> CourseResult:
    """Ground speed from timed passes over one course; see the module for the method.

    length_u_m and stopwatch_u_s are standard uncertainties of the length and of one time. Raises UsageError
    for numbers that cannot be.
    """
    limits = limits or CourseLimits()
    check(length_m, "course length", "m", low=_SHORTEST_M, high=_LONGEST_M)
    check(length_u_m, "length_u_m", "m", zero=True, high=length_m / 2)
    check(stopwatch_u_s, "stopwatch_u_s", "s", zero=True, high=60)
    if not passes:
        raise UsageError("no passes: give at least one, such as 45.5 s out")
    for number, one in enumerate(passes, 1):
        check(one.time_s, f"pass {number}: time", "s", low=_SHORTEST_S, high=_LONGEST_S)
        if one.direction not in ("out", "back", None):
            raise UsageError(f"pass {number}: direction {one.direction!r} must be 'out' or 'back'")
        if length_m / one.time_s > _FASTEST_M_S:
            raise UsageError(
                f"pass {number}: {amount(length_m, 'length', system)} in {one.time_s:g} s is "
                f"{amount(length_m / one.time_s, 'speed', system)}; check length and time, and their units"
            )
    timed = tuple(PassSpeed(length_m / one.time_s, one.direction, length_m, one.time_s) for one in passes)
    paces = _Paces(timed, [stopwatch_u_s / one.time_s for one in timed], limits)
    speed = paces.speed_m_s
    components = [
        paces.component(),
        Component(
            "course length", "B", length_u_m, "m", speed / length_m, None,
            "one course for all passes: fully correlated",
        ),
        Component(
            "stopwatch", "B", stopwatch_u_s, "s",
            -paces.scatter.not_shown * speed * speed / length_m * root_sum(paces.weights), None,
            f"reaction, each time for itself{paces.shown}",
        ),
    ]  # fmt: skip
    inputs = {
        "length_m": length_m,
        "length_u_m": length_u_m,
        "stopwatch_u_s": stopwatch_u_s,
        "passes": [one._asdict() for one in passes],
    }
    return _result("stopwatch", paces, components, inputs, length_m, limits, system)


def gps_course(
    passes: Sequence[SteadyPass],
    *,
    speed_noise_m_s: float,
    speed_bias_pct: float,
    limits: CourseLimits | None = None,
    system: System = "us",
) -> CourseResult:
    """The same from the steady passes of a recording (`steady_passes`).

    speed_noise_m_s   standard deviation of one speed of the receiver, whose error is taken to renew itself
                      every NOISE_CORRELATION_S
    speed_bias_pct    standard uncertainty of its speed that does not average out

    Out is the way of the first pass; back is the opposite. Raises UsageError where there is no pass.
    """
    limits = limits or CourseLimits()
    check(speed_noise_m_s, "speed_noise_m_s", "m/s", zero=True, high=_FASTEST_M_S)
    check(speed_bias_pct, "speed_bias_pct", "%", zero=True, high=50)
    if not passes:
        raise UsageError(
            "no steady pass in the recording: drive at one speed and straight ahead for "
            f"{amount(limits.advised_length_m, 'length', system, 2)} or more, each way"
        )
    timed = tuple(
        PassSpeed(one.speed_m_s, _way(one.track_deg, passes[0].track_deg), one.distance_m, one.time_s)
        for one in passes
    )
    # averaged over a pass, of the noise of one speed this is left
    left = [sqrt(min(1.0, NOISE_CORRELATION_S / one.time_s)) for one in passes]
    own_u = [speed_noise_m_s * part / one.speed_m_s for part, one in zip(left, timed, strict=True)]
    paces = _Paces(timed, own_u, limits)
    speed = paces.speed_m_s
    # a pass's speed v of weight w moves the result by (speed / v)^2 w
    reach = [
        weight * part * (speed / one.speed_m_s) ** 2
        for weight, part, one in zip(paces.weights, left, timed, strict=True)
    ]
    components = [
        paces.component(),
        Component(
            "receiver noise", "B", speed_noise_m_s, "m/s", paces.scatter.not_shown * root_sum(reach), None,
            f"of one speed, averaged over each pass{paces.shown}",
        ),
        Component(
            "receiver bias", "B", speed_bias_pct, "%", speed / 100, None,
            "one receiver for all passes: fully correlated",
        ),
    ]  # fmt: skip
    inputs = {
        "speed_noise_m_s": speed_noise_m_s,
        "speed_bias_pct": speed_bias_pct,
        "passes": [one.to_json() for one in passes],
    }
    shortest = min(one.distance_m for one in passes)
    return _result("gps", paces, components, inputs, shortest, limits, system)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two speeds of the same driving. Carried units."""

    difference_m_s: float  #: GPS less stopwatch
    difference_pct: float  #: of the stopwatch's speed
    expanded_m_s: float  #: expanded uncertainty (k = 2) of the difference
    expanded_pct: float
    agrees: bool
    finding: Finding

    def to_json(self) -> dict[str, Any]:
        return {
            "difference_m_s": self.difference_m_s,
            "difference_pct": self.difference_pct,
            "expanded_m_s": self.expanded_m_s,
            "expanded_pct": self.expanded_pct,
            "agrees": self.agrees,
            "finding": self.finding.to_json(),
        }


def compare(stopwatch: CourseResult, gps: CourseResult, system: System | None = None) -> Comparison:
    """Whether two speeds agree: |difference| <= expanded uncertainty of the difference (k = 2).

    The two are taken to be independent. Where both are of the same passes the driver's scatter is in both, so
    the difference is known better than said here, and disagreement is told late, never early.
    """
    system = system or stopwatch.system
    difference = gps.speed_m_s - stopwatch.speed_m_s
    expanded = root_sum((stopwatch.budget.expanded, gps.budget.expanded))
    agrees = abs(difference) <= expanded
    pct, expanded_pct = (100 * part / stopwatch.speed_m_s for part in (difference, expanded))
    said = (
        f"GPS {amount(gps.speed_m_s, 'speed', system)}, stopwatch "
        f"{amount(stopwatch.speed_m_s, 'speed', system)}: {pct:+.1f} % apart, of +-{expanded_pct:.1f} % that "
        "both allow (k = 2). "
    )
    if agrees:
        finding = Finding("speeds_agree", "mind", f"{said}They agree.")
    else:
        finding = Finding(
            "speeds_disagree",
            "do",
            f"{said}They do not agree. Measure the course again with a tape, time it again, and give the "
            "receiver a clear view of the sky; were both of the same gear and throttle?",
        )
    return Comparison(difference, pct, expanded, expanded_pct, agrees, finding)


def _way(track_deg: float, first_deg: float) -> Direction | None:
    turned = abs((track_deg - first_deg + 180) % 360 - 180)
    if turned <= _SAME_WAY_DEG:
        return "out"
    return "back" if turned >= 180 - _SAME_WAY_DEG else None


class _Paces:
    """The mean pace of the passes, with each pass's weight, and how far one pass scatters."""

    def __init__(self, passes: tuple[PassSpeed, ...], own_u: Sequence[float], limits: CourseLimits) -> None:
        self.passes = passes
        paces = [1 / one.speed_m_s for one in passes]
        ways = {one.direction for one in passes}
        #: the direction of every pass is known, and both were driven
        self.both_ways = ways == {"out", "back"}
        self.groups: dict[Direction | None, list[int]] = {}
        for number, one in enumerate(passes):
            self.groups.setdefault(one.direction if self.both_ways else None, []).append(number)
        self.weights = [0.0] * len(passes)
        group_mean = [0.0] * len(passes)
        for group in self.groups.values():
            middle = mean([paces[number] for number in group])
            for number in group:
                self.weights[number] = 1 / (len(group) * len(self.groups))
                group_mean[number] = middle
        pace = fsum(weight * one for weight, one in zip(self.weights, paces, strict=True))
        self.speed_m_s = 1 / pace
        self.repeat_sd, self.dof = pooled_sd(
            [[paces[number] / group_mean[number] for number in group] for group in self.groups.values()]
        )
        reading_u = sqrt(mean([u * u for u in own_u]))
        prior = limits.repeatability_pct / 100
        self.scatter: Repeatability = repeatability(
            self.repeat_sd, self.dof, reading_u, prior, limits.repeat_dof
        )
        self.shown = "; counted as far as the repeats do not show it" if self.scatter.kind == "A" else ""
        self._reach = root_sum(
            weight * middle / pace for weight, middle in zip(self.weights, group_mean, strict=True)
        )

    def component(self) -> Component:
        return Component(
            "repeatability",
            self.scatter.kind,
            100 * self.scatter.sd,
            "%",
            self.speed_m_s * self._reach / 100,
            self.scatter.dof,
            f"standard deviation of one pass; {self.scatter.about(self.dof)}",
        )

    def way_m_s(self, direction: Direction) -> float | None:
        paces = [1 / one.speed_m_s for one in self.passes if one.direction == direction]
        return 1 / mean(paces) if paces else None

    def range_pct(self) -> float:
        """The largest difference of passes within one direction, % of their mean."""
        groups = [[self.passes[number].speed_m_s for number in group] for group in self.groups.values()]
        return max(100 * (max(speeds) - min(speeds)) / mean(speeds) for speeds in groups)


def _result(
    source: Literal["stopwatch", "gps"],
    paces: _Paces,
    components: Sequence[Component],
    inputs: dict[str, Any],
    length_m: float,
    limits: CourseLimits,
    system: System,
) -> CourseResult:
    out, back = paces.way_m_s("out"), paces.way_m_s("back")
    result = CourseResult(
        source=source,
        speed_m_s=paces.speed_m_s,
        budget=Budget(components, paces.speed_m_s, "m/s"),
        passes=paces.passes,
        out_m_s=out,
        back_m_s=back,
        back_from_out_pct=None if out is None or back is None else 100 * (back / out - 1),
        repeat_sd_pct=None if paces.repeat_sd is None else 100 * paces.repeat_sd,
        repeat_dof=paces.dof,
        range_pct=paces.range_pct(),
        findings=(),
        limits=limits,
        inputs=inputs,
        system=system,
    )
    return replace(result, findings=tuple(findings(result, length_m)))
