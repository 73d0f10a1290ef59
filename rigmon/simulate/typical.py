"""Noise of receivers and meters as they commonly are, as fields of a scenario.

Receivers: recordings of real ones in steady motion show 0.03 to 0.13 m/s about their speed, white on some and
lingering for seconds on those that smooth, whose speed is 0.2 to 0.5 s late as well; positions wander by half
a metre to a few. Meters: 1 to 2 % from reading to reading and a pressure that wanders by a couple of percent
are common practice; how that is shared between white noise, vibration and the pump's strokes is invented.
"""

from types import MappingProxyType
from typing import Any, Final

from rigmon.errors import UsageError

TYPICAL: Final = MappingProxyType(
    {
        "calm": MappingProxyType(
            {
                "white_noise_m_s": 0.03,
                "latency_s": 0.1,
                "position_noise_m": 0.5,
                "flow_noise_pct": 1.0,
                "pressure_noise_pct": 0.5,
                "pressure_wander_pct": 0.5,
                "pulsation_pct": 0.5,
            }
        ),
        "usual": MappingProxyType(
            {
                "white_noise_m_s": 0.04,
                "correlated_noise_m_s": 0.04,
                "latency_s": 0.3,
                "position_noise_m": 1.0,
                "flow_noise_pct": 1.5,
                "flow_correlated_pct": 0.5,
                "pressure_noise_pct": 1.0,
                "pressure_wander_pct": 2.0,
                "vibration_pct": 0.5,
                "pulsation_pct": 1.0,
            }
        ),
        "rough": MappingProxyType(
            {
                "white_noise_m_s": 0.06,
                "correlated_noise_m_s": 0.11,
                "latency_s": 0.5,
                "position_noise_m": 2.0,
                "flow_noise_pct": 2.0,
                "flow_correlated_pct": 1.0,
                "pressure_noise_pct": 2.0,
                "pressure_wander_pct": 3.0,
                "vibration_pct": 2.0,
                "pulsation_pct": 2.0,
            }
        ),
    }
)


def typical_noise(name: str) -> dict[str, Any]:
    """Fields of a scenario, to be given to it or laid under others. Raises UsageError for an unknown name."""
    if name not in TYPICAL:
        raise UsageError(f"noise '{name}' is not known; use one of: {', '.join(TYPICAL)}")
    return dict(TYPICAL[name])
