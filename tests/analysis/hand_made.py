"""Small runs made by hand for the score's tests: an invented rig with round numbers, and samples for it."""

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

from rigmon import config
from rigmon.analysis.frames import RunData, from_outputs
from rigmon.model import Basis, Flag, Output, Sample
from rigmon.rig import Rig

# 10 nozzles x 0.5 m = 5 m swath. Target 100 L/ha at 2 m/s needs 100 x 2 x 5 x 60 / 1e4 = 6 L/min.
RIG_TOML = """
[rig]
name = "Round rig"  # invented
nozzle_count = 10
nozzle_spacing = "50 cm"
units = "metric"
swath_uncertainty_pct = 1.0
[target]
rate = "100 L/ha"
speed = "2 m/s"
tolerance_pct = 10
[calibration]
flow = "6 L/min"
pressure = "200 kPa"
uncertainty_pct = 2.5
[gps]
speed_bias_pct = 0.5
[flow]
source = "xdr"
uncertainty_pct = 2.0
[pressure]
source = "xdr"
uncertainty_pct = 3.0
[boom_switch]
source = "xdr"
"""

SWATH_M = 5.0
FLOW_L_MIN = 6.0
#: one degree of longitude on the equator, WGS 84: 2 pi x 6378137 m / 360
DEGREE_M = 111319.49079327358


@lru_cache
def rig(**changes: str) -> Rig:
    """The round rig; `changes` replace a line by its key: required='60' adds [score]."""
    text = RIG_TOML
    if "required" in changes:
        text += f"[score]\nrequired_area_pct = {changes['required']}\n"
    if "units" in changes:
        text = text.replace('units = "metric"', f'units = "{changes["units"]}"')
    return config.parse(text, "test rig")


class Track:
    """Drives east along the equator and writes down samples."""

    def __init__(self, start_ns: int = 0) -> None:
        self.t_ns = start_ns
        self.x_m = 0.0
        self.samples: list[Sample] = []

    def go(
        self,
        seconds: float,
        speed: float = 2.0,
        flow: float | None = FLOW_L_MIN,
        *,
        boom: int | None = 1,
        step: float = 1.0,
        gps: bool = True,
        position: bool = True,
        basis: Basis = Basis.FLOWMETER,
        sd: float | None = 0.02,
    ) -> "Track":
        """So many seconds of steady driving, in samples of `step`; gps off: speed and place unknown."""
        for _ in range(round(seconds / step)):
            dt_ns = round(step * 1e9)
            self.t_ns += dt_ns
            self.x_m += speed * step
            distance = speed * step if gps else None
            area = None if boom is None or distance is None else distance * SWATH_M * boom
            if boom == 0:
                area = 0.0
            volume = None if boom is None or flow is None else flow * step / 60 * boom
            self.samples.append(
                Sample(
                    t_ns=self.t_ns,
                    dt_ns=dt_ns,
                    lat_deg=0.0 if gps and position else None,
                    lon_deg=self.x_m / DEGREE_M if gps and position else None,
                    track_deg=90.0 if gps else None,
                    speed_m_s=speed if gps else None,
                    speed_sd_m_s=sd if gps else None,
                    flow_l_min=flow if boom else 0.0,
                    pressure_kpa=None,
                    boom_on=boom,
                    rate_l_ha=None,
                    rate_u_pct=None,
                    basis=int(basis) if boom and flow is not None else 0,
                    distance_m=distance,
                    area_m2=area,
                    volume_l=volume,
                    flags=0 if gps else int(Flag.GPS_STALE),
                )
            )
        return self


def run(outputs: Iterable[Output] | Track, rig_: Rig | None = None, **more: Any) -> RunData:
    """RunData with invented surroundings."""
    if isinstance(outputs, Track):
        outputs = outputs.samples
    settings: dict[str, Any] = {"run_id": "r1", "source": "live", "ended_cleanly": True} | more
    return from_outputs(rig_ or rig(), outputs, **settings)


def split(samples: Sequence[Sample], at: Iterable[int]) -> list[Sample]:
    """The same run with some samples cut into two halves; the place halfway is not known."""
    cut = set(at)
    parts: list[Sample] = []
    for n, sample in enumerate(samples):
        if n in cut and sample.dt_ns % 2 == 0:
            halves = {
                name: None if (value := getattr(sample, name)) is None else value / 2
                for name in ("distance_m", "area_m2", "volume_l")
            }
            half_ns = sample.dt_ns // 2
            parts.append(
                sample._replace(
                    t_ns=sample.t_ns - half_ns, dt_ns=half_ns, lat_deg=None, lon_deg=None, **halves
                )
            )
            parts.append(sample._replace(dt_ns=half_ns, **halves))
        else:
            parts.append(sample)
    return parts
