"""The nozzles' coefficient: what the whole boom lets through at one unit of pressure, from the run itself.

Through an orifice the flow goes with the square root of the pressure, q = k sqrt(P). Where a run has both
measured, k shows wear (it rises), plugging (it falls), or a meter or a gauge that drifts: without a catch
test nobody can say which.
"""

from math import sqrt
from typing import Any, Final

import numpy as np

from rigmon.analysis.ground import Ground, number, runs
from rigmon.model import Basis

#: flow and pressure need so long to settle after the boom came on [s]
SETTLE_S: Final = 3.0
#: below this share of the run's median pressure a nozzle's spray collapses, and so does the law
LEAST_PRESSURE: Final = 0.25
#: scatter is taken between blocks of so much time, so that noise which lingers counts as what it is [s]
BLOCK_S: Final = 30.0
LEAST_BLOCKS: Final = 4


def nozzle_coefficient(ground: Ground) -> dict[str, Any] | None:
    """The mean of k = q / sqrt(P) over settled boom-on time with flow metered and pressure measured.

    k_l_min_per_sqrt_kpa       sum(q dt) / sum(sqrt(P) dt), of the whole boom
    random_u_pct               standard uncertainty of k from the scatter within the run, in % of it: that of
                               a ratio over n blocks of BLOCK_S, sqrt(n/(n-1) sum(r^2)) / sum(sqrt(P) dt),
                               r = sum((q - k sqrt(P)) dt) of a block (Cochran, Sampling Techniques, 3rd ed.
                               1977, section 2.11)
    expanded_uncertainty_pct   k = 2: with the meter's uncertainty and half the gauge's, JCGM 100:2008, 5.1.6;
                               those two are the same in every run on the same sensors
    time_s, mean_pressure_kpa  what it rests on
    at_calibration_l_min       the flow that k gives at the calibration's pressure; None: no such pressure
    against_calibration_pct    by how much that differs from the calibrated flow

    None: a sensor is missing, or there are fewer than LEAST_BLOCKS blocks.
    """
    rig, columns = ground.rig, ground.columns
    if "none" in (rig.flow.source, rig.pressure.source):
        return None
    first, last = runs(columns.boom_on == 1)
    settled = np.zeros(len(columns), dtype=np.bool_)
    start_s = columns.start_ns / 1e9
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        # the last sample of a stretch may hold the switching off
        settled[a:b] = start_s[a:b] >= start_s[a] + SETTLE_S
    q, p = columns.flow_l_min, columns.pressure_kpa
    use = settled & (columns.basis == Basis.FLOWMETER) & (q > 0) & (p > 0)
    if not use.any():
        return None
    use &= p >= LEAST_PRESSURE * float(np.median(p[use]))
    dt = ground.dt_s[use]
    flow, root = q[use] * dt, np.sqrt(p[use]) * dt
    k = float(flow.sum() / root.sum())
    block = np.minimum((np.cumsum(dt) - dt / 2) / BLOCK_S, dt.sum() // BLOCK_S - 1).astype(np.int64)
    blocks = int(block[-1]) + 1
    if blocks < LEAST_BLOCKS:
        return None
    residual = np.bincount(np.maximum(block, 0), weights=flow - k * root)
    random = sqrt(blocks / (blocks - 1) * float((residual**2).sum())) / float(root.sum()) / k
    systematic = sqrt(rig.flow.uncertainty_pct**2 + (0.5 * rig.pressure.uncertainty_pct) ** 2)
    cal = rig.calibration
    at_calibration = None if cal is None or cal.pressure_kpa is None else k * sqrt(cal.pressure_kpa)
    return {
        "k_l_min_per_sqrt_kpa": k,
        "random_u_pct": 100 * random,
        "expanded_uncertainty_pct": 2 * sqrt((100 * random) ** 2 + systematic**2),
        "time_s": float(dt.sum()),
        "mean_pressure_kpa": float((p[use] * dt).sum() / dt.sum()),
        "at_calibration_l_min": number(at_calibration),
        "against_calibration_pct": None
        if cal is None or at_calibration is None
        else number(100 * (at_calibration / cal.flow_l_min - 1)),
    }
