"""The calibrations that a run rested on, as dated figures that can be followed along the season.

Records of the calibration book, where the log carries them; else what the rig file of the day says.
"""

from collections.abc import Iterator, Sequence
from math import isfinite
from typing import Any

from rigmon.rig import Rig


def calibrations(rig: Rig, records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """What the run's figures were calibrated by.

    kind, what     'catch' 'boom flow' [L/min]; 'flowmeter' 'pulses per litre' [1/L] or 'factor' (true over
                   stated); 'transducer' 'slope' (of the raw fraction) [1/MPa] or 'gain'
    value, pressure_kpa (of a catch test), expanded_uncertainty_pct (k = 2; None: not stated)
    record         its name in the calibration book, or None
    subject        the nozzle set, or ''
    taken_on       ISO date, or None
    """
    found = [one for record in records for one in _of_record(record)]
    kinds = {one["kind"] for one in found}
    cal = rig.calibration
    if "catch" not in kinds and cal is not None:
        found.append(
            _entry(
                "catch",
                "boom flow",
                cal.flow_l_min,
                rig.nozzles.set_name or "",
                cal.record,
                None if cal.taken_on is None else cal.taken_on.isoformat(),
                pressure_kpa=cal.pressure_kpa,
                expanded_uncertainty_pct=2 * cal.uncertainty_pct,
            )
        )
    if "flowmeter" not in kinds and rig.flow.source == "gpio" and rig.flow.pulses_per_l is not None:
        found.append(
            _entry("flowmeter", "pulses per litre", rig.flow.pulses_per_l, "", rig.flow.record, None)
        )
    return found


def _entry(
    kind: str,
    what: str,
    value: float,
    subject: str,
    record: str | None,
    taken_on: str | None,
    *,
    pressure_kpa: float | None = None,
    expanded_uncertainty_pct: float | None = None,
) -> dict[str, Any]:
    return {
        "kind": kind,
        "what": what,
        "value": value,
        "subject": subject,
        "record": record,
        "taken_on": taken_on,
        "pressure_kpa": pressure_kpa,
        "expanded_uncertainty_pct": expanded_uncertainty_pct,
    }


def _of_record(record: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """A log may carry anything: what does not look like a figure is none."""
    kind, figures = record.get("kind"), record.get("result")
    if isinstance(figures, dict) and isinstance(figures.get("result"), dict):
        figures = figures["result"]
    if not isinstance(figures, dict):
        return
    subject, name, taken_on = (_text(record.get(key)) for key in ("subject", "name", "taken_on"))
    sure = _number(figures.get("expanded_uncertainty_pct"))

    def entry(what: str, value: float, pressure_kpa: float | None = None) -> dict[str, Any]:
        return _entry(
            str(kind), what, value, subject or "", name, taken_on,
            pressure_kpa=pressure_kpa, expanded_uncertainty_pct=sure,
        )  # fmt: skip

    if kind == "catch":
        flow = _number(figures.get("boom_flow_l_min"))
        if flow is not None and figures.get("complete") is not False:
            yield entry("boom flow", flow, _number(figures.get("pressure_kpa")))
    elif kind == "flowmeter":
        for key, what in (("pulses_per_l", "pulses per litre"), ("factor", "factor")):
            value = _number(figures.get(key))
            if value is not None:
                yield entry(what, value)
    elif kind == "transducer":
        zero, span, span_kpa = (
            _number(figures.get(key)) for key in ("zero_fraction", "span_fraction", "span_kpa")
        )
        if zero is not None and span is not None and span_kpa and span > zero:
            yield entry("slope", 1000 * (span - zero) / span_kpa)
        gain = _number(figures.get("gain"))
        if gain is not None:
            yield entry("gain", gain)


def _number(value: Any) -> float | None:
    """A positive finite number, which all of these are (but a zero, which may be 0), or None."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    return float(value) if isfinite(value) and value >= 0 else None


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None
