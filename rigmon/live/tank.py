"""What is in the tank, and where it runs out at this rate.

The level is unknown until somebody says it: a rig file knows what a tank holds, not how far it was filled.
"""

from dataclasses import asdict, dataclass
from math import cos, pi, radians, sin
from typing import Any, NamedTuple, Self

from rigmon.model import Sample

#: further ahead than this nothing is said of the place: the rig will have turned by then
_AHEAD_M = 1000.0
#: mean radius of the earth (IUGG), good to 0.5 % in any direction
_EARTH_M = 6_371_000.0


class Outlook(NamedTuple):
    """Until the tank is empty, at the flow and speed now. None: unknown, or nothing flows."""

    time_s: float | None
    distance_m: float | None
    area_m2: float | None
    place: tuple[float, float] | None  #: latitude and longitude [deg], straight ahead


@dataclass(slots=True)
class Tank:
    """`level_l` None: unknown. `at_most`: some of what flowed was not measured, so there is less."""

    capacity_l: float | None = None
    level_l: float | None = None
    at_most: bool = False

    def take(self, sample: Sample) -> None:
        """What left the tank in one sample's interval."""
        if self.level_l is None or sample.boom_on == 0:
            return
        if sample.volume_l is None:
            self.at_most = True
        else:
            self.level_l = max(0.0, self.level_l - sample.volume_l)

    def refill(self, volume_l: float | None, full: bool) -> None:
        """Water and product came in. `full`: up to the capacity, whatever was in it.

        A volume goes on top of what is known; onto an unknown rest it leaves the level unknown.
        """
        if full:
            self.level_l = self.capacity_l if self.capacity_l is not None else volume_l
            self.at_most = False
        elif volume_l is not None and self.level_l is not None:
            level_l = self.level_l + volume_l
            self.level_l = level_l if self.capacity_l is None else min(level_l, self.capacity_l)

    def outlook(self, sample: Sample | None, swath_m: float) -> Outlook:
        """Straight on at the flow and speed of `sample`."""
        if self.level_l is None or sample is None or sample.boom_on != 1 or not sample.flow_l_min:
            return Outlook(None, None, None, None)
        time_s = 60 * self.level_l / sample.flow_l_min
        if sample.speed_m_s is None:
            return Outlook(time_s, None, None, None)
        distance_m = time_s * sample.speed_m_s
        return Outlook(time_s, distance_m, distance_m * swath_m, _ahead(sample, distance_m))

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Self:
        """Raises TypeError for keys that are not known."""
        return cls(**data)


def _ahead(sample: Sample, distance_m: float) -> tuple[float, float] | None:
    """The place so far ahead on the track now, on a sphere's tangent plane; None: unknown, or too far."""
    lat, lon, track = sample.lat_deg, sample.lon_deg, sample.track_deg
    if lat is None or lon is None or track is None or distance_m > _AHEAD_M or abs(lat) > 89:
        return None
    per_deg = _EARTH_M * pi / 180
    north, east = distance_m * cos(radians(track)), distance_m * sin(radians(track))
    return lat + north / per_deg, lon + east / (per_deg * cos(radians(lat)))
