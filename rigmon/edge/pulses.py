"""Flow pulses of a meter wired to the board: a cumulative count into the hub, ten times a second.

Two readers count rising edges behind one interface. `GpiozeroPulses` (here) works wherever gpiozero does;
`GpiodPulses` (`rigmon.edge.pulses_gpiod`) is taken where libgpiod 2's Python package is installed.

What can be lost, and what can be known of it:

- Electrically: a pulse that is too short, too weak or bounces. Nothing after the pin can know; there is no
  software debounce on purpose, for it drops short pulses. Filter in hardware.
- In the kernel: it holds edges in a buffer until they are fetched, and drops the oldest when that is full.
  The kernel numbers all edges, so `GpiodPulses` knows to the pulse how many are missing: they are in
  `PulseCount.lost`, and a row of the run says so. Its buffer is of 1024 edges: half a second at 2000 Hz.
- Between the kernel and gpiozero: lgpio leaves the buffer at 16 edges (8 ms at 2000 Hz), drops the edges'
  numbers, and drops what does not fit into its pipe to Python (4096 edges: 2 s at 2000 Hz) without a word. So
  `GpiozeroPulses` cannot know of a loss: its `lost` is 0, meaning that none is known.
"""

from typing import Any, Final, Protocol

from rigmon.edge.board import InputPin
from rigmon.edge.hub import Clock, Hub
from rigmon.edge.paced import FIRST_RETRY_S, LONGEST_RETRY_S, PacedThread
from rigmon.errors import UsageError
from rigmon.model import PulseCount, Source, SourceFault

#: a count is handed over this often, also when no pulse came: silence is known to be rest then
EVERY_S: Final = 0.1
#: losses are told this often at most
_FAULT_EVERY_NS: Final = 1_000_000_000


class PulseReader(Protocol):
    """Counts the rising edges of one pin from open() to close()."""

    @property
    def about(self) -> str:
        """The pin and how it is read, for the run's rows."""
        ...

    def open(self) -> None:
        """Claim the pin and begin to count from 0. Raises UsageError that names the rig file's key."""
        ...

    def read(self) -> PulseCount:
        """The count so far, stamps on the readings' clock. Returns at once. Raises whatever went wrong."""
        ...

    def close(self) -> None:
        """Let go of the pin. May be called twice, and without open()."""
        ...


class GpiozeroPulses:
    """Rising edges at pin level through gpiozero.

    Not through its DigitalInputDevice, whose state machine ignores a rise that follows a rise: after a lost
    fall it miscounts. Only rising edges are asked for, so that the kernel's small buffer holds twice as many
    pulses; where falling edges come all the same (lgpio passes on whatever the pin's line was asked for) the
    level tells them apart, as it does lgpio's watchdog reports (level 2).

    The stamp is the kernel's, as lgpio hands it on: CLOCK_MONOTONIC.
    """

    def __init__(self, factory: Any, pin: int, pull: str, clock: Clock) -> None:
        self._factory = factory
        self._number = pin
        self._pull = pull
        self._clock = clock
        self._pin: InputPin | None = None

    @property
    def about(self) -> str:
        return f"flow.pin = {self._number} through gpiozero, which cannot know of lost pulses"

    def open(self) -> None:
        self._pin = pin = InputPin(self._factory, self._number, self._pull, "flow.pin")
        self._stamp = pin.stamps(self._clock.now_ns)
        count = 0
        #: count and newest stamp in one slot, so that the other thread sees both of one edge
        self._newest = newest = [(0, None)]  # type: list[tuple[int, Any]]

        def edge(ticks: Any, level: Any) -> None:
            nonlocal count
            if level == 1:
                count += 1
                newest[0] = (count, ticks)

        try:
            pin.listen("rising", edge)
        except Exception as error:  # lgpio's own
            self.close()
            raise UsageError(f"flow.pin = {self._number} gives no edges: {error}") from error

    def read(self) -> PulseCount:
        if self._pin is not None:
            self._pin.check_alive()
        count, ticks = self._newest[0]
        return PulseCount(count, None if ticks is None else self._stamp(ticks), 0)

    def close(self) -> None:
        if self._pin is not None:
            self._pin.close()
            self._pin = None


class PulseSource:
    """Hands a reader's count to the hub from a thread of its own. A pin in trouble is a row and a retry."""

    source: Final = Source.FLOW

    def __init__(self, hub: Hub, reader: PulseReader) -> None:
        self._hub = hub
        self._reader = reader
        self._thread = PacedThread("flow pulses", EVERY_S, self.turn)
        self._is_open = False
        self._told: SourceFault | None = None
        self._retry_s = FIRST_RETRY_S
        self._lost = 0  # told of already
        self._lost_told_ns: int | None = None

    def check(self) -> None:
        """Open and close the pin. Raises UsageError, naming the rig file's key, when that cannot be."""
        self._reader.open()
        self._reader.close()

    def start(self) -> None:
        """Claim the pin and start the thread. Raises UsageError as check() does."""
        self._open()
        self._thread.start()

    def stop(self) -> None:
        """End the thread and let go of the pin."""
        self._thread.stop()
        self._reader.close()
        self._is_open = False

    def turn(self) -> float | None:
        """One turn of the thread: a count, or a try to open the pin again. Returns a longer wait [s]."""
        hub = self._hub
        try:
            if not self._is_open:
                self._open()
            count = self._reader.read()
        except Exception as error:  # whatever a pin factory raises, the pin is opened anew
            kind = "closed" if self._is_open else "failed"
            self._is_open = False
            self._reader.close()
            fault = SourceFault(kind, f"{self._reader.about}: {error}", 0)
            if fault != self._told:
                hub.put(hub.clock.now_ns(), self.source, fault)
            self._told = fault
            wait_s, self._retry_s = self._retry_s, min(2 * self._retry_s, LONGEST_RETRY_S)
            return wait_s
        self._retry_s = FIRST_RETRY_S
        # stamped after the pin was read: no pulse is newer than the count that holds it
        t_ns = hub.clock.now_ns()
        missing = count.lost - self._lost
        if missing > 0 and (self._lost_told_ns is None or t_ns - self._lost_told_ns >= _FAULT_EVERY_NS):
            self._lost, self._lost_told_ns = count.lost, t_ns
            pulses = "1 pulse" if missing == 1 else f"{missing} pulses"
            detail = f"{pulses} dropped: the kernel's buffer ran over before it was read"
            hub.put(t_ns, self.source, SourceFault("overflow", detail, missing))
        hub.put(t_ns, self.source, count)
        return None

    def _open(self) -> None:
        self._reader.open()
        self._is_open = True
        self._lost = 0
        self._told = SourceFault("opened", self._reader.about, 0)
        self._hub.put(self._hub.clock.now_ns(), self.source, self._told)
