"""A flowmeter against caught volume: pulses per litre, or the factor for a meter that states its own litres.

K = pulses / volume of each run; the meter's K is the mean over the runs (the volumetric method; by weight,
volume = net mass / density, see `water_volume_l`). Annual check of the flow-meter factor: GRDC, module 6.6.
Three runs or more are common practice. The uncertainty is that of the mean, JCGM 100:2008:

- repeatability, Type A: s / sqrt(n) of the runs (4.2.3)
- reading the volume, Type B: one cylinder for all runs, so its error is shared by them (5.2.2, note 1)
- counting, Type B: a run begins and ends between two pulses, +-1 count, triangular (4.3.9)
- change of K with flow, Type B: where a line through K against flow has a slope that is not zero (|t| above
  Student's 95 %), half of its rise over the flows that were run, rectangular (4.3.7)
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf, isfinite, sqrt
from typing import Any, Final, Literal, NamedTuple

from rigmon import units
from rigmon.calibration.budget import Budget, Component, mean, rectangular, sample_sd, triangular
from rigmon.calibration.line import fit_line
from rigmon.calibration.result import Finding, System, amount, check, significant
from rigmon.calibration.student import t95
from rigmon.errors import UsageError

#: a jug's marks, where nothing is said of the reading: half-width in % of the volume
_READING_HALF_PCT: Final = 1.0
#: flows less far apart than this say nothing of linearity
_FLOW_RATIO: Final = 1.2
#: fewer runs than this are taken, with a finding
_GOOD_RUNS: Final = 3
#: fewer pulses than this, and +-1 count is more than 1 %
_FEW_PULSES: Final = 100
#: a slope smaller than this over the flows run is rounding, whatever its t
_NO_RISE_PCT: Final = 1e-6

# What a factor near these numbers means: the meter states another unit.
_UNIT_SLIPS: Final[tuple[tuple[float, str], ...]] = (
    (3.785411784, "US gallons where litres are meant"),
    (1 / 3.785411784, "a volume that was caught in gallons and entered in litres"),
    (60.0, "litres per second where litres per minute are meant"),
    (1 / 60, "litres per minute where litres per second are meant"),
    (1000.0, "cubic metres where litres are meant"),
    (0.001, "millilitres where litres are meant"),
)


class MeterRun(NamedTuple):
    """One run of a pulse meter into a measured volume."""

    pulses: int
    volume_l: float
    time_s: float | None = None  #: None: not taken, and nothing can be said of linearity
    edge_pulses: float = 0.0  #: +- this many may belong before or after the run, besides the last one


class IndicatedRun(NamedTuple):
    """One run of a meter that states litres (XDR) into a measured volume."""

    indicated_l: float
    volume_l: float
    time_s: float | None = None
    edge_l: float = 0.0  #: +- so much may belong before or after the run


@dataclass(frozen=True, slots=True)
class MeterLimits:
    """What is credible, and what is worth a word. Defaults: common practice."""

    spread_pct: float = 10.0  #: largest less smallest of the runs, in % of their mean: more is refused
    low_pulses_per_l: float = 1.0
    high_pulses_per_l: float = 200_000.0
    low_factor: float = 0.5
    high_factor: float = 2.0
    nonlinearity_pct: float = 2.0  #: change over the flows run: more is told
    #: expanded uncertainty: more is told. Error of a sprayer's flowmeter at inspection, 5 %: ISO 16122, from
    #: memory
    expanded_pct: float = 5.0


@dataclass(frozen=True, slots=True)
class RunResult:
    """One run: K in pulses/L, or caught over stated litres."""

    run: int  #: counted from 1
    value: float
    flow_l_min: float | None
    from_mean_pct: float

    def to_json(self) -> dict[str, Any]:
        return {
            "run": self.run,
            "value": self.value,
            "flow_l_min": self.flow_l_min,
            "from_mean_pct": self.from_mean_pct,
        }


@dataclass(frozen=True, slots=True)
class Linearity:
    """The slope test: value = a + slope x flow."""

    slope_pct_per_l_min: float  #: of the mean value
    t: float | None  #: slope over its standard uncertainty; None: the runs lie on a line
    t_limit: float  #: Student's t, 95 %
    significant: bool  #: the value changes with flow
    change_pct: float  #: of the line from the lowest to the highest flow, in % of the mean value
    flow_low_l_min: float
    flow_high_l_min: float

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class FlowmeterResult:
    """What a flowmeter's calibration says. Exactly one of pulses_per_l and factor is set."""

    meter: Literal["pulses", "indicated"]
    pulses_per_l: float | None
    factor: float | None  #: true litres = factor x stated litres
    runs: tuple[MeterRun, ...] | tuple[IndicatedRun, ...]
    results: tuple[RunResult, ...]
    scatter_pct: float  #: standard deviation of one run (n - 1), in % of the mean
    linearity: Linearity | None  #: None: see why_no_linearity
    why_no_linearity: str
    budget: Budget  #: of the mean
    findings: tuple[Finding, ...]
    volume_u_l: float
    system: System = field(compare=False)

    @property
    def value(self) -> float:
        return self.budget.value

    @property
    def uncertainty_pct(self) -> float:
        """Relative standard uncertainty (k = 1), as `flow.uncertainty_pct` of the rig file takes it."""
        return self.budget.relative_pct or 0.0

    def lines(self) -> list[str]:
        """A table of the runs and the result, for a reader of the result's unit system."""
        head = "pulses/L" if self.meter == "pulses" else "factor"
        told = [f"run  {head:>10}    mean  flow"]
        told += [
            f"{run.run:3}  {significant(run.value, 5):>10} {run.from_mean_pct:+6.2f}%  "
            f"{amount(run.flow_l_min, 'flow', self.system)}"
            for run in self.results
        ]
        sure = f"+-{significant(self.budget.expanded_pct or 0.0, 2)} % (k = 2)"
        if self.meter == "pulses":
            per_gallon = (
                f" ({significant(units.convert(self.value, 'pulses per volume', '1/gal'), 5)} per gallon)"
                if self.system == "us"
                else ""
            )
            told.append(f"{significant(self.value, 5)} pulses per litre{per_gallon} {sure}")
        else:
            told.append(f"True volume is {significant(self.value, 5)} times the stated one, {sure}")
        told.append(f"Scatter of one run: {significant(self.scatter_pct, 2)} %")
        line = self.linearity
        if line is None:
            told.append(f"Change with flow: not tested, {self.why_no_linearity}.")
        else:
            flows = (
                f"from {amount(line.flow_low_l_min, 'flow', self.system)} to "
                f"{amount(line.flow_high_l_min, 'flow', self.system)}"
            )
            what = f"{line.change_pct:+.1f} %" if line.significant else "none that the runs could show"
            told.append(f"Change with flow {flows}: {what}")
        return told

    def to_json(self) -> dict[str, Any]:
        """inputs, result, uncertainty and findings, in carried units."""
        name = "pulses_per_l" if self.meter == "pulses" else "factor"
        return {
            "inputs": {
                "meter": self.meter,
                "runs": [run._asdict() for run in self.runs],
                "volume_u_l": self.volume_u_l,
            },
            "result": {
                "pulses_per_l": self.pulses_per_l,
                "factor": self.factor,
                "uncertainty_pct": self.uncertainty_pct,
                "expanded_uncertainty_pct": self.budget.expanded_pct,
                "scatter_pct": self.scatter_pct,
                "runs": [run.to_json() for run in self.results],
                "linearity": None if self.linearity is None else self.linearity.to_json(),
                "why_no_linearity": self.why_no_linearity,
            },
            "uncertainty": {name: self.budget.to_json()},
            "findings": [finding.to_json() for finding in self.findings],
        }


