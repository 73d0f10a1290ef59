"""GeoJSON (RFC 7946): WGS 84 longitude and latitude, at most 7 decimals, a bounding box, no `crs`."""

import json
from itertools import pairwise
from pathlib import Path

from rigmon.analysis.export.kinds import Exported
from rigmon.analysis.export.track import Place, pieces


def write(exported: Exported, path: Path) -> None:
    made = pieces(exported.run, exported.ground)
    features = []
    for piece in made:
        for places in _cut_at_the_antimeridian(piece.places):
            features.append(
                {
                    "type": "Feature",
                    "geometry": {"type": "LineString", "coordinates": places},
                    "properties": piece.properties,
                }
            )
    collection: dict[str, object] = {"type": "FeatureCollection", "features": features}
    lons = [lon for piece in made for lon, _ in piece.places]
    lats = [lat for piece in made for _, lat in piece.places]
    if lons:
        west, east = min(lons), max(lons)
        if east - west > 180:  # 5.2: a box across the antimeridian has its west larger than its east
            west, east = min(lon for lon in lons if lon > 0), max(lon for lon in lons if lon < 0)
        collection["bbox"] = [west, min(lats), east, max(lats)]
    path.write_text(json.dumps(collection, allow_nan=False, separators=(",", ":")), encoding="utf-8")


def _cut_at_the_antimeridian(places: list[Place]) -> list[list[Place]]:
    """3.1.9: a line must not cross it. The few centimetres between the two fixes are left out."""
    parts: list[list[Place]] = [[places[0]]]
    for before, place in pairwise(places):
        if abs(place[0] - before[0]) > 180:
            parts.append([])
        parts[-1].append(place)
    return [part for part in parts if len(part) > 1]
