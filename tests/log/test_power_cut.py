"""After a cut the log opens, is sound, and holds a prefix of what was written; damage is seen."""

import os
import random
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from log_cases import HEADER, Scenario, line, sample

from rigmon.errors import LogError
from rigmon.log import wal
from rigmon.log.reader import RunLog
from rigmon.log.schema import PAGE_BYTES
from rigmon.log.writer import RunLogWriter

# A rig of 40 lines a second, as real as its clock: says each reading before it hands it over, and what the
# writer says is safe.
_CHILD = """
import sys, threading, time
from log_cases import HEADER, line, sample
from rigmon.log.writer import RunLogWriter

log = RunLogWriter(sys.argv[1], HEADER, outputs_every_s=2.0)
start, seq, safe = time.monotonic_ns(), 0, None
pace = threading.Event()
while True:
    t_ns = time.monotonic_ns() - start
    print("hand", seq, t_ns, flush=True)
    log.reading(line(seq, t_ns))
    log.outputs([sample(seq)])
    seq += 1
    if log.committed_seq != safe:
        safe = log.committed_seq
        print("safe", safe, t_ns, flush=True)
    pace.wait(0.025)
"""


def test_a_killed_process_costs_at_most_about_a_second(tmp_path):
    path = tmp_path / "run.sqlite"
    here = Path(__file__)
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join((str(here.parent), str(here.parents[2])))}
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, path], stdout=subprocess.PIPE, text=True, env=environment
    )
    handed: dict[int, int] = {}
    safe: list[int] = []
    for words in map(str.split, child.stdout):
        if words[0] == "hand":
            handed[int(words[1])] = int(words[2])
        else:
            safe.append(int(words[1]))
        if len(safe) == 3 and words[0] == "hand":
            break
    os.kill(child.pid, signal.SIGKILL)
    for words in map(str.split, child.stdout):  # what it still said before it died
        if words[0] == "hand":
            handed[int(words[1])] = int(words[2])
    assert child.wait() == -signal.SIGKILL
    child.stdout.close()

    assert path.with_name("run.sqlite-wal").exists()
    with RunLog.open(path) as log:
        assert log.problems() == []
        assert log.connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert not log.ended_cleanly
        assert log.header.ended_ns is None
        kept = list(log.readings())
        assert kept == [line(seq, handed[seq]) for seq in range(len(kept))]
        assert len(kept) > safe[-1]
        # 0.95 s between commits, and what a busy machine takes for one
        assert (max(handed.values()) - kept[-1].t_ns) / 1e9 < 2.0
        outputs = [s.t_ns for s in log.samples()]
        assert outputs == list(range(len(outputs)))
        assert len(outputs) <= len(kept)
        last_s = kept[-1].t_ns / 1e9
        assert (
            log.state
            == f"not ended cleanly (cut off, or still being written): last reading at {last_s:.1f} s"
        )
        assert log.state in log.notes
        assert any("write-ahead log" in note for note in log.notes)
    # reading has folded it in: one file, and nothing was lost by that
    assert list(tmp_path.iterdir()) == [path]
    with RunLog.open(path) as log:
        assert list(log.readings()) == kept
        assert not log.ended_cleanly


# -- the write-ahead log, torn and flipped ---------------------------------------------------------------

# sqlite.org/fileformat2.html, 4.1: a header of 32 bytes, then frames of 24 bytes and a page each; bytes 4 to
# 7 of a frame are 0, or the size of the database in pages where the frame ends a commit
_WAL_HEADER = 32
_FRAME = 24 + PAGE_BYTES


class Torn:
    """A log as it lay on the card, to be opened with its write-ahead log changed."""

    def __init__(self, folder):
        self._folder = folder
        self.scenario = Scenario(folder / "run.sqlite", commits=12)
        self._main = (folder / "run.sqlite").read_bytes()
        self.wal = (folder / "run.sqlite-wal").read_bytes()
        self.scenario.store.close()
        ends = [
            position + _FRAME
            for position in range(_WAL_HEADER, len(self.wal), _FRAME)
            if struct.unpack_from(">I", self.wal, position + 4)[0]
        ]
        assert len(ends) == len(self.scenario.after)  # every commit is in there
        self._ends = ends

    def safe_up_to(self, size):
        """Readings and samples in the commits that lie whole in the first `size` bytes."""
        commits = sum(end <= size for end in self._ends)
        return self.scenario.after[commits - 1] if commits else (0, 0)

    def check(self, wal, size):
        """Open the log with `wal` for its own: it holds what the first `size` bytes hold, and no more."""
        path = self._folder / "torn" / "run.sqlite"
        path.parent.mkdir()
        path.write_bytes(self._main)
        path.with_name("run.sqlite-wal").write_bytes(wal)
        readings, samples = self.safe_up_to(size)
        with RunLog.open(path) as log:
            assert log.header.run_id == HEADER.run_id
            assert list(log.readings()) == self.scenario.readings[:readings]
            assert list(log.samples()) == self.scenario.samples[:samples]
            assert log.problems() == []
            assert not log.ended_cleanly
            assert log.last_ns == (self.scenario.readings[readings - 1].t_ns if readings else None)
        shutil.rmtree(path.parent)


