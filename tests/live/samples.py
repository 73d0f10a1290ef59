"""Samples as the core makes them, for a rig with round numbers: 5 m swath, 100 L/ha at 2 m/s, 6 L/min."""

from math import cos, radians

from rigmon.model import Basis, Sample

#: metres a degree on the mean sphere: pi / 180 x 6 371 000 m (IUGG mean radius), hand-worked
PER_DEG_M = 111_194.9266
#: where the invented runs begin
LAT, LON = 40.0, -40.0


def sample(t_s: float = 1.0, **fields: object) -> Sample:
    """One second at the target, boom on: 2 m, 10 m2, 0.1 L (6 L/min for 1 s). `fields` are replaced."""
    whole = Sample(
        t_ns=round(t_s * 1e9), dt_ns=1_000_000_000, lat_deg=LAT, lon_deg=LON, track_deg=0.0,
        speed_m_s=2.0, speed_sd_m_s=0.03, flow_l_min=6.0, pressure_kpa=200.0, boom_on=1,
        rate_l_ha=100.0, rate_u_pct=5.0, basis=int(Basis.FLOWMETER), distance_m=2.0, area_m2=10.0,
        volume_l=0.1, flags=0,
    )  # fmt: skip
    return whole._replace(**fields)  # type: ignore[arg-type]


def at(t_s: float, north_m: float, east_m: float = 0.0, **fields: object) -> Sample:
    """A sample at a place, metres from where the run began."""
    return sample(
        t_s,
        lat_deg=LAT + north_m / PER_DEG_M,
        lon_deg=LON + east_m / (PER_DEG_M * cos(radians(LAT))),
        **fields,
    )


#: a second with the boom off at 2 m/s
OFF = {"boom_on": 0, "flow_l_min": 0.0, "rate_l_ha": None, "area_m2": 0.0, "volume_l": 0.0}
#: standing, boom off
STANDING = {**OFF, "speed_m_s": 0.0, "distance_m": 0.0}
