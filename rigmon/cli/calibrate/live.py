"""Readings of a fitted sensor while a person calibrates: the daemon's own sources, into a capture."""

import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, Generic, Literal, Protocol, TypeVar

from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.result import System
    from rigmon.edge.hub import Hub
    from rigmon.model import Reading
    from rigmon.rig import Rig

#: no reading comes so late
_FOREVER_NS: Final = 1 << 62
#: how long the first reading is waited for; a sensor node speaks once a second or more often
_FIRST_S: Final = 6.0


class Capture(Protocol):
    """Takes readings; see `rigmon.calibration.capture`."""

    def feed(self, reading: "Reading") -> None: ...

    @property
    def shows(self) -> str: ...

    @property
    def newest_ns(self) -> int: ...


C = TypeVar("C", bound=Capture)


class Live(Generic[C]):
    """A capture that is being fed on another thread: use it inside `held()` alone."""

    def __init__(self, capture: C, hub: "Hub") -> None:
        self._capture = capture
        self._hub = hub
        self._changed = threading.Condition()
        self.trouble = ""  #: what the newest fault of a source said

    @contextmanager
    def held(self) -> Iterator[C]:
        """The capture, while no reading comes in."""
        with self._changed:
            yield self._capture

    def now_ns(self) -> int:
        """This moment on the readings' clock."""
        return self._hub.clock.now_ns()

    def wait_first(self) -> None:
        """Wait until the sensor has spoken. Raises UsageError when it does not."""
        until = time.monotonic() + _FIRST_S
        with self._changed:
            while not self._capture.shows and (left := until - time.monotonic()) > 0:
                self._changed.wait(left)
            if not self._capture.shows:
                why = f" ({self.trouble})" if self.trouble else ""
                raise UsageError(
                    f"the sensor says nothing{why}; check its wiring, and its pin, or its port and xdr_name, "
                    "in the rig file; or type the readings in without --live"
                )

    def wait_until(self, t_ns: int) -> None:
        """Wait until the readings' clock shows `t_ns`."""
        while (left_s := (t_ns - self.now_ns()) / 1e9) > 0:
            time.sleep(left_s)

    def wait_beyond(self, t_ns: int, at_most_ns: int) -> None:
        """Wait for a report of after `t_ns`, no longer than `at_most_ns`: a sensor at rest may be silent."""
        with self._changed:
            while (
                self._capture.newest_ns <= t_ns and (left_s := (t_ns + at_most_ns - self.now_ns()) / 1e9) > 0
            ):
                self._changed.wait(left_s)

    def run(self) -> None:
        """The thread: from the hub to the capture until the hub is closed."""
        from rigmon.model import SourceFault

        while (reading := self._hub.next(_FOREVER_NS)) is not None:
            with self._changed:
                self._capture.feed(reading)
                if isinstance(reading.payload, SourceFault) and reading.payload.kind != "opened":
                    self.trouble = reading.payload.detail
                self._changed.notify_all()


def said(shows: str, system: "System") -> str:
    """What a sensor last said, in the reader's units; counts and pulses stay as they are."""
    from rigmon import units
    from rigmon.calibration.result import amount

    for dimension in ("flow", "volume", "pressure"):
        try:
            value = units.parse(shows, dimension)
        except units.UnitError:
            continue
        return amount(value, dimension, system, 4)
    return shows


@contextmanager
def live(rig: "Rig", capture: C, section: Literal["flow", "pressure"]) -> Iterator[Live[C]]:
    """Feed `capture` from the sensor of that section: its pins where it is wired, else the rig's ports.

    The other sensors are left alone: a meter can be calibrated on a bench without a receiver. Raises
    UsageError for ports that can never work and for pins that cannot be had.
    """
    from rigmon import daemon
    from rigmon.edge.hub import Hub, MonotonicClock
    from rigmon.edge.wired import is_wired, wired_sources

    hub = Hub(MonotonicClock())
    wired = is_wired(rig, section)
    sources: Sequence[daemon.RunSource] = (
        wired_sources(rig, hub, section) if wired else daemon.serial_sources(rig, hub)
    )
    feeding = Live(capture, hub)
    thread = threading.Thread(target=feeding.run, name="calibration", daemon=True)
    thread.start()
    started: list[daemon.RunSource] = []
    try:
        for source in sources:
            source.start()
            started.append(source)
        yield feeding
    finally:
        hub.release()
        for begun in started:
            begun.stop()
        thread.join(2.0)
