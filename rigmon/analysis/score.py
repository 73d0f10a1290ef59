"""The score of a run: did the treated ground get the rate it was meant to get?

Sums are made from the run's samples, so none depends on how finely the run was sampled. The words on,
treated, rated, unknown, dose and piece are those of `rigmon.analysis.ground`.
"""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from math import isfinite, sqrt
from typing import Any, Final

import numpy as np

from rigmon.analysis.acts import acts
from rigmon.analysis.diagnoses import diagnoses, watched
from rigmon.analysis.frames import Columns, Floats, Mask, RunData
from rigmon.analysis.ground import SLACK, Ground, Kind, number, positions, runs, sums
from rigmon.analysis.passes import Pass, find_passes
from rigmon.analysis.path import path_of
from rigmon.analysis.weather import weather
from rigmon.core.rate import expanded_uncertainty_pct, speed_band_m_s
from rigmon.model import Act, Alert, Anchor, Basis, Flag
from rigmon.rig import Rig

SCORE_SCHEMA: Final = 1

#: errors of a receiver's speed stay alike for a second or two: one independent value every so often [s]
CORRELATION_TIME_S: Final = 2.0
#: stretches of one kind closer together than this are one stretch [s]
MERGE_S: Final = 2.0
#: shorter stretches are not listed: [m] and [s] for over and under (either is enough), [s] for unknown
KEEP_M: Final = 3.0
KEEP_S: Final = 3.0

_KINDS: Final = {Kind.OVER: "over", Kind.UNDER: "under", Kind.UNKNOWN: "unknown"}
_BASIS_NAME: Final = {
    Basis.FLOWMETER: "flowmeter",
    Basis.PRESSURE: "pressure",
    Basis.CALIBRATION: "calibration",
}


def score(run: RunData) -> dict[str, Any]:
    """Score a run. Returns a dict that serialises to JSON: numbers are finite, missing knowledge is None.

    run         run_id; started_utc (ISO 8601, from the first GPS time with a date); duration_s;
                ended_cleanly
    input       counts of readings, sentences, rejected sentences (and by reason) and valid fixes;
                gps_gap_count and gps_gap_s: stretches and time [s] without a current ground speed, the wait
                for the first fix included; the rig's flow and pressure sources
    target      what was asked for; speed_low/high_m_s are the speeds that keep the rate within tolerance
                at the target flow
    applied     sums over treated samples: distance_m, area_m2, time_s, volume_l (of these, where the volume
                is known); rate_basis: what the volume rests on for most of the rated area; unknown_time_s:
                time that is unknown in the sense above
    rate        mean_l_ha = volume / area x 1e4 over rated samples; cv_pct = area-weighted standard deviation
                of the pieces' doses over their area-weighted mean; p05, p50, p95: the dose that this share
                of the rated area does not exceed; the four shares in %, see below;
                expanded_uncertainty_pct (k = 2) of mean_l_ha, see `mean_rate_uncertainty_pct`
    speed       over treated time: mean_m_s = distance / time; sd_m_s and cv_pct of the samples' mean speeds,
                time-weighted; in_band_time_pct: share of time within target.speed_low/high_m_s
    alerts      each raised alert, with value and limit when raised; cleared_s None: still active at the end;
                acknowledged_s None: nobody acknowledged it
    acts        what people did, see `rigmon.analysis.acts.acts`
    stretches   see `_stretches`
    diagnosis   what the sensors were compared for, see `rigmon.analysis.diagnoses.watched`
    diagnoses   what they said together, see `rigmon.analysis.diagnoses.diagnoses`
    weather     wind and air, see `rigmon.analysis.weather.weather`; None: the rig has no sensor of them
    verdict     in_tolerance: in_tolerance_area_pct reaches rig.required_area_pct;
                out_of_tolerance: it would not even if all unknown ground had been in tolerance;
                insufficient_data: anything between, or nothing was treated

    The four shares add up to 100 % of rated plus unknown area. Under and over: dose outside
    target x (1 -+ tolerance), limits included in tolerance. The unknown area is an estimate where the
    area itself is unknown: swath x distance, see `estimated_distance_m`.
    """
    return score_of(run, Ground(run))


