"""What the report adds to the analysis: all that is drawn or said on the page is in this object.

Every key is in carried units, every number finite or None, as in `score`.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from math import sqrt
from typing import Any, Final

import numpy as np

from rigmon.analysis.frames import Floats
from rigmon.analysis.ground import SLACK, Ground, Kind, number
from rigmon.analysis.score import mean_rate_uncertainty_pct
from rigmon.analysis.whole import Analysis
from rigmon.model import Flag
from rigmon.rig import Rig

REPORT_SCHEMA: Final = 1

#: classes of dose are this part of the tolerance wide, or twice or four times that where doses lie far apart
_CLASS_OF_TOLERANCE: Final = 0.25
#: so many classes on either side of the target at most
_MOST_CLASSES: Final = 24
#: the run is shown in at most so many steps of time
_MOST_STEPS: Final = 400
_STEPS_S: Final = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0)


def facts(
    analysis: Analysis,
    *,
    records: Sequence[dict[str, Any]] = (),
    what_if: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> dict[str, Any]:
    """The analysis as JSON, and with it what the page adds. `records`: the calibration records that the log
    carries; `what_if` and `notes`: words for the page.

    report_schema
    rig          name, units, required_area_pct, nozzle_count
    dose         the distribution by area: classes[] (low_pct, high_pct of deviation from the target,
                 low_l_ha, high_l_ha, area_m2, share_pct; the outermost hold all beyond), area_m2,
                 unknown_area_m2, unknown_share_pct. Shares are of rated plus unknown area; the
                 classes within the tolerance add up to rate.in_tolerance_area_pct
    along        step_s and steps[]: start_s, end_s, on_pct (time with the boom on), speed_m_s
                 (mean; low, high), rate_l_ha (volume over area; low, high of the doses)
    causes       stretches by cause and kind, heaviest first: count, area_m2, weight_m2
    uncertainty  of the mean rate, in % of it: expanded_pct (k = 2), parts[] (what, standard_pct);
                 off_target_pct; in_tolerance_if_lower_pct and _if_higher_pct: the share of the ground in
                 tolerance if every dose were lower or higher by expanded_pct
    calibration  of the rig: flow_l_min, pressure_kpa, taken_on, age_days on the run's day, max_age_days, due,
                 uncertainty_pct, record, and the records that the log carries
    quality      flags[] (flag, time_s), notes[]: what the log's reader said of the file
    what_if      what was changed, as typed
    """
    run, ground = analysis.run, analysis.ground
    data = analysis.to_json()
    return {
        **data,
        "report_schema": REPORT_SCHEMA,
        "rig": {
            "name": run.rig.name,
            "units": run.rig.units,
            "required_area_pct": run.rig.required_area_pct,
            "nozzle_count": run.rig.nozzle_count,
        },
        "dose": dose_classes(ground),
        "along": along(ground, run.duration_s),
        "causes": causes(data["stretches"]),
        "uncertainty": uncertainty(ground, data),
        "calibration": calibration(run.rig, data["run"]["started_utc"], records),
        "quality": {
            "flags": [
                {"flag": flag.name.lower(), "time_s": float(time_s)}
                for flag in Flag
                if flag.name and (time_s := ground.dt_s[run.columns.flags & int(flag) != 0].sum()) > 0
            ],
            "notes": list(notes),
        },
        "what_if": list(what_if),
    }


def dose_classes(ground: Ground) -> dict[str, Any]:
    """The distribution of the dose by area; see `facts`."""
    target = ground.rig.target
    tolerance = target.tolerance_pct
    has = (ground.piece_area_m2 > 0) & np.isfinite(ground.piece_dose_l_ha)
    area, kind = ground.piece_area_m2[has], ground.piece_kind[has]
    off = 100 * (ground.piece_dose_l_ha[has] / target.rate_l_ha - 1)
    unknown_m2 = float(np.nansum(ground.area_m2[ground.unknown]))
    total = float(area.sum()) + unknown_m2
    if not total > 0:
        return {"classes": [], "area_m2": 0.0, "unknown_area_m2": unknown_m2, "unknown_share_pct": None}
    widest = _far(off, area, 3 * tolerance)
    parts = _CLASS_OF_TOLERANCE
    while parts < 1 and widest > _MOST_CLASSES * parts * tolerance:
        parts *= 2
    step = parts * tolerance
    above = min(int(np.ceil(widest / step * (1 - SLACK))), _MOST_CLASSES)
    below = min(above, int(np.ceil(100 / step * (1 - SLACK))))
    edges = np.arange(-below, above + 1) * step
    # a dose on a limit, which may be off it by rounding, counts on the side that the score put it
    off = np.where(kind == Kind.IN, np.clip(off, -tolerance, np.nextafter(tolerance, 0)), off)
    off = np.where(kind == Kind.UNDER, np.minimum(off, np.nextafter(-tolerance, -np.inf)), off)
    off = np.where(kind == Kind.OVER, np.maximum(off, tolerance), off)
    which = np.clip(np.floor(off / step).astype(np.int64), -below, above - 1)
    which = np.where((kind == Kind.IN) & (which >= round(1 / parts)), round(1 / parts) - 1, which)
    which = np.where((kind == Kind.UNDER) & (which >= -round(1 / parts)), -round(1 / parts) - 1, which)
    sums = np.bincount(np.maximum(which + below, 0), weights=area, minlength=below + above)
    rate = target.rate_l_ha
    return {
        "classes": [
            {
                "low_pct": float(a),
                "high_pct": float(b),
                "low_l_ha": float(rate * (1 + a / 100)),
                "high_l_ha": float(rate * (1 + b / 100)),
                "area_m2": float(m2),
                "share_pct": float(100 * m2 / total),
            }
            for a, b, m2 in zip(edges[:-1], edges[1:], sums, strict=True)
        ],
        "area_m2": float(area.sum()),
        "unknown_area_m2": unknown_m2,
        "unknown_share_pct": 100 * unknown_m2 / total,
    }


def _far(off: Floats, area: Floats, least: float) -> float:
    """The deviation that all but a hundredth of the area lies within, but at least so much [%]."""
    if not len(off):
        return least
    order = np.argsort(np.abs(off), kind="stable")
    below = np.cumsum(area[order])
    at = np.searchsorted(below, 0.99 * below[-1])
    return max(least, float(np.abs(off)[order[min(int(at), len(off) - 1)]]))


def along(ground: Ground, duration_s: float) -> dict[str, Any]:
    """Speed and rate along the run; see `facts`."""
    columns = ground.columns
    if not len(columns):
        return {"step_s": _STEPS_S[0], "steps": []}
    end_s = columns.t_ns / 1e9
    length = max(float(end_s[-1]), duration_s)
    step = next((s for s in _STEPS_S if length / s <= _MOST_STEPS), length / _MOST_STEPS)
    # a sample that ends on an edge belongs before it
    at = np.maximum(np.ceil(end_s / step * (1 - SLACK)).astype(np.int64) - 1, 0)
    begins = np.flatnonzero(np.diff(at, prepend=-1))
    dt_s = ground.dt_s

    def sums(values: Floats, mask: Any) -> Floats:
        return np.add.reduceat(np.where(mask, values, 0.0), begins)

    def bounds(values: Floats) -> tuple[Floats, Floats]:
        return np.fmin.reduceat(values, begins), np.fmax.reduceat(values, begins)

    moving = ~np.isnan(columns.distance_m)
    on_s = sums(dt_s, columns.boom_on == 1)
    time_s, all_s = sums(dt_s, moving), sums(dt_s, True)
    metres = sums(columns.distance_m, moving)
    litres, square_m = sums(columns.volume_l, ground.rated), sums(columns.area_m2, ground.rated)
    speed, dose = bounds(ground.mean_speed_m_s), bounds(ground.dose_l_ha)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_speed, mean_rate = metres / time_s, litres / square_m * 1e4
        on_pct = 100 * on_s / all_s
    return {
        "step_s": float(step),
        "steps": [
            {
                "start_s": float(at[k] * step),
                "end_s": float((at[k] + 1) * step),
                "on_pct": number(on_pct[n]),
                "speed_m_s": number(mean_speed[n]),
                "speed_low_m_s": number(speed[0][n]),
                "speed_high_m_s": number(speed[1][n]),
                "rate_l_ha": number(mean_rate[n]),
                "rate_low_l_ha": number(dose[0][n]),
                "rate_high_l_ha": number(dose[1][n]),
            }
            for n, k in enumerate(begins)
        ],
    }


def causes(stretches: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The stretches summed by cause and kind, heaviest first, those of unknown error behind."""
    found: dict[tuple[str | None, str], dict[str, Any]] = {}
    for stretch in stretches:
        key = (stretch["cause"], stretch["kind"])
        group = found.setdefault(
            key,
            {
                "cause": key[0],
                "kind": key[1],
                "why": stretch["why"],
                "count": 0,
                "area_m2": 0.0,
                "weight_m2": 0.0,
            },
        )
        group["count"] += 1
        group["area_m2"] += stretch["area_m2"] or 0.0
        group["weight_m2"] += stretch["weight_m2"] or 0.0
    return sorted(found.values(), key=lambda one: (-one["weight_m2"], -one["area_m2"]))


