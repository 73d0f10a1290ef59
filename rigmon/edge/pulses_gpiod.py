"""Flow pulses through libgpiod 2, whose edges are numbered: lost pulses are known.

See `rigmon.edge.pulses` for what can be lost where.
"""

import errno
import time
from collections.abc import Callable
from contextlib import suppress
from glob import glob
from importlib import import_module
from typing import Any, Final

from rigmon.edge.board import clock_zero_ns
from rigmon.edge.hub import Clock
from rigmon.errors import UsageError
from rigmon.model import PulseCount

#: labels of the chips that drive the header, whose line offsets are BCM numbers; their /dev/gpiochip numbers
#: change with the kernel
HEADER_LABELS: Final = ("pinctrl-rp1", "pinctrl-bcm2711", "pinctrl-bcm2835")
#: edges that the kernel holds for one line at most (64 lines of 16): half a second at 2000 Hz
BUFFER_EVENTS: Final = 1024
#: one turn fetches at most this often (64 edges or more at a time): a pin that oscillates must not keep the
#: thread
_MOST_FETCHES: Final = 32
#: edges are numbered with 32 bits
_NUMBERS: Final = 1 << 32


def libgpiod() -> Any:
    """The Python package of libgpiod 2; None where there is none (its version 1 has another interface)."""
    try:
        gpiod = import_module("gpiod")
    except ImportError:
        return None
    return gpiod if hasattr(gpiod, "LineSettings") else None


def header_chip(gpiod: Any, chips: Callable[[], list[str]] = lambda: glob("/dev/gpiochip*")) -> str | None:
    """Path of the chip that drives the header; None where there is none that this user may open."""
    for path in sorted(chips()):
        try:
            with gpiod.Chip(path) as chip:
                label = chip.get_info().label
        except OSError:
            continue
        if label in HEADER_LABELS:
            return path
    return None


class GpiodPulses:
    """Rising edges of one line, fetched from the kernel's buffer when the count is asked for.

    Between two looks nothing runs: at 2000 Hz and ten looks a second that is ten calls, not two thousand. The
    kernel numbers a line's edges from 1, also those that it drops: what is missing of the newest number is
    lost.
    """

    def __init__(self, gpiod: Any, chip: str, pin: int, pull: str, clock: Clock) -> None:
        """`gpiod` is the package, `chip` the path of the header's chip."""
        self._gpiod = gpiod
        self._chip = chip
        self._pin = pin
        self._pull = pull
        self._clock = clock
        self._request: Any = None

    @property
    def about(self) -> str:
        return f"flow.pin = {self._pin} through libgpiod on {self._chip}, which knows of lost pulses"

    def open(self) -> None:
        gpiod = self._gpiod
        line = gpiod.line
        bias = {"up": line.Bias.PULL_UP, "down": line.Bias.PULL_DOWN, "none": line.Bias.DISABLED}[self._pull]
        settings = gpiod.LineSettings(
            direction=line.Direction.INPUT,
            edge_detection=line.Edge.RISING,
            bias=bias,
            event_clock=line.Clock.MONOTONIC,
        )
        try:
            with gpiod.Chip(self._chip) as chip:
                self._request = chip.request_lines(
                    config={self._pin: settings}, consumer="rigmon flow", event_buffer_size=BUFFER_EVENTS
                )
        except (OSError, ValueError) as error:
            raise UsageError(f"flow.pin = {self._pin} cannot be used: {self._why(error)}") from error
        self._zero_ns = clock_zero_ns(time.monotonic_ns, self._clock.now_ns)
        self._total = 0
        self._number = 0
        self._last_edge_ns: int | None = None

    def _why(self, error: Exception) -> str:
        number = getattr(error, "errno", None)
        if number == errno.EBUSY:
            return "another program, or another device of this one, holds it; 'gpioinfo' says which"
        if number in (errno.EACCES, errno.EPERM):
            return f"{self._chip} may not be opened; is this user in the group 'gpio'?"
        return f"{self._chip}: {error}"

    def read(self) -> PulseCount:
        request = self._request
        for _ in range(_MOST_FETCHES):
            if not request.wait_edge_events(0):
                break
            events = request.read_edge_events()
            if not events:
                break
            newest = events[-1]
            self._total += len(events)
            self._number += (newest.line_seqno - self._number) % _NUMBERS
            self._last_edge_ns = newest.timestamp_ns - self._zero_ns
        return PulseCount(self._total, self._last_edge_ns, self._number - self._total)

    def close(self) -> None:
        request, self._request = self._request, None
        if request is not None:
            with suppress(OSError):  # a line whose chip is gone is as free as it can be
                request.release()
