"""A run in the formats of the tools that people have already.

table     one row a sample, in carried or US units: what CSV and Parquet hold
track     the way in pieces of one kind, with their dose: what GeoJSON and GeoPackage hold as lines
csv_file  geojson  gpx  geopackage  parquet    one format each: write(exported, path)
"""

from rigmon.analysis.export.kinds import FORMATS, export

__all__ = ["FORMATS", "export"]
