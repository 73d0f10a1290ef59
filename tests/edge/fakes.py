"""What the edge's and the daemon's tests share: a clock that jumps, a reader of the hub, a port, a rig."""

import os
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rigmon.edge.hub import Hub
from rigmon.model import Reading

#: a deadline that no test reaches: next() then waits for a reading
FAR_NS = 1 << 60
#: a real event that a test waits for comes in milliseconds; this only bounds a failing test
PATIENCE_S = 20.0


class JumpingClock:
    """When nothing is queued, time jumps to the deadline: silence without waiting."""

    def __init__(self) -> None:
        self.t_ns = 0

    def now_ns(self) -> int:
        return self.t_ns

    def wait_s(self, t_ns: int) -> float:
        self.t_ns = max(self.t_ns, t_ns)
        return 0.0


class Collector:
    """Takes readings from a hub on a thread, so that a test can wait for the one it looks for."""

    def __init__(self, hub: Hub) -> None:
        self.readings: list[Reading] = []
        self._hub = hub
        self._more = threading.Condition()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while (reading := self._hub.next(FAR_NS)) is not None:
            with self._more:
                self.readings.append(reading)
                self._more.notify_all()

    def wait_for(self, found: Callable[[list[Reading]], bool]) -> list[Reading]:
        """Wait until `found` holds of the readings so far; returns them."""
        with self._more:
            assert self._more.wait_for(lambda: found(self.readings), PATIENCE_S), self.readings
            return list(self.readings)

    def stop(self) -> None:
        self._hub.close()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()


class PtyPort:
    """A pseudo-terminal behind a name that stays the same when it is unplugged and plugged in again."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self._master = -1

    def plug(self) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        link = self.link.with_suffix(".new")
        link.symlink_to(os.ttyname(slave))
        os.replace(link, self.link)
        os.close(slave)

    def swap(self) -> None:
        """The stick comes back as another device, and the name already leads to that one."""
        gone = self._master
        self.plug()
        os.close(gone)

    @contextmanager
    def repointed(self) -> Iterator[None]:
        """The name leads to another device, and the old one stays there, silent."""
        gone = self._master
        self.plug()
        try:
            yield
        finally:
            os.close(gone)

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]

    def unplug(self) -> None:
        self.link.unlink(missing_ok=True)
        if self._master >= 0:
            os.close(self._master)
            self._master = -1


RIG_TOML = """
[rig]
name = "Creek rig"
nozzle_count = 12
nozzle_spacing = "20 in"
units = "us"
[target]
rate = "17 gal/ac"
speed = "3.5 mph"
tolerance_pct = 10
[calibration]
flow = "2.4 gal/min"
pressure = "40 psi"
"""
