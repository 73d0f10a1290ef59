"""Which ground was covered, how often, and what lies between: in square metres, and as shapes for a map.

covered          by the boom while on, from the receiver's positions; once, twice, more often
overlap          ground covered at least twice. Headland overlap lies within a swath's width of the end of a
                 pass, or where two courses differ by more than CROSSING_RAD; the rest is pass overlap
gap              uncovered ground between covered ground: narrower than WIDEST_GAP swaths, and with covered
                 ground along at least ENCLOSED of its outline (a missed pass is a gap, the open side of a
                 field is none). With a boundary: all uncovered ground inside it
found, possible  ground (of gaps, of overlap) at least as wide as the position uncertainty is found; what is
                 narrower may be nothing but the receiver's error

The position uncertainty (standard, k = 1) is that of one pass beside another, since gaps and overlaps lie
between passes driven at different times. Where it is not given, DEFAULT_UNCERTAINTY_M is taken, the order of
what receivers without corrections show from one pass to the next (from memory); or the step in which the
receiver prints its positions, where that is coarser.

The expanded uncertainty of an area (k = 2) has two parts, added as squares (JCGM 100:2008, 5.1.2): twice the
position uncertainty x the root of the sum of the squares of the lengths of its strips, since along one strip
the error is taken to be alike, from strip to strip independent; and what is only possible, in full, since
noise opens gaps and makes overlap where passes abut.
"""

from math import pi
from typing import Any, Final

import numpy as np

from rigmon.analysis.boundary import Boundary
from rigmon.analysis.frames import Floats
from rigmon.analysis.ground import Ground
from rigmon.analysis.path import Path
from rigmon.analysis.shapes import (
    Shapes,
    as_array,
    layers,
    length_and_width_m,
    overlay,
    parts,
    shapely,
    union,
    wide_part,
)
from rigmon.analysis.swaths import Swaths, swaths

DEFAULT_UNCERTAINTY_M: Final = 1.0
#: of latitude, 1 nautical mile
METRES_PER_MINUTE: Final = 1852.0
CROSSING_RAD: Final = pi / 6
#: gaps without a boundary are narrower than this [swaths]: one missed pass, its neighbours not quite abutting
WIDEST_GAP: Final = 1.5
#: and wider than this [m]: narrower ones come of the polygons' corners
LEAST_WIDTH_M: Final = 0.05
#: and have covered ground along this share of their outline
ENCLOSED: Final = 0.65
#: gaps that only hang together by something narrower are parted [m]
SLIVER_M: Final = 0.2
#: smaller gaps are not listed (but counted in the areas) [m2]
LEAST_M2: Final = 0.5
#: no more gaps than this are listed, the largest
MOST_GAPS: Final = 200
#: fewer places do not tell in which step they are printed
_LEAST_PLACES: Final = 20
#: an outline this near to covered ground runs along it [m]
_ALONG_M: Final = 0.01
_COURSE_BINS: Final = 36


