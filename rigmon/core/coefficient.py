"""The flow coefficient of the boom, C = Q / sqrt(P): the same at every pressure, as long as the nozzles are.

By the orifice law a nozzle's flow goes with the square root of the pressure (ISO 5682; any text on nozzles),
so for a boom of N equal nozzles C is N times one nozzle's, whatever speed or pressure the driver chooses. One
of N plugged changes it by -1/N; a leak behind the meter raises it. Its relative standard uncertainty is
sqrt(u(Q)^2 + (u(P)/2)^2), relative ones (JCGM 100:2008, 5.1.6).

`BoomOn` makes blocks of about a second from what is measured while the boom is on and has settled. Settling
and the lag between the two sensors are measured where the boom switches on: the effective lag of a signal x
that rises to x_end is the centroid of its rise, the integral of 1 - x / x_end (for a first-order sensor
behind a dead time: the dead time plus the time constant). The sensor that is ahead is held back by the
difference.
"""

from collections import deque
from collections.abc import Sequence
from math import sqrt
from typing import Final, NamedTuple

from rigmon.rig import Rig

#: a block closes when it has so much
_BLOCK_NS: Final = 950_000_000
#: a rise is looked at for so long; its end value is what comes after the second
_RISE_NS: Final = 8_000_000_000
_END_NS: Final = 5_000_000_000
#: settled: the mean of a second this near to the end value, and so much more to be sure
_SETTLED_WITHIN: Final = 0.03
_MARGIN_NS: Final = 1_000_000_000
#: while fewer rises than this were seen, so long is waited; never less, never more than
_RISES: Final = 2
_WAIT_NS: Final = 4_000_000_000
_LEAST_NS: Final = 1_500_000_000
#: lags below this are within the error of the measurement; above it something else is the matter
_LAG_NS: Final = 100_000_000
_LAG_MOST_NS: Final = 3_000_000_000


class Block(NamedTuple):
    """Means over about a second with the boom on and settled; 1 for a sensor that is not fitted."""

    t_ns: int  #: its end
    flow_l_min: float
    pressure_kpa: float
    coefficient: float  #: L/min per sqrt(kPa)
    flow_roughness: float  #: mean square of the flow's steps from sample to sample, relative
    pressure_roughness: float
    follows: bool  #: on the block before, without a gap


