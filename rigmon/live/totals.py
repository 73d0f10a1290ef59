"""Sums of a run so far, from its samples: what the daemon keeps for pages that come later."""

from dataclasses import asdict, dataclass
from typing import Any, Self

from rigmon.model import Sample


@dataclass(slots=True)
class Totals:
    """Added up as the score does: what went onto ground of unknown area is not in `volume_l`."""

    t_ns: int = 0  #: stamp of the newest sample
    area_m2: float = 0.0
    volume_l: float = 0.0
    distance_m: float = 0.0
    boom_on_s: float = 0.0
    unknown_s: float = 0.0  #: with the boom on, or unknown, and area or volume unknown
    applied_l: float = 0.0  #: all that left the tank as far as it is known
    unmeasured_s: float = 0.0  #: with the boom on, or unknown, and the flow unknown

    def take(self, sample: Sample) -> None:
        """Add one sample's interval."""
        self.t_ns = sample.t_ns
        if sample.distance_m is not None:
            self.distance_m += sample.distance_m
        if sample.boom_on == 0:
            return
        dt_s = sample.dt_ns * 1e-9
        if sample.boom_on == 1:
            self.boom_on_s += dt_s
        if sample.area_m2 is not None and sample.volume_l is not None:
            self.area_m2 += sample.area_m2
            self.volume_l += sample.volume_l
        else:
            self.unknown_s += dt_s
        if sample.volume_l is not None:
            self.applied_l += sample.volume_l
        else:
            self.unmeasured_s += dt_s

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Self:
        """Raises TypeError for keys that are not known."""
        return cls(**data)
