"""Metres per degree on the WGS84 ellipsoid, in + - * / and sqrt only: every machine agrees to the bit."""

from math import sqrt
from typing import Final

_A_M: Final = 6378137.0
_E2: Final = 0.0066943799901413165
_RAD: Final = 0.017453292519943295


def metres_per_degree(lat_deg: float) -> tuple[float, float]:
    """(north, east) metres per degree of latitude and longitude at `lat_deg` (-90..90).

    From the meridional and prime-vertical radii of curvature, M = a(1-e2)/W^3 and N = a/W with
    W = sqrt(1 - e2 sin2(lat)). A local plane with the radii of the middle latitude is within 0.01 mm over
    100 m.
    """
    sin = _sin(lat_deg * _RAD)
    w2 = 1 - _E2 * sin * sin
    w = sqrt(w2)
    cos = _sin((90 - abs(lat_deg)) * _RAD)  # 1 - sin2 would lose digits near the poles
    return _RAD * _A_M * (1 - _E2) / (w2 * w), _RAD * _A_M * cos / w


def _sin(x: float) -> float:
    """Taylor series for |x| <= pi/2; 12 terms leave less than 1e-16."""
    term = total = x
    for n in range(3, 26, 2):
        term *= -x * x / (n * (n - 1))
        total += term
    return total