class BoomOn:
    """Makes blocks. `settling_ns` and `lag_ns` (of the flow behind the pressure) are what it goes by now."""

    __slots__ = (
        "_ahead",
        "_align",
        "_before",
        "_dt_ns",
        "_fixed",
        "_lags",
        "_on_ns",
        "_rise",
        "_settlings",
        "_values",
        "lag_ns",
        "settling_ns",
    )

    def __init__(self, settling_s: float | None = None, *, align: bool = True) -> None:
        self._align = align
        self._fixed = settling_s is not None
        self.settling_ns = _WAIT_NS if settling_s is None else round(settling_s * 1e9)
        self.lag_ns = 0
        self._on_ns: int | None = None
        self._rise: list[tuple[int, float, float]] | None = None  #: (stamp, flow, root of the pressure)
        self._settlings: deque[int] = deque(maxlen=7)
        self._lags: deque[int] = deque(maxlen=7)
        self._ahead: deque[tuple[int, float]] = deque(maxlen=128)  # the sensor that is held back
        self._values: list[tuple[float, float]] = []  # of the block that is being filled
        self._before: tuple[float, float] | None = None  # the last of the block before
        self._dt_ns = 0

    def off(self) -> None:
        """The boom is off, or its state or a sensor unknown: what was begun is dropped."""
        if self._on_ns is not None:
            self._on_ns = None
            self._rise = None
            self._before = None
            self._ahead.clear()
            self._values.clear()
            self._dt_ns = 0

    def take(
        self, t_ns: int, dt_ns: int, flow_l_min: float, pressure_kpa: float, *, seen_off: bool
    ) -> Block | None:
        """One sample with the boom on; returns a block when one is full. Both must be above zero.

        `seen_off`: the boom was seen off before this, so that the rise is all there.
        """
        on_ns = self._on_ns
        if on_ns is None:
            self._on_ns = on_ns = t_ns - dt_ns
            self._rise = [] if seen_off else None
        age_ns = t_ns - on_ns
        if self._rise is not None:
            self._rise.append((t_ns, flow_l_min, sqrt(pressure_kpa)))
            if age_ns >= _RISE_NS:
                self._measure(on_ns, self._rise)
                self._rise = None
        if self.lag_ns:
            held = self._ahead
            late = self.lag_ns > 0  # the flow is: the pressure waits for it
            held.append((t_ns, pressure_kpa if late else flow_l_min))
            due_ns = t_ns - (self.lag_ns if late else -self.lag_ns)
            while len(held) > 1 and held[1][0] <= due_ns:
                held.popleft()
            if late:
                pressure_kpa = held[0][1]
            else:
                flow_l_min = held[0][1]
        if age_ns <= self.settling_ns:
            return None
        self._values.append((flow_l_min, pressure_kpa))
        self._dt_ns += dt_ns
        if self._dt_ns < _BLOCK_NS:
            return None
        self._dt_ns = 0
        return self._block(t_ns)

    def _block(self, t_ns: int) -> Block:
        flow_sum = pressure_sum = flow_steps = pressure_steps = 0.0
        before = self._before
        steps = len(self._values) - (before is None)
        for value in self._values:
            flow, pressure = value
            flow_sum += flow
            pressure_sum += pressure
            if before is not None:
                step = flow - before[0]
                flow_steps += step * step
                step = pressure - before[1]
                pressure_steps += step * step
            before = value
        n = len(self._values)
        follows, self._before = self._before is not None, before
        self._values.clear()
        flow, pressure = flow_sum / n, pressure_sum / n
        steps = steps or 1
        return Block(
            t_ns, flow, pressure, flow / sqrt(pressure),
            flow_steps / (steps * flow * flow), pressure_steps / (steps * pressure * pressure), follows,
        )  # fmt: skip

    def _measure(self, on_ns: int, rise: Sequence[tuple[int, float, float]]) -> None:
        """Settling time and lag of one rise."""
        n = 0
        flow_end = root_end = 0.0
        for t_ns, flow, root in rise:
            if t_ns - on_ns > _END_NS:
                flow_end += flow
                root_end += root
                n += 1
        if n == 0:
            return
        flow_end, root_end = flow_end / n, root_end / n
        lag = 0.0
        before_ns = on_ns
        settled_ns = 0
        window: deque[tuple[int, float, float]] = deque()
        for t_ns, flow, root in rise:
            lag += (root / root_end - flow / flow_end) * (t_ns - before_ns)
            before_ns = t_ns
            window.append((t_ns, flow, root))
            while t_ns - window[0][0] >= 1_000_000_000:
                window.popleft()
            flow_mean = root_mean = 0.0
            for _, a, b in window:
                flow_mean += a
                root_mean += b
            flow_off = flow_mean / (len(window) * flow_end) - 1
            root_off = root_mean / (len(window) * root_end) - 1
            if abs(flow_off) > _SETTLED_WITHIN or abs(root_off) > _SETTLED_WITHIN:
                settled_ns = t_ns - on_ns
        self._settlings.append(settled_ns)
        if -_LAG_MOST_NS < lag < _LAG_MOST_NS:
            self._lags.append(int(lag))
        if len(self._settlings) >= _RISES and not self._fixed:
            longest = sorted(self._settlings)[len(self._settlings) // 2] + _MARGIN_NS
            self.settling_ns = min(max(longest, _LEAST_NS), _RISE_NS)
        if self._align and len(self._lags) > _RISES:
            middle = sorted(self._lags)[len(self._lags) // 2]
            lag_ns = middle if abs(middle) >= _LAG_NS else 0
            if lag_ns != self.lag_ns:
                self.lag_ns = lag_ns
                self._ahead.clear()


class Coefficient(NamedTuple):
    """A flow coefficient [L/min per sqrt(kPa)] and its relative standard uncertainty [%]."""

    value: float
    u_pct: float

    def flow_l_min(self, pressure_kpa: float) -> float:
        """The boom's flow at a pressure [L/min]: how a person reads it."""
        return self.value * sqrt(pressure_kpa)


def by_catch_test(rig: Rig) -> Coefficient | None:
    """What C should be by the catch test, with the pressure's own uncertainty; None without its pressure."""
    cal = rig.calibration
    if cal is None or cal.pressure_kpa is None:
        return None
    half_p = rig.pressure.uncertainty_pct / 2
    u = cal.uncertainty_pct
    return Coefficient(cal.flow_l_min / sqrt(cal.pressure_kpa), sqrt(u * u + half_p * half_p))


def by_earlier_run(rig: Rig, flow_l_min: float) -> Coefficient | None:
    """What C should be by the boom flow at calibration.pressure that an earlier run ended with.

    It shares the sensors' errors, and only what changes from day to day is left: half of theirs. None without
    a calibrated pressure.
    """
    cal = rig.calibration
    if cal is None or cal.pressure_kpa is None:
        return None
    half_p = rig.pressure.uncertainty_pct / 2
    sensors = rig.flow.uncertainty_pct * rig.flow.uncertainty_pct + half_p * half_p
    return Coefficient(flow_l_min / sqrt(cal.pressure_kpa), sqrt(sensors) / 2)


def boom_key(rig: Rig) -> str:
    """Runs with the same key are made with the same boom, catch test and sensors: their C is one."""
    return repr((rig.nozzle_count, rig.nozzles, rig.calibration, rig.flow, rig.pressure))


def measured(rig: Rig, value: float, scatter_pct: float) -> Coefficient:
    """What was learned from blocks: `scatter_pct` is their mean's standard deviation [%]."""
    half_p = rig.pressure.uncertainty_pct / 2
    u = rig.flow.uncertainty_pct
    return Coefficient(value, sqrt(u * u + half_p * half_p + scatter_pct * scatter_pct))