class Coverage:
    """The covered ground of a run. The shapes are shapely geometries in the plane of `plane` [m].

    swaths       pieces of swath in the order of driving, with course and first sample
    covered      their union; `twice`: ground covered at least twice; `more`: at least three times
    headland     the part of `twice` that is headland overlap
    gaps         polygons, largest first; `gaps_found`: which of them are found, the others are possible
    field        the boundary; None: none was given
    """

    def __init__(
        self,
        ground: Ground,
        path: Path,
        boundary: Boundary | None = None,
        position_uncertainty_m: float | None = None,
    ) -> None:
        """Raises UsageError for a boundary that is nowhere near the run."""
        columns = ground.columns
        self.plane = path.plane
        self.swath_m = ground.rig.swath_m
        self.position_uncertainty_m, self.position_uncertainty_basis = _uncertainty(
            ground, position_uncertainty_m
        )
        self.field: Any | None = None if boundary is None else boundary.on_the_way(path)
        self.swaths: Swaths = swaths(ground, path, columns.boom_on == 1)
        self.covered, self.twice, self.more = layers(self.swaths.shape)
        self.headland = self._headland()
        perhaps = swaths(ground, path, np.isnan(columns.boom_on))
        #: ground that may have been covered: the boom's state was not known
        self.boom_unknown = union(perhaps.shape)
        self.gaps, self.gaps_found = self._sorted_by_certainty(self._uncovered())

    def _headland(self) -> Any:
        """The part of the overlap that lies at the ends of passes, or where courses cross."""
        if self.twice.is_empty:
            return self.twice
        bins = np.floor(np.mod(self.swaths.course_rad, pi) / (pi / _COURSE_BINS)).astype(int) % _COURSE_BINS
        used = np.unique(bins)
        by_course = {int(k): union(self.swaths.shape[bins == k]) for k in used}
        # of bins so far apart even the nearest courses differ by more than CROSSING_RAD
        least = int(CROSSING_RAD / (pi / _COURSE_BINS)) + 1
        pairs = [
            (by_course[a], by_course[b])
            for a in by_course
            for b in by_course
            if a < b and least <= min(b - a, _COURSE_BINS - (b - a))
        ]
        library = shapely()
        pairs = [(a, b) for a, b in pairs if library.intersects(a, b)]
        crossings = overlay("intersection", as_array([a for a, _ in pairs]), as_array([b for _, b in pairs]))
        zone = union(np.concatenate((self.swaths.ends, crossings)))
        return overlay("intersection", as_array([self.twice]), as_array([zone]))[0]

    def _uncovered(self) -> Shapes:
        """Connected pieces of uncovered ground that are gaps."""
        library = shapely()
        if self.field is not None:
            return parts(overlay("difference", as_array([self.field]), as_array([self.covered]))[0])
        # the closing of mathematical morphology: ground into which no disc of this radius fits
        reach_m = WIDEST_GAP * self.swath_m / 2
        grown, so_far_m = self.covered, 0.0
        for to_m in (
            SLIVER_M,
            reach_m / 4,
            reach_m,
        ):  # in steps, for narrow gaps to be gone before the large one
            grown, so_far_m = library.buffer(grown, to_m - so_far_m), to_m
        closed = library.buffer(grown, -reach_m)
        filled = parts(overlay("difference", as_array([closed]), as_array([self.covered]))[0])
        _, width = length_and_width_m(filled)
        filled = filled[width >= LEAST_WIDTH_M]
        gaps: Shapes = filled[self._enclosed_share(filled) >= ENCLOSED]
        return gaps

    def _enclosed_share(self, shapes: Shapes) -> Floats:
        """Which share of each outline runs along covered ground."""
        library = shapely()
        if not len(shapes):
            return np.zeros(0)
        outline, whose = library.get_coordinates(library.boundary(shapes), return_index=True)
        a, b = outline[:-1], outline[1:]
        length = np.hypot(*(b - a).T)
        length[whose[1:] != whose[:-1]] = 0  # from one outline to the next
        edges = parts(library.boundary(self.covered))
        ring, ring_of = library.get_coordinates(edges, return_index=True)
        joined = ring_of[1:] == ring_of[:-1]
        segments = library.linestrings(np.stack((ring[:-1][joined], ring[1:][joined]), axis=1))
        near = library.STRtree(segments).query(
            library.points((a + b) / 2), predicate="dwithin", distance=_ALONG_M
        )
        along = np.zeros(len(a), dtype=np.bool_)
        along[near[0]] = True
        total = np.bincount(whose[:-1], length, minlength=len(shapes))
        touching = np.bincount(whose[:-1], length * along, minlength=len(shapes))
        return np.asarray(touching / np.maximum(total, 1e-9))

    def _sorted_by_certainty(self, uncovered: Shapes) -> tuple[Shapes, Any]:
        """Gaps, largest first, and which of them are found."""
        library, uncertainty_m = shapely(), self.position_uncertainty_m
        # slivers may hang together and join gaps that are not one
        gaps, slivers = _opened(uncovered, min(SLIVER_M, uncertainty_m))
        _, width = length_and_width_m(gaps)
        narrow = gaps[width < uncertainty_m]
        # a gap that is narrow on the whole may have a place that is wide
        places, rest = _opened(narrow, uncertainty_m, least_m2=uncertainty_m**2)
        found = np.concatenate((gaps[width >= uncertainty_m], places))
        possible = np.concatenate((rest, slivers))
        if len(found) and not self.boom_unknown.is_empty:
            doubt = library.area(overlay("intersection", found, as_array([self.boom_unknown] * len(found))))
            doubted = doubt > library.area(found) / 2
            found, possible = found[~doubted], np.concatenate((possible, found[doubted]))
        gaps = np.concatenate((found, possible))
        sure = np.arange(len(gaps)) < len(found)
        order = np.argsort(-library.area(gaps), kind="stable")
        return gaps[order], sure[order]

    def area_uncertainty_m2(self, shapes: Shapes, possible_m2: float) -> float:
        """Expanded uncertainty (k = 2) of the area of strips, of which so much is only possible."""
        length, _ = length_and_width_m(shapes)
        random_m2 = self.position_uncertainty_m * np.sqrt(np.sum(length**2))
        return float(np.hypot(2 * random_m2, possible_m2))


def _opened(shapes: Shapes, width_m: float, least_m2: float = 0.0) -> tuple[Shapes, Shapes]:
    """Connected pieces of what is at least so wide (and in all, per shape, so large), and of the rest."""
    library = shapely()
    wide = wide_part(shapes, width_m)
    kept = library.area(wide) >= max(least_m2, 1e-9)
    rest = overlay("difference", shapes[kept], wide[kept])
    return parts(wide[kept]), np.concatenate((shapes[~kept], parts(rest)))


