"""The live writer: the caller never waits and never sees an error; trouble is told; every loss is a row."""

import os
import queue
import sqlite3
import subprocess
import sys
import threading
from contextlib import suppress

import pytest
from log_cases import HEADER, line, sample

from rigmon.errors import LogError
from rigmon.log import live
from rigmon.log import store as store_module
from rigmon.log.files import is_run_log
from rigmon.log.reader import Gap, RunLog, list_runs
from rigmon.log.writer import RunLogWriter
from rigmon.model import Alert, SourceFault

#: how long a test waits for the writer's thread before it fails
PATIENCE_S = 20.0
NEVER_S = 1e6


class Faults:
    """An on_trouble that tests can wait on."""

    def __init__(self):
        self.seen: list[SourceFault] = []
        self._changed = threading.Condition()

    def __call__(self, fault):
        with self._changed:
            self.seen.append(fault)
            self._changed.notify_all()

    def wait_for(self, kind):
        with self._changed:
            assert self._changed.wait_for(lambda: kind in self.kinds, PATIENCE_S), (
                f"{kind} not in {self.seen}"
            )
        return next(fault for fault in self.seen if fault.kind == kind)

    @property
    def kinds(self):
        return [fault.kind for fault in self.seen]


class Gate:
    """Put before a store's commit: counts commits and holds them while it is shut."""

    def __init__(self, log):
        self.commits: queue.Queue = queue.Queue()
        self.started = threading.Semaphore(0)
        self._open = threading.Event()
        self._open.set()
        self._commit = log._writer._store.commit
        log._writer._store.commit = self

    def __call__(self, readings, outputs, losses):
        self.started.release()
        assert self._open.wait(PATIENCE_S)
        refused = self._commit(readings, outputs, losses)
        self.commits.put((list(readings), list(outputs)))
        return refused

    def shut(self):
        self._open.clear()

    def open(self):
        self._open.set()


@pytest.fixture
def faults():
    return Faults()


@pytest.fixture
def writer(tmp_path, faults):
    """Make a live writer that commits only when asked to, unless told otherwise; gives it up afterwards."""
    made = []

    def _writer(path=tmp_path / "run.sqlite", **options):
        options = {"commit_every_s": NEVER_S, "outputs_every_s": NEVER_S, "slow_commit_s": NEVER_S, **options}
        made.append(RunLogWriter(path, HEADER, faults, **options))
        return made[-1]

    yield _writer
    for log in made:
        with suppress(LogError):
            log.abandon(timeout_s=0.1)


# -- when it commits -----------------------------------------------------------------------------------


def test_readings_are_committed_by_themselves_and_outputs_less_often(writer):
    log = writer(commit_every_s=0.01)
    gate = Gate(log)
    log.reading(line(0))
    log.outputs([sample(1)])
    assert gate.commits.get(timeout=PATIENCE_S) == ([line(0)], [])
    log.reading(line(1))
    assert gate.commits.get(timeout=PATIENCE_S) == ([line(1)], [])


def test_outputs_are_committed_in_their_own_time(writer):
    log = writer(commit_every_s=0.01, outputs_every_s=0.02)
    gate = Gate(log)
    log.outputs([sample(1)])
    assert gate.commits.get(timeout=PATIENCE_S) == ([], [(1, sample(1))])


def test_an_alert_takes_the_outputs_along(writer):
    log = writer(commit_every_s=0.01)
    gate = Gate(log)
    log.outputs([sample(1), Alert(1, "pressure_loss", True, 1.0, 2.0, "kPa"), sample(2)])
    readings, outputs = gate.commits.get(timeout=PATIENCE_S)
    assert readings == []
    assert [n for n, _ in outputs] == [1, 2, 3]


