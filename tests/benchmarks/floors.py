"""Floors: the least that any program for the job would do with the same libraries."""

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final

import pynmea2

#: what a bare interpreter with the edge's libraries is
BARE_IMPORTS: Final = "import serial, pynmea2, gpiozero"


def parse_and_read(sentences: Iterable[str]) -> None:
    """pynmea2.parse, and reading the fields that are used, of each sentence."""
    parse = pynmea2.parse
    for text in sentences:
        m = parse(text)
        kind = m.sentence_type
        if kind == "RMC":
            m.timestamp, m.status, m.latitude, m.longitude, m.spd_over_grnd, m.true_course, m.datestamp  # noqa: B018
        elif kind == "VTG":
            m.true_track, m.spd_over_grnd_kts, m.faa_mode  # noqa: B018
        elif kind == "GGA":
            m.timestamp, m.latitude, m.longitude, m.gps_qual  # noqa: B018
        elif kind == "XDR":
            m.data  # noqa: B018


def parse_and_read_what_can_be(lines: Iterable[str]) -> None:
    """The same for a real stream, in which pynmea2 refuses some lines and stumbles over others."""
    one: list[str] = [""]
    for one[0] in lines:
        try:
            parse_and_read(one)
        except (ValueError, TypeError, IndexError, AttributeError):
            continue


Rows = dict[str, list[tuple[Any, ...]]]  #: table -> rows


class PlainTables:
    """The same rows in plain tables by sqlite3's executemany, batch by batch.

    A batch is what one commit takes: its rows, and the sentences that are parsed and read before it. So the
    floor comes to the disk as often, and after as long, as the subject does.
    """

    def __init__(self, columns: dict[str, int], batches: Sequence[tuple[Sequence[str], Rows]]) -> None:
        self._columns = columns
        self._batches = batches

    def write(self, path: Path) -> None:
        """Parse, read, insert and commit; the file must not be there yet."""
        connection = sqlite3.connect(path, isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        insert = {}
        for name, n in self._columns.items():
            connection.execute(f"CREATE TABLE {name} ({', '.join(f'c{i}' for i in range(n))})")
            insert[name] = f"INSERT INTO {name} VALUES ({', '.join('?' * n)})"
        for sentences, tables in self._batches:
            parse_and_read(sentences)
            connection.execute("BEGIN")
            for name, rows in tables.items():
                connection.executemany(insert[name], rows)
            connection.execute("COMMIT")
        connection.close()


def fresh(path: Path, write: Callable[[Path], object]) -> Callable[[], object]:
    """`write` onto a file that is not there yet, every time."""

    def once() -> object:
        for name in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
            name.unlink(missing_ok=True)
        return write(path)

    return once
