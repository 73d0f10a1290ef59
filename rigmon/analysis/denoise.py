"""The dose distribution without the receiver's own noise.

Noise in the speed scatters the doses, and a scatter that was not on the ground makes the share of area in
tolerance come out wrong: at 0.06 m/s of lingering noise by several points. Averaging over a second takes
the white part of it out. The part that lingers looks like the driver's wander; it is told apart by the
receiver's other witness, its positions. Speed from Doppler and speed from positions see the same motion
but not the same noise, so their covariance is the variance of the motion alone, and what each has beyond it
is its noise. Hence, for the quick deviations of speed from its mean over a minute:

1. the two are averaged, each weighted by the inverse of its noise variance (the weighted mean of JCGM
   100:2008, as in any textbook of least squares; the noises are independent);
2. motion's share = cov(Doppler, positions) / var(that average) says by how much the average is to be drawn in
   (to the share's square root) for its scatter to be that of the motion.

Deviations that last longer are left as Doppler has them: noise averages out of them. This changes no sum:
distance, area, volume and mean rate are what they are.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from rigmon.analysis.frames import Columns, Floats, Mask
from rigmon.analysis.path import Plane

#: averaging window [s]: shorter than a driver can change the speed of a loaded rig by much
WINDOW_S: Final = 1.0
#: what lasts longer than this is not drawn in [s]
SLOW_S: Final = 60.0
#: course is taken over this long [s]
COURSE_S: Final = 10.0
#: a flow this far from the mean about it is a step or a ramp, not noise, and stays as it is
FLOW_STEP: Final = 0.05
#: fewer seconds with position than this cannot tell noise from motion [s]
LEAST_S: Final = 120.0
#: an estimate of the motion's share less certain than this (standard error) is not used
LEAST_CERTAIN: Final = 0.2
#: quick deviations beyond this many standard deviations are not scatter
USUAL_SD: Final = 2.5
#: standard deviation over median absolute deviation, of a normal distribution
_SD_OF_MEDIAN: Final = 1.4826
_BLOCKS: Final = 12
#: more than this of the motion's variance is not put down to the averaging
MOST_SMOOTHED: Final = 0.1


@dataclass(frozen=True, slots=True)
class Denoised:
    """Speed and flow per sample, NaN outside the mask; the motion's share of the quick variance."""

    speed_m_s: Floats
    flow_l_s: Floats
    motion_share: float


def denoise(columns: Columns, mask: Mask) -> Denoised:
    """Speed and flow for each sample of `mask` (distance and volume known there)."""
    n = len(columns)
    speed, flow = np.full(n, np.nan), np.full(n, np.nan)
    quick, slow, seen = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    wider, wider_seen = np.full(n, np.nan), np.full(n, np.nan)
    track = _Track(columns)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        part = slice(first, after)
        dt = columns.dt_ns[part] / 1e9
        ends = columns.t_ns[part] / 1e9
        marks = np.concatenate(([ends[0] - dt[0]], ends))
        middle = ends - dt / 2
        travelled = np.concatenate(([0.0], np.cumsum(columns.distance_m[part])))
        near = _mean_rate(marks, travelled, middle, WINDOW_S)
        slow[part] = _mean_rate(marks, travelled, middle, SLOW_S)
        quick[part] = near - slow[part]
        applied = np.concatenate(([0.0], np.cumsum(columns.volume_l[part])))
        own, mean = columns.volume_l[part] / dt, _mean_rate(marks, applied, middle, WINDOW_S)
        flow[part] = np.where(np.abs(mean - own) <= FLOW_STEP * own, mean, own)
        witness = track.speed(middle, marks[0], marks[-1])
        known = ~np.isnan(witness)
        if known.all() and len(middle) > 1:
            path = np.concatenate(([0.0], np.cumsum(witness * dt)))
            slow_seen = _mean_rate(marks, path, middle, SLOW_S)
            seen[part] = witness - slow_seen
            wider[part] = _mean_rate(marks, travelled, middle, 2 * WINDOW_S) - slow[part]
            wider_seen[part] = _mean_rate(marks, path, middle, WINDOW_S) - slow_seen
    weights = columns.dt_ns / 1e9
    both = _averaged(quick, seen, weights, _usual(quick[mask]))
    usual = _usual(both[mask])
    share = _motion_share(np.where(np.abs(both) <= usual, both, np.nan), quick, seen, weights)
    known = (np.abs(both) <= usual) & ~np.isnan(seen)
    smoothed = _smoothed_away(quick, seen, wider, wider_seen, np.where(known, weights, 0.0))
    drawn_in = (1 - np.sqrt(share * (1 + smoothed))) * np.clip(both[mask], -usual, usual)
    speed[mask] = slow[mask] + both[mask] - drawn_in
    return Denoised(speed, flow, share)


def _usual(quick: Floats) -> float:
    """Where the usual scatter ends. A slow stretch is not noise: what is beyond neither decides how much to
    draw in nor is drawn in by more than the scatter is."""
    return USUAL_SD * _SD_OF_MEDIAN * float(np.median(np.abs(quick))) if len(quick) else 0.0


