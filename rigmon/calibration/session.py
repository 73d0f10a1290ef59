"""What a person answers in an interactive calibration, kept answer by answer until it is a record.

The file is JSON lines, one an answer, appended and synced before the next question is asked: Ctrl-C, a dead
connection or a power cut loses nothing that was entered. An answer that is taken back stays in the file, with
a line that says so. Nothing is deleted but by `finish`, when the record in the book holds the answers.
"""

import fcntl
import json
import os
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from rigmon.errors import UsageError

_VERSION: Final = 1


class SessionError(UsageError):
    """A session file that cannot be used: which, why, and what to do."""


class TakenOverError(SessionError):
    """Somebody goes on with this session in another terminal."""


class Session:
    """The answers so far, by question, and the file that keeps them.

    `head` is what the session is about (kind, rig, how many nozzles): plain JSON data, compared when it is
    resumed. `damaged` counts lines of the file that could not be read, as after a power cut.
    """

    def __init__(self, path: Path, head: dict[str, Any], started_utc: str) -> None:
        self.path: Final = path
        self.head: Final = head
        self.started_utc: Final = started_utc
        self.answers: Final[dict[str, str]] = {}
        self.damaged = 0
        self._fd = -1
        self._size = 0
        self._torn = False  # the last line has no end

    # -- begin, resume, end ------------------------------------------------------------------------------

    @classmethod
    def begin(cls, path: Path, head: dict[str, Any]) -> "Session":
        """A new session in a new file. Raises SessionError where the file cannot be written or is there."""
        session = cls(path, head, datetime.now(UTC).isoformat(timespec="seconds"))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            session._fd = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_EXCL, 0o666)
            session._append({"rigmon_session": _VERSION, "started_utc": session.started_utc, "head": head})
            _sync_folder(path.parent)
        except OSError as error:
            raise _unusable(path, error) from error
        return session

    @classmethod
    def resume(cls, path: Path) -> "Session | None":
        """The session that an earlier start left behind; None where there is none.

        Raises SessionError for a file that cannot be read or is no session.
        """
        try:
            fd = os.open(path, os.O_RDWR | os.O_APPEND)
        except FileNotFoundError:
            return None
        except OSError as error:
            raise _unusable(path, error) from error
        with os.fdopen(os.dup(fd), "rb") as file:
            data = file.read()
        lines = [_line(raw) for raw in data.split(b"\n") if raw.strip()]
        first = lines[0] if lines else None
        if (
            first is None
            or first.get("rigmon_session") != _VERSION
            or not isinstance(first.get("head"), dict)
        ):
            os.close(fd)
            if not lines or (len(lines) == 1 and first is None and not data.endswith(b"\n")):
                # cut off before anything was asked
                path.unlink(missing_ok=True)
                return None
            raise SessionError(
                f"{path}: not a session of this release of rigmon; move it away, or give another --book"
            )
        session = cls(path, first["head"], str(first.get("started_utc", "")))
        session._fd, session._size = fd, len(data)
        for line in lines[1:]:
            session._replay(line)
        session._torn = not data.endswith(b"\n")
        return session

    def finish(self) -> None:
        """Remove the file: what it holds is in the book now."""
        self.close()
        self.path.unlink(missing_ok=True)

    def set_aside(self) -> Path:
        """Keep the file under another name, so that a new session can begin. Returns the new name."""
        self.close()
        for n in range(1, 10_000):
            other = self.path.with_name(f"{self.path.name}.aside{n}")
            try:
                os.link(self.path, other)  # fails where the name is taken, unlike a rename
            except FileExistsError:
                continue
            except OSError:  # a card's file system without hard links
                if other.exists():
                    continue
                os.rename(self.path, other)
                return other
            self.path.unlink()
            return other
        raise SessionError(f"{self.path}: too many sessions set aside beside it; move some away")

    def close(self) -> None:
        """Close the file; the session stays for another start."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    # -- answers -----------------------------------------------------------------------------------------

    def add(self, question: str, answer: str) -> None:
        """Keep one answer; it is on the card when this returns.

        Raises TakenOverError when the session has gone on elsewhere, SessionError when it cannot be written.
        """
        self._append({"q": question, "a": answer, "utc": datetime.now(UTC).isoformat(timespec="seconds")})
        self.answers[question] = answer

    def take_back(self, question: str) -> None:
        """The answer to `question` no longer holds. It stays in the file. Errors as for `add`."""
        self._append({"back": question})
        self.answers.pop(question, None)

    def _replay(self, line: dict[str, Any] | None) -> None:
        if line is None:
            self.damaged += 1
        elif isinstance(line.get("q"), str) and isinstance(line.get("a"), str):
            self.answers.pop(line["q"], None)
            self.answers[line["q"]] = line["a"]
        elif isinstance(line.get("back"), str):
            self.answers.pop(line["back"], None)
        else:
            self.damaged += 1

    # -- the file ----------------------------------------------------------------------------------------

    def _append(self, line: dict[str, Any]) -> None:
        try:
            with _locked(self._fd):
                self._check_still_ours()
                self._write(b"\n" * self._torn + json.dumps(line, ensure_ascii=False).encode() + b"\n")
                self._torn = False
        except OSError as error:
            self._torn = True
            raise _unusable(self.path, error) from error

    def _write(self, data: bytes) -> None:
        while data:
            data = data[self._count(os.write(self._fd, data)) :]
        os.fsync(self._fd)

    def _count(self, written: int) -> int:
        self._size += written
        return written

    def _check_still_ours(self) -> None:
        """Another process that resumed, finished or set aside this session has changed the file."""
        ours = os.fstat(self._fd)
        there: os.stat_result | None = None
        with suppress(FileNotFoundError):
            there = os.stat(self.path)
        if there is None or (there.st_dev, there.st_ino) != (ours.st_dev, ours.st_ino):
            raise TakenOverError(
                f"{self.path}: was finished or set aside in another terminal; start again to see"
            )
        if ours.st_size != self._size:
            raise TakenOverError(f"{self.path}: goes on in another terminal; nothing is lost, go on there")


def session_path(book: Path, kind: str, rig: str, part: str = "") -> Path:
    """Where the unfinished session of a kind of calibration lies: beside the book, a file for each rig."""
    name = "-".join(_file_word(word) for word in (rig, kind, part) if word)
    return book.with_name(f"{book.stem}.{name}.session")


def _file_word(text: str) -> str:
    """`text` as part of a file's name; letters that are not ASCII stand as a checksum of the whole."""
    word = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
    if word and text.isascii():
        return word
    return f"{word}-{zlib.crc32(text.encode()):08x}".strip("-")


def _line(raw: bytes) -> dict[str, Any] | None:
    try:
        line = json.loads(raw)
    except (ValueError, RecursionError):
        return None
    return line if isinstance(line, dict) else None


def _unusable(path: Path, error: OSError) -> SessionError:
    return SessionError(
        f"{path}: answers cannot be kept there: {error.strerror}; free some space, or give another --book"
    )


@contextmanager
def _locked(fd: int) -> Iterator[None]:
    """One process at a time; file systems without locks go without."""
    with suppress(OSError):
        fcntl.flock(fd, fcntl.LOCK_EX)
    try:
        yield
    finally:
        with suppress(OSError):
            fcntl.flock(fd, fcntl.LOCK_UN)


def _sync_folder(folder: Path) -> None:
    """A new name is only sure to be there after a power cut when its folder is synced too."""
    with suppress(OSError):
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
