"""A pressure transducer against a gauge: a straight line through two points or more.

The reading y is a fraction of the converter's full scale, or of the transducer's own supply rail where that
is measured (ratiometric), or a pressure that a sensor node states. Least squares of y against the gauge's
pressure gives zero and slope (`rigmon.calibration.line`); a pressure is then (y - zero) / slope. Vent the
line for a point at zero, go up, and come down again: the difference of the two ways is the hysteresis.

Uncertainty at one pressure, JCGM 100:2008: the line from its scatter, Type A (H.3); the gauge, shared by all
points, Type B (5.2.2, note 1); half of the hysteresis and half a step of the converter, Type B, rectangular
(4.3.7). Gauges: EN 837-1 states a class in % of the gauge's span, and use up to 75 % of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, Final, Literal, NamedTuple

from rigmon.calibration.budget import Budget, Component, mean, rectangular
from rigmon.calibration.line import Line, fit_line
from rigmon.calibration.result import SLACK, Finding, System, amount, check, significant
from rigmon.errors import UsageError

Basis = Literal["supply", "full scale", "fraction", "stated"]

_HIGHEST_KPA: Final = 100_000.0
#: a gauge of which nothing is said: class 1.6 of EN 837-1, used up to 75 % of its span
_GAUGE_CLASS_PCT: Final = 1.6
_GAUGE_USED: Final = 0.75
#: below this share of the highest pressure a point counts as vented
_VENTED_SHARE: Final = 0.01
#: points this close, as a share of the range, are at one pressure
_SAME_SHARE: Final = 0.05
#: a line that misses the converter's zero by no more than this fraction goes through it
_BELOW_ZERO: Final = 0.01
#: a span fraction above this leaves the live reading no room to tell a short circuit
_HIGHEST_SPAN_FRACTION: Final = 0.98

# What a gain near these numbers means: the node states another unit.
_UNIT_SLIPS: Final[tuple[tuple[float, str], ...]] = (
    (1 / 6.894757293168361, "psi stated where kilopascals are meant"),
    (6.894757293168361, "a gauge read in kilopascals and entered in psi"),
    (0.01, "bar stated where kilopascals are meant"),
    (100.0, "kilopascals stated where bar are meant"),
    (0.001, "kilopascals stated where pascals are meant"),
    (1000.0, "pascals stated where kilopascals are meant"),
)


class Point(NamedTuple):
    """One pressure on the gauge, and what the transducer said to it: one of counts, fraction and stated_kpa.

    counts and supply_counts may be means over a time, with the standard deviation of one reading beside.
    """

    pressure_kpa: float  #: of the gauge; 0: vented
    counts: float | None = None
    supply_counts: float | None = None  #: of the supply rail, through the same divider
    rising: bool | None = None  #: come to from below; None: told by the order of the points
    fraction: float | None = None
    stated_kpa: float | None = None
    counts_sd: float | None = None  #: of one reading, in counts; of stated_kpa in kPa
    supply_sd: float | None = None


@dataclass(frozen=True, slots=True)
class TransducerLimits:
    """What is credible, what is worth a word; % are of the range of pressures. Defaults: common practice."""

    residual_pct: float = 5.0  #: a point farther off the line: refused
    least_change: float = 0.02  #: of the fraction over all points: less is refused
    low_gain: float = 0.5  #: of a transducer that states its pressure: outside is refused
    high_gain: float = 2.0
    hysteresis_pct: float = 1.5  #: more is told
    zero_shift_pct: float = 1.0  #: between vented points: more is told
    rail_pct: float = 1.0  #: of the supply rail, in % of it: more is told
    unsteady_pct: float = 2.0  #: standard deviation of one reading: more is told
    #: expanded uncertainty: more is told. Error of a sprayer's pressure indicator at inspection, above 2 bar,
    #: 10 %: ISO 16122, from memory
    expanded_pct: float = 10.0


@dataclass(frozen=True, slots=True)
class PointResult:
    point: int  #: counted from 1
    pressure_kpa: float
    reading: float  #: fraction, or the stated pressure in kPa
    residual_kpa: float  #: by the line, less the gauge
    rising: bool | None

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class TransducerResult:
    """What a transducer's calibration says.

    A wired transducer has zero_fraction, span_fraction and span_kpa, as the rig file takes them; one that
    states its pressure has offset_kpa and gain: stated = offset + gain x true.
    """

    basis: Basis
    zero_fraction: float | None
    span_fraction: float | None
    span_kpa: float | None
    offset_kpa: float | None
    gain: float | None
    points: tuple[Point, ...]
    results: tuple[PointResult, ...]
    scatter_kpa: float | None  #: standard deviation about the line; None with two points
    largest_residual_pct: float  #: in % of the range of pressures
    hysteresis_kpa: float | None  #: largest difference between coming up and down; None: not tried
    zero_shift_kpa: float | None  #: largest difference between vented points; None: fewer than two
    rail_pct: float | None  #: largest less smallest rail, in % of its mean; None: not measured
    at_kpa: float  #: the pressure that the budget is for
    budget: Budget  #: of a pressure read at at_kpa, in kPa
    findings: tuple[Finding, ...]
    bits: int | None
    gauge_u_kpa: float
    system: System = field(compare=False)

    @property
    def uncertainty_pct(self) -> float:
        """Relative standard uncertainty (k = 1), as `pressure.uncertainty_pct` of the rig file takes it."""
        return self.budget.relative_pct or 0.0

    def lines(self) -> list[str]:
        """A table of the points and the line, for a reader of the result's unit system."""
        told = [" no     gauge    reading  off the line"]
        for point in self.results:
            pressure = amount(point.pressure_kpa, "pressure", self.system)
            if self.basis == "stated":
                reading = amount(point.reading, "pressure", self.system)
            else:
                reading = f"{point.reading:.4f}"
            way = {True: " up", False: " dn", None: ""}[point.rising]
            off = amount(point.residual_kpa, "pressure", self.system, 2)
            told.append(f"{point.point:3} {pressure:>9} {reading:>10}  {off}{way}")
        if self.basis == "stated":
            told.append(
                f"Stated = {amount(self.offset_kpa, 'pressure', self.system)} + "
                f"{significant(self.gain or 0.0, 5)} x true pressure"
            )
        else:
            told.append(
                f"Zero {self.zero_fraction:.5f}, {self.span_fraction:.5f} at "
                f"{amount(self.span_kpa, 'pressure', self.system, 4)} (fractions of the "
                f"{'supply rail' if self.basis == 'supply' else 'full scale'})"
            )
        hysteresis = "not told, no pressure was read on the way up and on the way down"
        if self.hysteresis_kpa is not None:
            hysteresis = amount(self.hysteresis_kpa, "pressure", self.system, 2)
        told.append(f"Hysteresis: {hysteresis}")
        told.append(
            f"A pressure of {amount(self.at_kpa, 'pressure', self.system)} is read to "
            f"+-{amount(self.budget.expanded, 'pressure', self.system, 2)} (k = 2)"
        )
        return told

    def to_json(self) -> dict[str, Any]:
        """inputs, result, uncertainty and findings, in carried units."""
        return {
            "inputs": {
                "points": [point._asdict() for point in self.points],
                "bits": self.bits,
                "gauge_u_kpa": self.gauge_u_kpa,
                "at_kpa": self.at_kpa,
            },
            "result": {
                "basis": self.basis,
                "zero_fraction": self.zero_fraction,
                "span_fraction": self.span_fraction,
                "span_kpa": self.span_kpa,
                "offset_kpa": self.offset_kpa,
                "gain": self.gain,
                "uncertainty_pct": self.uncertainty_pct,
                "expanded_uncertainty_pct": self.budget.expanded_pct,
                "scatter_kpa": self.scatter_kpa,
                "largest_residual_pct": self.largest_residual_pct,
                "hysteresis_kpa": self.hysteresis_kpa,
                "zero_shift_kpa": self.zero_shift_kpa,
                "rail_pct": self.rail_pct,
                "points": [point.to_json() for point in self.results],
            },
            "uncertainty": {"pressure_kpa": self.budget.to_json()},
            "findings": [finding.to_json() for finding in self.findings],
        }


