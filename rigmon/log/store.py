"""The one connection that writes a run log: create, commit, end. Not thread-safe; nothing is kept here
between commits, so whoever calls can try again.
"""

import hashlib
import os
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from rigmon.errors import LogError
from rigmon.log import files
from rigmon.log.codec import Block, blocks
from rigmon.log.schema import APPLICATION_ID, DDL, PAGE_BYTES, SCHEMA_VERSION
from rigmon.model import Act, Alert, Anchor, Finding, Output, Reading, RunHeader, Sample, Tally, Weather

#: The write-ahead log is folded into the file when it has grown to this: seldom, because that is when a
#: failed sync can do harm, yet small enough to be folded in well under a second when the power goes.
_CHECKPOINT_BYTES: Final = 4 * 1024 * 1024
_BUSY_S: Final = 1.0

_INSERT_BLOCK: Final = "INSERT INTO reading_block VALUES (?, ?, ?, ?, ?, ?, ?)"
_INSERT_LOSS: Final = "INSERT OR IGNORE INTO loss VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
_INSERT: Final[dict[type[Any], str]] = {
    kind: f"INSERT INTO {kind.__name__.lower()} VALUES ({', '.join('?' * (len(kind._fields) + 1))})"
    for kind in (Sample, Alert, Anchor, Tally, Finding, Act, Weather)
}

Numbered = tuple[int, Output]  #: an output and its place in the order of production
Rows = list[tuple[str, Sequence[Any]]]  #: statements with their values


@dataclass(slots=True)
class Loss:
    """A row about rows that did not make it: `first` and `last` are `seq` of readings, `n` of outputs."""

    what: str  #: 'readings' or 'outputs'
    first: int
    last: int
    lost: int
    from_ns: int
    to_ns: int
    why: str
    id: int = 0  #: given at the first attempt to write it

    @classmethod
    def of(cls, what: str, number: int, t_ns: int, why: str) -> "Loss":
        """The loss of a single row."""
        return cls(what, number, number, 1, t_ns, t_ns, why)

    def columns(self) -> tuple[str, int, int, int, int, int, str]:
        """The columns of the table after its id. A number beyond 64 bits, the reason why a row was refused,
        is cut to fit: this row must not be refused too."""
        first, last, lost, from_ns, to_ns = (
            max(-(2**63), min(value, 2**63 - 1))
            for value in (self.first, self.last, self.lost, self.from_ns, self.to_ns)
        )
        return self.what, first, last, lost, from_ns, to_ns, _text(self.why)

    def extend(self, number: int, t_ns: int, why: str) -> bool:
        """Take one more row in when it follows on, for the same reason; False when it does not."""
        if number != self.last + 1 or why != self.why:
            return False
        self.last = number
        self.lost += 1
        self.to_ns = t_ns
        return True


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.as_uri()}?mode=rw", uri=True, isolation_level=None, check_same_thread=False, timeout=_BUSY_S
    )
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_BYTES // PAGE_BYTES}")
    connection.execute(f"PRAGMA journal_size_limit = {2 * _CHECKPOINT_BYTES}")
    return connection


def _empty_log(header: RunHeader) -> bytes:
    """The bytes of a run log that has its header and nothing else yet."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        rig_toml = _text(header.rig_toml)
        connection.executescript(
            f"BEGIN; PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {SCHEMA_VERSION}; {DDL}"
        )
        connection.execute(
            "INSERT INTO run VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?, NULL, NULL, NULL)",
            (
                _text(header.run_id),
                _text(header.source),
                rig_toml,
                hashlib.sha256(rig_toml.encode()).hexdigest(),
                _text(header.software),
                _text(header.host),
                header.boot_id,
                sqlite3.sqlite_version,
            ),
        )
        connection.execute("COMMIT")
        return connection.serialize()
    finally:
        connection.close()


def _make_file(path: Path, content: bytes) -> None:
    """Make a new file, on the disk before its name is there: whenever the power goes or the process is
    killed, there is the whole file or none. Raises OSError, FileExistsError for a name that is taken.
    """
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            descriptor = os.open(path.parent, os.O_TMPFILE | os.O_WRONLY, 0o644)
        except OSError:  # some file systems know no nameless files, such as those of most sticks
            _write_named(path, content)
            return
        try:
            _write(descriptor, content)
            try:
                # with a folder given, the link is followed to the nameless file: open(2), O_TMPFILE
                os.link(f"/proc/self/fd/{descriptor}", path, src_dir_fd=folder)
            except FileExistsError:
                raise
            except OSError:
                _write_named(path, content)
        finally:
            os.close(descriptor)
    finally:
        os.close(folder)


def _write_named(path: Path, content: bytes) -> None:
    descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
    try:
        _write(descriptor, content)
    except OSError:
        with suppress(OSError):
            path.unlink()
        raise
    finally:
        os.close(descriptor)


def _write(descriptor: int, content: bytes) -> None:
    rest = memoryview(content)
    while rest:
        rest = rest[os.write(descriptor, rest) :]
    os.fsync(descriptor)


def _sync_folder(folder: Path) -> None:
    """Make a new file's name durable."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some file systems cannot, and need not
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


