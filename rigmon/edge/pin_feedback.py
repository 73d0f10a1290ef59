"""The thread behind lights and buzzer: patterns on pins, from the newest sample and the alerts that are up.

`publish` leaves the newest sample in a slot and returns; the thread wakes for it, and for the next change
of a pattern. So a pin that hangs holds up nobody, and what is shown is never older than the newest sample.
"""

import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import Final

from rigmon.edge.outputs import OutputPin
from rigmon.edge.signals import Light, Signal, Sound, changes_in_s, level, signal
from rigmon.model import Act, Alert, Output, Sample
from rigmon.rig import Rig

#: a wait is never shorter: rounding must not make the thread spin
_SHORTEST_S: Final = 0.002


class PinFeedback(ABC):
    """Shows patterns on pins, one pattern a pin. The makers of lights and buzzer derive from it.

    The pins are opened at once, so that a rig file asking for what is not there is refused before the run;
    they go off and are given back at `stop`. Raises what `open_pins` raises.
    """

    #: what the person calls it
    name = "pins"

    def __init__(
        self,
        rig: Rig,
        open_pins: Callable[[], list[OutputPin]],
        *,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.trouble: str | None = None
        self._rig = rig
        self._open_pins = open_pins
        self._monotonic_s: Final = monotonic_s
        self._pins = open_pins()
        self._news = threading.Condition()
        self._fresh = False
        self._sample: Sample | None = None  # the slot: newest wins
        self._seen_s = 0.0
        self._raised_s: dict[str, float] = {}
        self._acknowledged: set[str] = set()
        self._done = False
        self._thread: threading.Thread | None = None
        self._start_s = 0.0
        self._signal: Signal | None = None
        self._shown: list[bool | None] = []
        self._patterns: list[Light | Sound | None] = []
        self._began_s: list[float] = []

    # -- what lights and buzzer differ in ------------------------------------------------------------

    @abstractmethod
    def patterns(self, shown: Signal) -> Sequence[Light | Sound]:
        """The pattern of each pin."""

    @abstractmethod
    def test(self, t_s: float) -> tuple[Sequence[bool], float | None]:
        """Pins that are on `t_s` after the start, and when that changes [s]; None: the test is over."""

    # -- the daemon's side ---------------------------------------------------------------------------

    def start(self) -> None:
        """Start the thread, with the test first. After a stop it opens the pins anew."""
        if not self._pins:
            self._pins = self._open_pins()
        self.begin()
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
        self._thread.start()

    def begin(self) -> None:
        """Forget what was; the test begins now."""
        self.trouble = None
        self._done = self._fresh = False
        self._sample = self._signal = None
        self._raised_s.clear()
        self._acknowledged.clear()
        self._start_s = self._seen_s = self._monotonic_s()
        n = len(self._pins)
        self._shown, self._patterns, self._began_s = [None] * n, [None] * n, [0.0] * n

    def publish(self, outputs: Sequence[Output]) -> None:
        """Take what the core made. Returns at once, whatever the pins do."""
        with self._news:
            for output in outputs:
                kind = type(output)
                if kind is Sample:
                    self._sample = output  # type: ignore[assignment]
                    self._seen_s = self._monotonic_s()
                    self._fresh = True
                elif kind is Alert:
                    self._change(output)  # type: ignore[arg-type]
                    self._fresh = True
                elif kind is Act and output.kind == "acknowledge":  # type: ignore[union-attr]
                    self._acknowledged.add(output.text)  # type: ignore[union-attr]
                    self._fresh = True
            if self._fresh:
                self._news.notify()

    def use(self, rig: Rig) -> None:
        """Show by this rig from now on: the target was changed."""
        with self._news:
            self._rig = rig

    def _change(self, alert: Alert) -> None:
        self._acknowledged.discard(alert.code)  # what comes again was not acknowledged
        if alert.raised:
            self._raised_s.setdefault(alert.code, self._monotonic_s())
        else:
            self._raised_s.pop(alert.code, None)

    def tell(self, t_ns: int, text: str) -> None:  # noqa: B027 - not for its makers to fill in
        """Lights and buzzers have no words."""

    def stop(self, timeout_s: float = 1.0) -> None:
        """All off, and the pins given back; a pin that hangs is left alone after `timeout_s`."""
        if self._thread is None:
            self._all_off()
            return
        with self._news:
            self._done = True
            self._news.notify()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            self.trouble = self.trouble or f"{self.name}: a pin hangs"
        self._thread = None

    # -- the thread's side ---------------------------------------------------------------------------

    def step(self) -> float | None:
        """Set the pins as they must be now. Returns when they must be looked at again [s]; None: on news."""
        now_s = self._monotonic_s()
        levels, wait_s = self.test(now_s - self._start_s)
        if wait_s is None:
            levels, wait_s = self._levels(now_s)
        for i, (pin, on) in enumerate(zip(self._pins, levels, strict=True)):
            if self._shown[i] is not on:
                (pin.on if on else pin.off)()
                self._shown[i] = on
        return None if wait_s is None else max(wait_s, _SHORTEST_S)

    def _levels(self, now_s: float) -> tuple[Sequence[bool], float | None]:
        with self._news:
            sample, age_s = self._sample, now_s - self._seen_s
            alerts = {code: now_s - raised_s for code, raised_s in self._raised_s.items()}
            acknowledged, rig = frozenset(self._acknowledged), self._rig
        self._signal = signal(sample, alerts, rig, age_s, self._signal, acknowledged)
        waits = [changes_in_s(alerts, age_s)]
        levels = []
        for i, pattern in enumerate(self.patterns(self._signal)):
            if pattern is not self._patterns[i]:
                self._patterns[i], self._began_s[i] = pattern, now_s
            on, wait_s = level(pattern, now_s - self._began_s[i])
            levels.append(on)
            waits.append(wait_s)
        return levels, min((wait_s for wait_s in waits if wait_s is not None), default=None)

    def _run(self) -> None:
        try:
            while True:
                wait_s = self.step()
                with self._news:
                    if not self._done and not self._fresh:
                        self._news.wait(wait_s)
                    self._fresh = False
                    if self._done:
                        return
        except Exception as error:  # gpiozero and its pin libraries raise many kinds
            self.trouble = f"{self.name}: no signals any more: {error}"
        finally:
            self._all_off()

    def _all_off(self) -> None:
        pins, self._pins = self._pins, []
        for pin in pins:
            try:
                pin.off()
                pin.close()
            except Exception as error:
                self.trouble = self.trouble or f"{self.name}: may have stayed on: {error}"
