"""Metres per degree against two independent implementations of the WGS 84 ellipsoid."""

from math import hypot, pi

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from rigmon.core.geometry import metres_per_degree

#: geodetic (lon, lat, height) to geocentric x, y, z (PROJ)
CART = Transformer.from_pipeline(
    "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=WGS84"
)


def by_proj(lat_deg: float) -> tuple[float, float]:
    """North: the chord over a thousandth of a degree. East: the radius of the parallel, in radians' worth."""
    half = 0.0005
    (x0, _, z0), (x1, _, z1) = (CART.transform(0.0, lat_deg + d, 0.0) for d in (-half, half))
    x, y, _ = CART.transform(20.0, lat_deg, 0.0)
    return hypot(x1 - x0, z1 - z0) / (2 * half), hypot(x, y) * pi / 180


@given(st.floats(-89.99, 89.99))
def test_against_proj(lat_deg: float) -> None:
    north, east = metres_per_degree(lat_deg)
    assert (north, east) == pytest.approx(by_proj(lat_deg), rel=1e-9)


# From the definition of WGS 84 (a = 6378137 m, 1/f = 298.257223563): a pi / 180 on the equator east,
# a (1 - e2) pi / 180 north; a / sqrt(1 - e2) pi / 180 north at the pole. To the digits printed in common use:
# 111 319.491, 110 574.276 and 111 693.980 m.
def test_on_the_equator_and_at_the_poles() -> None:
    assert metres_per_degree(0.0) == pytest.approx((110574.276, 111319.491), abs=5e-4)
    for pole in (90.0, -90.0):
        north, east = metres_per_degree(pole)
        assert north == pytest.approx(111693.980, abs=5e-4)
        assert east == pytest.approx(0.0, abs=1e-9)


@given(st.floats(0, 90))
def test_north_and_south_are_alike(lat_deg: float) -> None:
    assert metres_per_degree(lat_deg) == metres_per_degree(-lat_deg)


@given(lat_deg=st.floats(-85, 85), azimuth_deg=st.floats(0, 360), distance_m=st.floats(0.1, 100))
def test_the_local_plane_against_geographiclib(lat_deg: float, azimuth_deg: float, distance_m: float) -> None:
    """With the radii of the middle latitude, within 0.01 mm over 100 m."""
    end = Geodesic.WGS84.Direct(lat_deg, 10.0, azimuth_deg, distance_m)
    north_m, east_m = metres_per_degree(0.5 * (lat_deg + end["lat2"]))
    plane_m = hypot((end["lat2"] - lat_deg) * north_m, (end["lon2"] - 10.0) * east_m)
    assert plane_m == pytest.approx(distance_m, abs=1e-5)
