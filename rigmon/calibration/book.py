"""The calibration book: every calibration of a rig, dated and named, in one SQLite file. It only grows.

A record is one row and one transaction. The file keeps SQLite's rollback journal, so that it is a single
file between two records, and `synchronous = EXTRA`, so that a power cut right after `add` returned does not
take the record back (sqlite.org/pragma.html: with DELETE, only EXTRA also syncs the folder after the journal
is gone). Nothing is updated or deleted, here or by anybody: triggers forbid it.

Only what writes imports sqlite-utils, so that the daemon's process can look records up and stay lean.
"""

import difflib
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime
from json import loads
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from rigmon import __version__
from rigmon.calibration.drift import Drift, history_drift
from rigmon.calibration.record import KINDS, Record, json_text
from rigmon.calibration.settings import disagreements
from rigmon.errors import UsageError
from rigmon.rig import Rig

__all__ = ["KINDS", "Book", "BookError", "Drift", "Record", "book_path", "history_drift", "records_in_use"]

#: the file beside the run logs that keeps the target chosen while rigmon runs, see `calibration.chosen`
CHOSEN_TARGET: Final = "chosen-target.json"
#: "RIGC", at offset 68 of the file
APPLICATION_ID: Final = 0x52494743
BOOK_VERSION: Final = 1
#: another process writes for some milliseconds; a slow card may take a second or two to sync
_BUSY_S: Final = 10.0

_COLUMNS: Final = (
    *("id", "name", "kind", "rig", "subject", "nozzle_set", "taken_on", "recorded_utc", "software"),
    *("inputs", "result"),
)

# The insert trigger is there because INSERT OR REPLACE fires no delete trigger on most connections.
_DDL: Final = (
    """
CREATE TABLE record (
  id INTEGER PRIMARY KEY,      -- order of entry
  name TEXT NOT NULL UNIQUE,   -- day, kind and number
  kind TEXT NOT NULL,          -- catch, course, target, flowmeter, transducer, pace
  rig TEXT NOT NULL,
  subject TEXT NOT NULL,       -- nozzle set, 'flowmeter', 'pressure' or ''
  nozzle_set TEXT,
  taken_on TEXT NOT NULL,      -- ISO 8601 date
  recorded_utc TEXT NOT NULL,  -- by the board's clock, which may be wrong
  software TEXT NOT NULL,
  inputs TEXT NOT NULL CHECK (json_valid(inputs)),  -- JSON object, carried units
  result TEXT NOT NULL CHECK (json_valid(result))   -- JSON object, carried units
) STRICT""",
    "CREATE INDEX record_by_subject ON record (kind, rig, subject, taken_on, id)",
    """
CREATE VIEW record_list AS SELECT *,
  lag(name) OVER (PARTITION BY kind, rig, subject ORDER BY taken_on, id) AS supersedes
FROM record""",
    """
CREATE TRIGGER record_is_never_updated BEFORE UPDATE ON record
BEGIN SELECT RAISE(ABORT, 'the calibration book only grows: a record is never changed'); END""",
    """
CREATE TRIGGER record_is_never_deleted BEFORE DELETE ON record
BEGIN SELECT RAISE(ABORT, 'the calibration book only grows: a record is never deleted'); END""",
    """
CREATE TRIGGER record_is_never_replaced BEFORE INSERT ON record
WHEN EXISTS (SELECT 1 FROM record WHERE id = NEW.id OR name = NEW.name)
BEGIN SELECT RAISE(ABORT, 'the calibration book only grows: a record is never replaced'); END""",
    f"PRAGMA application_id = {APPLICATION_ID}",
    f"PRAGMA user_version = {BOOK_VERSION}",
)


class BookError(UsageError):
    """A calibration book that cannot be used: which, why, and what to do."""


