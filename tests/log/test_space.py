"""Room for new logs: the oldest scored ones go, no other. Sizes and days are invented."""

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from threading import Event

import pytest
from log_cases import HEADER
from test_marks import SCORE, make_log

from rigmon.log.marks import mark_path, write_mark
from rigmon.log.space import SHORT_OF_ROOM, SpaceKeeper, free_bytes, make_room
from rigmon.log.writer import RunLogWriter
from rigmon.model import Anchor, NmeaLine, Note, Reading, Source, SourceFault
from rigmon.rig import LogSpace

MB = 1_000_000
#: of the file system that the tests play; incompressible readings fill it
DISK = 10 * MB
RULES = LogSpace(keep_free_mb=7)


def log_of_1_mb(folder: Path, name: str, *, scored: bool = True, ended: bool = True) -> Path:
    path = folder / f"{name}.sqlite"
    noise = [os.urandom(4096).replace(b"\n", b"") for _ in range(165)]  # stored as text, deflated
    make_log(path, noise, ended=ended, run_id=name)
    if scored:
        write_mark(path, SCORE)
    return path


def free_of(size: int) -> Callable[[Path], int]:
    """A disk of that size, on which only what is in the folder takes room."""
    return lambda folder: size - sum(file.stat().st_size for file in folder.iterdir())


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_the_logs_that_the_tests_make_are_about_a_megabyte(tmp_path: Path) -> None:
    assert log_of_1_mb(tmp_path, "a").stat().st_size == pytest.approx(MB, rel=0.25)


def test_the_oldest_scored_logs_go_with_their_marks_until_there_is_room(tmp_path: Path) -> None:
    sizes = {}
    for day in (4, 2, 3, 5, 1):
        path = log_of_1_mb(tmp_path, f"2026060{day}-080000-aaaaaa")
        sizes[day] = path.stat().st_size + mark_path(path).stat().st_size
    (tmp_path / "notes.txt").write_text("mine")
    room = make_room(tmp_path, RULES, free_of(DISK))
    # 10 MB less 7 MB: the newest that fit into 3 MB, the text among them, stay
    stay = [d for d in sizes if sum(sizes[later] for later in sizes if later >= d) + 4 <= 3 * MB]
    assert 2 <= len(stay) <= 3
    assert names(tmp_path) == sorted(
        ["notes.txt"] + [f"2026060{d}-080000-aaaaaa.{end}" for d in stay for end in ("sqlite", "scored.json")]
    )
    assert len(room.notes) == 5 - len(stay)
    assert not room.short
    assert room.free_mb >= 7
    assert free_of(DISK)(tmp_path) >= 7 * MB
    assert room.notes[0].startswith("run log 20260601-080000-aaaaaa.sqlite (scored, ")
    assert room.notes[0].endswith(" MB) was deleted to make room")


def test_with_room_nothing_is_looked_at(tmp_path: Path) -> None:
    log_of_1_mb(tmp_path, "a")
    assert make_room(tmp_path, RULES, free_of(100 * MB)).notes == ()
    assert len(names(tmp_path)) == 2


def test_the_gps_says_which_is_older(tmp_path: Path) -> None:
    """A board without a clock names its logs by the wrong day."""
    for name, utc_ms in (
        ("20270101-000000-aaaaaa", 1_780_000_000_000),
        ("20260101-000000-bbbbbb", 1_790_000_000_000),
    ):
        writer = RunLogWriter(tmp_path / f"{name}.sqlite", HEADER._replace(run_id=name), commit_by_time_ns=1)
        writer.reading(Reading(0, 0, Source.GPS, NmeaLine(os.urandom(1000))))
        writer.outputs([Anchor(0, utc_ms)])
        writer.close(1, "test")
        write_mark(tmp_path / f"{name}.sqlite", SCORE)
    too_much = sum(file.stat().st_size for file in tmp_path.iterdir())
    make_room(tmp_path, RULES, free_of(7 * MB + too_much - 1))
    assert names(tmp_path) == ["20260101-000000-bbbbbb.scored.json", "20260101-000000-bbbbbb.sqlite"]


def test_an_unscored_log_is_never_deleted_unless_told_so(tmp_path: Path) -> None:
    old = log_of_1_mb(tmp_path, "20260101-000000-aaaaaa", scored=False)
    altered = log_of_1_mb(tmp_path, "20260102-000000-aaaaaa")
    mark_path(altered).write_text('{"mark": 1, "run_log": {}}')
    new = log_of_1_mb(tmp_path, "20260601-000000-aaaaaa")
    tight = free_of(3 * MB)
    room = make_room(tmp_path, RULES, tight)
    assert old.exists()
    assert altered.exists()
    assert not new.exists()
    assert room.short
    assert "score the old ones" in room.shortage(RULES)
    told_so = LogSpace(keep_free_mb=7, delete_unscored=True)
    room = make_room(tmp_path, told_so, tight)
    assert names(tmp_path) == []
    assert [note.split()[3] for note in room.notes] == ["(never", "(never"]
    assert room.short  # 3 MB are all that there is
    assert "no run log is left to delete" in room.shortage(told_so)


