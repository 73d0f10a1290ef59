"""What the sensors say together and none says alone: nozzles, leaks, supply, meters that err.

Flow and pressure go by the orifice law, so C = Q / sqrt(P) is a constant of the nozzles (see `coefficient`).
Blocks of a second with the boom on feed monitors: of C; of the supply, that is of what flow and root of
pressure have in common; of the meter's unsteadiness. A change that is still there some blocks after a monitor
found it has its evidence weighed by the rows of `CAUSES`, in order; the first that holds names the cause.
With one of the two sensors there is no C: then only that something changed can be said, and not what.

What is found is in `present`, for the alerts, and kept in `findings`.
"""

from collections import deque
from collections.abc import Callable
from math import sqrt
from typing import Final, NamedTuple

from rigmon.core.coefficient import Block, BoomOn, Coefficient, expected, measured
from rigmon.core.design import cusum_for, exponential
from rigmon.core.monitor import Monitor
from rigmon.core.speed_watch import LATE_S, SpeedWatch
from rigmon.model import Finding
from rigmon.rig import Rig

#: one-sided tests that share the tolerated false alarms: C up and down, supply, one sensor's or unsteadiness,
#: creep up and down, frozen and late speed
TESTS: Final = 8
#: blocks that the evidence is weighed from
_MEMORY: Final = 600
#: of these so many before and after are compared: few where it came at once, for the pressure wanders
_NEAR: Final = 6
_FAR: Final = 40
_FEWEST: Final = 5
#: blocks for which a change must stand before its cause is named
_CONFIRM: Final = 3
_CONFIRM_SUPPLY: Final = 20
#: so long above its level, and it is a new one
_RISEN: Final = 90
#: a slow one has until then to grow to what matters, a sharp one to this share of it, so that its cause shows
_CONFIRM_SLOW: Final = 180
_SHARP_SHARE: Final = 0.8
#: a weak supply is still there while it is down by so much of what matters
_STILL: Final = 0.9
#: a driver may set another pressure: after so long it is how things are now
_NEW_NORMAL: Final = 300
#: a cause counts as taking part with more than this share of the change of C
_PART: Final = 0.15
#: the meter is unsteady at so many times its roughness, in so many windows of so many blocks
_ROUGH: Final = 4.0
_ROUGH_OVER: Final = 2.0
_ROUGH_WINDOW: Final = 5
_ROUGH_WINDOWS: Final = 3
#: roughness below this is that of the meter's resolution
_ROUGH_LEAST: Final = 1e-5
#: pressure at rest is looked at so long after the boom went off; above this share of the calibrated one it is
#: not at rest: the transducer sits before the boom's valve
_REST_NS: Final = 3_000_000_000
_REST_SHARE: Final = 0.3
_REST_FEWEST: Final = 5
#: twice the log-likelihood by which a ramp must be better than a step
_CLEARLY: Final = 9.0
#: blocks after a sharp change that are averaged
_MOST_LATER: Final = 60
#: L/min and kPa; less is none
_LEAST: Final = 1e-3
#: below this the uncertainty of a change is not believed
_U_LEAST: Final = 0.002


class Evidence(NamedTuple):
    """What is known of a change of C. Changes are shares of what was before: -0.083 is a fall by 8.3 %."""

    change: float  #: of C
    flow_change: float
    pressure_change: float
    sharp: bool  #: within seconds, not over minutes
    unsteady: bool  #: the meter's reading jumps, the pressure's does not
    rest_shift: float  #: of the pressure with the boom off, as a share of the pressure with it on; 0 unknown
    matters: float  #: the smallest change that matters

    @property
    def flow_part(self) -> float:
        """The flow's part of the change of C; the rest is the pressure's, with half of its own change."""
        return self.flow_change / self.change

    @property
    def rest_explains(self) -> bool:
        """The pressure reads as much more or less with the boom off as it does with it on."""
        shift = self.rest_shift
        return abs(shift) > self.matters and 0.5 < self.pressure_change / shift < 2


