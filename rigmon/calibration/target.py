"""One unknown of rate, speed, boom flow and pressure from the others, and what to hold in the field.

Two relations tie the four together (`rigmon.core.rate`): rate = flow / (speed x swath), and, with a catch
test in water as calibration, flow = calibrated flow x sqrt(pressure / calibrated pressure).

Density: an orifice passes less of a heavier liquid, q_solution = q_water / sqrt(SG). Extension services print
sqrt(SG) as the conversion factor (University of Nebraska-Lincoln CropWatch, 2016; University of Georgia). So
where the pressure is worked out or given, the water flow that belongs to it is q_solution x sqrt(SG), and the
setting is to be checked with water at rate x sqrt(SG): 20 gal/ac of a solution of SG 1.28 is 22.6 in water.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Any, Final, NamedTuple

from rigmon.calibration.budget import Budget, Component
from rigmon.calibration.result import Finding, System, amount, capital, check, significant
from rigmon.core import rate
from rigmon.errors import UsageError

#: quantity -> (dimension in rigmon.units, carried unit, JSON key, what it is called, largest that is meant)
_QUANTITIES: Final[dict[str, tuple[str, str, str, str, float]]] = {
    "rate": ("rate", "L/ha", "rate_l_ha", "rate", 100_000),
    "speed": ("speed", "m/s", "speed_m_s", "speed", 50),
    "flow": ("flow", "L/min", "flow_l_min", "boom flow", 5000),
    "pressure": ("pressure", "kPa", "pressure_kpa", "pressure", 100_000),
}
#: outside it a rig with a boom does not work: common practice
_SLOWEST_M_S: Final = 0.5
_FASTEST_M_S: Final = 9.0
#: further from the catch test's pressure than this, the flow deserves a catch of its own
_FAR_PCT: Final = 25.0
#: numbers that agree within this are the same, typed and converted
_SAME: Final = 1e-9


class Disagreement(NamedTuple):
    """How far two values that say the same thing are apart."""

    between: tuple[str, ...]  #: quantities that were given
    quantity: str  #: of which there are two values: 'rate' or 'flow'
    given: float  #: carried
    implied: float  #: by the others, carried
    difference_pct: float  #: of implied from given


@dataclass(frozen=True, slots=True)
class TargetResult:
    """The four quantities, and what to hold. Carried units; None where nothing says it."""

    given: tuple[str, ...]  #: of 'rate', 'speed', 'flow', 'pressure'
    solved: tuple[str, ...]  #: worked out from the given ones, in the same words
    rate_l_ha: float
    speed_m_s: float
    flow_l_min: float  #: whole boom, of what is sprayed
    pressure_kpa: float | None  #: None without a calibration at a pressure
    swath_m: float
    tolerance_pct: float
    calibration_flow_l_min: float | None
    calibration_pressure_kpa: float | None
    solution_density_kg_l: float
    pressure_low_kpa: float | None
    pressure_high_kpa: float | None
    holding_speed_m_s: float  #: the speed at which this flow gives this rate
    speed_low_m_s: float  #: the slowest and the fastest speed that keep the rate inside the tolerance
    speed_high_m_s: float
    water_rate_l_ha: float  #: with water at the same pressure and speed
    water_flow_l_min: float  #: what a catch test in water must give for this flow of solution
    disagreements: tuple[Disagreement, ...]  #: of given values with one another, whatever their size
    budgets: Mapping[str, Budget]  #: of each quantity that was worked out
    findings: tuple[Finding, ...]
    system: System

    @property
    def area_m2_per_s(self) -> float:
        """Ground treated per second while the boom is on."""
        return self.speed_m_s * self.swath_m

    def lines(self) -> list[str]:
        """What to do, for a reader of the result's unit system."""
        told = []
        for name in self.solved:
            sure = self.budgets[name].expanded_pct
            told.append(f"{_said(name, self._value(name), self.system)} (+-{significant(sure or 0.0, 2)} %)")
        lines = []
        if told:
            given = _listed([_said(name, self._value(name), self.system) for name in self.given])
            lines.append(f"{capital('; '.join(told))}, k = 2: worked out from {given}.")
        low, high = (amount(v, "speed", self.system) for v in (self.speed_low_m_s, self.speed_high_m_s))
        lines.append(
            f"Hold {amount(self.holding_speed_m_s, 'speed', self.system)}: {low} to {high} keep "
            f"{amount(self.rate_l_ha, 'rate', self.system)} within {self.tolerance_pct:g} %."
        )
        if self.solution_density_kg_l != 1:
            lines.append(
                f"The solution weighs {amount(self.solution_density_kg_l, 'density', self.system)}, so set "
                f"up with water for {amount(self.water_rate_l_ha, 'rate', self.system)}: the boom must give "
                f"{amount(self.water_flow_l_min, 'flow', self.system)} of water."
            )
        return lines

    def _value(self, name: str) -> float:
        value = getattr(self, _QUANTITIES[name][2])
        assert isinstance(value, float)
        return value

    def to_json(self) -> dict[str, Any]:
        return {
            "inputs": {
                "given": list(self.given),
                **{_QUANTITIES[name][2]: self._value(name) for name in self.given},
                "swath_m": self.swath_m,
                "tolerance_pct": self.tolerance_pct,
                "calibration_flow_l_min": self.calibration_flow_l_min,
                "calibration_pressure_kpa": self.calibration_pressure_kpa,
                "solution_density_kg_l": self.solution_density_kg_l,
                "pressure_low_kpa": self.pressure_low_kpa,
                "pressure_high_kpa": self.pressure_high_kpa,
            },
            "result": {
                "solved": list(self.solved),
                "rate_l_ha": self.rate_l_ha,
                "speed_m_s": self.speed_m_s,
                "flow_l_min": self.flow_l_min,
                "pressure_kpa": self.pressure_kpa,
                "holding_speed_m_s": self.holding_speed_m_s,
                "speed_low_m_s": self.speed_low_m_s,
                "speed_high_m_s": self.speed_high_m_s,
                "water_rate_l_ha": self.water_rate_l_ha,
                "water_flow_l_min": self.water_flow_l_min,
                "area_m2_per_s": self.area_m2_per_s,
                "disagreements": [
                    {**item._asdict(), "between": list(item.between), "unit": _QUANTITIES[item.quantity][1]}
                    for item in self.disagreements
                ],
            },
            "uncertainty": {_QUANTITIES[name][2]: budget.to_json() for name, budget in self.budgets.items()},
            "findings": [finding.to_json() for finding in self.findings],
        }


