"""The run log's file format: one SQLite file per run, version 3.

Raw readings lie in blocks of at most a second, deflated: written row by row they would cost a card more
than twice the bytes, and their checksums show a bit that flipped. Everything computed lies in plain
rows, one table per kind, numbered together by `n` in the order of production.

Columns that hold a float are ANY, not REAL: SQLite stores a REAL -0.0 as the integer 0 and the sign is lost.

Version 1 had no tables of findings and acts, version 2 none of weather: they are read as logs that kept none.

The views that read blocks (reading, reading_text) call sqlar_uncompress(), which the sqlite3 shell and
`RunLog.connection` know; for another connection `add_functions` adds it. All other views need nothing.
"""

import sqlite3
import zlib
from fractions import Fraction
from typing import Final

from rigmon.model import Basis, Flag, Source
from rigmon.units import UNITS

#: "RIGM", at offset 68 of the file
APPLICATION_ID: Final = 0x5249474D
SCHEMA_VERSION: Final = 3
#: of these the oldest that is read, and the oldest that holds findings and acts
OLDEST_VERSION: Final = 1
FINDINGS_VERSION: Final = 2
#: the oldest that holds weather
WEATHER_VERSION: Final = 3
#: Every commit writes whole pages (again into the file at a checkpoint), so small ones wear a card least.
PAGE_BYTES: Final = 512
#: what a run log is called, so that any SQLite tool opens it
SUFFIX: Final = ".sqlite"

_TABLES: Final = """
CREATE TABLE run (
  only INTEGER PRIMARY KEY CHECK (only = 1),
  run_id TEXT NOT NULL,
  source TEXT NOT NULL,       -- 'live' or the name of the recording it was made from
  rig_toml TEXT NOT NULL,     -- the rig file as it was
  rig_sha256 TEXT NOT NULL,   -- of rig_toml in UTF-8
  software TEXT NOT NULL,
  host TEXT NOT NULL,
  boot_id TEXT,
  sqlite TEXT NOT NULL,       -- version of the library that wrote the log
  ended_ns INTEGER,           -- stamp of a clean end; NULL after a cut, and while the run goes on
  ended_why TEXT,
  readings INTEGER            -- how many there are, counted at a clean end
) STRICT;

CREATE TABLE reading_block (
  seq INTEGER PRIMARY KEY,    -- of the first reading; the others follow without a gap
  n INTEGER NOT NULL,         -- readings in the block
  t_ns INTEGER NOT NULL,      -- stamp of the first reading [ns since the run's start]
  end_ns INTEGER NOT NULL,    -- stamp of the last reading
  crc INTEGER NOT NULL,       -- CRC-32 of 'seq n t_ns end_ns ' and the text, going on from the block before
  size INTEGER NOT NULL,      -- bytes of text
  body BLOB NOT NULL          -- the text by zlib, or as it is where that is not shorter: a JSON array of
                              -- [ns after t_ns, source, line as text (one character per byte) or [kind, ...]]
) STRICT;

CREATE TABLE sample (
  n INTEGER PRIMARY KEY,
  t_ns INTEGER NOT NULL,      -- the sample covers (t_ns - dt_ns, t_ns]
  dt_ns INTEGER NOT NULL,
  lat_deg ANY,
  lon_deg ANY,
  track_deg ANY,
  speed_m_s ANY,
  speed_sd_m_s ANY,
  flow_l_min ANY,
  pressure_kpa ANY,
  boom_on INTEGER,
  rate_l_ha ANY,
  rate_u_pct ANY,             -- expanded uncertainty of the rate, k = 2
  basis INTEGER NOT NULL,
  distance_m ANY,
  area_m2 ANY,
  volume_l ANY,
  flags INTEGER NOT NULL
) STRICT;

CREATE TABLE alert (
  n INTEGER PRIMARY KEY,
  t_ns INTEGER NOT NULL,
  code TEXT NOT NULL,
  raised INTEGER NOT NULL,    -- 1 raised, 0 cleared
  value ANY,
  "limit" ANY,
  unit TEXT NOT NULL
) STRICT;

CREATE TABLE anchor (
  n INTEGER PRIMARY KEY,
  t_ns INTEGER NOT NULL,
  utc_ms INTEGER              -- unix time; NULL: the receiver's date is not believable
) STRICT;
CREATE INDEX anchor_by_time ON anchor (t_ns) WHERE utc_ms IS NOT NULL;

CREATE TABLE tally (
  n INTEGER PRIMARY KEY,
  t_ns INTEGER NOT NULL,
  name TEXT NOT NULL,
  counted INTEGER NOT NULL    -- since the last tally of that name
) STRICT;

CREATE TABLE finding (        -- what the sensors say together; it lasts until the alert of its code clears
  n INTEGER PRIMARY KEY,
  code TEXT NOT NULL,
  t_ns INTEGER NOT NULL,      -- when it was found
  since_ns INTEGER NOT NULL,  -- when it began, as estimated
  change_pct ANY,             -- of flow over the root of the pressure, of the speed, or of the one sensor
  change_u_pct ANY,           -- expanded uncertainty of it, k = 2
  flow_change_pct ANY,
  pressure_change_pct ANY,
  sharp INTEGER,              -- 1 within seconds, 0 over minutes
  nozzles INTEGER,            -- plugged, of all
  confidence ANY,             -- probability of that number, 0 to 1
  flow_l_min ANY              -- what the boom now gives at the calibrated pressure
) STRICT;

CREATE TABLE act (            -- what people did during the run
  n INTEGER PRIMARY KEY,
  t_ns INTEGER NOT NULL,
  kind TEXT NOT NULL,         -- note, refill, acknowledge, begin_run, end_run, retarget
  text TEXT NOT NULL,         -- the note; the alert's code; why the run was ended; the record's name
  volume_l ANY,               -- of a refill: added; NULL: not measured
  "full" INTEGER              -- of a refill: 1 filled to what the tank holds
) STRICT;

CREATE TABLE weather (        -- about once a second, where the rig has a sensor of wind or air
  n INTEGER PRIMARY KEY,
  t_ns INTEGER NOT NULL,
  wind_m_s ANY,               -- over the ground, the newest reading
  wind_from_deg ANY,          -- where it comes from, clockwise from true north
  apparent_wind_m_s ANY,      -- as felt on the moving rig
  apparent_angle_deg ANY,     -- clockwise from the bow
  wind_2min_m_s ANY,          -- scalar mean; over less time where there is not enough yet
  wind_2min_from_deg ANY,     -- of the vector mean
  wind_10min_m_s ANY,
  wind_10min_from_deg ANY,
  gust_m_s ANY,               -- highest mean of 3 s in 10 min
  wind_span_s ANY,            -- how far back the 10 min mean and the gust reach
  air_temperature_c ANY,
  humidity_pct ANY,           -- relative
  dew_point_c ANY,            -- as the station states it
  air_pressure_kpa ANY
) STRICT;

CREATE TABLE loss (
  id INTEGER PRIMARY KEY,
  what TEXT NOT NULL,         -- 'readings' or 'outputs' (the latter can be computed again)
  first INTEGER NOT NULL,     -- seq of the first reading lost, n of the first output lost
  last INTEGER NOT NULL,
  lost INTEGER NOT NULL,
  from_ns INTEGER NOT NULL,
  to_ns INTEGER NOT NULL,
  why TEXT NOT NULL
) STRICT;
"""