def fit_transducer(
    points: Sequence[Point],
    *,
    bits: int | None = None,
    span_kpa: float | None = None,
    at_kpa: float | None = None,
    gauge_u_kpa: float | None = None,
    limits: TransducerLimits | None = None,
    system: System = "us",
) -> TransducerResult:
    """Zero and span of a transducer.

    `bits`: of the converter, needed where counts are given. `span_kpa`: the transducer's range, at which
    span_fraction is stated (None: the highest point). `at_kpa`: the pressure that the uncertainty is for
    (None: the mean of the points that are not vented). `gauge_u_kpa`: standard uncertainty of the gauge
    (None: a class 1.6 gauge). Raises UsageError, saying why, for a fit that is not credible.
    """
    limits = limits or TransducerLimits()
    basis, readings = _readings(points, bits)
    pressures = [point.pressure_kpa for point in points]
    low, high = min(pressures), max(pressures)
    reach = high - low
    if not reach > _VENTED_SHARE * high:
        raise UsageError(
            f"all points are at about {amount(high, 'pressure', system)}: a line needs two pressures that "
            "are well apart, one of them vented"
        )
    line = fit_line(pressures, readings)
    _credible_slope(line, pressures, readings, basis, limits, system)
    # what is nothing but rounding is shown as nothing
    off = [residual / line.slope for residual in line.residuals]
    residuals = [0.0 if abs(residual) < SLACK * reach else residual for residual in off]
    worst = max(range(len(points)), key=lambda place: abs(residuals[place]))
    largest_pct = 100 * abs(residuals[worst]) / reach
    if largest_pct > limits.residual_pct:
        at = amount(pressures[worst], "pressure", system)
        raise UsageError(
            f"the points are not on a line: point {worst + 1} ({at}) is "
            f"{amount(residuals[worst], 'pressure', system, 2)} off, {largest_pct:.1f} % of the range, more "
            f"than {limits.residual_pct:g} %; read it again, and check the wiring and the gauge"
        )
    findings: list[Finding] = []
    zero, span_fraction, span, below_kpa = _zero_and_span(line, basis, high, span_kpa, findings, system)
    ways = _ways(points)
    hysteresis = _hysteresis(pressures, residuals, ways, reach)
    vented = [r for p, r in zip(pressures, residuals, strict=True) if p <= _VENTED_SHARE * high]
    zero_shift = max(vented) - min(vented) if len(vented) > 1 else None
    rails = [point.supply_counts for point in points if point.supply_counts is not None]
    rail_pct = 100 * (max(rails) - min(rails)) / mean(rails) if rails else None

    if at_kpa is None:
        at_kpa = mean([pressure for pressure in pressures if pressure > _VENTED_SHARE * high])
    check(at_kpa, "the pressure that the uncertainty is for", "kPa", high=_HIGHEST_KPA)
    gauge_given = gauge_u_kpa is not None
    if gauge_u_kpa is None:
        gauge_u_kpa = rectangular(_GAUGE_CLASS_PCT / 100 * high / _GAUGE_USED)
    check(gauge_u_kpa, "standard uncertainty of the gauge", "kPa", high=high, zero=True)
    note = "shared by all points"
    if not gauge_given:
        note += (
            f"; taken as class {_GAUGE_CLASS_PCT:g} (EN 837-1) used to {100 * _GAUGE_USED:.0f} % of its span"
        )
    parts = [Component("gauge", "B", gauge_u_kpa, "kPa", note=note)]
    if line.scatter is not None:
        parts.insert(
            0,
            Component(
                "line",
                "A",
                line.scatter / line.slope,
                "kPa",
                line.leverage(at_kpa),
                dof=line.dof,
                note=f"scatter of {len(points)} points about it",
            ),
        )
    if hysteresis:
        parts.append(Component("hysteresis", "B", rectangular(hysteresis / 2), "kPa", note="half of it"))
    whole = 1.0  # of what one reading is a part
    if basis in ("supply", "full scale"):
        whole = mean(rails) if basis == "supply" else float(1 << (bits or 0))
        sensitivity = 1 / (whole * line.slope)
        note = "+-half a count"
        parts.append(Component("converter step", "B", rectangular(0.5), "counts", sensitivity, note=note))
    if below_kpa:
        parts.append(
            Component("zero", "B", rectangular(below_kpa), "kPa", note="set to the converter's zero")
        )
    budget = Budget(parts, at_kpa, "kPa")
    results = tuple(
        PointResult(number, point.pressure_kpa, reading, residual, way)
        for number, (point, reading, residual, way) in enumerate(
            zip(points, readings, residuals, ways, strict=True), 1
        )
    )
    noise_kpa = max((point.counts_sd or 0.0) / (whole * line.slope) for point in points)
    findings += _findings(
        points, low, high, reach, at_kpa, hysteresis, zero_shift, rail_pct, noise_kpa, budget, limits, system
    )
    stated = basis == "stated"
    return TransducerResult(
        basis=basis,
        zero_fraction=zero,
        span_fraction=span_fraction,
        span_kpa=span,
        offset_kpa=line.intercept if stated else None,
        gain=line.slope if stated else None,
        points=tuple(points),
        results=results,
        scatter_kpa=None if line.scatter is None else line.scatter / line.slope,
        largest_residual_pct=largest_pct,
        hysteresis_kpa=hysteresis,
        zero_shift_kpa=zero_shift,
        rail_pct=rail_pct,
        at_kpa=at_kpa,
        budget=budget,
        findings=tuple(findings),
        bits=bits,
        gauge_u_kpa=gauge_u_kpa,
        system=system,
    )


