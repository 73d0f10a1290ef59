"""The views: unit-bearing columns for a person at a SQL prompt. The sums are hand-worked."""

import shutil
import sqlite3
import subprocess

import pytest
from log_cases import HEADER

from rigmon.log.reader import RunLog
from rigmon.log.schema import add_functions
from rigmon.log.writer import RunLogWriter
from rigmon.model import (
    Alert,
    Anchor,
    Flag,
    NmeaLine,
    PulseCount,
    Reading,
    Sample,
    Source,
    Tally,
    Tick,
)

S = 1_000_000_000

# Two seconds with the boom on, one with it off, one with nothing known.
_SAMPLES = [
    Sample(1 * S, S, 38.9, -94.7, 90.0, 2.0, 0.05, 12.0, 200.0, 1, 100.0, 4.0, 1, 2.0, 10.0, 0.1, 0),
    Sample(2 * S, S, 38.9, -94.7, 90.0, 2.0, 0.05, 12.0, 200.0, 1, 200.0, 4.0, 2, 2.0, 10.0, 0.3, 0),
    Sample(3 * S, S, 38.9, -94.7, 90.0, 2.0, 0.05, 0.0, 200.0, 0, None, None, 1, 2.0, 0.0, 0.0, 32),
    Sample(
        4 * S, S, None, None, None, None, None, None, None, None, None, None, 0, None, None, None,
        int(Flag.GPS_STALE | Flag.FLOW_STALE),
    ),
]  # fmt: skip


