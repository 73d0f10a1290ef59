"""A beat to walk by, given out: a terminal's bell and flash, or a buzzer on a pin; and how late it came.

The beats are stamps worked out by `rigmon.calibration.pace`; here they are sounded and measured.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Any, Final, Protocol, TextIO

from rigmon.edge.outputs import open_output

_BUZZ_S: Final = 0.06
_NS_PER_MIN: Final = 60_000_000_000


class Sounder(Protocol):
    """Makes one beat at once. `k` counts from 0."""

    def beat(self, k: int) -> None: ...

    def close(self) -> None: ...


class TerminalBell:
    """Rings the bell and flashes left and right in turn on one line; plain where `escapes` is False."""

    def __init__(self, out: TextIO, escapes: bool) -> None:
        self._out = out
        self._escapes = escapes

    def beat(self, k: int) -> None:
        word, blank = (" LEFT  ", " RIGHT ")[k % 2], " " * 7
        if self._escapes:
            word = f"\x1b[7m{word}\x1b[0m"
        line = f"{word}{blank}" if k % 2 == 0 else f"{blank}{word}"
        self._out.write(f"\a\r{line} {k + 1:>5}")
        self._out.flush()

    def close(self) -> None:
        self._out.write("\n")
        self._out.flush()


class PinBuzzer:
    """A buzzer (or lamp) on a GPIO pin. Raises UsageError, which begins with `where`, for an unusable pin."""

    def __init__(self, pin: int, on_level: str = "high", where: str = "--pin") -> None:
        self._buzzer: Any = open_output(pin, on_level, where)

    def beat(self, k: int) -> None:  # noqa: ARG002
        self._buzzer.blink(on_time=_BUZZ_S, off_time=_BUZZ_S, n=1, background=True)

    def close(self) -> None:
        self._buzzer.close()


@dataclass(frozen=True, slots=True)
class Lateness:
    """How late the beats came, each measured against its own stamp when it had been given out."""

    beats: int
    lasted_s: float  #: from the first beat to the last
    mean_ms: float
    sd_ms: float
    max_ms: float
    drift_ms_per_min: float | None  #: slope over the time (least squares); None below three beats


class LatenessMeter:
    """Running sums in integers: exact, and no larger after hours than after seconds."""

    def __init__(self) -> None:
        self._n = self._t = self._late = self._tt = self._t_late = self._late_late = 0
        self._most = self._first = self._last = 0

    def add(self, t_ns: int, late_ns: int) -> None:
        """A beat that was due at `t_ns` came `late_ns` later."""
        self._first = self._first if self._n else t_ns
        self._last = t_ns
        self._n += 1
        self._t += t_ns
        self._late += late_ns
        self._tt += t_ns * t_ns
        self._t_late += t_ns * late_ns
        self._late_late += late_ns * late_ns
        self._most = max(self._most, late_ns)

    def result(self) -> Lateness:
        n = self._n
        slope = None
        if n > 2:
            slope = (n * self._t_late - self._t * self._late) / (n * self._tt - self._t * self._t)
        variance = (n * self._late_late - self._late * self._late) / (n * (n - 1)) if n > 1 else 0.0
        return Lateness(
            beats=n,
            lasted_s=(self._last - self._first) / 1e9,
            mean_ms=self._late / n / 1e6 if n else 0.0,
            sd_ms=sqrt(variance) / 1e6,
            max_ms=self._most / 1e6,
            drift_ms_per_min=None if slope is None else slope * _NS_PER_MIN / 1e6,
        )
