"""Summaries that were made before, by the content of their logs and the analysis that made them.

One line of JSON a summary, each with a checksum over it, appended as they come: a line that a power cut or a
bad card has damaged costs that one summary, which is made again. Lines of another analysis count for nothing
and go when the file is next written anew.
"""

import json
import os
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

#: beside the logs, with a name that says what it is to whoever looks into the folder
NAME: Final = "season_cache.jsonl"
_FORMAT: Final = 1
_HEAD: Final = {
    "rigmon_season_cache": _FORMAT,
    "about": "summaries of run logs by their content; made again when this file is deleted",
}
_LONGEST_LINE: Final = 4 * 1024 * 1024


class Cache:
    """Summaries by (digest, analysis version). `path` None keeps nothing.

    `trouble` says why the file cannot be kept, in words; None: it can be.
    """

    def __init__(self, path: Path | None, version: str) -> None:
        self.path = path
        self.trouble: str | None = None
        self._version = version
        self._found: dict[str, dict[str, Any]] = {}
        self._anew = True  # what is there is not one of ours, or has damaged or foreign lines
        if path is not None:
            self._read(path)

    def get(self, digest: str | None) -> dict[str, Any] | None:
        """The summary of the log with this content; None: there is none."""
        return None if digest is None else self._found.get(digest)

    def put(self, digest: str | None, summary: dict[str, Any]) -> None:
        """Keep a summary. Trouble with the disk is noted in `trouble`, and costs nothing but time later."""
        if digest is None or self.path is None:
            return
        self._found[digest] = summary
        if self.trouble is not None:
            return
        try:
            if self._anew:
                self._write_anew(self.path)
            else:
                _append(self.path, self._line(digest, summary))
        except OSError as error:
            self.trouble = f"{self.path}: cannot be written: {error.strerror or error}"

    def _read(self, path: Path) -> None:
        try:
            with path.open("rb") as file:
                head = _parsed(file.readline(_LONGEST_LINE))
                if not isinstance(head, dict) or head.get("rigmon_season_cache") != _FORMAT:
                    if head is None and not path.stat().st_size:
                        return  # empty: ours to fill
                    if not _looks_like_one(path):
                        self.trouble = f"{path}: is no season cache, so it is left as it is"
                    return
                self._anew = False
                for line in _lines(file):
                    if not self._take(line):
                        self._anew = True
        except FileNotFoundError:
            return
        except OSError as error:
            self.trouble = f"{path}: cannot be read: {error.strerror or error}"

    def _take(self, line: bytes) -> bool:
        """Whether a line is whole and of this analysis."""
        entry = _parsed(line) if line.endswith(b"\n") else None
        if not isinstance(entry, dict) or entry.get("crc") != _crc(entry):
            return False
        digest, summary = entry.get("digest"), entry.get("summary")
        if entry.get("version") != self._version or not (
            isinstance(digest, str) and isinstance(summary, dict)
        ):
            return False
        self._found[digest] = summary
        return True

    def _line(self, digest: str, summary: dict[str, Any]) -> bytes:
        entry: dict[str, Any] = {"digest": digest, "version": self._version, "summary": summary}
        return json.dumps({**entry, "crc": _crc(entry)}, allow_nan=False).encode("ascii") + b"\n"

    def _write_anew(self, path: Path) -> None:
        """All that is known, in a file that takes the old one's place at once."""
        descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
        try:
            with open(descriptor, "wb") as file:
                file.write(json.dumps(_HEAD).encode("ascii") + b"\n")
                file.writelines(self._line(*item) for item in self._found.items())
                file.flush()
                os.fchmod(file.fileno(), 0o644)
            os.replace(name, path)
        except BaseException:
            with suppress(OSError):
                os.unlink(name)
            raise
        self._anew = False


def _append(path: Path, line: bytes) -> None:
    """In one write, so that two seasons at once do not mix their lines."""
    descriptor = os.open(path, os.O_WRONLY | os.O_APPEND)
    try:
        os.write(descriptor, line)
    finally:
        os.close(descriptor)


def _lines(file: Any) -> Iterator[bytes]:
    while line := file.readline(_LONGEST_LINE):
        yield line


def _parsed(line: bytes) -> Any:
    try:
        return json.loads(line)
    except (ValueError, RecursionError):
        return None


def _looks_like_one(path: Path) -> bool:
    """A file of the cache's own name, or with its mark in the head, may be written over; no other."""
    with path.open("rb") as file:
        return path.name == NAME or b"rigmon_season_cache" in file.read(200)


def _crc(entry: dict[str, Any]) -> int:
    kept = {key: entry.get(key) for key in ("digest", "version", "summary")}
    return zlib.crc32(json.dumps(kept).encode("ascii"))