def _literal(value: Fraction) -> str:
    """A conversion factor as SQL: digits that read back to the same float."""
    return repr(float(value))


def _in(column: str, dimension: str, unit: str, alias: str) -> str:
    """A carried column in another unit."""
    carried = UNITS[dimension][unit]
    return f"s.{column} / {_literal(carried)} AS {alias}"


def _words(column: str, kind: type[Basis] | type[Source]) -> str:
    """An enumerated column as its names."""
    cases = " ".join(f"WHEN {int(member)} THEN '{member.name.lower()}'" for member in kind)
    return f"CASE {column} {cases} ELSE {column} END"


def _flag_words(column: str) -> str:
    """A flags column as the names of the flags that are set."""
    cases = " || ".join(
        f"CASE WHEN {column} & {int(flag)} THEN '{(flag.name or '').lower()} ' ELSE '' END" for flag in Flag
    )
    return f"rtrim({cases})"


def _utc(t_ns: str) -> str:
    """UTC at a stamp, by the nearest believable GPS time before it, else the first after it."""
    from_anchor = f"SELECT utc_ms + ({t_ns} - t_ns) / 1000000 FROM anchor WHERE utc_ms IS NOT NULL"
    return (
        f"strftime('%Y-%m-%dT%H:%M:%fZ', coalesce("
        f"({from_anchor} AND t_ns <= {t_ns} ORDER BY t_ns DESC LIMIT 1), "
        f"({from_anchor} ORDER BY t_ns LIMIT 1)) / 1000.0, 'unixepoch')"
    )


