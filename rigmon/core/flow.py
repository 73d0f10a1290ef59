"""Flow [L/min] from a flowmeter: an XDR flow, an XDR volume, or a cumulative pulse count."""

from collections import deque
from typing import Final

from rigmon.model import PulseCount
from rigmon.rig import FlowSensor

#: counts and volumes are differenced over about this long
_WINDOW_NS: Final = 800_000_000
#: silence after which a pulse meter is at rest: more than the slowest flow's two seconds from pulse to pulse
_REST_NS: Final = 2_500_000_000


class FlowMeter:
    """The newest flow, None while unknown; `implausible` and `reset` say what was wrong with it."""

    __slots__ = (
        "_history",
        "_opened_ns",
        "_pulses_per_l",
        "_stale_ns",
        "flow_l_min",
        "implausible",
        "maximum_l_min",
        "reset",
        "t_ns",
    )

    def __init__(self, sensor: FlowSensor) -> None:
        self.maximum_l_min = sensor.maximum_l_min
        self._pulses_per_l = sensor.pulses_per_l or 1.0
        self._stale_ns = round(sensor.stale_s * 1e9)
        self.t_ns: int | None = None
        self.flow_l_min: float | None = None
        self.implausible = False
        self.reset = False
        self._opened_ns: int | None = None  # first count of a source that has seen no pulse yet
        self._history: deque[tuple[int, float]] = deque(maxlen=256)  # (stamp, litres)

    def set_flow(self, t_ns: int, flow_l_min: float) -> None:
        """A flow as the meter states it."""
        self.t_ns = t_ns
        self.reset = False
        self._accept(flow_l_min)

    def set_volume(self, t_ns: int, volume_l: float) -> None:
        """A cumulative volume; flow is its rise over the last second or so.

        After a silence the rise since before it would say nothing of the flow now: it starts afresh.
        """
        if self.t_ns is not None and t_ns - self.t_ns > self._stale_ns:
            self._history.clear()
            self.flow_l_min = None
        self.t_ns = t_ns
        self._count(t_ns, volume_l)

    def set_pulses(self, t_ns: int, count: PulseCount) -> None:
        """A cumulative pulse count with the stamp of its newest pulse.

        Flow is pulses over the time between their own stamps (period timing), so one pulse more or less
        in a window does not show. With no new pulse it can be no more than one pulse over the wait. A source
        that opened and has seen no pulse is at rest only when that has lasted.
        """
        self.t_ns = t_ns
        litres = (count.total + count.lost) / self._pulses_per_l
        edge_ns = count.last_edge_ns
        if edge_ns is None:
            self.reset = bool(self._history)
            if self.reset or self._opened_ns is None:
                self._history.clear()
                self.flow_l_min = None
                self._opened_ns = t_ns
            if t_ns - self._opened_ns > _REST_NS:
                self._accept(0.0)
            return
        if self._history and litres == self._history[-1][1]:
            self.reset = False
            waited_ns = t_ns - self._history[-1][0]
            if waited_ns > _REST_NS:
                self._accept(0.0)
            elif waited_ns > 0 and self.flow_l_min is not None:
                self._accept(min(self.flow_l_min, 60e9 / (self._pulses_per_l * waited_ns)))
            return
        if self._history and edge_ns - self._history[-1][0] > _REST_NS:
            # the first pulse after a rest says nothing of the rate: start from it
            self._history.clear()
        self._count(edge_ns, litres)

    def _count(self, t_ns: int, litres: float) -> None:
        history = self._history
        self.reset = bool(history) and litres < history[-1][1]
        if self.reset:
            history.clear()
            self.flow_l_min = None
        elif history and t_ns <= history[-1][0]:
            if t_ns < history[-1][0]:
                history.clear()
            else:
                return  # the first of several with one stamp stands for it
        history.append((t_ns, litres))
        while len(history) > 2 and t_ns - history[1][0] >= _WINDOW_NS:
            history.popleft()
        t0_ns, litres0 = history[0]
        if t_ns > t0_ns:
            self._accept((litres - litres0) * 60e9 / (t_ns - t0_ns))

    def _accept(self, flow_l_min: float) -> None:
        self.implausible = not 0 <= flow_l_min <= self.maximum_l_min
        self.flow_l_min = None if self.implausible else flow_l_min
