"""Metres per degree on the WGS84 ellipsoid, in + - * / and sqrt only: every machine agrees to the bit."""

from math import sqrt
from typing import Final

from rigmon.core.trig import RAD, sine

_A_M: Final = 6378137.0
_E2: Final = 0.0066943799901413165


def metres_per_degree(lat_deg: float) -> tuple[float, float]:
    """(north, east) metres per degree of latitude and longitude at `lat_deg` (-90..90).

    From the meridional and prime-vertical radii of curvature, M = a(1-e2)/W^3 and N = a/W with
    W = sqrt(1 - e2 sin2(lat)). A local plane with the radii of the middle latitude is within 0.01 mm over
    100 m.
    """
    sin = sine(lat_deg * RAD)
    w2 = 1 - _E2 * sin * sin
    w = sqrt(w2)
    cos = sine((90 - abs(lat_deg)) * RAD)  # 1 - sin2 would lose digits near the poles
    return RAD * _A_M * (1 - _E2) / (w2 * w), RAD * _A_M * cos / w
