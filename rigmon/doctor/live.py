"""The proof that a fix, a pulse, a change of pressure and a change of the boom switch really arrive.

The daemon's own sources put into a hub; a person does what is asked; what came is judged here. Nothing is
logged. Of pulses, pressure and switch it is a change since the question that counts, not the newest value.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

from rigmon import units
from rigmon.core.flow import FlowMeter
from rigmon.core.nmea import Gga, Meteo, Rejected, Rmc, Transducers, Vtg, Wind, decoder_for
from rigmon.core.pressure import Transducer
from rigmon.doctor.findings import Finding, Values, ok, wrong
from rigmon.edge.hub import Hub
from rigmon.model import AdcCount, NmeaLine, PulseCount, Reading, Source, SourceFault, SwitchState, Tick
from rigmon.rig import Rig

#: pulses that count as arriving: one or two may be a knock
_PULSES: Final = 5
_FIXES: Final = 2
#: a pressure has changed when it did by so much, and by this share of the calibrated one
_CHANGE_KPA: Final = 20.0
_CHANGE_SHARE: Final = 0.1
#: a flow that is stated counts as one from this share of the calibrated one on
_FLOW_SHARE: Final = 0.1
_LEAST_FLOW_L_MIN: Final = 0.1
_SECOND_NS: Final = 1_000_000_000
#: words for the driver's side of a transducer's fault
_FAULTS: Final = {
    "open": "the converter reads near zero: open circuit",
    "short": "the converter reads above the span: short to the supply",
    "clipped": "the converter is at full scale: short, or no divider",
    "supply": "the rail's channel cannot be true: check pressure.supply_channel, the 5 V and their divider",
    "range": "out of range: zero, span or unit is wrong",
}


class RunSource(Protocol):
    """What `rigmon.daemon.live_sources` gives."""

    def start(self) -> None: ...

    def stop(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to prove, or two that one deed proves."""

    ask: str
    channels: tuple[str, ...]


def steps(rig: Rig) -> list[Step]:
    """What is asked of the person, in order."""
    found = [Step("Wait for a fix: the antenna needs open sky.", ("fix",))]
    pump = [channel for channel in ("flow", "pressure") if getattr(rig, channel).source != "none"]
    if pump:
        found.append(
            Step(
                "Clean water, nobody at the boom. Turn the pump on and spray (off and on, if it runs).",
                tuple(pump),
            )
        )
    if rig.boom_switch.source != "none":
        found.append(Step("Turn the boom switch over, once.", ("boom",)))
    if rig.weather.fitted:
        sensors = [name for name in ("wind", "air") if getattr(rig.weather, name) != "none"]
        found.append(Step("Wait for the weather sensor; it speaks by itself.", tuple(sensors)))
    return found


_TITLES: Final = {
    "fix": "Fix",
    "flow": "Flow",
    "pressure": "Pressure",
    "boom": "Boom switch",
    "wind": "Wind",
    "air": "Air",
}
#: what a channel carries, where that has another name
_DIMENSIONS: Final = {"wind": "speed", "air": "temperature"}


@dataclass(slots=True)
class _Seen:
    """One channel since the question: how many readings, and what they said."""

    n: int = 0
    first: float | None = None
    last: float | None = None
    low: float | None = None
    high: float | None = None

    def add(self, value: float) -> None:
        self.n += 1
        self.first = value if self.first is None else self.first
        self.last = value
        self.low = value if self.low is None else min(self.low, value)
        self.high = value if self.high is None else max(self.high, value)

    @property
    def change(self) -> float:
        return 0.0 if self.low is None or self.high is None else self.high - self.low


