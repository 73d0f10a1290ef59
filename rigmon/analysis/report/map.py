"""Two maps of the run, north up: the swath coloured by dose, and how often the ground was covered.

The swath is drawn to scale. Dose is that over a piece of swath, at least half as long as the boom is wide; a
long run has longer pieces, so that it is no larger a drawing than a short one.
"""

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np

from rigmon.analysis.extras import load
from rigmon.analysis.frames import Floats, Integers, Mask
from rigmon.analysis.ground import Ground, runs
from rigmon.analysis.path import Path
from rigmon.analysis.report.drawing import HATCHES, WIDTH_IN, Drawing, colour, drawn, figure, hatch, styled
from rigmon.analysis.report.shown import Shown
from rigmon.analysis.whole import Analysis
from rigmon.units import UNITS
from rigmon.words import alert_words

#: more pieces than this a map does not have
_MOST_PIECES: Final = 4000
#: a turn by so much is a corner of the swath's outline [rad]
_CORNER_RAD: Final = 0.12
#: what is thinner than this is left out [the exactness of a drawing]
_THINNEST: Final = 0.35
#: on a narrower swath a pattern is a blur, and an outline hides what it is round [pt]
_HATCHED_PT: Final = 3.0
#: so many stretches are numbered
LABELLED: Final = 5
#: and so many diagnoses have a letter
LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
#: below the map: scale and north, and the key [in]
_FOOT_IN: Final = 0.3
_KEY_ROW_IN: Final = 0.145
_LEAST_ASPECT: Final = 0.4
_MOST_ASPECT: Final = 0.75

_KINDS: Final = ("within", "under", "over", "far-under", "far-over", "unknown")


@dataclass(frozen=True, slots=True)
class _View:
    """What of the plane is shown, on how large a sheet."""

    west: float
    south: float
    metres_per_in: float
    height_in: float

    @property
    def metre_pt(self) -> float:
        return 72 / self.metres_per_in


class _Entry(NamedTuple):
    """A line of the key."""

    label: str
    style: dict[str, Any]
    pattern: str | None


def dose_map(analysis: Analysis, shown: Shown) -> Drawing | None:
    """The passes by dose; None: no way is known."""
    path, ground = analysis.path, analysis.ground
    if path is None:
        return None
    with styled():
        outlines = _outlines(ground, path)
        view = _view(path, ground.rig.swath_m)
        used = [kind for kind in _KINDS if outlines.get(kind)]
        swath_pt = ground.rig.swath_m * view.metre_pt
        key = _dose_key(shown, used, swath_pt)
        made, axes = _sheet(view, shown, len(key))
        _travel(axes, path, view)
        edge = min(0.35, 0.08 * swath_pt)
        for kind in used:
            shape = _compound(outlines[kind])
            _fill(axes, shape, kind, edge, swath_pt)
        labelled = _labels(axes, analysis, shown)
        lettered = _marks(axes, analysis, shown)
        _ends(axes, path)
        _key(made, key, view)
        area = shown.text(shown.get("applied.area_m2"), "area")
        rate = shown.get("rate")
        told = (
            f"Map of the run, north up: {area} treated in {len(analysis.passes)} passes, coloured by dose. "
            f"{shown.text(rate['in_tolerance_area_pct'], '%')} within the tolerance, "
            f"{shown.text(rate['under_area_pct'], '%')} under, "
            f"{shown.text(rate['over_area_pct'], '%')} over. "
            + (f"Numbers 1 to {labelled} are the worst stretches of the table. " if labelled else "")
            + (f"Letters: {', '.join(lettered)}, where it began." if lettered else "")
        )
        return drawn(made, "map", "Map of the dose", told)


