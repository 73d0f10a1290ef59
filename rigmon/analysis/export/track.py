"""The way of a run in pieces: each of one kind of ground, so that a line can carry one dose."""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np

from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import Ground, Kind, number
from rigmon.analysis.path import MOST_GAP_S
from rigmon.analysis.utc import iso, utc_ms

#: a piece is cut after this much time, so that its mean dose is not that of half a field [s]
LONGEST_S: Final = 10.0

Place = tuple[float, float]  #: longitude, latitude [deg], rounded to 7 decimals: about a centimetre


@dataclass(frozen=True, slots=True)
class Piece:
    places: list[Place]  #: two or more, none repeated
    properties: dict[str, Any]


def pieces(run: RunData, ground: Ground) -> list[Piece]:
    """The pieces in the order of driving. A piece ends where the kind of ground changes, at a gap of the
    receiver, and after LONGEST_S. Neighbouring pieces of one line share a place."""
    columns = run.columns
    fresh = np.flatnonzero(columns.position_fresh)
    if len(fresh) < 2:
        return []
    moments = utc_ms(run.anchors, columns.t_ns)
    lon, lat = np.round(columns.lon_deg, 7).tolist(), np.round(columns.lat_deg, 7).tolist()
    t_ns = columns.t_ns
    made: list[Piece] = []
    members = [int(fresh[0])]
    for here in fresh[1:].tolist():
        last = members[-1]
        gap = t_ns[here] - t_ns[last] > MOST_GAP_S * 1e9
        other = len(members) > 1 and ground.kind[here] != ground.kind[members[1]]
        full = t_ns[last] - t_ns[members[0]] >= LONGEST_S * 1e9
        if gap or other or full:
            _add(made, members, lon, lat, ground, moments)
            members = [here] if gap else [last, here]
        else:
            members.append(here)
    _add(made, members, lon, lat, ground, moments)
    return made


def _add(
    made: list[Piece], members: list[int], lon: list[float], lat: list[float], ground: Ground, moments: Any
) -> None:
    places = [(lon[k], lat[k]) for k in members]
    places = [place for n, place in enumerate(places) if n == 0 or place != places[n - 1]]
    if len(members) < 2 or len(places) < 2:
        return
    columns = ground.columns
    part = slice(members[0] + 1, members[-1] + 1)  # the intervals that lie between the places
    kind = Kind(int(ground.kind[members[1]]))
    area, volume = float(np.nansum(ground.area_m2[part])), float(np.nansum(columns.volume_l[part]))
    known = kind in (Kind.IN, Kind.UNDER, Kind.OVER)
    seconds = float(ground.dt_s[part].sum())
    distance = float(np.nansum(ground.distance_m[part]))
    made.append(
        Piece(
            places,
            {
                "ground": kind.name.lower(),
                "dose_l_ha": number(volume / area * 1e4) if known and area > 0 else None,
                "speed_m_s": number(distance / seconds) if seconds > 0 else None,
                "distance_m": distance,
                "area_m2": area if kind is not Kind.NOTHING else 0.0,
                "volume_l": volume,
                "start_s": float(columns.t_ns[members[0]] / 1e9),
                "end_s": float(columns.t_ns[members[-1]] / 1e9),
                "start_utc": iso(moments[members[0]]),
                "end_utc": iso(moments[members[-1]]),
            },
        )
    )


def cut_at_the_antimeridian(places: list[Place]) -> list[list[Place]]:
    """The parts of a line that lie on either side of the 180th meridian, each up to it (RFC 7946, 3.1.9)."""
    parts: list[list[Place]] = [[places[0]]]
    for (lon, lat), place in pairwise(places):
        if abs(place[0] - lon) > 180:
            edge = 180.0 if lon > 0 else -180.0
            onward = place[0] + 2 * edge  # as if the degrees went on beyond the edge
            part = 0.0 if onward == lon else (edge - lon) / (onward - lon)
            crossing = round(lat + part * (place[1] - lat), 7)
            if (edge, crossing) != parts[-1][-1]:
                parts[-1].append((edge, crossing))
            parts.append([(-edge, crossing)])
        if place != parts[-1][-1]:
            parts[-1].append(place)
    return [part for part in parts if len(part) > 1]