def _readings(points: Sequence[Point], bits: int | None) -> tuple[Basis, list[float]]:
    """What the points are read as, and y of each. Raises UsageError for what a converter cannot have said."""
    if len(points) < 2:
        done = "no point gives" if not points else "one point gives"
        raise UsageError(f"{done} no line: take at least 2, better 3 or more, one of them vented")
    bases: set[Basis] = set()
    readings = []
    for number, point in enumerate(points, 1):
        check(point.pressure_kpa, f"point {number}: pressure", "kPa", high=_HIGHEST_KPA, zero=True)
        for name in ("counts_sd", "supply_sd"):
            value = getattr(point, name)
            if value is not None:
                check(value, f"point {number}: {name}", "", high=1e9, zero=True)
        given = [name for name in ("counts", "fraction", "stated_kpa") if getattr(point, name) is not None]
        if len(given) != 1:
            raise UsageError(f"point {number} needs one reading: counts, a fraction, or a stated pressure")
        if point.counts is not None:
            basis, reading = _of_counts(number, point.counts, point.supply_counts, bits)
        elif point.fraction is not None:
            basis, reading = "fraction", point.fraction
            if not 0 <= reading <= 1:
                raise UsageError(f"point {number}: a fraction of {reading:g} must be 0 to 1")
        else:
            basis, reading = "stated", float(point.stated_kpa or 0.0)
            if not (isfinite(reading) and abs(reading) <= 1000 * _HIGHEST_KPA):
                raise UsageError(f"point {number}: a stated pressure of {reading:g} kPa is none")
        bases.add(basis)
        readings.append(reading)
    if len(bases) > 1:
        raise UsageError(
            f"the points are read in several ways ({', '.join(sorted(bases))}): read all in one way"
        )
    return bases.pop(), readings


