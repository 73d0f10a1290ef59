"""Where the rig went, in local metres: places, courses and how sharply it turned.

The plane is an azimuthal equidistant projection (pyproj, WGS 84) about the middle of the run: over a field
it is true to far below a receiver's own noise (a kilometre from the centre, lengths are off by 4e-9).

Between fixes places are interpolated in time; across a gap longer than MOST_GAP_S, and outside the first
and the last fix, they are unknown. The course is the receiver's own, from Doppler, where it states one, since
the positions of a low-cost receiver wander; else that of the positions over COURSE_S. What the antenna did is
what is known: it is taken to be above the boom's middle.

How sharply the rig turns is the change of the course over a window: a short one in a turn, where the course
changes soon, a long one on a straight line, where a short one would show the receiver's noise as turns. The
longest window is taken whose estimate agrees, within GAMMA standard deviations, with those of all shorter
ones: the intersection of confidence intervals of Goldenshluger and Nemirovski (1997), Mathematical Methods of
Statistics 6(2), 135-170.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from pyproj import Transformer

from rigmon.analysis.frames import Columns, Floats, Integers, Mask

#: a longer silence of the receiver leaves the way between its ends unknown [s]
MOST_GAP_S: Final = 3.0
#: course from positions is taken over this long [s]
COURSE_S: Final = 2.0
#: how sharply the rig turns is taken over one of these windows, shortest first [s]
TURN_S: Final = (2.0, 4.0, 8.0)
#: estimates over two windows agree within so many standard deviations of each
GAMMA: Final = 2.0
#: fewer courses than this do not tell the noise in them
LEAST_COURSES: Final = 20
#: slower than this a course means nothing [m/s]
SLOWEST_M_S: Final = 0.3
#: standard deviation over median absolute deviation, of a normal distribution
_SD_OF_MEDIAN: Final = 1.4826


@dataclass(frozen=True, slots=True)
class Plane:
    """The local plane of a run."""

    lat_deg: float  #: of its origin
    lon_deg: float

    def to_metres(self, lat_deg: Floats, lon_deg: Floats) -> tuple[Floats, Floats]:
        """East and north of the origin [m]."""
        east, north = self._transformer().transform(lon_deg, lat_deg)
        return np.asarray(east), np.asarray(north)

    def to_degrees(self, east_m: Floats, north_m: Floats) -> tuple[Floats, Floats]:
        """Latitude and longitude [deg]."""
        lon, lat = self._transformer().transform(east_m, north_m, direction="INVERSE")
        return np.asarray(lat), np.asarray(lon)

    def _transformer(self) -> Transformer:
        # the pipeline itself: a search for one between two reference systems finds the same, a hundred
        # times slower, and with the origin rounded
        return Transformer.from_pipeline(
            "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
            f"+step +proj=aeqd +lat_0={self.lat_deg!r} +lon_0={self.lon_deg!r} +ellps=WGS84"
        )


@dataclass(frozen=True, slots=True)
class Path:
    """The way of a run. Arrays are as long as the run has samples; NaN where unknown.

    Places are those at the begin and the end of each sample's interval, so that neighbouring samples join.
    """

    plane: Plane
    start_east_m: Floats
    start_north_m: Floats
    end_east_m: Floats
    end_north_m: Floats
    course_rad: Floats  #: clockwise from north, over the interval, without jumps at 360 degrees
    curvature_per_m: Floats  #: 1 / radius of the turn, positive to the right; 0 on a straight line

    @property
    def known(self) -> Mask:
        """Where both ends of the interval are known."""
        ends = (self.start_east_m, self.start_north_m, self.end_east_m, self.end_north_m)
        return np.asarray(~np.isnan(np.sum(ends, axis=0)))


def path_of(columns: Columns) -> Path | None:
    """The way of a run; None when it has fewer than two places."""
    fresh = columns.position_fresh
    if fresh.sum() < 2:
        return None
    t_s = columns.t_ns[fresh] / 1e9
    lat, lon = columns.lat_deg[fresh], np.unwrap(columns.lon_deg[fresh], period=360)
    middle = len(lat) // 2
    plane = Plane(float(np.sort(lat)[middle]), float((np.sort(lon)[middle] + 180) % 360 - 180))
    east, north = plane.to_metres(lat, lon)
    start_s, end_s = columns.start_ns / 1e9, columns.t_ns / 1e9
    start_east, start_north = _at(start_s, t_s, east), _at(start_s, t_s, north)
    end_east, end_north = _at(end_s, t_s, east), _at(end_s, t_s, north)
    middle_s = (start_s + end_s) / 2
    course = _course(columns, middle_s, t_s, east, north)
    curvature = _curvature(columns, middle_s, course)
    return Path(plane, start_east, start_north, end_east, end_north, course, curvature)


def _at(at_s: Floats, t_s: Floats, value: Floats) -> Floats:
    """Linear between fixes; NaN in gaps and beyond the ends."""
    found = np.interp(at_s, t_s, value, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(t_s, at_s), 1, len(t_s) - 1)
    gap = (t_s[after] - t_s[after - 1] > MOST_GAP_S) & (at_s != t_s[after]) & (at_s != t_s[after - 1])
    found[gap] = np.nan
    return found


def _course(columns: Columns, middle_s: Floats, t_s: Floats, east: Floats, north: Floats) -> Floats:
    half = COURSE_S / 2
    moved_east = _at(middle_s + half, t_s, east) - _at(middle_s - half, t_s, east)
    moved_north = _at(middle_s + half, t_s, north) - _at(middle_s - half, t_s, north)
    course = np.arctan2(moved_east, moved_north)
    course[np.hypot(moved_east, moved_north) < SLOWEST_M_S * COURSE_S] = np.nan
    told = _told(columns)
    if told is not None:
        at = _at(middle_s, *told)
        course = np.where(np.isnan(at) | ~(columns.speed_m_s >= SLOWEST_M_S), course, at)
    known = np.flatnonzero(~np.isnan(course))
    course[known] = np.unwrap(course[known])
    return course


def _told(columns: Columns) -> tuple[Floats, Floats] | None:
    """When the receiver stated a course at a speed at which it means something [s], and which [rad]."""
    usable = columns.position_fresh & ~np.isnan(columns.track_deg) & (columns.speed_m_s >= SLOWEST_M_S)
    if usable.sum() < 2:
        return None
    return columns.t_ns[usable] / 1e9, np.unwrap(np.radians(columns.track_deg[usable]))


def _sideways_noise_m_s(columns: Columns) -> float:
    """Noise of the course as a speed across it [m/s]: white noise in a Doppler velocity turns the course the
    more, the slower the rig.

    From second differences, whose variance is 1.5 times that of white noise, by their median, which leaves
    turns out. Noise that lingers does not show here: then more is taken for turns than was one.
    """
    told = _told(columns)
    if told is None or len(told[0]) < LEAST_COURSES:
        return 0.0
    course = told[1]
    speed = np.interp(told[0], columns.t_ns / 1e9, np.nan_to_num(columns.speed_m_s))
    odd = (course[1:-1] - (course[:-2] + course[2:]) / 2) * speed[1:-1]
    return float(np.median(np.abs(odd)) * _SD_OF_MEDIAN / np.sqrt(1.5))


def _curvature(columns: Columns, middle_s: Floats, course: Floats) -> Floats:
    """Per sample, from the longest window that agrees with all shorter ones; NaN where no course is known."""
    curvature = np.full(len(columns), np.nan)
    known = np.flatnonzero(~np.isnan(course) & (columns.speed_m_s >= SLOWEST_M_S))
    if len(known) < 3:
        return curvature
    t, angle, speed = middle_s[known], course[known], columns.speed_m_s[known]
    noise_rad = _sideways_noise_m_s(columns) / speed
    chosen, sd = _turned(t, angle, speed, noise_rad, TURN_S[0])
    low, high = chosen - GAMMA * sd, chosen + GAMMA * sd
    agrees = ~np.isnan(chosen)
    for window_s in TURN_S[1:]:
        longer, sd = _turned(t, angle, speed, noise_rad, window_s)
        low, high = np.maximum(low, longer - GAMMA * sd), np.minimum(high, longer + GAMMA * sd)
        agrees &= low <= high  # False from an unknown one on
        chosen = np.where(agrees, longer, chosen)
    curvature[known] = _ends_filled(t, chosen)
    return curvature


def _ends_filled(t: Floats, turn: Floats) -> Floats:
    """Where there is no neighbour on one side, at the ends of what is known: as sharply as just inside."""
    found = np.flatnonzero(~np.isnan(turn))
    if not len(found):
        return turn
    after = np.clip(np.searchsorted(found, np.arange(len(turn))), 0, len(found) - 1)
    before = np.maximum(after - 1, 0)
    nearer = t[found[after]] - t < t - t[found[before]]
    nearest = np.where(nearer | (found[after] <= np.arange(len(turn))), found[after], found[before])
    return np.where(np.abs(t[nearest] - t) <= TURN_S[0], turn[nearest], np.nan)


def _turned(
    t: Floats, angle: Floats, speed: Floats, noise_rad: Floats, window_s: float
) -> tuple[Floats, Floats]:
    """By how much the mean course of the second half of a window differs from the first half's, per metre,
    and the standard deviation of that."""
    turn, sd = np.full(len(t), np.nan), np.full(len(t), np.nan)
    here = np.arange(len(t))
    # at least one neighbour on each side: a receiver may give no more than a course a second
    first = np.minimum(np.searchsorted(t, t - window_s / 2), np.maximum(here - 1, 0))
    after = np.maximum(np.searchsorted(t, t + window_s / 2, side="right"), np.minimum(here + 2, len(t)))

    def mean(values: Floats, low: Integers, high: Integers) -> Floats:
        total = np.concatenate(([0.0], np.cumsum(values - values[0])))
        return np.asarray((total[high] - total[low]) / (high - low) + values[0])

    both = (here > first) & (after > here + 1)
    low, at, high = first[both], here[both], after[both]
    turned = mean(angle, at + 1, high) - mean(angle, low, at)
    took_s = mean(t, at + 1, high) - mean(t, low, at)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_angle = np.where(took_s <= window_s + MOST_GAP_S, 1 / (took_s * mean(speed, low, high)), np.nan)
    turn[both] = turned * per_angle
    sd[both] = np.abs(per_angle) * noise_rad[both] * np.sqrt(1 / (at - low) + 1 / (high - at - 1))
    return turn, sd
