"""The samples of a run as a table with one named column per quantity; the name carries the unit."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rigmon import units
from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import Ground, Kind
from rigmon.analysis.utc import iso, utc_ms
from rigmon.model import Basis, Flag

#: column -> (its unit in words, what it is)
ABOUT: Final[dict[str, tuple[str, str]]] = {
    "t_s": ("s", "end of the interval, since the run's start"),
    "utc": ("ISO 8601", "the same by the receiver's clock"),
    "dt_s": ("s", "length of the interval"),
    "lat_deg": ("deg", "latitude, WGS 84"),
    "lon_deg": ("deg", "longitude, WGS 84"),
    "course_deg": ("deg", "course over ground, clockwise from north"),
    "speed_m_s": ("m/s", "ground speed"),
    "flow_l_min": ("L/min", "whole boom"),
    "pressure_kpa": ("kPa", "pressure at the boom"),
    "boom_on": ("1 or 0", "boom"),
    "dose_l_ha": ("L/ha", "what the ground got: volume over area, noise taken out"),
    "distance_m": ("m", "driven in the interval"),
    "area_m2": ("m2", "treated in the interval"),
    "volume_l": ("L", "applied in the interval"),
    "ground": ("word", "in, under, over (of the tolerance), unknown, or nothing applied"),
    "basis": ("word", "what the flow rests on"),
    "flags": ("words", "doubts about the values, separated by blanks"),
}

#: dimension, carried column -> US column
_US: Final = {
    "speed_m_s": ("speed", "speed_mph", "mph"),
    "flow_l_min": ("flow", "flow_gal_min", "gal/min"),
    "pressure_kpa": ("pressure", "pressure_psi", "psi"),
    "dose_l_ha": ("rate", "dose_gal_ac", "gal/ac"),
    "distance_m": ("length", "distance_ft", "ft"),
    "area_m2": ("area", "area_ac", "ac"),
    "volume_l": ("volume", "volume_gal", "gal"),
}

_GROUND: Final = {kind.value: kind.name.lower() for kind in Kind}
_BASIS: Final = {basis.value: basis.name.lower() for basis in Basis}


@dataclass(frozen=True, slots=True)
class Column:
    name: str
    unit: str
    about: str
    values: list[Any]  #: None where unknown


def columns_of(run: RunData, ground: Ground, system: str = "metric") -> list[Column]:
    """One Column per quantity. `system` 'us': speeds in mph and so on, under names that say so."""
    c = run.columns
    moments = utc_ms(run.anchors, c.t_ns)
    data: dict[str, list[Any]] = {
        "t_s": (c.t_ns / 1e9).tolist(),
        "utc": [iso(ms) for ms in moments.tolist()],
        "dt_s": c.dt_s.tolist(),
        "lat_deg": _known(c.lat_deg),
        "lon_deg": _known(c.lon_deg),
        "course_deg": _known(c.track_deg),
        "speed_m_s": _known(c.speed_m_s),
        "flow_l_min": _known(c.flow_l_min),
        "pressure_kpa": _known(c.pressure_kpa),
        "boom_on": [None if np.isnan(on) else int(on) for on in c.boom_on.tolist()],
        "dose_l_ha": _known(ground.dose_l_ha),
        "distance_m": _known(c.distance_m),
        "area_m2": _known(c.area_m2),
        "volume_l": _known(c.volume_l),
        "ground": [_GROUND[kind] for kind in ground.kind.tolist()],
        "basis": [_BASIS.get(basis, "none") for basis in c.basis.tolist()],
        "flags": [flag_words(flags) for flags in c.flags.tolist()],
    }
    table = []
    for name, values in data.items():
        unit, about = ABOUT[name]
        if system == "us" and name in _US:
            dimension, other, unit = _US[name]
            factor = units.convert(1.0, dimension, unit)
            table.append(Column(other, unit, about, [None if v is None else v * factor for v in values]))
        else:
            table.append(Column(name, unit, about, values))
    return table


def flag_words(flags: int) -> str:
    """'gps_stale input_lost', in the order of their numbers; bits of a newer release as numbers."""
    known = [flag.name.lower() for flag in Flag if flag.value & flags and flag.name]
    rest = flags & ~sum(flag.value for flag in Flag)
    return " ".join([*known, str(rest)] if rest else known)


def _known(values: Any) -> list[float | None]:
    return [None if value != value else value for value in values.tolist()]  # noqa: PLR0124 - NaN
