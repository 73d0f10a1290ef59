"""Run log files told apart from others, without harm to one that is in use.

Closing any descriptor of a file drops all POSIX locks that the process holds on it, SQLite's among them
(sqlite.org/howtocorrupt.html, 2.2). So a log that this process has open is never opened again to look at
its first bytes: the writer and the readers say here which files they hold.
"""

import os
from collections import Counter
from pathlib import Path
from threading import Lock
from typing import Final, NamedTuple

from rigmon.log.schema import APPLICATION_ID

_MAGIC: Final = b"SQLite format 3\0"
_HEADER_BYTES: Final = 100

_lock: Final = Lock()
_held: Final[Counter[tuple[int, int]]] = Counter()


class FileHeader(NamedTuple):
    """What the first 100 bytes of a SQLite file say (sqlite.org/fileformat2.html, 1.3)."""

    wal: bool
    user_version: int
    application_id: int


def hold(path: Path) -> tuple[int, int]:
    """Note that this process has SQLite open on `path`; the answer is for `release`. Raises OSError."""
    status = os.stat(path)
    key = (status.st_dev, status.st_ino)
    with _lock:
        _held[key] += 1
    return key


def release(key: tuple[int, int]) -> None:
    """The connection that `hold` noted is closed."""
    with _lock:
        _held[key] -= 1
        if not _held[key]:
            del _held[key]


def is_held(path: Path) -> bool:
    """Whether this process has SQLite open on `path`. Raises OSError when there is no such file."""
    status = os.stat(path)
    with _lock:
        return (status.st_dev, status.st_ino) in _held


def read_header(path: Path) -> FileHeader | None:
    """The header of a SQLite file that is not held, None for another kind of file. Raises OSError."""
    with path.open("rb") as file:
        head = file.read(_HEADER_BYTES)
    if len(head) < _HEADER_BYTES or not head.startswith(_MAGIC):
        return None
    return FileHeader(head[18] == 2, int.from_bytes(head[60:64], "big"), int.from_bytes(head[68:72], "big"))


def is_run_log(path: Path) -> bool:
    """Whether a file's first bytes are those of a run log. False for what cannot be read."""
    try:
        if is_held(path):
            return True
        header = read_header(path) if path.is_file() else None
    except OSError:
        return False
    return header is not None and header.application_id == APPLICATION_ID
