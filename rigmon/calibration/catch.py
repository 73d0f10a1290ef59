"""The catch test: what each nozzle gives in clean water, and the whole boom, with its uncertainty.

Outputs. A nozzle gives volume / time; of several catches the mean counts. The boom gives the sum.

The mean that nozzles are compared with is that of the sound ones: the largest group of nozzles that are all
within `from_mean_pct` of the group's own mean, so that a plugged nozzle does not make its neighbours look
worn. Nozzles known to be worn are left out. Where that group is no majority of the boom, it is the mean of
the nozzles near their rated output; without such, of all that are not plugged.

Uncertainty, JCGM 100:2008, for a flow that is a sum of volume / time:

    repeatability     what the same nozzle gives from catch to catch. Type A: standard deviation relative to
                      the nozzle's mean, pooled over the nozzles that were caught more than once. With fewer
                      than `repeat_dof` degrees of freedom a stated prior stands in (Type B), if it is larger.
    cylinder reading  Type B, each reading for itself
    cylinder scale    Type B; with one cylinder for all, its error is fully correlated over the nozzles and
                      the sensitivities add (eq. 13; 5.2.2, note 1): it does not average out
    stopwatch         Type B, the reaction at start and stop; each catch for itself, or shared by all nozzles
                      that are caught at the same time
    not caught        nozzles left out are taken for one more of the sound ones. Type A: the spread of these

Reading and reaction scatter from catch to catch too, so repeats show them. They count only as far as they are
larger than what the repeats scattered (4.3.10: no effect counted twice).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from math import sqrt
from typing import Any, Final, Literal, NamedTuple

from rigmon import units
from rigmon.calibration.budget import COVERAGE_FACTOR, Budget, mean, sample_sd
from rigmon.calibration.catch_budget import boom_budget, one_catch
from rigmon.calibration.catch_findings import findings
from rigmon.calibration.catch_sound import sound_nozzles
from rigmon.calibration.instruments import CYLINDER_SCALE_U_PCT, CYLINDER_U_L, STOPWATCH_U_S
from rigmon.calibration.result import SLACK, Finding, System, amount, check, significant
from rigmon.errors import UsageError

State = Literal["ok", "plugged", "low", "worn", "uneven"]

#: what can be one catch of one nozzle; beyond, a unit or a point was mistyped
_LARGEST_L: Final = 100.0
_SMALLEST_L: Final = 0.0001
_SHORTEST_S: Final = 1.0
_LONGEST_S: Final = 3600.0
_MOST_NOZZLES: Final = 500
_LARGEST_L_MIN: Final = 200.0


@dataclass(frozen=True, slots=True)
class CatchLimits:
    """What is still fine. UsageError for limits that cannot be.

    from_mean_pct      +-5 % of the mean: Alberta Agdex 606-1, p. 11; so UNL extension, and a University of
                       Idaho worksheet. Others allow 7 % (SportsTurf, April 2014) or 10 % (UGA SB 16; Texas).
    over_rated_pct     more than 10 % over new or rated is worn: US Golf Association; EN 13790 as quoted by
                       inspection bodies
    under_rated_pct    within 10 % of rated: UNL extension
    min_time_s         catch 20 to 60 s: SportsTurf, September 2012
    min_volume_l       less is too little to read. The same article says 20 fl oz, whatever the vessel; None:
                       what the cylinder reads (k = 2) as exactly as a nozzle must agree with the mean, which
                       is 4 fl oz or 115 mL with marks of 10 mL
    expanded_pct       +-5 % of the target rate is recommended (USDA/EPA as reported by Ohio State University
                       Extension); a flow less sure than that (k = 2) cannot show it
    The others are judgement: below half of the mean a nozzle is plugged, not just low; catches of one nozzle
    should agree as well as nozzles must; by hand at a steady pressure they repeat to about 1 %.
    """

    from_mean_pct: float = 5.0
    over_rated_pct: float = 10.0
    under_rated_pct: float = 10.0
    plugged_below_pct: float = 50.0  #: of the mean
    repeat_range_pct: float = 5.0  #: largest less smallest catch of one nozzle, in % of their mean
    min_time_s: float = 20.0
    min_volume_l: float | None = None
    expanded_pct: float = 5.0
    repeatability_pct: float = 1.0  #: prior: standard deviation of one catch, beside reading and timing
    repeat_dof: int = 3  #: degrees of freedom from which repeats replace the prior

    def __post_init__(self) -> None:
        for name in ("from_mean_pct", "under_rated_pct", "plugged_below_pct"):
            check(getattr(self, name), name, "%", high=99)
        if self.plugged_below_pct > 100 - self.from_mean_pct:
            raise UsageError(
                f"plugged_below_pct = {self.plugged_below_pct:g} % must be below 100 - from_mean_pct = "
                f"{100 - self.from_mean_pct:g} %: a plugged nozzle gives less than a low one"
            )
        for name in ("over_rated_pct", "repeat_range_pct", "expanded_pct", "repeatability_pct"):
            check(getattr(self, name), name, "%", high=1000)
        check(self.min_time_s, "min_time_s", "s", zero=True, high=_LONGEST_S)
        if self.min_volume_l is not None:
            check(self.min_volume_l, "min_volume_l", "L", zero=True, high=_LARGEST_L)
        if self.repeat_dof < 1:
            raise UsageError(f"repeat_dof = {self.repeat_dof} must be a whole number, 1 or more")


class Catch(NamedTuple):
    """One container. Several of a nozzle in one round are repeats; a higher round replaces the lower ones."""

    nozzle: int  #: counted from 1, in the order of the boom
    volume_l: float
    time_s: float
    round: int = 1  #: 2 and up: caught again, after cleaning or another tip

    @property
    def flow_l_min(self) -> float:
        return self.volume_l / self.time_s * 60


@dataclass(frozen=True, slots=True)
class NozzleResult:
    """One nozzle."""

    nozzle: int
    catches: tuple[Catch, ...]  #: those that count
    replaced: tuple[Catch, ...]  #: of earlier rounds
    flow_l_min: float
    from_mean_pct: float  #: of the sound nozzles' mean
    from_rated_pct: float | None
    u_pct: float | None  #: standard uncertainty of the flow, % of it; None for a flow of zero
    state: State
    sure: bool  #: it is beyond (or within) its limit by more than the expanded uncertainty of the difference

    @property
    def range_pct(self) -> float:
        """Largest less smallest catch, % of their mean."""
        flows = [catch.flow_l_min for catch in self.catches]
        return 100 * (max(flows) - min(flows)) / self.flow_l_min if self.flow_l_min else 0.0

    def to_json(self) -> dict[str, Any]:
        return {
            "nozzle": self.nozzle,
            "flow_l_min": self.flow_l_min,
            "from_mean_pct": self.from_mean_pct,
            "from_rated_pct": self.from_rated_pct,
            "u_pct": self.u_pct,
            "state": self.state,
            "sure": self.sure,
            "catches": len(self.catches),
            "replaced": len(self.replaced),
        }


@dataclass(frozen=True, slots=True)
class CatchResult:
    """What the catch test says. Carried units."""

    nozzles: tuple[NozzleResult, ...]  #: those that were caught, by number
    missing: tuple[int, ...]  #: those that were not
    mean_l_min: float  #: of the sound nozzles
    sound: tuple[int, ...]  #: the nozzles in that mean
    cv_pct: float | None  #: coefficient of variation (n - 1) of all nozzles caught; None below two
    boom_flow_l_min: float  #: with nozzles missing, an estimate: these taken for sound ones
    budget: Budget  #: of boom_flow_l_min
    repeat_sd_pct: float | None  #: pooled standard deviation of one catch; None without repeats
    repeat_dof: int
    findings: tuple[Finding, ...]
    catches: tuple[Catch, ...]  #: all, as given
    nozzle_count: int
    pressure_kpa: float | None
    rated_l_min: float | None
    limits: CatchLimits
    cylinder_u_l: float
    cylinder_scale_u_pct: float
    shared_cylinder: bool
    stopwatch_u_s: float
    timed_together: bool
    system: System = field(compare=False)

    @property
    def complete(self) -> bool:
        """Every nozzle was caught."""
        return not self.missing

    @property
    def least_volume_l(self) -> float:
        """A smaller catch is too little to read."""
        if self.limits.min_volume_l is not None:
            return self.limits.min_volume_l
        return COVERAGE_FACTOR * self.cylinder_u_l * 100 / self.limits.from_mean_pct

    @property
    def good(self) -> bool:
        """Nothing is to be done before the boom's flow is used."""
        return all(finding.severity == "mind" for finding in self.findings)

    def to_json(self) -> dict[str, Any]:
        """inputs (`from_inputs` takes them back), result, uncertainty and findings, in carried units."""
        return {
            "inputs": {
                "catches": [catch._asdict() for catch in self.catches],
                "nozzle_count": self.nozzle_count,
                "pressure_kpa": self.pressure_kpa,
                "rated_l_min": self.rated_l_min,
                "cylinder_u_l": self.cylinder_u_l,
                "cylinder_scale_u_pct": self.cylinder_scale_u_pct,
                "shared_cylinder": self.shared_cylinder,
                "stopwatch_u_s": self.stopwatch_u_s,
                "timed_together": self.timed_together,
                "limits": asdict(self.limits),
            },
            "result": {
                "boom_flow_l_min": self.boom_flow_l_min,
                "pressure_kpa": self.pressure_kpa,
                "uncertainty_pct": self.budget.relative_pct,
                "expanded_uncertainty_pct": self.budget.expanded_pct,
                "complete": self.complete,
                "good": self.good,
                "mean_l_min": self.mean_l_min,
                "cv_pct": self.cv_pct,
                "repeat_sd_pct": self.repeat_sd_pct,
                "repeat_dof": self.repeat_dof,
                "missing": list(self.missing),
                "sound": list(self.sound),
                "nozzles": [nozzle.to_json() for nozzle in self.nozzles],
            },
            "uncertainty": self.budget.to_json(),
            "findings": [finding.to_json() for finding in self.findings],
        }

    def lines(self) -> list[str]:
        """A table of the nozzles and the boom's flow, for a reader of the result's unit system."""
        unit = units.shown_unit("flow", self.system)
        told = [f" no  {unit:>7}   mean  rated"]
        for nozzle in self.nozzles:
            flow = significant(units.convert(nozzle.flow_l_min, "flow", unit), 3)
            rated = "--" if nozzle.from_rated_pct is None else f"{nozzle.from_rated_pct:+.1f}%"
            state = "" if nozzle.state == "ok" else f"  {nozzle.state}"
            told.append(f"{nozzle.nozzle:3}  {flow:>7} {nozzle.from_mean_pct:+5.1f}% {rated:>6}{state}")
        of = "all" if len(self.sound) == self.nozzle_count else f"{len(self.sound)} sound"
        told.append(f"Mean of {of} nozzles: {amount(self.mean_l_min, 'flow', self.system)}")
        if self.cv_pct is not None:
            told.append(f"Coefficient of variation: {self.cv_pct:.1f} %")
        at = "" if self.pressure_kpa is None else f" at {amount(self.pressure_kpa, 'pressure', self.system)}"
        about = "" if self.complete else "about "
        told.append(
            f"Whole boom{at}: {about}{amount(self.boom_flow_l_min, 'flow', self.system)} "
            f"+-{self.budget.expanded_pct or 0:.1f} % (k = 2)"
        )
        return told


