"""The stretches worth acting on: where the ground got too much, too little or nothing, ranked, with cause.

They are the score's stretches of over, under and unknown ground, and those that the score cannot know:
ground that was missed because the boom was off in the middle of a pass. Rank goes by area x error, with
error = |mean dose / target - 1|: how much spray liquid is in the wrong place, so a small stretch that is far
off may come before a large one that is a little off. Of unknown ground the error is not known; it follows
behind, by area.

The cause is what the data show. dose = flow / (speed x swath), so

    ln(dose / target) = ln(flow / target flow) - ln(speed / target speed)

and the larger part is the cause: speed, or flow. A flow that is off is put down to the pressure where the
pressure is off as much as the orifice law asks (half its logarithm), else to the flow itself: nozzles, pump,
meter. Boom left on: it was on while the rig stood, crept or turned about between passes.
"""

from itertools import pairwise
from math import log
from typing import Any, Final

import numpy as np

from rigmon.analysis.frames import Floats, Mask
from rigmon.analysis.ground import Ground, number, positions, runs
from rigmon.analysis.passes import Pass
from rigmon.analysis.path import Path
from rigmon.core.rate import flow_for_rate_l_min
from rigmon.model import Flag

#: a break of the boom in a pass is missed ground up to this long, beyond it a new pass [s]
LONGEST_MISS_S: Final = 60.0
#: and from this many metres on
SHORTEST_MISS_M: Final = 2.0
#: the ends of neighbouring passes may differ by so much, as on a slanting edge, before it is missed [swaths]
SLANTING_SWATHS: Final = 2.0
#: a pass is beside another up to this distance between their lines [swaths]
BESIDE_SWATHS: Final = 1.5
#: two passes are one line when their courses differ by no more than this [deg]
SAME_COURSE_DEG: Final = 15.0
#: and the second begins no further beside the first than this [swaths]
SAME_LINE_SWATHS: Final = 0.5

#: positions that move further than this, and than twice the speed's way, while the speed says that the rig
#: stands, give the receiver away
_FROZEN_M: Final = 3.0

#: cause -> kind -> words
_WHY: Final[dict[str, dict[str, str]]] = {
    "speed": {
        "over": "slower than the speed that holds the rate",
        "under": "faster than the speed that holds the rate",
    },
    "pressure": {
        "over": "more pressure than in the catch test",
        "under": "less pressure than in the catch test",
    },
    "flow": {
        "over": "more flow than the target takes: worn nozzles, a leak, or the meter",
        "under": "less flow than the target takes: plugged nozzles or strainer, the pump, or the meter",
    },
    "boom_left_on": {
        "over": "the boom was on while the rig stood, crept or turned",
        "under": "the boom was on while the rig turned",
    },
    "boom_left_off": {"missed": "the boom was off on a pass's line"},
    "gps_unknown": {
        "unknown": "the receiver gave no speed",
        "over": "the receiver's speed said that the rig stood; its positions moved on",
    },
    "flow_unknown": {"unknown": "no flow was known"},
    "boom_unknown": {"unknown": "nothing told whether the boom was on"},
}


