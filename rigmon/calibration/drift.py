"""How nozzles, meters and transducers drift over a season, from the records of the calibration book.

A nozzle is compared at one pressure, that of its first catch test: q1/q2 = sqrt(P1/P2). A transducer's zero
may be near nothing, so its change is stated in % of its first span.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from math import isfinite, sqrt
from typing import Any, Final, TypeAlias

from rigmon.calibration.record import Record

#: mean length of a month of the Gregorian calendar: 365.2425 / 12
DAYS_PER_MONTH: Final = 30.436875


@dataclass(frozen=True, slots=True)
class Drift:
    """One quantity over time. Carried units; the points are in order of their days."""

    kind: str  #: of the records
    rig: str
    subject: str  #: of the records: the nozzle set, 'flowmeter', 'pressure'
    what: str  #: 'nozzle 3', 'boom', 'pulses per litre', 'factor', 'zero', 'slope', 'offset', 'gain'
    unit: str
    points: tuple[tuple[date, float], ...]
    names: tuple[str, ...]  #: of the records
    whole: float | None = None  #: what a change is stated in % of; None: the first value

    @property
    def first(self) -> float:
        return self.points[0][1]

    @property
    def last(self) -> float:
        return self.points[-1][1]

    @property
    def days(self) -> int:
        return (self.points[-1][0] - self.points[0][0]).days

    @property
    def change(self) -> float:
        """Last less first, in `unit`."""
        return self.last - self.first

    @property
    def change_pct(self) -> float | None:
        """None where there is nothing to state it in."""
        whole = self.first if self.whole is None else self.whole
        return 100 * self.change / whole if whole else None

    @property
    def change_pct_per_month(self) -> float | None:
        """None within one day."""
        if self.change_pct is None or not self.days:
            return None
        return self.change_pct / (self.days / DAYS_PER_MONTH)

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "rig": self.rig,
            "subject": self.subject,
            "what": self.what,
            "unit": self.unit,
            "records": len(self.points),
            "first_on": self.points[0][0].isoformat(),
            "first": self.first,
            "last_on": self.points[-1][0].isoformat(),
            "last": self.last,
            "change": self.change,
            "change_pct": self.change_pct,
            "change_pct_per_month": self.change_pct_per_month,
            "points": [
                {"taken_on": day.isoformat(), "record": name, "value": value}
                for (day, value), name in zip(self.points, self.names, strict=True)
            ],
        }


def history_drift(records: Iterable[Record]) -> list[Drift]:
    """What drifted, for every nozzle, meter and transducer that has two records or more.

    Records of one kind, rig and subject belong together. Other kinds, and results without the number, are
    passed over. In order of kind, rig, subject, and the place in the result.
    """
    drifts = []
    for (kind, rig, subject, what), rows in _found(records).items():
        if len(rows) > 1:
            drifts.append(
                Drift(
                    kind=kind,
                    rig=rig,
                    subject=subject,
                    what=what,
                    unit=rows[0][3],
                    points=tuple((day, value) for day, value, _, _, _ in rows),
                    names=tuple(name for _, _, name, _, _ in rows),
                    whole=rows[0][4],
                )
            )
    return sorted(drifts, key=lambda drift: (drift.kind, drift.rig, drift.subject, _place(drift.what)))


def measured_once(records: Iterable[Record], kind: str, subject: str) -> list[str]:
    """What only one record of that kind and subject has, such as 'nozzle 3': it cannot have drifted yet."""
    once = [
        what for (of, _, about, what), rows in _found(records).items()
        if (of, about) == (kind, subject) and len(rows) == 1
    ]  # fmt: skip
    return sorted(once, key=_place)


#: kind, rig, subject, what
_Key: TypeAlias = tuple[str, str, str, str]
#: day, value, record, unit, what a change is stated in % of
_Row: TypeAlias = tuple[date, float, str, str, float | None]


def _found(records: Iterable[Record]) -> dict[_Key, list[_Row]]:
    """Every value, in order of their days."""
    found: dict[_Key, list[_Row]] = {}
    reference_kpa: dict[tuple[str, str], float] = {}
    for record in sorted(records, key=lambda record: (record.taken_on, record.id)):
        for what, unit, value, whole in _values(record, reference_kpa):
            key = (record.kind, record.rig, record.subject, what)
            found.setdefault(key, []).append((record.taken_on, value, record.name, unit, whole))
    return found


def _place(what: str) -> tuple[int, str]:
    """The boom and single quantities first, nozzles by their number."""
    word, _, number = what.partition(" ")
    return (int(number), "") if word == "nozzle" and number.isdecimal() else (0, what)


def _values(
    record: Record, reference_kpa: dict[tuple[str, str], float]
) -> Iterable[tuple[str, str, float, float | None]]:
    """(what, unit, value, what a change is stated in % of) of one record."""
    figures = record.figures
    if record.kind == "catch":
        yield from _nozzles(record, reference_kpa)
    elif record.kind == "flowmeter":
        for key, what, unit in (("pulses_per_l", "pulses per litre", "1/L"), ("factor", "factor", "1")):
            value = _number(figures.get(key))
            if value is not None:
                yield what, unit, value, None
    elif record.kind == "transducer":
        yield from _line(record)


def _nozzles(
    record: Record, reference_kpa: dict[tuple[str, str], float]
) -> Iterable[tuple[str, str, float, float | None]]:
    """Outputs, at the pressure of the first catch test of this rig and nozzle set.

    Where one has a pressure and another has none, nothing brings them to one pressure: they stand as caught.
    """
    pressure = _number(record.figures.get("pressure_kpa", record.given.get("pressure_kpa")))
    scale = 1.0
    if pressure is not None and pressure > 0:
        scale = sqrt(reference_kpa.setdefault((record.rig, record.subject), pressure) / pressure)
    boom = _number(record.figures.get("boom_flow_l_min"))
    if boom is not None and record.figures.get("complete") is not False:
        yield "boom", "L/min", boom * scale, None
    nozzles = record.figures.get("nozzles")
    for nozzle in nozzles if isinstance(nozzles, list) else []:
        number, flow = nozzle.get("nozzle"), _number(nozzle.get("flow_l_min"))
        if flow is not None:
            yield f"nozzle {number}", "L/min", flow * scale, None


def _line(record: Record) -> Iterable[tuple[str, str, float, float | None]]:
    """A transducer's zero and slope: the slope, not the span, so that lines stated at other spans compare."""
    figures = record.figures
    zero, span = _number(figures.get("zero_fraction")), _number(figures.get("span_fraction"))
    span_kpa = _number(figures.get("span_kpa"))
    if zero is not None and span is not None and span_kpa and span > zero:
        yield "zero", "fraction", zero, span - zero
        yield "slope", "1/MPa", 1000 * (span - zero) / span_kpa, None
    offset_kpa, gain = _number(figures.get("offset_kpa")), _number(figures.get("gain"))
    if offset_kpa is not None and gain is not None:
        yield "offset", "kPa", offset_kpa, _number(record.given.get("at_kpa"))
        yield "gain", "1", gain, None


def _number(value: Any) -> float | None:
    number = isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)
    return float(value) if number else None