def coverage_map(analysis: Analysis, shown: Shown) -> Drawing | None:
    """Ground covered once, twice, more often, gaps and the boundary; None: no way is known or no ground."""
    path, cover = analysis.path, analysis.coverage
    if path is None or cover is None or (cover.covered.is_empty and cover.field is None):
        return None
    shapely = load("shapely", "analysis", "a report")
    with styled():
        field = cover.field
        view = _view(path, analysis.ground.rig.swath_m, None if field is None else field.bounds)
        exact_m = view.metres_per_in / 72 / 4
        far_off = analysis.ground.rig.swath_m * view.metre_pt < _HATCHED_PT
        key: list[_Entry] = []
        layers: list[tuple[Any, dict[str, Any], str | None]] = []

        def layer(label: str, shape: Any, pattern: str | None = None, **style: Any) -> None:
            rings = [] if shape.is_empty else _rings(shapely, shape, exact_m)
            if rings:
                layers.append((_compound(rings), style, pattern))
                key.append(_Entry(label, style, None if far_off else pattern))

        layer(
            "covered once",
            cover.covered,
            facecolor=colour("once"),
            edgecolor=colour("soft"),
            linewidth=0 if far_off else 0.2,
        )
        layer("twice", cover.twice, facecolor=colour("twice"), linewidth=0, pattern="over")
        layer("more often", cover.more, facecolor=colour("more"), linewidth=0, pattern="far-over")
        found, possible = (
            shapely.multipolygons(cover.gaps[mask]) for mask in (cover.gaps_found, ~cover.gaps_found)
        )
        gap = colour("far-over")
        if far_off:
            layer("gap found", found, facecolor=gap, linewidth=0)
            layer("gap possible", possible, facecolor=colour("page"), linewidth=0)
        else:
            layer("gap found", found, facecolor=colour("page"), edgecolor=gap, linewidth=0.9)
            layer(
                "gap possible",
                possible,
                facecolor=colour("page"),
                edgecolor=gap,
                linewidth=0.5,
                linestyle=":",
            )
        if field is not None:
            layer("boundary", field, facecolor="none", edgecolor=colour("ink"), linewidth=1.2, linestyle="--")
        made, axes = _sheet(view, shown, len(key))
        for shape, style, pattern in layers:
            axes.add_artist(_patch(shape, **style))
            if pattern is not None and not far_off:
                axes.add_artist(_patch(shape, facecolor=hatch(pattern), linewidth=0))
        _key(made, key, view)
        found_m2 = shown.get("coverage")
        told = (
            f"Map of the covered ground, north up: {shown.text(found_m2['covered_once_m2'], 'area')} once, "
            f"{shown.text(found_m2['covered_twice_m2'], 'area')} twice, "
            f"{shown.text(found_m2['covered_more_m2'], 'area')} more often; "
            f"{shown.text(found_m2['missed_m2'], 'area')} in gaps."
        )
        return drawn(made, "coverage", "Map of the coverage", told)


# -- the swath -----------------------------------------------------------------------------------------------


def _outlines(ground: Ground, path: Path) -> dict[str, list[Floats]]:
    """Per kind of dose the outlines of its pieces of swath, each shape (corners, 2)."""
    shown: Mask = (ground.treated | ground.unknown) & path.known
    metres = np.where(shown, np.nan_to_num(ground.distance_m), 0.0)
    length_m = max(ground.rig.swath_m / 2, float(metres.sum()) / _MOST_PIECES)
    course = _course(path)
    found: dict[str, list[Floats]] = {}
    for a, b in zip(*(edge.tolist() for edge in runs(shown)), strict=True):
        along = np.concatenate(([0.0], np.cumsum(metres[a : b + 1])))
        parts = max(1, round(along[-1] / length_m))
        cut = np.searchsorted(along[1:-1], np.linspace(0, along[-1], parts + 1)[1:-1]) + 1
        edges = np.unique(np.concatenate(([0], cut, [b + 1 - a]))).astype(np.int64)
        kinds = _kinds(ground, a + edges[:-1], b + 1)
        begins = np.flatnonzero(np.concatenate(([True], kinds[1:] != kinds[:-1])))
        for low, high in zip(begins.tolist(), [*begins[1:].tolist(), len(kinds)], strict=True):
            kind = _KINDS[kinds[low]]
            found.setdefault(kind, []).append(
                _outline(path, course, a + int(edges[low]), a + int(edges[high]), ground.rig.swath_m)
            )
    return found


def _kinds(ground: Ground, begins: Integers, after: int) -> Integers:
    """Index into _KINDS of each piece of neighbouring samples."""
    part = slice(int(begins[0]), after)
    at = begins - begins[0]
    rated, unknown = ground.rated[part], ground.unknown[part]
    square_m = np.add.reduceat(np.where(rated, ground.columns.area_m2[part], 0.0), at)
    # doses without the noise of the sensors, as the score sorts them
    dose = np.nan_to_num(ground.dose_l_ha[part])
    weighed = np.add.reduceat(np.where(rated, ground.columns.area_m2[part] * dose, 0.0), at)
    litres = np.add.reduceat(np.where(rated, ground.columns.volume_l[part], 0.0), at)
    lost = np.add.reduceat(np.where(unknown, np.nan_to_num(ground.area_m2[part]), 0.0), at)
    target = ground.rig.target
    with np.errstate(divide="ignore", invalid="ignore"):
        off = 100 * (weighed / square_m / target.rate_l_ha - 1)
    limit = target.tolerance_pct * (1 + 1e-9)
    kinds = np.select(
        [
            (square_m <= 0) & (litres > 0),
            (lost > square_m) | (square_m <= 0),
            off > 2 * limit,
            off > limit,
            off < -2 * limit,
            off < -limit,
        ],
        [_KINDS.index(kind) for kind in ("far-over", "unknown", "far-over", "over", "far-under", "under")],
        _KINDS.index("within"),
    )
    return np.asarray(kinds, dtype=np.int64)


