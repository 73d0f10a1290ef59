"""What every calibration hands back beside its numbers: findings, and words for amounts in both systems."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final, Literal

from rigmon import units
from rigmon.errors import UsageError

System = Literal["us", "metric"]
Severity = Literal["do", "mind"]

#: limits are inclusive; relative, this keeps what is exactly on one from falling out by rounding
SLACK: Final = 1e-9

#: dimension -> (US customary, metric): for what is too small for the units that screens show
_SMALL: Final[dict[str, tuple[str, str]]] = {
    "volume": ("fl oz", "mL"),
    "length": ("in", "cm"),
    "flow": ("fl oz/min", "mL/min"),
    "mass": ("oz wt", "g"),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that a calibration found: 'do' wants an action now, 'mind' is good to know."""

    code: str  #: snake case, stable
    severity: Severity
    text: str  #: one or two plain sentences that say what to do

    def to_json(self) -> dict[str, Any]:
        return {"code": self.code, "severity": self.severity, "text": self.text}


def amount(value: float | None, dimension: str, system: System, digits: int = 3, small: bool = False) -> str:
    """A carried value with so many significant digits and its unit: '0.395 gal/min'; None reads '-- gal/min'.

    `small` takes the smaller unit of the system: fl oz or mL, in or cm, fl oz/min or mL/min, oz wt or g.
    """
    if small and dimension in _SMALL:
        unit = _SMALL[dimension][0 if system == "us" else 1]
    else:
        unit = units.shown_unit(dimension, system)
    return f"{'--' if value is None else significant(units.convert(value, dimension, unit), digits)} {unit}"


def significant(number: float, digits: int = 3) -> str:
    """A number with so many significant digits, without an exponent: 0.0394, 1.20, 155, 12400."""
    if number == 0:
        return "0"
    exponent = int(f"{number:.{digits - 1}e}".partition("e")[2])
    decimals = digits - 1 - exponent
    return f"{number:.{decimals}f}" if decimals >= 0 else f"{round(number, decimals):.0f}"


def nozzles(numbers: Iterable[int]) -> str:
    """'nozzle 3', 'nozzles 3 and 7', 'nozzles 2-5 and 9'."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts = []
    for run in runs:
        parts += [f"{run[0]}-{run[-1]}"] if len(run) > 2 else [str(number) for number in run]
    word = "nozzle" if len(runs) == 1 and len(runs[0]) == 1 else "nozzles"
    return f"{word} {parts[0]}" if len(parts) == 1 else f"{word} {', '.join(parts[:-1])} and {parts[-1]}"


def capital(text: str) -> str:
    """`text` with its first letter as a sentence begins."""
    return text[:1].upper() + text[1:]


def check(
    value: float,
    what: str,
    unit: str,
    low: float | None = None,
    high: float | None = None,
    zero: bool = False,
) -> float:
    """`value` back, when it is a finite number within the bounds (inclusive); else UsageError.

    Without `low` it must be above zero, or zero where `zero` says so. `unit` is the carried unit of all.
    """
    if low is not None:
        right = f"at least {low:g} {unit}"
        fine = value >= low
    else:
        right = f"zero or more {unit}" if zero else "above zero"
        fine = value >= 0 if zero else value > 0
    if high is not None:
        right += f" and at most {high:g} {unit}"
        fine = fine and value <= high
    if not (isfinite(value) and fine):
        raise UsageError(f"{what} = {value:g} {unit} must be {right}; check the number and its unit")
    return value