class Store:
    """A run log open for writing. Raises LogError from the constructor, sqlite3.Error from the rest."""

    def __init__(self, path: Path, header: RunHeader) -> None:
        self.path = path
        self.run_id = header.run_id
        self.last_seq: int | None = None  #: of the newest reading written
        self._chain = 0  # CRC of the newest block
        self.readings = 0
        self._losses = 0
        names = [path.with_name(path.name + end) for end in ("", "-wal", "-shm", "-journal")]
        for name in names:
            if os.path.lexists(name):
                raise LogError(f"{name}: is there already; a run log is never overwritten, give another name")
        try:
            _make_file(path, _empty_log(header))
        except OSError as error:
            raise LogError(f"{path}: the run log cannot be made: {error.strerror}") from error
        self._held: tuple[int, int] | None = files.hold(path)
        self._connection: sqlite3.Connection | None = None
        try:
            self._connection = _connect(path)
            # Where the file system cannot do it (shared folders), SQLite keeps its rollback journal.
            self._connection.execute("PRAGMA journal_mode = WAL")
            _sync_folder(path.parent)
        except (sqlite3.Error, OSError) as error:
            self.close()
            for made in names:
                with suppress(OSError):
                    made.unlink()
            raise LogError(f"{path}: the run log cannot be made: {error}") from error

    def commit(
        self, readings: Sequence[Reading], outputs: Sequence[Numbered], losses: Sequence[Loss]
    ) -> list[Loss]:
        """Write all of it in one transaction, or nothing and raise what `is_trouble` knows.

        A row that can never be written (a NaN, a number beyond 64 bits, a reading out of order) is left
        out, so that it does not take the others with it: those are returned.
        """
        connection = self._open()
        refused: list[Loss] = []
        try:
            connection.execute("BEGIN IMMEDIATE")
            try:
                packed = blocks(readings, self.last_seq, self._chain)
                connection.executemany(_INSERT_BLOCK, packed)
                chain = packed[-1][4] if packed else self._chain
                for kind, rows in _by_kind(outputs).items():
                    connection.executemany(_INSERT[kind], rows)
            except Exception as error:
                if is_trouble(error):
                    raise
                connection.execute("ROLLBACK")
                connection.execute("BEGIN IMMEDIATE")
                readings, refused, chain = self._one_by_one(connection, readings, outputs)
            for loss in (*losses, *refused):
                if not loss.id:
                    self._losses += 1
                    loss.id = self._losses
                connection.execute(_INSERT_LOSS, (loss.id, *loss.columns()))
            connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
            raise
        self._chain = chain
        if readings:
            self.last_seq = readings[-1].seq
            self.readings += len(readings)
        return refused

    def _one_by_one(
        self, connection: sqlite3.Connection, readings: Sequence[Reading], outputs: Sequence[Numbered]
    ) -> tuple[list[Reading], list[Loss], int]:
        """Write the rows that can be written: the readings among them, what was refused, the last CRC."""
        written: list[Reading] = []
        refused: list[Loss] = []
        after, chain = self.last_seq, self._chain
        for reading in readings:
            packed: list[Block] = []
            why = _attempt(connection, partial(_reading_rows, reading, after, chain, packed))
            if why is None:
                written.append(reading)
                after, chain = reading.seq, packed[-1][4]
            else:
                refused.append(Loss.of("readings", reading.seq, reading.t_ns, why))
        for n, output in outputs:
            why = _attempt(connection, partial(_output_rows, (n, output)))
            if why is not None:
                refused.append(Loss.of("outputs", n, output.t_ns, why))
        return written, refused, chain

    def reopen(self) -> int:
        """Give up the connection after repeated failures and make a new one to the same file.

        A commit that failed may have reached the disk after all: `last_seq` is set to what is there, and
        the answer is the `n` of the newest output that is there (0: none).
        """
        self._disconnect()
        connection = _connect(self.path)
        try:
            if connection.execute("SELECT run_id FROM run").fetchone() != (_text(self.run_id),):
                raise sqlite3.OperationalError("another file has taken the run log's place")
            (count,) = connection.execute("SELECT coalesce(sum(n), 0) FROM reading_block").fetchone()
            newest = connection.execute(
                "SELECT seq + n - 1, crc FROM reading_block ORDER BY seq DESC LIMIT 1"
            ).fetchone()
            numbers = [
                connection.execute(f"SELECT max(n) FROM {kind.__name__}").fetchone()[0] for kind in _INSERT
            ]
        except BaseException:
            connection.close()
            raise
        self._connection = connection
        self.readings = count
        self.last_seq, self._chain = newest or (None, 0)
        return max(n or 0 for n in numbers)

    def end(self, ended_ns: int, why: str) -> None:
        """Write the clean end, in a commit of its own. Raises as `commit` does."""
        self._open().execute(
            "UPDATE run SET ended_ns = ?, ended_why = ?, readings = ?", (ended_ns, _text(why), self.readings)
        )

    def fold(self) -> None:
        """Fold the write-ahead log into the file and leave that one file. Raises sqlite3.Error when somebody
        else has the log open: it is whole then too, but stays in more than one file until they close it.
        """
        connection = self._open()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode = DELETE")

    def close(self) -> None:
        """Close the file, whatever state it is in."""
        self._disconnect()
        if self._held is not None:
            files.release(self._held)
            self._held = None

    @property
    def connected(self) -> bool:
        """False after `reopen` has failed."""
        return self._connection is not None

    def _open(self) -> sqlite3.Connection:
        if self._connection is None:
            raise sqlite3.OperationalError("the run log could not be opened again")
        return self._connection

    def _disconnect(self) -> None:
        if self._connection is not None:
            with suppress(sqlite3.Error):
                self._connection.close()
            self._connection = None