def uncertainty(ground: Ground, data: dict[str, Any]) -> dict[str, Any]:
    """How sure the mean rate is, what that rests on, and what it means for the verdict; see `facts`."""
    rig, rate = ground.rig, data["rate"]
    expanded = rate["expanded_uncertainty_pct"]
    found: dict[str, Any] = {
        "expanded_pct": expanded,
        "parts": [],
        "off_target_pct": None,
        "in_tolerance_if_lower_pct": None,
        "in_tolerance_if_higher_pct": None,
    }
    if rate["mean_l_ha"] is not None:
        found["off_target_pct"] = 100 * (rate["mean_l_ha"] / rig.target.rate_l_ha - 1)
    if expanded is None:
        return found
    exact = _exact(rig)

    def standard(of: Rig) -> float:
        return (mean_rate_uncertainty_pct(ground.columns, ground.rated, of) or 0.0) / 2

    random = standard(exact)

    def part(of: Rig) -> float:
        return sqrt(max(standard(of) ** 2 - random**2, 0.0))

    parts = {
        "flowmeter": part(replace(exact, flow=rig.flow)),
        "pressure": part(replace(exact, pressure=rig.pressure)),
        "swath": part(replace(exact, swath_uncertainty_pct=rig.swath_uncertainty_pct)),
        "speed, steady error": part(
            replace(exact, gps=replace(exact.gps, speed_bias_pct=rig.gps.speed_bias_pct))
        ),
        "speed, noise": random,
    }
    if rig.calibration is not None:
        parts["calibrated flow"] = part(replace(exact, calibration=rig.calibration))
    found["parts"] = [
        {"what": what, "standard_pct": u}
        for what, u in sorted(parts.items(), key=lambda item: -item[1])
        if u > 0
    ]
    for name, factor in (("lower", 1 - expanded / 100), ("higher", 1 + expanded / 100)):
        found[f"in_tolerance_if_{name}_pct"] = _in_tolerance_pct(ground, factor)
    return found


