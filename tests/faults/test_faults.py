"""Each fault at a reduced count; `python -m tests.faults` provokes them in full."""

import ast
from pathlib import Path

import pytest

from tests.faults.__main__ import FAULTS, provoke
from tests.faults.table import Done, table


@pytest.mark.parametrize("name", FAULTS)
def test_the_rig_bears(name: str, tmp_path: Path) -> None:
    rows = provoke(name, tmp_path, full=False)
    assert rows
    assert not [row for row in rows if row.failures], "\n" + table(rows)
    assert all(row.count or row.skipped for row in rows)
    if reasons := {row.skipped for row in rows if row.skipped}:
        pytest.skip("; ".join(sorted(reasons)))


def test_the_table_shows_what_failed_and_what_was_left_out() -> None:
    text = table([
        Done("plug pulled", 1200, "back within 1.1 s"),
        Done("card pulled", 3, failures=[f"round {n}" for n in range(7)]),
        Done("tooth pulled", 0, skipped="needs a dentist"),
    ])  # fmt: skip
    assert "plug pulled   1,200  held      back within 1.1 s" in text
    assert "card pulled       3  7 FAILED" in text
    assert "card pulled: round 4" in text
    assert "round 5" not in text
    assert "card pulled: and 2 more" in text
    assert "tooth pulled: needs a dentist" in text


# -- the wall clock ------------------------------------------------------------------------------------

_PACKAGE = Path(__file__).resolve().parents[2] / "rigmon"
#: what reads the board's date and time
_WALL = {"time", "time_ns", "now", "utcnow", "today", "localtime", "gmtime", "ctime", "getmtime"}
#: names a log's file, by the board's clock, and says so
_MAY = {"log/header.py"}


def _reads_wall_clock(path: Path) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute) and node.attr in _WALL and isinstance(node.value, ast.Name):
            if node.value.id in ("time", "datetime", "date", "path"):
                found.append(f"{path}:{node.lineno}: {node.value.id}.{node.attr}")
        elif isinstance(node, ast.ImportFrom) and node.module == "time":
            found += [f"{path}:{node.lineno}: time.{name.name}" for name in node.names if name.name in _WALL]
    return found


def test_nothing_in_a_runs_path_reads_the_wall_clock() -> None:
    """So no step of it can reach a stamp, a wait or a deadline: those are the monotonic clock's."""
    paths = [path for part in ("core", "edge", "log") for path in sorted((_PACKAGE / part).rglob("*.py"))]
    paths += [_PACKAGE / "daemon.py", _PACKAGE / "replay.py"]
    assert len(paths) > 30
    found = [
        line
        for path in paths
        if path.relative_to(_PACKAGE).as_posix() not in _MAY
        for line in _reads_wall_clock(path)
    ]
    assert not found, "\n".join(found)


def test_that_check_can_fail(tmp_path: Path) -> None:
    path = tmp_path / "module.py"
    path.write_text(
        "import time\nfrom time import time_ns, monotonic\nfrom datetime import date\n"
        "time.time()\ntime.monotonic()\ndate.today()\n",
        encoding="utf-8",
    )
    assert [line.rpartition(": ")[2] for line in _reads_wall_clock(path)] == [
        "time.time_ns", "time.time", "date.today",
    ]  # fmt: skip
