"""A live run's log in fast motion, for `bytes_written`: python -m tests.benchmarks.fast_run
SECONDS HZ SENTENCES FACTOR RIG LOG

Feeds the pipeline and the live RunLogWriter (its thread, its two intervals) in real time, but `FACTOR` times
faster, with the intervals shortened by the same factor: as many commits of as many readings as in real time.
Prints a JSON object: raw bytes received, what /proc/self/io says was written, commits, the log's size.
"""

import json
import sys
import time
from pathlib import Path

from rigmon import config
from rigmon.core.pipeline import Pipeline
from rigmon.log.header import run_header
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import NmeaLine, Reading, Source
from tests.benchmarks.epochs import epoch
from tests.benchmarks.ports import io_bytes

#: RunLogWriter's own, in seconds
COMMIT_EVERY_S = 0.95
OUTPUTS_EVERY_S = 10.0


def main(seconds: float, hz: int, kinds: list[str], factor: float, rig_file: Path, log_path: Path) -> None:
    rig, text = config.load(rig_file)
    epochs = [[s for s in epoch(k, hz) if s[3:6].decode() in kinds] for k in range(round(seconds * hz))]
    pipeline = Pipeline(rig)
    before = io_bytes("self")
    writer = RunLogWriter(
        log_path,
        run_header("benchmark", "bench", text),
        commit_every_s=COMMIT_EVERY_S / factor,
        outputs_every_s=OUTPUTS_EVERY_S / factor,
    )
    received = seq = t_ns = 0
    begin_s = time.monotonic()
    for k, sentences in enumerate(epochs):
        t_ns = k * 1_000_000_000 // hz
        time.sleep(max(0.0, begin_s + k / hz / factor - time.monotonic()))
        for sentence in sentences:
            received += len(sentence)
            reading = Reading(seq, t_ns, Source.GPS, NmeaLine(sentence.rstrip()))
            seq += 1
            writer.reading(reading)
            writer.outputs(pipeline.feed(reading))
    writer.outputs(pipeline.finish(t_ns))
    writer.close(t_ns, "the benchmark ended")
    after = io_bytes("self")
    with RunLog.open(log_path) as log:
        commits = log.connection.execute("SELECT count(*) FROM reading_block").fetchone()[0]
    print(
        json.dumps(
            {
                "received": received,
                "written": after[0] - before[0],
                "stored": after[1] - before[1],
                "commits": commits,
                "size": log_path.stat().st_size,
            }
        )
    )


if __name__ == "__main__":
    main(
        float(sys.argv[1]), int(sys.argv[2]), sys.argv[3].split(","), float(sys.argv[4]), Path(sys.argv[5]),
        Path(sys.argv[6]),
    )  # fmt: skip
