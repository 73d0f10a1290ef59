"""Pressure [kPa] from a transducer: an XDR pressure or raw converter counts."""

from rigmon.model import AdcCount
from rigmon.rig import PressureSensor


class Transducer:
    """The newest pressure, None while unknown; `fault` tells '', 'open', 'short', 'clipped' or 'range'."""

    __slots__ = ("_sensor", "fault", "pressure_kpa", "t_ns")

    def __init__(self, sensor: PressureSensor) -> None:
        self._sensor = sensor
        self.t_ns: int | None = None
        self.pressure_kpa: float | None = None
        self.fault = ""

    def set_pressure(self, t_ns: int, pressure_kpa: float) -> None:
        """A pressure as the sensor states it. A little below zero is an offset and reads as zero."""
        self.t_ns = t_ns
        low_kpa = -0.05 * self._sensor.maximum_kpa
        self.fault = "" if low_kpa <= pressure_kpa <= self._sensor.maximum_kpa else "range"
        self.pressure_kpa = None if self.fault else max(0.0, pressure_kpa)

    def set_counts(self, t_ns: int, reading: AdcCount) -> None:
        """Raw counts: a fraction of full scale, or of the supply rail where that is measured (ratiometric).

        The transducer's line runs from zero_fraction to span_fraction. Half of the margin outside it is
        allowed for offset; beyond, below is an open circuit (the pull-down wins) and above a short to the
        rail; full scale of the converter itself is clipping, which hides what is there.
        """
        sensor = self._sensor
        full = 1 << reading.bits
        whole = full if reading.supply_counts is None else reading.supply_counts
        if reading.counts >= full - 1 or whole <= 0 or reading.counts < 0:
            self._fail(t_ns, "clipped")
            return
        fraction = reading.counts / whole
        if fraction < sensor.zero_fraction / 2:
            self._fail(t_ns, "open")
        elif fraction > (1 + sensor.span_fraction) / 2:
            self._fail(t_ns, "short")
        else:
            slope = sensor.span_kpa / (sensor.span_fraction - sensor.zero_fraction)
            self.set_pressure(t_ns, (fraction - sensor.zero_fraction) * slope)

    def _fail(self, t_ns: int, fault: str) -> None:
        self.t_ns = t_ns
        self.fault = fault
        self.pressure_kpa = None
