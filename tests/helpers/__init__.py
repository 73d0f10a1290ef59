"""Inputs for tests of the core and the replayer: sentences, a rig with round numbers, and a driver.

The scenario is invented.
"""

from collections.abc import Sequence
from typing import Any

from rigmon import config
from rigmon.core.pipeline import Pipeline
from rigmon.model import (
    Alert,
    Anchor,
    NmeaLine,
    Output,
    Payload,
    Reading,
    Sample,
    Source,
    Tally,
    Tick,
)
from rigmon.rig import Rig

KN_M_S = 1852 / 3600  # the international knot, ISO 80000-3

#: 10 nozzles x 0.5 m = 5 m swath; 100 L/ha at 2 m/s needs 100 x 2 x 5 x 60 / 1e4 = 6 L/min
ROUND: dict[str, dict[str, Any]] = {
    "rig": {"name": "Round rig", "nozzle_count": 10, "nozzle_spacing": "50 cm", "units": "metric"},
    "target": {"rate": "100 L/ha", "speed": "2 m/s", "tolerance_pct": 10},
    "calibration": {"flow": "6 L/min", "pressure": "200 kPa"},
}

#: every sensor sends XDR sentences
ALL_XDR: dict[str, dict[str, Any]] = {
    "flow": {"source": "xdr"},
    "pressure": {"source": "xdr"},
    "boom_switch": {"source": "xdr"},
}


WEATHER_ALERTS = (
    *("wind_high", "gust_high", "wind_low", "temperature_high", "temperature_low"),
    *("humidity_high", "humidity_low", "wind_silent", "air_silent"),
)


def rig_toml(**sections: dict[str, Any]) -> str:
    """The round rig with more or other sections; alerts by their code: `alerts_gps_lost={...}`."""
    merged = {name: dict(keys) for name, keys in ROUND.items()}
    for name, keys in sections.items():
        section = name.replace("alerts_", "alerts.")
        merged[section] = {**merged.get(section, {}), **keys}
    lines = []
    for section, keys in merged.items():
        lines.append(f"[{section}]")
        for key, value in keys.items():
            shown = str(value).lower() if isinstance(value, bool) else value
            lines.append(f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {shown}")
    return "\n".join(lines)


def make_rig(**sections: dict[str, Any]) -> Rig:
    return config.parse(rig_toml(**sections), "test rig")


def checksum(body: str) -> str:
    """NMEA 0183: the exclusive or of what stands between '$' and '*', as two hexadecimal digits."""
    value = 0
    for byte in body.encode("latin-1"):
        value ^= byte
    return f"{value:02X}"


def sentence(body: str, start: str = "$") -> bytes:
    """A sentence with its checksum, without line end."""
    return f"{start}{body}*{checksum(body)}".encode("latin-1")


def tagged(block: str, line: bytes) -> bytes:
    r"""An NMEA 4 TAG block `\...*hh\` in front of a line."""
    return f"\\{block}*{checksum(block)}\\".encode() + line


def clock(t_s: float) -> str:
    """hhmmss.ss of a time of day in seconds."""
    hundredths = round(t_s * 100)
    minutes, rest = divmod(hundredths, 6000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours % 24:02d}{minutes:02d}{rest // 100:02d}.{rest % 100:02d}"


def rmc(
    t_s: float, speed_m_s: float | None, *, status: str = "A", mode: str = "A", date: str = "300526"
) -> bytes:
    speed = "" if speed_m_s is None else f"{speed_m_s / KN_M_S:.7f}"
    position = "4807.038,N,01131.000,E" if status == "A" else ",,,"
    return sentence(f"GPRMC,{clock(t_s)},{status},{position},{speed},84.4,{date},,,{mode}")


def gga(t_s: float, lat: str, lon: str, quality: int = 1) -> bytes:
    return sentence(f"GPGGA,{clock(t_s)},{lat},{lon},{quality},08,0.9,545.4,M,46.9,M,,")


class Run:
    """Feeds a pipeline as its drivers do: numbered readings, and ticks where the deadline passes in silence.

    Times are in seconds since the run began; what comes out is kept by kind.
    """

    def __init__(self, rig: Rig) -> None:
        self.pipeline = Pipeline(rig)
        self.readings: list[Reading] = []
        self.outputs: list[Output] = []

    @property
    def samples(self) -> list[Sample]:
        return [o for o in self.outputs if isinstance(o, Sample)]

    @property
    def alerts(self) -> list[Alert]:
        return [o for o in self.outputs if isinstance(o, Alert)]

    @property
    def anchors(self) -> list[Anchor]:
        return [o for o in self.outputs if isinstance(o, Anchor)]

    @property
    def tallies(self) -> dict[str, int]:
        """Tallies added up by name."""
        sums: dict[str, int] = {}
        for tally in self.outputs:
            if isinstance(tally, Tally):
                sums[tally.name] = sums.get(tally.name, 0) + tally.n
        return sums

    def put(self, t_s: float, payload: Payload, source: Source = Source.GPS) -> Sequence[Output]:
        """One reading, behind the ticks that its stamp makes due. Returns what the reading itself made."""
        t_ns = round(t_s * 1e9)
        while t_ns > self.pipeline.deadline_ns:
            self._feed(self.pipeline.deadline_ns, Source.HUB, Tick())
        return self._feed(t_ns, source, payload)

    def line(self, t_s: float, raw: bytes, source: Source = Source.GPS) -> Sequence[Output]:
        return self.put(t_s, NmeaLine(raw), source)

    def fix(self, t_s: float, speed_m_s: float) -> Sequence[Output]:
        return self.line(t_s, rmc(t_s, speed_m_s))

    def xdr(
        self,
        t_s: float,
        *,
        flow_l_min: float | None = None,
        pressure_kpa: float | None = None,
        boom: int | None = None,
    ) -> Sequence[Output]:
        parts = ["YXXDR"]
        if pressure_kpa is not None:
            parts.append(f"P,{pressure_kpa / 100:.6f},B,BOOM")
        if flow_l_min is not None:
            parts.append(f"R,{flow_l_min / 60:.9f},l,FLOW")
        if boom is not None:
            parts.append(f"S,{boom},,BOOM")
        return self.line(t_s, sentence(",".join(parts)))

    def silence(self, until_s: float) -> None:
        """Ticks only, up to and including `until_s`."""
        while self.pipeline.deadline_ns <= round(until_s * 1e9):
            self._feed(self.pipeline.deadline_ns, Source.HUB, Tick())

    def finish(self, t_s: float) -> None:
        self.outputs += self.pipeline.finish(round(t_s * 1e9))

    def drive(
        self,
        start_s: float,
        end_s: float,
        speed_m_s: float,
        step_s: float = 0.2,
        **sensors: Any,
    ) -> None:
        """Steady driving: every step an XDR sentence (with what `sensors` names) and a fix, stamped alike."""
        for k in range(round((end_s - start_s) / step_s)):
            t_s = start_s + k * step_s
            if sensors:
                self.xdr(t_s, **sensors)
            self.fix(t_s, speed_m_s)

    def _feed(self, t_ns: int, source: Source, payload: Payload) -> Sequence[Output]:
        reading = Reading(len(self.readings), t_ns, source, payload)
        self.readings.append(reading)
        outputs = self.pipeline.feed(reading)
        self.outputs += outputs
        return outputs
