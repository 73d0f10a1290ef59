"""A field's boundary from a GeoJSON file (RFC 7946): polygons, with holes, in WGS 84 longitude and latitude.

Polygon, MultiPolygon, GeometryCollections of them, Feature and FeatureCollection are read; several polygons
are one field. Whatever a boundary cannot be is refused with what is wrong and what would be right.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from pathlib import Path as FilePath
from typing import Any, Final, NoReturn

import numpy as np

from rigmon.analysis import extras
from rigmon.analysis.path import Path, Plane
from rigmon.errors import UsageError
from rigmon.units import UNITS

#: a boundary further than this from all of the run's way belongs to another field [m]
FAR_M: Final = 1000.0
#: a larger file is not one field's boundary [bytes]
LARGEST_BYTES: Final = 50_000_000

_MILE_M: Final = float(UNITS["length"]["mi"])

Ring = tuple[tuple[float, float], ...]  #: longitude, latitude; closed


@dataclass(frozen=True, slots=True)
class Boundary:
    """Polygons, each its outer ring and then its holes."""

    source: str  #: for messages: the file
    polygons: tuple[tuple[Ring, ...], ...]

    def shape(self, plane: Plane, *, swapped: bool = False) -> Any:
        """The field in the plane of a run, as a shapely geometry. `swapped`: latitude taken for longitude."""
        shapely = extras.load("shapely", "analysis", "a field boundary")

        def to_plane(ring: Ring) -> Any:
            first, second = np.array(ring).T
            lon, lat = (second, first) if swapped else (first, second)
            return np.column_stack(plane.to_metres(lat, lon))

        return shapely.union_all(
            [
                shapely.Polygon(to_plane(rings[0]), [to_plane(hole) for hole in rings[1:]])
                for rings in self.polygons
            ]
        )

    def on_the_way(self, path: Path) -> Any:
        """The field in the plane of the run, which must be near it.

        Raises UsageError when it is further than FAR_M from everywhere the run went, or looks swapped.
        """
        shapely = extras.load("shapely", "analysis", "a field boundary")
        known = path.known
        places = shapely.points(path.end_east_m[known], path.end_north_m[known])
        if not len(places):
            raise UsageError(
                f"{self.source}: where the run was is not known: there is nothing to compare it with"
            )
        field = self.shape(path.plane)
        away_m = _nearest(shapely, field, places)
        if away_m <= FAR_M:
            return field
        lon, lat = self.polygons[0][0][0]
        where = f"its first corner is at latitude {lat:.5f}, longitude {lon:.5f}"
        run = f"the run was near latitude {path.plane.lat_deg:.5f}, longitude {path.plane.lon_deg:.5f}"
        corners = [corner for rings in self.polygons for ring in rings for corner in ring]
        if all(abs(first) <= 90 for first, _ in corners):
            other = self.shape(path.plane, swapped=True)
            if _nearest(shapely, other, places) <= FAR_M:
                raise UsageError(
                    f"{self.source}: latitude and longitude are swapped: {where}, and {run}; GeoJSON has "
                    "longitude first: export the boundary again, longitude before latitude"
                )
        raise UsageError(
            f"{self.source}: the boundary is {away_m / 1000:,.0f} km ({away_m / _MILE_M:,.0f} mi) away from "
            f"the run: {where}; {run}; "
            "give the boundary of the field that was treated"
        )


def _nearest(shapely: Any, field: Any, places: Any) -> float:
    with np.errstate(invalid="ignore"):
        away = shapely.distance(field, places[:: max(len(places) // 1000, 1)])
    finite = away[np.isfinite(away)]
    return float(finite.min()) if len(finite) else float("inf")


def read(path: FilePath) -> Boundary:
    """The boundary in a GeoJSON file. Raises UsageError for a file that is none."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise UsageError(
                f"{path}: is larger than {LARGEST_BYTES // 1_000_000} MB: not one field's boundary"
            )
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError:
        raise UsageError(f"{path}: is not text in UTF-8; a boundary is a GeoJSON file") from None
    return parse(text, str(path))


def parse(text: str, source: str) -> Boundary:
    """The boundary in a GeoJSON text; `source` names it in messages. Raises UsageError."""
    try:
        document = json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{source}: is not GeoJSON: {error}") from None
    if not isinstance(document, dict) or "type" not in document:
        raise UsageError(f"{source}: is not GeoJSON: it must be an object with a type, such as Polygon")
    _check_crs(document, source)
    polygons = tuple(_polygons(document, source, "the file"))
    if not polygons:
        raise UsageError(f"{source}: holds no polygon; a boundary is a Polygon or a MultiPolygon")
    _check_degrees(polygons, source)
    _check_shapes(polygons, source)
    return Boundary(source, polygons)


