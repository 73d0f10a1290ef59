"""The pressure at rest: with the boom off a while, a transducer in front of the nozzles should read nothing.

What it reads then, and reads more or less later on, it does so with the boom on too. Where it sits before the
boom's valve it keeps the supply's pressure, and nothing is learned.
"""

from typing import Final

#: looked at so long after the boom went off; above this share of the calibrated pressure it is not at rest
_WAIT_NS: Final = 3_000_000_000
_SHARE: Final = 0.3
_FEWEST: Final = 5


class Rest:
    """`shift_kpa` is how much more it reads at rest now than at first; None while that is unknown."""

    __slots__ = ("_first", "_most_kpa", "_n", "_off_ns", "_sum", "shift_kpa")

    def __init__(self, cal_kpa: float | None) -> None:
        self._most_kpa = _SHARE * cal_kpa if cal_kpa is not None else 0.0
        self._off_ns = 0
        self._sum = 0.0
        self._n = 0
        self._first: float | None = None
        self.shift_kpa: float | None = None

    def off(self, t_ns: int) -> None:
        """The boom went off."""
        self._off_ns = t_ns
        self._sum, self._n = 0.0, 0

    def unknown(self) -> None:
        """Whether the boom is off is not known."""
        self._n = 0

    def take(self, t_ns: int, pressure_kpa: float) -> None:
        """One sample with the boom off."""
        if t_ns - self._off_ns >= _WAIT_NS:
            self._sum += pressure_kpa
            self._n += 1

    def on(self) -> bool:
        """The boom goes on; True where something was learned. To be called while it is on, too."""
        n, self._n = self._n, 0
        if n < _FEWEST:
            return False
        mean = self._sum / n
        if mean > self._most_kpa:
            return False
        if self._first is None:
            self._first = mean
        self.shift_kpa = mean - self._first
        return True