def book_path(rig: Rig, rig_file: Path) -> Path:
    """Where the rig's calibration book is: `book.file`, taken from the rig file's folder."""
    return rig_file.parent / rig.book_file


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Book:
    """A calibration book. A context manager; not for two threads at once, but any number of processes.

    A file that is not there is made by the first `add`; until then the book is empty. Every method raises
    BookError for a file that is no calibration book, is damaged, or cannot be read or written.
    """

    def __init__(self, path: str | os.PathLike[str], *, now: Callable[[], datetime] = _utc_now) -> None:
        self.path: Final = Path(path)
        self._now = now
        self._connection: sqlite3.Connection | None = None
        if os.path.lexists(self.path):
            self._open("rw")

    # -- writing -----------------------------------------------------------------------------------

    def add(
        self,
        kind: str,
        rig: str,
        subject: str,
        nozzle_set: str | None,
        taken_on: date,
        inputs: dict[str, Any],
        result: dict[str, Any],
    ) -> Record:
        """Write a record down; when this returns it is on the disk. It gets the next free name of its day.

        Raises ValueError or TypeError, before anything is written, for an unknown kind and for what JSON
        cannot hold.
        """
        if kind not in KINDS:
            raise ValueError(f"kind {kind!r} is not one of {', '.join(KINDS)}")
        if not (isinstance(inputs, dict) and isinstance(result, dict) and type(taken_on) is date):
            raise TypeError("taken_on must be a date, inputs and result dicts")
        for text in (rig, subject, nozzle_set or ""):
            if not text.isascii() and not _is_unicode(text):
                raise BookError(f"{text[:60]!a} holds bytes that are not text; use letters and digits")
        row: dict[str, Any] = {
            "kind": kind,
            "rig": rig,
            "subject": subject,
            "nozzle_set": nozzle_set,
            "taken_on": taken_on.isoformat(),
            "recorded_utc": f"{self._now().astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
            "software": f"rigmon {__version__}",
            "inputs": json_text(inputs),
            "result": json_text(result),
        }
        if self._connection is None:
            self._open("rwc")
        import sqlite_utils

        with self._errors("written"):
            # the application's own schema and SQL alone: no plugin is asked
            database = sqlite_utils.Database(self._connection, execute_plugins=False)
            with self._transaction():
                if not self._is_begun():
                    for statement in _DDL:
                        database.execute(statement)
                row["name"] = self._next_name(row["taken_on"], kind)
                database.table("record").insert(row)
                (record,) = self._records("WHERE name = ?", (row["name"],))
        _sync_folder(self.path.parent)
        return record

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """One transaction that has the write lock from its start: what it reads stays true until it ends."""
        connection = self._connected()
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):  # the first error tells more
                connection.execute("ROLLBACK")
            raise

    def _next_name(self, day: str, kind: str) -> str:
        stem = f"{day} {kind} "
        rows = self._connected().execute(
            "SELECT name FROM record WHERE kind = ? AND taken_on = ?", (kind, day)
        )
        numbers = [int(name.removeprefix(stem)) for (name,) in rows]
        return f"{stem}{max(numbers, default=0) + 1}"

    # -- reading -----------------------------------------------------------------------------------

    def history(
        self, kind: str | None = None, rig: str | None = None, subject: str | None = None
    ) -> list[Record]:
        """The records of a kind, rig and subject (None: of all), by the day they were taken."""
        wanted = {"kind": kind, "rig": rig, "subject": subject}
        given = {column: value for column, value in wanted.items() if value is not None}
        where = " AND ".join(f"{column} = ?" for column in given)
        return self._read(f"{'WHERE ' + where if where else ''} ORDER BY taken_on, id", tuple(given.values()))

    def latest(self, kind: str, rig: str, subject: str | None = None) -> Record | None:
        """The newest record of a kind, rig and subject (None: any) by the day it was taken."""
        records = self.history(kind, rig, subject)
        return records[-1] if records else None

    def get(self, name: str) -> Record:
        """The record of that name. Raises BookError, with the nearest names, when there is none."""
        found = self._read("WHERE name = ?", (name,))
        if found:
            return found[0]
        names = [record.name for record in self.history()]
        near = difflib.get_close_matches(name, names, n=3, cutoff=0.5)
        if near:
            hint = f"did you mean {' or '.join(repr(other) for other in near)}?"
        else:
            hint = "'rigmon calibrate list' shows what is in it" if names else "it is empty"
        raise BookError(f"{self.path}: has no record {name[:60]!r}; {hint}")

    def _read(self, where: str, values: Sequence[Any] = ()) -> list[Record]:
        if self._connection is None and os.path.lexists(self.path):
            self._open("rw")  # another process has begun it meanwhile
        if self._connection is None:
            return []
        with self._errors("read"):
            return self._records(where, values) if self._is_begun() else []

    def _records(self, where: str, values: Sequence[Any]) -> list[Record]:
        rows = self._connected().execute(
            f"SELECT {', '.join(_COLUMNS)}, supersedes FROM record_list {where}", values
        )
        return [_record(row) for row in rows.fetchall()]

    # -- the file ----------------------------------------------------------------------------------

    def _open(self, mode: str) -> None:
        if self.path.is_dir():
            raise BookError(f"{self.path}: is a folder; name a file for the calibration book in [book] file")
        if self.path.exists() and not self.path.is_file():
            raise BookError(f"{self.path}: is not a file; name a file in [book] file")
        if mode == "rwc" and not self.path.absolute().parent.is_dir():
            raise BookError(f"{self.path}: its folder is not there; make it, or change [book] file")
        with self._errors("opened"):
            connection = sqlite3.connect(
                f"{self.path.absolute().as_uri()}?mode={mode}",
                uri=True,
                isolation_level=None,
                timeout=_BUSY_S,
            )
            self._connection = connection
            connection.execute("PRAGMA synchronous = EXTRA")
            if self._is_begun():
                found = [str(row[0]) for row in connection.execute("PRAGMA quick_check(1)")]
                if found != ["ok"]:
                    raise sqlite3.DatabaseError(" ".join(found[0].split()))

    def _is_begun(self) -> bool:
        """Whether the schema is there; False for a file with nothing in it. BookError for another's file."""
        execute = self._connected().execute
        (application,) = execute("PRAGMA application_id").fetchone()
        (version,) = execute("PRAGMA user_version").fetchone()
        if application == APPLICATION_ID and version == BOOK_VERSION:
            return True
        if application == APPLICATION_ID:
            what = "update rigmon" if version > BOOK_VERSION else "it is damaged: put a copy in its place"
            raise BookError(
                f"{self.path}: calibration book format {version} is not this rigmon's, {BOOK_VERSION}; {what}"
            )
        (objects,) = execute("SELECT count(*) FROM sqlite_master").fetchone()
        if application or version or objects:
            raise BookError(
                f"{self.path}: is a SQLite file, but not a calibration book of rigmon; "
                "name another file in [book] file"
            )
        return False

    def _connected(self) -> sqlite3.Connection:
        if self._connection is None:
            raise ValueError(f"{self.path}: the calibration book is closed")
        return self._connection

    @contextmanager
    def _errors(self, done: str) -> Iterator[None]:
        """SQLite's errors as BookErrors; one in opening leaves the book closed."""
        try:
            yield
        except (sqlite3.Error, UnicodeError) as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if done == "opened":
                self.close()
            raise BookError(f"{self.path}: {_why(code, done, error)}") from error
        except BookError:
            if done == "opened":
                self.close()
            raise

    def close(self) -> None:
        """Close the file. The book can be closed twice."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _is_unicode(text: str) -> bool:
    """False for text made of bytes that a terminal's encoding did not know."""
    try:
        text.encode()
    except UnicodeError:
        return False
    return True