def ranked_stretches(
    ground: Ground, path: Path | None, passes: list[Pass], stretches: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """The score's `stretches` and missed ground, ranked.

    Each: rank (from 1), kind (over, under, missed, unknown), start_s, end_s, distance_m, area_m2, mean_l_ha,
    error_pct (of the target; None for unknown), weight_m2 (area x error; None for unknown), cause, why (in
    words; both None where the data do not show it), start/end lat/lon.
    """
    found = [_of_score(ground, path, stretch) for stretch in stretches]
    found += _missed(ground, path, passes)
    known = [one for one in found if one["weight_m2"] is not None]
    unknown = [one for one in found if one["weight_m2"] is None]
    known.sort(key=lambda one: (-one["weight_m2"], one["start_s"]))
    unknown.sort(key=lambda one: (-(one["area_m2"] or 0.0), one["start_s"]))
    return [{"rank": rank, **one} for rank, one in enumerate(known + unknown, 1)]


def _of_score(ground: Ground, path: Path | None, stretch: dict[str, Any]) -> dict[str, Any]:
    mean, target = stretch["mean_l_ha"], ground.rig.target.rate_l_ha
    error_pct = None if mean is None else 100 * abs(mean / target - 1)
    area = stretch["area_m2"]
    start_ns, end_ns = ground.columns.start_ns, ground.columns.t_ns
    inside = (start_ns >= stretch["start_s"] * 1e9 - 1) & (end_ns <= stretch["end_s"] * 1e9 + 1)
    kind = stretch["kind"]
    cause = (
        _unknown_cause(ground, inside & ground.unknown)
        if kind == "unknown"
        else _cause(ground, path, inside & ground.rated & (ground.kind != 0))
    )
    return {
        **stretch,
        "error_pct": error_pct,
        "weight_m2": None if error_pct is None or area is None else area * error_pct / 100,
        "cause": cause,
        "why": None if cause is None else _WHY[cause].get(kind),
    }


def _unknown_cause(ground: Ground, inside: Mask) -> str | None:
    columns = ground.columns
    if not inside.any():
        return None
    time = ground.dt_s * inside
    parts = {
        "gps_unknown": time[np.isnan(columns.distance_m)].sum(),
        "boom_unknown": time[np.isnan(columns.boom_on)].sum(),
        "flow_unknown": time[~np.isnan(columns.distance_m) & np.isnan(columns.volume_l)].sum(),
    }
    cause = max(parts, key=lambda name: float(parts[name]))
    return cause if parts[cause] > 0 else None


def _cause(ground: Ground, path: Path | None, inside: Mask) -> str | None:
    rig, columns = ground.rig, ground.columns
    time_s = float(ground.dt_s[inside].sum())
    distance_m = float(ground.distance_m[inside].sum())
    litres = float(columns.volume_l[inside].sum())
    if not (time_s > 0 and litres > 0):
        return None
    if distance_m < rig.speed.minimum_m_s * time_s:
        return "gps_unknown" if _moved_m(path, inside) > _FROZEN_M + 2 * distance_m else "boom_left_on"
    switched = not (columns.flags[inside] & int(Flag.BOOM_ASSUMED)).any()
    if path is not None and switched:
        turn = np.abs(path.curvature_per_m[inside]) * rig.swath_m
        if np.isfinite(turn).any() and float(np.nanmedian(turn)) > 0.5:
            return "boom_left_on"
    target = rig.target
    by_speed = -log(distance_m / time_s / target.speed_m_s)
    to_have = flow_for_rate_l_min(target.rate_l_ha, target.speed_m_s, rig.swath_m)
    by_flow = log(litres * 60 / time_s / to_have)
    # what pulls away from the target, not what pulls back, is the cause
    side = 1.0 if by_speed + by_flow > 0 else -1.0
    if by_speed * side >= by_flow * side:
        return "speed"
    cal = rig.calibration
    if rig.pressure.source != "none" and cal is not None and cal.pressure_kpa is not None:
        seen = columns.pressure_kpa[inside]
        mean = float(np.nanmean(seen)) if np.isfinite(seen).any() else 0.0
        if mean > 0 and 0.5 * log(mean / cal.pressure_kpa) * side >= 0.5 * by_flow * side:
            return "pressure"
    return "flow"


def _moved_m(path: Path | None, inside: Mask) -> float:
    """How far apart the positions at the begin and at the end lie."""
    if path is None:
        return 0.0
    first, last = np.flatnonzero(inside)[[0, -1]]
    east = path.end_east_m[last] - path.start_east_m[first]
    north = path.end_north_m[last] - path.start_north_m[first]
    return number(float(np.hypot(east, north))) or 0.0


def _missed(ground: Ground, path: Path | None, passes: list[Pass]) -> list[dict[str, Any]]:
    """Ground between two parts of one line, driven with the boom off."""
    columns, rig = ground.columns, ground.rig
    found: list[dict[str, Any]] = []
    if path is None:
        return found
    for before, after in pairwise(passes):
        between = slice(before.last + 1, after.first)
        if after.start_s - before.end_s > LONGEST_MISS_S or not _one_line(path, before, after, rig.swath_m):
            continue
        off = np.zeros(len(columns), dtype=np.bool_)
        off[between] = columns.boom_on[between] == 0
        found += _missed_here(ground, off)
    for one in passes:  # breaks too short to end a pass
        off = np.zeros(len(columns), dtype=np.bool_)
        off[one.samples] = columns.boom_on[one.samples] == 0
        found += _missed_here(ground, off)
    shortest_m = SLANTING_SWATHS * rig.swath_m
    lines = [None, *passes, None]
    for one, (earlier, _, later) in zip(passes, zip(lines, lines[1:], lines[2:], strict=False), strict=True):
        beside = [other for other in (earlier, later) if other is not None]
        if earlier is None or not _one_line(path, earlier, one, rig.swath_m):
            begin = 0 if earlier is None else earlier.last + 1
            found += _missed_here(ground, _off_line(ground, path, one, beside, begin, one.first), shortest_m)
        if later is None or not _one_line(path, one, later, rig.swath_m):
            end = len(columns) if later is None else later.first
            found += _missed_here(ground, _off_line(ground, path, one, beside, one.last + 1, end), shortest_m)
    return found


def _off_line(ground: Ground, path: Path, one: Pass, beside: list[Pass], first: int, after: int) -> Mask:
    """Samples from `first`, before `after`, that adjoin a pass, with the boom off: on the pass's line, and
    where one of those `beside` it was treated."""
    columns, swath_m = ground.columns, ground.rig.swath_m
    missed = np.zeros(len(columns), dtype=np.bool_)
    between = np.arange(first, after)
    if not len(between) or one.course_deg is None:
        return missed
    east = (path.start_east_m[between] + path.end_east_m[between]) / 2
    north = (path.start_north_m[between] + path.end_north_m[between]) / 2
    _, aside = _on_line(path, one, east, north)
    turned = (np.degrees(path.course_rad[between]) - one.course_deg + 180) % 360 - 180
    straight = (columns.boom_on[between] == 0) & (np.abs(aside) <= SAME_LINE_SWATHS * swath_m)
    straight &= np.abs(turned) <= SAME_COURSE_DEG
    # unbroken up to the pass
    reached = (
        np.logical_and.accumulate(straight[::-1])[::-1]
        if after == one.first
        else np.logical_and.accumulate(straight)
    )
    treated_there = np.zeros(len(between), dtype=np.bool_)
    for neighbour in beside:
        along, aside = _on_line(path, neighbour, east, north)
        treated_there |= (along >= 0) & (along <= 1) & (np.abs(aside) <= BESIDE_SWATHS * swath_m)
    missed[between] = reached & treated_there
    if float(ground.dt_s[missed].sum()) > LONGEST_MISS_S:
        missed[:] = False
    return missed


def _on_line(path: Path, one: Pass, east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """How far along a pass places lie (0 its begin, 1 its end), and how far beside its line [m]."""
    known = one.first + np.flatnonzero(~np.isnan(path.end_east_m[one.samples]))
    if not len(known):
        return np.full(len(east), np.nan), np.full(len(east), np.nan)
    start_east, start_north = path.end_east_m[known[0]], path.end_north_m[known[0]]
    way_east = path.end_east_m[known[-1]] - start_east
    way_north = path.end_north_m[known[-1]] - start_north
    length = max(float(np.hypot(way_east, way_north)), 1e-9)
    east, north = east - start_east, north - start_north
    along = (east * way_east + north * way_north) / length**2
    return along, (east * way_north - north * way_east) / length


def _one_line(path: Path, before: Pass, after: Pass, swath_m: float) -> bool:
    if before.course_deg is None or after.course_deg is None:
        return False
    turned = (after.course_deg - before.course_deg + 180) % 360 - 180
    if abs(turned) > SAME_COURSE_DEG:
        return False
    course = np.radians(before.course_deg)
    east = path.start_east_m[after.first] - path.end_east_m[before.last]
    north = path.start_north_m[after.first] - path.end_north_m[before.last]
    along, beside = (
        east * np.sin(course) + north * np.cos(course),
        east * np.cos(course) - north * np.sin(course),
    )
    return bool(along > 0 and abs(beside) <= SAME_LINE_SWATHS * swath_m)


def _missed_here(ground: Ground, off: Mask, shortest_m: float = SHORTEST_MISS_M) -> list[dict[str, Any]]:
    columns = ground.columns
    found = []
    for a, b in zip(*(edge.tolist() for edge in runs(off)), strict=True):
        distance_m = float(np.nansum(ground.distance_m[a : b + 1]))
        if distance_m < shortest_m:
            continue
        at_ns = np.array([columns.start_ns[a], columns.t_ns[b]])
        lat, lon = positions(columns, at_ns)
        area_m2 = distance_m * ground.rig.swath_m
        found.append(
            {
                "kind": "missed",
                "start_s": float(at_ns[0] / 1e9),
                "end_s": float(at_ns[1] / 1e9),
                "distance_m": distance_m,
                "area_m2": area_m2,
                "mean_l_ha": 0.0,
                "start_lat_deg": number(lat[0]),
                "start_lon_deg": number(lon[0]),
                "end_lat_deg": number(lat[1]),
                "end_lon_deg": number(lon[1]),
                "error_pct": 100.0,
                "weight_m2": area_m2,
                "cause": "boom_left_off",
                "why": _WHY["boom_left_off"]["missed"],
            }
        )
    return found