def test_a_file_of_the_marks_name_that_is_none_stays(tmp_path: Path) -> None:
    log = log_of_1_mb(tmp_path, "20260101-000000-aaaaaa", scored=False)
    mark_path(log).write_text("mine")
    make_room(tmp_path, LogSpace(keep_free_mb=7, delete_unscored=True), lambda _: 0)
    assert names(tmp_path) == [mark_path(log).name]


def test_the_running_log_is_never_deleted(tmp_path: Path) -> None:
    path = tmp_path / "20260101-000000-aaaaaa.sqlite"
    with RunLogWriter(path, HEADER._replace(run_id="a")) as writer:
        writer.reading(Reading(0, 0, Source.GPS, NmeaLine(b"$1")))
        assert writer.flush()
        write_mark(path, SCORE)
        room = make_room(tmp_path, LogSpace(7, delete_unscored=True), lambda _: 0)
        assert room.notes == ()
        assert path.exists()


_OTHER = """
import sys
from pathlib import Path
from rigmon.log.writer import RunLogWriter
from rigmon.model import NmeaLine, Reading, RunHeader, Source
header = RunHeader("other", "live", "", "", "", None, "", None, None)
with RunLogWriter(Path(sys.argv[1]), header) as writer:
    writer.reading(Reading(0, 0, Source.GPS, NmeaLine(b"$1")))
    assert writer.flush()
    print("written", flush=True)
    sys.stdin.read()
"""


def test_another_processs_running_log_is_not_deleted_but_one_that_was_cut_is(tmp_path: Path) -> None:
    path = tmp_path / "other.sqlite"
    rules = LogSpace(7, delete_unscored=True)
    process = subprocess.Popen(
        [sys.executable, "-c", _OTHER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"written\n"
        assert make_room(tmp_path, rules, lambda _: 0).notes == ()
        assert path.exists()
    finally:
        process.kill()  # as the power is cut
        process.communicate()
    room = make_room(tmp_path, rules, lambda _: 0)
    assert len(room.notes) == 1
    assert names(tmp_path) == []


@pytest.mark.parametrize("content", [b"", b"junk" * 1000, b"SQLite format 3\0" + b"\0" * 2000])
def test_what_is_no_readable_log_stays(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.sqlite").write_bytes(content)
    other = sqlite3.connect(tmp_path / "b.sqlite")
    other.execute("CREATE TABLE mine (n)")
    other.close()
    damaged = log_of_1_mb(tmp_path, "c")
    data = bytearray(damaged.read_bytes())
    data[512:4096] = b"\xff" * (4096 - 512)
    damaged.write_bytes(data)
    assert make_room(tmp_path, LogSpace(7, delete_unscored=True), lambda _: 0).notes == ()
    assert len(names(tmp_path)) == 4


def test_a_log_that_cannot_be_deleted_is_told_and_the_next_one_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = log_of_1_mb(tmp_path, "20260101-000000-a"), log_of_1_mb(tmp_path, "20260102-000000-a")
    unlink = Path.unlink

    def refuse(path: Path, *args: bool) -> None:
        if path == first:
            raise PermissionError(13, "Permission denied")
        unlink(path, *args)

    monkeypatch.setattr(Path, "unlink", refuse)
    room = make_room(tmp_path, RULES, free_of(DISK - 2 * MB))
    assert "20260101-000000-a.sqlite could not be deleted" in room.notes[0]
    assert first.exists()
    assert not second.exists()


def test_the_real_disk_has_a_number(tmp_path: Path) -> None:
    assert free_bytes(tmp_path) > 0
    with pytest.raises(OSError, match="nowhere"):
        free_bytes(tmp_path / "nowhere")


# -- the keeper ------------------------------------------------------------------------------------------


def test_the_keeper_tells_each_deletion_and_a_shortage_once(tmp_path: Path) -> None:
    log_of_1_mb(tmp_path, "20260101-000000-a")
    told: list[Note | SourceFault] = []
    free = [0]
    keeper = SpaceKeeper(tmp_path, RULES, told.append, free=lambda _: free[0])
    keeper.look()
    keeper.look()
    assert [type(one) for one in told] == [Note, SourceFault]
    assert isinstance(told[1], SourceFault)
    assert told[1].kind == SHORT_OF_ROOM
    assert "log.keep_free_mb = 7" in told[1].detail
    free[0] = DISK
    keeper.look()
    free[0] = 0
    keeper.look()
    assert len(told) == 3  # short again, after there was room


def test_a_folder_that_is_not_there_yet_is_no_trouble(tmp_path: Path) -> None:
    told: list[Note | SourceFault] = []
    SpaceKeeper(tmp_path / "runs", RULES, told.append).look()
    assert told == []


def test_the_keeper_looks_again_and_again_on_its_own_thread(tmp_path: Path) -> None:
    looked, looked_twice = Event(), Event()

    def free(_: Path) -> int:
        (looked_twice if looked.is_set() else looked).set()
        return DISK

    keeper = SpaceKeeper(tmp_path, RULES, lambda _: None, every_s=0.001, free=free)
    keeper.start()
    assert looked_twice.wait(20)
    keeper.stop()
