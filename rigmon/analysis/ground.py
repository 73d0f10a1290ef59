"""A run's ground: what each sample treated, with which dose, and what is not known of it.

Words used below:

on              the boom is on (boom_on = 1)
treated         on, and the area is known
rated           treated, and the volume is known: ground with a dose
unknown         on, and area or volume not known; or the boom's state itself not known
dose [L/ha]     volume over area of a piece of ground, x 1e4 m2/ha
piece           one rated sample; but neighbouring rated samples below rig.speed.minimum are one piece
                together, since at such speeds the noise of the speed would scatter their doses at random

Spraying below rig.speed.minimum: no rate is stated live, but the volume went onto the ground, so it counts
in volume, area, mean and distribution, at the dose that volume over area gives (with the usual flow: far
over the target). Standing still with the boom on adds volume and no area: it raises the mean, and it
belongs to the dose of the slow piece around it.

Noise of the sensors makes doses and speeds look more scattered than they were. It is taken out of their
spread before they are sorted by tolerance or band, see `rigmon.analysis.denoise`; sums and means are as
measured. A run too short to tell noise from motion is only smoothed over a second.
"""

from enum import IntEnum
from math import isfinite
from typing import Any, Final

import numpy as np
from pyproj import Geod

from rigmon.analysis.denoise import denoise
from rigmon.analysis.frames import Columns, Floats, Integers, Mask, RunData

# Limits are inclusive; this keeps a dose that is exactly on one from falling out by rounding.
SLACK: Final = 1e-9
_GEOD: Final = Geod(ellps="WGS84")


class Kind(IntEnum):
    """What became of a piece of ground."""

    NOTHING = 0  #: nothing was applied
    IN = 1  #: within the tolerance, its limits included
    UNDER = 2
    OVER = 3
    UNKNOWN = 4


class Ground:
    """Every sample's part in the ground: treated, rated, unknown; its dose and its kind."""

    def __init__(self, run: RunData) -> None:
        columns, rig = run.columns, run.rig
        self.columns = columns
        self.rig = rig
        self.dt_s = columns.dt_s
        boom_unknown = np.isnan(columns.boom_on)
        on = columns.boom_on == 1
        area_known = ~np.isnan(columns.area_m2)
        volume_known = ~np.isnan(columns.volume_l)
        self.treated: Mask = on & area_known
        self.rated: Mask = self.treated & volume_known
        self.unknown: Mask = boom_unknown | (on & ~(area_known & volume_known))
        self.distance_m = np.where(
            np.isnan(columns.distance_m), estimated_distance_m(columns), columns.distance_m
        )
        #: area of each sample, estimated where unknown [m2]
        self.area_m2 = np.where(area_known, columns.area_m2, self.distance_m * rig.swath_m)
        self.area_m2[boom_unknown] = self.distance_m[boom_unknown] * rig.swath_m
        #: fast enough for a rate
        self.moving: Mask = self.treated & (columns.distance_m >= rig.speed.minimum_m_s * self.dt_s)
        denoised = denoise(columns, self.rated)
        #: flow onto the rated ground, without noise [L/s]; NaN elsewhere
        self.flow_l_s = denoised.flow_l_s
        self._dose_speed_m_s = denoised.speed_m_s
        with np.errstate(divide="ignore", invalid="ignore"):
            measured = columns.distance_m / self.dt_s
        #: best knowledge of each sample's mean speed [m/s]
        self.mean_speed_m_s = np.where(np.isnan(denoised.speed_m_s), measured, denoised.speed_m_s)
        self._pieces()

    def _pieces(self) -> None:
        index = np.flatnonzero(self.rated)
        area, volume = self.columns.area_m2[index], self.columns.volume_l[index]
        slow = ~self.moving[index]
        joined = np.zeros(len(index), dtype=np.bool_)
        joined[1:] = slow[1:] & slow[:-1] & (np.diff(index) == 1)
        starts = np.flatnonzero(~joined)
        piece_of = np.cumsum(~joined) - 1
        self.piece_area_m2 = sums(area, starts)
        piece_volume = sums(volume, starts)
        has_ground = self.piece_area_m2 > 0
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            self.piece_dose_l_ha = np.where(has_ground, piece_volume / self.piece_area_m2 * 1e4, np.nan)
        self._refine(index[starts], has_ground & ~slow[starts] & (piece_volume > 0))

        part = self.rig.target.tolerance_pct / 100
        low = self.rig.target.rate_l_ha * (1 - part) * (1 - SLACK)
        high = self.rig.target.rate_l_ha * (1 + part) * (1 + SLACK)
        kind = np.full(len(starts), Kind.IN)
        kind[self.piece_dose_l_ha < low] = Kind.UNDER
        kind[self.piece_dose_l_ha > high] = Kind.OVER
        kind[~has_ground] = np.where(piece_volume[~has_ground] > 0, Kind.OVER, Kind.NOTHING)
        self.piece_kind = kind
        #: kind of each sample's ground; Kind.NOTHING where nothing was applied
        self.kind: Integers = np.full(len(self.columns), Kind.NOTHING)
        self.kind[index] = kind[piece_of]
        self.kind[self.unknown] = Kind.UNKNOWN
        #: dose of each rated sample's ground [L/ha]; NaN elsewhere, and where volume went onto no area
        self.dose_l_ha: Floats = np.full(len(self.columns), np.nan)
        self.dose_l_ha[index] = self.piece_dose_l_ha[piece_of]

    def _refine(self, index: Integers, known: Mask) -> None:
        """Doses of the `known` pieces (one sample each, `index`) by flow and speed without noise."""
        index = index[known]
        # a rig above the minimum on average over a sample is hardly below it over a second
        speed = np.maximum(self._dose_speed_m_s[index], self.rig.speed.minimum_m_s)
        self.piece_dose_l_ha[known] = self.flow_l_s[index] / (speed * self.rig.swath_m) * 1e4


