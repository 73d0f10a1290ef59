"""What the receiver's sentences say: speed (through the filter), position, validity and wall time."""

from math import sqrt

from rigmon.core.geometry import metres_per_degree
from rigmon.core.nmea import EARLIEST_DAYS, Gga, Rmc, Vtg, Zda
from rigmon.core.speed import SpeedFilter
from rigmon.model import Anchor, Note
from rigmon.rig import Rig

#: a kind of sentence counts as present in the stream for this long after the last one
_PRESENT_NS = 2_500_000_000
#: positions are differenced over at least this long, and only where no Doppler speed is in the stream
_BASELINE_NS = 1_000_000_000
#: noise of one position [m], common practice for a receiver without corrections
_POSITION_NOISE_M = 0.3
#: wall time is stated anew when it has moved by this much against the readings' clock, or after this long
_ANCHOR_JUMP_MS = 500
_ANCHOR_EVERY_NS = 600_000_000_000
_DAY_MS = 86_400_000
_FAR = -(1 << 62)  # a stamp long before any run
_EVER = 1 << 62

#: A live run carries this note: no run was made before. A receiver whose week number has rolled over is 1024
#: weeks (19.6 years) behind (IS-GPS-200, 20.3.3.3.1.1), so until August 2039 it cannot pass for right. A
#: recording may be older, so it carries none. The text is part of the run log's format.
LIVE_RUN = Note("dates before 2020-01-01 are not believed")
_LIVE_RUN_DAYS = 18_262  # 2020-01-01


