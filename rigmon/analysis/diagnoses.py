"""The diagnoses of a run: what was found, when and where it began, until when, and how much was treated so.

They are the findings that the core made while driving (see `rigmon.core.diagnosis`), from the log or from a
replay. A finding is over when the alert of its code clears.
"""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

from rigmon.analysis.frames import Floats, RunData
from rigmon.analysis.ground import Ground, number, positions
from rigmon.analysis.passes import Pass
from rigmon.analysis.utc import iso, utc_ms
from rigmon.model import Alert, Finding
from rigmon.words import CANNOT_TELL, DIAGNOSES, cannot_tell


def watched(run: RunData) -> dict[str, Any]:
    """What was looked for.

    enabled      the rig file has the sensors compared
    kept         the findings are known; False: the log was made before logs kept them, so that `diagnoses`
                 rests on the alerts alone
    false_alarms_per_h, smallest_change_pct  as set, in hours with the boom on and % of the boom's output
    flow_fitted, pressure_fitted, positions_known  what there is to compare
    cannot_tell  what therefore cannot be told: missing ('flow', 'pressure', 'both', 'positions'), and words
    """
    rig = run.rig
    flow, pressure = rig.flow.source != "none", rig.pressure.source != "none"
    placed = bool(run.columns.position_known.any())
    return {
        "enabled": rig.diagnosis.enabled,
        "kept": run.findings is not None,
        "false_alarms_per_h": rig.diagnosis.false_alarms_per_h,
        "smallest_change_pct": rig.diagnosis.smallest_change_pct,
        "flow_fitted": flow,
        "pressure_fitted": pressure,
        "positions_known": placed,
        "cannot_tell": [
            {"missing": missing, "words": CANNOT_TELL[missing]}
            for missing in cannot_tell(flow, pressure, positions=placed)
        ],
    }


def diagnoses(run: RunData, ground: Ground, passes: Callable[[], Sequence[Pass]]) -> list[dict[str, Any]]:
    """Each finding in the order of finding; `passes` is called only if there is one. None is unknown.

    code, evidence, cause, check  see `rigmon.words.DIAGNOSES`
    found_s, since_s, ended_s     of the run: when it was found, when it had begun, and when it was over
    found_utc, since_utc, ended_utc  the same by the receiver
    open         still so at the end of the run; None: its alert was never up, so its end is not known
    change_pct, change_u_pct      of flow over the root of the pressure, of the speed, or of what the one
                 sensor says; expanded uncertainty of it (k = 2)
    flow_change_pct, pressure_change_pct, sharp  the evidence; sharp: within seconds, not over minutes
    nozzles, nozzle_count, nozzles_confidence_pct  plugged, of all; the probability of that whole number
    boom_flow_l_min  what the boom then gave at the pressure of the catch test
    lat_deg, lon_deg, pass_number, pass_distance_m  where it began; the distance is from the pass's begin
    area_m2      known to have been treated since it began, until it was over or the run ended
    """
    found = run.findings
    if found is None:
        found = tuple(
            Finding(alert.code, alert.t_ns, alert.t_ns, alert.value, None)
            for alert in run.alerts
            if alert.raised and alert.code in DIAGNOSES
        )
    if not found:
        return []
    began_known = run.findings is not None
    ends = [_end(n, found, run.alerts) for n in range(len(found))]
    ended_ns = [end.t_ns for end in ends]
    run_end_ns = round(run.duration_s * 1e9)
    since = np.array([one.since_ns for one in found], dtype=np.float64)
    until = np.array([run_end_ns if ns is None else ns for ns in ended_ns], dtype=np.float64)
    area = _sum_to(ground, np.where(ground.treated, ground.columns.area_m2, 0.0))
    area_m2 = area(until) - area(since)
    lat, lon = positions(ground.columns, since.astype(np.int64))
    utc = _utc(run)
    told = []
    for n, one in enumerate(found):
        place = _in_pass(one.since_ns, ground, passes()) if began_known else (None, None)
        words = DIAGNOSES.get(one.code)
        told.append(
            {
                "code": one.code,
                "found_s": one.t_ns / 1e9,
                "found_utc": utc(one.t_ns),
                "since_s": one.since_ns / 1e9 if began_known else None,
                "since_utc": utc(one.since_ns) if began_known else None,
                "ended_s": None if ended_ns[n] is None else float(until[n] / 1e9),
                "ended_utc": utc(ended_ns[n]),
                "open": ends[n].open,
                "change_pct": number(one.change_pct) if began_known else None,
                "change_u_pct": number(one.change_u_pct),
                "flow_change_pct": number(one.flow_change_pct),
                "pressure_change_pct": number(one.pressure_change_pct),
                "sharp": one.sharp,
                "nozzles": one.nozzles,
                "nozzle_count": run.rig.nozzle_count,
                "nozzles_confidence_pct": number(None if one.confidence is None else 100 * one.confidence),
                "boom_flow_l_min": number(one.flow_l_min),
                "lat_deg": number(lat[n]) if began_known else None,
                "lon_deg": number(lon[n]) if began_known else None,
                "pass_number": place[0],
                "pass_distance_m": place[1],
                "area_m2": number(area_m2[n]) if began_known and ends[n].open is not None else None,
                "evidence": None if words is None else words.evidence,
                "cause": None if words is None else words.cause,
                "check": None if words is None else words.check,
            }
        )
    return told


class _End(NamedTuple):
    t_ns: int | None
    open: bool | None


def _end(n: int, found: Sequence[Finding], alerts: Sequence[Alert]) -> _End:
    """When the alert of finding `n` cleared. An alert with an on-delay may never have been up for it."""
    one = found[n]
    mine = [alert for alert in alerts if alert.code == one.code]
    later = [alert for alert in mine if alert.t_ns >= one.t_ns]
    if not later:
        up = bool(mine) and mine[-1].raised
        return _End(None, True if up else None)
    following = min((other.t_ns for other in found[n + 1 :] if other.code == one.code), default=None)
    if later[0].raised and following is not None and later[0].t_ns >= following > one.t_ns:
        return _End(None, None)
    cleared = next((alert.t_ns for alert in later if not alert.raised), None)
    return _End(cleared, cleared is None)


def _sum_to(ground: Ground, values: Floats) -> Callable[[Floats], Floats]:
    """The sum of `values`, one a sample, up to a time; within a sample it grows evenly."""
    columns = ground.columns
    if not len(columns):
        return np.zeros_like
    edges = np.concatenate((columns.start_ns[:1], columns.t_ns)).astype(np.float64)
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(values))))

    def up_to(at_ns: Floats) -> Floats:
        reached: Floats = np.interp(at_ns, edges, total)
        return reached

    return up_to


def _in_pass(at_ns: int, ground: Ground, passes: Sequence[Pass]) -> tuple[int | None, float | None]:
    """The pass in which a time lies, and how far from its begin."""
    at_s = at_ns / 1e9
    for one in passes:
        if one.start_s <= at_s < one.end_s:
            reached = _sum_to(ground, ground.distance_m)(np.array([one.start_s * 1e9, float(at_ns)]))
            return one.number, number(reached[1] - reached[0])
    return None, None


def _utc(run: RunData) -> Callable[[int | None], str | None]:
    def utc(t_ns: int | None) -> str | None:
        if t_ns is None:
            return None
        ms = utc_ms(run.anchors, np.array([t_ns], dtype=np.int64))
        return iso(float(ms[0]))

    return utc
