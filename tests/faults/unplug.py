"""A loose plug: a real daemon whose port comes and goes, comes back as another device, or is held by another.

One run through all cycles. A pseudo-terminal stands behind a name that stays the same, as those in
/dev/serial/by-id do. Each time the port is there again the daemon must read it within two seconds, the line
sent through it must be in the log, and after all of it the daemon has no more descriptors, threads or memory
than after the first few.
"""

import os
import random
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import serial

from rigmon import replay
from rigmon.log.reader import RunLog
from rigmon.model import NmeaLine, SourceFault
from tests.benchmarks.epochs import rmc
from tests.benchmarks.ports import status_kib
from tests.faults.feed import HZ
from tests.faults.table import Done
from tests.faults.watching import Watched

#: within so many seconds the port is read again
GOAL_S: Final = 2.0
#: what the memory may differ by after the first tenth [KiB]: pages of the interpreter's, not one a cycle
_GROWTH_KIB: Final = 1024


class _Stick:
    """A pseudo-terminal behind a name."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self._master = self._slave = -1

    def plug(self) -> None:
        """A new device behind the name; an older one is let go by whoever keeps it."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        link = self.name.with_suffix(".new")
        link.symlink_to(os.ttyname(self._slave))
        os.replace(link, self.name)

    def unplug(self) -> None:
        self.name.unlink(missing_ok=True)
        self.close()

    def close(self) -> None:
        if self._master >= 0:
            os.close(self._master)
            os.close(self._slave)
            self._master = self._slave = -1

    @contextmanager
    def replaced(self, *, silent: bool) -> Iterator[None]:
        """Another device behind the name at once; the old one hangs up, or only falls silent."""
        old = _Stick(self.name)
        old._master, old._slave = self._master, self._slave
        self.plug()
        if not silent:
            old.close()
        yield
        old.close()

    def send(self, data: bytes) -> None:
        os.write(self._master, data)


class _State:
    """What the daemon's process holds, once its log has been written to."""

    def __init__(self, pid: int) -> None:
        until = time.monotonic() + 10
        while True:
            self.open = sorted(os.readlink(f"/proc/{pid}/fd/{fd}") for fd in os.listdir(f"/proc/{pid}/fd"))
            if any(name.endswith("-wal") for name in self.open) or time.monotonic() > until:
                break
            time.sleep(0.05)
        self.descriptors = len(self.open)
        self.threads = len(os.listdir(f"/proc/{pid}/task"))
        self.kib = status_kib(pid, "VmRSS")


def run(
    folder: Path, cycles: int, longest_out_s: float, *, goal_s: float = GOAL_S, seed: int = 3
) -> list[Done]:
    """`longest_out_s`: so long at most a plug stays out; `goal_s`: later than this is a failure."""
    chance = random.Random(seed)
    stick = _Stick(folder / "by-id" / "gps")
    stick.name.parent.mkdir()
    path = folder / "logs" / "run.sqlite"
    path.parent.mkdir()
    kinds = {"unplugged": 0, "another device": 0, "old one silent": 0, "held by another": 0}
    back: list[float] = []
    failures: list[str] = []
    with Watched(path, port=str(stick.name)) as daemon:
        states = []
        daemon.told("GPS: failed")
        place = len(daemon.events)
        stick.plug()
        daemon.told("GPS: opened", place)
        for n in range(cycles):
            kind = (
                "unplugged",
                "unplugged",
                "another device",
                "unplugged",
                "old one silent",
                "held by another",
            )[n % 6]
            kinds[kind] += 1
            place = len(daemon.events)
            out_s = chance.uniform(0.0, longest_out_s)
            if kind in ("another device", "old one silent"):
                with stick.replaced(silent=kind == "old one silent"):
                    there_s = time.monotonic()
                    daemon.told("GPS: closed", place)
                    opened = daemon.told("GPS: opened", place)
            else:
                stick.unplug()
                daemon.told("GPS: closed", place)
                time.sleep(out_s)
                place = len(daemon.events)
                there_s = _plug_in(stick, daemon, place, held=kind == "held by another")
                opened = daemon.told("GPS: opened", place)
            back.append(opened["at"] - there_s)
            if back[-1] > goal_s:
                failures.append(f"cycle {n}, {kind}: back after {back[-1]:.1f} s")
            stick.send(rmc(n, HZ))
            while daemon.command("lines")["lines"] <= n:  # what lies in a port that is unplugged is lost
                time.sleep(0.005)
            if n in (max(1, cycles // 10), cycles - 1):
                states.append(_State(daemon.process.pid))
        end = daemon.stop()
        stick.unplug()
    with RunLog.open(path) as log:
        readings = list(log.readings())
        lines = [r.payload.raw for r in readings if isinstance(r.payload, NmeaLine)]
        opened_rows = sum(isinstance(r.payload, SourceFault) and r.payload.kind == "opened" for r in readings)
        if lines != [rmc(n, HZ).rstrip() for n in range(cycles)]:
            failures.append(f"{len(lines)} lines in the log, one was sent in each of {cycles} cycles")
        if opened_rows != cycles + 1:
            failures.append(f"the log tells of {opened_rows} times that the port was opened")
        if len(readings) != end["readings"] or log.problems() or not replay.check(log).same:
            failures.append("the log is not whole, or does not check")
    first, last = states[0], states[-1]
    if (first.descriptors, first.threads) != (last.descriptors, last.threads):
        failures.append(f"threads {first.threads} -> {last.threads}, open: {first.open} -> {last.open}")
    if last.kib - first.kib > _GROWTH_KIB:
        failures.append(f"memory grew by {last.kib - first.kib} KiB")
    worst = (
        f"back within {max(back):.2f} s; {last.descriptors} descriptors, {last.threads} threads "
        "before and after, "
        f"memory {last.kib - first.kib:+d} KiB; {', '.join(f'{n} {kind}' for kind, n in kinds.items())}"
    )
    return [Done("port unplugged and back", cycles, worst, failures)]


def _plug_in(stick: _Stick, daemon: Watched, place: int, *, held: bool) -> float:
    """Put the plug in; the time from which on the port was there to be had."""
    if not held:
        stick.plug()
        return time.monotonic()
    # taken before the daemon sees the name: this process holds it as another program would
    name = stick.name
    stick.name = name.with_name("held")
    stick.plug()
    stick.name = name
    other = serial.Serial(os.readlink(name.with_name("held")), exclusive=True)
    os.replace(name.with_name("held"), name)
    daemon.told("another program holds it", place)
    other.close()
    return time.monotonic()