def _uncertainty(ground: Ground, given_m: float | None) -> tuple[float, str]:
    if given_m is not None:
        return given_m, "given"
    fresh = ground.columns.position_fresh
    minutes = 60 * np.concatenate((ground.columns.lat_deg[fresh], ground.columns.lon_deg[fresh]))
    if len(minutes) >= 2 * _LEAST_PLACES:
        # NMEA 0183 has degrees and minutes, these with so many decimals
        for decimals in range(4):
            step_m = METRES_PER_MINUTE * 10.0**-decimals
            scaled = minutes * 10.0**decimals
            if step_m > DEFAULT_UNCERTAINTY_M and np.abs(scaled - np.round(scaled)).max() < 1e-4:
                return step_m, "printed resolution"
    return DEFAULT_UNCERTAINTY_M, "default"


def coverage(covered: Coverage) -> dict[str, Any]:
    """The coverage as a JSON object; areas in m2.

    covered_m2                 ground covered at least once; of it covered_once_m2, covered_twice_m2 and
                               covered_more_m2 (three times and more)
    pass_overlap_m2, headland_overlap_m2    the ground covered at least twice, split
    overlap_possible_m2        the part of it that is narrower than the position uncertainty
    overlap_uncertainty_m2     expanded uncertainty (k = 2) of the ground covered at least twice
    missed_m2                  ground of all gaps; missed_possible_m2: of those that are only possible;
                               missed_uncertainty_m2: its expanded uncertainty (k = 2)
    gap_count, gaps            how many of at least LEAST_M2; the largest of them, each lat_deg, lon_deg (of a
                               place inside it), area_m2, width_m (mean), length_m, certainty (found or
                               possible)
    position_uncertainty_m     and position_uncertainty_basis: given, default or printed resolution
    assumed_m2                 covered ground between known places, where the boom was carried straight on
    unplaced_m2                treated ground whose place is not known: it is in none of the figures
    boundary                   field_m2, inside_missed_m2, outside_m2 (covered outside it); None: none given
    """
    library = shapely()
    areas = [float(shape.area) for shape in (covered.covered, covered.twice, covered.more)]
    twice = parts(covered.twice)
    wide_m2 = float(library.area(wide_part(twice, covered.position_uncertainty_m)).sum())
    narrow = max(areas[1] - wide_m2, 0.0)
    gap_m2 = library.area(covered.gaps)
    possible_m2 = float(gap_m2[~covered.gaps_found].sum())
    listed = covered.gaps[gap_m2 >= LEAST_M2][:MOST_GAPS]
    boundary = None
    if covered.field is not None:
        outside = overlay("difference", as_array([covered.covered]), as_array([covered.field]))[0]
        boundary = {
            "field_m2": float(covered.field.area),
            "inside_missed_m2": float(gap_m2.sum()),
            "outside_m2": float(outside.area),
        }
    return {
        "covered_m2": areas[0],
        "covered_once_m2": areas[0] - areas[1],
        "covered_twice_m2": areas[1] - areas[2],
        "covered_more_m2": areas[2],
        "pass_overlap_m2": max(areas[1] - float(covered.headland.area), 0.0),
        "headland_overlap_m2": float(covered.headland.area),
        "overlap_possible_m2": narrow,
        "overlap_uncertainty_m2": covered.area_uncertainty_m2(twice, narrow),
        "missed_m2": float(gap_m2.sum()),
        "missed_possible_m2": possible_m2,
        "missed_uncertainty_m2": covered.area_uncertainty_m2(covered.gaps, possible_m2),
        "gap_count": int((gap_m2 >= LEAST_M2).sum()),
        "gaps": _gaps(covered, listed),
        "position_uncertainty_m": covered.position_uncertainty_m,
        "position_uncertainty_basis": covered.position_uncertainty_basis,
        "assumed_m2": covered.swaths.assumed_m2,
        "unplaced_m2": covered.swaths.unplaced_m2,
        "boundary": boundary,
    }


def _gaps(covered: Coverage, listed: Shapes) -> list[dict[str, Any]]:
    library = shapely()
    length, width = length_and_width_m(listed)
    where = library.get_coordinates(library.point_on_surface(listed)) if len(listed) else np.zeros((0, 2))
    lat, lon = covered.plane.to_degrees(where[:, 0], where[:, 1])
    found = covered.gaps_found[library.area(covered.gaps) >= LEAST_M2]
    rows = zip(
        np.atleast_1d(lat).tolist(),
        np.atleast_1d(lon).tolist(),
        library.area(listed).tolist(),
        width.tolist(),
        length.tolist(),
        found.tolist(),
        strict=False,
    )
    return [
        {
            "lat_deg": lat_deg,
            "lon_deg": lon_deg,
            "area_m2": area_m2,
            "width_m": width_m,
            "length_m": length_m,
            "certainty": "found" if sure else "possible",
        }
        for lat_deg, lon_deg, area_m2, width_m, length_m, sure in rows
    ]
