"""Writing a run log flat out, in the caller's thread: for a replay, which can wait for the disk."""

import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from rigmon.errors import LogError
from rigmon.log.store import Numbered, Store
from rigmon.model import Output, Reading, RunHeader

#: as many rows are written at once even within the time between commits
_MOST_ROWS: Final = 10_000


class DirectWriter:
    """See `rigmon.log.writer.RunLogWriter`, whose `commit_by_time_ns` this is."""

    def __init__(self, path: Path, header: RunHeader, commit_by_time_ns: int) -> None:
        self._store = Store(path, header)
        self._step_ns = commit_by_time_ns
        self._due_ns = commit_by_time_ns
        self._readings: list[Reading] = []
        self._outputs: list[Numbered] = []
        self._n = 0
        self._closed = False

    def reading(self, reading: Reading) -> None:
        self._readings.append(reading)
        if reading[1] >= self._due_ns or len(self._readings) >= _MOST_ROWS:
            self._commit()
            self._due_ns = reading[1] + self._step_ns

    def outputs(self, outputs: Sequence[Output]) -> None:
        for output in outputs:
            self._n += 1
            self._outputs.append((self._n, output))

    @property
    def committed_seq(self) -> int | None:
        return self._store.last_seq

    @property
    def alive(self) -> bool:
        return not self._closed

    def flush(self, timeout_s: float) -> bool:  # noqa: ARG002 - nothing is waited for
        self._commit()
        return True

    def close(self, end: tuple[int, str] | None, timeout_s: float) -> None:  # noqa: ARG002 - as above
        if self._closed:
            return
        self._closed = True
        try:
            self._commit()
            if end is not None:
                self._store.end(*end)
                with suppress(
                    sqlite3.Error
                ):  # somebody reads it: whole, but not one file until they are done
                    self._store.fold()
        except (sqlite3.Error, OSError) as error:
            raise self._error(error) from error
        finally:
            self._store.close()

    def _commit(self) -> None:
        if not (self._readings or self._outputs):
            return
        try:
            refused = self._store.commit(self._readings, self._outputs, [])
        except (sqlite3.Error, OSError) as error:
            raise self._error(error) from error
        self._readings, self._outputs = [], []
        if refused:
            raise LogError(f"{self._store.path}: {len(refused)} rows cannot be stored: {refused[0].why}")

    def _error(self, error: Exception) -> LogError:
        return LogError(f"{self._store.path}: the run log cannot be written: {error}")
