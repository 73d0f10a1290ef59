"""A daemon under watch: python -m tests.faults.watched RIG LOG [--most-pending N] [--small MB] [--full]
[--seam]

Wires what `rigmon run` wires. Prints one JSON line per event as it comes: `told` (what the driver is told),
`alert`; at the end `end`, with every sample's [monotonic s when it was handed to the feedback, its stamp].
Commands come on stdin, one a line: `fill` and `free` the disk of the log, `error N`, `slow MS` (with --seam,
at the store's commit, where there is no shim), `lines` (how many were read), `stop`.

--small MB mounts a file system of that size on the log's folder first, for this process alone where it runs
in a mount namespace of its own. With --full it is full from the start.
"""

import argparse
import json
import os
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from rigmon import config, daemon
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.log.store import Store
from rigmon.log.writer import RunLogWriter
from rigmon.model import Alert, NmeaLine, Output, Reading, Sample

_CHUNK = b"x" * 4096


class Watcher:
    """A feedback that says what it gets, and when."""

    trouble = None

    def __init__(self) -> None:
        self.samples: list[tuple[float, int]] = []

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def publish(self, outputs: Sequence[Output]) -> None:
        now = time.monotonic()
        for output in outputs:
            if isinstance(output, Sample):
                self.samples.append((now, output.t_ns))
            elif isinstance(output, Alert):
                say("alert", code=output.code, raised=output.raised, t_ns=output.t_ns)

    def tell(self, _t_ns: int, text: str) -> None:
        say("told", text=text)


def say(event: str, **what: Any) -> None:
    # one write a line, whichever thread it is from
    os.write(1, (json.dumps({"event": event, "at": time.monotonic(), **what}) + "\n").encode())


class CountingHub(Hub):
    """Knows how many lines it has handed to the core."""

    lines = 0

    def next(self, deadline_ns: int) -> Reading | None:
        reading = super().next(deadline_ns)
        self.lines += reading is not None and type(reading.payload) is NmeaLine
        return reading


class Seam:
    """A disk that misbehaves where the writer hands rows over: for machines without a C compiler."""

    def __init__(self) -> None:
        self.error, self.slow_ms = 0, 0
        commit = Store.commit

        def _commit(store: Store, *rows: Any) -> Any:
            time.sleep(self.slow_ms / 1000)
            if self.error:
                raise sqlite3.OperationalError(f"disk I/O error: {os.strerror(self.error)}")
            return commit(store, *rows)

        Store.commit = _commit  # type: ignore[method-assign]


def fill(log: Path) -> None:
    with log.with_name("filler").open("wb", buffering=0) as file, suppress(OSError):
        while file.write(_CHUNK):
            pass


def obey(hub: CountingHub, log: Path, seam: Seam | None) -> None:
    for line in sys.stdin:
        word, *arguments = line.split()
        if word == "fill":
            fill(log)
        elif word == "free":
            log.with_name("filler").unlink()
        elif word == "error" and seam is not None:
            seam.error = int(arguments[0])
        elif word == "slow" and seam is not None:
            seam.slow_ms = int(arguments[0])
        elif word == "stop":
            hub.close("told to stop")
        say("done", command=word, lines=hub.lines, wall=time.time())
    hub.close("its watcher is gone")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("rig", type=Path)
    parser.add_argument("log", type=Path)
    parser.add_argument("--most-pending", type=int)
    parser.add_argument("--small", type=float)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--seam", action="store_true")
    options = parser.parse_args()
    if options.small:
        size = f"size={round(options.small * 1024)}k"
        subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(options.log.parent)], check=True)
    if options.full:
        fill(options.log)
    if options.most_pending:
        keep = dict(RunLogWriter.__init__.__kwdefaults__ or {})
        RunLogWriter.__init__.__kwdefaults__ = {**keep, "max_pending": options.most_pending}
    rig, text = config.load(options.rig)
    clock = MonotonicClock()
    start = time.monotonic() - clock.now_ns() / 1e9
    hub = CountingHub(clock)
    seam = Seam() if options.seam else None
    threading.Thread(target=obey, args=(hub, options.log, seam), daemon=True).start()
    watcher = Watcher()
    outcome = daemon.run(rig, text, options.log, daemon.live_sources(rig, hub), hub, watcher)
    if options.small:  # nobody else sees that disk
        from rigmon import replay
        from rigmon.log.reader import RunLog

        with RunLog.open(options.log) as log:
            say("log", **account(log, replay.check(log).same))
    say("end", start=start, samples=watcher.samples, readings=outcome.readings, troubles=outcome.troubles,
        run_id=outcome.run_id)  # fmt: skip


def account(log: Any, checks: bool) -> dict[str, Any]:
    """What a log holds and says it lost."""
    lost = [(gap.first, gap.last, gap.why) for gap in log.gaps if gap.what == "readings"]
    return {
        "kept": [reading.seq for reading in log.readings()],
        "lost": lost,
        "problems": log.problems(),
        "checks": checks,
        "ended": log.ended_cleanly,
        "alerts": [(alert.code, alert.raised) for alert in log.alerts()],
    }


if __name__ == "__main__":
    main()
