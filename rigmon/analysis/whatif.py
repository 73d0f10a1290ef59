"""What if: the same readings on a rig with another target, tolerance, swath, calibration or diagnosis.

Nothing is written: the changed rig lives as long as the question.
"""

from dataclasses import dataclass, replace
from math import isfinite
from typing import Final

from rigmon import units
from rigmon.config import SCHEMA
from rigmon.errors import UsageError
from rigmon.rig import Rig

_KEYS: Final = {
    "--target": ("target", "rate"),
    "--tolerance": ("target", "tolerance_pct"),
    "--swath": ("rig", "swath"),
    "--calibration": ("calibration", "flow"),
    "--false-alarms-per-h": ("diagnosis", "false_alarms_per_h"),
    "--smallest-change": ("diagnosis", "smallest_change_pct"),
}


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Texts as typed; None: as it was."""

    target: str | None = None  #: "20 gal/ac"
    tolerance: str | None = None  #: "5" or "5%"
    swath: str | None = None  #: "20 ft"
    calibration: str | None = None  #: whole-boom flow, "2.5 gal/min", or "2.5 gal/min at 40 psi"
    false_alarms_per_h: str | None = None  #: of all diagnoses together, "0.5"
    smallest_change: str | None = None  #: "3" or "3%"

    def __bool__(self) -> bool:
        return bool(self.words())

    def applied_to(self, rig: Rig) -> Rig:
        """The changed rig. Raises UsageError that names the option, the value, and what would be right."""
        if self.target is not None:
            rate = _quantity("--target", self.target, "rate")
            rig = replace(rig, target=replace(rig.target, rate_l_ha=rate))
        if self.tolerance is not None:
            tolerance_pct = _percent("--tolerance", self.tolerance)
            rig = replace(rig, target=replace(rig.target, tolerance_pct=tolerance_pct))
        if self.swath is not None:
            rig = replace(rig, swath_m=_quantity("--swath", self.swath, "length"))
        if self.calibration is not None:
            rig = _calibrated(rig, self.calibration)
        if self.false_alarms_per_h is not None:
            per_h = _number("--false-alarms-per-h", self.false_alarms_per_h)
            # who asks for another setting asks for diagnoses
            rig = replace(rig, diagnosis=replace(rig.diagnosis, enabled=True, false_alarms_per_h=per_h))
        if self.smallest_change is not None:
            pct = _percent("--smallest-change", self.smallest_change)
            rig = replace(rig, diagnosis=replace(rig.diagnosis, enabled=True, smallest_change_pct=pct))
        return rig

    def words(self) -> list[str]:
        """What was changed, for the reader: ['--target 20 gal/ac']."""
        texts = {
            "--target": self.target,
            "--tolerance": self.tolerance,
            "--swath": self.swath,
            "--calibration": self.calibration,
            "--false-alarms-per-h": self.false_alarms_per_h,
            "--smallest-change": self.smallest_change,
        }
        return [f"{option} {text}" for option, text in texts.items() if text is not None]


def _quantity(option: str, text: str, dimension: str) -> float:
    try:
        value = units.parse(text, dimension)
    except units.UnitError as error:
        raise UsageError(f"{option} = {error}") from error
    return _within(option, text, value)


def _within(option: str, text: str, value: float) -> float:
    """Within the bounds that the rig file's key has."""
    section, key = _KEYS[option]
    spec = SCHEMA[section][key]
    below = (spec.low is not None and value < spec.low) or (spec.above is not None and value <= spec.above)
    if below or not isfinite(value) or (spec.high is not None and value > spec.high):
        raise UsageError(
            f"{option} = {text!r} is out of bounds for {section}.{key} of a rig file; such as {spec.sample()}"
        )
    return value


def _percent(option: str, text: str) -> float:
    section, key = _KEYS[option]
    try:
        value = float(text.strip().removesuffix("%"))
    except ValueError:
        sample = SCHEMA[section][key].sample()
        raise UsageError(f"{option} = {text!r} must be a percentage, such as {sample}") from None
    return _within(option, text, value)


def _number(option: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        section, key = _KEYS[option]
        sample = SCHEMA[section][key].sample()
        raise UsageError(f"{option} = {text!r} must be a number, such as {sample}") from None
    return _within(option, text, value)


def _calibrated(rig: Rig, text: str) -> Rig:
    flow_text, _, pressure_text = text.partition(" at ")
    flow = _quantity("--calibration", flow_text, "flow")
    cal = rig.calibration
    pressure = cal.pressure_kpa if cal is not None else None
    if pressure_text:
        try:
            pressure = units.parse(pressure_text, "pressure")
        except units.UnitError as error:
            raise UsageError(f"--calibration = {text!r}: {error}") from error
    if cal is None:
        raise UsageError("--calibration: the run's rig has no calibration to change; give a rig by --rig")
    if rig.pressure.source != "none" and not (pressure or 0) > 0:
        raise UsageError(f"--calibration = {text!r} needs its pressure, such as: {flow_text} at 40 psi")
    return replace(rig, calibration=replace(cal, flow_l_min=flow, pressure_kpa=pressure, record=None))
