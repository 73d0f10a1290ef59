"""CSV files of measurements, as spreadsheets and people write them. Units stand in the cells or the head."""

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rigmon.errors import UsageError

_LARGEST_BYTES: Final = 1_000_000
_BARE: Final = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
_IN_BRACKETS: Final = re.compile(r"(.+?)\s*[\[(](.+)[\])]")


@dataclass(frozen=True, slots=True)
class Row:
    """One line: `cells` by column, only those that hold something; `where` names file and line."""

    where: str
    cells: dict[str, str]

    def get(self, column: str) -> str | None:
        return self.cells.get(column)

    def at(self, column: str) -> str:
        """What errors about a cell begin with."""
        return f"{self.where}, {column}"


def read_table(path: Path, columns: dict[str, str], required: tuple[str, ...]) -> list[Row]:
    """The lines of a CSV file with a head. `columns`: known names -> what a cell looks like, for errors.

    The head names the columns, in any order; 'volume_ml', 'volume [mL]' or 'volume (mL)' gives the cells
    below a unit. Commas, semicolons or tabs separate; lines that are empty or begin with '#' are passed over.
    Raises UsageError naming file, line, column and value.
    """
    text = read_text(path)
    lines = [
        (n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip(" \t,;") and line[0] != "#"
    ]
    such = "; ".join(f"{name}: {cell}" for name, cell in columns.items())
    if not lines:
        raise UsageError(f"{path}: holds nothing; it must begin with a line of column names ({such})")
    n, head_line = lines[0]
    separator = max(",;\t", key=head_line.count)
    head = [_column(cell, columns) for cell in _split(head_line, separator, f"{path}, line {n}")]
    for name, _, shown in head:
        if name is None:
            raise UsageError(f"{path}, line {n}: column '{shown}' is not known; known are {such}")
    names = [name for name, _, _ in head]
    for name in required:
        if name not in names:
            raise UsageError(f"{path}, line {n}: column '{name}' is missing; columns are {such}")
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"{path}, line {n}: column '{name}' is there twice; leave one")
    rows = []
    for n, line in lines[1:]:
        where = f"{path}, line {n}"
        cells = _split(line, separator, where)
        if len(cells) > len(head) and any(cell.strip() for cell in cells[len(head) :]):
            raise UsageError(
                f"{where}: {len(cells)} cells under {len(head)} columns; write numbers with a decimal point, "
                "not a comma"
            )
        found = dict(_cells(head, cells))
        for name in required:
            if name not in found:
                raise UsageError(f"{where}: {name} is empty; write it like {columns[name]}")
        rows.append(Row(where, found))
    if not rows:
        raise UsageError(f"{path}: only column names; write one measurement a line below them")
    return rows


def read_text(path: Path, wanted: str = "a CSV file") -> str:
    """A small UTF-8 text file. Raises UsageError naming it; `wanted` is what to give instead."""
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}; give {wanted}") from error
    if len(data) > _LARGEST_BYTES:
        raise UsageError(f"{path}: larger than 1 MB, so not a table that a person wrote; give {wanted}")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{path}: not UTF-8 text (byte {error.start}); save it as {wanted} in UTF-8"
        ) from error
    if "\0" in text:
        raise UsageError(f"{path}: not text; save it as {wanted} in UTF-8")
    return text


def _split(line: str, separator: str, where: str) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(line), delimiter=separator, skipinitialspace=True, strict=True))
    except (csv.Error, StopIteration) as error:
        raise UsageError(f"{where}: cannot be read ({error}); check the quotes") from error


def _column(cell: str, columns: dict[str, str]) -> tuple[str | None, str, str]:
    """(name, unit, as written); the name is None for a column that is not known."""
    shown = cell.strip()[:40]
    lower = shown.lower()
    if lower in columns:
        return lower, "", shown
    if bracketed := _IN_BRACKETS.fullmatch(shown):
        name, unit = bracketed[1].strip().lower(), bracketed[2].strip()
        return (name if name in columns else None), unit, shown
    for name in sorted(columns, key=len, reverse=True):
        for between in ("_", " "):
            if lower.startswith(name + between):
                unit = shown[len(name) + 1 :].replace("_per_", "/").replace("_", " ").strip()
                return name, unit, shown
    return None, "", shown


def _cells(head: list[tuple[str | None, str, str]], cells: list[str]) -> Iterator[tuple[str, str]]:
    for (name, unit, _), cell in zip(head, cells, strict=False):
        text = cell.strip()
        if name is not None and text:
            yield name, f"{text} {unit}" if unit and _BARE.fullmatch(text) else text