class Cause(NamedTuple):
    code: str
    holds: Callable[[Evidence], bool]


#: the first row that holds names the cause of a change of C
CAUSES: Final = (
    Cause("pressure_drift", lambda e: e.rest_explains),
    Cause("flowmeter_unsteady", lambda e: e.unsteady),
    # nozzles: less flow through fewer of them, at the same or more pressure
    Cause("nozzles_plugged", lambda e: e.change < 0 and e.sharp and e.flow_part > _PART),
    # the flow stayed, the pressure rose: no nozzle does that
    Cause("pressure_drift", lambda e: e.change < 0 and e.sharp),
    # more flow through the same nozzles, or as much at less pressure: it goes elsewhere
    Cause("boom_leak", lambda e: e.change > 0 and e.sharp),
    # slowly, and only one of the two moved
    Cause("flowmeter_drift", lambda e: e.flow_part > 0.5),
    Cause("pressure_drift", lambda _: True),
)


def plugged(change: float, u: float, count: int) -> tuple[int, float]:
    """How many of `count` nozzles are plugged when C changed by `change` (-0.083: by 8.3 %), and how sure.

    m plugged change C by -m/count. With every m from 1 to count as likely before, and a normal error of
    standard deviation `u`, the probability of m goes with exp(-((change + m/count) / u)^2 / 2) (Bayes).
    """
    best, best_weight, total = 1, -1.0, 0.0
    nearest = max(1, min(count, int(-change * count + 0.5)))
    offset = (change + nearest / count) / u
    for m in range(1, count + 1):
        z = (change + m / count) / u
        weight = exponential(0.5 * (offset * offset - z * z))  # against the nearest, so that none is lost
        total += weight
        if weight > best_weight:
            best, best_weight = m, weight
    return best, best_weight / total


class Odds(NamedTuple):
    """What the charts of C and of the supply promise where the noise of a block is half of what matters.

    With less noise, false alarms are rarer: `false_alarms_per_h` is what they add up to at most.
    """

    false_alarms_per_h: float  #: of all tests together, in hours with the boom on
    tests: int
    hours_to_false_alarm: float  #: of one test, on average
    seconds_to_find: float  #: the smallest change that matters, on average, its confirmation included


