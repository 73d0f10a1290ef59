"""Hours of run time flat out, for `daemon_memory`: python -m tests.benchmarks.long_run HOURS FOLDER

The daemon's parts (hub, pipeline, run log with its thread, terminal feedback) in the daemon's order, fed
with 5 Hz of RMC and XDR on the bench clock by one thread. Once in ten seconds of run time it waits for the
log's thread, which otherwise would fall behind. Prints a JSON list of [hour, resident kB], six an hour.
"""

import json
import sys
from pathlib import Path
from typing import Final

from rigmon import config
from rigmon.core.pipeline import Pipeline
from rigmon.edge.feedback import TerminalFeedback
from rigmon.edge.hub import BenchClock, Hub
from rigmon.log.header import run_header
from rigmon.log.writer import RunLogWriter
from rigmon.model import NmeaLine, Source
from tests.benchmarks.epochs import XDR, rmc
from tests.benchmarks.ports import status_kib

_HZ: Final = 5
_STEP_NS: Final = 1_000_000_000 // _HZ


def main(hours: float, rig_file: Path, log_path: Path) -> None:
    rig, text = config.load(rig_file)
    clock = BenchClock()
    hub = Hub(clock)
    pipeline = Pipeline(rig)
    writer = RunLogWriter(log_path, run_header("benchmark", "bench", text))
    xdr = NmeaLine(XDR.rstrip())
    resident: list[tuple[float, int]] = []
    with Path("/dev/null").open("w", encoding="ascii") as nowhere:
        feedback = TerminalFeedback(rig, nowhere)
        feedback.start()
        for k in range(round(hours * 3600 * _HZ)):
            t_ns = k * _STEP_NS
            hub.put(t_ns, Source.GPS, NmeaLine(rmc(k, _HZ).rstrip()))
            hub.put(t_ns, Source.GPS, xdr)
            clock.advance(t_ns)
            for _ in range(2):
                reading = hub.next(pipeline.deadline_ns)
                assert reading is not None
                writer.reading(reading)
                outputs = pipeline.feed(reading)
                writer.outputs(outputs)
                feedback.publish(outputs)
            if k % (10 * _HZ) == 0 and not writer.flush():
                raise RuntimeError("the disk did not take the log in time")
            if k % (600 * _HZ) == 0:
                resident.append((k / _HZ / 3600, status_kib("self", "VmRSS")))
        feedback.stop()
    writer.close(hub.clock.now_ns(), "the benchmark ended")
    resident.append((hours, status_kib("self", "VmRSS")))
    print(json.dumps(resident))


if __name__ == "__main__":
    main(float(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]))
