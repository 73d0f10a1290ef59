"""What really happened, as a JSON object: from the motion and the boom, never from the printed sentences.

Keys are those of the score where they mean the same, so that the two can be laid side by side. Rates are
instantaneous (flow over speed x swath in one cell of the fine grid) and weighted by the area they fell on.
"""

from collections import Counter
from math import fsum, sqrt
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigmon.core.conditions import SPEED_LIMIT_TOLERANCES
from rigmon.core.rate import application_rate_l_ha, flow_for_rate_l_min, speed_band_m_s
from rigmon.simulate import ground, weather
from rigmon.simulate.boom import Trace
from rigmon.simulate.events import Event
from rigmon.simulate.faults import BALANCED, change_of, touched_nozzles
from rigmon.simulate.meters import change_read
from rigmon.simulate.motion import Path
from rigmon.simulate.noise import Floats
from rigmon.simulate.receiver import Fixes, during, to_degrees
from rigmon.simulate.scenario import Scenario, nominal, scenario_as_dict
from rigmon.simulate.stretches import stretches

Mask = NDArray[np.bool_]

#: an alert is due only where the limit is passed by this much more, in percent of the limit's base
_MARGIN_PCT: Final = 3.0
#: and for the alert's on-delay and this much longer: the time that an estimate may need
_SETTLE_S: Final = 1.2
#: events that hide how fast the rig goes
_SPEED_HIDDEN: Final = (
    *("gps_dropout", "void_fix", "stuck_zero_speed"),
    *("speed_frozen", "speed_late", "speed_smoothed"),
)
#: events that change the flow without the pressure showing it by the orifice law
_PRESSURE_BLIND: Final = ("flow_loss", "nozzles_plugged", "tip_missing", "nozzles_worn")
#: events after which the flowmeter does not show what goes through the nozzles
_FLOW_MISREAD: Final = ("flowmeter_drift", "flowmeter_air", "leak", "hose_off")


def truth_of(scenario: Scenario, path: Path, trace: Trace) -> dict[str, Any]:
    """What the rig did: distance, area, volume, rate, speed, coverage, events and the alerts that are due.

    `nozzles`, `coverage` and `stretches` are those of the modules ground and stretches; `field` is the field
    that the passes are for, as a GeoJSON polygon, None for a circle.

    Computed figures are rounded to 10 significant digits; unknown (no boom on at all) is None.
    """
    rig, on, dt = scenario.rig, trace.boom_on, trace.dt_s
    t_on, v_on, flow_on = dt[on], trace.cell_speed_m_s[on], trace.cell_flow_l_min[on]
    metres = v_on * t_on
    area = metres * rig.swath_m
    litres = flow_on / 60 * t_on
    rate = _rates(v_on, flow_on, rig.swath_m)
    distance_m, area_m2 = fsum(metres), fsum(area)
    volume_l, time_s = fsum(litres), fsum(t_on)
    target, tolerance = rig.target.rate_l_ha, rig.target.tolerance_pct
    low, high = target * (1 - tolerance / 100), target * (1 + tolerance / 100)
    slowest, fastest = speed_band_m_s(rig.target.speed_m_s, tolerance)
    flow_nominal, pressure_nominal = nominal(rig)
    figures: dict[str, Any] = {
        "run": {
            "started_utc": scenario.start_utc.isoformat(),
            "duration_s": float(trace.t_s[-1]),
            "path_m": float(trace.path_m[-1]),
        },
        "target": {
            "rate_l_ha": target,
            "tolerance_pct": tolerance,
            "speed_m_s": rig.target.speed_m_s,
            "swath_m": rig.swath_m,
            "speed_low_m_s": slowest,
            "speed_high_m_s": fastest,
        },
        "nominal": {"flow_l_min": flow_nominal, "pressure_kpa": pressure_nominal},
        "applied": {
            "distance_m": distance_m,
            "area_m2": area_m2,
            "time_s": time_s,
            "volume_l": volume_l,
        },
        "rate": {
            "mean_l_ha": _per(volume_l, area_m2, 1e4),
            "cv_pct": _cv_pct(rate, area),
            **{f"p{p:02d}_l_ha": _percentile(rate, area, p) for p in (5, 50, 95)},
            "in_tolerance_area_pct": _share_pct((rate >= low) & (rate <= high), area),
            "under_area_pct": _share_pct(rate < low, area),
            "over_area_pct": _share_pct(rate > high, area),
        },
        "speed": {
            "mean_m_s": _per(distance_m, time_s),
            "sd_m_s": _sd(v_on, t_on),
            "cv_pct": _cv_pct(v_on, t_on),
            "in_band_time_pct": _share_pct((v_on >= slowest) & (v_on <= fastest), t_on),
        },
        "nozzles": ground.nozzles(scenario, path, trace),
        "coverage": ground.coverage(scenario, path, trace),
        "field": _field(scenario, path),
        "weather": weather.truth_of(scenario, float(trace.t_s[-1])),
        "stretches": stretches(scenario, trace),
        "liquid": {
            "metered_l": fsum(trace.cell_metered_l_min[on] / 60 * t_on),
            "leaked_l": fsum((trace.cell_metered_l_min - trace.cell_flow_l_min)[on] / 60 * t_on),
        },
        "events": _events(scenario, trace),
        **_alerts(scenario, trace),
    }
    rounded: dict[str, Any] = _rounded(figures)
    return {"truth_schema": 1, **rounded, "scenario": scenario_as_dict(scenario)}


