"""What the ground got in truth: how often the boom went over it, and the dose under each nozzle.

The ground is looked at in the points of a square lattice, each of which stands for its square. For each point
it is worked out from the straights and arcs of the path, exactly, how often the boom went over it while on.
The lattice stands at an angle whose tangent is the golden ratio to the passes, so that it cannot be in step
with them: the points of a strip, however narrow, add up to its area very nearly.
"""

from math import cos, pi, sin, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigmon.simulate.boom import Trace
from rigmon.simulate.motion import Path, Piece
from rigmon.simulate.noise import Floats
from rigmon.simulate.scenario import Scenario

#: so many points at most, no closer together than this [m]
_POINTS: Final = 150_000
_CLOSEST_M: Final = 0.05
_GOLDEN: Final = (1 + sqrt(5)) / 2
#: a nozzle slower than this share of the rig's speed has no dose
_STANDING: Final = 0.1


def field_corners(scenario: Scenario) -> list[tuple[float, float]] | None:
    """The field that parallel passes are for, a rectangle, as x, y in its own frame [m]; None: a circle."""
    if scenario.circle_radius_m is not None:
        return None
    near, far = scenario.headland_m, scenario.headland_m + scenario.pass_length_m
    left, right = (
        -scenario.rig.swath_m / 2,
        (scenario.passes - 1) * scenario.spacing_m + scenario.rig.swath_m / 2,
    )
    return [(near, left), (near, right), (far, right), (far, left)]


def coverage(scenario: Scenario, path: Path, trace: Trace) -> dict[str, float | None]:
    """Areas [m2] that the boom went over once, twice and more often while on.

    For parallel passes also the field's area, what was missed inside it, and what was covered outside it;
    they are None for a circle. `lattice_m`: how far apart the points were.
    """
    swath, corners = scenario.rig.swath_m, field_corners(scenario)
    on = np.concatenate(([False], trace.boom_on, [False]))
    edges = np.flatnonzero(on[1:] != on[:-1])
    pieces = [
        part
        for start, end in zip(edges[::2], edges[1::2], strict=True)
        for part in path.between(float(trace.path_m[start]), float(trace.path_m[end]))
    ]
    boxes = [_box(piece, swath) for piece in pieces]
    around = boxes + ([(*corners[0], *corners[2])] if corners else [])
    once = twice = more = missed = outside = 0.0
    step = _CLOSEST_M
    if around:
        west, south = (min(box[i] for box in around) for i in (0, 1))
        east, north = (max(box[i] for box in around) for i in (2, 3))
        step = max(sqrt((east - west) * (north - south) / _POINTS), _CLOSEST_M)
        x, y = _lattice(west, south, east, north, step)
        times = np.zeros(len(x), dtype=np.int32)
        for piece, (_, low, _, high) in zip(pieces, boxes, strict=True):
            near = slice(*np.searchsorted(y, [low, high]).tolist())
            times[near] += _passed_over(piece, swath, x[near], y[near])
        once, twice, more = (float(np.sum(hit)) * step**2 for hit in (times == 1, times == 2, times > 2))
        if corners:
            (x0, y0), (x1, y1) = corners[0], corners[2]
            inside = (x > x0) & (x < x1) & (y > y0) & (y < y1)
            missed = float(np.sum(inside & (times == 0))) * step**2
            outside = float(np.sum(~inside & (times > 0))) * step**2
    return {
        "covered_once_m2": once,
        "covered_twice_m2": twice,
        "covered_more_m2": more,
        "field_m2": (corners[2][0] - corners[0][0]) * (corners[2][1] - corners[0][1]) if corners else None,
        "missed_m2": missed if corners else None,
        "outside_m2": outside if corners else None,
        "lattice_m": step,
    }


def _lattice(west: float, south: float, east: float, north: float, step: float) -> tuple[Floats, Floats]:
    """The points inside a box, by rising y."""
    cosine, sine = 1 / sqrt(1 + _GOLDEN**2), _GOLDEN / sqrt(1 + _GOLDEN**2)
    corners = [(x - west, y - south) for x in (west, east) for y in (south, north)]
    along = [x * cosine + y * sine for x, y in corners]
    across = [y * cosine - x * sine for x, y in corners]
    rows = np.arange(np.floor(min(along) / step), np.ceil(max(along) / step) + 1)
    least, most = np.floor(min(across) / step), np.ceil(max(across) / step)
    # of each row only the stretch inside the box, and a point more at either end: in a long and narrow box,
    # which lies at an angle to the lattice, nearly all points of whole rows and columns would be outside
    i, width, height = rows * step, east - west, north - south
    first = np.floor(np.maximum((i * cosine - width) / sine, -i * sine / cosine) / step) - 1
    last = np.ceil(np.minimum(i * cosine / sine, (height - i * sine) / cosine) / step) + 1
    first, last = np.maximum(first, least), np.minimum(last, most)
    count = np.maximum(last - first + 1, 0).astype(np.int64)
    nth = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    i, j = np.repeat(i, count), (np.repeat(first, count) + nth) * step
    x = west + i * cosine - j * sine
    y = south + i * sine + j * cosine
    inside = (x >= west) & (x <= east) & (y >= south) & (y <= north)
    x, y = x[inside], y[inside]
    order = np.argsort(y, kind="stable")
    return x[order], y[order]