def _averaged(quick: Floats, seen: Floats, weights: Floats, usual: float) -> Floats:
    """Both witnesses' quick deviations in one, the noisier with less weight; Doppler's where it is alone."""
    known = (np.abs(quick) <= usual) & ~np.isnan(seen)
    if weights[known].sum() < LEAST_S:
        return quick
    part = weights[known] / weights[known].sum()
    motion = float(np.sum(part * quick[known] * seen[known]))
    noise = max(float(np.sum(part * quick[known] ** 2)) - motion, 0.0)
    noise_seen = max(float(np.sum(part * seen[known] ** 2)) - motion, 0.0)
    if not noise + noise_seen > 0:
        return quick
    weight_seen = noise / (noise + noise_seen)
    return np.where(np.isnan(seen), quick, (1 - weight_seen) * quick + weight_seen * seen)


def _smoothed_away(quick: Floats, seen: Floats, wider: Floats, wider_seen: Floats, weights: Floats) -> float:
    """Variance of the motion that averaging over WINDOW_S has taken, as a share of what it has left.

    A mean over W takes W^2/12 x the variance of the motion's rate of change, to first order. With Doppler
    and positions averaged over W, their covariance lacks 2 W^2/12 of it; with Doppler averaged over 2 W and
    positions twice over W, 6 W^2/12.
    """
    if weights.sum() < LEAST_S:
        return 0.0
    used = weights > 0
    once = float(np.sum(weights[used] * quick[used] * seen[used]))
    twice = float(np.sum(weights[used] * wider[used] * wider_seen[used]))
    if not once > 0:
        return 0.0
    return min(max((once - twice) / once * 2 / (6 - 2), 0.0), MOST_SMOOTHED)


def _window(at: Floats, window_s: float, first: float, last: float) -> tuple[Floats, Floats]:
    """From when to when a window about each time reaches, between `first` and `last`."""
    low = np.maximum(at - window_s / 2, first)
    high = np.minimum(at + window_s / 2, last)
    # at the ends it keeps its length by reaching further in
    low = np.maximum(np.minimum(low, high - window_s), first)
    return low, np.minimum(np.maximum(high, low + window_s), last)


def _mean_rate(marks: Floats, total: Floats, at: Floats, window_s: float) -> Floats:
    """Rise of a running total per second, over a window about each time, cut off at the ends."""
    low, high = _window(at, window_s, marks[0], marks[-1])
    mean: Floats = (np.interp(high, marks, total) - np.interp(low, marks, total)) / (high - low)
    return mean


class _Track:
    """Where the rig was, in local metres, from fresh positions."""

    def __init__(self, columns: Columns) -> None:
        fresh = columns.position_fresh
        self._t = columns.t_ns[fresh] / 1e9
        lat, lon = columns.lat_deg[fresh], columns.lon_deg[fresh]
        if len(self._t) > 1:
            plane = Plane(float(lat[0]), float(lon[0]))
            self._east, self._north = plane.to_metres(lat, lon)

    def speed(self, at: Floats, start: float, end: float) -> Floats:
        """Speed along the course from positions, over WINDOW_S; NaN where positions are missing."""
        unknown = np.full(len(at), np.nan)
        if len(self._t) < 3:
            return unknown
        if start < self._t[0] - 1 or end > self._t[-1] + 1:
            return unknown
        first, last = max(start, self._t[0]), min(end, self._t[-1])
        if not last - first > WINDOW_S:
            return unknown
        low, high = _window(at, WINDOW_S, first, last)
        gap = (
            self._t[np.minimum(np.searchsorted(self._t, high), len(self._t) - 1)]
            - self._t[np.maximum(np.searchsorted(self._t, low, "right") - 1, 0)]
        )
        if (gap > WINDOW_S + 3.0).any():
            return unknown
        east, north = self._moved(low, high)
        course_east, course_north = self._moved(*_window(at, COURSE_S, first, last))
        length = np.hypot(course_east, course_north)
        with np.errstate(invalid="ignore", divide="ignore"):
            along = (east * course_east + north * course_north) / length
            speed: Floats = along / (high - low)
        return speed

    def _moved(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        east = np.interp(high, self._t, self._east) - np.interp(low, self._t, self._east)
        north = np.interp(high, self._t, self._north) - np.interp(low, self._t, self._north)
        return east, north


def _motion_share(both: Floats, quick: Floats, seen: Floats, dt_s: Floats) -> float:
    """cov(quick, seen) / var(both) over what both witnesses saw; 1 where that is too little or uncertain."""
    known = ~(np.isnan(both) | np.isnan(seen))
    if dt_s[known].sum() < LEAST_S:
        return 1.0
    weights = dt_s[known]
    blocks = np.minimum(np.arange(len(weights)) * _BLOCKS // len(weights), _BLOCKS - 1)
    cov = np.bincount(blocks, weights * quick[known] * seen[known], _BLOCKS)
    var = np.bincount(blocks, weights * both[known] ** 2, _BLOCKS)
    if not var.sum() > 0:
        return 1.0
    share = cov.sum() / var.sum()
    # leave one block out in turn: the jackknife's standard error of the ratio
    without = (cov.sum() - cov) / np.maximum(var.sum() - var, 1e-30)
    error = np.sqrt((_BLOCKS - 1) / _BLOCKS * np.sum((without - without.mean()) ** 2))
    if not error < LEAST_CERTAIN:
        return 1.0
    return float(min(max(share, 0.0), 1.0))
