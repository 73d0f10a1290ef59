"""A season of one-hour runs on two processors against one: `rigmon.analysis.season.gather.season`.

500 logs (200 with --quick) of one hour at 10 Hz, copies of a few simulated ones that each say another run, so
that every one is read, scored and summed up; nothing is kept between rounds. 1.7 times faster is a ratio of
0.588. Wall time shows that only where nothing else runs, and is judged only there (load below 0.5 at the
start). Judged everywhere is the time that two free processors would take by the processor time used: the
parent's, half of the workers' with their start, and half a log's, as the last one keeps one of them waiting.
"""

import os
import resource
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from rigmon.analysis.season.gather import season
from tests.benchmarks.harness import Figure, Rounds, take_turns, timed, wall_s
from tests.benchmarks.inputs import demo_rig_file, drive
from tests.benchmarks.replay_logged import replay_onto

FASTER: Final = 1.7
_DISTINCT: Final = 6
_QUIET: Final = 0.5


def run(quick: bool, folder: Path) -> list[Figure]:
    count = 200 if quick else 500
    logs = folder / "logs"
    _make(logs, count, folder)

    def on(jobs: int) -> None:
        found = season(logs, jobs=jobs, keep=False)
        assert (len(found["runs"]), found["left_out"]) == (count, [])

    walls: dict[int, list[float]] = {1: [], 2: []}

    def used_s(jobs: int) -> float:
        start, parent_s, workers_s = wall_s(), *_used_s()
        on(jobs)
        parent_s, workers_s = (now - then for now, then in zip(_used_s(), (parent_s, workers_s), strict=True))
        walls[jobs].append(wall_s() - start)
        return parent_s + workers_s / 2 + workers_s / count / 2

    quiet = os.getloadavg()[0] < _QUIET and len(os.sched_getaffinity(0)) >= 2
    on(1)  # the files' pages are then in memory for both
    used = take_turns(lambda: used_s(2), lambda: used_s(1), 2 if quick else 3)
    wall = Rounds(tuple(walls[2]), tuple(walls[1]))
    what = f"season of {count} one-hour runs, two processes over one"
    figures = [
        used.figure(f"{what}, processor time", "s", 1 / FASTER, _faster(used)),
        wall.figure(f"{what}, wall time", "s", 1 / FASTER if quiet else None, _faster(wall)),
    ]
    cache = folder / "cache.jsonl"
    season(logs, jobs=2, cache=cache)

    def known() -> None:
        assert season(logs, cache=cache)["cache"]["used"] == count

    kept = take_turns(timed(known), timed(lambda: on(1)), 1)
    return [*figures, kept.figure("the same, all summaries kept, over one process", "s", None)]


def _used_s() -> tuple[float, float]:
    """Processor time of this process, and of those that it waited for [s]."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    parent_s, workers_s = (usage.ru_utime + usage.ru_stime for usage in both)
    return parent_s, workers_s


def _faster(took: Rounds) -> str:
    return f"{1 / took.ratio:.2f} times faster"


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
