"""Replay of a long recording with the run log written, flat out.

Subject: what `rigmon replay --to` does, RunLogWriter(commit_by_time_ns=...) beside the pipeline, from the
recording to the closed log. Floor: pynmea2.parse and reading the fields used, plus the same rows (every
reading, sample, alert, anchor, tally), ready made, in plain tables by sqlite3 executemany, WAL,
synchronous=FULL, committed as often. Judged by processor time: waiting for the disk, which both do alike,
would only draw the ratio towards 1. Wall time is reported.
"""

from pathlib import Path
from typing import Any, Final

from rigmon.core.pipeline import Pipeline
from rigmon.log.header import run_header
from rigmon.log.writer import RunLogWriter
from rigmon.model import Act, Alert, Anchor, Finding, NmeaLine, Reading, Sample, Tally
from rigmon.replay import Opened, collect
from tests.benchmarks.floors import PlainTables, Rows, fresh
from tests.benchmarks.harness import Figure, cpu_s, take_turns, timed, wall_s
from tests.benchmarks.inputs import demo_rig_file, drive

GOAL: Final = 1.5
_KINDS: Final = (Sample, Alert, Anchor, Tally, Finding, Act)
_COLUMNS: Final = {"Reading": 4, **{kind.__name__: len(kind._fields) for kind in _KINDS}}


def run(quick: bool, folder: Path) -> list[Figure]:
    rounds = 3 if quick else 7
    simulation = drive(0.3 if quick else 0.9, 5)
    source, rig_file = folder / "logged.nmea", demo_rig_file(folder)
    source.write_bytes(simulation.recording_bytes())
    figures = []
    for step_s in (10, 1):
        step_ns = step_s * 1_000_000_000
        tables = PlainTables(_COLUMNS, _batches(source, rig_file, step_ns))

        def subject(path: Path, step_ns: int = step_ns) -> None:
            replay_onto(source, rig_file, path, step_ns)

        ours, plain = fresh(folder / "ours.sqlite", subject), fresh(folder / "plain.sqlite", tables.write)
        what = f"replay onto a log, a commit each {step_s} s of run"
        took = take_turns(timed(ours, cpu_s), timed(plain, cpu_s), rounds)
        figures.append(took.figure(what, "s", GOAL, f"{len(simulation.lines)} sentences"))
        took = take_turns(timed(ours, wall_s), timed(plain, wall_s), 3)
        figures.append(took.figure(f"{what}, wall time", "s", None))
    return figures


def replay_onto(source: Path, rig_file: Path, path: Path, step_ns: int) -> None:
    """Replay a recording onto a new run log, with a commit each `step_ns` of run time."""
    with Opened(source, rig_file) as opened:
        pipeline = Pipeline(opened.rig)
        header = run_header("benchmark", source.name, opened.rig_toml)
        writer = RunLogWriter(path, header, commit_by_time_ns=step_ns)
        driven = opened.drive(pipeline, writer.reading)
        result = collect(pipeline, driven, None, on_outputs=writer.outputs)
        writer.close(result.last_ns, "replayed")


def _batches(source: Path, rig_file: Path, step_ns: int) -> list[tuple[list[str], Rows]]:
    """What the log takes, as plain rows, and the sentences that it comes from, one batch a commit."""
    batches: list[tuple[list[str], Rows]] = []
    sentences: list[str] = []
    rows: Rows = {name: [] for name in _COLUMNS}
    due_ns = step_ns

    def record(reading: Reading) -> None:
        nonlocal sentences, rows, due_ns
        raw = b""
        if isinstance(reading.payload, NmeaLine):
            raw = reading.payload.raw
            sentences.append(raw.decode())
        rows["Reading"].append((reading.seq, reading.t_ns, int(reading.source), raw))
        if reading.t_ns >= due_ns:
            batches.append((sentences, rows))
            sentences, rows = [], {name: [] for name in _COLUMNS}
            due_ns = reading.t_ns + step_ns

    def outputs(made: Any) -> None:
        for output in made:
            rows[type(output).__name__].append(tuple(output))

    with Opened(source, rig_file) as opened:
        pipeline = Pipeline(opened.rig)
        collect(pipeline, opened.drive(pipeline, record), None, on_outputs=outputs)
    return [*batches, (sentences, rows)]
