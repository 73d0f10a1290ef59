"""What is wrong with the speed and shows only over time: slow creep, a frozen speed, a late one.

Creep: blocks of ten seconds with the boom on are charted against the target speed, by the same monitor as
the boom's. None counts for more than the tolerance: what is beyond is for the alerts that watch it.

Frozen: the receiver prints the very same speed again and again while its positions say otherwise. Only what
noise cannot feign counts: a chord over eight seconds that is longer than the speed allows, or chords of a
second that together are shorter. On the move less is enough, if it adds up for as long as the speed stays the
same: chords of four seconds, or of one, by a CUSUM in metres. What a position is off by is bounded, its
rounding too, which is as much as its smallest step, and so is what a coarsely printed speed leaves out; what
a driver covers who is not listened to is not.

Late: means of a second, the speed from positions so many seconds ago against the Doppler speed now, squared
and added up over the run: the smallest of the sums shows the lag, with a parabola through it and its
neighbours.
Receivers that smooth for seconds were measured to be up to 2 s late (Supej and Cuk, Sensors 14 (2014) 23490).
"""

from collections import deque
from math import sqrt
from typing import Final

from rigmon.core.geometry import metres_per_degree
from rigmon.core.monitor import Monitor, Noise
from rigmon.rig import Rig

_NEVER: Final = -(1 << 62)
_CREEP_NS: Final = 10_000_000_000
_CREEP_LEARN: Final = 18
_CREEP_MOST: Final = 0.9
#: how a person holds a speed, in such blocks: counts beside what is learned, for so little; invented
_DRIVER: Final = Noise(0.0, 0.05, 0.4, 36)
#: the driver gets up to speed after switching on
_UP_TO_SPEED_NS: Final = 3_000_000_000
_WINDOW_NS: Final = 950_000_000
_WINDOW_MOST_NS: Final = 1_500_000_000
_CHORDS: Final = 8
#: metres per degree are worked out anew after so much; they change by 2e-4 of themselves a degree or so
_DEGREES: Final = 0.01
#: so much further or less far than the speed says, also as a share of it; at rest, where positions may wander
#: when a receiver has just found them, more
_FROZEN_M_S: Final = 0.35
_FROZEN_SHARE: Final = 0.15
_CRAWL_M_S: Final = 0.5
_FROZEN_AT_REST_M_S: Final = 1.0
#: on the move it adds up in chunks of so many chords; so much of the distance is allowed, and so much further
#: or less far than that is too much
_CHUNK: Final = 4
_ADDS_SHARE: Final = 0.015
_ADDS_M: Final = 2.0
#: of either, so many of the positions' smallest steps are their rounding
_ROUNDING: Final = 2.0
_STEP_MOST_M: Final = 100.0
#: a speed later than this, and so many of its standard deviations to be sure
LATE_S: Final = 1.0
_SURE_SD: Final = 5.0
_CLEAR: Final = 8.0
_LATE_FEWEST: Final = 60
_FIT_EVERY: Final = 10
#: lags looked at [s]
_LAGS: Final = 5
#: windows of more acceleration say nothing: a fix was refused, or jumped
_ACCELERATION_M_S2: Final = 3.0


