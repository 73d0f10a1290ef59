"""Telling systemd how the daemon is: ready, alive, stopping, and a line of status (sd_notify(3)).

A few lines of our own, for no package fits. `sdnotify` has no wheel. `systemd-watchdog` times its pings by
the wall clock, which on a board without a clock of its own steps by hours when GPS or network set it, waits
when the socket is full, and knows no STOPPING=1. `cysystemd` and the OS's `python3-systemd` are compiled
for one Python each, so that the fallback for all others would be these lines again.
"""

import os
import socket
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from rigmon import units
from rigmon.model import Alert, Output, Sample
from rigmon.rig import Rig
from rigmon.words import alert_words

#: pings in the watchdog's time: sd_watchdog_enabled(3) asks for two at least
_PINGS: Final = 4
_STATUS_EVERY_S: Final = 5.0
#: see `ask_for_power_off`
POWER_OFF_FILE: Final = "power-off"


class ServiceNotifier:
    """Sends to the service manager's socket. Never blocks and never raises: the run matters more.

    The watchdog is fed by `handled` alone, so that a core that is stuck is not covered up by a timer.
    """

    def __init__(
        self,
        rig: Rig,
        address: str,
        watchdog_s: float | None,
        *,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._rig = rig
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        self._socket.setblocking(False)
        self._monotonic_s = monotonic_s
        self._ping_every_s = None if watchdog_s is None else watchdog_s / _PINGS
        self._ping_due_s = self._status_due_s = monotonic_s()
        self._sample: Sample | None = None
        self._alerts: dict[str, None] = {}

    def ready(self) -> None:
        """The sources are started."""
        self._send("READY=1")

    def show(self, outputs: Sequence[Output]) -> None:
        """Take what the core made, for the line of status."""
        for output in outputs:
            if type(output) is Sample:
                self._sample = output
            elif type(output) is Alert:
                if output.raised:
                    self._alerts[output.code] = None
                else:
                    self._alerts.pop(output.code, None)

    def use(self, rig: Rig) -> None:
        """Show by this rig from now on."""
        self._rig = rig

    def handled(self, healthy: bool, run: str) -> None:
        """A reading or tick went all the way through the pipeline. Pings when it is time, if `healthy`.

        `run` says in a few words which run is being logged.
        """
        now_s = self._monotonic_s()
        if healthy and self._ping_every_s is not None and now_s >= self._ping_due_s:
            self._ping_due_s = now_s + self._ping_every_s
            self._send("WATCHDOG=1")
        if now_s >= self._status_due_s:
            self._status_due_s = now_s + _STATUS_EVERY_S
            self._send(f"STATUS={status(self._sample, self._rig, list(self._alerts), run)}")

    def status(self, text: str) -> None:
        """Show a line of status in place of the usual one."""
        self._send(f"STATUS={text}")

    def stopping(self) -> None:
        """No more readings are taken; the log is being closed."""
        self._send("STOPPING=1")

    def close(self) -> None:
        self._socket.close()

    def _send(self, text: str) -> None:
        with suppress(OSError):  # a full or a missing socket: the next message may get through
            self._socket.sendto(text.encode(), self._address)


def status(sample: Sample | None, rig: Rig, alerts: Sequence[str], run: str) -> str:
    """Speed, rate, alerts and run in one line, in the rig's units; what is unknown reads '--'."""
    speed, rate = (None, None) if sample is None else (sample.speed_m_s, sample.rate_l_ha)
    parts = [units.show(speed, "speed", rig.units), units.show(rate, "rate", rig.units)]
    if alerts:
        parts.append(f"{len(alerts)} alert{'s' * (len(alerts) > 1)}: {', '.join(map(alert_words, alerts))}")
    else:
        parts.append("no alerts")
    return "; ".join((*parts, run))


def service_notifier(rig: Rig, environment: Mapping[str, str] = os.environ) -> ServiceNotifier | None:
    """The notifier that the service manager asked for in the environment; None: it asked for none.

    See sd_watchdog_enabled(3) for WATCHDOG_USEC and WATCHDOG_PID.
    """
    address = environment.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return None
    usec, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    asked = usec.isdecimal() and int(usec) > 0 and (not pid or pid == str(os.getpid()))
    return ServiceNotifier(rig, address, int(usec) / 1e6 if asked else None)


def ask_for_power_off(environment: Mapping[str, str] = os.environ) -> Path | None:
    """Leave the file that `rigmon-poweroff.path` waits for: the daemon itself may not switch anything off.

    It lies in the service's run-time folder, in memory, so that it is gone at the next boot. None: this is
    no service, and nobody was asked. Raises OSError.
    """
    folder = environment.get("RUNTIME_DIRECTORY", "").partition(":")[0]
    if not folder:
        return None
    path = Path(folder) / POWER_OFF_FILE
    path.touch()
    return path
