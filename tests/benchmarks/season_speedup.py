"""A season of one-hour runs on two processors against one: `rigmon.analysis.season.gather.season`.

500 logs (120 with --quick) of one hour at 10 Hz, copies of a few simulated ones that each say another run, so
that every one is read, scored and summed up; nothing is kept between rounds. Wall time, the processes' start
and the season's own figures included. The ratio is time on two over time on one: 1.7 times faster is 0.588.
Cached: the same again with all summaries kept.
"""

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from rigmon.analysis.season.gather import season
from tests.benchmarks.harness import Figure, take_turns, timed, wall_s
from tests.benchmarks.inputs import demo_rig_file, drive
from tests.benchmarks.replay_logged import replay_onto

FASTER: Final = 1.7
_DISTINCT: Final = 6


def run(quick: bool, folder: Path) -> list[Figure]:
    count = 120 if quick else 500
    logs = folder / "logs"
    _make(logs, count, folder)

    def on(jobs: int) -> None:
        found = season(logs, jobs=jobs, keep=False)
        assert (len(found["runs"]), found["left_out"]) == (count, [])

    on(1)  # the files' pages are then in memory for both
    rounds = 3
    # on one processor the pool's gain cannot be measured: told, not judged
    goal = 1 / FASTER if len(os.sched_getaffinity(0)) >= 2 else None
    took = take_turns(timed(lambda: on(2), wall_s), timed(lambda: on(1), wall_s), rounds)
    what = f"season of {count} one-hour runs, two processes over one"
    spread = took.figure(what, "s", goal, f"{1 / took.ratio:.2f} times faster")

    cache = folder / "cache.jsonl"
    season(logs, jobs=2, cache=cache)

    def known() -> None:
        assert season(logs, cache=cache)["cache"]["used"] == count

    kept = take_turns(timed(known, wall_s), timed(lambda: on(1), wall_s), 1)
    return [spread, kept.figure("the same, all summaries kept, over one process", "s", None)]


def _make(logs: Path, count: int, folder: Path) -> None:
    logs.mkdir()
    originals = []
    for seed in range(1, _DISTINCT + 1):
        recording, path = folder / "hour.nmea", folder / f"hour-{seed}.sqlite"
        recording.write_bytes(drive(1, 10, seed=seed, sentences=("RMC",)).recording_bytes())
        replay_onto(recording, demo_rig_file(folder), path, 10_000_000_000)
        recording.unlink()
        originals.append(path)
    for n in range(count):
        path = logs / f"run-{n:03d}.sqlite"
        shutil.copy(originals[n % _DISTINCT], path)
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("UPDATE run SET run_id = ?", (f"run {n}",))
            # a day later each
            connection.execute("UPDATE anchor SET utc_ms = utc_ms + ?", (n * 86_400_000,))