def odds(rig: Rig) -> Odds:
    """The odds that the rig file asks for, by the average run lengths of the charts as they are built."""
    made = cusum_for(2.0, _arl(rig))
    hours = made.arl_well / 3600
    return Odds(TESTS / hours, TESTS, hours, made.arl_changed + _CONFIRM)


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
        "_expected",
        "_flow_fitted",
        "_flow_level",
        "_held",
        "_n_rough",
        "_nozzles",
        "_off_n",
        "_off_ns",
        "_off_seen",
        "_off_sum",
        "_pending",
        "_pressure_fitted",
        "_pressure_level",
        "_rest_first",
        "_rest_now",
        "_rig",
        "_ring",
        "_risen",
        "_rough_base",
        "_rough_calm",
        "_rough_high",
        "_rough_n",
        "_rough_sums",
        "_slowest",
        "_supply",
        "_supply_pending",
        "_supply_since_ns",
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
        self._boom_on = BoomOn(rule.settling_s, align=self._both)
        self._coefficient = Monitor(self._change, arl, learn)
        # the pressure wanders slowly by itself: learned from more, or a swing would be taken for its level
        self._supply = Monitor(self._change, arl, 4 * learn, phi_most=0.95)
        self._expected = expected(rig, rule.start_flow_l_min) if self._both else None
        self._ring: deque[Block] = deque(maxlen=_MEMORY)
        self.learned: Coefficient | None = None  #: C at the start of the run; None while it is being learned
        self._flow_level = self._pressure_level = 1.0
        self._pending = self._supply_pending = 0
        self._held = 0  # blocks for which something has been present
        self._supply_since_ns = 0
        self._risen = 0  # blocks for which the supply has been better than it was
        self._off_seen = False
        self._off_ns = 0
        self._off_sum = 0.0
        self._off_n = 0
        self._rest_first: float | None = None
        self._rest_now: float | None = None
        self._weighed: tuple[Evidence, int, float] | None = None
        self._rough_base: tuple[float, float] | None = None
        self._n_rough = learn
        self._rough_n = self._rough_high = self._rough_calm = 0
        self._rough_sums = [0.0, 0.0]
        self.speed = SpeedWatch(rig, TESTS)
        self._slowest = rig.speed.minimum_m_s
        self._creep_limit = rule.creep_pct / 100
        self.present: dict[str, tuple[float | None, float | None]] = {}
        self.findings: list[Finding] = []

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
            if self._off_n:
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
            self._off_n = 0
            return
        if not self._off_seen:
            self._off_seen = True
            self._boom_on.off()
            self._off_ns = t_ns
            self._off_sum, self._off_n = 0.0, 0
        if pressure_kpa is not None and self._switched and t_ns - self._off_ns >= _REST_NS:
            self._off_sum += pressure_kpa
            self._off_n += 1

    def _judged_speed(self, t_ns: int) -> None:
        speed = self.speed
        creep, limit = speed.creep, self._creep_limit
        if creep is None:
            self.present.pop("speed_creep", None)
        elif "speed_creep" not in self.present:
            self._put("speed_creep", creep, limit)
            self._find(Finding("speed_creep", t_ns, speed.creep_since_ns, 100 * creep, None))
        for code, value, allowed in (
            ("gps_frozen", speed.frozen_m_s, None),
            ("gps_late", speed.late_s, LATE_S),
        ):
            if value is None:
                self.present.pop(code, None)
            elif code not in self.present:
                self.present[code] = (value, allowed)
                self._find(Finding(code, t_ns, t_ns, None, None))

    # -- blocks ----------------------------------------------------------------------------------------

    def _block(self, block: Block) -> None:
        self._off_seen = False
        self._ring.append(block)
        monitor, supply = self._coefficient, self._supply
        if not block.follows:
            monitor.gap()
            supply.gap()
        if not self._both:
            self._one_sensor(block)
            if self._flow_fitted:
                self._roughness(block)
            return
        before = monitor.noise
        state = monitor.update(block.coefficient)
        if before is None and monitor.noise is not None:
            self._learned()
        self._roughness(block)
        if state:
            self._changed(block)
            return  # what the supply does is not told apart from it
        self._pending = 0
        if self._held:
            self._drop_change()
        if self.learned is not None:
            self._supplied(block)

    def _learned(self) -> None:
        """C is known: is it what the catch test, or an earlier run, says?"""
        noise = self._coefficient.noise
        if noise is None:
            return
        flow = root = 0.0
        for block in self._ring:
            flow += block.flow_l_min
            root += sqrt(block.pressure_kpa)
        n = len(self._ring)
        self._flow_level, self._pressure_level = flow / n, (root / n) * (root / n)
        self.learned = now = measured(self._rig, noise.mean, 100 * noise.mean_sd / noise.mean)
        should = self._expected
        if should is None:
            return
        off = now.value / should.value - 1
        if abs(off) <= self._start_limit():
            return
        u_pct = 50 * self._start_limit()
        nozzles, confidence = self._count(off, u_pct / 100)
        self._put("start_mismatch", off, self._start_limit())
        self._find(
            Finding(
                "start_mismatch", self._ring[-1].t_ns, self._ring[0].t_ns, 100 * off, 2 * u_pct,
                nozzles=nozzles, confidence=confidence, flow_l_min=self._at_calibrated(now.value),
            )
        )  # fmt: skip

    def _start_limit(self) -> float:
        """How far C may be from what it should be: its expanded uncertainty, or what matters if more."""
        should, now = self._expected, self.learned
        if should is None or now is None:
            return self._change
        u = now.u_pct
        if self._rig.diagnosis.start_flow_l_min is not None:
            u = 0.0  # the same sensors: what they have in common is in both
        return max(2 * sqrt(should.u_pct * should.u_pct + u * u) / 100, self._change)

    def _changed(self, block: Block) -> None:
        """The monitor of C has found a change."""
        self._pending += 1
        if self._held:
            self._held += 1
            return
        if self._pending <= _CONFIRM:
            return
        should = self._expected
        if "start_mismatch" in self.present and should is not None:
            recent = 0.0
            for near in list(self._ring)[-_CONFIRM:]:
                recent += near.coefficient
            if abs(recent / (_CONFIRM * should.value) - 1) <= self._start_limit():
                # what was wrong since the start is right now: that is how it should be
                del self.present["start_mismatch"]
                self._coefficient.restart()
                self._supply.restart()
                self._ring.clear()
                self.learned = None
                self._pending = 0
                return
        evidence, since_ns, u = self._evidence()
        enough = (_SHARP_SHARE if evidence.sharp else 1.0) * self._change
        if abs(evidence.change) < enough and self._pending < _CONFIRM_SLOW:
            return
        self._held = 1
        self._name(block.t_ns, evidence, since_ns, u)

    def _name(self, t_ns: int, evidence: Evidence, since_ns: int, u: float) -> None:
        """Weigh the evidence and say what it is."""
        self._weighed = (evidence, since_ns, u)
        code = next(cause.code for cause in CAUSES if cause.holds(evidence))
        nozzles = confidence = None
        if code == "nozzles_plugged":
            nozzles, confidence = self._count(evidence.change, u)
        limit = self._change
        if code == "flowmeter_unsteady":
            self.present[code] = (None, None)
        else:
            self._put(code, evidence.change, limit)
        noise = self._coefficient.noise
        level = noise.mean if noise else 0.0
        self._find(
            Finding(
                code, t_ns, since_ns, 100 * evidence.change, 200 * u, 100 * evidence.flow_change,
                100 * evidence.pressure_change, evidence.sharp, nozzles, confidence,
                self._at_calibrated(level * (1 + evidence.change)),
            )
        )  # fmt: skip

    def _evidence(self) -> tuple[Evidence, int, float]:
        """What the newest blocks say, when it began, and the standard uncertainty of the change of C.

        For every block that it may have begun with: how much of the scatter a step would explain since
        then, S1^2 / n, and how much a ramp, S2^2 / (sum of i^2). It is a ramp if that is clearly better.
        """
        noise = self._coefficient.noise
        level = noise.mean if noise else 1.0
        blocks = list(self._ring)
        y = [block.coefficient / level - 1 for block in blocks]
        step_best = ramp_best = 0.0
        step_length = ramp_length = 1
        total = aged = 0.0
        for j, off in enumerate(reversed(y)):
            total += off
            aged += j * off
            n = j + 1
            step = total * total / n
            slope = n * total - aged
            ramp = slope * slope * 6 / (n * (n + 1) * (2 * n + 1))
            if step > step_best:
                step_best, step_length = step, n
            if ramp > ramp_best and n > 2 * _CONFIRM:
                ramp_best, ramp_length = ramp, n
        scatter = noise.sd / level if noise else 0.0
        sharp = ramp_best < step_best + _CLEARLY * scatter * scatter
        length = step_length if sharp else ramp_length
        begin = len(blocks) - length
        far = _NEAR if sharp else _FAR
        earlier = blocks[max(begin - far, 0) : begin]
        later = blocks[begin + 1 :] if length > _CONFIRM else blocks[begin:]
        later = later[-far // 2 :] if not sharp else later[:_MOST_LATER]
        if len(earlier) >= _FEWEST:
            flow0, pressure0 = _means(earlier)
        else:
            flow0, pressure0 = self._flow_level, self._pressure_level
        flow1, pressure1 = _means(later)
        change = 0.0
        for block in later:
            change += block.coefficient / level - 1
        change /= len(later)
        rest = 0.0
        if self._rest_first is not None and self._rest_now is not None:
            rest = (self._rest_now - self._rest_first) / pressure1
        evidence = Evidence(
            change or 1e-9, flow1 / flow0 - 1, pressure1 / pressure0 - 1, sharp, self._jumps(later), rest,
            self._change,
        )  # fmt: skip
        u = _U_LEAST
        if noise is not None:
            sd = noise.sd / level
            long_run = (1 + noise.phi) / (1 - noise.phi)
            mean = noise.mean_sd / level
            u = sqrt(u * u + sd * sd * long_run / len(later) + mean * mean)
        return evidence, blocks[begin].t_ns, u

    def _jumps(self, blocks: list[Block]) -> bool:
        """The meter is unsteady in these blocks, and the pressure is not."""
        base = self._rough_base
        if base is None:
            return False
        flow = pressure = 0.0
        for block in blocks:
            flow += block.flow_roughness
            pressure += block.pressure_roughness
        n = len(blocks)
        return flow > _ROUGH * n * base[0] and pressure < _ROUGH_OVER * n * base[1]

    def _count(self, change: float, u: float) -> tuple[int | None, float | None]:
        """How many nozzles; None where it is less than half of one, or C did not fall."""
        if -change * self._nozzles < 0.5:
            return None, None
        return plugged(change, u, self._nozzles)

    def _drop_change(self) -> None:
        self._held = 0
        for code in {cause.code for cause in CAUSES}:
            if code != "flowmeter_unsteady" or self._rough_high < _ROUGH_WINDOWS:
                self.present.pop(code, None)

    def _at_calibrated(self, coefficient: float) -> float | None:
        return None if self._cal_kpa is None else coefficient * sqrt(self._cal_kpa)

    # -- supply ----------------------------------------------------------------------------------------

    def _supplied(self, block: Block) -> None:
        """Flow and root of pressure, each against its level: what is less off is common to both."""
        flow = block.flow_l_min / self._flow_level
        root = sqrt(block.pressure_kpa / self._pressure_level)
        state = self._supply.update(flow if flow > root else root)
        if state < 0:
            if self._supply_pending == 0:
                self._supply_since_ns = block.t_ns
            self._supply_pending += 1
        else:
            self._supply_pending = 0
            if "supply_weak" in self.present:
                del self.present["supply_weak"]
        self._risen = self._risen + 1 if state > 0 else 0
        if self._risen > _RISEN or self._supply_pending > _NEW_NORMAL:
            # more pressure is the driver's doing; less, for long and steady, is taken for it in the end
            self.present.pop("supply_weak", None)
            self._supply.restart()
            recent = list(self._ring)[-_CONFIRM_SUPPLY:]
            self._flow_level, self._pressure_level = _means(recent)
            self._supply_pending = self._risen = 0
        elif self._supply_pending >= _CONFIRM_SUPPLY and "supply_weak" not in self.present:
            recent = list(self._ring)[-_FEWEST:]
            flow1, pressure1 = _means(recent)
            # the level was learned from little; the monitor has learned from more since
            noise = self._supply.noise
            level = noise.mean if noise else 1.0
            flow_change = flow1 / (self._flow_level * level) - 1
            if flow_change > -_STILL * self._change:
                return  # it is over, the chart only does not know it yet
            self._put("supply_weak", flow_change, self._change)
            self._find(
                Finding(
                    "supply_weak", block.t_ns, self._supply_since_ns, 100 * flow_change, None,
                    100 * flow_change,
                    100 * (pressure1 / (self._pressure_level * level * level) - 1),
                )
            )  # fmt: skip

    # -- one sensor alone ------------------------------------------------------------------------------

    def _one_sensor(self, block: Block) -> None:
        """Without the other, whether nozzles, supply or the sensor itself changed cannot be told."""
        monitor = self._coefficient
        state = monitor.update(block.flow_l_min if self._flow_fitted else sqrt(block.pressure_kpa))
        if state == 0:
            self._held = self._pending = 0
            self.present.pop("output_changed", None)
            return
        self._pending += 1
        if self._pending > _NEW_NORMAL:
            self._pending = self._held = 0
            self.present.pop("output_changed", None)
            monitor.restart()
        elif self._pending == _CONFIRM_SUPPLY and monitor.noise is not None:
            recent = list(self._ring)[-_CONFIRM_SUPPLY:]
            flow, pressure = _means(recent)
            now = flow if self._flow_fitted else sqrt(pressure)
            change = now / monitor.noise.mean - 1
            self._put("output_changed", change, self._change)
            self._find(
                Finding(
                    "output_changed", block.t_ns, recent[0].t_ns, 100 * change, None,
                    100 * change if self._flow_fitted else None,
                    None if self._flow_fitted else 100 * ((1 + change) * (1 + change) - 1),
                )
            )  # fmt: skip

    # -- unsteady meter --------------------------------------------------------------------------------

    def _roughness(self, block: Block) -> None:
        """Air in the meter makes its reading jump from sample to sample, and not the pressure's."""
        sums = self._rough_sums
        sums[0] += block.flow_roughness
        sums[1] += block.pressure_roughness
        self._rough_n += 1
        base = self._rough_base
        if base is None:
            if self._rough_n >= self._n_rough:
                n = self._rough_n
                self._rough_base = (max(sums[0] / n, _ROUGH_LEAST), max(sums[1] / n, _ROUGH_LEAST))
                self._rough_n = 0
                sums[0] = sums[1] = 0.0
            return
        if self._rough_n < _ROUGH_WINDOW:
            return
        flow = sums[0] / (_ROUGH_WINDOW * base[0])
        pressure = sums[1] / (_ROUGH_WINDOW * base[1])
        self._rough_n = 0
        sums[0] = sums[1] = 0.0
        code = "flowmeter_unsteady"
        if flow > _ROUGH and pressure < _ROUGH_OVER:
            self._rough_high += 1
            self._rough_calm = 0
            if self._rough_high >= _ROUGH_WINDOWS and code not in self.present:
                self.present[code] = (None, None)
                self._find(Finding(code, block.t_ns, block.t_ns - 15_000_000_000, None, None))
        elif flow < _ROUGH_OVER:
            self._rough_calm += 1
            if code not in self.present:
                self._rough_high = 0
            elif self._rough_calm >= _ROUGH_WINDOWS:
                self._rough_high = 0
                if not self._held:
                    del self.present[code]

    # -- at rest ---------------------------------------------------------------------------------------

    def _rested(self) -> None:
        """The boom was off for a while: what did the transducer say of no pressure?"""
        mean, n = self._off_sum / self._off_n, self._off_n
        self._off_n = 0
        if n < _REST_FEWEST or self._cal_kpa is None or mean > _REST_SHARE * self._cal_kpa:
            return
        if self._rest_first is None:
            self._rest_first = mean
        self._rest_now = mean
        if self._held and self._weighed is not None and "pressure_drift" not in self.present:
            # what looked like nozzles or a leak is seen with the boom off too
            evidence, since_ns, u = self._weighed
            level = self._pressure_level * (1 + evidence.pressure_change)
            evidence = evidence._replace(rest_shift=(mean - self._rest_first) / level)
            if evidence.rest_explains:
                self._drop_change()
                self._held = 1
                self._name(self._ring[-1].t_ns, evidence, since_ns, u)

    def _put(self, code: str, change: float, limit: float) -> None:
        self.present[code] = (100 * change, 100 * (limit if change > 0 else -limit))

    def _find(self, finding: Finding) -> None:
        if len(self.findings) < _MEMORY:
            self.findings.append(finding)


def _means(blocks: list[Block]) -> tuple[float, float]:
    """Mean flow, and the pressure whose root is the mean root."""
    flow = root = 0.0
    for block in blocks:
        flow += block.flow_l_min
        root += sqrt(block.pressure_kpa)
    n = len(blocks)
    return flow / n, (root / n) * (root / n)
