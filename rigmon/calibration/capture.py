"""From live readings to a run of a flowmeter or a point of a transducer. Pure: stamps come with the readings.

Whoever captures feeds every reading as it comes and says afterwards from when to when the run or the point
was. Let nothing flow just before the beginning and just after the end (start and stop the flow within the
run): then no pulse can be on the wrong side. Where water does flow there, what was reported in the interval
around the edge may belong to either side, and goes into the uncertainty.
"""

from collections.abc import Sequence
from itertools import pairwise
from operator import attrgetter
from typing import Final, Literal, NamedTuple

from rigmon.calibration.budget import mean, sample_sd
from rigmon.calibration.flowmeter import IndicatedRun, MeterRun
from rigmon.calibration.transducer import Point
from rigmon.core.nmea import Transducers, decoder_for
from rigmon.errors import UsageError
from rigmon.model import AdcCount, NmeaLine, PulseCount, Reading, Source, SourceFault
from rigmon.rig import Rig

#: fewer readings than this are no average
_FEWEST: Final = 3


class _At(NamedTuple):
    t_ns: int
    value: float


_stamp: Final = attrgetter("t_ns")


class MeterCapture:
    """What the fitted flowmeter says: pulses (wired), or a volume or flow in XDR sentences."""

    def __init__(self, rig: Rig) -> None:
        """Raises UsageError for a rig without flowmeter."""
        if rig.flow.source == "none":
            raise UsageError(
                'flow.source = "none": no flowmeter is fitted; set it in the rig file, or type the pulses in'
            )
        self._decoder = decoder_for(rig)
        self._maximum_l_min = rig.flow.maximum_l_min
        self._stale_ns = round(rig.flow.stale_s * 1e9)
        self._pulses: list[tuple[int, int, int]] = []  # stamp, total, lost
        self._volumes: list[_At] = []
        self._flows: list[_At] = []
        self._losses: list[int] = []

    def feed(self, reading: Reading) -> None:
        """Take one reading; those of other sensors are passed over."""
        payload = reading.payload
        if isinstance(payload, PulseCount):
            self._pulses.append((reading.t_ns, payload.total, payload.lost))
        elif isinstance(payload, NmeaLine):
            decoded = self._decoder.decode(payload.raw)
            if isinstance(decoded, Transducers):
                for channel, value in decoded.values:
                    if channel == "flow":
                        self._flows.append(_At(reading.t_ns, value))
                    elif channel == "volume":
                        self._volumes.append(_At(reading.t_ns, value))
        elif isinstance(payload, SourceFault) and payload.lost and reading.source is not Source.LOG:
            self._losses.append(reading.t_ns)

    @property
    def shows(self) -> str:
        """What the meter last said, for a person to see that it lives; '' before it spoke."""
        if self._pulses:
            return f"{self._pulses[-1][1]} pulses"
        if self._volumes:
            return f"{self._volumes[-1].value:.3f} L"
        return f"{self._flows[-1].value:.3f} L/min" if self._flows else ""

    @property
    def newest_ns(self) -> int:
        """Stamp of the newest report; below 0 before the first."""
        stamps = (self._pulses[-1:], self._volumes[-1:], self._flows[-1:])
        return max((last[0][0] for last in stamps if last), default=-1)

    def run(self, start_ns: int, end_ns: int, volume_l: float) -> MeterRun | IndicatedRun:
        """The run from `start_ns` to `end_ns`, into `volume_l`. Raises UsageError, saying why, for a run that
        the readings do not carry."""
        time_s = (end_ns - start_ns) / 1e9
        if not time_s > 0:
            raise UsageError(f"a run of {time_s:.1f} s is none: it must end after it began")
        if self._pulses:
            return self._pulse_run(start_ns, end_ns, volume_l, time_s)
        if any(start_ns <= t_ns <= end_ns for t_ns in self._losses):
            raise UsageError("readings were lost during the run: do it again")
        if self._volumes:
            return self._volume_run(start_ns, end_ns, volume_l, time_s)
        if self._flows:
            return self._flow_run(start_ns, end_ns, volume_l, time_s)
        raise UsageError(
            "the flowmeter said nothing during the run: check its wiring, or the sensor node, its port and "
            "flow.xdr_name"
        )

    def _pulse_run(self, start_ns: int, end_ns: int, volume_l: float, time_s: float) -> MeterRun:
        rows = sorted(self._pulses)
        counts = [_At(t_ns, total) for t_ns, total, _ in rows]
        self._covered(counts, start_ns, end_ns)
        first, last = _place(counts, start_ns), _place(counts, end_ns)
        inside = rows[first : last + 1]
        if any(b[1] < a[1] for a, b in pairwise(inside)):
            raise UsageError(
                "the pulse count went backwards during the run (the source started anew): do it again"
            )
        if inside[-1][2] > inside[0][2]:
            raise UsageError("pulses were lost during the run: do it again")
        edge = _edge(counts, first, start_ns) + _edge(counts, last, end_ns)
        return MeterRun(inside[-1][1] - inside[0][1], volume_l, time_s, edge)

    def _volume_run(self, start_ns: int, end_ns: int, volume_l: float, time_s: float) -> IndicatedRun:
        rows = sorted(self._volumes, key=_stamp)
        self._covered(rows, start_ns, end_ns)
        first, last = _place(rows, start_ns), _place(rows, end_ns)
        inside = rows[first : last + 1]
        if any(b.value < a.value for a, b in pairwise(inside)):
            raise UsageError("the meter's volume went backwards during the run (it was reset): do it again")
        edge = _edge(rows, first, start_ns) + _edge(rows, last, end_ns)
        return IndicatedRun(inside[-1].value - inside[0].value, volume_l, time_s, edge)

    def _flow_run(self, start_ns: int, end_ns: int, volume_l: float, time_s: float) -> IndicatedRun:
        """The integral of the stated flow by trapezoids, held before the first and after the last report."""
        rows = sorted(self._flows, key=_stamp)
        self._covered(rows, start_ns, end_ns)
        inside = [row for row in rows if start_ns < row.t_ns < end_ns]
        wrong = next((row for row in inside if not 0 <= row.value <= self._maximum_l_min), None)
        if wrong is not None:
            raise UsageError(
                f"a stated flow of {wrong.value:g} L/min is not one between 0 and flow.maximum, "
                f"{self._maximum_l_min:g} L/min: check the meter, or flow.maximum"
            )
        begin, end = _between(rows, start_ns), _between(rows, end_ns)
        path = [_At(start_ns, begin), *inside, _At(end_ns, end)]
        litres = 0.0
        for a, b in pairwise(path):
            litres += (a.value + b.value) / 2 * (b.t_ns - a.t_ns) / 60e9
        report_ns = time_s * 1e9 / max(1, len(inside))
        edge_l = (begin + end) / 2 * report_ns / 60e9
        return IndicatedRun(litres, volume_l, time_s, edge_l)

    def _covered(self, rows: Sequence[_At], start_ns: int, end_ns: int) -> None:
        """Raise UsageError unless the meter spoke all through the run, and about when it began and ended."""
        stamps = [row.t_ns for row in rows]
        around = [t_ns for t_ns in stamps if start_ns - self._stale_ns <= t_ns <= end_ns + self._stale_ns]
        if len(around) < 2:
            raise UsageError("the flowmeter said too little during the run: check it and do the run again")
        edges = [start_ns, *sorted(t_ns for t_ns in around if start_ns < t_ns < end_ns), end_ns]
        silence_ns = max(b - a for a, b in pairwise(edges))
        if silence_ns > self._stale_ns:
            raise UsageError(
                f"the flowmeter said nothing for {silence_ns / 1e9:.1f} s of the run, longer than "
                f"flow.stale, {self._stale_ns / 1e9:g} s: check it and do the run again"
            )


