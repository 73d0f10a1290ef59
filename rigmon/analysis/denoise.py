"""The dose distribution without the receiver's own noise.

Noise in the speed scatters the doses, and a scatter that was not on the ground makes the share of area in
tolerance come out wrong: at 0.06 m/s of lingering noise by several points. Averaging over a second takes
the white part of it out. The part that lingers looks like the driver's wander; it is told apart by the
receiver's other witness, its positions. Speed from Doppler and speed from positions see the same motion
but not the same noise, so their covariance is the variance of the motion alone, and

    motion's share = cov(Doppler, positions) / var(Doppler)

says by how much the quick deviations of speed are to be drawn in (to its square root) for their scatter to
be that of the motion. Deviations that last for a minute are left as they are: noise averages out of them.
This changes no sum: distance, area, volume and mean rate are what they are.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from pyproj import Transformer

from rigmon.analysis.frames import Columns, Floats, Mask

#: averaging window [s]: shorter than a driver can change the speed of a loaded rig by much
WINDOW_S: Final = 1.0
#: what lasts longer than this is not drawn in [s]
SLOW_S: Final = 40.0
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
            seen[part] = witness - _mean_rate(marks, path, middle, SLOW_S)
    # A slow stretch is not noise: what is far outside the usual scatter neither decides how much to draw
    # in nor is drawn in by more than the scatter is.
    usual = USUAL_SD * _SD_OF_MEDIAN * float(np.median(np.abs(quick[mask]))) if mask.any() else 0.0
    share = _motion_share(np.where(np.abs(quick) <= usual, quick, np.nan), seen, columns.dt_ns / 1e9)
    drawn_in = (1 - np.sqrt(share)) * np.clip(quick[mask], -usual, usual)
    speed[mask] = slow[mask] + quick[mask] - drawn_in
    return Denoised(speed, flow, share)


def _mean_rate(marks: Floats, total: Floats, at: Floats, window_s: float) -> Floats:
    """Rise of a running total per second, over a window about each time, cut off at the ends."""
    low = np.maximum(at - window_s / 2, marks[0])
    high = np.minimum(at + window_s / 2, marks[-1])
    # at the ends the window keeps its length by reaching further in
    low = np.maximum(np.minimum(low, high - window_s), marks[0])
    high = np.minimum(np.maximum(high, low + window_s), marks[-1])
    mean: Floats = (np.interp(high, marks, total) - np.interp(low, marks, total)) / (high - low)
    return mean


class _Track:
    """Where the rig was, in local metres, from fresh positions."""

    def __init__(self, columns: Columns) -> None:
        fresh = columns.position_fresh
        self._t = columns.t_ns[fresh] / 1e9
        lat, lon = columns.lat_deg[fresh], columns.lon_deg[fresh]
        if len(self._t) > 1:
            to_plane = Transformer.from_crs(
                "EPSG:4326", f"+proj=aeqd +lat_0={lat[0]} +lon_0={lon[0]} +datum=WGS84", always_xy=True
            )
            self._east, self._north = to_plane.transform(lon, lat)

    def speed(self, at: Floats, start: float, end: float) -> Floats:
        """Speed along the course from positions, over WINDOW_S; NaN where positions are missing."""
        unknown = np.full(len(at), np.nan)
        if len(self._t) < 3:
            return unknown
        low, high = np.maximum(at - WINDOW_S / 2, start), np.minimum(at + WINDOW_S / 2, end)
        gap = (
            self._t[np.minimum(np.searchsorted(self._t, high), len(self._t) - 1)]
            - self._t[np.maximum(np.searchsorted(self._t, low, "right") - 1, 0)]
        )
        if (gap > WINDOW_S + 3.0).any() or low[0] < self._t[0] - 1 or high[-1] > self._t[-1] + 1:
            return unknown
        east, north = self._moved(low, high)
        course_low, course_high = np.maximum(at - COURSE_S / 2, start), np.minimum(at + COURSE_S / 2, end)
        course_east, course_north = self._moved(course_low, course_high)
        length = np.hypot(course_east, course_north)
        with np.errstate(invalid="ignore", divide="ignore"):
            along = (east * course_east + north * course_north) / length
            speed: Floats = along / (high - low)
        return speed

    def _moved(self, low: Floats, high: Floats) -> tuple[Floats, Floats]:
        east = np.interp(high, self._t, self._east) - np.interp(low, self._t, self._east)
        north = np.interp(high, self._t, self._north) - np.interp(low, self._t, self._north)
        return east, north


def _motion_share(quick: Floats, seen: Floats, dt_s: Floats) -> float:
    """cov / var over all that both witnesses saw; 1 where that is too little or too uncertain."""
    both = ~(np.isnan(quick) | np.isnan(seen))
    if dt_s[both].sum() < LEAST_S:
        return 1.0
    weights, x, y = dt_s[both], quick[both], seen[both]
    blocks = np.minimum(np.arange(len(x)) * _BLOCKS // len(x), _BLOCKS - 1)
    cov = np.bincount(blocks, weights * x * y, _BLOCKS)
    var = np.bincount(blocks, weights * x * x, _BLOCKS)
    if not var.sum() > 0:
        return 1.0
    share = cov.sum() / var.sum()
    # leave one block out in turn: the jackknife's standard error of the ratio
    without = (cov.sum() - cov) / np.maximum(var.sum() - var, 1e-30)
    error = np.sqrt((_BLOCKS - 1) / _BLOCKS * np.sum((without - without.mean()) ** 2))
    if not error < LEAST_CERTAIN:
        return 1.0
    return float(min(max(share, 0.0), 1.0))
