"""Opening run logs: what is refused and how, read-only places, lists of runs."""

import shutil
import sqlite3
from pathlib import Path

import pytest
from log_cases import HEADER, Scenario, line, sample

from rigmon.errors import LogError
from rigmon.log.reader import RunLog, is_run_log, list_runs
from rigmon.log.schema import APPLICATION_ID
from rigmon.log.writer import RunLogWriter
from rigmon.model import Anchor


@pytest.fixture
def ended(tmp_path):
    """A log with a clean end."""
    path = tmp_path / "ended.sqlite"
    with RunLogWriter(path, HEADER, commit_by_time_ns=10**9) as log:
        for seq in range(100):
            log.reading(line(seq))
        log.outputs([Anchor(500_000_000, None), Anchor(1_500_000_000, 1_781_424_601_750), sample(1)])
        log.close(3_000_000_000, "stop button")
    return path


def _change(path, statement):
    connection = sqlite3.connect(path)
    connection.execute(statement)
    connection.commit()
    connection.close()


def _no_file(path):
    path.unlink()


def _folder(path):
    path.unlink()
    path.mkdir()


def _cut_in_the_middle(path):
    path.write_bytes(path.read_bytes()[:700])


_UNREADABLE = {
    "not there": (_no_file, "is not there"),
    "a folder": (_folder, "is not a file"),
    "empty": (lambda path: path.write_bytes(b""), "is empty: the run was cut off before its log had begun"),
    "text": (lambda path: path.write_text("$GPRMC\n" * 50), "not a SQLite file"),
    "short": (lambda path: path.write_bytes(path.read_bytes()[:60]), "not a SQLite file"),
    "another database": (lambda path: _change(path, "PRAGMA application_id = 1"), "not a run log of rigmon"),
    "newer": (
        lambda path: _change(path, "PRAGMA user_version = 4"),
        "run log format 4 is newer than 3, the newest that this rigmon reads; update rigmon to read it",
    ),
    "older": (
        lambda path: _change(path, "PRAGMA user_version = 0"),
        "run log format 0 is older than 1, the oldest",
    ),
    "without its header row": (lambda path: _change(path, "DELETE FROM run"), "is damaged: it has no header"),
    "without a table": (lambda path: _change(path, "DROP TABLE run"), "is damaged: no such table: run"),
    "cut short": (_cut_in_the_middle, "is damaged"),
}


@pytest.mark.parametrize(("spoil", "why"), _UNREADABLE.values(), ids=_UNREADABLE)
def test_what_is_refused_and_why(ended, spoil, why):
    spoil(ended)
    with pytest.raises(LogError, match=why) as caught:
        RunLog.open(ended)
    assert str(caught.value).startswith(f"{ended}: ")


def test_the_header_bytes(ended):
    # sqlite.org/fileformat2.html, 1.3: application id at 68, user version at 60, both big-endian
    head = ended.read_bytes()[:100]
    assert head[68:72] == b"RIGM" == APPLICATION_ID.to_bytes(4, "big")
    assert int.from_bytes(head[60:64], "big") == 3


def test_is_run_log(ended, tmp_path):
    text = tmp_path / "text.nmea"
    text.write_text("$GPRMC\n" * 50)
    other = tmp_path / "other.sqlite"
    _change(other, "CREATE TABLE t (a)")
    assert is_run_log(ended)
    for path in (text, other, tmp_path, tmp_path / "missing"):
        assert not is_run_log(path)


def test_an_altered_rig_is_noted(ended):
    _change(ended, "UPDATE run SET rig_toml = rig_toml || ' '")
    with RunLog.open(ended) as log:
        assert log.notes == ["the rig in this log is not the one that it was recorded with: it was altered"]


# hand-worked: 1 781 424 601.750 s is 2026-06-14T08:10:01.750Z (date -u -d @1781424601), 1.5 s after the start
def test_start_and_length(ended):
    with RunLog.open(ended) as log:
        assert log.started_utc == "2026-06-14T08:10:00.250Z"
        assert log.duration_s == 3.0
        assert log.last_ns == 99 * 25_000_000


@pytest.mark.parametrize("utc_ms", [2**62, -(2**62)])
def test_a_start_beyond_the_calendar_is_unknown(tmp_path, utc_ms):
    with RunLogWriter(tmp_path / "run.sqlite", HEADER, commit_by_time_ns=1) as log:
        log.outputs([Anchor(0, utc_ms)])
        log.close(0, "done")
    with RunLog.open(tmp_path / "run.sqlite") as again:
        assert again.started_utc is None


