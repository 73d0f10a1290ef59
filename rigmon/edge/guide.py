"""The speed to hold now, and its band: what the driver's lines and the lights both go by."""

from rigmon.core.rate import speed_band_m_s, speed_for_rate_m_s
from rigmon.model import Sample
from rigmon.rig import Rig


def speed_to_hold(sample: Sample, rig: Rig) -> tuple[float | None, tuple[float, float] | None]:
    """The speed [m/s] that gives the target rate at the flow now, and the band [m/s] that keeps tolerance.

    It follows the flow, and so the pressure. With the boom off there is no flow, so it is the target speed
    and there is no band. None: unknown, as without a flow.
    """
    if sample.boom_on == 0:
        return rig.target.speed_m_s, None
    if not sample.flow_l_min:
        return None, None
    hold = speed_for_rate_m_s(rig.target.rate_l_ha, sample.flow_l_min, rig.swath_m)
    return hold, speed_band_m_s(hold, rig.target.tolerance_pct)