def _why(code: int, done: str, error: Exception) -> str:
    if code == sqlite3.SQLITE_NOTADB:
        return "is not a calibration book (not a SQLite file); name another file in [book] file"
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return f"another program has held the calibration book for {_BUSY_S:g} s; close it and try again"
    if code == sqlite3.SQLITE_READONLY:
        return "the calibration book cannot be written: this user may not, or the card is read-only"
    if code == sqlite3.SQLITE_FULL:
        return "the calibration book cannot be written: the disk is full; the record was not taken"
    if code == sqlite3.SQLITE_CANTOPEN:
        return f"the calibration book cannot be {done}: may this user read and write the file and its folder?"
    if code == sqlite3.SQLITE_IOERR:
        return f"the calibration book cannot be {done}: the card or disk fails: {error}"
    return f"the calibration book is damaged: {error}; put a copy in its place, or move it away to begin anew"


def _record(row: Sequence[Any]) -> Record:
    values = dict(zip((*_COLUMNS, "supersedes"), row, strict=True))
    try:
        values["inputs"], values["result"] = loads(values["inputs"]), loads(values["result"])
        return Record.from_json(values)
    except (ValueError, TypeError) as error:
        raise sqlite3.DatabaseError(f"record {values['name']!r}: {error}") from error


def _sync_folder(folder: Path) -> None:
    """Make a new file's name durable."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some file systems cannot, and need not
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def records_in_use(rig: Rig, rig_file: Path) -> tuple[list[Record], list[str]]:
    """The records that the rig's numbers were taken from, by the names in the rig file, and what is amiss
    with them in sentences for the person: a run goes on without a record, and with other numbers.

    `[record.text() for record in records]` is what `rigmon.daemon.run` puts into the run log.
    """
    records: list[Record] = []
    troubles: list[str] = []
    names = rig.records
    if not names:
        return records, troubles
    path = book_path(rig, rig_file)
    if not path.exists():
        troubles.append(
            f"{path}: the calibration book is not there, so the run log will not carry {', '.join(names)}"
        )
        return records, troubles
    try:
        with Book(path) as book:
            for name in names:
                try:
                    record = book.get(name)
                except BookError as error:
                    troubles.append(f"{error}; the run log will not carry it")
                    continue
                records.append(record)
                troubles += [f"{rig_file}: {words}" for words in disagreements(rig, record)]
    except BookError as error:
        troubles.append(str(error))
    return records, troubles