def _field(scenario: Scenario, path: Path) -> dict[str, Any] | None:
    corners = ground.field_corners(scenario)
    if corners is None:
        return None
    x, y = np.array([*corners, corners[0]]).T
    lat, lon = to_degrees(scenario, *path.to_plane(x, y))
    ring = [list(pair) for pair in zip(lon.tolist(), lat.tolist(), strict=True)]
    return {"type": "Polygon", "coordinates": [ring]}


def input_of(
    scenario: Scenario, fixes: Fixes, sentences: list[str], lines: int, damaged: dict[str, int]
) -> dict[str, Any]:
    """What the recording holds: sentences as sent, lines as damaged, fixes as sent."""
    fates = Counter(_fate(scenario, ms) for ms in fixes.at_ms)
    kinds = Counter(text[3:6] for text in sentences)
    return {
        "sentences": len(sentences),
        "sentences_by_type": dict(sorted(kinds.items())),
        "lines": lines,
        "damaged_lines": sum(damaged.values()),
        "damaged_by_kind": damaged,
        "fixes_valid": fates["valid"],
        "fixes_void": fates["void"],
        "fixes_missing": fates["missing"],
    }


def _fate(scenario: Scenario, ms: int) -> str:
    if during(scenario.of_kind("gps_dropout"), ms):
        return "missing"
    return "void" if during(scenario.of_kind("void_fix"), ms) else "valid"


def _rates(speed_m_s: Floats, flow_l_min: Floats, swath_m: float) -> Floats:
    pairs = zip(flow_l_min.tolist(), speed_m_s.tolist(), strict=True)
    return np.array([application_rate_l_ha(flow, speed, swath_m) for flow, speed in pairs])


def _per(amount: float, whole: float, scale: float = 1.0) -> float | None:
    return amount * scale / whole if whole > 0 else None


def _share_pct(mask: Mask, weight: Floats) -> float | None:
    return _per(fsum(weight[mask]), fsum(weight), 100.0)


def _sd(values: Floats, weight: Floats) -> float | None:
    whole = fsum(weight)
    if whole <= 0:
        return None
    mean = fsum(values * weight) / whole
    return sqrt(fsum((values - mean) ** 2 * weight) / whole)


def _cv_pct(values: Floats, weight: Floats) -> float | None:
    sd = _sd(values, weight)
    return None if sd is None else _per(sd, fsum(values * weight) / fsum(weight), 100.0)


def _percentile(values: Floats, weight: Floats, percent: float) -> float | None:
    """The smallest value at or below which at least `percent` of the weight lies."""
    if len(values) == 0:
        return None
    order = np.argsort(values, kind="stable")
    running = np.cumsum(weight[order])
    at = int(np.searchsorted(running, running[-1] * percent / 100))
    return float(values[order][min(at, len(values) - 1)])