def _place(rows: Sequence[_At], t_ns: int) -> int:
    """Place of the newest row not after `t_ns`; of the first when there is none."""
    return max((place for place, row in enumerate(rows) if row.t_ns <= t_ns), default=0)


def _edge(rows: Sequence[_At], place: int, t_ns: int) -> float:
    """What a cumulative count rose in the report that was under way at `t_ns`."""
    if rows[place].t_ns == t_ns or place + 1 >= len(rows):
        return 0.0
    return max(0.0, rows[place + 1].value - rows[place].value)


def _between(rows: Sequence[_At], t_ns: int) -> float:
    """A stated flow at `t_ns`: on the straight line between its neighbours, else the nearest one."""
    place = _place(rows, t_ns)
    a = rows[place]
    if a.t_ns >= t_ns or place + 1 >= len(rows):
        return a.value
    b = rows[place + 1]
    return a.value + (b.value - a.value) * (t_ns - a.t_ns) / (b.t_ns - a.t_ns)


class PressureCapture:
    """What the fitted transducer says: converter counts (wired), or a pressure in XDR sentences."""

    def __init__(self, rig: Rig) -> None:
        """Raises UsageError for a rig without transducer."""
        if rig.pressure.source == "none":
            raise UsageError(
                'pressure.source = "none": no transducer is fitted; set it in the rig file, or type the'
                " readings in"
            )
        self._decoder = decoder_for(rig)
        self._counts: list[tuple[int, AdcCount]] = []
        self._stated: list[_At] = []

    def feed(self, reading: Reading) -> None:
        """Take one reading; those of other sensors are passed over."""
        payload = reading.payload
        if isinstance(payload, AdcCount):
            self._counts.append((reading.t_ns, payload))
        elif isinstance(payload, NmeaLine):
            decoded = self._decoder.decode(payload.raw)
            if isinstance(decoded, Transducers):
                self._stated += [
                    _At(reading.t_ns, kpa) for channel, kpa in decoded.values if channel == "pressure"
                ]

    @property
    def shows(self) -> str:
        """What the transducer last said, for a person to see that it lives; '' before it spoke."""
        if self._counts:
            return f"{self._counts[-1][1].counts} counts"
        return f"{self._stated[-1].value:.1f} kPa" if self._stated else ""

    @property
    def newest_ns(self) -> int:
        """Stamp of the newest report; below 0 before the first."""
        return max((last[0][0] for last in (self._counts[-1:], self._stated[-1:]) if last), default=-1)

    @property
    def bits(self) -> int | None:
        """Of the converter; None for a transducer that states its pressure, or before it spoke."""
        return self._counts[-1][1].bits if self._counts else None

    @property
    def basis(self) -> Literal["counts", "stated", ""]:
        return "counts" if self._counts else "stated" if self._stated else ""

    def point(self, start_ns: int, end_ns: int, pressure_kpa: float, rising: bool | None = None) -> Point:
        """The mean of what came from `start_ns` to `end_ns`, while the gauge showed `pressure_kpa`.

        Raises UsageError where too little came, and for readings at the converter's full scale.
        """
        counts = [payload for t_ns, payload in self._counts if start_ns <= t_ns <= end_ns]
        stated = [row.value for row in self._stated if start_ns <= row.t_ns <= end_ns]
        if max(len(counts), len(stated)) < _FEWEST:
            raise UsageError(
                f"only {max(len(counts), len(stated))} readings of the transducer in "
                f"{(end_ns - start_ns) / 1e9:.1f} s: wait longer, and check its wiring, or the "
                "sensor node, its port and pressure.xdr_name"
            )
        if not counts:
            return Point(pressure_kpa, stated_kpa=mean(stated), rising=rising, counts_sd=sample_sd(stated))
        clipped = sum(reading.counts >= (1 << reading.bits) - 1 for reading in counts)
        if clipped:
            raise UsageError(
                f"{clipped} of {len(counts)} readings are at the converter's full scale, which hides what is "
                "there: check the wiring and the divider, or take a lower pressure"
            )
        supplies = [float(reading.supply_counts) for reading in counts if reading.supply_counts is not None]
        if supplies and len(supplies) < len(counts):
            raise UsageError(
                "the supply rail was read only now and then: check its channel and read the point again"
            )
        full = sum(
            reading.supply_counts is not None and reading.supply_counts >= (1 << reading.bits) - 1
            for reading in counts
        )
        if full:
            raise UsageError(
                f"{full} of {len(counts)} readings of the supply rail are at the converter's full scale, so "
                "it is no measure: give both dividers a larger upper resistor, the same for both"
            )
        raw = [float(reading.counts) for reading in counts]
        return Point(
            pressure_kpa,
            counts=mean(raw),
            supply_counts=mean(supplies) if supplies else None,
            rising=rising,
            counts_sd=sample_sd(raw),
            supply_sd=sample_sd(supplies) if supplies else None,
        )
