"""What a calibration record says, in a few words: for lists and for the job plan."""

from typing import Any

from rigmon.calibration.record import Record
from rigmon.calibration.result import System, amount, significant


def headline(record: Record, system: System) -> str:
    """The main figure of a record with its expanded uncertainty, for a reader of a unit system.

    A figure that the record does not have is left out; a record without any reads ''.
    """
    figures = record.figures
    parts = _PARTS[record.kind](figures, record.given, system) if record.kind in _PARTS else []
    sure = _number(figures.get("expanded_uncertainty_pct"))
    if parts and sure is not None and record.kind == "transducer":
        parts.append(f"read to +-{significant(sure, 2)} %")
    elif parts and sure is not None:
        parts[0] += f" +-{significant(sure, 2)} %"
    pressure = _number(figures.get("pressure_kpa"))
    if parts and pressure is not None and record.kind == "catch":
        parts[0] += f" at {amount(pressure, 'pressure', system)}"
    return ", ".join(parts)


def _catch(figures: dict[str, Any], _given: dict[str, Any], system: System) -> list[str]:
    parts = _amounts(figures, system, ("boom_flow_l_min", "flow"))
    cv = _number(figures.get("cv_pct"))
    if cv is not None:
        parts.append(f"CV {cv:.1f} %")
    wrong = [n for n in figures.get("nozzles") or [] if n.get("state") != "ok"]
    if wrong:
        parts.append(f"{len(wrong)} to mend")
    if figures.get("complete") is False:
        parts.append("not complete")
    return parts


def _course(figures: dict[str, Any], _given: dict[str, Any], system: System) -> list[str]:
    source = {"gps": ["by GPS"], "stopwatch": ["by stopwatch"]}.get(str(figures.get("source")), [])
    return [*_amounts(figures, system, ("speed_m_s", "speed")), *source]


def _target(figures: dict[str, Any], _given: dict[str, Any], system: System) -> list[str]:
    return _amounts(
        figures, system, ("rate_l_ha", "rate"), ("holding_speed_m_s", "speed"), ("flow_l_min", "flow"),
        ("pressure_kpa", "pressure"),
    )  # fmt: skip


def _pace(figures: dict[str, Any], _given: dict[str, Any], system: System) -> list[str]:
    steps = _number(figures.get("steps_per_min"))
    told = [] if steps is None else [f"{steps:.0f} steps/min"]
    return [*told, *_amounts(figures, system, ("speed_m_s", "speed"))]


def _flowmeter(figures: dict[str, Any], _given: dict[str, Any], _system: System) -> list[str]:
    pulses, factor = _number(figures.get("pulses_per_l")), _number(figures.get("factor"))
    if pulses is not None:
        return [f"{significant(pulses, 5)} pulses/L"]
    return [] if factor is None else [f"true = {significant(factor, 5)} x stated"]


def _transducer(figures: dict[str, Any], _given: dict[str, Any], system: System) -> list[str]:
    zero, span = _number(figures.get("zero_fraction")), _number(figures.get("span_fraction"))
    span_kpa = _number(figures.get("span_kpa"))
    if zero is not None and span is not None and span_kpa is not None:
        return [f"zero {zero:.4f}", f"{span:.4f} at {amount(span_kpa, 'pressure', system)}"]
    offset, gain = _number(figures.get("offset_kpa")), _number(figures.get("gain"))
    if offset is None or gain is None:
        return []
    return [f"stated = {amount(offset, 'pressure', system, 2)} + {significant(gain, 4)} x true"]


_PARTS = {
    "catch": _catch,
    "course": _course,
    "target": _target,
    "pace": _pace,
    "flowmeter": _flowmeter,
    "transducer": _transducer,
}


def _amounts(figures: dict[str, Any], system: System, *wanted: tuple[str, str]) -> list[str]:
    values = ((_number(figures.get(key)), dimension) for key, dimension in wanted)
    return [amount(value, dimension, system) for value, dimension in values if value is not None]


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
