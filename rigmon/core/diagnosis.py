"""What the sensors say together and none says alone: nozzles, leaks, supply, meters that err.

Flow and pressure go by the orifice law, so C = Q / sqrt(P) is a constant of the nozzles (see `coefficient`).
Blocks of a second with the boom on feed monitors: of C; of the supply, that is of what flow and root of
pressure have in common; of the meter's unsteadiness. A change that is still there some blocks after a monitor
found it has its evidence weighed by the rows of `causes.CAUSES`, in order; the first that holds names the
cause. With one of the two sensors there is no C: then only that something changed can be said, and not what.

What is found is in `present`, for the alerts, and kept in `findings`.
"""

from collections import deque
from math import sqrt
from typing import Final, NamedTuple

from rigmon.core.causes import CAUSES, Evidence, cause_of, doubtful, plugged
from rigmon.core.coefficient import Block, BoomOn, Coefficient, measured
from rigmon.core.design import winsorised_arl
from rigmon.core.evidence import Weighed, means, weigh
from rigmon.core.found import Found
from rigmon.core.monitor import Monitor, Noise, limits
from rigmon.core.one_sensor import OneSensor
from rigmon.core.rest import Rest
from rigmon.core.speed_watch import LATE_S, SpeedWatch
from rigmon.core.start import MISMATCH, Off, Start
from rigmon.core.steadiness import CODE as UNSTEADY
from rigmon.core.steadiness import Steadiness
from rigmon.core.supply import Supply
from rigmon.model import Carried, Finding
from rigmon.rig import Rig

#: one-sided tests that share the tolerated false alarms: C up and down, supply, one sensor's or unsteadiness,
#: creep up and down, frozen and late speed
TESTS: Final = 8
#: blocks that the evidence is weighed from
_MEMORY: Final = 600
#: blocks that a change must have lasted for, by the chart's estimate, before its cause is named
_CONFIRM: Final = 3
#: a slow one has until then to grow to what matters, a sharp one to this share of it, so that its cause shows
_CONFIRM_SLOW: Final = 180
_SHARP_SHARE: Final = 0.9
#: whether flow or pressure changed may be doubtful for so long
_DOUBT_SHARP: Final = 20
#: a burst of air raises C too, by less than a hose that is off: so many blocks tell it from a leak
_BURST: Final = 7
_BURST_MOST: Final = 0.6
_DOUBT_SLOW: Final = 60
#: still there while the newest blocks are off by so much of it
_STILL: Final = 0.4
_NEWEST: Final = 2
#: L/min and kPa; less is none
_LEAST: Final = 1e-3


class Odds(NamedTuple):
    """What the charts of C and of the supply promise where the noise of a block is half of what matters.

    With less noise, false alarms are rarer: `false_alarms_per_h` is what they add up to at most.
    """

    false_alarms_per_h: float  #: of all tests together, in hours with the boom on
    tests: int
    hours_to_false_alarm: float  #: of one test, on average
    seconds_to_find: float  #: the smallest change that matters, on average


def odds(rig: Rig) -> Odds:
    """The odds that the rig file asks for, by the average run lengths of the charts as they are built."""
    h, most = limits(1.0, _arl(rig))
    hours = winsorised_arl(1.0, h, most) / 3600
    return Odds(TESTS / hours, TESTS, hours, max(winsorised_arl(1.0, h, most, 2.0), _CONFIRM))


def _arl(rig: Rig) -> float:
    """Blocks of a second to a false alarm of one test."""
    return 3600 * TESTS / rig.diagnosis.false_alarms_per_h


