"""The core: `feed` it readings in `seq` order, get samples, alerts, wall-time anchors and tallies back.

Output is a function of (rig, readings). Silence has a deadline: if nothing with a stamp up to
`deadline_ns` comes, the caller feeds a Tick stamped exactly `deadline_ns`.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Final

from rigmon.core import rate
from rigmon.core.acts import NO_EFFECT, REFUSED, act_of
from rigmon.core.alerts import AlertMachine
from rigmon.core.conditions import CONDITIONS, DIAGNOSED, QUIET, Facts, Judge
from rigmon.core.diagnosis import Watch
from rigmon.core.flow import FlowMeter
from rigmon.core.gnss import LIVE_RUN, Receiver
from rigmon.core.nmea import Gga, Meteo, Rejected, Rmc, Transducers, Vtg, Wind, Zda, decoder_for
from rigmon.core.pressure import Transducer
from rigmon.core.weather import WeatherState
from rigmon.model import (
    Act,
    AdcCount,
    Carried,
    Flag,
    NmeaLine,
    Note,
    Output,
    Payload,
    PulseCount,
    Reading,
    Sample,
    Source,
    SourceFault,
    SwitchState,
    Tally,
    Tick,
)
from rigmon.rig import Rig

#: a sample is closed at the latest after this, if need be by a tick
_LONGEST_NS: Final = 1_100_000_000
#: tallies are handed out about this often
_TALLY_NS: Final = 10_000_000_000
#: an unswitched boom counts as on above this share of the calibrated flow or pressure
_ON_SHARE: Final = 0.2
#: with the boom switched on and this share of the pressure there, a flowmeter at zero is not believed
_STALL_SHARE: Final = 0.5
#: refused speeds, and losses, are remembered this long, and until a sample has shown them
_MEMORY_NS: Final = 1_000_000_000
_NEVER: Final = -(1 << 62)
_EVER: Final = 1 << 62
#: what the run log's writer reports while rows wait or are lost; it says "resumed" when that is over
_LOG_TROUBLES: Final = ("slow", "failed", "overflow")
#: stands for the ratios of a rig that sprays standing still, or drives on without any flow
_STANDING: Final = 1e9
_NOTHING: Final[tuple[Output, ...]] = ()
#: the weather is told so often
_WEATHER_NS: Final = 1_000_000_000

_GPS_STALE: Final = int(Flag.GPS_STALE)
_GPS_VOID: Final = int(Flag.GPS_VOID)
_GPS_IMPLAUSIBLE: Final = int(Flag.GPS_IMPLAUSIBLE)
_SPEED_FROM_POSITION: Final = int(Flag.SPEED_FROM_POSITION)
_SPEED_HELD_ZERO: Final = int(Flag.SPEED_HELD_ZERO)
_BELOW_MIN_SPEED: Final = int(Flag.BELOW_MIN_SPEED)
_FLOW_STALE: Final = int(Flag.FLOW_STALE)
_FLOW_IMPLAUSIBLE: Final = int(Flag.FLOW_IMPLAUSIBLE)
_PRESSURE_STALE: Final = int(Flag.PRESSURE_STALE)
_PRESSURE_IMPLAUSIBLE: Final = int(Flag.PRESSURE_IMPLAUSIBLE)
_SWITCH_STALE: Final = int(Flag.SWITCH_STALE)
_BOOM_INFERRED: Final = int(Flag.BOOM_INFERRED)
_BOOM_ASSUMED: Final = int(Flag.BOOM_ASSUMED)
_LATE_INPUT: Final = int(Flag.LATE_INPUT)
_COUNTER_RESET: Final = int(Flag.COUNTER_RESET)
_INPUT_LOST: Final = int(Flag.INPUT_LOST)
_LOG_TROUBLE: Final = int(Flag.LOG_TROUBLE)
_WIND_STALE: Final = int(Flag.WIND_STALE)
_AIR_STALE: Final = int(Flag.AIR_STALE)
_STALE: Final = _GPS_STALE | _FLOW_STALE | _PRESSURE_STALE | _SWITCH_STALE | _WIND_STALE | _AIR_STALE
#: the flags that alerts watch
_WATCHED: Final = (
    _STALE | _GPS_IMPLAUSIBLE | _FLOW_IMPLAUSIBLE | _PRESSURE_IMPLAUSIBLE | _INPUT_LOST | _LOG_TROUBLE
)


class Pipeline:
    """One run. Not for two threads at once; the daemon's loop and the replayer are its only drivers."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._decoder = decoder_for(rig)
        self._receiver = Receiver(rig)
        self._flow = FlowMeter(rig.flow)
        self._pressure = Transducer(rig.pressure)
        #: None where the rig has no sensor of wind or air
        self._weather = WeatherState(rig) if rig.weather.fitted else None
        self._weather_second = -1
        self._weather_stale_ns = _ns(rig.weather.stale_s)
        self._switch_on: bool | None = None
        self._switch_ns = 0

        self._flow_fitted = rig.flow.source != "none"
        self._pressure_fitted = rig.pressure.source != "none"
        self._switch_fitted = rig.boom_switch.source != "none"
        #: a wired switch is said again each second, one in XDR sentences with each of them
        self._switch_stale_ns = _ns(rig.boom_switch.stale_s) if self._switch_fitted else _EVER
        self._gps_stale_ns = _ns(rig.gps.stale_s)
        self._flow_stale_ns = _ns(rig.flow.stale_s) if self._flow_fitted else _EVER
        self._pressure_stale_ns = _ns(rig.pressure.stale_s) if self._pressure_fitted else _EVER
        step_ns = _ns(rig.sample_step_s)
        # a fix may come an eighth of a step early and still close the step; a sensor alone waits longer,
        # so that fixes set the pace where there are any
        self._fix_step_ns = step_ns - step_ns // 8
        self._sensor_step_ns = step_ns + step_ns // 2
        self._least_step_ns = step_ns // 8
        self._fix_ns = 0  # stamp of the newest accepted speed

        cal = rig.calibration
        self._cal_flow_l_min = cal.flow_l_min if cal else None
        self._cal_pressure_kpa = cal.pressure_kpa if cal else None
        self._cal_u_pct = cal.uncertainty_pct if cal else 0.0
        target = rig.target
        self._target_flow_l_min = rate.flow_for_rate_l_min(target.rate_l_ha, target.speed_m_s, rig.swath_m)

        self._now_ns = 0
        self._prev_ns = 0
        self._prev_speed: float | None = None
        self._travelled_m = 0.0
        self._late = False
        self._refused_ns = _NEVER
        self._lost_ns = _NEVER
        self._log_trouble = False

        self._sentences = 0
        self._counts: dict[str, int] = {}
        self._tallied: dict[str, int] = {}
        self._tally_ns = _TALLY_NS
        self._facts = Facts()
        self._judges: list[tuple[AlertMachine, str, Judge]] = []
        for code, (unit, make) in CONDITIONS.items():
            rule = rig.alerts[code]
            judge = make(rig, rule) if rule.enabled else None
            if judge is not None:
                self._judges.append((AlertMachine(code, rule), unit, judge))
        #: those that watch more than flags
        self._value_judges = [
            entry for entry in self._judges if entry[1] not in ("", "s") and entry[0].code not in DIAGNOSED
        ]
        #: what the sensors say together; None where the rig file switches it off
        self.watch = Watch(rig) if rig.diagnosis.enabled else None
        if self.watch is not None:
            self._facts.diagnosed = self.watch.present
        self._findings = 0  # of the watch's, so many were handed out
        self._flags_awake = False
        self._standing: set[str] = set()  # alerts that are up and that nobody has acknowledged
        self._due: list[int] = []  # when running alert delays end
        self._out: list[Output] = []
        self.deadline_ns = _LONGEST_NS

    def feed(self, reading: Reading) -> Sequence[Output]:
        """Take one reading; returns what it made, mostly nothing. Never raises on a reading's content."""
        t_ns = reading.t_ns
        if t_ns < self._now_ns:
            # held back on the way in: time does not run backwards
            self._late = True
            t_ns = self._now_ns
        else:
            self._now_ns = t_ns
        payload = reading.payload
        kind = type(payload)
        if kind is NmeaLine:
            step_ns = self._line(t_ns, payload.raw)  # type: ignore[union-attr]
        elif kind is PulseCount:
            self._flow.set_pulses(t_ns, payload)  # type: ignore[arg-type]
            self._judge_flow()
            step_ns = self._sensor_step_ns
        elif kind is AdcCount:
            self._pressure.set_counts(t_ns, payload)  # type: ignore[arg-type]
            if self._pressure.fault:
                self._count("pressure:" + self._pressure.fault)
            step_ns = self._sensor_step_ns
        elif kind is SwitchState:
            self._switch(t_ns, payload.on)  # type: ignore[union-attr]
            step_ns = self._sensor_step_ns
        elif kind is SourceFault:
            self._fault(t_ns, reading.source, payload)  # type: ignore[arg-type]
            step_ns = self._sensor_step_ns
        else:
            if kind is not Tick:
                self._deed(t_ns, reading.source, payload)
            step_ns = 1
        if step_ns and (t_ns - self._prev_ns >= step_ns or t_ns >= self.deadline_ns):
            self._close(t_ns)
        if self._out:
            out, self._out = self._out, []
            return out
        return _NOTHING

    def finish(self, t_ns: int) -> Sequence[Output]:
        """Close the last interval at the end of the run and hand out the last tallies."""
        self._now_ns = max(self._now_ns, t_ns)
        self._close(self._now_ns)
        self._tally(self._now_ns)
        out, self._out = self._out, []
        return out

    # -- readings ------------------------------------------------------------------------------------

    def _line(self, t_ns: int, raw: bytes) -> int:
        """Returns the step after which a sample is due, 0 when this line cannot close one."""
        decoded = self._decoder.decode(raw)
        kind = type(decoded)
        if kind is Rejected:
            self._count("rejected:" + decoded.reason)  # type: ignore[union-attr]
            return 0
        self._sentences += 1
        if raw.count(b"$") > 1:
            start = raw.find(b"$")
            if raw[start + 1 : start + 6].isalnum():
                self._count("rejected:cut_short")  # the start of another sentence in front of a good one
        receiver = self._receiver
        if kind is Rmc:
            refused = receiver.refused
            taken = receiver.rmc(t_ns, decoded)  # type: ignore[arg-type]
            if decoded.valid:  # type: ignore[union-attr]
                anchor = receiver.wall_time(t_ns, decoded)  # type: ignore[arg-type]
                if anchor is not None:
                    self._out.append(anchor)
        elif kind is Vtg:
            refused = receiver.refused
            taken = receiver.vtg(t_ns, decoded)  # type: ignore[arg-type]
        elif kind is Gga:
            refused = receiver.refused
            taken = receiver.gga(t_ns, decoded)  # type: ignore[arg-type]
        elif kind is Transducers:
            return self._transducers(t_ns, decoded)  # type: ignore[arg-type]
        elif kind is Zda:
            anchor = receiver.wall_time(t_ns, decoded)  # type: ignore[arg-type]
            if anchor is not None:
                self._out.append(anchor)
            return 0
        elif kind is Wind or kind is Meteo:
            self._wind_or_meteo(t_ns, decoded)  # type: ignore[arg-type]
            return 0
        else:
            return 0
        if taken:
            gap_ns, self._fix_ns = t_ns - self._fix_ns, t_ns
            # where fixes are slower than the step, each closes a sample, whatever a sensor closed before
            return self._fix_step_ns if gap_ns < self._sensor_step_ns else self._least_step_ns
        if receiver.refused != refused:
            self._refused_ns = t_ns
        return 0

    def _transducers(self, t_ns: int, decoded: Transducers) -> int:
        if decoded.rejected:
            self._count("rejected:bad_field", decoded.rejected)
        for channel, value in decoded.values:
            if channel == "flow":
                self._flow.set_flow(t_ns, value)
                self._judge_flow()
            elif channel == "pressure":
                self._pressure.set_pressure(t_ns, value)
                if self._pressure.fault:
                    self._count("refused:pressure")
            elif channel == "boom":
                self._switch(t_ns, value == 1.0)
            elif channel == "volume":
                self._flow.set_volume(t_ns, value)
                self._judge_flow()
            elif self._weather is not None:
                refused = self._weather.air(t_ns, channel, value)
                if refused is not None:
                    self._count("refused:" + refused)
        return self._sensor_step_ns if decoded.values else 0

    def _wind_or_meteo(self, t_ns: int, decoded: Wind | Meteo) -> None:
        weather = self._weather
        if weather is None:
            return
        if isinstance(decoded, Meteo):
            for refused in weather.meteo(t_ns, decoded):
                self._count("refused:" + refused)
            return
        speed_m_s = course_deg = None
        receiver = self._receiver
        fix_ns = receiver.speed.t_ns
        if fix_ns is not None and t_ns - fix_ns <= self._gps_stale_ns:
            speed_m_s, _ = receiver.speed.at(t_ns)
            if speed_m_s < self._rig.speed.stationary_m_s:
                speed_m_s = 0.0
            course_deg = receiver.track_deg
        refused_wind = weather.wind(t_ns, decoded, speed_m_s, course_deg)
        if refused_wind is not None:
            self._count("refused:" + refused_wind)

    def _judge_flow(self) -> None:
        if self._flow.implausible:
            self._count("refused:flow")
        if self._flow.reset:
            self._count("flow_reset")

    def _switch(self, t_ns: int, on: bool) -> None:
        if on is not self._switch_on and t_ns > self._prev_ns:
            # an interval has one boom state, so that what is treated ends where the switch said
            self._close(t_ns)
        self._switch_on = on
        self._switch_ns = t_ns

    def _fault(self, t_ns: int, source: Source, fault: SourceFault) -> None:
        self._count(f"fault:{source.name.lower()}:{fault.kind}")
        if source is Source.LOG:
            # other kinds, such as one refused row, are counted and over at once
            if fault.kind in _LOG_TROUBLES:
                self._log_trouble = True
            elif fault.kind == "resumed":
                self._log_trouble = False
        if fault.lost:
            self._lost_ns = t_ns
            self._count("lost", fault.lost)

    def _deed(self, t_ns: int, source: Source, deed: Payload) -> None:
        """What a person did; a note may come from elsewhere in the house too."""
        if deed == LIVE_RUN:
            self._receiver.live()
            return
        if type(deed) is Carried and source is Source.HUB:
            if self.watch is not None and not self.watch.carry(deed):
                self._count(REFUSED + "carried")
            return
        if source is not Source.PERSON:
            if type(deed) is not Note:
                self._count(REFUSED + "source")
            return
        act = act_of(t_ns, deed)
        if type(act) is str:
            self._count(REFUSED + act)
        elif type(act) is Act:
            if act.kind == "acknowledge":
                if act.text not in self._standing:
                    self._count(NO_EFFECT)
                    return
                self._standing.remove(act.text)
            self._out.append(act)

    def _count(self, name: str, n: int = 1) -> None:
        self._counts[name] = self._counts.get(name, 0) + n

    # -- samples -------------------------------------------------------------------------------------

    def _close(self, t_ns: int) -> None:
        dt_ns = t_ns - self._prev_ns
        if dt_ns <= 0:
            return
        rig = self._rig
        receiver = self._receiver
        flags = 0

        # speed
        fix_ns = receiver.speed.t_ns
        speed: float | None = None
        sd: float | None = None
        if fix_ns is not None and t_ns - fix_ns <= self._gps_stale_ns:
            speed, sd = receiver.speed.at(t_ns)
            if speed < rig.speed.stationary_m_s:
                speed = 0.0  # a receiver at rest still reads a few cm/s
            if receiver.held_zero:
                flags |= _SPEED_HELD_ZERO
            if receiver.from_position:
                flags |= _SPEED_FROM_POSITION
        elif t_ns - (fix_ns or 0) > self._gps_stale_ns:  # at the start it is given as long to speak
            flags |= _GPS_STALE
        if receiver.void:
            flags |= _GPS_VOID
        if t_ns - self._refused_ns < _MEMORY_NS or self._refused_ns >= self._prev_ns:
            flags |= _GPS_IMPLAUSIBLE
        lat = lon = track = None
        if t_ns - receiver.position_ns <= self._gps_stale_ns:
            lat, lon, track = receiver.lat_deg, receiver.lon_deg, receiver.track_deg

        # sensors
        meter = self._flow
        measured: float | None = None
        if self._flow_fitted:
            if t_ns - (meter.t_ns or 0) > self._flow_stale_ns:
                flags |= _FLOW_STALE
            elif meter.t_ns is not None:
                measured = meter.flow_l_min
                if meter.implausible:
                    flags |= _FLOW_IMPLAUSIBLE
                if meter.reset:
                    flags |= _COUNTER_RESET
        transducer = self._pressure
        pressure: float | None = None
        if self._pressure_fitted:
            if t_ns - (transducer.t_ns or 0) > self._pressure_stale_ns:
                flags |= _PRESSURE_STALE
            elif transducer.t_ns is not None:
                pressure = transducer.pressure_kpa
                if transducer.fault:
                    flags |= _PRESSURE_IMPLAUSIBLE

        # boom
        boom: bool | None
        cal_flow, cal_pressure = self._cal_flow_l_min, self._cal_pressure_kpa
        if self._switch_fitted:
            boom = self._switch_on
            if t_ns - self._switch_ns > self._switch_stale_ns:
                boom = None
                flags |= _SWITCH_STALE
        elif measured is not None:
            boom = measured > _ON_SHARE * self._target_flow_l_min
            flags |= _BOOM_INFERRED
        elif pressure is not None and cal_pressure is not None:
            boom = pressure > _ON_SHARE * cal_pressure
            flags |= _BOOM_INFERRED
        else:
            boom = None if speed is None else speed >= rig.speed.minimum_m_s
            flags |= _BOOM_ASSUMED

        # flow on its best basis
        if (
            boom
            and measured == 0.0
            and pressure is not None
            and cal_pressure is not None
            and pressure > _STALL_SHARE * cal_pressure
        ):
            measured = None  # a stalled meter: there is pressure, so there is flow
            flags |= _FLOW_IMPLAUSIBLE
        flow: float | None = None
        basis = 0
        u_flow = 0.0
        if boom is False:
            flow = 0.0
        elif boom:
            if measured is not None:
                flow, basis, u_flow = measured, 1, rig.flow.uncertainty_pct
            elif cal_flow is not None:
                if pressure is not None and cal_pressure is not None:
                    flow = rate.flow_at_pressure_l_min(cal_flow, cal_pressure, pressure)
                    basis = 2
                    # pressure enters by its square root: half its relative uncertainty
                    u_flow = _root_sum(self._cal_u_pct, rig.pressure.uncertainty_pct / 2)
                else:
                    flow, basis, u_flow = cal_flow, 3, self._cal_u_pct

        # rate
        rate_l_ha: float | None = None
        rate_u_pct: float | None = None
        if speed is not None and sd is not None and speed < rig.speed.minimum_m_s:
            flags |= _BELOW_MIN_SPEED
        elif speed is not None and sd is not None and boom and flow is not None:
            rate_l_ha = rate.application_rate_l_ha(flow, speed, rig.swath_m)
            rate_u_pct = rate.expanded_uncertainty_pct(
                u_flow, 100 * sd / speed, rig.swath_uncertainty_pct, rig.gps.speed_bias_pct
            )

        # what was added in the interval
        distance: float | None = None
        if speed is not None and self._prev_speed is not None:
            distance = 0.5 * (speed + self._prev_speed) * dt_ns * 1e-9
            self._travelled_m += distance
        area: float | None = None
        volume: float | None = None
        if boom is False:
            area = volume = 0.0
        elif boom:
            area = None if distance is None else distance * rig.swath_m
            volume = None if flow is None else flow * dt_ns * (1e-9 / 60)

        # quality of the stream
        if self._late:
            flags |= _LATE_INPUT
            self._late = False
        if t_ns - self._lost_ns < _MEMORY_NS or self._lost_ns >= self._prev_ns:
            flags |= _INPUT_LOST
        if self._log_trouble:
            flags |= _LOG_TROUBLE

        weather = self._weather
        if weather is not None:
            flags |= self._weather_flags(t_ns, weather)

        boom_state = None if boom is None else int(boom)
        self._out.append(
            Sample(
                t_ns, dt_ns, lat, lon, track, speed, sd, flow, pressure, boom_state, rate_l_ha, rate_u_pct,
                basis, distance, area, volume, flags,
            )
        )  # fmt: skip
        if weather is not None and t_ns // _WEATHER_NS != self._weather_second:
            self._weather_second = t_ns // _WEATHER_NS
            self._facts.weather = weather.now(t_ns)
            self._out.append(self._facts.weather)
        self._prev_ns = t_ns
        self._prev_speed = speed
        watch = self.watch
        if watch is not None:
            # a transducer that reads below nothing at rest tells of its offset
            signed = None if pressure is None else transducer.signed_kpa
            watch.take(
                t_ns, dt_ns, boom, measured, signed, speed, distance, lat, lon, receiver.position_ns,
                receiver.same_since_ns,
            )  # fmt: skip
            if len(watch.findings) > self._findings:
                # those whose alert the rig file switches off were not asked for
                found = watch.findings[self._findings :]
                self._out += [finding for finding in found if rig.alerts[finding.code].enabled]
                self._findings += len(found)
        self._alerts(t_ns, speed, flow, pressure, boom, rate_l_ha, flags)
        if t_ns >= self._tally_ns:
            self._tally(t_ns)
            self._tally_ns = t_ns + _TALLY_NS
        self._set_deadline(t_ns, fix_ns)

    def _weather_flags(self, t_ns: int, weather: WeatherState) -> int:
        """A sensor that is fitted is given as long at the start as later."""
        sensor, flags = self._rig.weather, 0
        if sensor.wind != "none" and t_ns - (weather.wind_ns or 0) > self._weather_stale_ns:
            flags |= _WIND_STALE
        if sensor.air != "none" and t_ns - (weather.air_ns or 0) > self._weather_stale_ns:
            flags |= _AIR_STALE
        return flags

    def _set_deadline(self, t_ns: int, fix_ns: int | None) -> None:
        """The longest sample, or sooner: the moment something turns stale or a running delay ends."""
        deadline = t_ns + _LONGEST_NS
        for newest_ns, limit_ns in (
            (fix_ns, self._gps_stale_ns),
            (self._flow.t_ns, self._flow_stale_ns),
            (self._pressure.t_ns, self._pressure_stale_ns),
            (self._switch_ns, self._switch_stale_ns),
        ):
            # one past the limit, for a sample is stale when older than it
            stale = (newest_ns or 0) + limit_ns + 1
            if t_ns < stale < deadline:
                deadline = stale
        weather = self._weather
        if weather is not None:
            for newest_ns in (weather.wind_ns, weather.air_ns):
                stale = (newest_ns or 0) + self._weather_stale_ns + 1
                if t_ns < stale < deadline:
                    deadline = stale
        for due in self._due:
            if t_ns < due < deadline:
                deadline = due
        self.deadline_ns = deadline

    # -- alerts --------------------------------------------------------------------------------------

    def _alerts(
        self,
        t_ns: int,
        speed: float | None,
        flow: float | None,
        pressure: float | None,
        boom: bool | None,
        rate_l_ha: float | None,
        flags: int,
    ) -> None:
        facts = self._facts
        facts.boom_on, facts.flags = boom, flags
        facts.speed_m_s, facts.flow_l_min = speed, flow
        facts.pressure_kpa, facts.rate_l_ha = pressure, rate_l_ha
        if boom and speed is not None and flow is not None and (speed or flow):
            faster = speed / self._rig.target.speed_m_s
            fuller = flow / self._target_flow_l_min
            facts.rate_share = fuller / faster if faster > 0 else _STANDING
            # what is further off, as a ratio either way, is what the drift is put down to
            facts.speed_deviation = faster if faster > 1 else (1 / faster if faster > 0 else _STANDING)
            facts.flow_deviation = fuller if fuller > 1 else (1 / fuller if fuller > 0 else _STANDING)
        else:
            facts.rate_share = None
        if flags & _STALE:
            facts.gps_age_s = (t_ns - (self._receiver.speed.t_ns or 0)) * 1e-9
            facts.flow_age_s = (t_ns - (self._flow.t_ns or 0)) * 1e-9
            facts.pressure_age_s = (t_ns - (self._pressure.t_ns or 0)) * 1e-9
            facts.switch_age_s = (t_ns - self._switch_ns) * 1e-9
            if self._weather is not None:
                facts.wind_age_s = (t_ns - (self._weather.wind_ns or 0)) * 1e-9
                facts.air_age_s = (t_ns - (self._weather.air_ns or 0)) * 1e-9
        due = self._due
        due.clear()
        # most alerts watch flags alone: none is up and none was, so there is nothing to judge
        awake = flags & _WATCHED or self._flags_awake or facts.diagnosed
        judges = self._judges if awake else self._value_judges
        self._flags_awake = False
        for machine, unit, judge in judges:
            verdict = judge(facts)
            if (verdict is QUIET or verdict is None) and machine.state == 0:
                continue
            if verdict is None:
                alert = machine.step(t_ns, self._travelled_m, None, True, None, None, unit)
            else:
                bad, good, value, limit = verdict
                alert = machine.step(t_ns, self._travelled_m, bad, good, value, limit, unit)
            if alert is not None:
                self._out.append(alert)
                if alert.raised:
                    self._standing.add(alert.code)
                else:
                    self._standing.discard(alert.code)
            if machine.state:
                self._flags_awake = True
                wake_ns = machine.due_ns
                if wake_ns is not None:
                    due.append(wake_ns)

    # -- tallies -------------------------------------------------------------------------------------

    def _tally(self, t_ns: int) -> None:
        """What was counted since the last time, in a fixed order."""
        receiver = self._receiver
        counts = self._counts
        counts["sentence"] = self._sentences
        counts["fix"] = receiver.fixes
        counts["fix_void"] = receiver.voids
        counts["refused:speed"] = receiver.refused
        for name in sorted(counts):
            n = counts[name] - self._tallied.get(name, 0)
            if n:
                self._out.append(Tally(t_ns, name, n))
                self._tallied[name] = counts[name]


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)


def _root_sum(a: float, b: float) -> float:
    return sqrt(a * a + b * b)