@dataclass(slots=True)
class Watch:
    """Takes readings and says which channels are proven. Pure: stamps come with the readings."""

    rig: Rig
    seen: dict[str, _Seen] = field(default_factory=lambda: {name: _Seen() for name in (*_TITLES, "volume")})
    troubles: dict[Source, str] = field(default_factory=dict)
    voids: int = 0
    speed_m_s: float | None = None
    fault: str = ""  #: of the wired transducer
    lost: int = 0
    _pulses: bool = False
    _meter: FlowMeter = field(init=False)
    _transducer: Transducer = field(init=False)

    def __post_init__(self) -> None:
        self._meter = FlowMeter(self.rig.flow)
        self._transducer = Transducer(self.rig.pressure)

    def begin(self) -> None:
        """Ask: what came until now is the state that a change starts from."""
        for name, seen in self.seen.items():
            fresh = _Seen()
            if seen.last is not None and name != "fix":
                fresh.add(seen.last)
                fresh.n = 0
            self.seen[name] = fresh
        self.voids = 0

    def feed(self, reading: Reading) -> None:
        payload = reading.payload
        if isinstance(payload, NmeaLine):
            self._sentence(payload.raw)
        elif isinstance(payload, PulseCount):
            self._pulses = True
            self._meter.set_pulses(reading.t_ns, payload)
            self.seen["flow"].add(payload.total + payload.lost)
            self.lost = payload.lost
        elif isinstance(payload, AdcCount):
            self._transducer.set_counts(reading.t_ns, payload)
            self._pressure()
        elif isinstance(payload, SwitchState):
            self.seen["boom"].add(float(payload.on))
        elif isinstance(payload, SourceFault):
            if payload.kind == "opened":
                self.troubles.pop(reading.source, None)
            else:
                self.troubles[reading.source] = payload.detail

    def _sentence(self, raw: bytes) -> None:
        decoded = decoder_for(self.rig).decode(raw)
        if isinstance(decoded, Rejected):
            return
        if isinstance(decoded, Rmc | Gga | Vtg):
            if decoded.valid:
                self.seen["fix"].add(1.0)
            elif decoded.valid is False:
                self.voids += 1
            if not isinstance(decoded, Gga) and decoded.speed_m_s is not None:
                self.speed_m_s = decoded.speed_m_s
        elif isinstance(decoded, Transducers):
            for channel, value in decoded.values:
                if channel == "pressure":
                    self._transducer.set_pressure(0, value)
                    self._pressure()
                elif channel == "temperature":
                    self.seen["air"].add(value)
                elif channel in self.seen:
                    self.seen[channel].add(value)
        if isinstance(decoded, Wind) and decoded.valid and decoded.speed_m_s is not None:
            if decoded.relative is (self.rig.weather.wind == "relative"):
                self.seen["wind"].add(decoded.speed_m_s)
        elif isinstance(decoded, Meteo):
            if self.rig.weather.wind == "mda" and decoded.wind_speed_m_s is not None:
                self.seen["wind"].add(decoded.wind_speed_m_s)
            if self.rig.weather.air == "mda" and decoded.air_temperature_c is not None:
                self.seen["air"].add(decoded.air_temperature_c)

    def _pressure(self) -> None:
        self.fault = self._transducer.fault
        if self._transducer.pressure_kpa is not None:
            self.seen["pressure"].add(self._transducer.pressure_kpa)

    # -- what it proves ------------------------------------------------------------------------------

    def proof(self, channel: str) -> str | None:
        """What proves the channel, in words; None: nothing yet."""
        seen, show = self.seen[channel], self._show
        if channel == "fix":
            if seen.n < _FIXES:
                return None
            return "a fix arrives" + ("" if self.speed_m_s is None else f", {show(self.speed_m_s, 'speed')}")
        if channel in _DIMENSIONS:
            said = show(seen.last, _DIMENSIONS[channel])
            return (
                None
                if not seen.n
                else f"{'a wind' if channel == 'wind' else 'a temperature'} arrives: {said}"
            )
        if channel == "flow":
            return self._flow_proof()
        if channel == "pressure":
            usual = self.rig.calibration.pressure_kpa if self.rig.calibration else None
            if seen.change < max(_CHANGE_KPA, _CHANGE_SHARE * (usual or 0.0)):
                return None
            return f"a change arrives: from {show(seen.first, 'pressure')} to {show(seen.last, 'pressure')}"
        return f"a change arrives: it is {'on' if seen.last else 'off'} now" if seen.change else None

    def _flow_proof(self) -> str | None:
        seen = self.seen["flow"]
        if self._pulses:
            if seen.change < _PULSES:
                return None
            flow = self._meter.flow_l_min
            lost = f"; {self.lost} known to be lost" if self.lost else ""
            at = "" if flow is None else f", {self._show(flow, 'flow')}"
            return f"pulses arrive: {seen.change:.0f} since the question{at}{lost}"
        usual = self.rig.calibration.flow_l_min if self.rig.calibration else 0.0
        if (seen.last or 0.0) >= max(_LEAST_FLOW_L_MIN, _FLOW_SHARE * usual):
            return f"a flow arrives: {self._show(seen.last, 'flow')}"
        volume = self.seen["volume"]
        if volume.change > 0:
            return f"a volume that rises arrives: by {self._show(volume.change, 'volume')} since the question"
        return None

    def _show(self, value: float | None, dimension: str) -> str:
        return units.show(value, dimension, self.rig.units)

    def now(self, channel: str) -> str:
        """What the channel says at this moment, in a few words."""
        seen = self.seen[channel]
        if channel == "fix":
            return "no fix" if self.voids else "no sentence with a fix"
        if channel == "flow" and self._pulses:
            return f"{seen.change:.0f} pulses"
        if channel == "flow" and self.seen["volume"].last is not None:
            return self._show(self.seen["volume"].last, "volume")
        if channel == "pressure" and self.fault:
            return _FAULTS[self.fault]
        if seen.last is None:
            return "no reading"
        if channel == "boom":
            return "on" if seen.last else "off"
        return self._show(seen.last, _DIMENSIONS.get(channel, channel))

    def finding(self, channel: str, waited_s: float) -> Finding:
        """The channel's finding after so long."""
        check, title = f"live_{channel}", f"{_TITLES[channel]}, live"
        seen = self.seen[channel]
        values: Values = {"readings": seen.n, "waited_s": round(waited_s, 1), **self._figures(channel)}
        proof = self.proof(channel)
        if proof is not None:
            return ok(check, title, f"{proof} (after {waited_s:.0f} s)", **values)
        said = self.now(channel)
        if not self.seen[channel].n and self.troubles:
            said += f" ({'; '.join(self.troubles.values())})"
        return wrong(check, title, f"no proof in {waited_s:.0f} s: {said}", self._advice(channel), **values)

    def _figures(self, channel: str) -> Values:
        """What the channel said last, and how far it moved since the question."""
        seen = self.seen[channel]
        if channel == "fix":
            return {"speed_m_s": self.speed_m_s}
        if channel == "flow" and self._pulses:
            return {"pulses": int(seen.change), "flow_l_min": self._meter.flow_l_min}
        if channel == "flow":
            return {"flow_l_min": seen.last, "volume_change_l": self.seen["volume"].change}
        if channel == "pressure":
            return {"pressure_kpa": seen.last, "pressure_change_kpa": seen.change}
        if channel == "wind":
            return {"wind_m_s": seen.last}
        if channel == "air":
            return {"air_temperature_c": seen.last}
        return {"boom_on": None if seen.last is None else bool(seen.last), "changed": bool(seen.change)}

    def _advice(self, channel: str) -> str:
        rig = self.rig
        if channel == "fix":
            if self.voids:
                return "Give the antenna open sky and some minutes; then ask again."
            return "See the port's and the baud's checks."
        if channel in _DIMENSIONS:
            takes = getattr(rig.weather, channel)
            return (
                f"Check the sensor's power and lead, and weather.{channel} = '{takes}'; 'rigmon doctor' "
                "lists the weather sentences that come."
            )
        source = {"flow": rig.flow.source, "pressure": rig.pressure.source, "boom": rig.boom_switch.source}[
            channel
        ]
        if source == "xdr":
            if self.seen[channel].n:
                return "Sentences come, but the value stays: check the sensor and its lead to the node."
            return "Check the node's power and lead, and xdr_name; 'rigmon doctor' lists the names that come."
        if channel == "flow":
            return (
                f"Check the meter's supply, its lead to BCM {rig.flow.pin}, flow.pull = '{rig.flow.pull}' "
                "(up for an open collector) and the arrow on its body; never 5 V on a pin."
            )
        if channel == "pressure":
            return (
                f"Check the transducer's supply and lead, and channel {rig.pressure.channel} of the "
                f"{rig.pressure.chip}; never more than 3.3 V on it."
            )
        return f"Check the switch and its lead to BCM {rig.boom_switch.pin}, boom_switch.pull and on_level."


