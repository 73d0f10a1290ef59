"""Field boundaries: what is read, and with which words the rest is refused."""

import json
from contextlib import suppress
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

import numpy as np
import pytest
from geographiclib.polygonarea import Geodesic, PolygonArea
from hand_made import Track, run
from hypothesis import given, settings
from hypothesis import strategies as st

from rigmon.analysis.boundary import Boundary, parse, read
from rigmon.analysis.path import Path, Plane, path_of
from rigmon.errors import UsageError

# invented: a field of about 90 m x 110 m in the open ocean, a pond in it, and a second field beside it
SQUARE = [[-40.0, 40.0], [-39.999, 40.0], [-39.999, 40.001], [-40.0, 40.001], [-40.0, 40.0]]
POND = [
    [-39.9996, 40.0004],
    [-39.9994, 40.0004],
    [-39.9994, 40.0006],
    [-39.9996, 40.0006],
    [-39.9996, 40.0004],
]
BESIDE = [[x + 0.002, y] for x, y in SQUARE]
POLYGON = {"type": "Polygon", "coordinates": [SQUARE]}
HERE = Plane(40.0005, -39.9995)


def text(item: Any) -> str:
    return json.dumps(item)


def geodesic_m2(ring: list[list[float]]) -> float:
    """Area on the ellipsoid, by geographiclib."""
    polygon = PolygonArea(Geodesic.WGS84)
    for lon, lat in ring[:-1]:
        polygon.AddPoint(lat, lon)
    return abs(polygon.Compute()[2])