def _course(path: Path) -> Floats:
    """The course where it is known, carried on where it is not."""
    known = np.flatnonzero(~np.isnan(path.course_rad))
    if not len(known):
        return np.zeros(len(path.course_rad))
    return np.interp(np.arange(len(path.course_rad)), known, path.course_rad[known])


def _outline(path: Path, course: Floats, a: int, b: int, swath_m: float) -> Floats:
    """Left and right end of the boom over samples `a` to before `b`, as one ring."""
    turned = np.cumsum(np.abs(np.diff(course[a:b], prepend=course[a])))
    corner = np.flatnonzero(np.diff(np.floor(turned / _CORNER_RAD), prepend=0) > 0)
    keep = np.unique(np.concatenate(([0], corner, [b - 1 - a]))) + a
    east = np.concatenate((path.start_east_m[a : a + 1], path.end_east_m[keep]))
    north = np.concatenate((path.start_north_m[a : a + 1], path.end_north_m[keep]))
    angle = np.concatenate((course[a : a + 1], course[keep]))
    right = np.stack((np.cos(angle), -np.sin(angle)), axis=1) * (swath_m / 2)
    place = np.stack((east, north), axis=1)
    return np.concatenate((place - right, (place + right)[::-1]))


# -- drawing -------------------------------------------------------------------------------------------------


def _view(path: Path, swath_m: float, bounds: tuple[float, ...] | None = None) -> _View:
    known = path.known
    east, north = path.end_east_m[known], path.end_north_m[known]
    margin = swath_m / 2
    sides = [*((east.min(), north.min(), east.max(), north.max()) if len(east) else (0.0, 0.0, 0.0, 0.0))]
    if bounds is not None:
        sides = [
            min(sides[0], bounds[0]),
            min(sides[1], bounds[1]),
            max(sides[2], bounds[2]),
            max(sides[3], bounds[3]),
        ]
    west, south, right, top = sides[0] - margin, sides[1] - margin, sides[2] + margin, sides[3] + margin
    wide, high = (right - west) * 1.04, (top - south) * 1.04
    aspect = min(max(high / wide, _LEAST_ASPECT), _MOST_ASPECT)
    across = max(wide, high / aspect)
    middle = ((west + right) / 2, (south + top) / 2)
    return _View(
        float(middle[0] - across / 2), float(middle[1] - across * aspect / 2), float(across / WIDTH_IN),
        WIDTH_IN * aspect,
    )  # fmt: skip


def _sheet(view: _View, shown: Shown, keys: int) -> tuple[Any, Any]:
    """A figure with the map's axes in metres, and scale and north below."""
    rows = (keys + 1) // 2
    height = view.height_in + _FOOT_IN + rows * _KEY_ROW_IN + 0.04
    made = figure(height)
    axes = made.add_axes((0, 1 - view.height_in / height, 1, view.height_in / height))
    axes.set_axis_off()
    axes.set_xlim(view.west, view.west + WIDTH_IN * view.metres_per_in)
    axes.set_ylim(view.south, view.south + view.height_in * view.metres_per_in)
    foot = made.add_axes((0, 1 - (view.height_in + _FOOT_IN) / height, 1, _FOOT_IN / height))
    foot.set_axis_off()
    foot.set_xlim(0, WIDTH_IN)
    foot.set_ylim(0, _FOOT_IN)
    length_m, words = _scale(view.metres_per_in, shown)
    inches = length_m / view.metres_per_in
    ink = colour("ink")
    foot.plot([0.08, 0.08, 0.08 + inches, 0.08 + inches], [0.17, 0.1, 0.1, 0.17], color=ink, linewidth=1.1)
    foot.text(0.08 + inches + 0.06, 0.1, words, color=ink, va="center")
    foot.annotate(
        "", (WIDTH_IN - 0.12, 0.28), (WIDTH_IN - 0.12, 0.02),
        arrowprops={"arrowstyle": "-|>", "color": ink, "linewidth": 1.0, "mutation_scale": 8},
    )  # fmt: skip
    foot.text(WIDTH_IN - 0.22, 0.13, "N", color=ink, va="center", ha="right", fontweight="bold")
    return made, axes