def test_flush_writes_everything_now(writer):
    log = writer()
    log.reading(line(7))
    log.outputs([sample(1)])
    assert log.committed_seq is None
    assert log.flush(PATIENCE_S)
    assert log.committed_seq == 7
    with RunLog.open(log.path) as again:
        assert list(again.readings()) == [line(7)]
        assert list(again.samples()) == [sample(1)]


def test_a_flood_is_written_before_its_time(writer):
    log = writer()
    gate = Gate(log)
    for seq in range(live._EARLY_ROWS):
        log.reading(line(seq))
    assert len(gate.commits.get(timeout=PATIENCE_S)[0]) == live._EARLY_ROWS


def test_no_output_is_on_the_disk_before_its_reading(writer, monkeypatch):
    monkeypatch.setattr(live, "_CHUNK_ROWS", 7)
    log = writer(commit_every_s=0.0, outputs_every_s=0.0)
    gate = Gate(log)
    for seq in range(3000):
        log.reading(line(seq))
        log.outputs([sample(seq)])  # the stamp says which reading it was made from
    log.close(1, "done")
    newest, outputs = -1, 0
    while not gate.commits.empty():
        readings, made = gate.commits.get()
        newest = readings[-1].seq if readings else newest
        assert all(output.t_ns <= newest for _, output in made)
        outputs += len(made)
    assert (newest, outputs) == (2999, 3000)


def test_what_a_commit_took_comes_off_the_wait_for_the_next() -> None:
    assert live._wait_s(0.95, 0.0, True) == 0.95
    assert live._wait_s(0.95, 0.25, True) == pytest.approx(0.70)
    assert live._wait_s(0.95, 3.0, True) == 0.475  # a slow card is not kept busy all the time
    assert live._wait_s(0.95, 0.25, False) == 0.95


# -- the disk is slow ------------------------------------------------------------------------------------


def test_while_the_disk_hangs_the_caller_goes_on_and_is_told(writer, faults):
    log = writer(commit_every_s=0.0, slow_commit_s=0.0)
    gate = Gate(log)
    gate.shut()
    log.reading(line(0))
    assert gate.started.acquire(timeout=PATIENCE_S)
    for seq in range(1, 100):
        log.reading(line(seq))
    assert faults.kinds == ["slow"]  # once, and while it hangs
    assert "has been going on for" in faults.seen[0].detail
    gate.open()
    log.close(1, "done")
    with RunLog.open(log.path) as again:
        assert [r.seq for r in again.readings()] == list(range(100))
        assert again.gaps == []


def test_a_slow_card_is_well_again_after_some_quick_commits(writer, faults):
    log = writer()
    log._writer._slow_commit_s = 0.0
    log.reading(line(0))
    assert log.flush(PATIENCE_S)
    assert faults.kinds == ["slow"]
    log._writer._slow_commit_s = NEVER_S
    for seq in range(1, live._CALM_COMMITS + 1):
        assert faults.kinds == ["slow"]
        log.reading(line(seq))
        assert log.flush(PATIENCE_S)
    faults.wait_for("resumed")
    assert faults.kinds == ["slow", "resumed"]


def test_with_no_room_left_the_oldest_outputs_go_first_then_the_newest_readings(writer, faults):
    log = writer(commit_every_s=0.0, max_pending=10)
    gate = Gate(log)
    gate.shut()
    log.reading(line(0))
    assert gate.started.acquire(timeout=PATIENCE_S)
    log.outputs([sample(n) for n in (1, 2, 3, 4)])
    for seq in range(1, 6):
        log.reading(line(seq))
    assert faults.seen == []  # 1 + 4 + 5 rows: full, nothing lost
    for seq in range(6, 10):
        log.reading(line(seq))  # each takes the place of an output
    assert [(fault.kind, fault.lost) for fault in faults.seen] == [("overflow", 0)]
    log.reading(line(10))
    log.outputs([sample(5)])
    log.reading(line(11))
    assert [(fault.kind, fault.lost) for fault in faults.seen] == [("overflow", 0), ("overflow", 1)]
    gate.open()
    assert faults.wait_for("resumed").lost == 2
    log.reading(line(12))
    log.outputs([sample(6)])
    log.close(1, "done")
    with RunLog.open(log.path) as again:
        assert [r.seq for r in again.readings()] == [*range(10), 12]
        assert [s.t_ns for s in again.samples()] == [6]
        # hand-worked: lines are 25 ms apart; outputs 1 to 4 made room, 5 found none
        assert sorted(gap[:6] for gap in again.gaps) == [
            ("outputs", 1, 5, 5, 1, 5),
            ("readings", 10, 11, 2, 250_000_000, 275_000_000),
        ]
        assert again.problems() == []


