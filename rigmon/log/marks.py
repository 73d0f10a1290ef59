"""The mark that a score leaves beside a run log, so that it is known which logs may make room for new ones.

NAME.sqlite is scored when NAME.scored.json is there and names that very log: its run, how many readings it
has, and the checksum over all of them. Another log under the old name, or one that has grown since, is not.
A file of that name that is no mark is somebody's own, and is left alone.
"""

import errno
import json
import os
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from rigmon.errors import LogError
from rigmon.log.reader import RunLog

_MARK: Final = 1  #: raised when the mark's keys change their meaning
_LONGEST: Final = 64 * 1024 * 1024


def mark_path(log_path: Path) -> Path:
    """Where the mark of a run log lies."""
    return log_path.with_name(f"{log_path.stem}.scored.json")


def identity(log: RunLog) -> dict[str, Any]:
    """What tells a log from every other one, and from itself with other readings. Raises LogError."""
    return {"run_id": log.header.run_id, "readings": log.readings_count, "checksum": log.checksum}


def write_mark(log_path: Path, score: dict[str, Any]) -> None:
    """Leave the mark, with the score as `rigmon score --json` prints it: all of it or, on failure, nothing.

    Raises OSError where the folder cannot be written or the name is taken, LogError for a log that cannot be
    read.
    """
    path = mark_path(log_path)
    if path.exists() and not is_mark(path):
        raise FileExistsError(errno.EEXIST, "a file that is not rigmon's is there already")
    with RunLog.open(log_path) as log:
        mark = {"mark": _MARK, "run_log": identity(log), "score": score}
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        with open(descriptor, "w", encoding="utf-8") as file:
            json.dump(mark, file, indent=2, allow_nan=False)
            file.write("\n")
            file.flush()
            os.fchmod(file.fileno(), 0o644)  # mkstemp's own mode shuts everybody else out
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(name)
        raise


def scored(log_path: Path) -> bool | None:
    """Whether a log was scored; None for one that cannot be read."""
    try:
        with RunLog.open(log_path) as log:
            return is_scored(log)
    except LogError:
        return None


def is_scored(log: RunLog) -> bool:
    """Whether a mark of this very log lies beside it. A mark that cannot be read counts for nothing."""
    return _mark_of(log) is not None


def kept_score(log: RunLog) -> dict[str, Any] | None:
    """The score in this very log's mark; None: there is none. Raises LogError."""
    mark = _mark_of(log)
    score = None if mark is None else mark.get("score")
    return score if isinstance(score, dict) else None


def _mark_of(log: RunLog) -> dict[str, Any] | None:
    mark = _read(mark_path(log.path))
    if mark is None or mark.get("mark") != _MARK or mark.get("run_log") != identity(log):
        return None
    return mark


def is_mark(path: Path) -> bool:
    """Whether a file was written as a mark, of whatever log and version."""
    mark = _read(path)
    return mark is not None and "mark" in mark and "run_log" in mark


def _read(path: Path) -> dict[str, Any] | None:
    try:
        if path.stat().st_size > _LONGEST:
            return None
        mark = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return mark if isinstance(mark, dict) else None
