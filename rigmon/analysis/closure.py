"""Do the volumes agree? What the meter saw, what the calibrated nozzles must have given, what was filled in.

Three witnesses of one volume, with their expanded uncertainties (k = 2):

metered     the flowmeter's flow over the time with the boom on
calculated  calibrated flow x time, x sqrt(P / P_cal) where pressure is known (the orifice law): what the
            nozzles of the catch test give
filled      what was filled in, less what was left: the person's word

Two volumes agree when they differ by no more than their uncertainties together (JCGM 100:2008, 5.1.2, for a
difference). The first two share the time with the boom on, and so its errors.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Any, Final

import numpy as np

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


def closure(ground: Ground, refills_l: Sequence[float] = (), left_l: float | None = None) -> dict[str, Any]:
    """The three volumes, their differences, and what each would mean for the rate.

    `refills_l` all that was filled in [L], the first filling included; `left_l` what was left in the tank.

    metered_l, calculated_l, filled_l   None: that witness is missing; each with its `..._u_pct`, the expanded
                     uncertainty in % of it
    time_on_s        time with the boom on
    covered_pct      share of that time in which the flowmeter's flow was known (metered is scaled up by it)
    differences      per pair of witnesses: first, second, difference_l, difference_pct (of second),
                     allowed_pct, agrees, mean_rate_l_ha (the mean rate if `second` were right), meaning
    agrees           all pairs agree; None: there are no two witnesses
    """
    rig, columns = ground.rig, ground.columns
    on = columns.boom_on == 1
    time_s = float(ground.dt_s[on].sum())
    # all ground under the boom, estimated where the receiver was silent: the volumes went onto it too
    area_m2 = float(np.nansum(ground.area_m2[on]))

    metered, covered_pct = None, None
    if rig.flow.source != "none" and time_s > 0:
        seen = on & (columns.basis == Basis.FLOWMETER) & ~np.isnan(columns.volume_l)
        covered = float(ground.dt_s[seen].sum()) / time_s
        covered_pct = 100 * covered
        # less than half of the time would be more guess than measurement
        metered = number(float(columns.volume_l[seen].sum()) / covered) if covered >= 0.5 else None
    calculated, calculated_u = _calculated(ground, on)
    filled = None
    if refills_l:
        filled = float(sum(refills_l)) - (left_l or 0.0)
    volumes: dict[str, tuple[float | None, float]] = {
        "metered": (metered, 2 * rig.flow.uncertainty_pct),
        "calculated": (calculated, calculated_u),
        "filled": (filled, 2 * FILLED_U_PCT),
    }
    differences = [
        _difference(first, second, volumes, area_m2)
        for first, second in _MEANING
        if volumes[first][0] is not None and volumes[second][0]
    ]
    return {
        **{f"{name}_l": volume for name, (volume, _) in volumes.items()},
        **{f"{name}_u_pct": None if volume is None else u for name, (volume, u) in volumes.items()},
        "time_on_s": time_s,
        "covered_pct": covered_pct,
        "differences": differences,
        "agrees": all(one["agrees"] for one in differences) if differences else None,
    }


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
