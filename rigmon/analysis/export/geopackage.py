"""GeoPackage (OGC 12-128r19) by GDAL: `samples` that have a place as points, `track` as lines, `columns` with
the units."""

from pathlib import Path

import geopandas
import pandas
import pyogrio
from shapely.geometry import LineString, MultiLineString

from rigmon.analysis.export.kinds import Exported
from rigmon.analysis.export.table import columns_of
from rigmon.analysis.export.track import Place, cut_at_the_antimeridian, pieces

_WGS84 = "EPSG:4326"


def write(exported: Exported, path: Path) -> None:
    columns = columns_of(exported.run, exported.ground, exported.system)
    table = pandas.DataFrame({column.name: column.values for column in columns})
    points = geopandas.GeoDataFrame(
        table, geometry=geopandas.points_from_xy(table["lon_deg"], table["lat_deg"]), crs=_WGS84
    )
    points = points[table["lat_deg"].notna()]
    pyogrio.write_dataframe(points, path, layer="samples", driver="GPKG", geometry_type="Point")
    made = pieces(exported.run, exported.ground)
    if made:
        lines = geopandas.GeoDataFrame(
            [piece.properties for piece in made],
            geometry=[_line(cut_at_the_antimeridian(piece.places)) for piece in made],
            crs=_WGS84,
        )
        pyogrio.write_dataframe(lines, path, layer="track", driver="GPKG", append=False)
    about = pandas.DataFrame(
        [(c.name, c.unit, c.about) for c in columns], columns=["column", "unit", "about"]
    )
    pyogrio.write_dataframe(about, path, layer="columns", driver="GPKG", append=False)


def _line(parts: list[list[Place]]) -> LineString | MultiLineString:
    return LineString(parts[0]) if len(parts) == 1 else MultiLineString(parts)
