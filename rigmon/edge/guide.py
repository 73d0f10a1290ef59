"""The speed to hold now, its band, and what to do: what the driver's lines, lights and pages all go by.

And how a figure is written for the driver, the same everywhere.
"""

from typing import Final, Literal, NamedTuple

from rigmon import units
from rigmon.core.rate import speed_band_m_s, speed_for_rate_m_s
from rigmon.model import Alert, Sample
from rigmon.rig import Rig

Do = Literal["hold", "faster", "slower", "stopped", "boom_off", "no_flow", "flow_unknown", "speed_unknown"]

#: carried unit of an alert's value -> dimension
_DIMENSION: Final = {"m/s": "speed", "L/min": "flow", "kPa": "pressure", "L/ha": "rate", "°C": "temperature"}


class Advice(NamedTuple):
    """What to do, and the speed [m/s] to do it at with its band; None: unknown, or there is none."""

    do: Do
    hold_m_s: float | None
    low_m_s: float | None
    high_m_s: float | None

    def share(self, speed_m_s: float | None) -> float | None:
        """How much of the tolerance is used up: 0 at the speed to hold, +-1 at the band's edges; + is fast.

        None: unknown.
        """
        hold, low, high = self.hold_m_s, self.low_m_s, self.high_m_s
        if speed_m_s is None or hold is None or low is None or high is None:
            return None
        room = high - hold if speed_m_s > hold else hold - low
        return (speed_m_s - hold) / room if room > 0 else 0.0


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


def advise(sample: Sample, rig: Rig) -> Advice:
    """What to do now. The speed to hold is that of `speed_to_hold`."""
    speed = sample.speed_m_s
    hold, band = speed_to_hold(sample, rig)
    low, high = band or (None, None)
    do: Do = "hold"
    if speed is None:
        do = "speed_unknown"
    elif speed < rig.speed.stationary_m_s:
        do = "stopped"
    elif sample.boom_on == 0:
        do = "boom_off"
    elif low is None or high is None:
        do = "flow_unknown" if sample.flow_l_min is None else "no_flow"
    elif speed > high:
        do = "slower"
    elif speed < low:
        do = "faster"
    return Advice(do, hold, low, high)


def figure(value: float | None, dimension: str, system: str) -> str:
    """A carried value as the driver reads it, without its unit: few digits, and '--' when unknown."""
    if value is None:
        return "--"
    unit = units.shown_unit(dimension, system)
    shown = units.convert(value, dimension, unit)
    digits = 0 if unit == "kPa" or abs(shown) >= 100 else 2 if unit == "gal/min" else 1
    return f"{shown:.{digits}f}" if abs(shown) < 99_999 else ">99999"


def rate_off_pct(sample: Sample, rig: Rig) -> float | None:
    """How far the rate is off the target, in % of it; None: unknown."""
    return None if sample.rate_l_ha is None else 100 * (sample.rate_l_ha / rig.target.rate_l_ha - 1)


def alert_figures(alert: Alert, system: str) -> str:
    """An alert's value and limit with their unit; empty when it has neither."""
    dimension = _DIMENSION.get(alert.unit)
    if dimension is None:
        value, limit = (f"{x:.4g}" if x is not None else None for x in (alert.value, alert.limit))
        unit = alert.unit
    else:
        value = None if alert.value is None else figure(alert.value, dimension, system)
        limit = None if alert.limit is None else figure(alert.limit, dimension, system)
        unit = units.shown_unit(dimension, system).lstrip("°")  # a terminal may know ASCII alone
    parts = [] if value is None else [f"{value} {unit}".rstrip()]
    if limit is not None:
        parts.append(f"limit {limit} {unit}".rstrip())
    return ", ".join(parts)