def _exact(rig: Rig) -> Rig:
    """The rig without any uncertainty but the noise of its speed."""
    return replace(
        rig,
        calibration=None if rig.calibration is None else replace(rig.calibration, uncertainty_pct=0.0),
        gps=replace(rig.gps, speed_bias_pct=0.0),
        flow=replace(rig.flow, uncertainty_pct=0.0),
        pressure=replace(rig.pressure, uncertainty_pct=0.0),
        swath_uncertainty_pct=0.0,
    )


def _in_tolerance_pct(ground: Ground, factor: float) -> float | None:
    """Share of rated and unknown ground in tolerance if every dose were `factor` times what it is [%]."""
    target = ground.rig.target
    off = np.abs(factor * ground.piece_dose_l_ha / target.rate_l_ha - 1)
    inside = off <= target.tolerance_pct / 100 * (1 + SLACK)
    total = float(ground.piece_area_m2.sum()) + float(np.nansum(ground.area_m2[ground.unknown]))
    return number(100 * float(ground.piece_area_m2[inside].sum()) / total) if total > 0 else None


def calibration(rig: Rig, started_utc: str | None, records: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """What the figures of the run rest on, and how old it was on the run's day."""
    day = None if started_utc is None else date.fromisoformat(started_utc[:10])
    cal = rig.calibration
    taken = None if cal is None else cal.taken_on
    age = None if day is None or taken is None else (day - taken).days
    return {
        "flow_l_min": None if cal is None else cal.flow_l_min,
        "pressure_kpa": None if cal is None else cal.pressure_kpa,
        "taken_on": None if taken is None else taken.isoformat(),
        "age_days": age,
        "max_age_days": rig.max_age_days,
        "due": None if age is None else age > rig.max_age_days,
        "uncertainty_pct": None if cal is None else cal.uncertainty_pct,
        "record": None if cal is None else cal.record,
        "records": list(records),
    }