def score_of(
    run: RunData, ground: Ground, passes: Callable[[], Sequence[Pass]] | None = None
) -> dict[str, Any]:
    """`score` of a run whose ground is at hand, and its `passes`, which are only asked for where needed."""
    rig = run.rig
    if passes is None:

        def passes() -> Sequence[Pass]:
            return find_passes(ground, path_of(run.columns))

    rate = _rate(ground, rig)
    low, high = speed_band_m_s(rig.target.speed_m_s, rig.target.tolerance_pct)
    return {
        "score_schema": SCORE_SCHEMA,
        "run": {
            "run_id": run.run_id,
            "started_utc": _started_utc(run.anchors),
            "duration_s": number(run.duration_s),
            "ended_cleanly": run.ended_cleanly,
        },
        "input": _input(run),
        "target": {
            "rate_l_ha": rig.target.rate_l_ha,
            "tolerance_pct": rig.target.tolerance_pct,
            "speed_m_s": rig.target.speed_m_s,
            "swath_m": rig.swath_m,
            "speed_low_m_s": low,
            "speed_high_m_s": high,
        },
        "applied": _applied(ground),
        "rate": rate,
        "speed": _speed(ground, low, high),
        "alerts": _alerts(run.alerts, run.acts),
        "acts": acts(run),
        "stretches": _stretches(ground),
        "diagnosis": watched(run),
        "diagnoses": diagnoses(run, ground, passes),
        "weather": weather(run),
        "verdict": _verdict(rate, rig.required_area_pct),
    }


def _input(run: RunData) -> dict[str, Any]:
    tallied: dict[str, int] = {}
    for tally in run.tallies:
        tallied[tally.name] = tallied.get(tally.name, 0) + tally.n
    rejected = {
        name.removeprefix("rejected:"): n
        for name, n in sorted(tallied.items())
        if name.startswith("rejected:") and n
    }
    columns = run.columns
    gap = (columns.flags & int(Flag.GPS_STALE) != 0) | np.isnan(columns.speed_m_s)
    return {
        "readings": run.readings,
        "sentences": tallied.get("sentence", 0),
        "rejected": sum(rejected.values()),
        "rejected_by_reason": rejected,
        "fixes_valid": tallied.get("fix", 0),
        "gps_gap_count": len(runs(gap)[0]),
        "gps_gap_s": float(columns.dt_s[gap].sum()),
        "flow_source": run.rig.flow.source,
        "pressure_source": run.rig.pressure.source,
    }


def _applied(ground: Ground) -> dict[str, Any]:
    treated, columns = ground.treated, ground.columns
    volume_l: float | None = float(columns.volume_l[ground.rated].sum())
    if treated.any() and not ground.rated.any():
        volume_l = None
    by_basis = {
        basis: float(columns.area_m2[ground.rated & (columns.basis == basis)].sum()) for basis in _BASIS_NAME
    }
    most = max(by_basis, key=lambda basis: by_basis[basis])
    return {
        "distance_m": float(ground.distance_m[treated].sum()),
        "area_m2": float(columns.area_m2[treated].sum()),
        "time_s": float(ground.dt_s[treated].sum()),
        "volume_l": volume_l,
        "rate_basis": _BASIS_NAME[most] if by_basis[most] > 0 else None,
        "unknown_time_s": float(ground.dt_s[ground.unknown].sum()),
    }


def _rate(ground: Ground, rig: Rig) -> dict[str, float | None]:
    rated, columns = ground.rated, ground.columns
    area, volume = float(columns.area_m2[rated].sum()), float(columns.volume_l[rated].sum())
    weight, dose = ground.piece_area_m2, ground.piece_dose_l_ha
    kind = ground.piece_kind
    shares = np.array(
        [weight[kind == which].sum() for which in (Kind.IN, Kind.UNDER, Kind.OVER)]
        + [np.nansum(ground.area_m2[ground.unknown])]
    )
    total = shares.sum()
    in_pct, under_pct, over_pct, unknown_pct = (
        (100 * shares / total).tolist() if total > 0 else (None, None, None, None)
    )
    has_ground = weight > 0
    cv_pct = _cv_pct(dose[has_ground], weight[has_ground])
    p05, p50, p95 = _quantiles(dose[has_ground], weight[has_ground], (0.05, 0.5, 0.95))
    return {
        "mean_l_ha": number(volume / area * 1e4) if area > 0 else None,
        "cv_pct": cv_pct,
        "p05_l_ha": p05,
        "p50_l_ha": p50,
        "p95_l_ha": p95,
        "in_tolerance_area_pct": in_pct,
        "under_area_pct": under_pct,
        "over_area_pct": over_pct,
        "unknown_area_pct": unknown_pct,
        "expanded_uncertainty_pct": mean_rate_uncertainty_pct(columns, rated, rig),
    }


