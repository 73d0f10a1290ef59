"""The season book: application records in one SQLite file that only grows.

A correction is a new record that names the one it corrects; both stay. As in the calibration book, triggers
forbid every change, the file is one file between two records, and `synchronous = EXTRA` keeps a record that
was told to be there.
"""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Self

import sqlite_utils

from rigmon import __version__
from rigmon.analysis.record.draft import Draft
from rigmon.errors import UsageError

#: "RIGA", at offset 68 of the file
APPLICATION_ID: Final = 0x52494741
BOOK_VERSION: Final = 1
_BUSY_S: Final = 10.0

_DDL: Final = (
    """
CREATE TABLE application (
  id INTEGER PRIMARY KEY,      -- order of entry
  name TEXT NOT NULL UNIQUE,   -- day of the application, 'application' and a number
  run_id TEXT,                 -- of the run log
  corrects TEXT REFERENCES application(name),
  recorded_utc TEXT NOT NULL,  -- by this computer's clock
  software TEXT NOT NULL,
  record TEXT NOT NULL CHECK (json_valid(record))
) STRICT""",
    """
CREATE TRIGGER application_is_never_updated BEFORE UPDATE ON application
BEGIN SELECT RAISE(ABORT, 'the season book only grows: a record is never changed'); END""",
    """
CREATE TRIGGER application_is_never_deleted BEFORE DELETE ON application
BEGIN SELECT RAISE(ABORT, 'the season book only grows: a record is never deleted'); END""",
    """
CREATE TRIGGER application_is_never_replaced BEFORE INSERT ON application
WHEN EXISTS (SELECT 1 FROM application WHERE id = NEW.id OR name = NEW.name)
BEGIN SELECT RAISE(ABORT, 'the season book only grows: a record is never replaced'); END""",
    f"PRAGMA application_id = {APPLICATION_ID}",
    f"PRAGMA user_version = {BOOK_VERSION}",
)


@dataclass(frozen=True, slots=True)
class Kept:
    """A record as the book has it."""

    name: str
    run_id: str | None
    corrects: str | None
    recorded_utc: str
    software: str
    record: dict[str, Any]  #: see Draft.to_json

    def text(self, key: str) -> str:
        """An element's text; '' where it is blank."""
        element = self.record["elements"].get(key)
        return "" if element is None else str(element["text"])

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "run_id": self.run_id,
            "corrects": self.corrects,
            "recorded_utc": self.recorded_utc,
            "software": self.software,
            **self.record,
        }


class SeasonBook:
    """An open season book. Raises UsageError for a file that cannot be one, and for a disk in trouble."""

    def __init__(self, path: Path, *, must_exist: bool = False) -> None:
        self.path = path
        if must_exist and not path.is_file():
            raise UsageError(f"{path}: no season book is there; 'rigmon record SOURCE' begins one")
        if path.is_dir() or not path.parent.is_dir():
            raise UsageError(f"{path}: a season book cannot be there; give a file in a folder that is there")
        with self._errors("opened"):
            connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
            try:
                self._begin(connection)
            except BaseException:
                connection.close()
                raise
            self._db = sqlite_utils.Database(connection)

    def _begin(self, connection: sqlite3.Connection) -> None:
        connection.execute("PRAGMA synchronous = EXTRA")
        connection.execute("BEGIN IMMEDIATE")
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if application == 0 and tables == 0:
            for statement in _DDL:
                connection.execute(statement)
        elif application != APPLICATION_ID:
            connection.execute("ROLLBACK")
            raise UsageError(f"{self.path}: is not a season book; give another file")
        elif version != BOOK_VERSION:
            connection.execute("ROLLBACK")
            raise UsageError(
                f"{self.path}: is a season book of version {version}; this rigmon reads {BOOK_VERSION}"
            )
        connection.execute("COMMIT")

    @contextmanager
    def _errors(self, done: str) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise UsageError(f"{self.path}: the season book cannot be {done}: {error}") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.conn.close()

    def add(self, draft: Draft, *, corrects: str | None = None, now: datetime | None = None) -> Kept:
        """Append a record. Its day is that of the application, or of the entry where that is not known.

        Raises UsageError for a `corrects` that is not in the book, or was corrected already.
        """
        moment = now or datetime.now(UTC)
        record = draft.to_json()
        date = record["elements"]["date"]
        day = date["text"] if date is not None else f"{moment:%Y-%m-%d}"
        with self._errors("written"), self._db.atomic():
            if corrects is not None:
                self._check_corrects(corrects)
            stem = f"{day} application "
            (count,) = self._db.execute(
                "SELECT count(*) FROM application WHERE substr(name, 1, ?) = ?", [len(stem), stem]
            ).fetchone()
            name = f"{stem}{count + 1}"
            self._db.table("application").insert(
                {
                    "name": name,
                    "run_id": record["figures"]["run_id"],
                    "corrects": corrects,
                    "recorded_utc": f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
                    "software": f"rigmon {__version__}",
                    "record": json.dumps(record, allow_nan=False, ensure_ascii=False),
                }
            )
        return next(kept for kept in self.records(everything=True) if kept.name == name)

    def _check_corrects(self, name: str) -> None:
        names = {kept.name: kept for kept in self.records(everything=True)}
        if name not in names:
            known = ", ".join(list(names)[-5:]) or "none"
            raise UsageError(f"{self.path}: holds no record {name!r}; the newest are: {known}")
        after = [kept.name for kept in names.values() if kept.corrects == name]
        if after:
            raise UsageError(
                f"{self.path}: {name!r} was corrected already, by {after[0]!r}; correct that one"
            )

    def records(self, *, everything: bool = False) -> list[Kept]:
        """In the order of entry; corrected ones only with `everything`."""
        with self._errors("read"):
            rows = list(self._db.query("SELECT * FROM application ORDER BY id"))
        try:
            kept = [
                Kept(
                    row["name"],
                    row["run_id"],
                    row["corrects"],
                    row["recorded_utc"],
                    row["software"],
                    json.loads(row["record"]),
                )
                for row in rows
            ]
        except (ValueError, RecursionError) as error:
            raise UsageError(f"{self.path}: the season book is damaged: {error}") from error
        if everything:
            return kept
        corrected = {one.corrects for one in kept}
        return [one for one in kept if one.name not in corrected]
