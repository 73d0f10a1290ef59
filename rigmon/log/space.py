"""Room for new run logs: the oldest scored ones give way until so much of the disk is free.

A log that was never scored is somebody's only record of a day's work: it stays, unless the rig file says
otherwise. One that is being written, here or by another process, always stays.
"""

import os
import re
import sqlite3
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Event, Lock, Thread
from typing import Final, NamedTuple

from rigmon.errors import LogError
from rigmon.log import files
from rigmon.log.schema import SUFFIX
from rigmon.model import Note, SourceFault
from rigmon.rig import LogSpace

_MB: Final = 1_000_000
#: looked at again while a run goes on
_EVERY_S: Final = 180.0
#: the kind of the fault that tells that no room could be made
SHORT_OF_ROOM: Final = "short of room"
_SIDE_FILES: Final = ("-wal", "-shm", "-journal")
_DATE_IN_NAME: Final = re.compile(r"(\d{4})(\d\d)(\d\d)-(\d\d)(\d\d)(\d\d)")


class Room(NamedTuple):
    """What was done. `free_mb` is what is free now; `short` when that is less than was asked for."""

    free_mb: float
    short: bool
    notes: tuple[str, ...] = ()  #: which logs were deleted, or could not be, as sentences

    def shortage(self, rules: LogSpace) -> str:
        """What to do when there is too little room."""
        what = (
            "no run log is left to delete"
            if rules.delete_unscored
            else "no scored run log is left to delete: score the old ones ('rigmon score'), or move them away"
        )
        return f"{self.free_mb:.0f} MB are free, less than log.keep_free_mb = {rules.keep_free_mb}; {what}"


def free_bytes(folder: Path) -> int:
    """Bytes on the folder's disk that this user may still fill. Raises OSError."""
    status = os.statvfs(folder)
    return status.f_bavail * status.f_frsize


def make_room(folder: Path, rules: LogSpace, free: Callable[[Path], int] = free_bytes) -> Room:
    """Delete the oldest logs in `folder` that may be deleted, with what lies beside them, until
    `rules.keep_free_mb` is free. Raises OSError when the folder cannot be looked at.
    """
    wanted = rules.keep_free_mb * _MB
    now_free = free(folder)
    if now_free >= wanted:
        return Room(now_free / _MB, short=False)
    notes: list[str] = []
    for _, path in _by_age(folder):
        if now_free >= wanted:
            break
        try:
            what = _deletable(path, rules)
            if what is None:
                continue
            size = _delete(path)
        except (LogError, sqlite3.Error, OSError) as error:
            notes.append(f"run log {path.name} could not be deleted to make room: {error}")
            continue
        notes.append(f"run log {path.name} ({what}, {size / _MB:.1f} MB) was deleted to make room")
        now_free = free(folder)
    return Room(now_free / _MB, now_free < wanted, tuple(notes))


def _by_age(folder: Path) -> list[tuple[str, Path]]:
    """The run logs in a folder, oldest first: by the GPS's time, else by the board's time in the name."""
    from rigmon.log.reader import RunLog  # seldom needed: a daemon starts without the reader

    found: list[tuple[str, Path]] = []
    for path in folder.iterdir():
        if path.suffix != SUFFIX or not files.is_run_log(path) or files.is_held(path):
            continue
        started: str | None = None
        with suppress(LogError), RunLog.open(path) as log:
            started = log.started_utc
        named = _DATE_IN_NAME.match(path.name)
        if started is None and named:
            started = "{}-{}-{}T{}:{}:{}".format(*named.groups())
        found.append((started or "", path))
    return sorted(found)


def _deletable(path: Path, rules: LogSpace) -> str | None:
    """What kind of log this is, if it may be deleted; None: it stays."""
    from rigmon.log.marks import is_scored
    from rigmon.log.reader import RunLog

    if files.is_held(path):
        return None
    try:
        with RunLog.open(path) as log:
            scored, ended = is_scored(log), log.ended_cleanly
    except LogError:
        return None  # damaged: a person should look at it first
    if not (scored or rules.delete_unscored) or not (ended or _unused(path)):
        return None
    return "scored" if scored else "never scored"


def _unused(path: Path) -> bool:
    """Whether no process has this unfinished log open: SQLite leaves WAL mode for its only user alone
    (sqlite.org/wal.html, 3).
    """
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=0)
    try:
        connection.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError:
        return False
    finally:
        connection.close()
    return True


def _delete(path: Path) -> int:
    """Delete a log and what lies beside it; returns the bytes. Raises OSError when the log stays."""
    from rigmon.log.marks import is_mark, mark_path

    beside = [path.with_name(path.name + end) for end in _SIDE_FILES]
    size = path.stat().st_size
    path.unlink()
    mark = mark_path(path)
    for other in (*beside, mark) if is_mark(mark) else beside:
        with suppress(OSError):
            size += other.stat().st_size
            other.unlink()
    return size


class SpaceKeeper:
    """Makes room every few minutes, on a thread, and tells what it did.

    `tell` gets a Note for each log deleted (or that could not be), and a SourceFault SHORT_OF_ROOM once each
    time that room cannot be made; it must not block.
    """

    def __init__(
        self,
        folder: Path,
        rules: LogSpace,
        tell: Callable[[Note | SourceFault], object],
        *,
        every_s: float = _EVERY_S,
        free: Callable[[Path], int] = free_bytes,
    ) -> None:
        self._folder = folder
        self._rules = rules
        self._tell = tell
        self._every_s = every_s
        self._free = free
        self._lock = Lock()
        self._short = False
        self._stopping = Event()
        self._thread: Thread | None = None

    def look(self) -> None:
        """Make room now. A folder that is not there yet, or cannot be read, is left for the next time."""
        with self._lock:
            try:
                room = make_room(self._folder, self._rules, self._free)
            except OSError:
                return  # the log's own writer tells of a card in trouble
            for note in room.notes:
                self._tell(Note(note))
            if room.short and not self._short:
                self._tell(SourceFault(SHORT_OF_ROOM, room.shortage(self._rules), 0))
            self._short = room.short

    def start(self) -> None:
        """Start the thread."""
        self._thread = Thread(target=self._run, name="log space", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """End the thread; one that waits for the disk is left alone."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while not self._stopping.wait(self._every_s):
            self.look()