class Receiver:
    """State of the GPS receiver, from decoded sentences in the order they came.

    A VTG carries no time; it belongs to the epoch it came in. Where the RMC in the stream give a speed, VTG
    adds nothing and is passed over, so that pairing cannot go wrong.
    """

    __slots__ = (
        "_anchor_ms",
        "_anchor_ns",
        "_baseline",
        "_candidate_ms",
        "_disbelieved",
        "_doppler_m_s",
        "_doppler_ns",
        "_earliest_days",
        "_gga_ns",
        "_gga_valid",
        "_maximum_m_s",
        "_rmc_ns",
        "_rmc_speed_ns",
        "_rmc_valid",
        "_unknown_told",
        "fixes",
        "from_position",
        "held_zero",
        "lat_deg",
        "lon_deg",
        "position_ns",
        "refused",
        "same_since_ns",
        "speed",
        "track_deg",
        "void",
        "voids",
    )

    def __init__(self, rig: Rig) -> None:
        self.speed = SpeedFilter(rig.gps.speed_noise_m_s, rig.speed.jerk_m_s3)
        self._maximum_m_s = rig.speed.maximum_m_s
        self._rmc_ns = self._rmc_speed_ns = self._gga_ns = self._doppler_ns = _FAR
        self._rmc_valid = self._gga_valid = False
        self._doppler_m_s: float | None = None
        self.same_since_ns = _EVER  #: since when the receiver states the very same speed
        self._baseline: tuple[int, float, float] | None = None
        self.lat_deg: float | None = None
        self.lon_deg: float | None = None
        self.position_ns = _FAR
        self.track_deg: float | None = None
        self.void = self.held_zero = self.from_position = False
        self.fixes = self.voids = self.refused = 0
        self._candidate_ms: int | None = None
        self._anchor_ms: int | None = None  # unix ms minus stamp in ms
        self._anchor_ns = 0
        self._earliest_days = EARLIEST_DAYS
        self._disbelieved = 0  # dates in a row
        self._unknown_told = False  # the newest anchor says that the wall time is unknown

    def live(self) -> None:
        """The run is made now, with today's program: see `LIVE_RUN`."""
        self._earliest_days = _LIVE_RUN_DAYS

    def rmc(self, t_ns: int, fix: Rmc) -> bool:
        """Returns True when a speed came with it and was accepted."""
        self._rmc_ns = t_ns
        self._rmc_valid = fix.valid
        self.void = not fix.valid
        if not fix.valid:
            self.voids += 1
            return False
        self.track_deg = fix.track_deg
        lat_deg, lon_deg, speed_m_s = fix.lat_deg, fix.lon_deg, fix.speed_m_s
        if lat_deg is not None and lon_deg is not None:
            self.lat_deg, self.lon_deg, self.position_ns = lat_deg, lon_deg, t_ns
            if speed_m_s is None:
                return self._difference(t_ns, fix.time_ms, lat_deg, lon_deg)
        if speed_m_s is None:
            return False
        self._rmc_speed_ns = t_ns
        return self._doppler(t_ns, speed_m_s)

    def vtg(self, t_ns: int, fix: Vtg) -> bool:
        """Returns True when its speed was accepted: no RMC gives one, and the fix is known to be valid.

        A VTG that does not say so itself needs a valid RMC or GGA in the stream.
        """
        if t_ns - self._rmc_speed_ns < _PRESENT_NS:
            return False
        beside: bool | None = None  # what the sentences beside it say of the fix
        if t_ns - self._rmc_ns < _PRESENT_NS:
            beside = self._rmc_valid
        elif t_ns - self._gga_ns < _PRESENT_NS:
            beside = self._gga_valid
        if beside is False:
            return False  # counted already
        if fix.valid is False or (fix.valid is None and beside is None):
            self.voids += 1
            self.void = True
            return False
        if fix.speed_m_s is None:
            return False
        self.track_deg = fix.track_deg
        return self._doppler(t_ns, fix.speed_m_s)

    def gga(self, t_ns: int, fix: Gga) -> bool:
        """Returns True when a speed came of it: only where the stream has no Doppler speed."""
        self._gga_ns = t_ns
        self._gga_valid = fix.valid
        if t_ns - self._rmc_ns < _PRESENT_NS:
            return False
        self.void = not fix.valid
        if not fix.valid:
            self.voids += 1
            return False
        if fix.lat_deg is None or fix.lon_deg is None:
            return False
        self.lat_deg, self.lon_deg, self.position_ns = fix.lat_deg, fix.lon_deg, t_ns
        return self._difference(t_ns, fix.time_ms, fix.lat_deg, fix.lon_deg)

    def wall_time(self, t_ns: int, fix: Rmc | Zda) -> Anchor | None:
        """Unix time at a stamp, from a valid fix; stated at first, when it jumps, and every ten minutes.

        A date that cannot be is stated as unknown, once; a time stated before it still holds, for the stamps'
        clock goes on.
        """
        if fix.time_ms is None or fix.date_days is None:
            return None
        if isinstance(fix, Zda) and (not self._gga_valid or t_ns - self._rmc_ns < _PRESENT_NS):
            return None
        if fix.date_days < self._earliest_days:
            self._candidate_ms = None
            self._disbelieved += 1
            if self._disbelieved < 2 or self._unknown_told:
                return None
            self._unknown_told = True
            return Anchor(t_ns, None)
        self._disbelieved = 0
        offset_ms = fix.date_days * _DAY_MS + fix.time_ms - t_ns // 1_000_000
        confirmed = (
            self._candidate_ms is not None
            and -_ANCHOR_JUMP_MS < offset_ms - self._candidate_ms < _ANCHOR_JUMP_MS
        )
        self._candidate_ms = offset_ms
        if not confirmed:
            return None  # one odd time is not believed
        if self._anchor_ms is not None and not self._unknown_told:
            moved_ms = offset_ms - self._anchor_ms
            if -_ANCHOR_JUMP_MS < moved_ms < _ANCHOR_JUMP_MS and t_ns - self._anchor_ns < _ANCHOR_EVERY_NS:
                return None
        self._anchor_ms, self._anchor_ns = offset_ms, t_ns
        self._unknown_told = False
        return Anchor(t_ns, offset_ms + t_ns // 1_000_000)

    def _doppler(self, t_ns: int, speed_m_s: float) -> bool:
        if speed_m_s != self._doppler_m_s or t_ns - self._doppler_ns > _PRESENT_NS:
            self._doppler_m_s = speed_m_s
            self.same_since_ns = t_ns
        self._doppler_ns = t_ns
        self._baseline = None
        self.from_position = False
        return self._fold(t_ns, speed_m_s, None)

    def _difference(self, t_ns: int, time_ms: int | None, lat_deg: float, lon_deg: float) -> bool:
        if t_ns - self._doppler_ns < _PRESENT_NS:
            return False
        # the receiver's own time where it gives one: arrival jitters
        stamp_ns = t_ns if time_ms is None else time_ms * 1_000_000
        if self._baseline is None:
            self._baseline = (stamp_ns, lat_deg, lon_deg)
            return False
        stamp0_ns, lat0_deg, lon0_deg = self._baseline
        gap_ns = stamp_ns - stamp0_ns
        if 0 <= gap_ns < _BASELINE_NS:
            return False
        self._baseline = (stamp_ns, lat_deg, lon_deg)
        if not 0 < gap_ns <= 5 * _BASELINE_NS:  # midnight, or a gap
            return False
        north_m, east_m = metres_per_degree(0.5 * (lat0_deg + lat_deg))
        turn = lon_deg - lon0_deg
        if turn > 180:
            turn -= 360
        elif turn < -180:
            turn += 360
        north = (lat_deg - lat0_deg) * north_m
        east = turn * east_m
        seconds = gap_ns * 1e-9
        self.from_position = True
        return self._fold(
            t_ns, sqrt(north * north + east * east) / seconds, 1.5 * _POSITION_NOISE_M / seconds
        )

    def _fold(self, t_ns: int, speed_m_s: float, noise_m_s: float | None) -> bool:
        if speed_m_s > self._maximum_m_s or not self.speed.update(t_ns, speed_m_s, noise_m_s):
            self.refused += 1
            return False
        self.void = False
        self.held_zero = speed_m_s == 0.0
        self.fixes += 1
        return True