def catch_test(
    catches: Sequence[Catch],
    *,
    nozzle_count: int,
    pressure_kpa: float | None = None,
    rated_l_min: float | None = None,
    limits: CatchLimits | None = None,
    cylinder_u_l: float = CYLINDER_U_L,
    cylinder_scale_u_pct: float = CYLINDER_SCALE_U_PCT,
    shared_cylinder: bool = True,
    stopwatch_u_s: float = STOPWATCH_U_S,
    timed_together: bool = False,
    system: System = "us",
) -> CatchResult:
    """Evaluate a catch test; see the module for the method.

    rated_l_min      of one new nozzle at `pressure_kpa`
    cylinder_u_l     standard uncertainty of one reading; cylinder_scale_u_pct that of the scale
    shared_cylinder  the same cylinder measured every nozzle
    stopwatch_u_s    standard uncertainty of one time
    timed_together   one time for all nozzles: the boom was opened and shut above all containers
    system           the units of the findings' texts

    Raises UsageError for numbers that cannot be, and where every catch is empty.
    """
    limits = limits or CatchLimits()
    _check_catches(catches, nozzle_count)
    if pressure_kpa is not None:
        check(pressure_kpa, "pressure", "kPa", high=100_000)
    if rated_l_min is not None:
        check(rated_l_min, "rated output of one nozzle", "L/min", high=_LARGEST_L_MIN)
    check(cylinder_u_l, "cylinder_u_l", "L", zero=True, high=_LARGEST_L)
    check(cylinder_scale_u_pct, "cylinder_scale_u_pct", "%", zero=True, high=50)
    check(stopwatch_u_s, "stopwatch_u_s", "s", zero=True, high=60)

    counted, replaced = _rounds(catches)
    flows = {number: mean([catch.flow_l_min for catch in group]) for number, group in counted.items()}
    if not any(flows.values()):
        raise UsageError("every catch is empty; catch again with the boom on and at pressure")
    sound = sound_nozzles(flows, rated_l_min, limits)
    middle = mean([flows[number] for number in sound])
    missing = tuple(number for number in range(1, nozzle_count + 1) if number not in flows)

    one = one_catch(counted, flows, middle, limits, cylinder_u_l, stopwatch_u_s, timed_together)
    budget = boom_budget(
        counted, flows, sound, len(missing), one, limits,
        cylinder_u_l, cylinder_scale_u_pct, shared_cylinder, stopwatch_u_s, timed_together,
    )  # fmt: skip
    judged = tuple(
        _judge(
            number, counted[number], replaced.get(number, ()), flows[number], middle, rated_l_min,
            one.scatter.total / sqrt(len(counted[number])), cylinder_scale_u_pct / 100, limits,
        )
        for number in sorted(flows)
    )  # fmt: skip
    caught = [flows[number] for number in sorted(flows)]
    sd = sample_sd(caught)
    result = CatchResult(
        nozzles=judged,
        missing=missing,
        mean_l_min=middle,
        sound=tuple(sound),
        cv_pct=None if sd is None else 100 * sd / mean(caught),
        boom_flow_l_min=budget.value,
        budget=budget,
        repeat_sd_pct=None if one.repeat_sd is None else 100 * one.repeat_sd,
        repeat_dof=one.dof,
        findings=(),
        catches=tuple(catches),
        nozzle_count=nozzle_count,
        pressure_kpa=pressure_kpa,
        rated_l_min=rated_l_min,
        limits=limits,
        cylinder_u_l=cylinder_u_l,
        cylinder_scale_u_pct=cylinder_scale_u_pct,
        shared_cylinder=shared_cylinder,
        stopwatch_u_s=stopwatch_u_s,
        timed_together=timed_together,
        system=system,
    )
    return replace(result, findings=tuple(findings(result)))