def density_factor(solution_density_kg_l: float) -> float:
    """sqrt(SG): flow and rate in water for one of the solution. SG is taken as the number of kg/L.

    Raises UsageError outside 0.5 to 2.5 kg/L.
    """
    check(solution_density_kg_l, "density of the solution", "kg/L", low=0.5, high=2.5)
    return sqrt(solution_density_kg_l)


def solve_target(
    *,
    swath_m: float,
    rate_l_ha: float | None = None,
    speed_m_s: float | None = None,
    flow_l_min: float | None = None,
    pressure_kpa: float | None = None,
    calibration_flow_l_min: float | None = None,
    calibration_pressure_kpa: float | None = None,
    tolerance_pct: float = 10.0,
    solution_density_kg_l: float = 1.0,
    pressure_low_kpa: float | None = None,
    pressure_high_kpa: float | None = None,
    spray_angle_deg: float | None = None,
    flow_u_pct: float = 2.5,
    speed_u_pct: float = 0.5,
    swath_u_pct: float = 1.0,
    pressure_u_pct: float = 2.0,
    system: System = "us",
) -> TargetResult:
    """What is not given of rate, speed, boom flow and pressure, from what is; None marks what is not.

    Two independent values are enough; a third, or a fourth, must agree with them. `flow_l_min` is what the
    boom gives of the liquid that is sprayed. The calibration is a catch test in water; without one, pressure
    cannot be related to flow and stays None. `pressure_low_kpa` and `pressure_high_kpa` bound the pressures
    at which the nozzles keep `spray_angle_deg`. `flow_u_pct` is the standard uncertainty (k = 1) of a flow,
    given or calibrated, the other three those of what they name; a rate that is given is a target and has
    none.

    When all that can be given is, nothing is worked out, and values that disagree by more than the tolerance
    are a finding. Raises UsageError for too few values, for three that disagree by more than the tolerance
    about the one that is missing, and for numbers that cannot be.
    """
    values = {"rate": rate_l_ha, "speed": speed_m_s, "flow": flow_l_min, "pressure": pressure_kpa}
    given = {name: float(value) for name, value in values.items() if value is not None}
    for name, value in given.items():
        _, unit, _, words, most = _QUANTITIES[name]
        check(value, words, unit, high=most)
    check(swath_m, "swath", "m", high=100)
    if not (isfinite(tolerance_pct) and 0 < tolerance_pct < 100):
        raise UsageError(f"tolerance = {tolerance_pct:g} % must be above 0 and below 100")
    root_sg = density_factor(solution_density_kg_l)
    u_pct = {"flow": flow_u_pct, "speed": speed_u_pct, "swath": swath_u_pct, "pressure": pressure_u_pct}
    for name, value in u_pct.items():
        check(value, f"standard uncertainty of the {name}", "%", zero=True, high=50)
    calibration = _calibration(calibration_flow_l_min, calibration_pressure_kpa)
    _check_range(pressure_low_kpa, pressure_high_kpa, system)
    _check_enough(given, calibration is not None)

    nozzles = _Nozzles(calibration[0] / root_sg, calibration[1]) if calibration else None
    disagreements = _disagreements(given, swath_m, nozzles)
    unknown = set(_QUANTITIES) - set(given) - (set() if nozzles else {"pressure"})
    worst = max(disagreements, key=lambda item: abs(item.difference_pct), default=None)
    apart = worst is not None and abs(worst.difference_pct) > tolerance_pct
    if apart and unknown and worst:
        raise UsageError(_overdetermined(given, unknown, worst, tolerance_pct, system))

    solution = _solve(given, swath_m, nozzles)
    solved = tuple(name for name in _QUANTITIES if name in unknown)
    inputs = {**solution.values, "swath": swath_m}
    if calibration:
        inputs["calibrated flow"] = calibration[0]
    rate_, speed, flow = (solution.values[name] for name in ("rate", "speed", "flow"))
    holding = rate.speed_for_rate_m_s(rate_, flow, swath_m)
    low, high = rate.speed_band_m_s(holding, tolerance_pct)
    pressure = solution.values.get("pressure")
    findings = []
    if apart and worst:
        findings.append(_inconsistent(worst, tolerance_pct, system))
    bounds = _Range(pressure_low_kpa, pressure_high_kpa, spray_angle_deg)
    if nozzles and pressure is not None:
        findings += _outside(pressure, rate_, speed, flow, swath_m, nozzles, bounds, system)
        findings += _far(pressure, nozzles, system)
    if not _SLOWEST_M_S <= speed <= _FASTEST_M_S:
        findings.append(_unlikely_speed(speed, system))
    return TargetResult(
        given=tuple(name for name in _QUANTITIES if name in given),
        solved=solved,
        rate_l_ha=rate_,
        speed_m_s=speed,
        flow_l_min=flow,
        pressure_kpa=pressure,
        swath_m=swath_m,
        tolerance_pct=tolerance_pct,
        calibration_flow_l_min=calibration_flow_l_min,
        calibration_pressure_kpa=calibration_pressure_kpa,
        solution_density_kg_l=solution_density_kg_l,
        pressure_low_kpa=pressure_low_kpa,
        pressure_high_kpa=pressure_high_kpa,
        holding_speed_m_s=holding,
        speed_low_m_s=low,
        speed_high_m_s=high,
        water_rate_l_ha=rate_ * root_sg,
        water_flow_l_min=flow * root_sg,
        disagreements=disagreements,
        budgets={name: _budget(name, solution, inputs, u_pct) for name in solved},
        findings=tuple(findings),
        system=system,
    )


