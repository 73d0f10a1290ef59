"""How well the driver held the speed, in figures that can be compared between runs.

The speed to hold is the one that gives the target rate at the flow of the moment, so a sagging pressure is
not laid at the driver's door. The hold figure is the mean deviation of the ground speed from it, either way,
in percent, each metre driven counting alike:

    hold_pct = sum(distance x |speed / speed to hold - 1|) / sum(distance) x 100

0 would be perfect; it does not depend on the tolerance, the swath, the rate or the length of the run. Where
the flow is not known the target speed stands for the speed to hold. Only treated ground counts.
"""

from typing import Any, Final

import numpy as np

from rigmon.analysis.frames import Floats, Mask
from rigmon.analysis.ground import SLACK, Ground, number, runs
from rigmon.analysis.passes import Pass
from rigmon.core.rate import speed_band_m_s

#: classes of the histogram: deviation from the speed to hold, in percent, from -50 to 50
CLASS_PCT: Final = 2.5
WIDEST_PCT: Final = 50.0
#: shorter excursions from the band are bumps, not driving [s]
SHORTEST_S: Final = 1.0
#: a pass shorter than this is not best or worst of anything [s]
JUDGED_S: Final = 10.0


def hold(ground: Ground, passes: list[Pass]) -> dict[str, Any]:
    """The driver's hold.

    target_m_s, low_m_s, high_m_s  the target speed and its band at the target flow
    hold_pct       see the module; None: nothing treated
    in_band_pct    share of the treated distance inside the band about the speed to hold
    histogram      low_pct, high_pct (deviation from the speed to hold; the outermost classes hold all beyond)
                   and share_pct of the treated distance
    passes         per pass: number, start_s, end_s, distance_m, course_deg, mean_m_s, hold_pct, in_band_pct,
                   drift_pct_per_min (slope of the deviation over the pass, least squares)
    best_pass, worst_pass  numbers of the passes of least and largest hold_pct, of those of JUDGED_S and more
    excursions     count of stays outside the band of SHORTEST_S and more within passes; of these,
                   returned_count came back within the pass, after median_s and longest_s
    """
    rig = ground.rig
    target = rig.target
    low, high = speed_band_m_s(target.speed_m_s, target.tolerance_pct)
    off = _deviation(ground)
    counted: Mask = ground.treated & ~np.isnan(off) & (ground.distance_m > 0)
    weight = np.where(counted, ground.distance_m, 0.0)
    part = target.tolerance_pct / 100
    inside: Mask = (off >= 1 / (1 + part) - 1 - SLACK) & (off <= 1 / (1 - part) - 1 + SLACK)
    listed = [_of_pass(ground, one, off, weight, inside) for one in passes]
    judged = [
        one for one in listed if one["hold_pct"] is not None and one["end_s"] - one["start_s"] >= JUDGED_S
    ]
    return {
        "target_m_s": target.speed_m_s,
        "low_m_s": low,
        "high_m_s": high,
        "hold_pct": _hold_pct(off, weight),
        "in_band_pct": _share_pct(inside, weight),
        "histogram": _histogram(off, weight, counted),
        "passes": listed,
        "best_pass": min(judged, key=lambda one: one["hold_pct"])["number"] if judged else None,
        "worst_pass": max(judged, key=lambda one: one["hold_pct"])["number"] if judged else None,
        "excursions": _excursions(ground, passes, counted, inside),
    }


def _deviation(ground: Ground) -> Floats:
    """Speed over the speed to hold, less 1; NaN where the speed is unknown."""
    target = ground.rig.target
    to_hold = ground.flow_l_s * 1e4 / (target.rate_l_ha * ground.rig.swath_m)
    to_hold = np.where(to_hold > 0, to_hold, target.speed_m_s)
    return np.asarray(ground.mean_speed_m_s / to_hold - 1)


def _hold_pct(off: Floats, weight: Floats) -> float | None:
    total = float(weight.sum())
    return float(100 * np.nansum(weight * np.abs(off)) / total) if total > 0 else None


def _share_pct(mask: Mask, weight: Floats) -> float | None:
    total = float(weight.sum())
    return float(100 * weight[mask].sum() / total) if total > 0 else None


def _histogram(off: Floats, weight: Floats, counted: Mask) -> list[dict[str, float]]:
    total = float(weight.sum())
    if not total > 0:
        return []
    edges = np.arange(-WIDEST_PCT, WIDEST_PCT + CLASS_PCT / 2, CLASS_PCT)
    inner = np.clip(off[counted] * 100, -WIDEST_PCT, np.nextafter(WIDEST_PCT, 0))
    sums, _ = np.histogram(inner, edges, weights=weight[counted])
    return [
        {"low_pct": float(a), "high_pct": float(b), "share_pct": float(100 * x / total)}
        for a, b, x in zip(edges[:-1], edges[1:], sums, strict=True)
    ]


def _of_pass(ground: Ground, one: Pass, off: Floats, weight: Floats, inside: Mask) -> dict[str, Any]:
    part = one.samples
    w, x = weight[part], off[part]
    counted = w > 0
    time_s = float(ground.dt_s[part][counted].sum())
    return {
        "number": one.number,
        "start_s": one.start_s,
        "end_s": one.end_s,
        "distance_m": one.distance_m,
        "course_deg": one.course_deg,
        "mean_m_s": number(float(w.sum()) / time_s) if time_s > 0 else None,
        "hold_pct": _hold_pct(x, w),
        "in_band_pct": _share_pct(inside[part], w),
        "drift_pct_per_min": _drift(ground.columns.t_ns[part][counted] / 60e9, 100 * x[counted]),
    }


def _drift(minutes: Floats, off_pct: Floats) -> float | None:
    if len(minutes) < 3:
        return None
    t = minutes - minutes.mean()
    spread = float((t * t).sum())
    return number(float((t * off_pct).sum()) / spread) if spread > 0 else None


def _excursions(ground: Ground, passes: list[Pass], counted: Mask, inside: Mask) -> dict[str, Any]:
    took: list[float] = []
    count = 0
    for one in passes:
        out = counted[one.samples] & ~inside[one.samples]
        first, last = runs(out)
        ends_s = np.concatenate(([0.0], np.cumsum(ground.dt_s[one.samples])))
        for a, b in zip(first.tolist(), last.tolist(), strict=True):
            seconds = float(ends_s[b + 1] - ends_s[a])
            if seconds < SHORTEST_S * (1 - SLACK):
                continue
            count += 1
            if b + 1 < len(out):
                took.append(seconds)
    return {
        "count": count,
        "returned_count": len(took),
        "median_s": float(np.median(took)) if took else None,
        "longest_s": max(took) if took else None,
    }