def water_volume_l(net_mass_kg: float, density_kg_l: float = 0.9982) -> float:
    """Volume [L] of water by weight, the method of ISO 4185. Default density: 20 C, from memory.

    Raises UsageError for a mass that is not above zero and a density that is not one of water (0.9 to 1.1).
    """
    check(net_mass_kg, "net mass", "kg")
    check(density_kg_l, "density of the water", "kg/L", low=0.9, high=1.1)
    return net_mass_kg / density_kg_l


def fit_flowmeter(
    runs: Sequence[MeterRun],
    *,
    volume_u_l: float | None = None,
    limits: MeterLimits | None = None,
    system: System = "us",
) -> FlowmeterResult:
    """Pulses per litre of a pulse meter. `volume_u_l`: standard uncertainty of reading a volume; None: +-1 %.

    Raises UsageError, saying why, for runs that no meter can have made and a fit that is not credible.
    """
    limits = limits or MeterLimits()
    _enough(runs)
    for number, run in enumerate(runs, 1):
        if run.pulses <= 0:
            raise UsageError(
                f"run {number}: {run.pulses} pulses: the meter did not count; check its wiring, its "
                "direction and that the water goes through it"
            )
        check(float(min(run.pulses, 10**15)), f"run {number}: pulses", "pulses", high=1e12)
        _check_run(number, run.volume_l, run.time_s, run.edge_pulses, "edge_pulses", "pulses")
    values = [run.pulses / run.volume_l for run in runs]
    value = mean(values)
    if not limits.low_pulses_per_l <= value <= limits.high_pulses_per_l:
        raise UsageError(
            f"{significant(value, 3)} pulses per litre is not one of a flowmeter "
            f"({limits.low_pulses_per_l:g} to {limits.high_pulses_per_l:g}): check the volumes and their "
            "unit, and the pulses"
        )
    reading_u = _reading_u(runs, volume_u_l)
    edges = [run.edge_pulses for run in runs]
    per_volume = mean([1 / run.volume_l for run in runs])
    parts = [
        _volume(reading_u, -mean([run.pulses / run.volume_l**2 for run in runs]), volume_u_l),
        Component("count", "B", triangular(1.0), "pulses", per_volume, note="+-1 pulse, triangular"),
    ]
    if any(edges):
        note = "pulses reported where a run began or ended, rectangular"
        parts.append(
            Component("begin and end", "B", rectangular(mean(edges)), "pulses", per_volume, note=note)
        )
    fewest = min(run.pulses for run in runs)
    findings = []
    if fewest < _FEW_PULSES:
        findings.append(
            Finding(
                "few_pulses",
                "do",
                f"A run has only {fewest} pulses, so one pulse more or less is {100 / fewest:.1f} %: "
                f"catch {-(-_FEW_PULSES // fewest)} times as much.",
            )
        )
    return _result("pulses", runs, values, parts, findings, reading_u, limits, system)


