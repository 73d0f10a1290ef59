"""The passes of a run: stretches with the boom on in which the rig goes straight.

A pass ends where the boom goes off for longer than BREAK_S, where the rig turns more sharply than a radius of
SHARPEST_SWATHS swaths, and where it stands. Without a boom switch or a sensor that shows the boom the turns
between the passes count as sprayed, and the course alone parts the passes.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from rigmon.analysis.frames import Floats, Mask
from rigmon.analysis.ground import Ground, runs
from rigmon.analysis.path import Path

#: a shorter break does not end a pass [s]
BREAK_S: Final = 2.0
#: a turn of a smaller radius is not part of a pass [swaths]
SHARPEST_SWATHS: Final = 2.5
#: a shorter stretch is no pass [swaths]
SHORTEST_SWATHS: Final = 2.0


@dataclass(frozen=True, slots=True)
class Pass:
    """Samples `first` to `last` of a run, both included."""

    number: int  #: from 1, in the order of driving
    first: int
    last: int
    start_s: float
    end_s: float
    distance_m: float
    course_deg: float | None  #: mean course, clockwise from north

    @property
    def samples(self) -> slice:
        return slice(self.first, self.last + 1)


def find_passes(ground: Ground, path: Path | None) -> list[Pass]:
    """The passes of a run, in the order of driving."""
    columns, swath_m = ground.columns, ground.rig.swath_m
    straight: Mask = (ground.treated | ground.unknown) & ~(
        ground.mean_speed_m_s < ground.rig.speed.stationary_m_s
    )
    if path is not None:
        straight &= ~(np.abs(path.curvature_per_m) > 1 / (SHARPEST_SWATHS * swath_m))
    start_s, end_s = columns.start_ns / 1e9, columns.t_ns / 1e9
    first, last = runs(straight)
    if not len(first):
        return []
    begins = np.ones(len(first), dtype=np.bool_)
    begins[1:] = start_s[first[1:]] - end_s[last[:-1]] > BREAK_S
    group = np.flatnonzero(begins)
    firsts, lasts = first[group], last[np.append(group[1:], len(first)) - 1]
    found: list[Pass] = []
    for a, b in zip(firsts.tolist(), lasts.tolist(), strict=True):
        inside = straight[a : b + 1]
        distance_m = float(np.nansum(ground.distance_m[a : b + 1][inside]))
        if distance_m < SHORTEST_SWATHS * swath_m:
            continue
        course = None if path is None else _mean_course_deg(path.course_rad[a : b + 1][inside])
        found.append(Pass(len(found) + 1, a, b, float(start_s[a]), float(end_s[b]), distance_m, course))
    return found


def _mean_course_deg(course_rad: Floats) -> float | None:
    known = course_rad[~np.isnan(course_rad)]
    if not len(known):
        return None
    return float(np.degrees(np.arctan2(np.sin(known).sum(), np.cos(known).sum())) % 360)