def _scale(metres_per_in: float, shown: Shown) -> tuple[float, str]:
    """A round length of about a third of the sheet [m], and its words."""
    unit = shown.unit("length")
    metre = float(UNITS["length"][unit])
    most = WIDTH_IN / 3 * metres_per_in / metre
    if unit == "ft" and most > 5280:
        unit, metre, most = "mi", float(UNITS["length"]["mi"]), most / 5280
    elif unit == "m" and most > 2000:
        unit, metre, most = "km", 1000.0, most / 1000
    power = 10.0 ** np.floor(np.log10(most))
    length = next(float(part * power) for part in (5, 2, 1) if part * power <= most * (1 + 1e-9))
    return length * metre, f"{length:g} {unit}"


def _compound(rings: list[Floats]) -> Any:
    """One matplotlib path of many rings: a drawing of one element."""
    from matplotlib.path import Path as Shape

    corners, codes = [], []
    for ring in rings:
        corners.append(np.concatenate((ring, ring[:1])))
        code = np.full(len(ring) + 1, Shape.LINETO)
        code[0], code[-1] = Shape.MOVETO, Shape.CLOSEPOLY
        codes.append(code)
    return Shape(np.concatenate(corners), np.concatenate(codes))


def _rings(shapely: Any, shape: Any, exact_m: float) -> list[Floats]:
    """Outlines and holes of polygons, to `exact_m`, without those too thin to be seen.

    The holes run the other way round, so that they stay open.
    """
    rings: list[Floats] = []
    polygons = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    for wanted, inner in ((shapely.get_exterior_ring(polygons), False), (_holes(polygons), True)):
        if not len(wanted):
            continue
        area, outline = shapely.area(shapely.polygons(wanted)), shapely.length(wanted)
        seen = wanted[2 * area > _THINNEST * exact_m * outline]
        for ring in shapely.simplify(seen, exact_m, preserve_topology=False):
            corners = shapely.get_coordinates(ring)[:-1]
            if len(corners) > 2:
                rings.append(corners[::-1] if shapely.is_ccw(ring) == inner else corners)
    return rings


def _holes(polygons: list[Any]) -> Any:
    return np.array([hole for polygon in polygons for hole in polygon.interiors], dtype=object)


def _patch(shape: Any, **style: Any) -> Any:
    from matplotlib.patches import PathPatch

    return PathPatch(shape, **style)


def _fill(axes: Any, shape: Any, kind: str, edge: float, swath_pt: float) -> None:
    if kind == "unknown":
        axes.add_artist(
            _patch(
                shape, facecolor="none", edgecolor=colour("ink"), linewidth=max(edge * 2, 0.3), linestyle=":"
            )
        )
        return
    axes.add_artist(_patch(shape, facecolor=colour(kind), edgecolor=colour("soft"), linewidth=edge))
    if kind in HATCHES and swath_pt > _HATCHED_PT:
        axes.add_artist(_patch(shape, facecolor=hatch(kind), linewidth=0))


def _travel(axes: Any, path: Path, view: _View) -> None:
    """Where the rig went, boom on or off: a thin line, thinned to what can be seen."""
    east, north = path.end_east_m, path.end_north_m
    step_m = view.metres_per_in / 72  # a point
    moved = np.nan_to_num(np.hypot(np.diff(east, prepend=east[:1]), np.diff(north, prepend=north[:1])))
    kept = np.diff(np.floor(np.cumsum(moved) / step_m), prepend=-1) > 0
    kept |= ~path.known
    axes.plot(
        east[kept], north[kept], color=colour("soft"), linewidth=0.5, linestyle=(0, (1, 1.5)), zorder=0.5
    )


def _ends(axes: Any, path: Path) -> None:
    known = np.flatnonzero(path.known)
    if not len(known):
        return
    for at, marker in ((known[0], "o"), (known[-1], "s")):
        axes.plot(path.end_east_m[at], path.end_north_m[at], marker=marker, markersize=3.5, linestyle="none",
                  color=colour("ink"), markeredgecolor=colour("page"), markeredgewidth=0.5)  # fmt: skip