class SpeedWatch:
    """`creep` is the lasting deviation (share of the target speed) or None; `frozen_m_s` how much faster the
    positions move or None; `late_s` how late the speed is or None."""

    __slots__ = (
        "_at_lat",
        "_beyond_m",
        "_chord_n",
        "_chords",
        "_creep",
        "_creep_m",
        "_creep_ns",
        "_dist_m",
        "_doppler_before",
        "_east_m",
        "_lat",
        "_limit",
        "_lon",
        "_n",
        "_north_m",
        "_place_ns",
        "_recent",
        "_short_m",
        "_speeds",
        "_step_m",
        "_steps",
        "_sums",
        "_target",
        "_up_ns",
        "creep",
        "creep_since_ns",
        "frozen_m_s",
        "late_s",
    )

    def __init__(self, rig: Rig, tests: int) -> None:
        rule = rig.diagnosis
        arl = 3600e9 / _CREEP_NS * tests / rule.false_alarms_per_h
        self._creep = Monitor(rule.creep_pct / 100, arl, _CREEP_LEARN, level=0.0, relative=False)
        self._creep.earlier(_DRIVER)
        self._target = rig.target.speed_m_s
        self._limit = rig.target.tolerance_pct / 100
        self._creep_m = 0.0
        self._creep_ns = 0
        self._up_ns = _NEVER
        self._recent: deque[float] = deque(maxlen=_CREEP_LEARN)
        self._place_ns = _NEVER
        self._lat = self._lon = 0.0
        self._dist_m = 0.0
        self._at_lat = 999.0
        self._north_m = self._east_m = 0.0
        self._chords: deque[tuple[float, float, float, float]] = deque(maxlen=_CHORDS)
        self._chord_n = 0  # since the speed is the same
        self._beyond_m = self._short_m = 0.0  # so much further, and less far, than it says
        self._step_m = _STEP_MOST_M  # the smallest of a position, either way, that was seen
        self._n = 0
        self._sums = [0.0] * _LAGS
        self._steps = self._doppler_before = 0.0
        self._speeds: deque[float] = deque(maxlen=_LAGS)  # by positions, newest first
        self.creep: float | None = None
        self.creep_since_ns = 0
        self.frozen_m_s: float | None = None
        self.late_s: float | None = None

    def take(
        self,
        t_ns: int,
        dt_ns: int,
        working: bool | None,
        distance_m: float | None,
        lat_deg: float | None,
        lon_deg: float | None,
        place_ns: int,
        same_since_ns: int,
    ) -> bool:
        """One sample; True when something was judged.

        `working`: the boom is on and the rig faster than speed.minimum; `distance_m` was covered in the
        sample, `place_ns` is the position's stamp, `same_since_ns` since when the receiver's speed is one.
        """
        judged = False
        if working and distance_m is not None:
            if self._up_ns == _NEVER:
                self._up_ns = t_ns + _UP_TO_SPEED_NS
                self._creep.gap()
            elif t_ns > self._up_ns:
                self._creep_m += distance_m
                self._creep_ns += dt_ns
                if self._creep_ns >= _CREEP_NS:
                    self._crept(t_ns, self._creep_m / (self._creep_ns * 1e-9 * self._target) - 1)
                    self._creep_m, self._creep_ns = 0.0, 0
                    judged = True
        elif self._up_ns != _NEVER:
            self._up_ns = _NEVER
            self._creep_m, self._creep_ns = 0.0, 0
        if distance_m is None or lat_deg is None or lon_deg is None:
            if self._place_ns != _NEVER:
                self._place_ns = _NEVER
                self._afresh()
                self._speeds.clear()
            return judged
        if self._place_ns == _NEVER:
            self._begin(place_ns, lat_deg, lon_deg)
            return judged
        self._dist_m += distance_m
        if place_ns - self._place_ns >= _WINDOW_NS and place_ns == t_ns:
            self._window(place_ns, lat_deg, lon_deg, same_since_ns)
            return True
        return judged

    def _crept(self, t_ns: int, off: float) -> None:
        off = min(max(off, -self._limit), self._limit)
        self._recent.append(off)
        if self._creep.update(off):
            if self.creep is None:
                self.creep_since_ns = t_ns - _CREEP_NS * 6
            total = 0.0
            newest = list(self._recent)[-6:]
            for value in newest:
                total += value
            mean = total / len(newest)
            # at the tolerance it is no creep: the alerts that watch it say so
            self.creep = mean if abs(mean) < _CREEP_MOST * self._limit else None
        else:
            self.creep = None

    def _begin(self, place_ns: int, lat_deg: float, lon_deg: float) -> None:
        self._place_ns, self._lat, self._lon = place_ns, lat_deg, lon_deg
        self._dist_m = 0.0

    def _window(self, place_ns: int, lat_deg: float, lon_deg: float, same_since_ns: int) -> None:
        begin_ns = self._place_ns
        seconds = (place_ns - begin_ns) * 1e-9
        turn = lon_deg - self._lon
        if place_ns - begin_ns > _WINDOW_MOST_NS or not -1 < turn < 1:
            self._afresh()
            self._speeds.clear()
            self._begin(place_ns, lat_deg, lon_deg)
            return
        if not -_DEGREES < lat_deg - self._at_lat < _DEGREES:
            self._at_lat = lat_deg
            self._north_m, self._east_m = metres_per_degree(lat_deg)
        north_m, east_m = self._north_m, self._east_m
        north, east = (lat_deg - self._lat) * north_m, turn * east_m
        chord = sqrt(north * north + east * east)
        dist = self._dist_m
        for step_m in (abs(north), abs(east)):
            if 0 < step_m < self._step_m:
                self._step_m = step_m
        moved = chord > 0  # a position that stands still to the last digit says nothing of the speed
        if moved:
            self._lag(chord / seconds, dist / seconds)
        else:
            self._speeds.clear()
        if moved and same_since_ns <= begin_ns:
            self._chords.append((north, east, chord, dist))
            self._chord_n += 1
            if self._chord_n % _CHUNK == 0:
                self._add_up()
            if len(self._chords) == _CHORDS:
                self._freeze(seconds)
        elif self._chords:
            self._afresh()
            self.frozen_m_s = None
        self._begin(place_ns, lat_deg, lon_deg)

    def _afresh(self) -> None:
        """The speed is another, or nothing is known of the way from the position before."""
        self._chords.clear()
        self._chord_n = 0
        self._beyond_m = self._short_m = 0.0

    def _add_up(self) -> None:
        long, chords, dist = self._covered(_CHUNK)
        allowed = dist * (1 + _ADDS_SHARE)
        self._beyond_m = max(0.0, self._beyond_m + long - allowed)
        allowed = dist * (1 - _ADDS_SHARE)
        self._short_m = max(0.0, self._short_m + allowed - chords)

    def _covered(self, count: int) -> tuple[float, float, float]:
        """The newest windows: the chord of all, the sum of their chords, and how far the speed says [m]."""
        north = east = chords = dist = 0.0
        for i in range(-count, 0):
            n, e, chord, length = self._chords[i]
            north += n
            east += e
            chords += chord
            dist += length
        return sqrt(north * north + east * east), chords, dist

    def _freeze(self, seconds: float) -> None:
        long, chords, dist = self._covered(_CHORDS)
        span = _CHORDS * seconds
        rounding = _ROUNDING * self._step_m
        least = max(_FROZEN_M_S * span, _FROZEN_SHARE * dist) + rounding
        beyond = short = False
        if dist < _CRAWL_M_S * span:
            least = _FROZEN_AT_REST_M_S * span + rounding
        else:
            much = _ADDS_M + rounding
            beyond, short = self._beyond_m > much, self._short_m > much
        if beyond or long - dist > least:
            self.frozen_m_s = (long - dist) / span
        elif short or dist - chords > least:
            self.frozen_m_s = (chords - dist) / span

    def _lag(self, by_positions_m_s: float, doppler_m_s: float) -> None:
        """One second more."""
        speeds = self._speeds
        if speeds:
            step = doppler_m_s - self._doppler_before
            if not -_ACCELERATION_M_S2 < step < _ACCELERATION_M_S2:
                speeds.clear()
        speeds.appendleft(by_positions_m_s)
        if len(speeds) == _LAGS:
            sums = self._sums
            a, b, c, d, e = speeds
            a, b, c = a - doppler_m_s, b - doppler_m_s, c - doppler_m_s
            d, e = d - doppler_m_s, e - doppler_m_s
            sums[0] += a * a
            sums[1] += b * b
            sums[2] += c * c
            sums[3] += d * d
            sums[4] += e * e
            step = doppler_m_s - self._doppler_before
            self._n += 1
            self._steps += step * step
            if self._n % _FIT_EVERY:
                pass
            elif self._n >= _LATE_FEWEST and sums[0] > sums[1]:
                self._fit()
            else:
                self.late_s = None
        self._doppler_before = doppler_m_s

    def _fit(self) -> None:
        """The lag with the smallest sum, and whether it is late for sure."""
        sums = self._sums
        k = min(range(_LAGS), key=sums.__getitem__)
        lag = float(k)
        if 0 < k < _LAGS - 1:
            bend = sums[k - 1] - 2 * sums[k] + sums[k + 1]
            if bend > 0:
                lag += 0.5 * (sums[k - 1] - sums[k + 1]) / bend
        sd = sqrt(sums[k] / (self._n * self._steps)) if self._steps > 0 else _LAGS
        # of two noises alone the sums differ too, by some 2 sums / sqrt(n)
        clear = sums[0] - sums[k] > _CLEAR * sums[k] / sqrt(self._n)
        if clear and lag - _SURE_SD * sd > LATE_S:
            self.late_s = lag
        elif lag < LATE_S:
            self.late_s = None
