"""CSV (RFC 4180, UTF-8): one row a sample, the unit in each column's name, unknown values empty."""

import csv
from pathlib import Path

from rigmon.analysis.export.kinds import Exported
from rigmon.analysis.export.table import columns_of


def write(exported: Exported, path: Path) -> None:
    columns = columns_of(exported.run, exported.ground, exported.system)
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(column.name for column in columns)
        rows.writerows(zip(*(column.values for column in columns), strict=True))
