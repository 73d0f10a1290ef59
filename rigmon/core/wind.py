"""The wind over the ground: from the apparent wind and the rig's own motion, and its means.

Means are those of WMO-No. 8 (Guide to Instruments and Methods of Observation), Vol. I, ch. 5: mean wind over
2 and over 10 minutes, gust as the highest 3 s mean within 10 minutes. Speeds are averaged as scalars, for
drift goes with the speed and a vector mean is the lower one where the direction swings; the direction is
that of the vector mean.
"""

from collections import deque
from math import sqrt
from typing import Final, NamedTuple

from rigmon.core.trig import bearing_deg, cos_sin_deg

_SECOND_NS: Final = 1_000_000_000
LONG_S: Final = 600
SHORT_S: Final = 120
_GUST_NS: Final = 3 * _SECOND_NS
#: sums of whole um/s are exact, so that taking an old reading out leaves no trace of it
_UM: Final = 1e6


def over_ground(apparent_m_s: float, angle_deg: float, speed_m_s: float) -> tuple[float, float, float]:
    """The wind over the ground from the wind that a rig feels which drives straight ahead at `speed_m_s`.

    `angle_deg` is where the apparent wind comes from, clockwise from the bow. Returns (m/s, and where it
    comes from as a vector [m/s]: ahead, to the right).

    Driving makes a wind from ahead of the rig's own speed; it is taken off: true = apparent - (speed, 0).
    """
    cos, sin = cos_sin_deg(angle_deg)
    ahead, right = apparent_m_s * cos - speed_m_s, apparent_m_s * sin
    return sqrt(ahead * ahead + right * right), ahead, right


def turned(ahead: float, right: float, heading_deg: float) -> tuple[float, float]:
    """A vector in the rig's frame as (north, east), with the bow at `heading_deg` from true north."""
    cos, sin = cos_sin_deg(heading_deg)
    return ahead * cos - right * sin, ahead * sin + right * cos


class Means(NamedTuple):
    """What the readings of the last ten minutes come to; None: there is none."""

    short_m_s: float | None
    short_from_deg: float | None
    long_m_s: float | None
    long_from_deg: float | None
    gust_m_s: float | None  #: None until there were three seconds
    span_s: float  #: that the long mean reaches back: 600 when there is enough


class _Second:
    """The readings of one second."""

    __slots__ = ("at", "east", "n", "n_from", "north", "speed")

    def __init__(self, at: int) -> None:
        self.at = at
        self.n = self.speed = self.n_from = self.north = self.east = 0


class _Window:
    """Sums over the seconds of a window."""

    __slots__ = ("_seconds", "_span_s", "east", "n", "n_from", "north", "speed")

    def __init__(self, span_s: int) -> None:
        self._span_s = span_s
        self._seconds: deque[_Second] = deque()
        self.n = self.speed = self.n_from = self.north = self.east = 0

    def begin(self, second: _Second) -> None:
        self._seconds.append(second)

    def drop(self, now_s: int) -> None:
        seconds = self._seconds
        while seconds and seconds[0].at <= now_s - self._span_s:
            old = seconds.popleft()
            self.n -= old.n
            self.speed -= old.speed
            self.n_from -= old.n_from
            self.north -= old.north
            self.east -= old.east

    def mean_m_s(self) -> float | None:
        return self.speed / (self.n * _UM) if self.n else None

    def from_deg(self) -> float | None:
        return bearing_deg(float(self.north), float(self.east)) if self.n_from else None


class Averager:
    """Running means of the wind. A reading without direction counts for the speed alone."""

    __slots__ = ("_gusts", "_long", "_newest", "_recent", "_recent_um", "_short", "_since_ns")

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Start afresh: what was before a silence says nothing of the wind now."""
        self._long, self._short = _Window(LONG_S), _Window(SHORT_S)
        self._newest: _Second | None = None
        self._since_ns: int | None = None
        self._recent: deque[tuple[int, int]] = deque()  # of the last three seconds: (stamp, um/s)
        self._recent_um = 0
        self._gusts: deque[tuple[int, float]] = deque()  # falling: (second, highest 3 s mean in it)

    def add(self, t_ns: int, speed_m_s: float, vector: tuple[float, float] | None) -> None:
        """A reading at `t_ns`, never before the one before it. `vector`: where from, (north, east) [m/s]."""
        if self._since_ns is None:
            self._since_ns = t_ns
        at = t_ns // _SECOND_NS
        second = self._newest
        if second is None or second.at != at:
            self._newest = second = _Second(at)
            self._long.begin(second)
            self._short.begin(second)
            self._drop(at)
        um = round(speed_m_s * _UM)
        for sums in (second, self._long, self._short):
            sums.n += 1
            sums.speed += um
            if vector is not None:
                sums.n_from += 1
                sums.north += round(vector[0] * _UM)
                sums.east += round(vector[1] * _UM)
        recent = self._recent
        recent.append((t_ns, um))
        self._recent_um += um
        while recent[0][0] <= t_ns - _GUST_NS:
            self._recent_um -= recent.popleft()[1]
        if t_ns - self._since_ns >= _GUST_NS:
            self._gust(at, self._recent_um / (len(recent) * _UM))

    def _gust(self, at: int, mean_m_s: float) -> None:
        gusts = self._gusts
        while gusts and gusts[-1][1] <= mean_m_s:
            gusts.pop()
        if not gusts or gusts[-1][0] != at:
            gusts.append((at, mean_m_s))

    def _drop(self, now_s: int) -> None:
        self._long.drop(now_s)
        self._short.drop(now_s)
        while self._gusts and self._gusts[0][0] <= now_s - LONG_S:
            self._gusts.popleft()

    def means(self, t_ns: int) -> Means:
        """The means at `t_ns`."""
        self._drop(t_ns // _SECOND_NS)
        since_ns = self._since_ns
        span_s = 0.0 if since_ns is None or not self._long.n else (t_ns - since_ns) / 1e9
        return Means(
            self._short.mean_m_s(),
            self._short.from_deg(),
            self._long.mean_m_s(),
            self._long.from_deg(),
            self._gusts[0][1] if self._gusts else None,
            min(span_s, float(LONG_S)),
        )
