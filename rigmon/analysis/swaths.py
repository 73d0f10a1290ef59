"""The ground under the boom as polygons, from the way of a run and the state of its boom.

From when the boom goes on until it goes off, its way is cut into pieces of nearly one course, and each piece
is the polygon between the left and the right end of the boom along it. Places and courses are averaged over
SMOOTH_S, since positions jump about by what a receiver prints of them, and thinned to steps of STEP_M or
STEP_RAD. Where the inner end of the boom runs backwards, a piece is made of the single steps' polygons.

Where the place was not known for up to BRIDGE_S the boom is taken to have gone straight on.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from rigmon.analysis.frames import Floats, Integers, Mask
from rigmon.analysis.ground import Ground, runs
from rigmon.analysis.path import MOST_GAP_S, Path
from rigmon.analysis.shapes import Shapes, areal, as_array, shapely, union

#: places and courses are means over this long [s]
SMOOTH_S: Final = 1.0
#: thinned to steps of this length, or to turns of this angle
STEP_M: Final = 0.5
STEP_RAD: Final = 0.1
#: a piece turns by no more than this from its first course
PIECE_RAD: Final = float(np.radians(15))
#: corners of outlines that stand out by less than this are left out [m]
OUTLINE_M: Final = 0.01
#: the boom is carried across unknown places for so long [s]
BRIDGE_S: Final = 30.0
#: samples further apart than this do not follow each other [s]
TORN_S: Final = 0.01
#: off for no longer than this, the boom does not end its pass [s]
BREAK_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Swaths:
    """Pieces of swath in the order of driving, and the ends of the passes.

    `course_rad` is the mean course of each piece, `sample` the sample that it begins with. `ends` are the
    last swath's width of ground at both ends of each pass. `assumed_m2`: ground between known places, where
    the boom was carried straight on; `unplaced_m2`: treated ground whose place is not known at all.
    """

    shape: Shapes
    course_rad: Floats
    sample: Integers
    ends: Shapes
    assumed_m2: float
    unplaced_m2: float


def swaths(ground: Ground, path: Path, on: Mask) -> Swaths:
    """The swaths of the samples in `on`."""
    columns, swath_m = ground.columns, ground.rig.swath_m
    start_s, end_s = columns.start_ns / 1e9, columns.t_ns / 1e9
    course_known = ~np.isnan(path.course_rad)
    first, last = _unbroken(on, start_s, end_s)
    rings: list[Floats] = []
    courses: list[float] = []
    samples: list[int] = []
    ends: list[Floats] = []
    placed, carried = np.zeros(len(columns), dtype=np.bool_), np.zeros(len(columns), dtype=np.bool_)
    if course_known.any() and path.known.any():
        middle_s = (start_s + end_s) / 2
        known_s, index = np.unique(
            np.concatenate((end_s[path.known], start_s[path.known])), return_index=True
        )
        places = (
            np.concatenate((end[path.known], start[path.known]))[index]
            for start, end in ((path.start_east_m, path.end_east_m), (path.start_north_m, path.end_north_m))
        )
        place_at = _Mean(known_s, *places)
        course_at = _Mean(middle_s[course_known], path.course_rad[course_known])
        bend = path.curvature_per_m * columns.speed_m_s**2
        bend_at = _Mean(middle_s, np.nan_to_num(bend)).nearest
        moved = np.where(ground.mean_speed_m_s < ground.rig.speed.stationary_m_s, 0, ground.distance_m)
        moved = np.nan_to_num(moved)
        for n, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
            at_s = np.concatenate((start_s[a : a + 1], end_s[a : b + 1]))
            (course,) = course_at(at_s)
            course = np.where(np.isnan(course), course_at.nearest(at_s), course)
            east, north = place_at(at_s)
            # in a turn of curvature k the mean over T lies inside the arc, by k (v T)^2 / 24
            inside_m = bend_at(at_s) * place_at.window_s(at_s) ** 2 / 24
            east, north = east - inside_m * np.cos(course), north + inside_m * np.sin(course)
            along = np.concatenate(([0.0], np.cumsum(moved[a : b + 1])))
            known = np.flatnonzero(~np.isnan(east))
            apart = np.flatnonzero(np.diff(at_s[known]) > BRIDGE_S) + 1
            groups = [group for group in np.split(known, apart) if len(group) > 1]
            strips = []
            for group in groups:
                placed[a + group[0] : a + group[-1]] = True
                # where the rig stands at an end of the strip, its place wanders
                moving = group[_moving(along[group])]
                nodes = moving[_thinned(along[moving], course[moving])]
                if along[nodes[-1]] > along[nodes[0]]:
                    strips.append((nodes, _edges(east[nodes], north[nodes], course[nodes], swath_m)))
            carried[a : b + 1] = placed[a : b + 1] & (np.isnan(east[:-1]) | np.isnan(east[1:]))
            for nodes, edges in strips:
                for low, high in _pieces(course[nodes]):
                    rings.append(_ring(edges[low:high]))
                    courses.append(float(course[nodes[low:high]].mean()))
                    samples.append(a + int(nodes[low]))
            if strips and (n == 0 or start_s[a] - end_s[last[n - 1]] > BREAK_S):
                nodes, edges = strips[0]
                ends.append(_head(along[nodes], edges, swath_m))
            if strips and (n == len(first) - 1 or start_s[first[n + 1]] - end_s[b] > BREAK_S):
                nodes, edges = strips[-1]
                ends.append(_head(-along[nodes][::-1], edges[::-1], swath_m))
    return Swaths(
        shape=_polygons(rings),
        course_rad=np.array(courses),
        sample=np.array(samples, dtype=np.int64),
        ends=_polygons(ends),
        assumed_m2=float(np.nansum(ground.area_m2[on & carried])),
        unplaced_m2=float(np.nansum(ground.area_m2[on & ~placed])),
    )


def _unbroken(on: Mask, start_s: Floats, end_s: Floats) -> tuple[Integers, Integers]:
    """First and last sample of each run of `on` without missing time between its samples."""
    first, last = runs(on)
    torn = np.flatnonzero(on[:-1] & on[1:] & (start_s[1:] - end_s[:-1] > TORN_S))
    return np.sort(np.concatenate((first, torn + 1))), np.sort(np.concatenate((last, torn)))


class _Mean:
    """Means of quantities over SMOOTH_S, from values at times in order; NaN in gaps and beyond the ends.

    Near a gap or an end the window is shorter, for it reaches as far to both sides.
    """

    def __init__(self, t_s: Floats, *values: Floats) -> None:
        self._t, self._values = t_s, values
        dt = np.diff(t_s)
        self._totals = [
            np.concatenate(([0.0], np.cumsum((v[1:] + v[:-1]) / 2 * dt))) for v in (w - w[0] for w in values)
        ]
        breaks = np.flatnonzero(dt > MOST_GAP_S)
        self._from = t_s[np.concatenate(([0], breaks + 1))]
        self._to = t_s[np.concatenate((breaks, [len(t_s) - 1]))]

    def __call__(self, at_s: Floats) -> list[Floats]:
        half = self._half_s(at_s)
        short = half < 1e-6
        outside = half < -1e-6
        width = np.where(short, 1.0, 2 * half)
        means = []
        for value, total in zip(self._values, self._totals, strict=True):
            rise = np.interp(at_s + half, self._t, total) - np.interp(at_s - half, self._t, total)
            mean = np.where(short, np.interp(at_s, self._t, value), rise / width + value[0])
            means.append(np.where(outside, np.nan, mean))
        return means

    def _half_s(self, at_s: Floats) -> Floats:
        part = np.clip(np.searchsorted(self._from, at_s, side="right") - 1, 0, None)
        return np.minimum(np.minimum(at_s - self._from[part], self._to[part] - at_s), SMOOTH_S / 2)

    def window_s(self, at_s: Floats) -> Floats:
        """How long the window about each time is."""
        return np.maximum(2 * self._half_s(at_s), 0.0)

    def nearest(self, at_s: Floats) -> Floats:
        """The first quantity, carried across gaps and beyond the ends."""
        return np.interp(at_s, self._t, self._values[0])


def _moving(along_m: Floats) -> slice:
    """Without the time at rest at both ends."""
    first = int(np.searchsorted(along_m, along_m[0], side="right")) - 1
    last = int(np.searchsorted(along_m, along_m[-1]))
    return slice(first, max(last, first) + 1)


def _thinned(along_m: Floats, course_rad: Floats) -> Integers:
    """Which places to keep: the first, the last, and one each step of length or turn."""
    turned = np.concatenate(([0.0], np.cumsum(np.abs(np.diff(course_rad)))))
    step = np.floor((along_m - along_m[0]) / STEP_M + turned / STEP_RAD)
    keep = np.concatenate(([True], step[1:] > step[:-1]))
    # a remainder is not a step of its own, for neighbours closer than the noise would cross
    kept = np.flatnonzero(keep)
    if kept[-1] != len(along_m) - 1:
        if len(kept) > 2 and along_m[-1] - along_m[kept[-1]] < STEP_M / 2:
            kept = kept[:-1]
        kept = np.append(kept, len(along_m) - 1)
    return kept


def _edges(east: Floats, north: Floats, course_rad: Floats, swath_m: float) -> Floats:
    """Left and right end of the boom at each place: shape (places, 2 ends, 2 coordinates)."""
    place = np.stack((east, north), axis=-1)
    to_right = np.stack((np.cos(course_rad), -np.sin(course_rad)), axis=-1) * (swath_m / 2)
    return np.stack((place - to_right, place + to_right), axis=1)


def _head(along_m: Floats, edges: Floats, length_m: float) -> Floats:
    """The ring round the first so many metres."""
    to_m = along_m[0] + length_m
    whole = edges[along_m < to_m]
    if to_m <= along_m[-1]:
        cut = [np.interp(to_m, along_m, edges[:, side, axis]) for side in (0, 1) for axis in (0, 1)]
        whole = np.concatenate((whole, np.reshape(cut, (1, 2, 2))))
    return _ring(whole)


def _ring(edges: Floats) -> Floats:
    """Along the left end and back along the right."""
    return np.concatenate((edges[:, 0], edges[::-1, 1]))


def _pieces(course_rad: Floats) -> list[tuple[int, int]]:
    """(first, after the last) of pieces that turn by no more than PIECE_RAD; neighbours share a place."""
    pieces = []
    low, last = 0, len(course_rad) - 1
    while low < last:
        beyond = np.abs(course_rad[low + 1 :] - course_rad[low]) > PIECE_RAD
        high = low + 1 + int(np.argmax(beyond)) if beyond.any() else last
        pieces.append((low, high + 1))
        low = high
    return pieces


def _polygons(rings: list[Floats]) -> Shapes:
    """Valid polygons from rings; those that cross themselves are made of their single steps.

    Outlines are simplified (Douglas and Peucker, 1973): half the time for what follows, 0.01 % of the area.
    """
    library = shapely()
    if not rings:
        return as_array([])
    lengths = [len(ring) for ring in rings]
    which = np.repeat(np.arange(len(rings)), lengths)
    shapes = np.asarray(
        library.polygons(library.linearrings(np.concatenate(rings), indices=which)), dtype=object
    )
    for k in np.flatnonzero(~library.is_valid(shapes)).tolist():
        half = lengths[k] // 2
        left, right = rings[k][:half], rings[k][half:][::-1]
        steps = np.stack((left[:-1], left[1:], right[1:], right[:-1]), axis=1)
        quads = np.asarray(library.polygons(steps), dtype=object)
        shapes[k] = union(areal(np.asarray(library.make_valid(quads), dtype=object)))
    return np.asarray(library.simplify(shapes, OUTLINE_M), dtype=object)
