"""Which files of a folder belong to a season, and what tells one's content from another's."""

import hashlib
import os
import re
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rigmon.errors import UsageError
from rigmon.log.files import is_held, is_run_log
from rigmon.log.schema import SUFFIX

_SNIFFED_BYTES: Final = 2048
_SENTENCE: Final = re.compile(rb"(?m)^(?:\\[^\\\r\n]{1,80}\\)?[$!][A-Z]{2}[A-Z0-9]{1,8},")
_SQLITE: Final = b"SQLite format 3\0"
#: application_id of what else rigmon keeps in SQLite files: the calibration book, the season book
_BOOKS: Final = (b"RIGC", b"RIGA")
#: rows that a power cut left beside the log belong to its content
_BESIDE: Final = ("-wal", "-journal")


@dataclass(frozen=True, slots=True)
class Found:
    """The files of a folder and of the folders in it, each list by path."""

    logs: tuple[Path, ...]  #: run logs, and what is named like one
    recordings: int  #: NMEA recordings: no run logs, so not scored


def scan(folder: Path) -> Found:
    """Look through `folder` and what is below it; hidden files and folders are passed over, links to folders
    not followed.

    A file counts as a log when it is a run log by its first bytes, or is named like one and is no other book
    of rigmon's. Raises UsageError when there is no such folder or it cannot be read.
    """
    if not folder.is_dir():
        what = "is not a folder" if folder.exists() else "there is no such folder"
        raise UsageError(f"{folder}: {what}; give the one in which the run logs lie")
    logs: list[Path] = []
    recordings = 0

    def troubled(error: OSError) -> None:
        if Path(error.filename) == folder:
            raise UsageError(f"{folder}: cannot be read: {error.strerror}") from error

    for at, folders, names in os.walk(folder, onerror=troubled):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for path in (Path(at, name) for name in sorted(names) if not name.startswith(".")):
            if is_run_log(path) or (path.suffix == SUFFIX and not _is_book(path)):
                logs.append(path)
            elif _is_recording(path):
                recordings += 1
    return Found(tuple(sorted(logs, key=str)), recordings)


def _head(path: Path) -> bytes:
    try:
        if not path.is_file():
            return b""
        with path.open("rb") as file:
            return file.read(_SNIFFED_BYTES)
    except OSError:
        return b""


def _is_book(path: Path) -> bool:
    head = _head(path)
    return head.startswith(_SQLITE) and head[68:72] in _BOOKS


def _is_recording(path: Path) -> bool:
    return _SENTENCE.search(_head(path)) is not None


def digest(path: Path) -> str | None:
    """SHA-256 of a log's content, what a power cut left beside it included; None where it cannot be told.

    A log that this very process has open is not touched: closing it again would drop SQLite's locks.
    """
    try:
        if is_held(path):
            return None
        with path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256")
        for end in _BESIDE:
            beside = path.with_name(path.name + end)
            if beside.exists() and beside.stat().st_size:
                with beside.open("rb") as file:
                    found.update(end.encode() + hashlib.file_digest(file, "sha256").digest())
    except OSError:
        return None
    return found.hexdigest()


def digests(paths: Sequence[Path], threads: int) -> list[str | None]:
    """The digest of each, `threads` files at a time: hashing lets other threads run."""
    if threads == 1 or len(paths) < 2:
        return [digest(path) for path in paths]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(digest, paths))
