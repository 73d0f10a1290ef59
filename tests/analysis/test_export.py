"""Every export, opened again with a reader that rigmon does not write with, and compared with the run."""

import csv
import json
import math
import sqlite3
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas
import gpxpy
import pyarrow.parquet
import pyogrio
import pytest
from hand_made import Track, run
from hypothesis import given, settings
from hypothesis import strategies as st

from rigmon.analysis.export import FORMATS, export
from rigmon.analysis.export.gpx import NAMESPACE
from rigmon.analysis.export.table import flag_words
from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import Ground
from rigmon.analysis.utc import iso, utc_ms
from rigmon.errors import UsageError
from rigmon.model import Anchor, Flag

#: 2026-06-01 14:30:00 UTC: (20605 days x 24 + 14.5) h
START_MS = (20605 * 24 * 3600 + 14 * 3600 + 30 * 60) * 1000


def driven() -> RunData:
    """60 s as they should be, 20 s too slow, 10 s without a fix, 10 s boom off, 20 s."""
    track = Track().go(60).go(20, speed=1.6).go(10, gps=False).go(10, boom=0).go(20)
    return run([*track.samples, Anchor(1_000_000_000, START_MS + 1000)])


def test_csv_by_the_standard_library(tmp_path: Path) -> None:
    data = driven()
    assert export(data, tmp_path / "a.csv") == "csv"
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(data.columns)
    assert rows[0]["utc"] == "2026-06-01T14:30:01.000Z"
    assert [float(row["speed_m_s"]) for row in rows[:60]] == pytest.approx([2.0] * 60)
    assert {row["speed_m_s"] for row in rows[80:90]} == {""}  # unknown is empty
    assert {row["flags"] for row in rows[80:90]} == {"gps_stale"}
    assert math.fsum(float(row["volume_l"]) for row in rows) == pytest.approx(data.columns.volume_l.sum())
    assert [row["ground"] for row in rows[::20]] == ["in", "in", "in", "over", "unknown", "in"]


def test_csv_in_us_units_says_so_in_each_name(tmp_path: Path) -> None:
    export(driven(), tmp_path / "a.csv", system="us")
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        row = next(csv.DictReader(file))
    # 2 m/s / 0.44704 = 4.47387 mph; 6 L/min / 3.785411784 = 1.58503 gal/min; 100 / 9.353956 = 10.69066 gal/ac
    assert float(row["speed_mph"]) == pytest.approx(4.47387, abs=1e-5)
    assert float(row["flow_gal_min"]) == pytest.approx(1.58503, abs=1e-5)
    assert float(row["dose_gal_ac"]) == pytest.approx(10.69066, abs=1e-5)
    assert not any(name.endswith(("_m_s", "_l_min", "_kpa", "_l_ha", "_m", "_m2", "_l")) for name in row)


def test_geojson_by_gdal(tmp_path: Path) -> None:
    data = driven()
    path = tmp_path / "a.geojson"
    export(data, path)
    frame = pyogrio.read_dataframe(path)
    assert frame.crs.to_epsg() == 4326
    assert set(frame.geom_type) == {"LineString"}
    assert set(frame["ground"]) == {"in", "over", "nothing"}
    over = frame[frame["ground"] == "over"]
    assert over["dose_l_ha"].tolist() == pytest.approx([125.0, 125.0])
    # the lengths on the ellipsoid are the distances driven; without the first second, before the first fix
    metric = frame.to_crs(frame.estimate_utm_crs())
    assert metric.length.sum() == pytest.approx(frame["distance_m"].sum(), rel=2e-3)
    assert frame["distance_m"].sum() == pytest.approx((59 + 10 + 20) * 2 + 20 * 1.6, abs=4.1)
    text = json.loads(path.read_text())
    assert "crs" not in text
    west, south, east, north = text["bbox"]
    assert (west <= east, south <= north) == (True, True)
    for feature in text["features"]:
        for lon, lat in feature["geometry"]["coordinates"]:
            assert (round(lon, 7), round(lat, 7)) == (lon, lat)


@pytest.mark.parametrize("eastward", [True, False])
def test_no_line_crosses_the_antimeridian(eastward: bool, tmp_path: Path) -> None:
    track = Track()
    track.x_m = 179.9995 * 111319.49079327358
    samples = [
        s if s.lon_deg is None or s.lon_deg <= 180 else s._replace(lon_deg=s.lon_deg - 360)
        for s in track.go(60).samples
    ]
    if not eastward:
        samples = [
            s._replace(lon_deg=other.lon_deg) for s, other in zip(samples, reversed(samples), strict=True)
        ]
    data = run(samples)
    path = tmp_path / "a.geojson"
    export(data, path)
    collection = json.loads(path.read_text())
    assert collection["bbox"][0] > collection["bbox"][2]  # RFC 7946, 5.2
    lines = []
    for feature in collection["features"]:
        many = feature["geometry"]["type"] == "MultiLineString"
        coordinates = feature["geometry"]["coordinates"]
        lines += coordinates if many else [coordinates]
    assert {lon > 0 for line in lines for lon, _ in line} == {True, False}
    assert all(abs(a[0] - b[0]) < 1 for line in lines for a, b in pairwise(line))
    assert {abs(line[end][0]) for line in lines for end in (0, -1)} & {180.0}
    # nothing is counted twice or left out: 59 s between the first fix and the last, 0.1 L/s
    volume = sum(feature["properties"]["volume_l"] for feature in collection["features"])
    assert volume == pytest.approx(5.9)
    export(data, tmp_path / "a.gpkg")
    track_layer = geopandas.read_file(tmp_path / "a.gpkg", layer="track")
    assert track_layer["volume_l"].sum() == pytest.approx(5.9)
    assert (track_layer.explode().bounds.eval("maxx - minx") < 1).all()