class _Nozzles(NamedTuple):
    """The boom's nozzles, by one flow of the solution at one pressure."""

    flow_l_min: float
    pressure_kpa: float

    def flow_at(self, pressure_kpa: float) -> float:
        return rate.flow_at_pressure_l_min(self.flow_l_min, self.pressure_kpa, pressure_kpa)

    def pressure_for(self, flow_l_min: float) -> float:
        return rate.pressure_for_flow_kpa(self.flow_l_min, self.pressure_kpa, flow_l_min)


class _Range(NamedTuple):
    low_kpa: float | None
    high_kpa: float | None
    angle_deg: float | None


class _Solution(NamedTuple):
    """Values by name, and each as a product of powers of the inputs: input -> exponent."""

    values: dict[str, float]
    powers: dict[str, dict[str, float]]


# -- what was given ------------------------------------------------------------------------------------------


def _calibration(flow_l_min: float | None, pressure_kpa: float | None) -> tuple[float, float] | None:
    if flow_l_min is not None:
        check(flow_l_min, "calibrated boom flow", "L/min", high=_QUANTITIES["flow"][4])
    if pressure_kpa is not None:
        check(pressure_kpa, "pressure of the calibration", "kPa", high=_QUANTITIES["pressure"][4])
    if flow_l_min is None and pressure_kpa is not None:
        raise UsageError(
            "the calibration has a pressure but no boom flow; give both, from the same catch test"
        )
    return None if flow_l_min is None or pressure_kpa is None else (flow_l_min, pressure_kpa)