def _of_counts(
    number: int, counts: float, supply_counts: float | None, bits: int | None
) -> tuple[Basis, float]:
    """As `rigmon.core.pressure` reads them."""
    if bits is None or not 1 <= bits <= 32:
        raise UsageError("counts need the converter's bits, such as 10 or 12")
    full = 1 << bits
    if not 0 <= counts <= full - 1:
        raise UsageError(
            f"point {number}: {counts:g} counts: a converter of {bits} bits gives 0 to {full - 1}"
        )
    if counts >= full - 1.5:
        raise UsageError(
            f"point {number}: {counts:g} counts is the converter's full scale, which hides what is there: "
            "check the wiring and the divider, or take a lower pressure"
        )
    if supply_counts is None:
        return "full scale", counts / full
    if not 0 < supply_counts <= full - 1 or counts > supply_counts:
        raise UsageError(
            f"point {number}: the supply rail reads {supply_counts:g} counts beside {counts:g} of the "
            f"transducer: it must be above those, and at most {full - 1}; check its channel"
        )
    return "supply", counts / supply_counts


def _credible_slope(
    line: Line,
    pressures: Sequence[float],
    readings: Sequence[float],
    basis: Basis,
    limits: TransducerLimits,
    system: System,
) -> None:
    if basis == "stated":
        if not limits.low_gain <= line.slope <= limits.high_gain:
            near = (what for gain, what in _UNIT_SLIPS if abs(line.slope / gain - 1) < 0.1)
            slip = next(near, None)
            hint = f"this looks like {slip}" if slip else "check the transducer and the pressures"
            raise UsageError(
                f"the stated pressure rises by {line.slope:.3g} kPa for each kPa of the gauge, which no "
                f"sound transducer does ({limits.low_gain:g} to {limits.high_gain:g}): {hint}"
            )
        return
    change = max(readings) - min(readings)
    if line.slope <= 0 or change < limits.least_change:
        low, high = pressures.index(min(pressures)), pressures.index(max(pressures))
        raise UsageError(
            f"the reading does not rise with pressure ({readings[low]:.4f} of full scale at "
            f"{amount(pressures[low], 'pressure', system)}, {readings[high]:.4f} at "
            f"{amount(pressures[high], 'pressure', system)}): check the channel, the wiring and the order of "
            "the points"
        )