def watch(
    rig: Rig,
    hub: Hub,
    sources: Sequence[RunSource],
    limit_s: float,
    say: Callable[[str], None],
    tell: Callable[[str], None],
) -> list[Finding]:
    """Ask step by step and wait for the proof, each at most `limit_s`. `say` gets what the person should do
    and what came of it, `tell` what is seen meanwhile. The sources are started and stopped here."""
    watching, findings = Watch(rig), []
    started: list[RunSource] = []
    try:
        for source in sources:
            source.start()
            started.append(source)
        asked = steps(rig)
        for number, step in enumerate(asked, 1):
            watching.begin()
            say(f"{number}/{len(asked)}  {step.ask} (at most {limit_s:.0f} s)")
            waited_s = _wait(watching, hub, step, limit_s, tell)
            for channel in step.channels:
                finding = watching.finding(channel, waited_s[channel])
                findings.append(finding)
                say(f"     {finding.title}: {finding.seen}")
    finally:
        hub.release()
        for source in started:
            source.stop()
    return findings


def _wait(
    watching: Watch, hub: Hub, step: Step, limit_s: float, tell: Callable[[str], None]
) -> dict[str, float]:
    """Feed readings until every channel of the step is proven or the time is up; how long each took [s]."""
    start_ns = hub.clock.now_ns()
    end_ns = start_ns + round(limit_s * 1e9)
    took: dict[str, float] = {}
    told_ns = start_ns
    while len(took) < len(step.channels):
        until_ns = min(end_ns, told_ns + _SECOND_NS)
        reading = hub.next(until_ns)
        if reading is None:
            break
        watching.feed(reading)
        passed_s = max(0.0, (reading.t_ns - start_ns) / 1e9)
        for channel in step.channels:
            if channel not in took and watching.proof(channel) is not None:
                took[channel] = passed_s
        if reading.t_ns >= until_ns or type(reading.payload) is Tick:
            told_ns = max(until_ns, reading.t_ns)
            open_ = [channel for channel in step.channels if channel not in took]
            tell("; ".join(f"{_TITLES[channel].lower()}: {watching.now(channel)}" for channel in open_))
        if reading.t_ns >= end_ns:
            break
    return {channel: took.get(channel, limit_s) for channel in step.channels}