def test_geopackage_by_geopandas_and_plain_sqlite(tmp_path: Path) -> None:
    data = driven()
    path = tmp_path / "a.gpkg"
    export(data, path)
    assert set(pyogrio.list_layers(path)[:, 0]) == {"samples", "track", "columns"}
    samples = geopandas.read_file(path, layer="samples")
    assert len(samples) == int(data.columns.position_known.sum())
    assert samples["dose_l_ha"].iloc[10] == pytest.approx(100)
    track = geopandas.read_file(path, layer="track")
    assert track["volume_l"].sum() == pytest.approx(data.columns.volume_l[1:80].sum() + 2.0, abs=0.2)
    with sqlite3.connect(path) as connection:
        # OGC 12-128r19, requirement 2
        assert connection.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        units = dict(connection.execute('SELECT "column", unit FROM columns'))
    connection.close()
    assert units["dose_l_ha"] == "L/ha"


def test_parquet_by_pyarrow_with_its_units(tmp_path: Path) -> None:
    data = driven()
    export(data, tmp_path / "a.parquet", system="us")
    table = pyarrow.parquet.read_table(tmp_path / "a.parquet")
    assert table.num_rows == len(data.columns)
    assert table.schema.field("speed_mph").metadata[b"unit"] == b"mph"
    assert table.column("speed_mph").null_count == 10
    gallons = math.fsum(v or 0.0 for v in table.column("volume_gal").to_pylist())
    assert gallons == pytest.approx(data.columns.volume_l.sum() / 3.785411784)


def test_gpx_by_gpxpy(tmp_path: Path) -> None:
    data = driven()
    export(data, tmp_path / "a.gpx")
    document = gpxpy.parse((tmp_path / "a.gpx").read_text())
    (track,) = document.tracks
    assert len(track.segments) == 2  # parted by the gap
    points = [point for segment in track.segments for point in segment.points]
    assert len(points) == int(data.columns.position_fresh.sum())
    assert points[0].time is not None
    assert points[0].time.isoformat().startswith("2026-06-01T14:30:01")
    told = {element.tag: element.text for element in points[70].extensions}
    assert told[f"{{{NAMESPACE}}}ground"] == "over"
    assert float(told[f"{{{NAMESPACE}}}dose_l_ha"] or "nan") == pytest.approx(125, rel=1e-3)
    assert document.length_2d() == pytest.approx(data.columns.distance_m[:80].sum() + 60, rel=0.03)


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize(
    "samples", [Track(), Track().go(5), Track().go(5, gps=False)], ids=["none", "few", "lost"]
)
def test_the_least_of_runs_can_be_exported(name: str, samples: Track, tmp_path: Path) -> None:
    path = tmp_path / f"a{FORMATS[name].suffixes[0]}"
    assert export(run(samples), path) == name
    assert path.stat().st_size > 0
    assert [file.name for file in tmp_path.iterdir()] == [path.name]


def test_what_cannot_be_written_is_refused_and_nothing_is_overwritten(tmp_path: Path) -> None:
    there = tmp_path / "a.csv"
    there.write_text("mine")
    for path, name, words in (
        (there, None, "is there already"),
        (tmp_path / "a.xyz", None, "names no format"),
        (tmp_path / "no" / "a.csv", None, "is not a folder"),
    ):
        with pytest.raises(UsageError, match=words):
            export(run(Track().go(5)), path, name)
    assert there.read_text() == "mine"


def test_a_library_that_is_missing_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.delitem(sys.modules, "rigmon.analysis.export.gpx")
    monkeypatch.setitem(sys.modules, "gpxpy.gpx", None)
    with pytest.raises(UsageError, match=r"gpx: needs gpxpy.* pip install 'rigmon\[export\]'"):
        export(run(Track().go(5)), tmp_path / "a.gpx")
    assert list(tmp_path.iterdir()) == []


# -- time ----------------------------------------------------------------------------------------------------


def test_wall_time_follows_the_newest_anchor() -> None:
    second = 1_000_000_000
    anchors = [
        Anchor(10 * second, START_MS),
        Anchor(20 * second, None),
        Anchor(30 * second, START_MS + 25_000),
    ]
    times = utc_ms(anchors, Ground(run(Track().go(40))).columns.t_ns)
    assert times[9] == START_MS
    assert times[0] == START_MS - 9000
    assert [math.isnan(times[k]) for k in (18, 19, 28, 29)] == [False, True, True, False]
    assert times[29] == START_MS + 25_000
    assert all(math.isnan(ms) for ms in utc_ms([], Ground(run(Track().go(3))).columns.t_ns))


@settings(max_examples=50)
@given(st.floats(allow_nan=True, allow_infinity=True))
def test_any_time_is_written_or_unknown(ms: float) -> None:
    text: Any = iso(ms)
    assert text is None or text.endswith("Z")


def test_flags_in_words() -> None:
    assert flag_words(0) == ""
    assert flag_words(int(Flag.GPS_STALE | Flag.INPUT_LOST)) == "gps_stale input_lost"
    assert flag_words(1 << 40).strip() != ""
