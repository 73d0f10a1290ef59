"""Receivers and meters as they are: scenario fields for one run, drawn from its seed.

Receivers: recordings of real ones in steady motion show a speed with a standard deviation of 0.03 to 0.13
m/s, white on some, lingering for seconds on those that smooth, which are 0.2 to 0.5 s late as well. Meters:
1 to 2 % from reading to reading, as common flowmeters and transducers have; lingering where the pump or a
cheap meter swings slowly: over 5 s, an invented figure. The boom's true pressure wanders by 0.5 to 2 % over
20 s besides, which is invented too.
"""

import random
from dataclasses import dataclass, field
from typing import Any, Final

from rigmon.errors import UsageError

#: what a study may be asked for; "mixed" takes the others in turn
RECEIVERS: Final = ("white", "correlated", "mixed")
METERS: Final = ("white", "correlated", "mixed")
#: of a variance, as a standard deviation
_HALF: Final = 0.5**0.5


@dataclass(frozen=True, slots=True)
class Noise:
    """Which receiver and meters; `fixed` are scenario fields that stand above them (white_noise_m_s, ...).

    Raises UsageError for kinds that are not known.
    """

    receiver: str = "mixed"
    meters: str = "mixed"
    fixed: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, value, known in (("receiver", self.receiver, RECEIVERS), ("meters", self.meters, METERS)):
            if value not in known:
                raise UsageError(f"{name} = {value!r} must be one of: {', '.join(known)}")

    def fields(self, number: int, rng: random.Random) -> dict[str, Any]:
        """Scenario fields of run `number`. Draws the same count of numbers whatever is chosen."""
        speed_sd, late, flow, pressure, wander = (rng.random() for _ in range(5))
        found: dict[str, Any] = {"position_noise_m": 0.5}
        if _in_turn(self.receiver, number) == "white":
            found |= {"white_noise_m_s": 0.03 + 0.05 * speed_sd, "latency_s": 0.2 * late}
        else:
            found |= {
                "white_noise_m_s": 0.03,
                "correlated_noise_m_s": 0.03 + 0.09 * speed_sd,
                "correlated_tau_s": 2.0,
                "latency_s": 0.2 + 0.3 * late,
            }
        # every other pair of runs, so that all four combinations come
        slow = _in_turn(self.meters, number // 2) == "correlated"
        for name, pct in (("flow", 1 + flow), ("pressure", 1 + pressure)):
            # as much white as lingering, together as much as of white meters
            found[f"{name}_noise_pct"] = pct * (_HALF if slow else 1.0)
            if slow:
                found[f"{name}_correlated_pct"] = pct * _HALF
        found["pressure_wander_pct"] = 0.5 + 1.5 * wander
        return found | self.fixed


def _in_turn(kind: str, number: int) -> str:
    return ("white", "correlated")[number % 2] if kind == "mixed" else kind
