"""RunLog: a run log open for reading, also one that the power cut off, or one that is being written."""

import hashlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import cached_property
from heapq import merge
from operator import itemgetter
from pathlib import Path
from types import TracebackType
from typing import Any, Final, NamedTuple, Self

from rigmon.errors import LogError
from rigmon.log import files, wal
from rigmon.log.codec import DamagedBlockError, UnknownReadingError, unpack
from rigmon.log.files import is_run_log
from rigmon.log.schema import (
    APPLICATION_ID,
    FINDINGS_VERSION,
    OLDEST_VERSION,
    SCHEMA_VERSION,
    SUFFIX,
    WEATHER_VERSION,
    add_functions,
)
from rigmon.model import Act, Alert, Anchor, Finding, Output, Reading, RunHeader, Sample, Tally, Weather

__all__ = ["Gap", "RunEntry", "RunLog", "is_run_log", "list_runs"]

_COPY_ATTEMPTS: Final = 3
_BLOCK: Final = ("seq", "n", "t_ns", "end_ns", "crc", "size", "body")


class Gap(NamedTuple):
    """Rows known to be missing. `first` and `last` are `seq` of readings, `n` of outputs."""

    what: str  #: 'readings' or 'outputs' (the latter can be computed again)
    first: int
    last: int
    lost: int
    from_ns: int
    to_ns: int
    why: str


