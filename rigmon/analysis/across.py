"""Dose across the boom in turns, per nozzle.

On a curve the outer end of the boom runs faster than the inner, at the same flow from every nozzle. A point
of the boom at the offset y from its middle (positive outward) moves at v (1 + y/R), so with an even flow

    dose(y) / dose(0) = R / (R + y)

(plane geometry of a rigid boom square to the course). With the curvature k = 1/R, positive to the right, and
the offset x, positive to the right, y/R = -k x, which also holds for left turns and straight lines.

Each nozzle serves a strip of ground, swath / nozzle count wide. Where 1 - k x falls below STANDING the
strip's nozzle nearly stands: what it gives falls on one spot, and no dose is stated for it; below zero it
runs backwards, over ground that it has just treated. Both are counted, never divided by.
"""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from rigmon.analysis.frames import Floats, Integers, Mask
from rigmon.analysis.ground import SLACK, Ground, number
from rigmon.analysis.path import Path

#: a nozzle slower than this share of the rig's speed counts as standing
STANDING: Final = 0.1
#: the rig turns where the ends of its boom are off by more than this from its middle
CURVED: Final = 0.05
#: samples worked on at a time, so that memory does not grow with the run
_CHUNK: Final = 16384


def strip_offsets_m(nozzle_count: int, swath_m: float) -> Floats:
    """Offset [m] of each nozzle's strip from the boom's middle, left (negative) to right."""
    places = np.arange(nozzle_count) - (nozzle_count - 1) / 2
    return np.asarray(places * (swath_m / nozzle_count), dtype=np.float64)


def speed_ratio(offset_m: Floats, curvature_per_m: Floats) -> Floats:
    """Speed of a point of the boom over the rig's: 1 - curvature x offset. Shapes broadcast."""
    return np.asarray(1 - curvature_per_m * offset_m)


def turn_error_pct(offset_m: Floats, curvature_per_m: Floats) -> Floats:
    """By how much the dose there differs from that in the boom's middle [%]; NaN where it nearly stands."""
    return np.asarray(100 * (_per_ratio(speed_ratio(offset_m, curvature_per_m)) - 1))


def _per_ratio(ratio: Floats) -> Floats:
    """1 / ratio; NaN where the point nearly stands or runs backwards."""
    per_ratio: Floats = np.full(ratio.shape, np.nan)
    np.divide(1.0, ratio, out=per_ratio, where=ratio >= STANDING)
    return per_ratio


def nozzle_dose(ground: Ground, path: Path, samples: slice = slice(None)) -> Floats:
    """Dose [L/ha] under each nozzle, shape (samples, nozzles), left to right; `samples`: of part of the run.

    NaN where the ground has no dose, where the course is unknown, and where the nozzle nearly stood or ran
    backwards. 8 bytes x samples x nozzles: take long runs in parts.
    """
    offsets = strip_offsets_m(ground.rig.nozzle_count, ground.rig.swath_m)
    ratio = speed_ratio(offsets, path.curvature_per_m[samples, np.newaxis])
    return ground.dose_l_ha[samples, np.newaxis] * _per_ratio(ratio)