def _check_range(low_kpa: float | None, high_kpa: float | None, system: System) -> None:
    for value, words in ((low_kpa, "lowest"), (high_kpa, "highest")):
        if value is not None:
            check(value, f"{words} pressure of the nozzles", "kPa", high=_QUANTITIES["pressure"][4])
    if low_kpa is not None and high_kpa is not None and low_kpa >= high_kpa:
        raise UsageError(
            f"lowest pressure of the nozzles = {amount(low_kpa, 'pressure', system)} must be below the "
            f"highest, {amount(high_kpa, 'pressure', system)}"
        )


def _check_enough(given: Mapping[str, float], calibrated: bool) -> None:
    if "pressure" in given and not calibrated:
        raise UsageError(
            "pressure is given, but not how much the boom gives at a pressure; "
            "give boom flow and pressure of a catch test, or leave the pressure out"
        )
    if set(given) == {"flow", "pressure"}:
        raise UsageError(
            "boom flow and pressure are given, and each follows from the other; rate and speed are missing: "
            "give one of them"
        )
    if len(given) < 2:
        if not given:
            by = "boom flow or pressure" if calibrated else "boom flow"
            raise UsageError(f"nothing is given; give rate and speed, or one of the two with {by}")
        # flow and pressure say the same, so the one is no help to the other
        through = {"flow", "pressure"} if calibrated else {"flow"}
        useful = {"rate", "speed"} | (set() if through & set(given) else through)
        raise UsageError(
            f"only the {_names(given)} is given; give one more of {_names(useful - set(given), 'or')}"
        )


def _disagreements(
    given: Mapping[str, float], swath_m: float, nozzles: _Nozzles | None
) -> tuple[Disagreement, ...]:
    found = []
    flow, pressure = given.get("flow"), given.get("pressure")
    if flow is not None and pressure is not None and nozzles:
        found.append(_disagreement(("flow", "pressure"), "flow", flow, nozzles.flow_at(pressure)))
    if "rate" in given and "speed" in given:
        for name in ("flow", "pressure"):
            if name not in given or (name == "pressure" and not nozzles):
                continue
            through = given[name] if name == "flow" or not nozzles else nozzles.flow_at(given[name])
            implied = rate.application_rate_l_ha(through, given["speed"], swath_m)
            found.append(_disagreement(("rate", "speed", name), "rate", given["rate"], implied))
    return tuple(found)