@pytest.fixture
def path(tmp_path):
    """A short invented run."""
    path = tmp_path / "run.sqlite"
    with RunLogWriter(path, HEADER, commit_by_time_ns=S) as log:
        log.reading(Reading(0, 0, Source.GPS, NmeaLine(b"$GPRMC,,V*00")))
        log.reading(Reading(1, 250_000_000, Source.FLOW, PulseCount(7, None, 0)))
        log.reading(Reading(2, 4 * S, Source.HUB, Tick()))
        log.reading(Reading(3, 4 * S, Source.GPS, NmeaLine(b"\xff\xfe")))
        log.outputs(
            [
                Anchor(S // 2, None),
                Anchor(S, 1_781_424_601_000),  # 2026-06-14T08:10:01Z (date -u -d @1781424601)
                *_SAMPLES[:2],
                Alert(2 * S, "pressure_loss", True, 120.0, 190.0, "kPa"),
                Alert(2 * S, "gps_lost", True, 1.5, 1.0, "s"),
                _SAMPLES[2],
                Alert(3 * S + S // 2, "pressure_loss", False, 195.0, 190.0, "kPa"),
                Tally(3 * S, "sentence", 4),
                _SAMPLES[3],
                Anchor(4 * S, 1_781_424_604_250),  # the GPS says 0.25 s more have gone by than the clock
                Alert(4 * S, "pressure_loss", True, 100.0, 190.0, "kPa"),
                Tally(4 * S, "sentence", 3),
            ]
        )
        log.close(5 * S, "done")
    return path


@pytest.fixture
def rows(path):
    with RunLog.open(path) as log:
        log.connection.row_factory = sqlite3.Row

        def _rows(view):
            return [dict(row) for row in log.connection.execute(f"SELECT * FROM {view}")]

        yield _rows


def test_the_run_in_one_row(rows):
    (row,) = rows("run_summary")
    # time: start 1 s before the first believable anchor; boom on 2 s; 1 s unknown
    assert row["started_utc"] == "2026-06-14T08:10:00.000Z"
    assert (row["duration_s"], row["ended_cleanly"], row["ended_why"]) == (5.0, 1, "done")
    assert (row["readings"], row["samples"], row["alerts"], row["readings_lost"]) == (4, 4, 3, 0)
    assert (row["boom_on_s"], row["unknown_s"]) == (2.0, 1.0)
    # 2 + 2 + 2 m; 10 + 10 m2; 0.1 + 0.3 L
    assert row["distance_km"] == pytest.approx(0.006)
    assert row["distance_mi"] == pytest.approx(6 / 1609.344)
    assert row["treated_ha"] == pytest.approx(0.002)
    assert row["treated_ac"] == pytest.approx(20 / 4046.8564224)
    assert row["applied_l"] == pytest.approx(0.4)
    assert row["applied_gal"] == pytest.approx(0.4 / 3.785411784)
    # 0.4 L on 0.002 ha = 200 L/ha; 1 gal/ac = 9.353956228956 L/ha
    assert row["mean_rate_l_ha"] == pytest.approx(200.0)
    assert row["mean_rate_gal_ac"] == pytest.approx(200 / 9.353956228956)


# NIST SP 811 (2008), B.8: mph 0.44704 m/s, psi 6.894757 kPa, US gal 3.785412 L, ft 0.3048 m
def test_samples_in_us_units(rows):
    first, second, third, fourth = rows("sample_us")
    assert first["t_s"] == 1.0
    assert first["utc"] == "2026-06-14T08:10:01.000Z"
    assert first["speed_mph"] == pytest.approx(2 / 0.44704)
    assert first["flow_gal_min"] == pytest.approx(12 / 3.785411784)
    assert first["pressure_psi"] == pytest.approx(200 / 6.894757, rel=1e-6)
    assert first["rate_gal_ac"] == pytest.approx(100 / 9.353956228956)
    assert first["distance_ft"] == pytest.approx(2 / 0.3048)
    assert first["area_ac"] == pytest.approx(10 / 4046.8564224)
    assert first["volume_gal"] == pytest.approx(0.1 / 3.785411784)
    assert [row["flow_basis"] for row in (first, second, third, fourth)] == [
        "flowmeter",
        "pressure",
        "flowmeter",
        "none",
    ]
    assert [row["flags"] for row in (first, third, fourth)] == ["", "below_min_speed", "gps_stale flow_stale"]
    assert third["rate_gal_ac"] is None
    assert fourth["speed_mph"] is None
    # by the anchor before it, not by the first: 4 s of our clock, 4.25 s of GPS time
    assert fourth["utc"] == "2026-06-14T08:10:04.250Z"


def test_samples_in_metric_units(rows):
    first = rows("sample_metric")[0]
    assert first["speed_km_h"] == pytest.approx(7.2)  # 2 m/s x 3.6
    assert (first["rate_l_ha"], first["flow_l_min"], first["area_m2"]) == (100.0, 12.0, 10.0)
    assert (first["pressure_kpa"], first["pressure_bar"]) == (200.0, 2.0)


def test_alerts_with_their_ends(rows):
    assert [
        (r["code"], r["raised_s"], r["cleared_s"], r["lasted_s"], r["value"], r["limit_value"], r["unit"])
        for r in rows("alert_list")
    ] == [
        ("pressure_loss", 2.0, 3.5, 1.5, 120.0, 190.0, "kPa"),
        ("gps_lost", 2.0, None, None, 1.5, 1.0, "s"),
        ("pressure_loss", 4.0, None, None, 100.0, 190.0, "kPa"),
    ]
    assert rows("alert_list")[0]["raised_utc"] == "2026-06-14T08:10:02.000Z"


def test_tallies_add_up(rows):
    assert rows("tally_total") == [{"name": "sentence", "counted": 7}]


_TEXT = [
    (0, 0.0, "2026-06-14T08:10:00.000Z", "gps", "line", "$GPRMC,,V*00"),
    (1, 0.25, "2026-06-14T08:10:00.250Z", "flow", "pulses", '["pulses",7,null,0]'),
    (2, 4.0, "2026-06-14T08:10:04.250Z", "hub", "tick", '["tick"]'),
    (3, 4.0, "2026-06-14T08:10:04.250Z", "gps", "line", "\xff\xfe"),
]


def test_readings_as_text(path):
    with RunLog.open(path) as log:
        assert log.connection.execute("SELECT * FROM reading_text").fetchall() == _TEXT
        rows = log.connection.execute("SELECT seq, t_ns, source, kind FROM reading").fetchall()
        assert rows == [
            (r.seq, r.t_ns, int(r.source), text[4]) for r, text in zip(log.readings(), _TEXT, strict=True)
        ]


def test_another_connection_can_be_taught(path):
    connection = sqlite3.connect(path)
    add_functions(connection)
    assert connection.execute("SELECT text FROM reading_text WHERE seq = 0").fetchone() == ("$GPRMC,,V*00",)
    connection.close()


def test_the_sqlite3_shell_shows_every_view(path):
    shell = shutil.which("sqlite3")
    if shell is None:
        pytest.skip("the sqlite3 shell is not installed")
    for view in (
        "run_summary",
        "sample_us",
        "sample_metric",
        "alert_list",
        "tally_total",
        "reading",
        "reading_text",
    ):
        done = subprocess.run(
            [shell, "-json", path, f"SELECT * FROM {view}"], capture_output=True, check=True
        )
        assert done.stderr == b""
        assert done.stdout.startswith(b"[{")
