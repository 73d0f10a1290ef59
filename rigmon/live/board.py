"""The board: what the driver's and the crew's pages show, from what the core makes.

Whoever feeds it (the pages' process, a replay, a test) hands it every output and says when a run begins and
ends. `now()` and `status()` are JSON-ready; every figure in them is in carried units, and `shown` has it in
the rig's units. None: unknown.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from rigmon import units
from rigmon.core.acts import why_not
from rigmon.edge.guide import Advice, advise, alert_figures, figure, rate_off_pct
from rigmon.edge.signals import MANNERS, Light, Signal, Sound, signal
from rigmon.live.marks import Marks
from rigmon.live.state import LiveState
from rigmon.live.track import Track
from rigmon.model import Alert, Basis, Finding, Flag, Output, Sample
from rigmon.rig import Rig
from rigmon.words import ALERT_WORDS, DIAGNOSES, alert_words

VERSION: Final = 1

#: silence after which what is shown counts as stale, beyond the time when the next sample was due
SILENCE_MS: Final = 1000
#: the core makes a sample at least this often, whatever its sensors do
_LONGEST_MS: Final = 1100

#: wind and air come about once a second; older ones say nothing of now
_WEATHER_NS: Final = 5_000_000_000

#: ten minutes of a receiver at 10 Hz
_KEPT: Final = 6000

_URGENCY: Final = {code: place for place, code in enumerate(ALERT_WORDS)}
_BASIS: Final = {int(basis): basis.name.lower() for basis in Basis}
_FLAGS: Final = [(int(flag), (flag.name or "").lower()) for flag in Flag]


class Board:
    """One rig. Not for two threads at once."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.state = LiveState(rig)
        self.track = Track(rig)
        self.marks = Marks()
        self.live = True  #: False: a logged run is being shown
        self.records: list[dict[str, Any]] = []  #: the calibration records in use, as JSON
        self._kept: deque[Sample] | None = None
        self._signal: Signal | None = None
        self._well_ns: dict[str, int] = {}  # sensor -> stamp when it was last ok
        self._gap_ms = _LONGEST_MS

    # -- what comes in ---------------------------------------------------------------------------------

    def keep_samples(self, on: bool = True) -> Sequence[Sample]:
        """Keep the samples that are drawn from now on, for whoever draws the map anew; a bounded number."""
        self._kept = deque(maxlen=_KEPT) if on else None
        return () if self._kept is None else self._kept

    def use(self, rig: Rig) -> None:
        """The same rig with another target, from now on."""
        self.rig = rig
        self.track.use(rig)
        self._signal = None

    def begin(self, run: str | None, started_utc: str | None = None, outputs: Sequence[Output] = ()) -> None:
        """A run begins: sums and map start anew. Alerts stay until they are cleared, and so does the tank.

        `outputs`: see `LiveState.begin`.
        """
        self.state.begin(run, started_utc, outputs)
        self.track.clear()
        self.marks.clear()
        self._well_ns.clear()
        self._signal = None
        self._show(None, outputs)

    def end(self) -> None:
        """The run has ended; its sums and map stay until the next begins."""
        self.state.end()

    def restore(self, data: dict[str, Any]) -> None:
        """Go on from a `LiveState.to_json`. Of another run than was shown, the map begins anew.

        Raises KeyError and TypeError for anything else.
        """
        run = self.state.run
        self.state.restore(data)
        if self.state.run != run:
            self.track.clear()
            self.marks.clear()
            self._well_ns.clear()

    def take(self, outputs: Sequence[Output]) -> bool:
        """Take what the core made. True: more has changed than the newest sample."""
        before = self.state.sample
        changed = self.state.take(outputs)
        self._show(before, outputs)
        return changed

    def _show(self, before: Sample | None, outputs: Sequence[Output]) -> None:
        for output in outputs:
            if isinstance(output, Sample):
                self._sample(before, output)
                before = output
            elif isinstance(output, Alert):
                self.marks.take(output, before)

    def _sample(self, before: Sample | None, sample: Sample) -> None:
        if before is not None and sample.t_ns > before.t_ns:
            self._gap_ms = min(_LONGEST_MS, max(100, (sample.t_ns - before.t_ns) // 1_000_000))
        if self.state.run is not None and (before is None or sample.t_ns != before.t_ns):
            self.track.take(sample)
            if self._kept is not None:
                self._kept.append(sample)
        self._signal = signal(sample, self._up_s(), self.rig, 0.0, self._signal)
        for name, state, _detail in self._sensors(sample):
            if state == "ok":
                self._well_ns[name] = sample.t_ns

    def _up_s(self) -> Mapping[str, float]:
        """The alerts that sound, each with how long it has been up."""
        sample = self.state.sample
        t_ns = 0 if sample is None else sample.t_ns
        # one that was raised in the run before has a stamp of that run
        return {
            code: max(0.0, (t_ns - alert.t_ns) * 1e-9)
            for code, alert in self.state.alerts.items()
            if code not in self.state.acknowledged
        }

    # -- the driver ------------------------------------------------------------------------------------

    @property
    def stale_after_ms(self) -> int:
        """What is shown is stale when its newest sample is older than this: one is overdue by a second."""
        return self._gap_ms + SILENCE_MS

    def now(self) -> dict[str, Any]:
        """The driver's message."""
        rig, sample = self.rig, self.state.sample
        head = {"v": VERSION, "run": self.state.run, "live": self.live, "units": rig.units}
        if sample is None:
            told = Advice("speed_unknown", None, None, None)
            return {
                **head, "t_s": None, "utc": None, "advice": told.do,
                **dict.fromkeys(
                    ("speed_m_s", "hold_m_s", "low_m_s", "high_m_s", "off_m_s", "share", "rate_l_ha",
                     "rate_off_pct", "rate_u_pct", "flow_l_min", "pressure_kpa", "lat_deg", "lon_deg",
                     "track_deg")
                ),
                "basis": "none", "boom": "unknown", "boom_from": self._boom_from(0), "flags": [],
                "sound": Sound.NONE.value, "wrong": self._wrong(), "shown": self._shown(None, told),
            }  # fmt: skip
        told = advise(sample, rig)
        speed, hold = sample.speed_m_s, told.hold_m_s
        return {
            **head,
            "t_s": sample.t_ns / 1e9,
            "utc": self.utc(sample.t_ns),
            "advice": told.do,
            "speed_m_s": speed,
            "hold_m_s": hold,
            "low_m_s": told.low_m_s,
            "high_m_s": told.high_m_s,
            "off_m_s": None if speed is None or hold is None else speed - hold,
            "share": told.share(speed),
            "rate_l_ha": sample.rate_l_ha,
            "rate_off_pct": rate_off_pct(sample, rig),
            "rate_u_pct": sample.rate_u_pct,
            "basis": _BASIS.get(sample.basis, "none"),
            "flow_l_min": sample.flow_l_min,
            "pressure_kpa": sample.pressure_kpa,
            "boom": "unknown" if sample.boom_on is None else "on" if sample.boom_on else "off",
            "boom_from": self._boom_from(sample.flags),
            "lat_deg": sample.lat_deg,
            "lon_deg": sample.lon_deg,
            "track_deg": sample.track_deg,
            "flags": [name for bit, name in _FLAGS if sample.flags & bit],
            "sound": (self._signal.sound if self._signal is not None else Sound.NONE).value,
            "wrong": self._wrong(),
            "shown": self._shown(sample, told),
        }

    def _boom_from(self, flags: int) -> str:
        if flags & Flag.BOOM_ASSUMED:
            return "assumed"
        return "inferred" if flags & Flag.BOOM_INFERRED else "switch"

    def _wrong(self) -> dict[str, Any] | None:
        """The one thing that is wrong. What is only about speed is the advice's to show."""
        codes = [code for code in self._by_urgency() if _manner(code) is not Light.DARK]
        if not codes:
            return None
        code = codes[0]
        boom_on = self.state.sample is not None and self.state.sample.boom_on == 1
        return {
            "code": code,
            "words": alert_words(code),
            "now": boom_on and _manner(code) is Light.FAST and code not in self.state.acknowledged,
            "acknowledged": code in self.state.acknowledged,
            "more": len(codes) - 1,
        }

    def _by_urgency(self) -> list[str]:
        """The alerts that are up: those nobody has seen yet first, the most urgent first."""
        return sorted(
            self.state.alerts,
            key=lambda code: (code in self.state.acknowledged, _URGENCY.get(code, len(_URGENCY)), code),
        )

    def _shown(self, sample: Sample | None, told: Advice) -> dict[str, str]:
        system = self.rig.units
        speed = None if sample is None else sample.speed_m_s
        off = None if speed is None or told.hold_m_s is None else speed - told.hold_m_s
        off_pct = None if sample is None else rate_off_pct(sample, self.rig)
        return {
            "speed": figure(speed, "speed", system),
            "speed_unit": units.shown_unit("speed", system),
            "hold": figure(told.hold_m_s, "speed", system),
            "low": figure(told.low_m_s, "speed", system),
            "high": figure(told.high_m_s, "speed", system),
            "off": _signed(off, "speed", system),
            "rate": figure(None if sample is None else sample.rate_l_ha, "rate", system),
            "rate_unit": units.shown_unit("rate", system),
            "rate_off": "--" if off_pct is None else _signed_pct(_whole(off_pct)),
            "target": figure(self.rig.target.rate_l_ha, "rate", system),
            "flow": figure(None if sample is None else sample.flow_l_min, "flow", system),
            "flow_unit": units.shown_unit("flow", system),
            "pressure": figure(None if sample is None else sample.pressure_kpa, "pressure", system),
            "pressure_unit": units.shown_unit("pressure", system),
        }

    def utc(self, t_ns: int) -> str | None:
        """The receiver's wall time at a stamp; None: it has not told a believable one."""
        if self.state.anchor is None or self.state.anchor.utc_ms is None:
            return None
        ms = self.state.anchor.utc_ms + (t_ns - self.state.anchor.t_ns) // 1_000_000
        if not 0 <= ms < 4_102_444_800_000:  # the year 2100
            return None
        return (
            datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        )

    # -- the crew --------------------------------------------------------------------------------------

    def status(self) -> dict[str, Any]:
        """The crew's message."""
        rig, system, totals, sample = self.rig, self.rig.units, self.state.totals, self.state.sample
        t_ns = 0 if sample is None else sample.t_ns
        no_act = self.why_no_act()
        return {
            "v": VERSION,
            "units": system,
            "live": self.live,
            "rig": rig.name,
            "t_s": None if sample is None else t_ns / 1e9,
            "run": {
                "id": self.state.run,
                "started_utc": self.state.started_utc or self.utc(0),
                "duration_s": totals.t_ns / 1e9,
                "state": "between_runs" if self.state.run is None else "running",
            },
            "totals": {
                "area_m2": totals.area_m2,
                "volume_l": totals.volume_l,
                "distance_m": totals.distance_m,
                "boom_on_s": totals.boom_on_s,
                "unknown_time_s": totals.unknown_s,
                "shown": {
                    "area": units.show(totals.area_m2, "area", system, 2),
                    "volume": units.show(totals.volume_l, "volume", system),
                    "distance": units.show(totals.distance_m, "length", system, 0),
                    "rate": units.show(
                        1e4 * totals.volume_l / totals.area_m2 if totals.area_m2 > 0 else None, "rate", system
                    ),
                },
            },
            "tank": self._tank(),
            "weather": self._weather(),
            "alerts": [self._alert_json(code, t_ns) for code in self._by_urgency()],
            "findings": [self._finding_json(finding) for finding in self.state.findings.values()],
            "sensors": [
                {
                    "name": name,
                    "state": state,
                    "age_s": self._age_s(name, t_ns) if state != "not_fitted" else None,
                    "detail": detail,
                }
                for name, state, detail in self._sensors(sample)
            ],
            "calibration": self._calibration(),
            "target": {
                "rate_l_ha": rig.target.rate_l_ha,
                "speed_m_s": rig.target.speed_m_s,
                "tolerance_pct": rig.target.tolerance_pct,
                "record": rig.target.record,
                "shown": {
                    "rate": units.show(rig.target.rate_l_ha, "rate", system),
                    "speed": units.show(rig.target.speed_m_s, "speed", system),
                    "tolerance": f"{rig.target.tolerance_pct:g} %",
                    "edges": self._edges(),
                    "rate_unit": units.shown_unit("rate", system),
                },
            },
            "marks": self.marks.n,
            "may_act": no_act is None,
            "why_not": no_act,
        }

    def _edges(self) -> list[str]:
        """The rates between the map's colours: twice and once the tolerance below and above the target."""
        target = self.rig.target
        return [
            figure(target.rate_l_ha * max(0.0, 1 + k * target.tolerance_pct / 100), "rate", self.rig.units)
            for k in (-2, -1, 1, 2)
        ]

    def why_no_act(self) -> str | None:
        """Why nothing may be done from a page now; None: it may. The rig must be known to stand."""
        if not self.live:
            return "a logged run is being shown: nothing can be done in it"
        return why_not(self.state.sample)

    def _tank(self) -> dict[str, Any]:
        tank, system = self.state.tank, self.rig.units
        ahead = tank.outlook(self.state.sample, self.rig.swath_m)
        prefix = "at most " if tank.at_most else ""
        return {
            "level_l": tank.level_l,
            "at_most": tank.at_most,
            "capacity_l": tank.capacity_l,
            "time_left_s": ahead.time_s,
            "distance_left_m": ahead.distance_m,
            "area_left_m2": ahead.area_m2,
            "runs_out": None
            if ahead.place is None
            else {"lat_deg": ahead.place[0], "lon_deg": ahead.place[1]},
            "shown": {
                "level": prefix + units.show(tank.level_l, "volume", system),
                "capacity": units.show(tank.capacity_l, "volume", system),
                "time_left": "--" if ahead.time_s is None else f"{ahead.time_s / 60:.0f} min",
                "distance_left": units.show(ahead.distance_m, "length", system, 0),
                "area_left": units.show(ahead.area_m2, "area", system, 2),
            },
        }

    def _weather(self) -> dict[str, Any] | None:
        """Wind and air; None: none is fitted, or the newest is old."""
        weather, sample, system = self.state.weather, self.state.sample, self.rig.units
        if weather is None or sample is None or sample.t_ns - weather.t_ns > _WEATHER_NS:
            return None
        return {
            **weather._asdict(),
            "shown": {
                "wind": units.show(weather.wind_2min_m_s, "speed", system),
                "wind_from": "--"
                if weather.wind_2min_from_deg is None
                else f"{round(weather.wind_2min_from_deg) % 360:03d} °",
                "gust": units.show(weather.gust_m_s, "speed", system),
                "temperature": units.show(weather.air_temperature_c, "temperature", system),
                "humidity": "-- %" if weather.humidity_pct is None else f"{weather.humidity_pct:.0f} %",
            },
        }

    def _alert_json(self, code: str, t_ns: int) -> dict[str, Any]:
        alert = self.state.alerts[code]
        return {
            "code": code,
            "words": alert_words(code),
            "since_s": max(0.0, (t_ns - alert.t_ns) / 1e9),
            "value": alert.value,
            "limit": alert.limit,
            "unit": alert.unit,
            "acknowledged": code in self.state.acknowledged,
            "now": _manner(code) is Light.FAST,
            "shown": alert_figures(alert, self.rig.units),
        }

    def _finding_json(self, finding: Finding) -> dict[str, Any]:
        meaning = DIAGNOSES.get(finding.code)
        return {
            **finding._asdict(),
            "words": alert_words(finding.code),
            "evidence": None if meaning is None else meaning.evidence,
            "cause": None if meaning is None else meaning.cause,
            "check": None if meaning is None else meaning.check,
        }

    def _age_s(self, name: str, t_ns: int) -> float | None:
        well_ns = self._well_ns.get(name)
        return None if well_ns is None else max(0.0, (t_ns - well_ns) / 1e9)

    def _sensors(self, sample: Sample | None) -> list[tuple[str, str, str]]:
        """(name, state, detail): ok | silent | implausible | waiting | not_fitted."""
        rig = self.rig
        flags = 0 if sample is None else sample.flags
        waiting = sample is None
        gps = "ok"
        detail = ""
        if flags & Flag.GPS_STALE:
            gps, detail = "silent", "no usable fix"
        elif flags & Flag.GPS_IMPLAUSIBLE:
            gps, detail = "implausible", "a speed was refused"
        elif sample is not None and sample.speed_m_s is None:
            gps = "waiting"
        if flags & Flag.GPS_VOID:
            detail = "the receiver says it has no fix"
        found = [("gps", "waiting" if waiting else gps, detail)]
        for name, fitted, silent, odd, known in (
            ("flow", rig.flow.source != "none", Flag.FLOW_STALE, Flag.FLOW_IMPLAUSIBLE, True),
            (
                "pressure", rig.pressure.source != "none", Flag.PRESSURE_STALE, Flag.PRESSURE_IMPLAUSIBLE,
                sample is not None and sample.pressure_kpa is not None,
            ),
            (
                "boom_switch", rig.boom_switch.source != "none", Flag.SWITCH_STALE, Flag(0),
                sample is not None and sample.boom_on is not None,
            ),
        ):  # fmt: skip
            state = "ok" if known else "waiting"
            if not fitted:
                state = "not_fitted"
            elif waiting:
                state = "waiting"
            elif flags & silent:
                state = "silent"
            elif flags & odd:
                state = "implausible"
            found.append((name, state, ""))
        if flags & Flag.LOG_TROUBLE:
            found.append(("run_log", "silent", "late or cannot be written"))
        return found

    def _calibration(self) -> dict[str, Any] | None:
        cal, system = self.rig.calibration, self.rig.units
        if cal is None:
            return None
        return {
            "flow_l_min": cal.flow_l_min,
            "pressure_kpa": cal.pressure_kpa,
            "taken_on": None if cal.taken_on is None else cal.taken_on.isoformat(),
            "uncertainty_pct": cal.uncertainty_pct,
            "record": cal.record,
            "nozzles": self.rig.nozzles.set_name,
            "records": self.records,
            "shown": {
                "flow": units.show(cal.flow_l_min, "flow", system, 2),
                "pressure": units.show(cal.pressure_kpa, "pressure", system, 0),
                "uncertainty": f"{cal.uncertainty_pct:g} %",
            },
        }


def _manner(code: str) -> Light:
    manner = MANNERS.get(code)
    return Light.STEADY if manner is None else manner.trouble


def _whole(value: float) -> int:
    """Rounded, and bounded so that it fits where it is shown; adding zero turns -0 into 0."""
    return max(-999, min(999, round(value) + 0))


def _signed_pct(off: int) -> str:
    return f"{off:+d} %" if off else "0 %"  # like a speed that is off by nothing: without a sign


def _signed(value: float | None, dimension: str, system: str) -> str:
    text = figure(value, dimension, system)
    if value is None or text.startswith(">"):
        return text
    if float(text) == 0:
        return text.lstrip("-")
    return text if text.startswith("-") else f"+{text}"