def fit_indicated(
    runs: Sequence[IndicatedRun],
    *,
    volume_u_l: float | None = None,
    limits: MeterLimits | None = None,
    system: System = "us",
) -> FlowmeterResult:
    """The factor of a meter that states its own litres: caught volume over stated volume.

    As `fit_flowmeter`. Raises UsageError, saying why, for what is not credible.
    """
    limits = limits or MeterLimits()
    _enough(runs)
    for number, run in enumerate(runs, 1):
        if not run.indicated_l > 0:
            raise UsageError(
                f"run {number}: the meter stated {run.indicated_l:g} L: it did not measure; check the sensor "
                "node, and that the water goes through the meter"
            )
        check(run.indicated_l, f"run {number}: stated volume", "L", low=1e-6, high=1e9)
        _check_run(number, run.volume_l, run.time_s, run.edge_l, "edge_l", "L")
    values = [run.volume_l / run.indicated_l for run in runs]
    value = mean(values)
    if not limits.low_factor <= value <= limits.high_factor:
        slip = next((what for number, what in _UNIT_SLIPS if abs(value / number - 1) < 0.1), None)
        hint = f"this looks like {slip}" if slip else "check the volumes and the meter's settings"
        raise UsageError(
            f"the caught volume is {significant(value, 3)} times the stated one, which no sound meter needs "
            f"({limits.low_factor:g} to {limits.high_factor:g}): {hint}"
        )
    reading_u = _reading_u(runs, volume_u_l)
    parts = [_volume(reading_u, mean([1 / run.indicated_l for run in runs]), volume_u_l)]
    edges = [run.edge_l for run in runs]
    if any(edges):
        sensitivity = -mean([run.volume_l / run.indicated_l**2 for run in runs])
        note = "stated where a run began or ended, rectangular"
        parts.append(Component("begin and end", "B", rectangular(mean(edges)), "L", sensitivity, note=note))
    return _result("indicated", runs, values, parts, [], reading_u, limits, system)


def _enough(runs: Sequence[object]) -> None:
    if len(runs) < 2:
        done = "no run" if not runs else "one run"
        raise UsageError(
            f"{done} says nothing of how well the meter repeats: do at least 2, better {_GOOD_RUNS} or more"
        )


def _check_run(
    number: int, volume_l: float, time_s: float | None, edge: float, edge_name: str, edge_unit: str
) -> None:
    check(volume_l, f"run {number}: volume", "L", low=1e-3, high=1e6)
    if time_s is not None:
        check(time_s, f"run {number}: time", "s", low=0.1, high=86_400)
    check(edge, f"run {number}: {edge_name}", edge_unit, high=1e6, zero=True)


def _reading_u(runs: Sequence[MeterRun] | Sequence[IndicatedRun], volume_u_l: float | None) -> float:
    if volume_u_l is None:
        return rectangular(_READING_HALF_PCT / 100 * mean([run.volume_l for run in runs]))
    smallest = min(run.volume_l for run in runs)
    if not (isfinite(volume_u_l) and 0 <= volume_u_l < smallest / 3):
        raise UsageError(
            f"a volume read to {volume_u_l:g} L (standard uncertainty) must be zero or more, and far below "
            f"the smallest run of {smallest:g} L"
        )
    return volume_u_l


def _volume(reading_u: float, sensitivity: float, given: float | None) -> Component:
    note = "shared by all runs" + ("" if given is not None else f"; taken as +-{_READING_HALF_PCT:g} %")
    return Component("reading the volume", "B", reading_u, "L", sensitivity, note=note)


