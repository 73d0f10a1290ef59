"""A day at 10 Hz flat out through the daemon's path: is memory flat, is every queue bounded, is every reading
in the log or in a row about a loss?

`daemon.run` itself with the bench clock and the live run log (its thread, its limits) in a process of its
own. Sentences are put in as fast as the hub takes them; so that the disk's thread is not simply outrun, the
sender waits for the log every ten seconds of run time, but for one stretch an hour, when it floods it on
purpose. python -m tests.faults.day HOURS RIG LOG is that process.
"""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from statistics import linear_regression
from typing import Any, Final

from tests.faults.feed import HZ, TOP, rig_file
from tests.faults.table import Done

_STEP_NS: Final = 1_000_000_000 // HZ
_FLOOD_S: Final = 200
_PENDING: Final = 2_000
#: a warm process has what it needs after so much of the day
_WARM: Final = 1 / 12


def run(folder: Path, hours: float, growth_pct: float | None = None) -> list[Done]:
    """`growth_pct`: memory may grow by no more from the first twelfth on; None: not judged."""
    made = subprocess.run(
        [sys.executable, "-m", "tests.faults.day", str(hours), str(rig_file(folder, "/dev/null")),
         str(folder / "day.sqlite")],
        cwd=TOP, capture_output=True, text=True, check=False,
    )  # fmt: skip
    done = Done(f"{hours:g} h at {HZ} Hz flat out, readings", 0)
    if made.returncode:
        done.failures.append(f"the daemon's process failed: {made.stderr[-500:]}")
        return [done]
    told = json.loads(made.stdout)
    done.count = told["readings"]
    for queue, (most, limit) in told["queues"].items():
        if most > limit:
            done.failures.append(f"{queue}: {most} waited, the limit is {limit}")
    if told["lines"] != told["handed"]:
        done.failures.append(f"{told['handed']} lines were handed over, {told['lines']} came through")
    if told["accounted"] != told["readings"]:
        done.failures.append(
            f"{told['readings']} readings, {told['accounted']} in the log or in a row about a loss"
        )
    if told["problems"] or told["troubles"]:
        done.failures.append(f"{told['problems']} {told['troubles']}")
    warm = [(hour, kib) for hour, kib in told["resident"] if hour >= hours * _WARM]
    slope, _ = linear_regression(*zip(*warm, strict=True))
    grown = 100 * (warm[-1][1] / warm[0][1] - 1)
    if growth_pct is not None and grown > growth_pct:
        done.failures.append(f"memory grew by {grown:.1f} %")
    queues = ", ".join(f"{queue} {most}/{limit}" for queue, (most, limit) in told["queues"].items())
    done.worst = (
        f"{warm[0][1] / 1024:.1f} -> {warm[-1][1] / 1024:.1f} MiB ({grown:+.1f} %), "
        f"slope {slope:+.1f} KiB/h; "
        f"most waiting: {queues}; {told['lost']} lost in {told['rows']} row(s)"
    )
    return [done]


# -- the process ---------------------------------------------------------------------------------------


def _main(hours: float, rig_path: Path, log_path: Path) -> None:
    from rigmon import config, daemon
    from rigmon.edge.bench import BenchSource
    from rigmon.edge.feedback import TerminalFeedback
    from rigmon.edge.hub import CAPACITY, BenchClock
    from rigmon.log import live
    from rigmon.log.reader import RunLog
    from rigmon.log.writer import RunLogWriter
    from rigmon.model import NmeaLine, Source
    from tests.benchmarks.epochs import XDR, rmc
    from tests.benchmarks.ports import status_kib
    from tests.faults.watched import CountingHub

    writers: list[RunLogWriter] = []
    begin = RunLogWriter.__init__

    def _init(writer: RunLogWriter, *arguments: Any, **options: Any) -> None:
        begin(writer, *arguments, **{**options, "max_pending": _PENDING})
        writers.append(writer)

    RunLogWriter.__init__ = _init  # type: ignore[method-assign]
    rig, text = config.load(rig_path)
    clock = BenchClock()
    hub = CountingHub(clock)
    resident: list[tuple[float, int]] = []
    most = {"hub": 0, "log rows": 0, "log losses": 0, "feedback": 0}
    handed = 0

    def items() -> Iterator[tuple[int, Source, NmeaLine]]:
        nonlocal handed
        xdr = NmeaLine(XDR.rstrip())
        sample_every = round(hours * 3600 * HZ / 144)
        for k in range(round(hours * 3600 * HZ)):
            writer = writers[0]._writer
            assert isinstance(writer, live.LiveWriter)
            second = k // HZ
            if k % (10 * HZ) == 0 and second % 3600 >= _FLOOD_S and not writers[0].flush(60.0):
                raise RuntimeError("the disk did not take the log in time")
            if k % HZ == 0:
                rows = len(writer._readings) + len(writer._outputs) + writer._in_flight
                now = (hub._queue.qsize(), rows, len(writer._losses), len(feedback._changes))
                for name, waiting in zip(most, now, strict=True):
                    most[name] = max(most[name], waiting)
            if k % sample_every == 0:
                resident.append((k / HZ / 3600, status_kib("self", "VmRSS")))
            handed += 2
            yield k * _STEP_NS, Source.GPS, NmeaLine(rmc(k, HZ).rstrip())
            yield k * _STEP_NS, Source.GPS, xdr

    with Path("/dev/null").open("w", encoding="ascii") as nowhere:
        feedback = TerminalFeedback(rig, nowhere)
        source = BenchSource(hub, clock, items(), None)
        outcome = daemon.run(rig, text, log_path, [source], hub, feedback, source_name="a day")
    resident.append((hours, status_kib("self", "VmRSS")))
    with RunLog.open(log_path) as log:
        kept = log.readings_count
        lost = [gap for gap in log.gaps if gap.what == "readings"]
        problems = [row for (row,) in log.connection.execute("PRAGMA integrity_check") if row != "ok"]
    limits = (CAPACITY, _PENDING, live._MAX_LOSSES + 1, feedback._changes.maxlen)
    sys.stdout.write(
        json.dumps(
            {
                "readings": outcome.readings,
                "handed": handed,
                "lines": hub.lines,
                "accounted": kept + sum(gap.lost for gap in lost),
                "lost": sum(gap.lost for gap in lost),
                "rows": len(lost),
                "queues": {name: (most[name], limit) for name, limit in zip(most, limits, strict=True)},
                "problems": problems,
                # what was flooded last may be over only after the last reading
                "troubles": [text for text in outcome.troubles if ": resumed: " not in text],
                "resident": resident,
            }
        )
    )


if __name__ == "__main__":
    _main(float(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]))
