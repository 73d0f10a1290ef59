"""Names and headers of new run logs."""

import os
import re
from datetime import UTC, datetime
from pathlib import Path

from rigmon.log.header import new_log_path, new_run_id, run_header


def test_run_ids_differ_within_the_same_second() -> None:
    ids = {new_run_id() for _ in range(50)}
    assert len(ids) == 50
    path = new_log_path(Path("runs"), min(ids))
    assert path.parent == Path("runs")
    assert path.name == f"{min(ids)}.sqlite"


def test_a_clock_that_was_never_set_gives_no_date() -> None:
    booted = datetime(1970, 1, 1, 0, 0, 41, tzinfo=UTC)
    ids = {new_run_id(booted) for _ in range(50)}
    assert len(ids) == 50
    assert all(re.fullmatch("undated-[0-9a-f]{12}", run_id) for run_id in ids)
    assert new_run_id(datetime(2026, 6, 1, 12, tzinfo=UTC)).startswith("20260601-120000-")


def test_the_header_says_where_the_run_was_made() -> None:
    header = run_header("id", "live", "[rig]")
    assert header.boot_id is not None
    assert len(header.boot_id) == 36  # a UUID, proc(5)
    assert header.host == os.uname().nodename
    assert header.software.startswith("rigmon ")
    assert (header.ended_ns, header.ended_why) == (None, None)