def _no_number(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number")


def _check_crs(document: dict[str, Any], source: str) -> None:
    """The older GeoJSON of 2008 could name another system; RFC 7946 knows WGS 84 alone."""
    crs = document.get("crs")
    if crs is None:
        return
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = str(properties.get("name") if isinstance(properties, dict) else crs)
    if not (name.upper().endswith("CRS84") or name.endswith(":4326")):
        raise UsageError(
            f"{source}: is in the coordinate system {name}, not in WGS 84; export it again in WGS 84 "
            "(EPSG:4326)"
        )


def _polygons(item: Any, source: str, where: str) -> Iterator[tuple[Ring, ...]]:
    """The polygons in a GeoJSON object, however deep."""
    kind = item.get("type") if isinstance(item, dict) else None
    if kind == "FeatureCollection":
        for n, feature in enumerate(_list(item, "features", source, where), 1):
            yield from _polygons(feature, source, f"feature {n}")
    elif kind == "Feature":
        if item.get("geometry") is not None:
            yield from _polygons(item["geometry"], source, where)
    elif kind == "GeometryCollection":
        for geometry in _list(item, "geometries", source, where):
            yield from _polygons(geometry, source, where)
    elif kind == "MultiPolygon":
        for polygon in _list(item, "coordinates", source, where):
            yield _polygon(polygon, source, where)
    elif kind == "Polygon":
        yield _polygon(_list(item, "coordinates", source, where), source, where)
    else:
        raise UsageError(
            f"{source}: {where} is of type {kind!r}; a boundary is made of Polygon and MultiPolygon alone: "
            "leave other things out"
        )


def _list(item: dict[str, Any], key: str, source: str, where: str) -> list[Any]:
    value = item.get(key)
    if not isinstance(value, list):
        raise UsageError(f"{source}: {where} ({item['type']}) has no list of {key}")
    return value


def _polygon(rings: Any, source: str, where: str) -> tuple[Ring, ...]:
    if not isinstance(rings, list) or not rings:
        raise UsageError(f"{source}: {where} has a polygon without rings")
    return tuple(_ring(ring, source, where) for ring in rings)


def _ring(ring: Any, source: str, where: str) -> Ring:
    corners = []
    for corner in ring if isinstance(ring, list) else []:
        usable = (
            isinstance(corner, list)
            and len(corner) >= 2
            and all(isinstance(x, int | float) and not isinstance(x, bool) for x in corner[:2])
        )
        if not usable or not all(abs(x) < 1e12 and isfinite(x) for x in corner[:2]):
            shown = json.dumps(corner)
            raise UsageError(
                f"{source}: {where} has the position {shown[:60]}; it must read [longitude, latitude]"
            )
        corners.append((float(corner[0]), float(corner[1])))
    if corners and corners[0] != corners[-1]:
        corners.append(corners[0])
    if len(corners) < 4:
        raise UsageError(f"{source}: {where} has a ring of fewer than three corners")
    return tuple(corners)


def _check_degrees(polygons: tuple[tuple[Ring, ...], ...], source: str) -> None:
    for lon, lat in (corner for rings in polygons for ring in rings for corner in ring):
        if abs(lon) <= 180 and abs(lat) <= 90:
            continue
        if abs(lat) <= 180 and abs(lon) <= 90:
            raise UsageError(
                f"{source}: the position [{lon:g}, {lat:g}] has a latitude beyond 90 degrees: latitude and "
                "longitude look swapped; GeoJSON has longitude first"
            )
        raise UsageError(
            f"{source}: the position [{lon:g}, {lat:g}] is not in degrees; export the boundary in WGS 84 "
            "(EPSG:4326)"
        )


def _check_shapes(polygons: tuple[tuple[Ring, ...], ...], source: str) -> None:
    shapely = extras.load("shapely", "analysis", "a field boundary")
    for n, rings in enumerate(polygons, 1):
        shape = shapely.Polygon(rings[0], rings[1:])
        if not shapely.is_valid(shape):
            what = str(shapely.is_valid_reason(shape)).replace("[", " at longitude, latitude ").rstrip("]")
            raise UsageError(
                f"{source}: polygon {n} is not one: {what}; a boundary must not cross or touch itself: mend "
                "it in the program that it was drawn with"
            )