def mean_rate_uncertainty_pct(columns: Columns, rated: Mask, rig: Rig) -> float | None:
    """Expanded uncertainty (k = 2) of the mean rate over the rated samples, in % of it; None: no rate.

    Mean rate = volume / (distance x swath), so relative variances add (JCGM 100:2008, 5.1.6, eq. (12)).
    What is systematic does not average out: the flowmeter for the share of the volume that rests on it;
    the calibrated flow for the rest; for the share that rests on pressure also half the pressure's, since
    flow goes with its square root; the swath; the bias of the speed. The random part of the speed does:
    with one independent error every CORRELATION_TIME_S, u(distance)^2 = sum of sd^2 x dt x that time.
    """
    volume, distance = columns.volume_l[rated], columns.distance_m[rated]
    basis = columns.basis[rated]
    total_l, total_m = float(volume.sum()), float(distance.sum())
    if not (total_l > 0 and total_m > 0):
        return None
    on_pressure = float(volume[basis == Basis.PRESSURE].sum()) / total_l
    on_calibration = float(volume[basis == Basis.CALIBRATION].sum()) / total_l
    on_flowmeter = float(volume[basis == Basis.FLOWMETER].sum()) / total_l
    calibration_pct = rig.calibration.uncertainty_pct if rig.calibration else 0.0
    sd = columns.speed_sd_m_s[rated]
    sd = np.where(np.isnan(sd), rig.gps.speed_noise_m_s, sd)
    random_m = sqrt(CORRELATION_TIME_S * float((sd * sd * columns.dt_s[rated]).sum()))
    return number(
        expanded_uncertainty_pct(
            on_flowmeter * rig.flow.uncertainty_pct,
            (on_pressure + on_calibration) * calibration_pct,
            on_pressure * 0.5 * rig.pressure.uncertainty_pct,
            rig.swath_uncertainty_pct,
            rig.gps.speed_bias_pct,
            100 * random_m / total_m,
        )
    )


def _speed(ground: Ground, low_m_s: float, high_m_s: float) -> dict[str, float | None]:
    timed = ground.treated & (ground.dt_s > 0)
    weight = ground.dt_s[timed]
    speed = ground.mean_speed_m_s[timed]
    if not len(speed):
        return {"mean_m_s": None, "sd_m_s": None, "cv_pct": None, "in_band_time_pct": None}
    mean = float(ground.distance_m[timed].sum() / weight.sum())
    sd = _standard_deviation(speed, weight, float((weight * speed).sum() / weight.sum()))
    in_band = (speed >= low_m_s * (1 - SLACK)) & (speed <= high_m_s * (1 + SLACK))
    return {
        "mean_m_s": mean,
        "sd_m_s": sd,
        "cv_pct": number(100 * sd / mean) if mean > 0 else None,
        "in_band_time_pct": float(100 * weight[in_band].sum() / weight.sum()),
    }


def _alerts(alerts: tuple[Alert, ...], acts: tuple[Act, ...]) -> list[dict[str, Any]]:
    """Raised alerts in the order of raising, each with the times it was acknowledged and cleared."""
    listed: list[dict[str, Any]] = []
    active: dict[str, dict[str, Any]] = {}
    for alert in alerts:
        if alert.raised:
            active[alert.code] = {
                "code": alert.code,
                "raised_s": alert.t_ns / 1e9,
                "acknowledged_s": None,
                "cleared_s": None,
                "value": number(alert.value),
                "limit": number(alert.limit),
                "unit": alert.unit,
            }
            listed.append(active[alert.code])
        elif alert.code in active:
            active.pop(alert.code)["cleared_s"] = alert.t_ns / 1e9
    for act in acts:
        if act.kind == "acknowledge":
            at_s = act.t_ns / 1e9
            for one in reversed(listed):
                if one["code"] == act.text and one["raised_s"] <= at_s:
                    one["acknowledged_s"] = one["acknowledged_s"] or at_s
                    break
    return listed