def test_an_empty_run(tmp_path):
    RunLogWriter(tmp_path / "run.sqlite", HEADER, commit_by_time_ns=1).abandon()
    with RunLog.open(tmp_path / "run.sqlite") as log:
        assert (list(log.readings()), list(log.outputs()), log.gaps, log.problems()) == ([], [], [], [])
        assert (log.last_ns, log.duration_s, log.started_utc, log.readings_count) == (None, 0.0, None, 0)
        assert log.state.endswith("no reading")


def test_a_closed_log_is_an_error_not_a_crash(ended):
    log = RunLog.open(ended)
    log.close()
    log.close()
    with pytest.raises(LogError):
        list(log.samples())


# -- places that cannot be written -----------------------------------------------------------------------


@pytest.fixture
def cut(tmp_path):
    """A log cut off with most of the run in its write-ahead log, in a folder of its own."""
    scenario = Scenario(tmp_path / "run.sqlite", commits=5)
    (tmp_path / "cut").mkdir()
    for path in (scenario.path, tmp_path / "run.sqlite-wal"):
        shutil.copy(path, tmp_path / "cut" / path.name)
    scenario.store.close()
    return tmp_path / "cut" / "run.sqlite", scenario.readings


def test_a_clean_log_in_a_folder_that_cannot_be_written(ended, tmp_path, read_only):
    folder = tmp_path / "card"
    folder.mkdir()
    shutil.copy(ended, folder)
    read_only(folder)
    with RunLog.open(folder / ended.name) as log:
        assert len(list(log.readings())) == 100
        assert log.notes == []


def test_a_cut_log_in_a_folder_that_cannot_be_written(cut, read_only):
    path, readings = cut
    read_only(path.parent)
    before = {beside.name: beside.read_bytes() for beside in path.parent.iterdir()}
    with RunLog.open(path) as log:
        copy = Path(log.connection.execute("PRAGMA database_list").fetchone()[2])
        assert copy.parent != path.parent
        assert list(log.readings()) == readings
        assert any("temporary copy" in note for note in log.notes)
        assert log.path == path
    assert not copy.parent.exists()
    assert {beside.name: beside.read_bytes() for beside in path.parent.iterdir()} == before


def test_a_cut_log_whose_write_ahead_log_was_left_behind(cut, read_only):
    path, _ = cut
    path.with_name("run.sqlite-wal").unlink()
    read_only(path.parent)
    with RunLog.open(path) as log:
        assert list(log.readings()) == []
        assert not log.ended_cleanly


# -- lists of runs -----------------------------------------------------------------------------------------


def test_a_list_of_runs_names_the_broken_one_and_goes_on(ended, cut, tmp_path):
    folder = tmp_path / "runs"
    folder.mkdir()
    path, readings = cut
    shutil.copy(ended, folder / "b-ended.sqlite")
    shutil.copy(ended, folder / "named-otherwise")
    for beside in path.parent.iterdir():
        shutil.copy(beside, folder / beside.name.replace("run", "a-cut"))
    (folder / "c-broken.sqlite").write_bytes(b"\xff" * 5000)
    (folder / "notes.txt").write_text("not a run")
    (folder / "folder.sqlite").mkdir()
    cut_bytes = sum(beside.stat().st_size for beside in folder.glob("a-cut*"))
    entries = list_runs(folder)
    assert [entry.path.name for entry in entries] == [
        "a-cut.sqlite", "b-ended.sqlite", "c-broken.sqlite", "named-otherwise",
    ]  # fmt: skip
    first, second, third, fourth = entries
    assert first[1:] == (
        HEADER.run_id, "live", None, readings[-1].t_ns / 1e9, False, len(readings), cut_bytes, None, {},
    )  # fmt: skip
    assert second[1:] == (
        HEADER.run_id, "live", "2026-06-14T08:10:00.250Z", 3.0, True, 100, ended.stat().st_size, None, {},
    )  # fmt: skip
    assert third[1:] == (
        None,
        None,
        None,
        None,
        None,
        None,
        5000,
        "is not a run log (not a SQLite file)",
        None,
    )
    assert fourth[1:] == second[1:]


def test_a_list_of_runs_from_no_folder(tmp_path):
    with pytest.raises(LogError, match="cannot list the runs"):
        list_runs(tmp_path / "missing")
