"""Pressure [kPa] from a transducer: an XDR pressure or raw converter counts."""

from rigmon.model import AdcCount
from rigmon.rig import PressureSensor

#: of the rail: where a common transducer's line begins and ends, and halfway from there to the rail
_ZERO, _END, _SHORT = 0.1, 0.9, 0.95


def _short_at(sensor: PressureSensor, *, by_rail: bool) -> float:
    """The fraction above which the signal is shorted to the rail.

    Of the rail: 0.95, or halfway from the line's end to the rail where the line itself reaches beyond 0.9. A
    span that was calibrated lower than the transducer's own does not lower that. Where the rail is not
    measured it is taken to be where the line of a common transducer puts it, by its live zero or its end,
    whichever is higher: its fraction of full scale depends on the divider.
    """
    short = max(_SHORT, (1 + sensor.span_fraction) / 2)
    if by_rail or sensor.zero_fraction < _ZERO / 2:
        return short
    return min(short, _SHORT * max(sensor.zero_fraction / _ZERO, sensor.span_fraction / _END))


class Transducer:
    """The newest pressure, None while unknown; `fault` is '' or says why.

    'open': the wire is broken, or shorted to ground; 'short': shorted to the rail; 'clipped': above what
    the converter can read; 'supply': the rail's own reading cannot be true; 'range': outside what the rig
    can have. `signed_kpa` is the pressure with an offset below zero left as it is.
    """

    __slots__ = ("_sensor", "_short_at", "fault", "pressure_kpa", "signed_kpa", "t_ns")

    def __init__(self, sensor: PressureSensor) -> None:
        self._sensor = sensor
        self._short_at = (_short_at(sensor, by_rail=False), _short_at(sensor, by_rail=True))
        self.t_ns: int | None = None
        self.pressure_kpa: float | None = None
        self.signed_kpa: float | None = None
        self.fault = ""

    def set_pressure(self, t_ns: int, pressure_kpa: float) -> None:
        """A pressure as the sensor states it. A little below zero is an offset and reads as zero."""
        self.t_ns = t_ns
        low_kpa = -0.05 * self._sensor.maximum_kpa
        self.fault = "" if low_kpa <= pressure_kpa <= self._sensor.maximum_kpa else "range"
        self.signed_kpa = None if self.fault else pressure_kpa
        self.pressure_kpa = None if self.fault else max(0.0, pressure_kpa)

    def set_counts(self, t_ns: int, reading: AdcCount) -> None:
        """Raw counts: a fraction of full scale, or of the supply rail where that is measured (ratiometric).

        The transducer's line has a live zero: it runs from zero_fraction up, commonly from 0.1 to 0.9 of the
        rail (0.5 to 4.5 V of 5 V). So no pressure reads well above nothing, and half of the margin is allowed
        for offset: below zero_fraction / 2 the wire is open (the divider's resistor to ground wins), which a
        transducer without live zero (zero_fraction 0) cannot tell. For a short to the rail see `_short_at`.
        Full scale of the converter is clipping, which hides what is there, also on the rail; a rail below a
        quarter of full scale is no rail.
        """
        sensor = self._sensor
        full = 1 << reading.bits
        whole = full if reading.supply_counts is None else reading.supply_counts
        if reading.counts >= full - 1 or reading.counts < 0:
            self._fail(t_ns, "clipped")
            return
        if reading.supply_counts is not None and not full // 4 <= whole < full - 1:
            self._fail(t_ns, "supply")
            return
        fraction = reading.counts / whole
        if fraction < sensor.zero_fraction / 2:
            self._fail(t_ns, "open")
        elif fraction > self._short_at[reading.supply_counts is not None]:
            self._fail(t_ns, "short")
        else:
            slope = sensor.span_kpa / (sensor.span_fraction - sensor.zero_fraction)
            self.set_pressure(t_ns, (fraction - sensor.zero_fraction) * slope)

    def _fail(self, t_ns: int, fault: str) -> None:
        self.t_ns = t_ns
        self.fault = fault
        self.pressure_kpa = self.signed_kpa = None
