"""What goes into a run log comes out of it: bit for bit, in order, by both ways of writing."""

import math
import sqlite3
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from log_cases import HEADER, bits, line, outputs, reading_lists, sample

from rigmon.errors import LogError
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import Alert, Anchor, NmeaLine, Reading, Sample, Source, Tally


@dataclass
class _Made:
    path: object
    faults: list


@pytest.fixture
def write(tmp_path):
    """Write a log with a clean end, live or flat out."""
    made = []

    def _write(readings, outputs=(), *, live=False, **options):
        path = tmp_path / f"{len(made)}.sqlite"
        made.append(path)
        faults = []
        if not live:
            options.setdefault("commit_by_time_ns", 10**9)
        with RunLogWriter(path, HEADER, faults.append, **options) as log:
            for reading in readings:
                log.reading(reading)
            log.outputs(outputs)
            log.close(99_000_000_000, "done")
        return _Made(path, faults)

    return _write


@pytest.mark.parametrize("live", [False, True], ids=["flat out", "live"])
@given(readings=reading_lists(), made=st.lists(outputs, max_size=12))
def test_everything_comes_back(run_folders, live, readings, made):
    path = Path(tempfile.mkdtemp(dir=run_folders)) / "run.sqlite"
    log = RunLogWriter(path, HEADER, commit_by_time_ns=None if live else 10**9)
    for reading in readings:
        log.reading(reading)
    log.outputs(made)
    log.close(5, "done")
    with RunLog.open(path) as again:
        assert list(again.readings()) == readings
        assert again.readings_count == len(readings)
        assert list(map(bits, again.outputs())) == list(map(bits, made))
        assert list(map(type, again.outputs())) == list(map(type, made))
        for kind, rows in (
            (Sample, again.samples()),
            (Alert, again.alerts()),
            (Anchor, again.anchors()),
            (Tally, again.tallies()),
        ):
            assert list(map(bits, rows)) == [bits(row) for row in made if type(row) is kind]
        assert again.outputs_count == len(made)
        assert again.problems() == []


# IEEE 754: the sign of zero, the smallest subnormal, the largest finite number, an infinity, 0.1 + 0.2
@pytest.mark.parametrize("value", [-0.0, 0.0, 5e-324, -1.7976931348623157e308, math.inf, 0.30000000000000004])
def test_floats_keep_every_bit(write, value):
    row = sample(1, lat_deg=value, volume_l=value)
    alert = Alert(2, "speed_drift", True, value, value, "m/s")
    with RunLog.open(write([], [row, alert]).path) as log:
        assert [bits(next(log.samples())), bits(next(log.alerts()))] == [bits(row), bits(alert)]


def test_order_is_that_of_arrival_not_of_time(write):
    readings = [line(0, 300), line(1, 100), line(2, 200)]
    with RunLog.open(write(readings).path) as log:
        assert [(r.seq, r.t_ns) for r in log.readings()] == [(0, 300), (1, 100), (2, 200)]
        assert log.last_ns == 200


def test_outputs_of_all_kinds_keep_their_order(write):
    made = [
        Tally(9, "fix", 1),
        sample(9),
        Anchor(3, None),
        sample(2),
        Alert(9, "gps_lost", False, None, None, ""),
    ]
    with RunLog.open(write([], made).path) as log:
        assert list(log.outputs()) == made


@pytest.mark.parametrize("live", [False, True], ids=["flat out", "live"])
def test_the_header_and_the_end(write, live):
    with RunLog.open(write([line(0)], live=live).path) as log:
        assert log.header == HEADER._replace(
            sqlite=sqlite3.sqlite_version, ended_ns=99_000_000_000, ended_why="done"
        )
        assert log.ended_cleanly
        assert log.duration_s == 99.0
        assert log.state == "ended cleanly at 99.0 s: done"
        assert log.notes == []


@pytest.mark.parametrize("live", [False, True], ids=["flat out", "live"])
def test_a_clean_end_leaves_one_file(write, live):
    path = write([line(seq) for seq in range(1000)], [sample(seq) for seq in range(100)], live=live).path
    assert list(path.parent.iterdir()) == [path]
    # sqlite.org/fileformat2.html, 1.3.3: 1 at offsets 18 and 19 is a file that needs no write-ahead log
    assert path.read_bytes()[18:20] == b"\x01\x01"


def test_reading_a_clean_log_leaves_no_trace(write):
    path = write([line(0)], [sample(1)]).path
    before = path.read_bytes()
    with RunLog.open(path) as log:
        list(log.readings())
        assert list(path.parent.iterdir()) == [path]
        with pytest.raises(sqlite3.OperationalError):
            log.connection.execute("DELETE FROM sample")
    assert path.read_bytes() == before


@pytest.mark.parametrize("live", [False, True], ids=["flat out", "live"])
def test_a_file_that_is_there_is_never_overwritten(tmp_path, live):
    path = tmp_path / "run.sqlite"
    path.write_bytes(b"something dear")
    with pytest.raises(LogError, match=r"run\.sqlite: is there already"):
        RunLogWriter(path, HEADER, commit_by_time_ns=None if live else 1)
    assert path.read_bytes() == b"something dear"