def _disagreement(between: tuple[str, ...], quantity: str, given: float, implied: float) -> Disagreement:
    off = implied / given - 1
    return Disagreement(between, quantity, given, implied, 0.0 if abs(off) < _SAME else 100 * off)


def _overdetermined(
    given: Mapping[str, float], unknown: set[str], worst: Disagreement, tolerance_pct: float, system: System
) -> str:
    return (
        f"{_names(given)} cannot all be: {_apart(worst, system)}, more than the tolerance of "
        f"{tolerance_pct:g} %; correct one, or leave one out to have it and the {_names(unknown)} worked out"
    )


def _inconsistent(worst: Disagreement, tolerance_pct: float, system: System) -> Finding:
    return Finding(
        "inconsistent",
        "do",
        f"The values given disagree: {_apart(worst, system)}, more than the tolerance of "
        f"{tolerance_pct:g} %. Measure again, or leave out the one you trust least to have it worked out.",
    )


def _apart(item: Disagreement, system: System) -> str:
    dimension = _QUANTITIES[item.quantity][0]
    by = _names(name for name in item.between if name != item.quantity)
    return (
        f"{_QUANTITIES[item.quantity][3]} {amount(item.given, dimension, system)} is given, but {by} "
        f"make{'s' if len(item.between) == 2 else ''} it {amount(item.implied, dimension, system)}, "
        f"{item.difference_pct:+.1f} %"
    )


# -- solving -------------------------------------------------------------------------------------------------


def _solve(given: Mapping[str, float], swath_m: float, nozzles: _Nozzles | None) -> _Solution:
    """The others from the given ones: the flow first, then what hangs on it.

    A rate and values that are given have a power of themselves; sqrt(SG) is exact and has none.
    """
    values = dict(given)
    powers = {name: {name: 1.0} for name in given}
    if "flow" not in values:
        if "pressure" in values and nozzles:
            values["flow"] = nozzles.flow_at(values["pressure"])
            powers["flow"] = {"calibrated flow": 1.0, "pressure": 0.5}
        else:
            values["flow"] = rate.flow_for_rate_l_min(values["rate"], values["speed"], swath_m)
            powers["flow"] = {"rate": 1.0, "speed": 1.0, "swath": 1.0}
    if "pressure" not in values and nozzles:
        values["pressure"] = nozzles.pressure_for(values["flow"])
        powers["pressure"] = {
            **{name: 2 * power for name, power in powers["flow"].items()},
            "calibrated flow": -2.0,
            "pressure": 1.0,  # the calibration's, read on the gauge
        }
    if "rate" not in values:
        values["rate"] = rate.application_rate_l_ha(values["flow"], values["speed"], swath_m)
        powers["rate"] = {**powers["flow"], "speed": -1.0, "swath": -1.0}
    if "speed" not in values:
        values["speed"] = rate.speed_for_rate_m_s(values["rate"], values["flow"], swath_m)
        powers["speed"] = {**powers["flow"], "rate": -1.0, "swath": -1.0}
    return _Solution(values, powers)


_NOTES: Final = {
    "pressure": "of the pressure against the calibration's, read on one gauge",
    "calibrated flow": "from the catch test",
}


def _budget(
    name: str, solution: _Solution, inputs: Mapping[str, float], u_pct: Mapping[str, float]
) -> Budget:
    """JCGM 100:2008, 5.1.6 eq. (12): in a product of powers, the sensitivity to x is power x result / x."""
    value = solution.values[name]
    parts = []
    for source, power in solution.powers[name].items():
        if source == "rate":
            continue  # a target, not a measurement
        of = "flow" if source == "calibrated flow" else source
        unit = "m" if of == "swath" else _QUANTITIES[of][1]
        x = inputs[source]
        words = "boom flow" if source == "flow" else source
        parts.append(
            Component(words, "B", x * u_pct[of] / 100, unit, power * value / x, note=_NOTES.get(source, ""))
        )
    return Budget(parts, value, _QUANTITIES[name][1])