def again(older: Iterable[Catch], newer: Iterable[Catch]) -> list[Catch]:
    """Both, the newer in the next round of their nozzles: they replace, the older ones stay listed."""
    kept = list(older)
    newest: dict[int, int] = {}
    for catch in kept:
        newest[catch.nozzle] = max(catch.round, newest.get(catch.nozzle, 0))
    return kept + [catch._replace(round=newest.get(catch.nozzle, 0) + 1) for catch in newer]


def from_inputs(inputs: Mapping[str, Any], system: System = "us") -> CatchResult:
    """The result again from the "inputs" of its JSON. Raises UsageError where they are not a catch test's."""
    try:
        values = {name: value for name, value in inputs.items() if name in _INPUTS}
        values["catches"] = [Catch(**catch) for catch in inputs["catches"]]
        values["limits"] = CatchLimits(**inputs["limits"])
        return catch_test(**values, system=system)
    except (KeyError, TypeError, AttributeError) as error:
        raise UsageError(
            f"not the inputs of a catch test: {error}; give those of a catch test's record"
        ) from error


_INPUTS: Final = (
    *("nozzle_count", "pressure_kpa", "rated_l_min", "cylinder_u_l", "cylinder_scale_u_pct"),
    *("shared_cylinder", "stopwatch_u_s", "timed_together"),
)