def _events(scenario: Scenario, trace: Trace) -> list[dict[str, Any]]:
    """What went wrong, in the order of its beginning.

    nozzles  from 1 at the left end; None where the event is about none
    area_m2  treated from its start to its end
    true     what it alone does, at its largest within the run, to the liquid: % of flow coefficient (flow
             through the meter over root of the boom's pressure), pressure, flow through the meter, and flow
             through the nozzles; None where it does nothing to the liquid
    read     the same as true meters without noise would show it, the meters' own faults included
    """
    run_s = float(trace.t_s[-1])
    found = []
    for event, nozzles in zip(scenario.events, touched_nozzles(scenario), strict=True):
        end_s = min(event.end_s, run_s)
        grown = event.grown(end_s)
        true = change_of(scenario, event, nozzles, grown)
        flow, pressure = change_read(event, grown)
        seen = (1 + true.pressure) * (1 + pressure)
        seen_c = (1 + true.coefficient) * (1 + flow) / sqrt(1 + pressure) if pressure > -1 else None
        liquid = event.kind in BALANCED or event.kind in ("pressure_loss", "flow_loss")
        found.append(
            {
                "kind": event.kind,
                "start_s": event.start_s,
                "end_s": end_s,
                "size": event.size,
                "ramp_s": event.ramp_s,
                "nozzles": list(nozzles) or None,
                "share": event.share,
                "area_m2": trace.area_m2(event.start_s, end_s, scenario.rig.swath_m),
                "true": {
                    "coefficient_pct": _pct(true.coefficient),
                    "pressure_pct": _pct(true.pressure),
                    "flow_pct": _pct(true.flow),
                    "applied_pct": _pct(true.applied),
                }
                if liquid
                else None,
                "read": {
                    "coefficient_pct": None if seen_c is None else _pct(seen_c - 1),
                    "pressure_pct": _pct(seen - 1),
                    "flow_pct": _pct((1 + true.flow) * (1 + flow) - 1),
                }
                if liquid or flow or pressure
                else None,
            }
        )
    return sorted(found, key=lambda one: one["start_s"])


def _pct(share: float) -> float:
    """In %, without the last bits that a difference of near numbers leaves."""
    return round(100 * share, 8)


def _alerts(scenario: Scenario, trace: Trace) -> dict[str, Any]:
    """The alerts that a monitor must raise, and how far the rig went beyond each limit at all.

    An alert is due where the truth passes its limit by a margin, for its on-delay and a settling time
    longer, and the sensors that show it speak. Where the limit is passed for less, it may come or not.
    """
    rig, on = scenario.rig, trace.boom_on
    tolerance = rig.target.tolerance_pct
    flow_target = flow_for_rate_l_min(rig.target.rate_l_ha, rig.target.speed_m_s, rig.swath_m)
    speed = trace.cell_speed_m_s / rig.target.speed_m_s
    flow = trace.cell_flow_l_min / flow_target
    rate = flow / np.maximum(speed, 1e-9)
    _, pressure_nominal = nominal(rig)
    pressure = trace.cell_pressure_kpa / pressure_nominal

    hidden = _within(trace, scenario.of_kind(*_SPEED_HIDDEN))
    flow_known = _known(scenario, trace, "flow")
    pressure_known = _known(scenario, trace, "pressure")
    # does not show in the pressure; not as it is in the flow
    plugged = _within(trace, scenario.of_kind(*_PRESSURE_BLIND))
    misread = _within(trace, scenario.of_kind(*_FLOW_MISREAD))
    pressure_true = pressure_known & ~_within(trace, scenario.of_kind("pressure_drift", "pressure_offset"))
    loss_pct = rig.alerts["pressure_loss"].limit_pct or 0.0
    # the limits are on the rate, which goes with 1/speed; a cause is named only where the other is steady
    low, high = 1 - tolerance / 100, 1 + tolerance / 100
    speed_steady = (speed >= 1 / high) & (speed <= 1 / low)
    flow_steady = (flow >= low) & (flow <= high)

    def beyond(margin_pct: float) -> dict[str, Mask]:
        few, many = 1 - (tolerance + margin_pct) / 100, 1 + (tolerance + margin_pct) / 100
        speed_pct = SPEED_LIMIT_TOLERANCES * tolerance + margin_pct
        too_fast, too_slow = 1 - speed_pct / 100, 1 + speed_pct / 100
        by_speed = on & ~hidden & flow_steady
        by_flow = (
            on & ~hidden & speed_steady & ((flow_known & ~misread) | (~flow_known & pressure_true & ~plugged))
        )
        return {
            "speed_fast": by_speed & (speed > 1 / too_fast) & (rate < too_fast),
            "speed_slow": by_speed & (speed < 1 / too_slow) & (rate > too_slow),
            "rate_high": by_flow & (flow > many) & (rate > many),
            "rate_low": by_flow & (flow < few) & (rate < few),
            "pressure_loss": on & pressure_true & (pressure < 1 - (loss_pct + margin_pct) / 100),
        }

    due = []
    for code, mask in beyond(_MARGIN_PCT).items():
        rule = rig.alerts[code]
        raised: list[dict[str, Any]] = []
        for first, last in _stretches(mask):
            start, end = float(trace.t_s[first]), float(trace.t_s[last])
            delay = rule.on_delay_s or 0.0
            if rule.on_delay_m is not None:
                metres = float(trace.path_m[last] - trace.path_m[first])
                delay = rule.on_delay_m * (end - start) / max(metres, 1e-9)
            if raised and start - raised[-1]["to_s"] < rule.off_delay_s:
                raised[-1]["to_s"] = end  # too soon for the alert to have cleared
            elif rule.enabled and end - start >= delay + _SETTLE_S:
                due_by = start + delay + _SETTLE_S
                raised.append({"code": code, "from_s": start, "due_by_s": due_by, "to_s": end})
        due.extend(raised)
    due.extend(_silences(scenario, trace))
    excursions = {}
    for code, mask in beyond(0.0).items():
        lengths = [float(trace.t_s[last] - trace.t_s[first]) for first, last in _stretches(mask)]
        excursions[code] = {"total_s": fsum(lengths), "longest_s": max(lengths, default=0.0)}
    return {"alerts_due": sorted(due, key=lambda a: (a["from_s"], a["code"])), "limit_excursions": excursions}


