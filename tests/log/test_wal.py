"""What lies in a write-ahead log, and what the reader says of the part that SQLite leaves out."""

import errno
import os
import random
import shutil
import struct

import pytest
from log_cases import HEADER, Scenario, line

from rigmon.errors import LogError
from rigmon.log import wal
from rigmon.log.reader import RunLog
from rigmon.log.schema import PAGE_BYTES
from rigmon.log.store import Store

FRAME = 24 + PAGE_BYTES


@pytest.fixture
def torn(tmp_path):
    """(folder to work in, the file, its write-ahead log, frames up to the end of each commit)"""
    made = tmp_path / "made"
    made.mkdir()
    scenario = Scenario(made / "run.sqlite", commits=6)
    data = (made / "run.sqlite").read_bytes(), (made / "run.sqlite-wal").read_bytes()
    scenario.store.close()
    ends = [
        1 + index
        for index in range((len(data[1]) - 32) // FRAME)
        if struct.unpack_from(">I", data[1], 32 + index * FRAME + 4)[0]
    ]
    assert len(ends) == 6
    path = tmp_path / "run.sqlite"

    def write(changed):
        path.write_bytes(data[0])
        path.with_name("run.sqlite-wal").write_bytes(changed)
        return path

    return write, data[1], ends, scenario.readings


def test_whole(torn):
    write, data, ends, _ = torn
    write(data)
    path = write(data).with_name("run.sqlite-wal")
    assert wal.inspect(path) == (ends[-1], 0, 0)
    write(b"")
    assert wal.inspect(path) == (0, 0, 0)


def test_torn_anywhere(torn):
    write, data, ends, _ = torn
    for size in range(32, len(data), 97):
        frames = (size - 32) // FRAME
        whole = max((end for end in ends if end <= frames), default=0)
        path = write(data[:size]).with_name("run.sqlite-wal")
        assert wal.inspect(path) == (whole, frames - whole, 0)


def test_a_flipped_bit(torn):
    write, data, ends, _ = torn
    chance = random.Random(1)
    for index in range(ends[-1]):
        for _ in range(3):
            changed = bytearray(data)
            at = 32 + index * FRAME + chance.randrange(FRAME)
            changed[at] ^= 1 << chance.randrange(8)
            whole = max((end for end in ends if end <= index), default=0)
            state = wal.inspect(write(bytes(changed)).with_name("run.sqlite-wal"))
            # a flip in the salts of the very last frame makes it look like one of an earlier use
            salted = index == ends[-1] - 1 and 8 <= (at - 32) % FRAME < 16
            assert state == ((whole, index - whole, 0) if salted else (whole, 0, ends[-1] - whole))


def test_a_flipped_header_bit_damages_all_of_it(torn):
    write, data, ends, _ = torn
    for at in (3, 11, 17, 30):
        changed = bytearray(data)
        changed[at] ^= 16
        state = wal.inspect(write(bytes(changed)).with_name("run.sqlite-wal"))
        assert (state.whole, state.unfinished) == (0, 0)
        assert state.damaged == ends[-1]


def test_what_an_earlier_use_left_behind_is_no_damage(tmp_path):
    path = tmp_path / "run.sqlite"
    store = Store(path, HEADER)
    for seq in range(40):
        store.commit([line(seq)], [], [])
    store._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
    store.commit([line(40)], [], [])
    state = wal.inspect(path.with_name("run.sqlite-wal"))
    assert 0 < state.whole < 10
    assert path.with_name("run.sqlite-wal").stat().st_size > 32 + 20 * FRAME
    assert (state.unfinished, state.damaged) == (0, 0)
    store.close()


def test_a_log_that_is_being_written_only_looks_torn(torn, monkeypatch):
    """Another process has written a frame's header, and writes its page while we look."""
    write, data, ends, _ = torn
    half = bytearray(data)
    at = 32 + (ends[-1] - 2) * FRAME + 24
    half[at : at + PAGE_BYTES] = bytes(PAGE_BYTES)
    path = write(bytes(half)).with_name("run.sqlite-wal")
    waits = []

    def _goes_on(seconds):
        waits.append(seconds)
        path.write_bytes(data)

    monkeypatch.setattr(wal.time, "sleep", _goes_on)
    assert wal.settled(path) == (ends[-1], 0, 0)
    assert waits == [wal.SETTLE_S]
    monkeypatch.setattr(wal.time, "sleep", waits.append)
    write(bytes(half))
    assert wal.settled(path).damaged
    assert len(waits) == 2


def test_the_reader_says_what_is_missing_and_leaves_a_damaged_log_as_it_is(torn):
    write, data, ends, readings = torn
    changed = bytearray(data)
    changed[32 + ends[1] * FRAME + 100] ^= 1
    path = write(bytes(changed))
    for _ in range(2):
        with RunLog.open(path) as log:
            assert list(log.readings()) == readings[:6]
            missing = f"the end of the run, in {ends[-1] - ends[1]} of its pages, is missing"
            assert any(missing in note for note in log.notes)
        assert path.with_name("run.sqlite-wal").read_bytes() == changed


def test_the_reader_says_that_a_commit_was_cut_off(torn):
    write, data, ends, readings = torn
    with RunLog.open(write(data[: 32 + (ends[3] + 1) * FRAME])) as log:
        assert list(log.readings()) == readings[:12]
        assert any("the newest commit was cut off half-way" in note for note in log.notes)
    with RunLog.open(write(data)) as log:
        assert not any("cut off half-way" in note or "damaged" in note for note in log.notes)


# -- the file itself comes whole or not at all -----------------------------------------------------------


@pytest.mark.parametrize("nameless", [True, False])
def test_a_new_log_is_whole_before_it_has_a_name(tmp_path, monkeypatch, nameless):
    path = tmp_path / "run.sqlite"
    seen = []
    fsync, real_open = os.fsync, os.open

    def _fsync(descriptor):
        seen.append((path.exists(), os.fstat(descriptor).st_size))
        fsync(descriptor)

    def _open(name, flags, *rest, **options):
        if not nameless and flags & os.O_TMPFILE == os.O_TMPFILE:
            raise OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP))
        return real_open(name, flags, *rest, **options)

    monkeypatch.setattr(os, "fsync", _fsync)
    monkeypatch.setattr(os, "open", _open)
    Store(path, HEADER).close()
    there, size = seen[0]
    assert there is not nameless
    assert size > 10 * PAGE_BYTES
    with RunLog.open(path) as log:
        assert log.header.run_id == HEADER.run_id
        assert list(log.readings()) == []
    assert list(tmp_path.iterdir()) == [path]


def test_a_full_disk_leaves_no_half_of_a_log(tmp_path, monkeypatch):
    def _full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "write", _full)
    with pytest.raises(LogError, match=r"run\.sqlite: the run log cannot be made: No space left on device"):
        Store(tmp_path / "run.sqlite", HEADER)
    assert list(tmp_path.iterdir()) == []
    monkeypatch.undo()
    shutil.rmtree(tmp_path)
    with pytest.raises(LogError, match="No such file or directory"):
        Store(tmp_path / "run.sqlite", HEADER)
    tmp_path.mkdir()