def _check_catches(catches: Sequence[Catch], nozzle_count: int) -> None:
    if not 1 <= nozzle_count <= _MOST_NOZZLES:
        raise UsageError(f"nozzle_count = {nozzle_count} must be a whole number, 1 to {_MOST_NOZZLES}")
    if not catches:
        raise UsageError("no catches: give at least one, such as nozzle 1, 148 mL in 30 s")
    for catch in catches:
        if not 1 <= catch.nozzle <= nozzle_count:
            raise UsageError(f"nozzle {catch.nozzle}: this boom has nozzles 1 to {nozzle_count}")
        if catch.round < 1:
            raise UsageError(f"nozzle {catch.nozzle}: round {catch.round} must be 1 or more")
        check(catch.volume_l, f"nozzle {catch.nozzle}: volume", "L", zero=True, high=_LARGEST_L)
        if 0 < catch.volume_l < _SMALLEST_L:
            raise UsageError(
                f"nozzle {catch.nozzle}: volume = {catch.volume_l:g} L is less than a drop; check the number "
                "and its unit, or give 0 mL for a nozzle that gives nothing"
            )
        check(catch.time_s, f"nozzle {catch.nozzle}: time", "s", low=_SHORTEST_S, high=_LONGEST_S)


def _rounds(catches: Iterable[Catch]) -> tuple[dict[int, tuple[Catch, ...]], dict[int, tuple[Catch, ...]]]:
    """(those that count, those that were replaced) of each nozzle, in the order given."""
    every: dict[int, list[Catch]] = {}
    for catch in catches:
        every.setdefault(catch.nozzle, []).append(catch)
    counted, replaced = {}, {}
    for number in sorted(every):
        newest = max(catch.round for catch in every[number])
        counted[number] = tuple(catch for catch in every[number] if catch.round == newest)
        replaced[number] = tuple(catch for catch in every[number] if catch.round < newest)
    return counted, replaced