@pytest.fixture
def torn(tmp_path, monkeypatch):
    monkeypatch.setattr(wal, "SETTLE_S", 0.0)  # nobody is writing these
    return Torn(tmp_path)


def test_torn_at_every_frame_boundary(torn):
    for size in range(_WAL_HEADER, len(torn.wal) + 1, _FRAME):
        torn.check(torn.wal[:size], size)


def test_torn_inside_every_frame(torn):
    for begin in range(_WAL_HEADER, len(torn.wal), _FRAME):
        for part in (1, 4, 23, 24, 25, _FRAME // 2, _FRAME - 1):
            torn.check(torn.wal[: begin + part], begin + part)
    for size in (0, 1, _WAL_HEADER - 1):
        torn.check(torn.wal[:size], size)


def test_torn_and_full_of_what_lay_there_before(torn):
    stale = random.Random(1).randbytes(len(torn.wal))
    for size in range(_WAL_HEADER, len(torn.wal), _FRAME):
        torn.check(torn.wal[: size + 30] + stale[size + 30 :], size)


def test_a_flipped_bit_in_every_frame(torn):
    chance = random.Random(2)
    for begin in range(_WAL_HEADER, len(torn.wal), _FRAME):
        for _ in range(2):
            position = begin + chance.randrange(_FRAME)
            wal = bytearray(torn.wal)
            wal[position] ^= 1 << chance.randrange(8)
            torn.check(bytes(wal), begin)


def test_without_its_write_ahead_log_the_file_still_says_what_it_is(torn):
    torn.check(b"", 0)


# -- the file itself, flipped --------------------------------------------------------------------------


@pytest.mark.parametrize("ended", [True, False], ids=["ended", "cut"])
def test_a_flipped_bit_in_the_file_never_gives_other_readings(tmp_path, ended):
    made = tmp_path / "made.sqlite"
    readings = [line(seq) for seq in range(1200)]
    log = RunLogWriter(made, HEADER, commit_by_time_ns=10**9)
    for reading in readings:
        log.reading(reading)
        if reading.seq % 5 == 0:
            log.outputs([sample(reading.t_ns)])
    log.close(31 * 10**9, "done") if ended else log.abandon()
    whole = made.read_bytes()
    connection = sqlite3.connect(made)
    (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'reading_block'").fetchone()
    connection.close()

    chance = random.Random(3)
    # every page that may hold readings or lead to them gets a few flips, its header more than its rows
    spots = [(root - 1) * PAGE_BYTES + i for i in range(40)]
    spots += [
        page + offset
        for page in range(0, len(whole), PAGE_BYTES)
        for offset in (chance.randrange(12), chance.randrange(PAGE_BYTES))
    ]
    refused = cut = same = 0
    path = tmp_path / "flipped.sqlite"
    for spot in spots:
        flipped = bytearray(whole)
        flipped[spot] ^= 1 << chance.randrange(8)
        path.write_bytes(flipped)
        try:
            with RunLog.open(path) as again:
                kept = list(again.readings(salvage=True))
                notes = again.notes
        except LogError:
            refused += 1
            continue
        finally:
            for beside in tmp_path.glob("flipped.sqlite-*"):
                beside.unlink()
        assert kept == readings[: len(kept)]
        if len(kept) < len(readings):
            cut += 1
            # after a cut, readings missing at the end cannot be told from readings never written
            assert not ended or any("readings from there on are left out" in note for note in notes)
        else:
            same += 1
    assert refused
    assert cut
    assert same


def test_damage_is_an_error_unless_a_prefix_is_asked_for(tmp_path):
    path = tmp_path / "run.sqlite"
    with RunLogWriter(path, HEADER, commit_by_time_ns=10**9) as log:
        for seq in range(100):
            log.reading(line(seq))
        log.close(1, "done")
    connection = sqlite3.connect(path)
    connection.execute("UPDATE reading_block SET t_ns = t_ns + 1 WHERE seq > 50")
    connection.commit()
    connection.close()
    with RunLog.open(path) as log:
        with pytest.raises(LogError, match=r"damaged after 81 readings, at number 81: the checksum"):
            list(log.readings())
        assert [problem.split(": ")[1] for problem in log.problems()] == [
            "damaged after 81 readings, at number 81"
        ]
        assert list(log.readings(salvage=True)) == [line(seq) for seq in range(81)]
        assert "left out" in log.notes[-1]