class RunLog:
    """One run log. `open` it; it closes as a context manager.

    Nothing in it is changed. After a cut the end of the run lies in a write-ahead log beside the file, and
    reading folds that into it, so that the file can be copied afterwards; in a folder that cannot be
    written, a temporary copy is read instead. `notes` says so. Every method raises LogError for a file that
    turns out to be damaged.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, notes: list[str], undo: list[Any]) -> None:
        self.path = path
        self.connection = connection  #: for reading only
        self.notes = notes  #: what a person should know about this log, in plain words
        self._undo = undo
        self.header: RunHeader
        self.rig_sha256: str
        self.keeps_findings: bool  #: and acts; False: made before logs did; outputs are the others then
        self.keeps_weather: bool
        self._readings_written: int | None

    @classmethod
    def open(cls, path: str | os.PathLike[str]) -> Self:
        """Open a run log. Raises LogError for a file that is not there, or not one that can be read."""
        path = Path(path)
        notes: list[str] = []
        undo: list[Any] = []
        try:
            connection = _connect(path, notes, undo)
            log = cls(path, connection, notes, undo)
            undo.append(connection.close)
            log._read_header()
        except (sqlite3.Error, UnicodeError) as error:
            _run_back(undo)
            raise LogError(f"{path}: the run log is damaged: {error}") from error
        except OSError as error:
            _run_back(undo)
            raise LogError(f"{path}: cannot be read: {error.strerror or error}") from error
        except BaseException:
            _run_back(undo)
            raise
        return log

    def _read_header(self) -> None:
        (found,) = self.connection.execute("PRAGMA application_id").fetchone()
        if found != APPLICATION_ID:
            raise LogError(f"{self.path}: is a SQLite file, but not a run log of rigmon")
        (version,) = self.connection.execute("PRAGMA user_version").fetchone()
        if not OLDEST_VERSION <= version <= SCHEMA_VERSION:
            age, than, what = (
                ("newer", SCHEMA_VERSION, "update rigmon to read it")
                if version > SCHEMA_VERSION
                else ("older", OLDEST_VERSION, "read it with the rigmon that made it")
            )
            raise LogError(
                f"{self.path}: run log format {version} is {age} than {than},"
                f" the {'newest' if age == 'newer' else 'oldest'} that this rigmon reads; {what}"
            )
        self.keeps_findings = version >= FINDINGS_VERSION
        self.keeps_weather = version >= WEATHER_VERSION
        row = self.connection.execute(
            f"SELECT {_columns(RunHeader)}, rig_sha256, readings FROM run"
        ).fetchone()
        if row is None:
            raise LogError(f"{self.path}: the run log is damaged: it has no header")
        *header, self.rig_sha256, self._readings_written = row
        self.header = RunHeader(*header)
        if not all(isinstance(value, str) for value in (*header[:5], self.rig_sha256)):
            raise LogError(f"{self.path}: the run log is damaged: its header is no text")
        if not all(isinstance(value, int | None) for value in (self.header.ended_ns, self._readings_written)):
            raise LogError(f"{self.path}: the run log is damaged: its end is no number")
        if hashlib.sha256(self.header.rig_toml.encode()).hexdigest() != self.rig_sha256:
            self.notes.append("the rig in this log is not the one that it was recorded with: it was altered")
        if not self.ended_cleanly:
            self.notes.append(self.state)

    # -- how it ended ------------------------------------------------------------------------------

    @property
    def ended_cleanly(self) -> bool:
        return self.header.ended_ns is not None

    @property
    def state(self) -> str:
        """How the run ended, in words."""
        if self.header.ended_ns is not None:
            return f"ended cleanly at {self.header.ended_ns / 1e9:.1f} s: {self.header.ended_why}"
        try:
            last = self.last_ns
            end = "no reading" if last is None else f"last reading at {last / 1e9:.1f} s"
        except LogError:
            end = "its last reading is damaged"
        return f"not ended cleanly (cut off, or still being written): {end}"

    @property
    def last_ns(self) -> int | None:
        """Stamp of the last reading; None: there is none."""
        row = self._one("SELECT end_ns FROM reading_block ORDER BY seq DESC LIMIT 1")
        if row is None:
            return None
        if not isinstance(row[0], int):
            raise LogError(f"{self.path}: the run log is damaged: the last reading's stamp is no number")
        return row[0]

    @property
    def duration_s(self) -> float:
        """Seconds from the run's start to its clean end, or to the last reading."""
        ended_ns = self.header.ended_ns
        return (ended_ns if ended_ns is not None else self.last_ns or 0) / 1e9

    @property
    def started_utc(self) -> str | None:
        """UTC of the run's start in ISO 8601, by the first believable GPS time; None: there is none."""
        row = self._one("SELECT t_ns, utc_ms FROM anchor WHERE utc_ms IS NOT NULL ORDER BY n LIMIT 1")
        if row is None:
            return None
        start_ms = row[1] - round(row[0] / 1e6)
        try:
            start = datetime.fromtimestamp(start_ms // 1000, UTC)
        except (ValueError, OverflowError, OSError):  # beyond the calendar
            return None
        return f"{start:%Y-%m-%dT%H:%M:%S}.{start_ms % 1000:03d}Z"

    # -- what is in it -----------------------------------------------------------------------------

    @cached_property
    def readings_count(self) -> int:
        if self._readings_written is not None:
            return self._readings_written
        row = self._one("SELECT coalesce(sum(n), 0) FROM reading_block")
        return 0 if row is None else int(row[0])

    @property
    def checksum(self) -> int | None:
        """CRC-32 over all readings as they were written; None: there is none."""
        row = self._one("SELECT crc FROM reading_block ORDER BY seq DESC LIMIT 1")
        return None if row is None else row[0]

    @property
    def outputs_count(self) -> int:
        """Samples, alerts, anchors, tallies, findings, acts and weather together."""
        tables = ["sample", "alert", "anchor", "tally", *(["finding", "act"] if self.keeps_findings else [])]
        if self.keeps_weather:
            tables.append("weather")
        row = self._one("SELECT " + " + ".join(f"(SELECT count(*) FROM {table})" for table in tables))
        return 0 if row is None else int(row[0])

    def readings(self, *, salvage: bool = False) -> Iterator[Reading]:
        """The readings in order of arrival, as they were handed to the writer.

        Where the log is damaged LogError is raised; with `salvage` the iteration ends there instead, and
        `notes` says what is missing: what came is then a prefix of what was written.
        """
        count = chain = 0
        try:
            for block in self._rows(f"SELECT {', '.join(_BLOCK)} FROM reading_block ORDER BY seq"):
                try:
                    readings = unpack(block, chain)
                except UnknownReadingError as error:
                    raise LogError(
                        f"{self.path}: read up to number {block[0]} ({count} readings): {error}; a newer one "
                        "wrote it, so update rigmon to read it"
                    ) from error
                except DamagedBlockError as error:
                    raise LogError(
                        f"{self.path}: damaged after {count} readings, at number {block[0]}: {error}"
                    ) from error
                yield from readings
                chain = block[4]
                count += len(readings)
            if self._readings_written is not None and self._readings_written != count:
                raise LogError(
                    f"{self.path}: damaged after {count} readings: {self._readings_written} were written"
                )
        except LogError as error:
            if not salvage:
                raise
            self.notes.append(f"the readings from there on are left out: {error}")

    def samples(self) -> Iterator[Sample]:
        return map(Sample._make, self._rows(f"SELECT {_columns(Sample)} FROM sample ORDER BY n"))

    def alerts(self) -> Iterator[Alert]:
        return map(_alert, self._rows(f"SELECT {_columns(Alert)} FROM alert ORDER BY n"))

    def anchors(self) -> Iterator[Anchor]:
        return map(Anchor._make, self._rows(f"SELECT {_columns(Anchor)} FROM anchor ORDER BY n"))

    def tallies(self) -> Iterator[Tally]:
        return map(Tally._make, self._rows("SELECT t_ns, name, counted FROM tally ORDER BY n"))

    def findings(self) -> Iterator[Finding]:
        """What the sensors said together; nothing in a log that keeps none (`keeps_findings`)."""
        return (finding for _, finding in self._numbered_findings())

    def acts(self) -> Iterator[Act]:
        """What people did; nothing in a log that keeps no acts (`keeps_findings`)."""
        return (act for _, act in self._numbered_acts())

    def weather(self) -> Iterator[Weather]:
        """Wind and air; nothing in a log that was made before logs kept it."""
        return (weather for _, weather in self._numbered_weather())

    def acts_by_kind(self) -> dict[str, int] | None:
        """How often people did what; None: the log keeps no acts."""
        if not self.keeps_findings:
            return None
        return dict(self._rows("SELECT kind, count(*) FROM act GROUP BY kind ORDER BY kind"))

    def outputs(self) -> Iterator[Output]:
        """All outputs together in the order of production."""
        return (output for _, output in self.numbered_outputs())

    def numbered_outputs(self, after: int = 0) -> Iterator[tuple[int, Output]]:
        """All outputs together with their numbers, which count in the order of production from 1.

        `after`: only those with greater numbers.
        """
        parts = (
            self._numbered("sample", Sample._make, after),
            self._numbered("alert", _alert, after),
            self._numbered("anchor", Anchor._make, after),
            self._numbered("tally", Tally._make, after),
            self._numbered_findings(after),
            self._numbered_acts(after),
            self._numbered_weather(after),
        )
        return merge(*parts, key=itemgetter(0))

    def _numbered_findings(self, after: int = 0) -> Iterator[tuple[int, Finding]]:
        if self.keeps_findings:
            for n, *row in self._rows(
                f"SELECT n, {_columns(Finding)} FROM finding WHERE n > {after:d} ORDER BY n"
            ):
                yield n, _finding(row)

    def _numbered_acts(self, after: int = 0) -> Iterator[tuple[int, Act]]:
        if self.keeps_findings:
            for n, *row in self._rows(f"SELECT n, {_columns(Act)} FROM act WHERE n > {after:d} ORDER BY n"):
                yield n, _act(row)

    def _numbered_weather(self, after: int = 0) -> Iterator[tuple[int, Weather]]:
        if self.keeps_weather:
            for n, *row in self._rows(
                f"SELECT n, {_columns(Weather)} FROM weather WHERE n > {after:d} ORDER BY n"
            ):
                yield n, Weather._make(row)

    def _numbered(
        self, table: str, make: Callable[[Any], Output], after: int
    ) -> Iterator[tuple[int, Output]]:
        for n, *row in self._rows(f"SELECT * FROM {table} WHERE n > {after:d} ORDER BY n"):
            yield n, make(row)

    @cached_property
    def gaps(self) -> list[Gap]:
        """What is known to be missing: losses that the writer recorded, and numbers that are not there."""
        recorded = [Gap(*row) for row in self._rows(f"SELECT {_columns(Gap)} FROM loss ORDER BY id")]
        lost = [range(gap.first, gap.last + 1) for gap in recorded if gap.what == "readings"]
        holes = self._rows(
            "SELECT before, seq, before_ns, t_ns FROM"
            " (SELECT seq, t_ns, lag(seq + n) OVER w AS before, lag(end_ns) OVER w AS before_ns"
            " FROM reading_block WINDOW w AS (ORDER BY seq)) WHERE seq > before"
        )
        for first, after, from_ns, to_ns in holes:
            if not any(first in numbers and after - 1 in numbers for numbers in lost):
                why = "not recorded: the numbers are not there"
                recorded.append(Gap("readings", first, after - 1, after - first, from_ns, to_ns, why))
        return recorded

    def problems(self) -> list[str]:
        """What SQLite and the blocks' checksums find wrong in the whole file. Empty: it is sound."""
        found: list[str] = []
        try:
            rows = [str(row[0]) for row in self._rows("PRAGMA integrity_check")]
            found += [row for row in rows if row != "ok"]
            for _ in self.readings():
                pass
        except LogError as error:
            found.append(str(error))
        return found

    # -- inside ------------------------------------------------------------------------------------

    def _rows(self, statement: str) -> Iterator[Any]:
        try:
            yield from self.connection.execute(statement)
        except (sqlite3.Error, UnicodeError) as error:
            raise LogError(f"{self.path}: the run log is damaged: {error}") from error

    def _one(self, statement: str) -> Any:
        return next(self._rows(statement), None)

    def close(self) -> None:
        _run_back(self._undo)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _columns(kind: type[Any]) -> str:
    return ", ".join(f'"{name}"' for name in kind._fields)


def _alert(row: Any) -> Alert:
    t_ns, code, raised, value, limit, unit = row
    return Alert(t_ns, code, bool(raised), value, limit, unit)


def _finding(row: Any) -> Finding:
    finding = Finding._make(row)
    return finding if finding.sharp is None else finding._replace(sharp=bool(finding.sharp))


def _act(row: Any) -> Act:
    act = Act._make(row)
    return act if act.full is None else act._replace(full=bool(act.full))


def _run_back(undo: list[Any]) -> None:
    while undo:
        undo.pop()()


def _beside(path: Path, end: str) -> Path:
    return path.with_name(path.name + end)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _connect(path: Path, notes: list[str], undo: list[Any]) -> sqlite3.Connection:
    """Connect in the least intrusive way that shows the whole run."""
    if not path.exists():
        raise LogError(f"{path}: is not there")
    if not path.is_file():
        raise LogError(f"{path}: is not a file")
    if not path.stat().st_size:
        raise LogError(f"{path}: is empty: the run was cut off before its log had begun")
    header = None if files.is_held(path) else files.read_header(path)
    if header is None and not files.is_held(path):
        raise LogError(f"{path}: is not a run log (not a SQLite file)")
    if header is not None and header.application_id != APPLICATION_ID:
        raise LogError(f"{path}: is a SQLite file, but not a run log of rigmon")
    wal_bytes = _size(_beside(path, "-wal"))
    unfinished = header is None or header.wal or _beside(path, "-journal").exists()
    if not unfinished:
        return _opened(path, "mode=ro", undo)
    if header is not None and wal_bytes:
        state = wal.settled(_beside(path, "-wal"))
        if state.unfinished:
            notes.append("the newest commit was cut off half-way: what it held of the run's end is missing")
        if state.damaged:
            # folding it in would take the evidence away, and each later reader would know nothing of it
            notes.append(
                f"the write-ahead log is damaged: the end of the run, in {state.damaged} of its pages, is "
                "missing; read from a temporary copy, and the files are left as they are"
            )
            return _opened(_copy(path, undo), "mode=rw", undo)
    if os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK):
        if header is not None and wal_bytes:
            notes.append(f"{wal_bytes} bytes of the run's end lay in a write-ahead log beside the file")
        return _opened(path, "mode=rw", undo)
    if not wal_bytes and not _beside(path, "-journal").exists():
        return _opened(path, "mode=ro&immutable=1", undo)
    notes.append("read from a temporary copy: the run was not ended cleanly and its folder cannot be written")
    return _opened(_copy(path, undo), "mode=rw", undo)