def _silences(scenario: Scenario, trace: Trace) -> list[dict[str, Any]]:
    """Alerts due because something says nothing for longer than its stale time and on-delay."""
    rig = scenario.rig
    table = (
        ("gps_lost", ("gps_dropout", "void_fix"), rig.gps.stale_s),
        ("flow_silent", ("flow_silent",), rig.flow.stale_s),
        ("pressure_silent", ("pressure_silent",), rig.pressure.stale_s),
        ("boom_switch_silent", ("switch_silent",), rig.boom_switch.stale_s),
        ("wind_silent", ("wind_silent",), rig.weather.stale_s),
        ("air_silent", ("air_silent",), rig.weather.stale_s),
    )
    due = []
    for code, kinds, stale_s in table:
        rule = rig.alerts[code]
        wait = stale_s + (rule.on_delay_s or 0.0) + _SETTLE_S
        for first, last in _stretches(_within(trace, scenario.of_kind(*kinds))):
            start, end = float(trace.t_s[first]), float(trace.t_s[last])
            if rule.enabled and rule.on_delay_m is None and end - start >= wait:
                due.append({"code": code, "from_s": start, "due_by_s": start + wait, "to_s": end})
    return due


def _known(scenario: Scenario, trace: Trace, sensor: str) -> Mask:
    if sensor not in scenario.sent:
        return np.zeros(len(trace.boom_on), dtype=bool)
    return ~_within(trace, scenario.of_kind(f"{sensor}_silent"))


def _within(trace: Trace, events: list[Event]) -> Mask:
    """The cells that lie in one of the events; edges of the grid fall on the events' own."""
    middle = (trace.t_s[:-1] + trace.t_s[1:]) / 2
    mask = np.zeros(len(middle), dtype=bool)
    for event in events:
        mask |= (middle >= event.start_s) & (middle < event.end_s)
    return mask


def _stretches(mask: Mask) -> list[tuple[int, int]]:
    """Unbroken runs of cells as (first edge, last edge)."""
    padded = np.concatenate([[False], mask, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1]).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def _rounded(value: Any) -> Any:
    """Floats to 10 significant digits, so that the last bits of another processor do not show."""
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_rounded(item) for item in value]
    return float(f"{value:.10g}") if isinstance(value, float) else value