def feature(geometry: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": {"name": "Invented field"}, "geometry": geometry}


@pytest.mark.parametrize(
    ("item", "rings"),
    [
        (POLYGON, [SQUARE]),
        ({"type": "Polygon", "coordinates": [SQUARE[::-1]]}, [SQUARE]),  # either way round
        ({"type": "Polygon", "coordinates": [SQUARE[:-1]]}, [SQUARE]),  # left open
        (
            {"type": "Polygon", "coordinates": [[[*corner, 12.5] for corner in SQUARE]]},
            [SQUARE],
        ),  # with heights
        ({"type": "MultiPolygon", "coordinates": [[SQUARE], [BESIDE]]}, [SQUARE, BESIDE]),
        (feature(POLYGON), [SQUARE]),
        ({"type": "FeatureCollection", "features": [feature(POLYGON), feature(None)]}, [SQUARE]),
        (
            {
                "type": "FeatureCollection",
                "features": [feature(POLYGON), feature({"type": "Polygon", "coordinates": [BESIDE]})],
            },
            [SQUARE, BESIDE],
        ),
        ({"type": "GeometryCollection", "geometries": [POLYGON]}, [SQUARE]),
        (
            {**POLYGON, "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}},
            [SQUARE],
        ),
        ({**POLYGON, "crs": {"type": "name", "properties": {"name": "EPSG:4326"}}}, [SQUARE]),
    ],
)
def test_polygons_are_read_from_every_kind_that_may_hold_them(item: Any, rings: list[Any]) -> None:
    field = parse(text(item), "field.geojson").shape(HERE)
    assert field.area == pytest.approx(sum(geodesic_m2(ring) for ring in rings), rel=1e-5)


def test_holes_are_not_the_field_and_shared_ground_counts_once() -> None:
    pond = parse(text({"type": "Polygon", "coordinates": [SQUARE, POND]}), "f").shape(HERE)
    assert pond.area == pytest.approx(geodesic_m2(SQUARE) - geodesic_m2(POND), rel=1e-5)
    twice = parse(text({"type": "MultiPolygon", "coordinates": [[SQUARE], [SQUARE]]}), "f").shape(HERE)
    assert twice.area == pytest.approx(geodesic_m2(SQUARE), rel=1e-5)


def test_a_file_with_a_byte_order_mark_is_read(tmp_path: FilePath) -> None:
    file = tmp_path / "field.geojson"
    file.write_bytes(b"\xef\xbb\xbf" + text(POLYGON).encode())
    assert read(file) == Boundary(str(file), ((tuple((x, y) for x, y in SQUARE),),))


BOW_TIE = [[-40.0, 40.0], [-39.999, 40.001], [-39.999, 40.0], [-40.0, 40.001], [-40.0, 40.0]]
OUTSIDE = [[x + 0.01, y] for x, y in POND]


@pytest.mark.parametrize(
    ("item", "complaint"),
    [
        ("{", "field.geojson: is not GeoJSON: Expecting property name"),
        ("[" * 100_000, "is not GeoJSON"),
        ('{"type": "Polygon", "coordinates": [[[NaN, 1], [2, 3], [4, 5]]]}', "NaN is not a number"),
        ("[1, 2]", "must be an object with a type, such as Polygon"),
        ('{"name": "field"}', "must be an object with a type, such as Polygon"),
        (text({"type": "FeatureCollection", "features": []}), "holds no polygon"),
        (text(feature(None)), "holds no polygon"),
        (text({"type": "Point", "coordinates": [1, 2]}), "the file is of type 'Point'"),
        (
            text(
                {"type": "FeatureCollection", "features": [feature(POLYGON), feature({"type": "LineString"})]}
            ),
            "feature 2 is of type 'LineString'",
        ),
        (text({"type": "Topology", "objects": {}}), "is of type 'Topology'"),
        (text({"type": "Polygon"}), r"the file \(Polygon\) has no list of coordinates"),
        (text({"type": "Polygon", "coordinates": []}), "a polygon without rings"),
        (text({"type": "Polygon", "coordinates": [[[1, 2], [3, 4]]]}), "fewer than three corners"),
        (text({"type": "Polygon", "coordinates": [[[1, 2], "x", [3, 4]]]}), 'has the position "x"'),
        (
            text({"type": "Polygon", "coordinates": [[[1, 2], [3, None], [3, 4]]]}),
            r"has the position \[3, null\]",
        ),
        (
            text({"type": "Polygon", "coordinates": [[[1, 2], [True, 1], [3, 4]]]}),
            r"has the position \[true, 1\]",
        ),
        (text({"type": "Polygon", "coordinates": [[[1, 2], [10**400, 1], [3, 4]]]}), "has the position"),
        (
            text({"type": "Polygon", "coordinates": [BOW_TIE]}),
            "polygon 1 is not one: Self-intersection at longitude",
        ),
        (text({"type": "Polygon", "coordinates": [SQUARE, OUTSIDE]}), "Hole lies outside shell"),
        (
            text(
                {
                    "type": "Polygon",
                    "coordinates": [[[500000, 4427757], [500090, 4427757], [500090, 4427868]]],
                }
            ),
            r"\[500000, 4.42776e\+06\] is not in degrees; export the boundary in WGS 84 \(EPSG:4326\)",
        ),
        (
            text({"type": "Polygon", "coordinates": [[[40, -100], [40, -100.1], [40.1, -100.1]]]}),
            r"\[40, -100\] has a latitude beyond 90 degrees: latitude and longitude look swapped",
        ),
        (
            text({**POLYGON, "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}}),
            "coordinate system urn:ogc:def:crs:EPSG::25832, not in WGS 84",
        ),
    ],
)
def test_what_is_no_boundary_is_refused_with_its_reason(item: str, complaint: str) -> None:
    with pytest.raises(UsageError, match=complaint) as refusal:
        parse(item, "field.geojson")
    assert str(refusal.value).startswith("field.geojson: ")


def test_files_that_cannot_be_read_are_refused(tmp_path: FilePath) -> None:
    with pytest.raises(UsageError, match=r"nowhere.geojson: cannot be read: No such file"):
        read(tmp_path / "nowhere.geojson")
    with pytest.raises(UsageError, match="cannot be read"):
        read(tmp_path)
    binary = tmp_path / "field.shp"
    binary.write_bytes(b"\x00\x00\x27\x0a\xff\xfe")
    with pytest.raises(UsageError, match=r"field.shp: is not text in UTF-8; a boundary is a GeoJSON file"):
        read(binary)
    huge = tmp_path / "huge.geojson"
    with huge.open("wb") as file:
        file.truncate(60_000_000)
    with pytest.raises(UsageError, match="larger than 50 MB"):
        read(huge)


def way() -> Path:
    """A run of 120 m eastwards from 0 N 0 E."""
    path = path_of(run(Track().go(60)).columns)
    assert path is not None
    return path


def at(lon: float, lat: float) -> Boundary:
    ring = [[lon + x, lat + y] for x, y in ((0, 0), (0.001, 0), (0.001, 0.001), (0, 0.001))]
    return parse(text({"type": "Polygon", "coordinates": [ring]}), "field.geojson")


def test_a_boundary_near_the_run_is_laid_into_its_plane() -> None:
    field = at(0.005, 0.002).on_the_way(way())  # half a kilometre away
    assert field.area == pytest.approx(111.32 * 110.57, rel=1e-3)


def test_a_boundary_elsewhere_is_refused_with_both_places() -> None:
    with pytest.raises(
        UsageError,
        # hand-worked: sqrt(111.3^2 + 110.6^2) km
        match=r"field.geojson: the boundary is 157 km \(97 mi\) away from the run: its first corner is at "
        r"latitude 1.00000, longitude 1.00000; the run was near latitude 0.00000, longitude 0.00056; give",
    ):
        at(1.0, 1.0).on_the_way(way())
    with pytest.raises(UsageError, match="away from the run"):
        at(179.0, 1.0).on_the_way(way())  # on the other side of the earth


def test_swapped_coordinates_are_named_where_the_run_shows_it() -> None:
    columns = run(Track().go(60)).columns
    moved = replace(columns, lat_deg=columns.lat_deg + 40.0, lon_deg=columns.lon_deg - 40.0)
    path = path_of(moved)
    assert path is not None
    assert at(-40.0, 40.0).on_the_way(path).area > 0
    with pytest.raises(
        UsageError,
        match=r"latitude and longitude are swapped: its first corner is at latitude -40.00000, longitude 40",
    ):
        at(40.0, -40.0).on_the_way(path)


def test_a_run_of_which_no_place_is_known_cannot_be_compared() -> None:
    nowhere = np.full(3, np.nan)
    path = Path(Plane(0, 0), nowhere, nowhere, nowhere, nowhere, nowhere, nowhere)
    with pytest.raises(UsageError, match="where the run was is not known"):
        at(0, 0).on_the_way(path)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.sampled_from(["Polygon", "Feature", "x"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["type", "coordinates", "features", "geometry", "geometries", "crs"]),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)
KINDS = st.sampled_from(
    ["Polygon", "MultiPolygon", "Feature", "FeatureCollection", "GeometryCollection", "Point", 7, None]
)


@given(kind=KINDS, inside=JSON, raw=st.text(max_size=30))
@settings(max_examples=120, deadline=None)
def test_whatever_a_file_holds_it_is_a_boundary_or_a_refusal(kind: Any, inside: Any, raw: str) -> None:
    item = {"type": kind, "coordinates": inside, "features": inside, "geometry": inside, "geometries": inside}
    for given_text in (text(item), text(inside), raw):
        with suppress(UsageError):
            assert parse(given_text, "f").polygons