def _result(
    meter: Literal["pulses", "indicated"],
    runs: Sequence[MeterRun] | Sequence[IndicatedRun],
    values: Sequence[float],
    parts: list[Component],
    findings: list[Finding],
    volume_u_l: float,
    limits: MeterLimits,
    system: System,
) -> FlowmeterResult:
    value, n = mean(values), len(values)
    unit = "1/L" if meter == "pulses" else "1"
    flows = [None if run.time_s is None else 60 * run.volume_l / run.time_s for run in runs]
    results = tuple(
        RunResult(number, one, flow, 100 * (one / value - 1))
        for number, (one, flow) in enumerate(zip(values, flows, strict=True), 1)
    )
    spread_pct = 100 * (max(values) - min(values)) / value
    linearity, why_not = _linearity(values, flows, value)
    if spread_pct > limits.spread_pct:
        worst = max(results, key=lambda run: abs(run.from_mean_pct))
        told = (
            f"{', '.join(significant(one, 4) for one in values)}{'' if unit == '1' else ' pulses per litre'}"
        )
        if linearity is not None and linearity.significant:
            why = "it changes with flow: calibrate at the flow that you spray at, all runs alike"
        else:
            why = (
                f"run {worst.run} is the farthest off ({worst.from_mean_pct:+.1f} %): check it for air, a "
                "slip in the volume or an unsteady flow, and do it again"
            )
        raise UsageError(
            f"the runs differ by {spread_pct:.1f} % ({told}), more than {limits.spread_pct:g} %, so no one "
            f"number stands for them; {why}"
        )
    sd = sample_sd(values) or 0.0
    budget_parts = [
        Component("repeatability", "A", sd / sqrt(n), unit, dof=n - 1, note=f"mean of {n} runs"),
        *parts,
    ]
    if linearity is not None and linearity.significant:
        half = abs(linearity.change_pct) / 200 * value
        note = "half of its rise over the flows run, rectangular"
        budget_parts.append(Component("change with flow", "B", rectangular(half), unit, note=note))
    budget = Budget(budget_parts, value, unit)
    findings = [*findings, *_findings(runs, linearity, budget, limits, system)]
    return FlowmeterResult(
        meter=meter,
        pulses_per_l=value if meter == "pulses" else None,
        factor=value if meter == "indicated" else None,
        runs=tuple(runs),  # type: ignore[arg-type]
        results=results,
        scatter_pct=100 * sd / value,
        linearity=linearity,
        why_no_linearity=why_not,
        budget=budget,
        findings=tuple(findings),
        volume_u_l=volume_u_l,
        system=system,
    )


def _linearity(
    values: Sequence[float], flows: Sequence[float | None], value: float
) -> tuple[Linearity | None, str]:
    """The slope test, or why it cannot be done."""
    known = [flow for flow in flows if flow is not None]
    if len(known) < len(values):
        return None, "not every run was timed"
    if len(values) < 3:
        return None, "it takes three runs or more"
    low, high = min(known), max(known)
    if high < _FLOW_RATIO * low:
        return None, "the runs were at nearly one flow"
    line = fit_line(known, values)
    rise_pct = 100 * line.slope * (high - low) / value
    slope_u = line.slope_u or 0.0
    t = line.slope / slope_u if slope_u else None
    limit = t95(line.dof)
    steep = abs(rise_pct) > _NO_RISE_PCT
    return (
        Linearity(
            slope_pct_per_l_min=100 * line.slope / value,
            t=t,
            t_limit=limit,
            significant=steep and abs(inf if t is None else t) > limit,
            change_pct=rise_pct,
            flow_low_l_min=low,
            flow_high_l_min=high,
        ),
        "",
    )


def _findings(
    runs: Sequence[MeterRun] | Sequence[IndicatedRun],
    linearity: Linearity | None,
    budget: Budget,
    limits: MeterLimits,
    system: System,
) -> list[Finding]:
    found = []
    if len(runs) < _GOOD_RUNS:
        found.append(Finding("few_runs", "mind", f"Two runs say little of scatter: do {_GOOD_RUNS} or more."))
    if (
        linearity is not None
        and linearity.significant
        and abs(linearity.change_pct) > limits.nonlinearity_pct
    ):
        flow_low, flow_high = linearity.flow_low_l_min, linearity.flow_high_l_min
        found.append(
            Finding(
                "changes_with_flow",
                "mind",
                f"The meter's factor changes by {linearity.change_pct:+.1f} % from "
                f"{amount(flow_low, 'flow', system)} to {amount(flow_high, 'flow', system)}: "
                "calibrate it at the flow that you spray at.",
            )
        )
    sure = budget.expanded_pct or 0.0
    if sure > limits.expanded_pct:
        largest = max(budget.components, key=lambda part: part.contribution)
        found.append(
            Finding(
                "uncertain",
                "do",
                f"The result is uncertain by {significant(sure, 2)} % (k = 2), more than "
                f"{limits.expanded_pct:g} %, mostly by {largest.name}: catch more, or do more runs.",
            )
        )
    return found
