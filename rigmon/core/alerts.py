"""Alerts: one small state machine per code, with on-delay, off-delay and deadband (ISA-18.2 / IEC 62682).

    NORMAL      bad                     -> PENDING
    PENDING     bad for the on-delay    -> ACTIVE (raised);   not bad  -> NORMAL
    ACTIVE      good                    -> RECOVERING
    RECOVERING  good for the off-delay  -> NORMAL (cleared);  not good -> ACTIVE

`good` is stricter than `not bad` by the deadband. Where a condition cannot or need not be judged (the boom
is off, the speed unknown) the alert is suppressed: it goes back to NORMAL at once and says so if it was up.
"""

from enum import IntEnum

from rigmon.model import Alert
from rigmon.rig import AlertRule


class State(IntEnum):
    NORMAL = 0
    PENDING = 1
    ACTIVE = 2
    RECOVERING = 3


class AlertMachine:
    """One alert. `state` is public so that the caller can skip a quiet one cheaply."""

    __slots__ = (
        "_off_delay_ns",
        "_on_delay_m",
        "_on_delay_ns",
        "_since_m",
        "_since_ns",
        "code",
        "state",
    )

    def __init__(self, code: str, rule: AlertRule) -> None:
        self.code = code
        self.state = State.NORMAL
        self._on_delay_ns = None if rule.on_delay_s is None else round(rule.on_delay_s * 1e9)
        self._on_delay_m = rule.on_delay_m or 0.0
        self._off_delay_ns = round(rule.off_delay_s * 1e9)
        self._since_ns = 0
        self._since_m = 0.0

    @property
    def due_ns(self) -> int | None:
        """When a running delay ends if nothing changes; None where no time delay runs."""
        if self.state is State.PENDING and self._on_delay_ns is not None:
            return self._since_ns + self._on_delay_ns
        if self.state is State.RECOVERING:
            return self._since_ns + self._off_delay_ns
        return None

    def step(
        self,
        t_ns: int,
        travelled_m: float,
        bad: bool | None,
        good: bool,
        value: float | None,
        limit: float | None,
        unit: str,
    ) -> Alert | None:
        """Advance to `t_ns`. `bad` None suppresses. `travelled_m` is the distance since the run began."""
        state = self.state
        if bad is None:
            self.state = State.NORMAL
            if state is State.ACTIVE or state is State.RECOVERING:
                return Alert(t_ns, self.code, False, value, limit, unit)
            return None
        if state is State.NORMAL:
            if not bad:
                return None
            self.state = state = State.PENDING
            self._since_ns, self._since_m = t_ns, travelled_m
        if state is State.PENDING:
            if not bad:
                self.state = State.NORMAL
                return None
            if self._on_delay_ns is not None:
                over = t_ns - self._since_ns >= self._on_delay_ns
            else:
                over = travelled_m - self._since_m >= self._on_delay_m
            if not over:
                return None
            self.state = State.ACTIVE
            return Alert(t_ns, self.code, True, value, limit, unit)
        if not good:
            self.state = State.ACTIVE
            return None
        if state is State.ACTIVE:
            self.state = State.RECOVERING
            self._since_ns = t_ns
        if t_ns - self._since_ns < self._off_delay_ns:
            return None
        self.state = State.NORMAL
        return Alert(t_ns, self.code, False, value, limit, unit)
