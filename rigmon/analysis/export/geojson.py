"""GeoJSON (RFC 7946): WGS 84 longitude and latitude, at most 7 decimals, a bounding box, no `crs`."""

import json
from pathlib import Path

from rigmon.analysis.export.kinds import Exported
from rigmon.analysis.export.track import cut_at_the_antimeridian, pieces


def write(exported: Exported, path: Path) -> None:
    made = pieces(exported.run, exported.ground)
    features = []
    for piece in made:
        parts = cut_at_the_antimeridian(piece.places)
        line = (
            {"type": "LineString", "coordinates": parts[0]}
            if len(parts) == 1
            else {"type": "MultiLineString", "coordinates": parts}
        )
        features.append({"type": "Feature", "geometry": line, "properties": piece.properties})
    collection: dict[str, object] = {"type": "FeatureCollection", "features": features}
    lons = [lon for piece in made for lon, _ in piece.places]
    lats = [lat for piece in made for _, lat in piece.places]
    if lons:
        west, east = min(lons), max(lons)
        if east - west > 180:  # 5.2: a box across the antimeridian has its west larger than its east
            west, east = min(lon for lon in lons if lon > 0), max(lon for lon in lons if lon < 0)
        collection["bbox"] = [west, min(lats), east, max(lats)]
    path.write_text(json.dumps(collection, allow_nan=False, separators=(",", ":")), encoding="utf-8")
