"""Do the volumes agree? What the meter saw, what the calibrated nozzles must have given, what was filled in.

Three witnesses of one volume, with their expanded uncertainties (k = 2):

metered     the flowmeter's flow over the time with the boom on
calculated  calibrated flow x time, x sqrt(P / P_cal) where pressure is known (the orifice law): what the
            nozzles of the catch test give
filled      what was filled in, less what was left: the person's word; typed afterwards, else by the refills
            that the run log holds, from one full tank to the next (`rigmon.analysis.acts.used`)

Two volumes agree when they differ by no more than their uncertainties together (JCGM 100:2008, 5.1.2, for a
difference). The first two share the time with the boom on, and so its errors.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Any, Final

import numpy as np

from rigmon.analysis.acts import Used
from rigmon.analysis.ground import Ground, number
from rigmon.model import Basis

#: standard uncertainty of a volume filled into a tank by its own marks [% of it]; common practice: tanks are
#: marked to about 2 %
FILLED_U_PCT: Final = 2.0

_MEANING: Final = {
    ("metered", "calculated"): (
        "the flowmeter saw more than the calibrated nozzles give: worn or larger nozzles, a leak behind the "
        "meter, or a K-factor that is too low; catch the nozzles again",
        "the flowmeter saw less than the calibrated nozzles give: plugged nozzles or strainer, or a K-factor "
        "that is too high; catch the nozzles again",
    ),
    ("metered", "filled"): (
        "the flowmeter saw more than was filled in: its K-factor is too low, or air went through it; "
        "calibrate the flowmeter",
        "the flowmeter saw less than was filled in: its K-factor is too high, or there is a leak before it; "
        "calibrate the flowmeter and look for wet spots",
    ),
    ("calculated", "filled"): (
        "less was filled in than the calibrated nozzles give: plugged nozzles, less pressure at the boom, or "
        "the boom was off more than rigmon knows",
        "more was filled in than the calibrated nozzles give: worn nozzles, a leak, or more pressure at the "
        "boom",
    ),
}


def closure(
    ground: Ground,
    refills_l: Sequence[float] = (),
    left_l: float | None = None,
    used: Sequence[Used] = (),
) -> dict[str, Any]:
    """The three volumes, their differences, and what each would mean for the rate.

    `refills_l` all that was filled in [L], the first filling included; `left_l` what was left in the tank.
    Without `refills_l`, `used` is what the run log's refills say; spans without the boom on say nothing.

    metered_l, calculated_l, filled_l   None: that witness is missing; each with its `..._u_pct`, the expanded
                     uncertainty in % of it
    time_on_s        time with the boom on
    covered_pct      share of that time in which the flowmeter's flow was known (metered is scaled up by it)
    filled_from      typed, log or None
    filled_spans     where it is from the log: from_s, to_s, volume_l, counted_full (at the start, as nobody
                     said otherwise); only within these are the others compared with it
    differences      per pair of witnesses: first, second, difference_l, difference_pct (of second),
                     allowed_pct, agrees, mean_rate_l_ha (the mean rate if `second` were right), meaning
    agrees           all pairs agree; None: there are no two witnesses
    """
    rig, columns = ground.rig, ground.columns
    on = columns.boom_on == 1
    time_s = float(ground.dt_s[on].sum())
    metered, covered_pct = _metered(ground, on)
    calculated, calculated_u = _calculated(ground, on)
    filled: float | None = None
    spans: list[Used] = []
    within = on
    if refills_l:
        filled = float(sum(refills_l)) - (left_l or 0.0)
    elif used:
        ends = columns.t_ns - columns.dt_ns // 2
        inside = [on & (ends > span.from_ns) & (ends <= span.to_ns) for span in used]
        spans = [span for span, mask in zip(used, inside, strict=True) if mask.any()]
        if spans:
            filled = float(sum(span.volume_l for span in spans))
            within = np.logical_or.reduce([mask for mask in inside if mask.any()])
    of_all = {"metered": metered, "calculated": calculated, "filled": filled}
    u_pct = {"metered": 2 * rig.flow.uncertainty_pct, "calculated": calculated_u, "filled": 2 * FILLED_U_PCT}
    inner_l, inner_u = _calculated(ground, within)
    of_spans = {"metered": _metered(ground, within)[0], "calculated": inner_l, "filled": filled}
    differences = []
    for first, second in _MEANING:
        part = second == "filled"
        volumes, mask = (of_spans, within) if part else (of_all, on)
        if volumes[first] is None or not volumes[second]:
            continue
        u_first = inner_u if part and first == "calculated" else u_pct[first]
        # all ground under the boom, estimated where the receiver was silent: the volumes went onto it too
        area_m2 = float(np.nansum(ground.area_m2[mask]))
        pair = {first: (volumes[first], u_first), second: (volumes[second], u_pct[second])}
        differences.append(_difference(first, second, pair, area_m2))
    return {
        **{f"{name}_l": volume for name, volume in of_all.items()},
        **{f"{name}_u_pct": None if volume is None else u_pct[name] for name, volume in of_all.items()},
        "time_on_s": time_s,
        "covered_pct": covered_pct,
        "filled_from": "typed" if refills_l else "log" if spans else None,
        "filled_spans": [
            {
                "from_s": span.from_ns / 1e9,
                "to_s": span.to_ns / 1e9,
                "volume_l": span.volume_l,
                "counted_full": span.counted_full,
            }
            for span in spans
        ],
        "differences": differences,
        "agrees": all(one["agrees"] for one in differences) if differences else None,
    }


def _metered(ground: Ground, on: Any) -> tuple[float | None, float | None]:
    """Litres by the flowmeter, and the share of the time in which its flow was known [%]."""
    columns = ground.columns
    time_s = float(ground.dt_s[on].sum())
    if ground.rig.flow.source == "none" or not time_s > 0:
        return None, None
    seen = on & (columns.basis == Basis.FLOWMETER) & ~np.isnan(columns.volume_l)
    covered = float(ground.dt_s[seen].sum()) / time_s
    # less than half of the time would be more guess than measurement
    metered = number(float(columns.volume_l[seen].sum()) / covered) if covered >= 0.5 else None
    return metered, 100 * covered


def _calculated(ground: Ground, on: Any) -> tuple[float | None, float]:
    """Litres, and their expanded uncertainty in %."""
    rig, columns = ground.rig, ground.columns
    cal = rig.calibration
    dt_min = ground.dt_s / 60
    if cal is None or not on.any():
        return None, 0.0
    flow = np.full(len(columns), cal.flow_l_min)
    by_pressure_pct = 0.0
    if rig.pressure.source != "none" and cal.pressure_kpa is not None:
        known = on & ~np.isnan(columns.pressure_kpa)
        flow[known] *= np.sqrt(np.maximum(columns.pressure_kpa[known], 0) / cal.pressure_kpa)
        # flow goes with the square root of pressure: half its relative uncertainty
        share = float(dt_min[known].sum() / dt_min[on].sum())
        by_pressure_pct = 0.5 * rig.pressure.uncertainty_pct * share
    litres = float((flow * dt_min)[on].sum())
    return litres, 2 * sqrt(cal.uncertainty_pct**2 + by_pressure_pct**2)


def _difference(
    first: str, second: str, volumes: dict[str, tuple[float | None, float]], area_m2: float
) -> dict[str, Any]:
    (a, u_a), (b, u_b) = volumes[first], volumes[second]
    assert a is not None
    assert b is not None
    difference_pct = 100 * (a - b) / b
    # u of the difference in % of b: each volume's own part
    allowed_pct = sqrt((u_a * a / b) ** 2 + u_b**2)
    agrees = abs(difference_pct) <= allowed_pct
    more, less = _MEANING[first, second]
    return {
        "first": first,
        "second": second,
        "difference_l": a - b,
        "difference_pct": difference_pct,
        "allowed_pct": allowed_pct,
        "agrees": agrees,
        "mean_rate_l_ha": b / area_m2 * 1e4 if area_m2 > 0 else None,
        "meaning": None if agrees else (more if difference_pct > 0 else less),
    }