# -- what to say of it ---------------------------------------------------------------------------------------


def _outside(
    pressure_kpa: float,
    rate_l_ha: float,
    speed_m_s: float,
    flow_l_min: float,
    swath_m: float,
    nozzles: _Nozzles,
    bounds: _Range,
    system: System,
) -> list[Finding]:
    """The pressure against the range in which the nozzles keep their spray angle."""
    low, high = bounds.low_kpa, bounds.high_kpa
    if low is not None and pressure_kpa < low * (1 - _SAME):
        code, bound, below = "pressure_low", low, True
        side, most, why = "below", "at least", "the fans narrow and leave gaps"
    elif high is not None and pressure_kpa > high * (1 + _SAME):
        code, bound, below = "pressure_high", high, False
        side, most, why = "above", "at most", "the drops get fine and drift"
    else:
        return []
    angle = "spray angle" if bounds.angle_deg is None else f"spray angle of {bounds.angle_deg:g} degrees"
    flow_at_bound = nozzles.flow_at(bound)
    at = amount(bound, "pressure", system)
    # the rate is held by a speed that goes with the flow; at the same speed the rate goes with the flow
    speed = amount(rate.speed_for_rate_m_s(rate_l_ha, flow_at_bound, swath_m), "speed", system)
    other_rate = amount(rate.application_rate_l_ha(flow_at_bound, speed_m_s, swath_m), "rate", system)
    size = significant(flow_l_min / flow_at_bound, 2)
    nozzle = (
        f"smaller nozzles ({size} times the output, or less)"
        if below
        else (f"larger nozzles ({size} times the output, or more)")
    )
    return [
        Finding(
            code,
            "do",
            f"{amount(pressure_kpa, 'pressure', system)} is {side} {at}, where the nozzles stop keeping "
            f"their {angle}: {why}. At {at} the boom gives {amount(flow_at_bound, 'flow', system)}: drive "
            f"{most} {speed}, or fit {nozzle}, or spray {most} {other_rate} if the label allows it.",
        )
    ]


def _far(pressure_kpa: float, nozzles: _Nozzles, system: System) -> list[Finding]:
    off_pct = 100 * (pressure_kpa / nozzles.pressure_kpa - 1)
    if abs(off_pct) <= _FAR_PCT:
        return []
    side = "above" if off_pct > 0 else "below"
    return [
        Finding(
            "far_from_calibration",
            "mind",
            f"{amount(pressure_kpa, 'pressure', system)} is {abs(off_pct):.0f} % {side} the catch test's "
            f"{amount(nozzles.pressure_kpa, 'pressure', system)}, and the flow between them follows the "
            "square-root law only: catch a few nozzles at the new pressure before you spray.",
        )
    ]


def _unlikely_speed(speed_m_s: float, system: System) -> Finding:
    word = "slower" if speed_m_s < _SLOWEST_M_S else "faster"
    bound = _SLOWEST_M_S if speed_m_s < _SLOWEST_M_S else _FASTEST_M_S
    return Finding(
        "unlikely_speed",
        "mind",
        f"{amount(speed_m_s, 'speed', system)} is {word} than the {amount(bound, 'speed', system)} at which "
        "a rig with a boom works: check the numbers and their units.",
    )


def _said(name: str, value: float, system: System) -> str:
    dimension, _, _, words, _ = _QUANTITIES[name]
    return f"{words} {amount(value, dimension, system)}"


def _names(names: Iterable[str], last: str = "and") -> str:
    """'rate', 'rate and speed', 'rate, speed and boom flow', always in that order."""
    chosen = set(names)
    return _listed([_QUANTITIES[name][3] for name in _QUANTITIES if name in chosen], last)


def _listed(words: Sequence[str], last: str = "and") -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"