def _judge(
    number: int,
    catches: tuple[Catch, ...],
    replaced: tuple[Catch, ...],
    flow: float,
    middle: float,
    rated_l_min: float | None,
    u_own: float,
    u_scale: float,
    limits: CatchLimits,
) -> NozzleResult:
    from_mean = 100 * (flow / middle - 1)
    from_rated = None if rated_l_min is None else 100 * (flow / rated_l_min - 1)
    u_all = sqrt(u_own * u_own + u_scale * u_scale)
    state: State
    # how far beyond its limit, and the uncertainty of that difference: to the mean, the scale cancels
    over, u = abs(from_mean) - limits.from_mean_pct, u_own * (flow / middle)
    if flow < middle * limits.plugged_below_pct / 100:
        state = "plugged"
    elif from_rated is not None and from_rated > limits.over_rated_pct * (1 + SLACK):
        state = "worn"
        over, u = from_rated - limits.over_rated_pct, u_all * (1 + from_rated / 100)
    elif from_mean < -limits.from_mean_pct * (1 + SLACK):
        state = "low"
    elif from_mean > limits.from_mean_pct * (1 + SLACK):
        state = "uneven"
    else:
        state = "ok"
    return NozzleResult(
        number, catches, replaced, flow, from_mean, from_rated, 100 * u_all if flow else None,
        state, abs(over) > 200 * u,
    )  # fmt: skip