def is_trouble(error: Exception) -> bool:
    """Whether an error is the disk's or the file's, so that the same rows may be written later."""
    return (
        isinstance(error, sqlite3.OperationalError | sqlite3.InternalError | OSError | MemoryError)
        or type(error) is sqlite3.DatabaseError
    )


def _reading_rows(reading: Reading, after: int | None, chain: int, packed: list[Block]) -> Rows:
    packed += blocks([reading], after, chain)
    return [(_INSERT_BLOCK, block) for block in packed]


def _output_rows(output: Numbered) -> Rows:
    return [(_INSERT[kind], row) for kind, rows in _by_kind([output]).items() for row in rows]


def _attempt(connection: sqlite3.Connection, rows: Callable[[], Rows]) -> str | None:
    """Write one row of a transaction or leave it out; the answer says why."""
    connection.execute("SAVEPOINT row")
    try:
        for statement, row in rows():
            connection.execute(statement, row)
        connection.execute("RELEASE row")
    except Exception as error:
        if is_trouble(error):
            raise
        connection.execute("ROLLBACK TO row")
        connection.execute("RELEASE row")
        return f"refused: {error}"
    return None


def _by_kind(outputs: Sequence[Numbered]) -> dict[type[Any], list[tuple[Any, ...]]]:
    """Rows per table. Raises ValueError for a NaN, which SQLite would take for NULL: unknown."""
    kinds: dict[type[Any], list[tuple[Any, ...]]] = {}
    for n, output in outputs:
        kind = type(output)
        if kind not in _INSERT:
            raise TypeError(f"{kind.__name__} is not an output that a run log holds")
        if any([v != v for v in output]):  # noqa: PLR0124, C419 - only NaN differs from itself; a list is faster
            raise ValueError(f"NaN in {output}")
        kinds.setdefault(kind, []).append((n, *output))
    return kinds


def _text(text: str) -> str:
    """Text that SQLite can hold: a file name that is not UTF-8 comes with stray surrogates."""
    return text.encode("utf-8", "backslashreplace").decode()
