"""The bench source: plays a recording's readings into a hub, at a pace or flat out.

It waits for room in the hub instead of dropping, so that a bench run gives the same numbers each time,
however fast or slow the machine is.
"""

import threading
import time
from collections.abc import Callable, Iterable
from typing import Final

from rigmon.edge.hub import BenchClock, Hub
from rigmon.errors import UsageError
from rigmon.model import Payload, Source


class BenchSource:
    """Puts items of (t_ns, source, payload) into a hub whose clock is `clock`, then closes the hub.

    `pace` 1 plays in real time, 10 ten times faster, None flat out. `error` holds what the items raised,
    if they did: a recording that cannot be read further ends the run, and the caller must tell why.
    """

    def __init__(
        self,
        hub: Hub,
        clock: BenchClock,
        items: Iterable[tuple[int, Source, Payload]],
        pace: float | None = 1.0,
        *,
        monotonic_s: Callable[[], float] = time.monotonic,
        wait: Callable[[float], bool] | None = None,
    ) -> None:
        """`monotonic_s` and `wait` (True: stop now) are the wall time to keep pace with.

        Raises UsageError for a pace that is not above zero.
        """
        if pace is not None and not pace > 0:
            raise UsageError(f"pace = {pace:g} must be above 0: 1 is real time, 10 ten times faster")
        self.error: Exception | None = None
        self._hub = hub
        self._clock = clock
        self._items = items
        self._pace = pace
        self._stopping = threading.Event()
        self._monotonic_s: Final = monotonic_s
        self._wait: Final = wait or self._stopping.wait
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread."""
        self._thread = threading.Thread(target=self._run, name="bench source", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Stop playing, close the hub and end the thread."""
        if self._thread is None:
            return
        self._stopping.set()
        self._hub.release()
        self._thread.join(timeout_s)
        if not self._thread.is_alive():
            self._thread = None

    def _run(self) -> None:
        why = "the recording ended"
        try:
            self._play()
        except Exception as error:
            self.error = error
            why = f"the recording cannot be read further: {error}"
        self._hub.close(why)

    def _play(self) -> None:
        start_s = self._monotonic_s()
        first_ns: int | None = None
        for t_ns, source, payload in self._items:
            if first_ns is None:
                first_ns = t_ns
            if self._pace is not None:
                due_s = start_s + (t_ns - first_ns) / (1e9 * self._pace)
                ahead_s = due_s - self._monotonic_s()
                if ahead_s > 0 and self._wait(ahead_s):
                    return
            if self._stopping.is_set() or not self._hub.put_when_room(t_ns, source, payload):
                return
            self._clock.advance(t_ns)