def _zero_and_span(
    line: Line,
    basis: Basis,
    high_kpa: float,
    span_kpa: float | None,
    findings: list[Finding],
    system: System,
) -> tuple[float | None, float | None, float | None, float]:
    """zero_fraction, span_fraction, span_kpa, and by how many kPa the zero had to be moved."""
    if basis == "stated":
        return None, None, None, 0.0
    zero, below_kpa = line.intercept, 0.0
    if zero < -_BELOW_ZERO:
        raise UsageError(
            f"the line meets zero pressure at {zero:.4f} of full scale, and no reading can be below 0: check "
            "the vented point, the ground wire and the divider"
        )
    if zero < 0:
        zero, below_kpa = 0.0, -line.intercept / line.slope
    span = high_kpa if span_kpa is None else span_kpa
    check(span, "span", "kPa", low=10, high=_HIGHEST_KPA)
    if line.at(span) > _HIGHEST_SPAN_FRACTION and span > high_kpa:
        findings.append(
            Finding(
                "span_lowered",
                "mind",
                f"At {amount(span, 'pressure', system)} the line would be at {line.at(span):.2f} of full "
                f"scale, so the span is stated at the highest point, {amount(high_kpa, 'pressure', system)}.",
            )
        )
        span = high_kpa
    return zero, line.at(span), span, below_kpa


def _ways(points: Sequence[Point]) -> list[bool | None]:
    """Whether each point was come to from below: as given, else by the order of the points."""
    ways: list[bool | None] = []
    for place, point in enumerate(points):
        before = points[place - 1].pressure_kpa if place else point.pressure_kpa
        told = point.rising
        if told is None and point.pressure_kpa != before:
            told = point.pressure_kpa > before
        ways.append(told)
    return ways