def across_boom(ground: Ground, path: Path) -> dict[str, Any]:
    """The dose across the boom over the whole run, as a JSON object.

    nozzles              left to right: nozzle (from 1), offset_m (of its strip, left negative), mean_l_ha
                         (its volume over the area of its strip), and the shares of its strip's area with a
                         known dose: in_tolerance_pct, under_pct, over_pct
    area_off_by_5_pct    share of the area whose dose differs by more than 5 % from that in the boom's middle,
    area_off_by_10_pct   by the turn alone; standing and backward ground is off by definition
    in_tolerance_pct, under_pct, over_pct    shares of the whole area with the turns counted; standing and
                         backward ground is over. The score's shares take the dose in the boom's middle for
                         the whole width, so the difference is what the turns alone did
    curved_share_pct     share of the area driven in turns so sharp that a boom end is off by more than 5 %
    standing_m2, _s, _l  where nozzles nearly stood: ground under them, time in which at least one did, what
    backward_m2, _s, _l  they gave; the same where they ran backwards
    area_m2              ground that all this rests on
    without_course_m2    rated ground for which the course is not known: too slow, or no fix

    Shares are None where there is no such ground.
    """
    rig, columns = ground.rig, ground.columns
    count = rig.nozzle_count
    offsets = strip_offsets_m(count, rig.swath_m)
    has_dose = ground.rated & (ground.area_m2 > 0) & ~np.isnan(ground.dose_l_ha)
    usable: Mask = has_dose & ~np.isnan(path.curvature_per_m)
    limits = rig.target.rate_l_ha * (1 + np.array([-1.0, 1.0]) * rig.target.tolerance_pct / 100)
    low, high = limits[0] * (1 - SLACK), limits[1] * (1 + SLACK)

    area, volume, under, over = (np.zeros(count) for _ in range(4))
    off = {0.05: 0.0, 0.10: 0.0}
    swept_m2 = curved_m2 = driven_m2 = 0.0
    slow = {"standing": np.zeros(3), "backward": np.zeros(3)}
    for part in _parts(np.flatnonzero(usable)):
        ratio = speed_ratio(offsets, path.curvature_per_m[part, np.newaxis])
        ground_m2 = columns.area_m2[part, np.newaxis] / count * np.abs(ratio)
        litres = np.broadcast_to(columns.volume_l[part, np.newaxis] / count, ratio.shape)
        forward = ratio >= STANDING
        per_ratio = _per_ratio(ratio)
        dose = ground.dose_l_ha[part, np.newaxis] * per_ratio
        area += np.where(forward, ground_m2, 0).sum(axis=0)
        volume += np.where(forward, litres, 0).sum(axis=0)
        under += np.where(dose < low, ground_m2, 0).sum(axis=0)
        over += np.where(dose > high, ground_m2, 0).sum(axis=0)
        swept_m2 += float(ground_m2.sum())
        for limit in off:
            # a NaN, where the nozzle stands or runs backwards, is not within
            within = np.abs(per_ratio - 1) <= limit * (1 + SLACK)
            off[limit] += float(ground_m2[~within].sum())
        driven_m2 += float(columns.area_m2[part].sum())
        turning = np.abs(path.curvature_per_m[part]) * rig.swath_m / 2 > CURVED
        curved_m2 += float(columns.area_m2[part][turning].sum())
        for name, mask in (("standing", ~forward & (ratio >= 0)), ("backward", ratio < 0)):
            slow[name] += (
                ground_m2[mask].sum(),
                ground.dt_s[part][mask.any(axis=1)].sum(),
                litres[mask].sum(),
            )
    return {
        "nozzles": [
            {
                "nozzle": k + 1,
                "offset_m": float(offsets[k]),
                "mean_l_ha": number(1e4 * volume[k] / area[k]) if area[k] > 0 else None,
                "in_tolerance_pct": _pct(area[k] - under[k] - over[k], area[k]),
                "under_pct": _pct(under[k], area[k]),
                "over_pct": _pct(over[k], area[k]),
            }
            for k in range(count)
        ],
        "in_tolerance_pct": _pct(float((area - under - over).sum()), swept_m2),
        "under_pct": _pct(float(under.sum()), swept_m2),
        "over_pct": _pct(float(over.sum()) + slow["standing"][0] + slow["backward"][0], swept_m2),
        "area_off_by_5_pct": _pct(off[0.05], swept_m2),
        "area_off_by_10_pct": _pct(off[0.10], swept_m2),
        "curved_share_pct": _pct(curved_m2, driven_m2),
        **{
            f"{name}_{unit}": float(figure)
            for name, figures in slow.items()
            for unit, figure in zip(("m2", "s", "l"), figures, strict=True)
        },
        "area_m2": swept_m2,
        "without_course_m2": float(columns.area_m2[has_dose & ~usable].sum()),
    }


def _parts(index: Integers) -> Iterator[Integers]:
    for first in range(0, len(index), _CHUNK):
        yield index[first : first + _CHUNK]


def _pct(part: float, whole: float) -> float | None:
    return number(100 * max(part, 0.0) / whole) if whole > 0 else None
