"""What a calibration record sets in the rig file, and whether a rig still says what its records say."""

from dataclasses import dataclass, replace
from datetime import date
from math import ceil, floor, isfinite, log10
from typing import Any, Final

from rigmon import units
from rigmon.calibration.record import Record
from rigmon.calibration.result import System, amount, nozzles, significant
from rigmon.errors import UsageError
from rigmon.rig import Rig

#: digits of a quantity in the rig file: far below any calibration's uncertainty
DIGITS: Final = 6
#: a rig's number this far from its record's was changed since, %
_SAME_PCT: Final = 0.01
_PART: Final = {"catch": "calibration", "target": "target", "flowmeter": "flow", "transducer": "pressure"}


@dataclass(frozen=True, slots=True)
class Setting:
    """One key of the rig file: a quantity in its carried unit, a bare number, a date or a text."""

    section: str
    key: str
    value: float | date | str
    dimension: str = ""  #: of rigmon.units; '': no quantity

    def toml(self, system: System) -> Any:
        """The value as the rig file has it: quantities as text in the unit system's unit."""
        if self.dimension:
            assert isinstance(self.value, float)
            unit = units.shown_unit(self.dimension, system)
            return f"{_digits(units.convert(self.value, self.dimension, unit))} {unit}"
        return float(_digits(self.value)) if isinstance(self.value, float) else self.value

    def text(self, system: System) -> str:
        """The value for a reader."""
        value = self.toml(system)
        return (
            value.isoformat()
            if isinstance(value, date)
            else f"{value:g}"
            if isinstance(value, float)
            else value
        )


def settings_of(record: Record, rig: Rig) -> list[Setting]:
    """What the record sets in that rig's file.

    Raises UsageError, saying why, for a record that sets nothing, is of another rig or nozzle set, is not
    complete, or is of another kind of sensor than the rig has.
    """
    if record.kind not in _PART:
        raise UsageError(
            f"{record.name}: a record of kind '{record.kind}' sets nothing in the rig file; "
            f"only {', '.join(_PART)} do"
        )
    if record.rig != rig.name:
        raise UsageError(f"{record.name} is of the rig '{record.rig}', and this rig file is of '{rig.name}'")
    make = {"catch": _catch, "target": _target, "flowmeter": _flowmeter, "transducer": _transducer}
    settings = make[record.kind](record, rig)
    return [*settings, Setting(_PART[record.kind], "record", record.name)]


def disagreements(rig: Rig, record: Record) -> list[str]:
    """Where a rig that names a record says other numbers than it, in sentences; [] when it says the same."""
    try:
        settings = settings_of(record, rig)
    except UsageError as error:
        return [str(error)]
    found = []
    for setting in settings:
        if not isinstance(setting.value, float):
            continue
        says = _in_rig(rig, setting.section, setting.key)
        if says is None or abs(says - setting.value) * 100 > _SAME_PCT * max(abs(says), abs(setting.value)):
            system = _system(rig)
            shown = "not set" if says is None else replace(setting, value=says).text(system)
            found.append(
                f"{setting.section}.{setting.key} is {shown} in the rig file, but {setting.text(system)} in "
                f"{record.name}: it was changed since"
            )
    return found


def _catch(record: Record, rig: Rig) -> list[Setting]:
    _same_nozzles(record, rig)
    figures, given = record.figures, record.given
    if figures.get("complete") is False:
        missing = figures.get("missing")
        which = nozzles(missing) if isinstance(missing, list) and missing else "some nozzles"
        raise UsageError(
            f"{record.name}: {which} not caught yet, so the boom's flow is not known; catch them"
        )
    count = given.get("nozzle_count")
    if count is not None and count != rig.nozzle_count:
        raise UsageError(
            f"{record.name} is of {count} nozzles, and rig.nozzle_count = {rig.nozzle_count}: do the catch "
            "test again"
        )
    settings = [Setting("calibration", "flow", _number(record, "boom_flow_l_min"), "flow")]
    pressure = figures.get("pressure_kpa", given.get("pressure_kpa"))
    if pressure is not None:
        settings.append(
            Setting("calibration", "pressure", _finite(record, "pressure_kpa", pressure), "pressure")
        )
    elif rig.calibration is not None and rig.calibration.pressure_kpa is not None:
        other = amount(rig.calibration.pressure_kpa, "pressure", _system(rig))
        raise UsageError(
            f"{record.name} was taken without a gauge, and calibration.pressure = {other} belongs to another "
            "catch test: take that line out of the rig file first, or catch again with the gauge read"
        )
    settings.append(Setting("calibration", "taken_on", record.taken_on))
    settings.append(_uncertainty(record, "calibration"))
    return settings


def _target(record: Record, rig: Rig) -> list[Setting]:
    _same_nozzles(record, rig)
    settings = [
        Setting("target", "rate", _number(record, "rate_l_ha"), "rate"),
        Setting("target", "speed", _number(record, "speed_m_s"), "speed"),
    ]
    tolerance = record.given.get("tolerance_pct")
    if tolerance is not None:
        settings.append(Setting("target", "tolerance_pct", _finite(record, "tolerance_pct", tolerance)))
    return settings