def estimated_distance_m(columns: Columns) -> Floats:
    """An estimate of the distance [m] of the samples whose distance is unknown; NaN elsewhere.

    Between two known positions the rig is taken to have gone straight (geodesic on WGS 84) at an even
    speed; a bend makes this too short. The leg must be mostly gap, or a single far-off position would
    decide. Otherwise: the last known speed before x time; at the start of a run, the first one after.
    Nothing known: NaN.
    """
    estimate = np.full(len(columns), np.nan)
    gap = np.flatnonzero(np.isnan(columns.distance_m))
    if not len(gap):
        return estimate
    dt_s = columns.dt_s
    moving = np.flatnonzero(~np.isnan(columns.speed_m_s))
    if len(moving):
        before = np.searchsorted(moving, gap, side="left") - 1
        estimate[gap] = columns.speed_m_s[moving[np.maximum(before, 0)]] * dt_s[gap]
    known = np.flatnonzero(columns.position_fresh)
    leg = np.searchsorted(known, gap, side="left")  # the leg from known[leg - 1] to known[leg] ends after
    inside = (leg > 0) & (leg < len(known))
    gap, leg = gap[inside], leg[inside]
    if not len(gap):
        return estimate
    legs, leg = np.unique(leg, return_inverse=True)
    p, q = known[legs - 1], known[legs]
    _, _, length_m = _GEOD.inv(columns.lon_deg[p], columns.lat_deg[p], columns.lon_deg[q], columns.lat_deg[q])
    leg_s = (columns.t_ns[q] - columns.t_ns[p]) / 1e9
    gap_s = np.bincount(leg, weights=dt_s[gap])
    straight = ((leg_s > 0) & (gap_s >= 0.5 * leg_s * (1 - SLACK)))[leg]
    estimate[gap[straight]] = (np.asarray(length_m) / leg_s)[leg][straight] * dt_s[gap[straight]]
    return estimate


def positions(columns: Columns, at_ns: Integers) -> tuple[Floats, Floats]:
    """Latitude and longitude [deg] at times, linear between known positions; NaN before and after them."""
    known = columns.position_known
    if not known.any():
        nowhere = np.full(at_ns.shape, np.nan)
        return nowhere, nowhere
    t_ns = columns.t_ns[known]
    lon = np.unwrap(columns.lon_deg[known], period=360)  # a run may cross the 180th meridian
    lat_at = np.interp(at_ns, t_ns, columns.lat_deg[known], left=np.nan, right=np.nan)
    lon_at = np.interp(at_ns, t_ns, lon, left=np.nan, right=np.nan)
    wrapped = (lon_at < -180) | (lon_at > 180)
    return lat_at, np.where(wrapped, (lon_at + 180) % 360 - 180, lon_at)


def runs(mask: Mask) -> tuple[Integers, Integers]:
    """First and last index of each unbroken run of True."""
    edges = np.diff(mask.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1


def sums(values: Floats, starts: Integers) -> Floats:
    """Sum of each group of neighbours that begins at `starts`."""
    return np.add.reduceat(values, starts) if len(starts) else np.zeros(0)


def number(value: Any) -> float | None:
    """A finite Python float, or None."""
    return float(value) if value is not None and isfinite(value) else None