def test_what_is_kept_and_what_is_recorded_as_lost_make_up_all(writer):
    log = writer(commit_every_s=0.0, max_pending=50)
    gate = Gate(log)
    for seq in range(2000):
        if seq % 300 == 100:
            gate.shut()
            log.reading(line(seq))
            assert gate.started.acquire(timeout=PATIENCE_S)
        elif seq % 300 == 299:
            log.reading(line(seq))
            gate.open()
            assert log.flush(PATIENCE_S)
        else:
            log.reading(line(seq))
        log.outputs([sample(seq)])
    gate.open()
    log.close(1, "done")
    with RunLog.open(log.path) as again:
        kept = {r.seq for r in again.readings()}
        numbers = {s.t_ns + 1 for s in again.samples()}
        lost: dict[str, list[int]] = {"readings": [], "outputs": []}
        for gap in again.gaps:
            assert gap.lost == gap.last - gap.first + 1
            lost[gap.what] += range(gap.first, gap.last + 1)
    assert lost["readings"]
    assert lost["outputs"]
    assert sorted([*kept, *lost["readings"]]) == list(range(2000))
    assert sorted([*numbers, *lost["outputs"]]) == list(range(1, 2001))


def test_rows_about_losses_are_bounded_too(writer, monkeypatch):
    monkeypatch.setattr(live, "_MAX_LOSSES", 3)
    log = writer(commit_every_s=0.0, max_pending=1)
    gate = Gate(log)
    gate.shut()
    log.reading(line(0))
    assert gate.started.acquire(timeout=PATIENCE_S)
    for seq in range(1, 40, 2):  # every other number: no loss extends the one before
        log.reading(line(seq))
    gate.open()
    log.close(1, "done")
    with RunLog.open(log.path) as again:
        recorded = [gap for gap in again.gaps if gap.why.startswith("no room")]
    assert len(recorded) <= 3
    assert sum(gap.lost for gap in recorded) == 20


# -- the disk fails --------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 1 MiB."""
    folder = tmp_path / "small"
    folder.mkdir()
    if (
        os.geteuid() != 0
        or subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], capture_output=True, check=False
        ).returncode
    ):
        pytest.skip("needs the right to mount a small file system")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def _fill(path):
    with suppress(OSError), path.open("wb", buffering=0) as file:
        while True:
            file.write(b"x" * 512)


@pytest.mark.parametrize("room", [20_000, 100])
def test_a_full_disk_and_then_room_again(writer, faults, small_disk, room):
    log = writer(small_disk / "run.sqlite", commit_every_s=0.01, outputs_every_s=0.01, max_pending=room)
    _fill(small_disk / "filler")
    seq, good = 0, True
    while good:  # the log has pages of its own that it may still fill
        for _ in range(20):
            log.reading(line(seq))
            log.outputs([sample(seq)])
            seq += 1
        good = log.flush(PATIENCE_S)
    assert "0 kB are free" in faults.wait_for("failed").detail
    for _ in range(300):
        log.reading(line(seq))
        log.outputs([sample(seq)])
        seq += 1
    (small_disk / "filler").unlink()
    resumed = faults.wait_for("resumed")
    log.reading(line(seq))
    log.close(1, "done")
    with RunLog.open(log.path) as again:
        kept = [r.seq for r in again.readings()]
        lost = [
            number
            for gap in again.gaps
            if gap.what == "readings"
            for number in range(gap.first, gap.last + 1)
        ]
        assert again.problems() == []
    assert sorted([*kept, *lost]) == list(range(seq + 1))
    assert resumed.lost == len(lost)
    assert bool(lost) == (room == 100)
    assert faults.kinds.count("failed") == 1
    assert faults.kinds[-1] == "resumed"