def _opened(path: Path, how: str, undo: list[Any]) -> sqlite3.Connection:
    key = files.hold(path)
    undo.append(lambda: files.release(key))
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, isolation_level=None)
    try:
        connection.execute("PRAGMA query_only = 1")
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        add_functions(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _copy(path: Path, undo: list[Any]) -> Path:
    """Copy a log with what lies beside it, unless it is being changed in that moment."""
    folder = tempfile.TemporaryDirectory(prefix="rigmon-")
    undo.append(folder.cleanup)
    copy = Path(folder.name) / path.name
    for _ in range(_COPY_ATTEMPTS):
        before = path.stat()
        shutil.copyfile(path, copy)
        for end in ("-wal", "-journal"):
            if _beside(path, end).exists():
                shutil.copyfile(_beside(path, end), _beside(copy, end))
        after = path.stat()
        if (before.st_mtime_ns, before.st_size) == (after.st_mtime_ns, after.st_size):
            return copy
    raise LogError(f"{path}: is being written and its folder cannot be; try again, or copy it first")


class RunEntry(NamedTuple):
    """One line of a list of runs. With `error` the file could not be read, and what it says is unknown."""

    path: Path
    run_id: str | None
    source: str | None
    started_utc: str | None
    duration_s: float | None
    ended_cleanly: bool | None
    readings: int | None
    size_bytes: int | None
    error: str | None
    acts: dict[str, int] | None = None  #: what people did, by kind; None: unknown, or the log keeps none


def list_runs(folder: str | os.PathLike[str]) -> list[RunEntry]:
    """The run logs in a folder by file name; one that cannot be read is listed with the reason.

    A file counts when it is a run log by its first bytes or by the name's ending. Raises LogError when
    there is no such folder.
    """
    folder = Path(folder)
    try:
        paths = sorted(path for path in folder.iterdir() if path.is_file())
    except OSError as error:
        raise LogError(f"{folder}: cannot list the runs: {error.strerror}") from error
    return [_entry(path) for path in paths if path.suffix == SUFFIX or is_run_log(path)]


def _entry(path: Path) -> RunEntry:
    size_bytes = _size(path) + _size(_beside(path, "-wal"))
    try:
        with RunLog.open(path) as log:
            header = log.header
            return RunEntry(
                path,
                header.run_id,
                header.source,
                log.started_utc,
                log.duration_s,
                log.ended_cleanly,
                log.readings_count,
                size_bytes,
                None,
                log.acts_by_kind(),
            )
    except LogError as error:
        reason = str(error).removeprefix(f"{path}: ")
        return RunEntry(path, None, None, None, None, None, None, size_bytes, reason)