def _hysteresis(
    pressures: Sequence[float], residuals: Sequence[float], ways: Sequence[bool | None], reach: float
) -> float | None:
    """Largest difference [kPa] of two points at one pressure, one come to from below and one from above.

    Residuals are compared, not readings, so that a small difference of the pressures does not count. The
    first point, come to from nowhere, stands for one from below: it is mostly the vented one. None without
    such a pair under pressure: vented points tell how the zero moved, and too little of hysteresis.
    """
    up = [place for place, way in enumerate(ways) if way or (way is None and place == 0)]
    down = [place for place, way in enumerate(ways) if way is False]
    pairs = [(a, b) for a in up for b in down if abs(pressures[a] - pressures[b]) <= _SAME_SHARE * reach]
    vented = _VENTED_SHARE * max(pressures)
    if all(max(pressures[a], pressures[b]) <= vented for a, b in pairs):
        return None
    return max(abs(residuals[a] - residuals[b]) for a, b in pairs)


def _findings(
    points: Sequence[Point],
    low: float,
    high: float,
    reach: float,
    at_kpa: float,
    hysteresis: float | None,
    zero_shift: float | None,
    rail_pct: float | None,
    noise_kpa: float,
    budget: Budget,
    limits: TransducerLimits,
    system: System,
) -> list[Finding]:
    found: list[Finding] = []

    def tell(code: str, severity: Literal["do", "mind"], text: str) -> None:
        found.append(Finding(code, severity, text))

    if len(points) == 2:
        tell("two_points", "mind", "Any line goes through two points: take a third, so that a slip can show.")
    if low > _VENTED_SHARE * high:
        tell("no_zero", "do", "No point is vented: open the line to the air and read zero too.")
    if at_kpa > 1.05 * high:
        tell(
            "beyond_points",
            "do",
            f"The highest point, {amount(high, 'pressure', system)}, is below the pressure that counts, "
            f"{amount(at_kpa, 'pressure', system)}: take a point there.",
        )
    if hysteresis is not None and 100 * hysteresis / reach > limits.hysteresis_pct:
        tell(
            "hysteresis",
            "mind",
            f"Coming up and coming down differ by {amount(hysteresis, 'pressure', system, 2)}, "
            f"{100 * hysteresis / reach:.1f} % of the range: tap the gauge, wait longer at each point; if it "
            "stays, replace the transducer or the gauge.",
        )
    if zero_shift is not None and 100 * zero_shift / reach > limits.zero_shift_pct:
        tell(
            "zero_moved",
            "do",
            f"The vented readings differ by {amount(zero_shift, 'pressure', system, 2)}: the supply rail or "
            "the transducer is not stable. Let it warm up, check its supply, and do it again.",
        )
    sds = [
        100 * point.supply_sd / point.supply_counts
        for point in points
        if point.supply_sd and point.supply_counts
    ]
    moved_pct = max([*sds, rail_pct or 0.0])
    if moved_pct > limits.rail_pct:
        tell(
            "rail_unstable",
            "do",
            f"The transducer's supply rail moved by {moved_pct:.1f} %: the ratio takes most of that out, but "
            "power it from a steady supply.",
        )
    if 100 * noise_kpa / reach > limits.unsteady_pct:
        tell(
            "unsteady",
            "mind",
            f"The reading was unsteady, by {amount(noise_kpa, 'pressure', system, 2)} (standard deviation): "
            "hold the pressure still, damp the pump's pulses, or average for longer.",
        )
    if (budget.expanded_pct or 0.0) > limits.expanded_pct:
        largest = max(budget.components, key=lambda part: part.contribution)
        tell(
            "uncertain",
            "do",
            f"A pressure of {amount(at_kpa, 'pressure', system)} is uncertain by "
            f"{significant(budget.expanded_pct or 0.0, 2)} % (k = 2), more than {limits.expanded_pct:g} %, "
            f"mostly by the {largest.name}: take more points, or a better gauge.",
        )
    return found