def _labels(axes: Any, analysis: Analysis, shown: Shown) -> int:
    """The ranks of the worst stretches; returns how many are there."""
    path, columns = analysis.path, analysis.run.columns
    assert path is not None
    known = np.flatnonzero(path.known)
    worst = [one for one in shown.get("stretches") if one["weight_m2"] is not None][:LABELLED]
    for one in reversed(worst):
        middle_ns = (one["start_s"] + one["end_s"]) / 2 * 1e9
        near = known[np.argmin(np.abs(columns.t_ns[known] - middle_ns))]
        axes.text(
            path.end_east_m[near], path.end_north_m[near], str(one["rank"]), ha="center", va="center",
            fontsize=6.5, fontweight="bold", color=colour("ink"), clip_on=True,
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": colour("page"), "edgecolor": colour("ink"),
                  "linewidth": 0.7},
        )  # fmt: skip
    return len(worst)


def marked(analysis: Analysis, diagnoses: list[dict[str, Any]]) -> list[tuple[str, int]]:
    """Letter of each diagnosis that the map can show, and the sample in which it began."""
    path, columns = analysis.path, analysis.run.columns
    known = np.flatnonzero(path.known) if path is not None else np.zeros(0, dtype=np.int64)
    if not len(known):
        return []
    return [
        (letter, int(known[np.argmin(np.abs(columns.t_ns[known] - one["since_s"] * 1e9))]))
        for letter, one in zip(LETTERS, diagnoses, strict=False)
        if one["lat_deg"] is not None
    ]


def _marks(axes: Any, analysis: Analysis, shown: Shown) -> list[str]:
    """The letters of the diagnoses, in a square beside the way; returns them with what they stand for."""
    path, told = analysis.path, shown.get("diagnoses")
    assert path is not None
    found = marked(analysis, told)
    for letter, at in found:
        axes.annotate(
            letter, (path.end_east_m[at], path.end_north_m[at]), (7, 7), textcoords="offset points",
            ha="center", va="center", fontsize=6.5, fontweight="bold", color=colour("ink"),
            annotation_clip=True,
            bbox={"boxstyle": "square,pad=0.2", "facecolor": colour("page"), "edgecolor": colour("ink"),
                  "linewidth": 1.1},
            arrowprops={"arrowstyle": "-", "color": colour("ink"), "linewidth": 0.9, "shrinkA": 0,
                        "shrinkB": 0},
        )  # fmt: skip
    return [f"{letter} {alert_words(told[LETTERS.index(letter)]['code'])}" for letter, _ in found]


def _dose_key(shown: Shown, used: list[str], swath_pt: float) -> list[_Entry]:
    """Labels and styles of the key, from most to least; limits in the reader's unit."""
    rate, part = shown.get("target.rate_l_ha"), shown.get("target.tolerance_pct") / 100

    def limit(times: float) -> str:
        return shown.text(max(rate * (1 + times * part), 0.0), "rate", unit=False)

    unit = shown.unit("rate")
    words = {
        "far-over": f"over {limit(2)} {unit}",
        "over": f"{limit(1)} to {limit(2)}",
        "within": f"{limit(-1)} to {limit(1)}, in tolerance",
        "under": f"{limit(-2)} to {limit(-1)}",
        "far-under": f"under {limit(-2)} {unit}",
        "unknown": "unknown",
    }
    key = []
    for kind, label in words.items():
        if kind not in used:
            continue
        style: dict[str, Any] = {
            "facecolor": colour(kind) if kind != "unknown" else "none",
            "linewidth": 0.35,
        }
        style["edgecolor"] = colour("ink")
        if kind == "unknown":
            style["linestyle"] = ":"
        key.append(_Entry(label, style, kind if kind in HATCHES and swath_pt > _HATCHED_PT else None))
    return key


def _key(made: Any, key: list[_Entry], view: _View) -> None:
    """Two columns of patches and words below the scale."""
    from matplotlib.patches import Rectangle

    if not key:
        return
    height = made.get_size_inches()[1]
    rows = (len(key) + 1) // 2
    size = rows * _KEY_ROW_IN
    axes = made.add_axes((0, (height - view.height_in - _FOOT_IN - size) / height, 1, size / height))
    axes.set_axis_off()
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(rows, 0)
    for n, one in enumerate(key):
        column, row = divmod(n, rows)
        x = 0.08 + column * WIDTH_IN / 2
        style = (
            one.style
            if one.style["linewidth"]
            else {**one.style, "edgecolor": colour("soft"), "linewidth": 0.3}
        )
        axes.add_artist(Rectangle((x, row + 0.14), 0.26, 0.72, **style))
        if one.pattern is not None:
            axes.add_artist(Rectangle((x, row + 0.14), 0.26, 0.72, facecolor=hatch(one.pattern), linewidth=0))
        axes.text(x + 0.33, row + 0.52, one.label, va="center", color=colour("ink"), fontsize=7.5)