class Watch:
    """Looks at every sample. `present` are the codes that are up, each with (value, limit) in %."""

    __slots__ = (
        "_any",
        "_boom_on",
        "_both",
        "_cal_kpa",
        "_change",
        "_coefficient",
        "_creep_limit",
        "_flow_fitted",
        "_found",
        "_held",
        "_nozzles",
        "_off",
        "_off_seen",
        "_one",
        "_pending",
        "_pressure_fitted",
        "_pressure_level",
        "_rest",
        "_rig",
        "_ring",
        "_slowest",
        "_start",
        "_steadiness",
        "_supply",
        "_switched",
        "_weighed",
        "findings",
        "learned",
        "present",
        "speed",
    )

    def __init__(self, rig: Rig) -> None:
        rule = rig.diagnosis
        self._rig = rig
        self._change = rule.smallest_change_pct / 100
        self._nozzles = rig.nozzle_count
        self._flow_fitted = rig.flow.source != "none"
        self._pressure_fitted = rig.pressure.source != "none"
        self._any = self._flow_fitted or self._pressure_fitted
        self._both = self._flow_fitted and self._pressure_fitted
        self._switched = rig.boom_switch.source != "none"
        self._cal_kpa = rig.calibration.pressure_kpa if rig.calibration else None
        arl = _arl(rig)
        learn = max(round(rule.learning_s), 10)
        self._found = found = Found()
        self._boom_on = BoomOn(rule.settling_s, align=self._both)
        # C does not wander, so little caution is needed; what one sensor alone says does
        self._coefficient = Monitor(self._change, arl, learn, cautious=not self._both)
        self._supply = Supply(found, self._change, arl, learn)
        self._one = OneSensor(found, self._change, self._coefficient, by_flow=self._flow_fitted)
        self._steadiness = Steadiness(found, learn)
        self._rest = Rest(self._cal_kpa)
        self._start = Start(rig)
        self._off: Off | None = None  # what was found at the start
        self._ring: deque[Block] = deque(maxlen=_MEMORY)
        self.learned: Coefficient | None = None  #: C at the start of the run; None while it is being learned
        self._pressure_level = 1.0
        self._pending = 0
        self._held = False  # a change of C is up
        self._off_seen = False
        self._weighed: Weighed | None = None
        self.speed = SpeedWatch(rig, TESTS)
        self._slowest = rig.speed.minimum_m_s
        self._creep_limit = rule.creep_pct / 100
        self.present = found.present
        self.findings = found.findings

    def carry(self, carried: Carried) -> bool:
        """What earlier runs ended with, before the first sample; False where it cannot be true."""
        if not self._both:
            return True
        if not self._start.carry(self._rig, carried):
            return False
        level = carried.flow_l_min / sqrt(self._cal_kpa or 1.0)
        self._coefficient.earlier(Noise(level, level * carried.sd_pct / 100, carried.phi, int(carried.n)))
        return True

    def to_carry(self, run_id: str) -> Carried | None:
        """What the next run should know; None where nothing was learned, and nothing is known from before.

        A run that began otherwise than it should changes nothing: the next one is judged as it was.
        """
        before, noise = self._start.carried, self._coefficient.noise
        off = self._off
        wrong = off is not None and off.code == MISMATCH
        if not self._both or self._cal_kpa is None or noise is None or self.learned is None or wrong:
            return before
        flow = noise.mean * sqrt(self._cal_kpa)
        return Carried(
            run_id, flow, before.first_flow_l_min if before is not None else flow,
            100 * noise.sd / noise.mean, noise.phi, noise.n,
        )  # fmt: skip

    def take(
        self,
        t_ns: int,
        dt_ns: int,
        boom: bool | None,
        flow_l_min: float | None,
        pressure_kpa: float | None,
        speed_m_s: float | None,
        distance_m: float | None,
        lat_deg: float | None,
        lon_deg: float | None,
        place_ns: int,
        same_since_ns: int,
    ) -> None:
        """One sample: what the sensors say, None where they do not; for the rest see `SpeedWatch.take`."""
        working = boom and speed_m_s is not None and speed_m_s >= self._slowest
        if self.speed.take(t_ns, dt_ns, working, distance_m, lat_deg, lon_deg, place_ns, same_since_ns):
            self._judged_speed(t_ns)
        if boom:
            if self._off_seen and self._rest.on():
                self._rested()
            if not self._any:
                return
            flow = flow_l_min if self._flow_fitted else 1.0
            pressure = pressure_kpa if self._pressure_fitted else 1.0
            if flow and pressure and flow > _LEAST and pressure > _LEAST:
                block = self._boom_on.take(t_ns, dt_ns, flow, pressure, seen_off=self._off_seen)
                if block is not None:
                    self._block(block)
            else:
                self._boom_on.off()
                self._off_seen = False
            return
        if boom is None:
            self._boom_on.off()
            self._off_seen = False
            self._rest.unknown()
            return
        if not self._off_seen:
            self._off_seen = True
            self._boom_on.off()
            self._rest.off(t_ns)
        if pressure_kpa is not None and self._switched:
            self._rest.take(t_ns, pressure_kpa)

    def _judged_speed(self, t_ns: int) -> None:
        speed, present, found = self.speed, self.present, self._found
        creep = speed.creep
        if creep is None:
            found.drop("speed_creep")
        elif "speed_creep" not in present:
            found.put("speed_creep", creep, self._creep_limit)
            found.keep(Finding("speed_creep", t_ns, speed.creep_since_ns, 100 * creep, None))
        for code, value, allowed in (
            ("gps_frozen", speed.frozen_m_s, None),
            ("gps_late", speed.late_s, LATE_S),
        ):
            if value is None:
                found.drop(code)
            elif code not in present:
                present[code] = (value, allowed)
                found.keep(Finding(code, t_ns, t_ns, None, None))

    # -- blocks ----------------------------------------------------------------------------------------

    def _block(self, block: Block) -> None:
        self._off_seen = False
        self._ring.append(block)
        monitor = self._coefficient
        if not block.follows:
            monitor.gap()
            self._supply.gap()
        if not self._both:
            self._one.update(self._ring)
            if self._flow_fitted:
                self._steadiness.update(block, held=False)
            return
        before = monitor.noise
        state = monitor.update(block.coefficient)
        learned = before is None and monitor.noise is not None
        if learned:
            self._learned()
        self._steadiness.update(block, held=self._held)
        if state:
            self._changed(block)
            return  # what the supply does is not told apart from it
        self._pending = 0
        if self._held:
            self._drop_change()
        if self.learned is not None and not learned:
            self._supply.update(self._ring)

    def _learned(self) -> None:
        """C is known: is it what the catch test, or an earlier run, says?"""
        noise = self._coefficient.noise
        if noise is None:
            return
        ring = self._ring
        self._pressure_level = means(ring)[1]
        self._supply.begin(ring)
        scatter_pct = 100 * noise.mean_sd / noise.mean
        self.learned = now = measured(self._rig, noise.mean, scatter_pct)
        off = self._start.judge(now, scatter_pct)
        self._off = off
        if off is None:
            return
        nozzles, confidence = self._count(off.off, off.limit / 2)
        self._found.put(off.code, off.off, off.limit)
        self._found.keep(
            Finding(
                off.code, ring[-1].t_ns, ring[0].t_ns, 100 * off.off, 100 * off.limit,
                nozzles=nozzles, confidence=confidence, flow_l_min=self._at_calibrated(now.value),
            )
        )  # fmt: skip

    def _changed(self, block: Block) -> None:
        """The monitor of C has found a change."""
        self._pending += 1
        noise = self._coefficient.noise
        if self._held or noise is None or self._coefficient.age < _CONFIRM:
            return
        off = self._off
        if off is not None and off.code in self.present:
            recent = 0.0
            for near in list(self._ring)[-_CONFIRM:]:
                recent += near.coefficient
            if abs(recent / (_CONFIRM * off.should) - 1) <= off.limit:
                # what was wrong since the start is right now: that is how it should be
                del self.present[off.code]
                self._off = None
                self._coefficient.restart()
                self._supply.restart()
                self._ring.clear()
                self.learned = None
                self._pending = 0
                return
        weighed = weigh(self._ring, noise, self._steadiness.flow_weight)
        enough = (_SHARP_SHARE if weighed.sharp else 1.0) * self._change
        if abs(weighed.change) < enough and self._pending < _CONFIRM_SLOW:
            return
        recent = 0.0
        for near in list(self._ring)[-_NEWEST:]:
            recent += near.coefficient / noise.mean - 1
        if recent / weighed.change < _STILL * _NEWEST:
            return  # it is over, the chart only does not know it yet
        if self._pending < _DOUBT_SHARP and (
            self._steadiness.jumps(weighed.later) is None
            or (0 < weighed.change < _BURST_MOST and len(weighed.later) < _BURST)
        ):
            return
        patience = _DOUBT_SHARP if weighed.sharp else _DOUBT_SLOW
        if self._pending < patience and doubtful(
            weighed.change, weighed.flow_change, weighed.flow_u, sharp=weighed.sharp
        ):
            return
        self._weighed = weighed
        shift_kpa = self._rest.shift_kpa
        self._name(block.t_ns, weighed, shift_kpa / weighed.pressure_kpa if shift_kpa is not None else 0.0)

    def _evidence(self, weighed: Weighed, rest_shift: float) -> Evidence:
        return Evidence(
            weighed.change, weighed.flow_change, weighed.pressure_change, weighed.sharp,
            self._steadiness.jumps(weighed.later) is True, rest_shift, self._change,
        )  # fmt: skip

    def _name(self, t_ns: int, weighed: Weighed, rest_shift: float) -> None:
        """Say what the evidence speaks for."""
        self._held = True
        change = weighed.change
        code = cause_of(self._evidence(weighed, rest_shift))
        nozzles = confidence = None
        if code == "nozzles_plugged":
            nozzles, confidence = self._count(change, weighed.u)
        if code == UNSTEADY:
            self.present[code] = (None, None)
        else:
            self._found.put(code, change, self._change)
        noise = self._coefficient.noise
        level = noise.mean if noise else 0.0
        self._found.keep(
            Finding(
                code, t_ns, weighed.since_ns, 100 * change, 200 * weighed.u, 100 * weighed.flow_change,
                100 * weighed.pressure_change, weighed.sharp, nozzles, confidence,
                self._at_calibrated(level * (1 + change)),
            )
        )  # fmt: skip

    def _rested(self) -> None:
        """The pressure at rest is known anew: what looked like nozzles or a leak may be seen there too."""
        weighed, shift_kpa = self._weighed, self._rest.shift_kpa
        if not self._held or weighed is None or shift_kpa is None or "pressure_drift" in self.present:
            return
        shift = shift_kpa / (self._pressure_level * (1 + weighed.pressure_change))
        if self._evidence(weighed, shift).rest_explains:
            self._drop_change()
            self._name(self._ring[-1].t_ns, weighed, shift)

    def _drop_change(self) -> None:
        self._held = False
        for code in {cause.code for cause in CAUSES}:
            if code != UNSTEADY or not self._steadiness.unsteady:
                self._found.drop(code)

    def _count(self, change: float, u: float) -> tuple[int | None, float | None]:
        """How many nozzles; None where it is less than half of one, or C did not fall."""
        if -change * self._nozzles < 0.5:
            return None, None
        return plugged(change, u, self._nozzles)

    def _at_calibrated(self, coefficient: float) -> float | None:
        return None if self._cal_kpa is None else coefficient * sqrt(self._cal_kpa)