def _stretches(ground: Ground) -> list[dict[str, Any]]:
    """Stretches of ground that were over, under or unknown, in the order in which they begin.

    A stretch is made of neighbouring samples of one kind, joined across breaks shorter than MERGE_S.
    Distance, area and mean dose are those of the kind, the breaks left out. Over and under are kept from
    KEEP_M of ground or KEEP_S of time, unknown from KEEP_S. Of an unknown stretch, distance and area are
    estimates where they are not known (None when nothing is known to estimate from), and there is no dose.
    Places lie between known positions, or are None.
    """
    columns = ground.columns
    found: list[dict[str, Any]] = []
    for which, name in _KINDS.items():
        first, last = runs(ground.kind == which)
        if not len(first):
            continue
        start_ns, end_ns = columns.start_ns[first], columns.t_ns[last]
        begins = np.ones(len(first), dtype=np.bool_)
        begins[1:] = start_ns[1:] - end_ns[:-1] >= MERGE_S * 1e9
        group = np.flatnonzero(begins)
        stretch_end_ns = end_ns[np.append(group[1:], len(first)) - 1]
        mine = np.flatnonzero(ground.kind == which)
        starts = np.searchsorted(mine, first[group])
        distance, area = sums(ground.distance_m[mine], starts), sums(ground.area_m2[mine], starts)
        volume, time_s = sums(columns.volume_l[mine], starts), sums(ground.dt_s[mine], starts)
        keep = time_s >= KEEP_S * (1 - SLACK)
        if which != Kind.UNKNOWN:
            keep |= distance >= KEEP_M * (1 - SLACK)
        at_ns = np.stack([start_ns[group], stretch_end_ns])
        lat, lon = positions(columns, at_ns)
        for k in np.flatnonzero(keep):
            has_dose = which != Kind.UNKNOWN and area[k] > 0
            dose = float(volume[k]) / float(area[k]) * 1e4 if has_dose else None
            found.append(
                {
                    "kind": name,
                    "start_s": float(at_ns[0, k] / 1e9),
                    "end_s": float(at_ns[1, k] / 1e9),
                    "distance_m": number(distance[k]),
                    "area_m2": number(area[k]),
                    "mean_l_ha": number(dose),
                    "start_lat_deg": number(lat[0, k]),
                    "start_lon_deg": number(lon[0, k]),
                    "end_lat_deg": number(lat[1, k]),
                    "end_lon_deg": number(lon[1, k]),
                }
            )
    return sorted(found, key=lambda stretch: (stretch["start_s"], stretch["kind"]))


def _verdict(rate: dict[str, float | None], required_pct: float) -> str:
    in_pct, unknown_pct = rate["in_tolerance_area_pct"], rate["unknown_area_pct"]
    if in_pct is None or unknown_pct is None or rate["mean_l_ha"] is None:
        return "insufficient_data"
    if in_pct >= required_pct * (1 - SLACK):
        return "in_tolerance"
    if in_pct + unknown_pct < required_pct * (1 - SLACK):
        return "out_of_tolerance"
    return "insufficient_data"


def _started_utc(anchors: tuple[Anchor, ...]) -> str | None:
    for anchor in anchors:
        if anchor.utc_ms is not None:
            start_ms = anchor.utc_ms - round(anchor.t_ns / 1e6)
            try:
                start = datetime.fromtimestamp(start_ms // 1000, UTC)
            except (ValueError, OverflowError, OSError):  # beyond the calendar
                return None
            return f"{start:%Y-%m-%dT%H:%M:%S}.{start_ms % 1000:03d}Z"
    return None


def _standard_deviation(values: Floats, weights: Floats, mean: float) -> float:
    with np.errstate(over="ignore", invalid="ignore"):  # on next to no ground a dose can be immense
        return sqrt(float((weights * (values - mean) ** 2).sum() / weights.sum()))


def _cv_pct(values: Floats, weights: Floats) -> float | None:
    """Weighted coefficient of variation [%]; None where there is none."""
    if not len(values):
        return None
    mean = float((weights * values).sum() / weights.sum())
    if mean == 0 or not isfinite(mean):
        return None
    return number(100 * _standard_deviation(values, weights, mean) / mean)


def _quantiles(values: Floats, weights: Floats, shares: tuple[float, ...]) -> list[float | None]:
    """Weighted quantiles by the inverse of the distribution function, with the mean of two at its steps.

    For equal weights this is definition 2 of Hyndman and Fan (1996), The American Statistician 50(4).
    """
    if not len(values):
        return [None] * len(shares)
    order = np.argsort(values, kind="stable")
    values = values[order]
    below = np.cumsum(weights[order])
    at = np.array(shares) * below[-1]
    slack = SLACK * below[-1]
    top = len(values) - 1
    lower = values[np.minimum(np.searchsorted(below, at - slack), top)]
    upper = values[np.minimum(np.searchsorted(below, at + slack), top)]
    return [number(q) for q in (lower + upper) / 2]
