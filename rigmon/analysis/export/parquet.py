"""Parquet by pyarrow: the samples; each field's metadata has its unit and what it is."""

from pathlib import Path

import pyarrow
import pyarrow.parquet

from rigmon.analysis.export.kinds import Exported
from rigmon.analysis.export.table import Column, columns_of

_WORDS = {"utc", "ground", "basis", "flags"}


def write(exported: Exported, path: Path) -> None:
    columns = columns_of(exported.run, exported.ground, exported.system)
    schema = pyarrow.schema([_field(column) for column in columns])
    arrays = [pyarrow.array(column.values, field.type) for column, field in zip(columns, schema, strict=True)]
    pyarrow.parquet.write_table(pyarrow.Table.from_arrays(arrays, schema=schema), path)


def _field(column: Column) -> pyarrow.Field:
    if column.name in _WORDS:
        kind = pyarrow.string()
    elif column.name == "boom_on":
        kind = pyarrow.int8()
    else:
        kind = pyarrow.float64()
    return pyarrow.field(column.name, kind, metadata={"unit": column.unit, "about": column.about})
