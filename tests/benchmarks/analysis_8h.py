"""All that can be said of an eight-hour, 10 Hz run log, worked out from its file.

Subject: rigmon.analysis.source.load and whole.analyse (score, stretches, across the boom, coverage, closure,
hold). Floor: pandas.read_sql of the same samples. Both with their libraries loaded; processor time. There is
no goal for the ratio: the score alone has one (score_8h), and coverage is geometry that grows with the field.
Peak memory is that of a process that does the subject once, its start and imports included. The log is
simulated and replayed onto once (one hour with --quick).
"""

import os
import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from typing import Final

import pandas as pd

from rigmon.analysis.export import FORMATS, export
from rigmon.analysis.source import load
from rigmon.analysis.whole import analyse
from tests.benchmarks.harness import Figure, take_turns, timed
from tests.benchmarks.score_8h import long_log

GOAL_MIB: Final = 1000.0
_CHILD: Final = """
import sys
from pathlib import Path
from rigmon.analysis.source import load
from rigmon.analysis.whole import analyse
analyse(load(Path(sys.argv[1]), None)).to_json()
"""


def run(quick: bool, folder: Path) -> list[Figure]:
    hours = 1 if quick else 8
    path = long_log(hours, folder)

    def subject() -> object:
        return analyse(load(path, None)).to_json()

    def floor() -> object:
        with closing(sqlite3.connect(path)) as connection:
            return pd.read_sql("SELECT * FROM sample", connection)

    samples = len(floor())  # type: ignore[arg-type]
    subject()
    cpu = take_turns(timed(subject), timed(floor), 3)
    what = f"analysis of {hours} h at 10 Hz, {samples} samples"
    figures = [
        cpu.figure(what, "s", None),
        Figure(f"{what}, peak memory", _peak_mib(path), "MiB", goal=GOAL_MIB),
    ]
    data = load(path, None)
    for name, form in FORMATS.items():
        written = folder / f"long{form.suffixes[0]}"
        took_s = timed(lambda written=written: export(data, written))()  # type: ignore[misc]
        size = f"{written.stat().st_size / 1e6:.1f} MB"
        figures.append(Figure(f"export of it as {name}", took_s, "s", note=size))
        written.unlink()
    return figures


def _peak_mib(path: Path) -> float:
    child = os.posix_spawn(sys.executable, [sys.executable, "-c", _CHILD, str(path)], os.environ)
    _, status, used = os.wait4(child, 0)
    if status:
        raise RuntimeError(f"the analysis ended with status {status}")
    return used.ru_maxrss / 1024