def test_a_file_that_may_not_grow_and_then_may_again(writer, faults):
    """The same fault without a disk of its own: SQLite itself says that the database is full."""
    log = writer(commit_every_s=0.01)
    connection = log._writer._store._connection
    assert log.flush(PATIENCE_S)
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    connection.execute(f"PRAGMA max_page_count = {pages}")
    for seq in range(200):
        log.reading(line(seq))
    assert not log.flush(PATIENCE_S)
    assert "database or disk is full (SQLITE_FULL; " in faults.wait_for("failed").detail
    connection.execute(f"PRAGMA max_page_count = {2**30}")
    assert faults.wait_for("resumed").lost == 0
    log.close(1, "done")
    with RunLog.open(log.path) as again:
        assert [r.seq for r in again.readings()] == list(range(200))
        assert again.gaps == []


@pytest.fixture
def impatient(monkeypatch):
    """A writer that does not wait for another program's lock."""
    monkeypatch.setattr(store_module, "_BUSY_S", 0.0)


@pytest.fixture
def lock():
    """Hold a log's write lock, as another program might."""
    connections = []

    def _lock(path):
        connections.append(sqlite3.connect(path, isolation_level=None))
        connections[-1].execute("BEGIN IMMEDIATE")
        return connections[-1]

    yield _lock
    for connection in connections:
        connection.close()


@pytest.mark.usefixtures("impatient")
def test_logging_goes_on_when_another_program_lets_go(writer, faults, lock):
    log = writer(commit_every_s=0.01)
    other = lock(log.path)
    log.reading(line(0))
    assert "locked" in faults.wait_for("failed").detail
    assert not log.flush(PATIENCE_S)
    other.execute("ROLLBACK")
    assert faults.wait_for("resumed").lost == 0
    assert log.flush(PATIENCE_S)
    assert log.committed_seq == 0
    assert faults.kinds == ["failed", "resumed"]


@pytest.mark.usefixtures("impatient")
def test_a_close_that_cannot_be_written_says_so(writer, faults, lock):
    log = writer()
    log.reading(line(0))
    assert log.flush(PATIENCE_S)
    other = lock(log.path)
    log.reading(line(1))
    with pytest.raises(LogError, match=r"locked .*, 1 readings are missing; the log has no clean end"):
        log.close(1, "done", timeout_s=0.05)
    other.execute("ROLLBACK")
    assert "failed" in faults.kinds
    with RunLog.open(log.path) as again:
        assert not again.ended_cleanly
        assert list(again.readings()) == [line(0)]


def test_a_close_gives_up_on_a_disk_that_does_not_answer(writer):
    log = writer(commit_every_s=0.0)
    gate = Gate(log)
    gate.shut()
    log.reading(line(0))
    assert gate.started.acquire(timeout=PATIENCE_S)
    with pytest.raises(LogError, match="the disk has not answered"):
        log.close(1, "done", timeout_s=0.05)
    gate.open()