def _flowmeter(record: Record, rig: Rig) -> list[Setting]:
    figures = record.figures
    if figures.get("pulses_per_l") is not None:
        if rig.flow.source == "xdr":
            raise UsageError(
                f'{record.name} is of a meter that gives pulses, and flow.source = "xdr": the pulses per '
                "litre belong into the sensor node"
            )
        return [
            Setting("flow", "pulses_per_l", _number(record, "pulses_per_l")),
            _uncertainty(record, "flow"),
        ]
    factor, sure_pct = _number(record, "factor"), _number(record, "expanded_uncertainty_pct")
    if rig.flow.source == "gpio":
        raise UsageError(
            f'{record.name} is of a meter that states litres, and flow.source = "gpio" counts pulses'
        )
    if 100 * abs(factor - 1) > sure_pct:
        raise UsageError(
            f"{record.name}: the meter states {significant(abs(100 / factor - 100), 2)} % too "
            f"{'little' if factor > 1 else 'much'}. Its factor is kept in the sensor node: divide its pulses "
            f"per litre by {significant(factor, 5)} there, calibrate once more, and apply that"
        )
    return [_uncertainty(record, "flow")]


def _transducer(record: Record, rig: Rig) -> list[Setting]:
    figures = record.figures
    if figures.get("zero_fraction") is not None:
        if rig.pressure.source == "xdr":
            raise UsageError(
                f'{record.name} is of a transducer on a converter, and pressure.source = "xdr": its zero and '
                "span belong into the sensor node"
            )
        return [
            Setting("pressure", "zero_fraction", _number(record, "zero_fraction", zero=True)),
            Setting("pressure", "span_fraction", _number(record, "span_fraction")),
            Setting("pressure", "span", _number(record, "span_kpa"), "pressure"),
            _uncertainty(record, "pressure"),
        ]
    gain, at_kpa = _number(record, "gain"), _finite(record, "at_kpa", record.given.get("at_kpa"))
    offset_kpa = _finite(record, "offset_kpa", figures.get("offset_kpa"))
    if rig.pressure.source == "adc":
        raise UsageError(
            f'{record.name} is of a transducer that states its pressure, and pressure.source = "adc" counts'
        )
    off_kpa = offset_kpa + (gain - 1) * at_kpa
    sure_kpa = _number(record, "expanded_uncertainty_pct") / 100 * at_kpa
    if abs(off_kpa) > sure_kpa:
        system = _system(rig)
        much = "much" if off_kpa > 0 else "little"
        raise UsageError(
            f"{record.name}: at {amount(at_kpa, 'pressure', system)} the transducer states "
            f"{amount(abs(off_kpa), 'pressure', system, 2)} too {much}. Its zero and span are kept in the "
            f"sensor node: take {amount(offset_kpa, 'pressure', system)} off and divide by "
            f"{significant(gain, 5)} there, calibrate once more, and apply that"
        )
    return [_uncertainty(record, "pressure")]


def _same_nozzles(record: Record, rig: Rig) -> None:
    fitted = rig.nozzles.set_name
    if fitted is not None and record.nozzle_set is not None and record.nozzle_set != fitted:
        raise UsageError(
            f"{record.name} was taken with the nozzle set '{record.nozzle_set}', and nozzles.set = "
            f"'{fitted}': calibrate with the set that is fitted, or correct nozzles.set"
        )


def _uncertainty(record: Record, section: str) -> Setting:
    """The standard uncertainty in %, rounded up to two digits: never stated smaller than it is."""
    value = _number(record, "uncertainty_pct", zero=True)
    if value:
        step = 10.0 ** (floor(log10(value)) - 1)
        value = float(f"{ceil(round(value / step, 9)) * step:.3g}")
    return Setting(section, "uncertainty_pct", value)


def _number(record: Record, key: str, zero: bool = False) -> float:
    """A figure of the record, above zero (or not below, where `zero` says so)."""
    value = _finite(record, key, record.figures.get(key))
    if value < 0 or (value == 0 and not zero):
        raise UsageError(f"{record.name}: {key} = {value:g} cannot be applied; it must be above zero")
    return value


def _finite(record: Record, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise UsageError(f"{record.name} has no number {key}, so it cannot be applied; calibrate again")
    return float(value)


def _in_rig(rig: Rig, section: str, key: str) -> float | None:
    cal = rig.calibration
    said: dict[tuple[str, str], float | None] = {
        ("calibration", "flow"): cal.flow_l_min if cal else None,
        ("calibration", "pressure"): cal.pressure_kpa if cal else None,
        ("calibration", "uncertainty_pct"): cal.uncertainty_pct if cal else None,
        ("target", "rate"): rig.target.rate_l_ha,
        ("target", "speed"): rig.target.speed_m_s,
        ("target", "tolerance_pct"): rig.target.tolerance_pct,
        ("flow", "pulses_per_l"): rig.flow.pulses_per_l,
        ("flow", "uncertainty_pct"): rig.flow.uncertainty_pct,
        ("pressure", "zero_fraction"): rig.pressure.zero_fraction,
        ("pressure", "span_fraction"): rig.pressure.span_fraction,
        ("pressure", "span"): rig.pressure.span_kpa,
        ("pressure", "uncertainty_pct"): rig.pressure.uncertainty_pct,
    }
    return said[(section, key)]


def _system(rig: Rig) -> System:
    return "us" if rig.units == "us" else "metric"


def _digits(number: float) -> str:
    """DIGITS significant digits without trailing zeros or an exponent."""
    text = significant(number, DIGITS)
    return text.rstrip("0").rstrip(".") if "." in text else text