def _sample_view(name: str, *quantities: str) -> str:
    columns = ",\n  ".join(
        (
            "s.t_ns / 1e9 AS t_s",
            f"{_utc('s.t_ns')} AS utc",
            "s.dt_ns / 1e9 AS dt_s",
            "s.lat_deg",
            "s.lon_deg",
            "s.track_deg",
            "s.boom_on",
            *quantities,
            "s.rate_u_pct",
            f"{_words('s.basis', Basis)} AS flow_basis",
            f"{_flag_words('s.flags')} AS flags",
        )
    )
    return f"CREATE VIEW {name} AS SELECT\n  {columns}\nFROM sample AS s ORDER BY s.n;\n"


_READING_VIEWS: Final = f"""
CREATE VIEW reading AS SELECT
  b.seq + j.key AS seq,
  b.t_ns + json_extract(j.value, '$[0]') AS t_ns,
  json_extract(j.value, '$[1]') AS source,
  iif(json_type(j.value, '$[2]') = 'text', 'line', json_extract(j.value, '$[2][0]')) AS kind,
  json_extract(j.value, '$[2]') AS payload
FROM reading_block AS b, json_each(CAST(sqlar_uncompress(b.body, b.size) AS TEXT)) AS j;

CREATE VIEW reading_text AS SELECT
  r.seq, r.t_ns / 1e9 AS t_s, {_utc("r.t_ns")} AS utc, {_words("r.source", Source)} AS source, r.kind,
  r.payload AS text
FROM reading AS r;
"""

_OTHER_VIEWS: Final = f"""
CREATE VIEW alert_list AS SELECT
  r.code,
  r.t_ns / 1e9 AS raised_s,
  {_utc("r.t_ns")} AS raised_utc,
  c.t_ns / 1e9 AS cleared_s,
  (c.t_ns - r.t_ns) / 1e9 AS lasted_s,
  r.value,
  r."limit" AS limit_value,
  r.unit,
  (SELECT min(a.t_ns) FROM act AS a WHERE a.kind = 'acknowledge' AND a.text = r.code AND a.n > r.n
    AND a.n < coalesce(c.n, a.n + 1)) / 1e9 AS acknowledged_s
FROM alert AS r
LEFT JOIN alert AS c ON c.n = (SELECT min(x.n) FROM alert AS x WHERE x.n > r.n AND x.code = r.code)
  AND NOT c.raised
WHERE r.raised ORDER BY r.n;

CREATE VIEW finding_list AS SELECT
  f.code,
  f.t_ns / 1e9 AS found_s,
  {_utc("f.t_ns")} AS found_utc,
  f.since_ns / 1e9 AS since_s,
  {_utc("f.since_ns")} AS since_utc,
  f.change_pct,
  f.change_u_pct,
  f.flow_change_pct,
  f.pressure_change_pct,
  f.sharp,
  f.nozzles,
  100 * f.confidence AS nozzles_confidence_pct,
  f.flow_l_min AS boom_flow_l_min,
  f.flow_l_min / {_literal(UNITS["flow"]["gal/min"])} AS boom_flow_gal_min
FROM finding AS f ORDER BY f.n;

CREATE VIEW act_list AS SELECT
  a.t_ns / 1e9 AS t_s,
  {_utc("a.t_ns")} AS utc,
  a.kind,
  a.text,
  a.volume_l,
  a.volume_l / {_literal(UNITS["volume"]["gal"])} AS volume_gal,
  a."full" AS filled_to_the_top
FROM act AS a ORDER BY a.n;

CREATE VIEW tally_total AS SELECT name, sum(counted) AS counted FROM tally GROUP BY name ORDER BY name;

CREATE VIEW run_summary AS
WITH
  total AS (SELECT
    count(*) AS samples,
    sum(distance_m) AS distance_m,
    sum(iif(boom_on = 1, area_m2, NULL)) AS area_m2,
    sum(iif(boom_on = 1, volume_l, NULL)) AS volume_l,
    sum(iif(boom_on = 1 AND area_m2 IS NOT NULL, volume_l, NULL)) AS rated_l,
    sum(iif(boom_on = 1 AND volume_l IS NOT NULL, area_m2, NULL)) AS rated_m2,
    coalesce(sum(iif(boom_on = 1, dt_ns, 0)), 0) / 1e9 AS boom_on_s,
    coalesce(sum(iif(boom_on IS NULL OR area_m2 IS NULL OR volume_l IS NULL, dt_ns, 0)), 0) / 1e9 AS unknown_s
  FROM sample),
  raw AS (SELECT coalesce(sum(n), 0) AS readings FROM reading_block)
SELECT
  run.run_id, run.source, run.software, run.host,
  {_utc("0")} AS started_utc,
  coalesce(run.ended_ns, (SELECT end_ns FROM reading_block ORDER BY seq DESC LIMIT 1)) / 1e9 AS duration_s,
  run.ended_ns IS NOT NULL AS ended_cleanly,
  run.ended_why,
  raw.readings,
  total.samples,
  (SELECT count(*) FROM alert WHERE raised) AS alerts,
  (SELECT coalesce(sum(lost), 0) FROM loss WHERE what = 'readings') AS readings_lost,
  total.boom_on_s,
  total.unknown_s,
  total.distance_m / 1000 AS distance_km,
  total.distance_m / {_literal(UNITS["length"]["mi"])} AS distance_mi,
  total.area_m2 / {_literal(UNITS["area"]["ha"])} AS treated_ha,
  total.area_m2 / {_literal(UNITS["area"]["ac"])} AS treated_ac,
  total.volume_l AS applied_l,
  total.volume_l / {_literal(UNITS["volume"]["gal"])} AS applied_gal,
  iif(total.rated_m2 > 0, total.rated_l / (total.rated_m2 / {_literal(UNITS["area"]["ha"])}), NULL)
    AS mean_rate_l_ha,
  iif(total.rated_m2 > 0, total.rated_l / {_literal(UNITS["volume"]["gal"])}
    / (total.rated_m2 / {_literal(UNITS["area"]["ac"])}), NULL) AS mean_rate_gal_ac
FROM run, total, raw;
"""