def test_a_commit_that_failed_after_it_reached_the_disk_is_not_repeated(writer, faults):
    log = writer(commit_every_s=0.01)
    store = log._writer._store
    commit, calls = store.commit, []

    def _commit(readings, outputs, losses):
        calls.append(len(readings))
        if len(calls) == 1:
            before = store.last_seq, store._chain, store.readings
            commit(readings, outputs, losses)
            store.last_seq, store._chain, store.readings = before
        if len(calls) <= live._REOPEN_AFTER:
            raise sqlite3.OperationalError("disk I/O error")
        return commit(readings, outputs, losses)

    log.reading(line(0))
    assert log.flush(PATIENCE_S)
    store.commit = _commit
    log.outputs([sample(1), Alert(1, "gps_lost", True, None, None, "")])
    log.reading(line(1))
    log.reading(line(2))
    faults.wait_for("resumed")
    log.reading(line(3))
    log.outputs([sample(2)])
    log.close(1, "done")
    with RunLog.open(log.path) as again:
        assert [r.seq for r in again.readings()] == [0, 1, 2, 3]
        assert [s.t_ns for s in again.samples()] == [1, 2]
        assert again.gaps == []
        assert again.problems() == []


def test_another_file_in_its_place_is_not_written_to(writer, faults, tmp_path):
    log = writer(commit_every_s=0.01)
    other = RunLogWriter(tmp_path / "other.sqlite", HEADER._replace(run_id="other"), commit_by_time_ns=1)
    other.close(0, "done")
    log._writer._store._disconnect()
    log.path.unlink()
    (tmp_path / "other.sqlite").rename(log.path)
    log.reading(line(0))
    faults.wait_for("failed")
    with pytest.raises(LogError, match="another file has taken the run log's place"):
        log.close(1, "done", timeout_s=0.5)


def test_news_that_nobody_can_take_do_not_stop_the_log(tmp_path, capfd):
    def _broken(fault):
        raise RuntimeError(fault.kind)

    log = RunLogWriter(tmp_path / "run.sqlite", HEADER, _broken, slow_commit_s=0.0)
    log.reading(line(0))
    assert log.flush(PATIENCE_S)
    log.close(1, "done")
    assert "RuntimeError: slow" in capfd.readouterr().err
    with RunLog.open(log.path) as again:
        assert again.ended_cleanly


# -- others look on --------------------------------------------------------------------------------------


def test_a_log_can_be_read_while_it_is_written(writer):
    log = writer()
    with RunLog.open(log.path) as again:
        for seq in range(5):
            log.reading(line(seq))
            assert log.flush(PATIENCE_S)
            assert [r.seq for r in again.readings()] == list(range(seq + 1))
        assert again.state == "not ended cleanly (cut off, or still being written): last reading at 0.1 s"


def test_looking_at_a_log_in_this_process_does_not_drop_its_locks(writer):
    """Another process that closes a log takes its write-ahead log away, unless our lock says it is in use."""
    log = writer()
    log.reading(line(0))
    assert log.flush(PATIENCE_S)
    assert is_run_log(log.path)
    assert [entry.readings for entry in list_runs(log.path.parent)] == [1]
    RunLog.open(log.path).close()
    code = "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute('SELECT * FROM run'); c.close()"
    subprocess.run([sys.executable, "-c", code, log.path], check=True)
    assert log.path.with_name("run.sqlite-wal").exists()


def test_an_end_while_somebody_reads_is_clean_and_folded_later(writer, faults):
    log = writer()
    log.reading(line(0))
    assert log.flush(PATIENCE_S)
    with RunLog.open(log.path) as reader:
        held = reader.readings()
        next(held)
        log.close(1, "done", timeout_s=PATIENCE_S)
        assert faults.kinds == ["not folded"]
        held.close()
    with RunLog.open(log.path) as again:
        assert again.ended_cleanly
        assert list(again.readings()) == [line(0)]
    assert list(log.path.parent.iterdir()) == [log.path]


def test_gap_rows_compare_by_value(writer):
    log = writer()
    log.reading(line(0))
    log.reading(line(4))
    log.close(1, "done")
    with RunLog.open(log.path) as again:
        why = "not recorded: the numbers are not there"
        assert again.gaps == [Gap("readings", 1, 3, 3, 0, 100_000_000, why)]
