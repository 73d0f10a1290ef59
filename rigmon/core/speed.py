"""Ground speed and its standard deviation from Doppler speeds.

A two-state Kalman filter, speed and acceleration, driven by white jerk that is constant over a step:
G = [T^2/2, T], Q = G G' w^2. At a fixed step its gain settles at the alpha-beta gains that Kalata (1984)
gives in closed form for the tracking index T^2 w / v (T step, w jerk noise, v measurement noise).
The jerk noise is scaled with 1/T, so that the filter behaves alike at every update rate.
"""

from math import sqrt
from typing import Final

#: speeds further from the expected one than this many standard deviations, and more than the rig could
#: have gained, are refused
_GATE_SD: Final = 6.0
_GATE_M_S2: Final = 4.0
#: so many refused in a row, and the filter believes them after all
_REFUSED_MAX: Final = 4
#: a gap after which the filter starts afresh
_FRESH_START_S: Final = 5.0
#: acceleration is not carried further than this: a second after the last fix of a 1 Hz receiver it would tell
#: of speeds that were never driven, for its noise grows with the time it is carried
_CARRY_S: Final = 0.25


class SpeedFilter:
    """Feed `update` with each Doppler speed; ask `at` for the estimate."""

    __slots__ = (
        "_accel",
        "_jerk2",
        "_noise2",
        "_p11",
        "_p12",
        "_p22",
        "_refused",
        "_speed",
        "_t_ns",
    )

    def __init__(self, noise_m_s: float, jerk_m_s3: float) -> None:
        self._noise2 = noise_m_s * noise_m_s
        self._jerk2 = jerk_m_s3 * jerk_m_s3
        self._t_ns: int | None = None
        self._speed = self._accel = 0.0
        self._p11 = self._p12 = self._p22 = 0.0
        self._refused = 0

    @property
    def t_ns(self) -> int | None:
        """Stamp of the newest accepted speed."""
        return self._t_ns

    def update(self, t_ns: int, speed_m_s: float, noise_m_s: float | None = None) -> bool:
        """Fold in one speed. Returns False when it was refused as implausible."""
        noise2 = self._noise2 if noise_m_s is None else noise_m_s * noise_m_s
        if self._t_ns is None:
            self._start(t_ns, speed_m_s, noise2)
            return True
        dt = (t_ns - self._t_ns) * 1e-9
        if dt > _FRESH_START_S:
            self._start(t_ns, speed_m_s, noise2)
            return True
        if dt > 0:
            p12, p22 = self._p12, self._p22
            q = self._jerk2 * dt  # w^2 T^2, with w^2 = jerk^2 / T
            speed = self._speed + self._accel * dt
            p11 = self._p11 + dt * (2 * p12 + dt * p22) + q * dt * dt * 0.25
            p12 += dt * p22 + q * dt * 0.5
            p22 += q
        else:
            speed, p11, p12, p22 = self._speed, self._p11, self._p12, self._p22
        s = p11 + noise2
        innovation = speed_m_s - speed
        if abs(innovation) > _GATE_SD * sqrt(s) + _GATE_M_S2 * max(dt, 0.0):
            self._refused += 1
            if self._refused < _REFUSED_MAX:
                return False
            self._start(t_ns, speed_m_s, noise2)
            return True
        k1, k2 = p11 / s, p12 / s
        self._speed = speed + k1 * innovation
        self._accel += k2 * innovation
        self._p11 = (1 - k1) * p11
        self._p12 = (1 - k1) * p12
        self._p22 = p22 - k2 * p12
        self._t_ns = t_ns
        self._refused = 0
        return True

    def at(self, t_ns: int) -> tuple[float, float]:
        """(speed, standard deviation) [m/s] at `t_ns`. Only after a first `update`."""
        if t_ns == self._t_ns:
            speed = self._speed
            return (speed if speed > 0 else 0.0), sqrt(self._p11)
        dt = (t_ns - (self._t_ns or 0)) * 1e-9
        speed = self._speed + self._accel * min(dt, _CARRY_S)
        variance = self._p11 + dt * (2 * self._p12 + dt * self._p22) + self._jerk2 * dt * dt * dt * 0.25
        return (speed if speed > 0 else 0.0), sqrt(max(variance, 0.0))

    @property
    def gains(self) -> tuple[float, float]:
        """(alpha, beta/T): the gains on speed and on acceleration that the newest update used."""
        return self._p11 / self._noise2, self._p12 / self._noise2

    def _start(self, t_ns: int, speed_m_s: float, noise2: float) -> None:
        self._t_ns = t_ns
        self._speed, self._accel = speed_m_s, 0.0
        self._p11, self._p12 = noise2, 0.0
        self._p22 = 0.25  # (0.5 m/s2)^2: how hard a rig may be speeding up when first seen
        self._refused = 0