_WINDS: Final = ("wind", "apparent_wind", "wind_2min", "wind_10min", "gust")


def _weather_view(name: str, unit: str, suffix: str, *air: str) -> str:
    factor = _literal(UNITS["speed"][unit])
    speeds = {wind: f"w.{wind}_m_s / {factor} AS {wind}_{suffix}" for wind in _WINDS}
    columns = ",\n  ".join(
        (
            "w.t_ns / 1e9 AS t_s",
            f"{_utc('w.t_ns')} AS utc",
            speeds["wind"],
            "w.wind_from_deg",
            speeds["wind_2min"],
            "w.wind_2min_from_deg",
            speeds["wind_10min"],
            "w.wind_10min_from_deg",
            speeds["gust"],
            "w.wind_span_s",
            speeds["apparent_wind"],
            "w.apparent_angle_deg",
            *air,
            "w.humidity_pct",
        )
    )
    return f"CREATE VIEW {name} AS SELECT\n  {columns}\nFROM weather AS w ORDER BY w.n;\n"


DDL: Final = "".join(
    (
        _TABLES,
        _READING_VIEWS,
        _OTHER_VIEWS,
        _sample_view(
            "sample_us",
            _in("speed_m_s", "speed", "mph", "speed_mph"),
            _in("speed_sd_m_s", "speed", "mph", "speed_sd_mph"),
            _in("flow_l_min", "flow", "gal/min", "flow_gal_min"),
            _in("pressure_kpa", "pressure", "psi", "pressure_psi"),
            _in("rate_l_ha", "rate", "gal/ac", "rate_gal_ac"),
            _in("distance_m", "length", "ft", "distance_ft"),
            _in("area_m2", "area", "ac", "area_ac"),
            _in("volume_l", "volume", "gal", "volume_gal"),
        ),
        _sample_view(
            "sample_metric",
            _in("speed_m_s", "speed", "km/h", "speed_km_h"),
            _in("speed_sd_m_s", "speed", "km/h", "speed_sd_km_h"),
            "s.flow_l_min",
            "s.pressure_kpa",
            _in("pressure_kpa", "pressure", "bar", "pressure_bar"),
            "s.rate_l_ha",
            "s.distance_m",
            "s.area_m2",
            "s.volume_l",
        ),
        _weather_view(
            "weather_us",
            "mph",
            "mph",
            "w.air_temperature_c * 1.8 + 32 AS air_temperature_f",
            "w.dew_point_c * 1.8 + 32 AS dew_point_f",
            f"w.air_pressure_kpa / {_literal(UNITS['air pressure']['inHg'])} AS air_pressure_inhg",
        ),
        _weather_view(
            "weather_metric",
            "km/h",
            "km_h",
            "w.air_temperature_c",
            "w.dew_point_c",
            "w.air_pressure_kpa * 10 AS air_pressure_hpa",
        ),
    )
)


def inflate(body: bytes, size: int) -> bytes:
    """The text of a block: what the sqlite3 shell calls sqlar_uncompress(). Raises zlib.error."""
    return body if len(body) == size else zlib.decompress(body)


def add_functions(connection: sqlite3.Connection) -> None:
    """Teach a connection what the views reading and reading_text need."""
    connection.create_function("sqlar_uncompress", 2, inflate, deterministic=True)