def _box(piece: Piece, swath_m: float) -> tuple[float, float, float, float]:
    """West, south, east and north of what the boom passes over on a piece."""
    half = swath_m / 2
    if piece.curvature_per_m == 0:
        x, y, angle = piece.end()
        reach = (half * abs(sin(angle)), half * abs(cos(angle)))
        xs, ys = sorted((piece.x_m, x)), sorted((piece.y_m, y))
        return xs[0] - reach[0], ys[0] - reach[1], xs[1] + reach[0], ys[1] + reach[1]
    centre_x, centre_y = _centre(piece)
    reach_m = 1 / abs(piece.curvature_per_m) + half
    return centre_x - reach_m, centre_y - reach_m, centre_x + reach_m, centre_y + reach_m


def _centre(piece: Piece) -> tuple[float, float]:
    k, a = piece.curvature_per_m, piece.angle_rad
    return piece.x_m - sin(a) / k, piece.y_m + cos(a) / k


def _passed_over(piece: Piece, swath_m: float, x: Floats, y: Floats) -> NDArray[np.int32]:
    """How often the boom passes over each point on a piece."""
    half, k, a = swath_m / 2, piece.curvature_per_m, piece.angle_rad
    if k == 0:
        along = (x - piece.x_m) * cos(a) + (y - piece.y_m) * sin(a)
        across = (y - piece.y_m) * cos(a) - (x - piece.x_m) * sin(a)
        return ((along >= 0) & (along < piece.length_m) & (np.abs(across) < half)).astype(np.int32)
    centre_x, centre_y = _centre(piece)
    radius, side = 1 / abs(k), 1 if k > 0 else -1
    out_m = np.hypot(x - centre_x, y - centre_y)
    # the course at which the rig's side of the boom points there, and by how much the rig turns until then
    angle = np.arctan2(side * (x - centre_x), -side * (y - centre_y))
    until = np.mod(side * (angle - a), 2 * pi)
    turn = abs(k) * piece.length_m
    hits = (np.abs(out_m - radius) < half) * _times_within(until, turn)
    if radius < half:  # the boom's inner end reaches beyond the centre
        hits += (out_m < half - radius) * _times_within(np.mod(until + pi, 2 * pi), turn)
    return np.asarray(hits, dtype=np.int32)


def _times_within(until: Floats, turn: float) -> NDArray[np.int32]:
    """How often a turn so wide comes past a place that it reaches after `until` (all in rad)."""
    return np.maximum(np.ceil((turn - until) / (2 * pi)), 0).astype(np.int32)


def nozzles(scenario: Scenario, path: Path, trace: Trace) -> list[dict[str, float | None]]:
    """Mean dose under each nozzle, left to right: its volume over its strip's area, where it goes forward."""
    count, swath = scenario.rig.nozzle_count, scenario.rig.swath_m
    on = trace.boom_on
    dt = trace.dt_s[on]
    metres = trace.cell_speed_m_s[on] * dt
    litres = trace.cell_flow_l_min[on] / 60 * dt / count
    state, nozzles = trace.liquid.state[on], trace.liquid.nozzles
    mean = nozzles.mean(axis=1, keepdims=True)
    parts = np.divide(nozzles, mean, out=np.zeros_like(nozzles), where=mean > 0)
    curvature = path.curvature_at(((trace.path_m[:-1] + trace.path_m[1:]) / 2)[on])
    found: list[dict[str, float | None]] = []
    for k in range(count):
        offset = (k - (count - 1) / 2) * swath / count  # positive to the right, as the curvature
        ratio = 1 - curvature * offset
        forward = ratio >= _STANDING
        area = float(np.sum((metres * ratio)[forward])) * swath / count
        volume = float(np.sum((litres * parts[state, k])[forward]))
        found.append({"offset_m": offset, "mean_l_ha": volume / area * 1e4 if area > 0 else None})
    return found
