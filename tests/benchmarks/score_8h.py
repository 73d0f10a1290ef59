"""Score of an eight-hour, 10 Hz run log, from its file.

Subject: rigmon.analysis.source.load and score. Floor: pandas.read_sql of the same samples. Both with their
libraries loaded; processor time. The log is simulated and replayed onto once (one hour with --quick).
"""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

import pandas as pd

from rigmon.analysis.score import score
from rigmon.analysis.source import load
from tests.benchmarks.harness import Figure, take_turns, timed, wall_s
from tests.benchmarks.inputs import demo_rig_file, drive
from tests.benchmarks.replay_logged import replay_onto

GOAL: Final = 2.0


def run(quick: bool, folder: Path) -> list[Figure]:
    hours = 1 if quick else 8
    path = long_log(hours, folder)

    def subject() -> object:
        return score(load(path, None))

    def floor() -> object:
        with closing(sqlite3.connect(path)) as connection:
            return pd.read_sql("SELECT * FROM sample", connection)

    samples = len(floor())  # type: ignore[arg-type]
    subject()
    rounds = 5 if quick else 9
    cpu = take_turns(timed(subject), timed(floor), rounds)
    wall = take_turns(timed(subject, wall_s), timed(floor, wall_s), rounds)
    what = f"score of {hours} h at 10 Hz, {samples} samples"
    return [cpu.figure(what, "s", GOAL), wall.figure(f"{what}, wall time", "s", None)]


def long_log(hours: float, folder: Path) -> Path:
    """A run log of about so many hours at 10 Hz."""
    simulation = drive(hours, 10, sentences=("RMC",))
    recording = folder / "long.nmea"
    recording.write_bytes(simulation.recording_bytes())
    path = folder / "long.sqlite"
    replay_onto(recording, demo_rig_file(folder), path, 10_000_000_000)
    recording.unlink()
    return path
