"""The stretches of a run in which the ground did not get its rate, in truth, each with its cause."""

from math import fsum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigmon.core.rate import flow_for_rate_l_min
from rigmon.simulate.boom import Trace
from rigmon.simulate.scenario import Scenario, nominal

Mask = NDArray[np.bool_]

#: two of a kind closer together than this are one [s]
_MERGE_S: Final = 2.0
#: shorter ones are left out, unless the rig went so far [s, m]
_KEEP_S: Final = 3.0
_KEEP_M: Final = 3.0
#: slower than this the rig stands [m/s]
_STANDS_M_S: Final = 1e-3


def stretches(scenario: Scenario, trace: Trace) -> list[dict[str, Any]]:
    """Over, under, missed and unknown ground, in the order of time.

    kind     over, under: the rate really was beyond the tolerance; missed: the boom was off in a pass;
             unknown: nobody can know, for the receiver was silent or had no fix while the boom was on
    cause    speed, pressure or flow, whichever moved the rate the most that way (as a ratio); boom_left_on
             where the boom should have been off for most of it; boom_left_off; gps_unknown

    mean_l_ha is volume over area; None for missed and unknown ground, and where the rig stood.
    """
    rig, on = scenario.rig, trace.boom_on
    part = rig.target.tolerance_pct / 100
    flow_target = flow_for_rate_l_min(rig.target.rate_l_ha, rig.target.speed_m_s, rig.swath_m)
    _, pressure_nominal = nominal(rig)
    # logarithms of ratios, which add up: rate = flow / (speed x swath), flow as the root of the pressure
    tiny = np.finfo(float).tiny
    by_speed = -np.log(np.maximum(trace.cell_speed_m_s, _STANDS_M_S) / rig.target.speed_m_s)
    by_pressure = 0.5 * np.log(np.maximum(trace.cell_pressure_kpa / pressure_nominal, tiny))
    flow = np.log(np.maximum(trace.cell_flow_l_min / flow_target, tiny))
    by_flow, whole = flow - by_pressure, by_speed + flow
    silent = np.zeros(len(on), dtype=bool)
    middle = (trace.t_s[:-1] + trace.t_s[1:]) / 2
    for event in scenario.of_kind("gps_dropout", "void_fix"):
        silent |= (middle >= event.start_s + rig.gps.stale_s) & (middle < event.end_s)
    kinds = {
        "over": on & ~silent & (whole > np.log(1 + part)),
        "under": on & ~silent & (whole < np.log(1 - part)),
        "missed": trace.wanted_on & ~on,
        "unknown": on & silent,
    }
    found = []
    for kind, mask in kinds.items():
        for first, after in _joined(trace, mask):
            cells = mask[first:after]
            inside = slice(first, after)
            dt = trace.dt_s[inside][cells]
            metres = fsum(trace.cell_speed_m_s[inside][cells] * dt)
            if fsum(dt) < _KEEP_S and metres < _KEEP_M:
                continue
            area, litres = metres * rig.swath_m, fsum(trace.cell_flow_l_min[inside][cells] * dt) / 60
            cause = {"missed": "boom_left_off", "unknown": "gps_unknown"}.get(kind)
            if cause is None and fsum(dt[~trace.wanted_on[inside][cells]]) > fsum(dt) / 2:
                cause = "boom_left_on"
            elif cause is None:
                sign = 1 if kind == "over" else -1
                shares = {"speed": by_speed, "pressure": by_pressure, "flow": by_flow}
                weights = {name: sign * fsum(share[inside][cells] * dt) for name, share in shares.items()}
                cause = max(weights, key=lambda name: weights[name])
            rated = kind in ("over", "under") and area > 0
            found.append(
                {
                    "kind": kind,
                    "cause": cause,
                    "start_s": float(trace.t_s[first]),
                    "end_s": float(trace.t_s[after]),
                    "distance_m": metres,
                    "area_m2": area,
                    "mean_l_ha": litres / area * 1e4 if rated else None,
                }
            )
    return sorted(found, key=lambda one: (one["start_s"], one["kind"]))


def _joined(trace: Trace, mask: Mask) -> list[tuple[int, int]]:
    """(first cell, cell after the last) of each stretch; those close to each other are one."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))).tolist()
    joined: list[tuple[int, int]] = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        if joined and trace.t_s[first] - trace.t_s[joined[-1][1]] < _MERGE_S:
            joined[-1] = (joined[-1][0], after)
        else:
            joined.append((first, after))
    return joined