def test_leftovers_of_another_log_are_not_taken_for_ours(tmp_path):
    (tmp_path / "run.sqlite-wal").write_bytes(b"x" * 100)
    with pytest.raises(LogError, match=r"run\.sqlite-wal: is there already"):
        RunLogWriter(tmp_path / "run.sqlite", HEADER)


def test_a_log_in_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(LogError, match=r"cannot be made: No such file"):
        RunLogWriter(tmp_path / "missing" / "run.sqlite", HEADER)


def test_header_text_that_is_not_unicode(tmp_path):
    # what Python makes of a Latin-1 file name on a UTF-8 system
    header = HEADER._replace(source=b"F\xe9ld.nmea".decode("utf-8", "surrogateescape"))
    RunLogWriter(tmp_path / "run.sqlite", header, commit_by_time_ns=1).close(0, "done")
    with RunLog.open(tmp_path / "run.sqlite") as log:
        assert log.header.source == "F\\udce9ld.nmea"


# -- rows that cannot be stored ----------------------------------------------------------------------

_UNSTORABLE = {
    "a NaN in a sample": ([], [sample(7, rate_l_ha=math.nan)], "outputs", "NaN"),
    "a NaN in an alert": ([], [Alert(7, "x", True, math.nan, None, "")], "outputs", "NaN"),
    "a stamp beyond 64 bits": ([line(5, 2**63)], [], "readings", "too large"),
    "a number used twice": ([line(4, 0), line(4, 7)], [], "readings", "reading 4 came after reading 4"),
    "a stranger among the outputs": (
        [],
        [Reading(1, 7, Source.GPS, NmeaLine(b""))],
        "outputs",
        "not an output",
    ),
    "a float as a count": ([], [Tally(7, "fix", 1.5)], "outputs", "REAL"),
}


@pytest.mark.parametrize(("readings", "made", "what", "why"), _UNSTORABLE.values(), ids=_UNSTORABLE)
def test_live_a_row_that_cannot_be_stored_is_left_out_and_counted(write, readings, made, what, why):
    good = [line(1), line(2)]
    log = write([*good, *readings, line(10)], [sample(1), *made, sample(2)], live=True)
    with RunLog.open(log.path) as again:
        kept = [reading for reading in again.readings() if reading.t_ns not in (7, 2**63)]
        assert [r.seq for r in kept] == sorted({1, 2, 10} | {r.seq for r in readings if r.t_ns == 0})
        assert [s.t_ns for s in again.samples()] == [1, 2]
        recorded = [gap for gap in again.gaps if gap.why.startswith("refused")]
        assert [(gap.what, gap.lost) for gap in recorded] == [(what, 1)]
        assert why in recorded[0].why
        assert again.problems() == []
    assert [fault.kind for fault in log.faults] == ["refused"]
    assert log.faults[0].lost == (what == "readings")


@pytest.mark.parametrize(("readings", "made", "what", "why"), _UNSTORABLE.values(), ids=_UNSTORABLE)
def test_flat_out_a_row_that_cannot_be_stored_is_an_error(tmp_path, readings, made, what, why):  # noqa: ARG001
    log = RunLogWriter(tmp_path / "run.sqlite", HEADER, commit_by_time_ns=10**9)
    with pytest.raises(LogError, match=why):  # noqa: PT012 - where it is seen depends on when it commits
        for reading in readings:
            log.reading(reading)
        log.outputs(made)
        log.close(1, "done")
    with RunLog.open(tmp_path / "run.sqlite") as again:
        assert not again.ended_cleanly


# -- flat out -----------------------------------------------------------------------------------------


def test_flat_out_commits_go_by_the_stamps(tmp_path):
    with RunLogWriter(tmp_path / "run.sqlite", HEADER, commit_by_time_ns=100) as log:
        seen = []
        for seq, t_ns in enumerate((0, 60, 99, 100, 150, 199, 250, 90)):
            log.reading(line(seq, t_ns))
            seen.append(log.committed_seq)
    assert seen == [None, None, None, 3, 3, 3, 6, 6]


def test_leaving_a_with_block_early_is_no_clean_end(tmp_path):
    path = tmp_path / "run.sqlite"
    with suppress(RuntimeError), RunLogWriter(path, HEADER) as log:
        log.reading(line(0))
        raise RuntimeError
    with RunLog.open(path) as again:
        assert list(again.readings()) == [line(0)]
        assert not again.ended_cleanly


def test_closing_twice_is_harmless(tmp_path):
    with RunLogWriter(tmp_path / "run.sqlite", HEADER) as log:
        log.close(1, "first")
        log.close(2, "second")
        log.reading(line(0))
    with RunLog.open(tmp_path / "run.sqlite") as again:
        assert again.header.ended_why == "first"
